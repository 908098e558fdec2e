"""Read the pixels of every sticker in view: robust colour in linear light, and how much of it was seen."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.colour import SRGB8_TO_LINEAR
from calibration.samples import CLIPPED_FROM, StickerSamples
from vision.locate import Surface
from vision.pose import FACES, CubePose, face_points
from vision.shrink import handy, shrunk

#: the part of a sticker that is looked at, from its edge in shares of its width, and points along it
_INSET = 0.24
_POINTS = 6
#: pixels a sticker should have when sampled: larger ones are averaged down first
_STICKER_PX = 14.0
#: share of a sticker's points that must be on the cube's own surface to count as its pixels
_OWN = 0.5


def sample_stickers(
    image_bgr: NDArray[np.uint8], pose: CubePose, surface: Surface | None = None
) -> StickerSamples:
    """Colour statistics (see :class:`calibration.samples.StickerSamples`) of every sticker of a posed cube.

    ``surface`` says where the cube is covered; without it every sticker inside the frame counts as seen.
    """
    n = pose.size
    faces = [FACES.index(face) for face in pose.visible_faces(0.03)]
    shape = (6, n, n)
    linear = np.zeros((*shape, 3), np.float32)
    spread = np.zeros((*shape, 3), np.float32)
    coverage = np.zeros(shape, np.float32)
    clipped = np.zeros(shape, np.float32)
    if not faces:
        return StickerSamples(linear, spread, coverage, clipped)
    inner = _INSET + (1 - 2 * _INSET) * (np.arange(_POINTS) + 0.5) / _POINTS
    at = (np.arange(n)[:, None] + inner).reshape(-1) / n
    rows, columns = np.meshgrid(at, at, indexing="ij")
    points = np.stack([pose.project(face_points(f, columns, rows).reshape(-1, 3)) for f in faces])
    corners = np.concatenate([pose.face_quad_xy(FACES[f]) for f in faces])
    high, wide = image_bgr.shape[:2]
    x0, y0 = np.clip(np.floor(corners.min(0)) - 2, 0, (wide, high)).astype(int)
    x1, y1 = np.clip(np.ceil(corners.max(0)) + 2, 0, (wide, high)).astype(int)
    if x1 - x0 < 2 or y1 - y0 < 2:
        return StickerSamples(linear, spread, coverage, clipped)
    (x0, x1), (y0, y1) = handy(x0, x1, wide), handy(y0, y1, high)
    piece: Any = image_bgr[y0:y1, x0:x1]
    edge_px = pose.focal_px / float(np.linalg.norm(pose.translation))
    shrink = min(1.0, _STICKER_PX * n / edge_px)
    if shrink < 0.8:
        piece = shrunk(piece, max(1, round((x1 - x0) * shrink)), max(1, round((y1 - y0) * shrink)))
    scale = np.array([piece.shape[1] / (x1 - x0), piece.shape[0] / (y1 - y0)])
    flat = ((points - (x0, y0)) * scale - 0.5).astype(np.float32)
    raw = cv2.remap(piece, flat[..., 0], flat[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    inside = (points[..., 0] >= 0) & (points[..., 0] < wide) & (points[..., 1] >= 0) & (points[..., 1] < high)
    own = inside.astype(np.float32)
    if surface is not None:
        own *= surface.at(points)

    def by_sticker(values: NDArray[np.generic]) -> NDArray[np.generic]:
        tail = values.shape[2:]
        split = values.reshape(len(faces), n, _POINTS, n, _POINTS, *tail)
        return np.moveaxis(split, 2, 3).reshape(len(faces), n, n, _POINTS * _POINTS, *tail)

    pixels = by_sticker(raw[..., ::-1])
    seen = np.asarray(by_sticker(own), dtype=np.float32)
    light = SRGB8_TO_LINEAR[pixels.astype(np.uint8)]
    keep = seen > _OWN
    some = keep.any(-1, keepdims=True)
    keep = np.where(some, keep, True)
    middle = _masked_median(light, keep)
    gap = np.abs(light - middle[..., None, :]).sum(-1)
    near = keep & (gap <= np.maximum(2.5 * _masked_median(gap[..., None], keep), 0.02))
    weight = near.astype(np.float32)[..., None]
    total = np.maximum(weight.sum(-2), 1)
    mean = (light * weight).sum(-2) / total
    variance = ((light - mean[..., None, :]) ** 2 * weight).sum(-2) / total
    to_eye = pose.eye_xyz
    for i, f in enumerate(faces):
        centre = face_points(f, np.array(0.5), np.array(0.5))
        ray = to_eye - centre
        cosine = float(ray @ (centre * 2) / np.linalg.norm(ray))
        thin = edge_px / n * cosine
        squarely = float(np.clip((thin - 1.2) / 2.5, 0.0, 1.0))
        linear[f], spread[f] = mean[i], np.sqrt(variance[i])
        coverage[f] = seen[i].mean(-1) * squarely
        clipped[f] = ((pixels[i] >= CLIPPED_FROM).any(-1) * keep[i]).sum(-1) / np.maximum(keep[i].sum(-1), 1)
    gone = coverage <= 0
    for values in (linear, spread, clipped):
        values[gone] = 0
    return StickerSamples(linear, spread, coverage, clipped)


def _masked_median(values: NDArray[np.float32], keep: NDArray[np.bool_]) -> NDArray[np.float32]:
    """Median over the second last axis of ``values`` (..., P, C) where ``keep`` (..., P)."""
    hidden = np.where(keep[..., None], values, np.float32(np.inf))
    ordered = np.sort(hidden, axis=-2)
    index = (keep.sum(-1).clip(1) - 1) // 2
    return np.take_along_axis(ordered, index[..., None, None], axis=-2)[..., 0, :]
