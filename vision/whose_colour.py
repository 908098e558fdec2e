"""Whose colour each sticker of the top layer carries, and which are covered: a network's second opinion.

The colour model reads one colour a sticker. Glare, haze, blur and thin faces are easier to judge from the
pixels themselves, all stickers beside each other. A sticker is a token: 8 x 8 pixels across its cell and a
few numbers on where it lies; attention among the stickers of the top and of up to two sides does the rest.
Trained on traced pictures whose top layers are coloured at random (tests/studio/train_whose.py), so that it
knows looks and not which cases exist. Runs in numpy.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path
from typing import Any, Final

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.samples import StickerSamples
from vision.pose import FACE_CENTRES, FACE_NORMALS, CubePose, face_points
from vision.shrink import handy, shrunk

Floats = NDArray[np.float32]

PATCH: Final = 8
"""Pixels along a sticker's patch."""
MARGIN: Final = 0.1
"""What a patch shows beyond its sticker's cell, in cells."""
LEAST_COSINE: Final = 0.03
BELIEVED: Final = 2.0
"""A sticker counts as covered, at least in part, where the network sees less than one in this of it."""
GREY: Final = (127.5, 127.5, 127.5)
UNSAID: Final = -30.0
"""Logit of what is never meant."""
_HEADS: Final = 4
_COLOURS: Final = 4
_SIDES: Final = (1, 2, 4, 5)


@dataclass(frozen=True, eq=False)
class Look:
    """What the network makes of one cube whose pose names the top face U.

    log_shares  (6, n, n, 6) log probability that a sticker has the colour of each face of the pose; all 0
                where that is not open: only the rim of U and the first rows of the two sides seen best are
    seen        (6, n, n) share 0..1 of each sticker that nothing covers; 1 where it did not look
    """

    log_shares: Floats
    seen: Floats

    def uncovered(self, samples: StickerSamples) -> StickerSamples:
        """The samples, with less of what the network takes for a hand or another thing in the way."""
        return replace(samples, coverage=np.minimum(samples.coverage, BELIEVED * self.seen))


@lru_cache(maxsize=1)
def _weights() -> dict[str, Floats]:
    with np.load(Path(__file__).parent / "data" / "whose_colour.npz", allow_pickle=False) as stored:
        return {name: stored[name].astype(np.float32) for name in stored.files}


def look_at(image_bgr: NDArray[np.uint8], pose: CubePose) -> Look | None:
    """Look at the top layer of a cube in a BGR picture.

    None where there is nothing to go by: a 2x2x2, whose top has no middle, and a top seen edge on.
    """
    n = pose.size
    to_eye = pose.eye_xyz - FACE_CENTRES
    cosines = (to_eye * FACE_NORMALS).sum(1) / np.linalg.norm(to_eye, axis=1)
    if n < 3 or n > 5 or cosines[0] <= LEAST_COSINE:
        return None
    best = sorted(_SIDES, key=lambda face: -cosines[face])[:2]
    faces = [0, *(face for face in best if cosines[face] > LEAST_COSINE)]
    logits = _forward(_tokens(image_bgr, pose, faces, cosines)).reshape(len(faces), n, n, _COLOURS + 1)
    log_shares, seen = np.zeros((6, n, n, 6), np.float32), np.ones((6, n, n), np.float32)
    log_shares[faces] = _by_face(logits[..., :_COLOURS], faces)
    log_shares[~_is_open(n)] = 0.0
    seen[faces] = 1.0 / (1.0 + np.exp(-np.clip(logits[..., -1], -30.0, 30.0)))
    return Look(log_shares, seen)


def _by_face(logits: Floats, faces: list[int]) -> Floats:
    """Log probabilities (..., 6) of each face's colour from logits (..., 4): top, side seen best, other side,
    neither. What is left is shared by the sides out of view; the bottom's colour is never meant."""
    out = np.full((*logits.shape[:-1], 6), UNSAID, np.float32)
    hidden = [face for face in _SIDES if face not in faces]
    left = np.logaddexp.reduce(logits[..., len(faces) :], axis=-1) - np.log(len(hidden))
    out[..., faces] = logits[..., : len(faces)]
    out[..., hidden] = left[..., None]
    return np.asarray(out - np.logaddexp.reduce(logits, axis=-1)[..., None])


@lru_cache(maxsize=8)
def _is_open(n: int) -> NDArray[np.bool_]:
    """Which stickers (6, n, n) of the top layer are not known beforehand."""
    out = np.zeros((6, n, n), dtype=bool)
    out[0] = True
    out[0, 1 : n - 1, 1 : n - 1] = False
    out[list(_SIDES), 0] = True
    return out


def _tokens(image_bgr: NDArray[np.uint8], pose: CubePose, faces: list[int], cosines: Any) -> Floats:
    """(F n n, 204): pixels -0.5..0.5 in BGR, then place and normal along the ray, and six numbers."""
    n = pose.size
    inner = -MARGIN + (1 + 2 * MARGIN) * (np.arange(PATCH) + 0.5) / PATCH
    at = (np.arange(n)[:, None] + inner).reshape(-1) / n
    rows, columns = np.meshgrid(at, at, indexing="ij")
    edge_px = pose.focal_px / float(np.linalg.norm(pose.translation))
    patches = np.empty((len(faces), n, n, PATCH, PATCH, 3), np.float32)
    for slot, face in enumerate(faces):
        points = pose.project(face_points(face, columns, rows).reshape(-1, 3))
        # a face seen at a slant keeps pixels enough across its stickers
        sticker_px = edge_px / n * min(1.0, 2.0 * float(cosines[face]))
        pixels = _pixels(image_bgr, points, PATCH / sticker_px).reshape(n, PATCH, n, PATCH, 3)
        patches[slot] = pixels.transpose(0, 2, 1, 3, 4)
    z = pose.translation / np.linalg.norm(pose.translation)
    x = np.array([z[2], 0.0, -z[0]]) / np.hypot(z[2], z[0])
    turned = np.stack([x, np.cross(z, x), z]) @ pose.rotation
    middle = (np.arange(n) + 0.5) / n
    rows, columns = np.meshgrid(middle, middle, indexing="ij")
    numbers = np.empty((len(faces), n, n, 12), np.float32)
    known = ~_is_open(n)
    for slot, face in enumerate(faces):
        numbers[slot, ..., 0:3] = face_points(face, columns, rows).reshape(n, n, 3) @ turned.T
        numbers[slot, ..., 3:6] = turned @ FACE_NORMALS[face]
        numbers[slot, ..., 6] = face == 0
        numbers[slot, ..., 7] = known[face]
        numbers[slot, ..., 8] = cosines[face]
        numbers[slot, ..., 11] = slot == 2
    numbers[..., 9] = np.log2(edge_px / n / 16)
    numbers[..., 10] = 4 / n - 1
    count = len(faces) * n * n
    return np.concatenate([patches.reshape(count, -1), numbers.reshape(count, -1)], axis=1)


def _pixels(image_bgr: NDArray[np.uint8], points_xy: Any, shrink: float) -> Floats:
    """The picture at points (P, 2), averaged down by ``shrink`` before; (P, 3) in -0.5..0.5, 0 outside."""
    high, wide = image_bgr.shape[:2]
    x0, y0 = np.clip(np.floor(points_xy.min(0)) - 2, 0, (wide - 1, high - 1)).astype(int)
    x1, y1 = np.clip(np.ceil(points_xy.max(0)) + 2, (x0 + 1, y0 + 1), (wide, high)).astype(int)
    (x0, x1), (y0, y1) = handy(x0, x1, wide), handy(y0, y1, high)
    piece: Any = image_bgr[y0:y1, x0:x1]
    if shrink < 0.8:
        piece = shrunk(piece, max(1, round((x1 - x0) * shrink)), max(1, round((y1 - y0) * shrink)))
    scale = np.array([piece.shape[1] / (x1 - x0), piece.shape[0] / (y1 - y0)])
    flat = ((points_xy - (x0, y0)) * scale - 0.5).astype(np.float32).reshape(1, -1, 2)
    read: Any = cv2.remap(
        piece, flat[..., 0], flat[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=GREY
    )
    return np.asarray(read[0], np.float32) / 255.0 - 0.5


def _normalised(x: Floats, weights: dict[str, Floats], name: str) -> Floats:
    off = x - x.mean(axis=1, keepdims=True)
    scale = np.sqrt((off * off).mean(axis=1, keepdims=True) + 1e-5)
    return np.asarray(off / scale * weights[f"{name}.weight"] + weights[f"{name}.bias"])


def _linear(x: Floats, weights: dict[str, Floats], name: str) -> Floats:
    return np.asarray(x @ weights[f"{name}.weight"].T + weights[f"{name}.bias"])


def _forward(tokens: Floats) -> Floats:
    """The network: tokens (T, 204) to logits (T, 5) of the four colours and of being seen."""
    weights = _weights()
    x = _linear(np.maximum(_linear(tokens, weights, "first"), 0), weights, "second")
    count, width = x.shape
    layers = sum(1 for name in weights if name.endswith("to_out.bias"))
    for k in range(layers):
        name = f"layers.{k}"
        qkv = _linear(_normalised(x, weights, f"{name}.norm_a"), weights, f"{name}.to_qkv")
        q, key, value = qkv.reshape(count, 3, _HEADS, width // _HEADS).transpose(1, 2, 0, 3)
        score = q @ key.transpose(0, 2, 1) / np.sqrt(np.float32(width // _HEADS))
        score = np.exp(score - score.max(axis=2, keepdims=True))
        score /= score.sum(axis=2, keepdims=True)
        x = x + _linear((score @ value).transpose(1, 0, 2).reshape(count, width), weights, f"{name}.to_out")
        wide = np.maximum(_linear(_normalised(x, weights, f"{name}.norm_b"), weights, f"{name}.wide"), 0)
        x = x + _linear(wide, weights, f"{name}.narrow")
    return _linear(_normalised(x, weights, "norm"), weights, "out")
