"""Read the pixels of every sticker in view: robust colour in linear light, and how much of it was seen."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.colour import SRGB8_TO_LINEAR
from calibration.samples import CLIPPED_FROM, StickerSamples
from vision.found import Surface
from vision.pose import FACE_COLUMNS, FACE_ORIGINS, FACE_ROWS, SEEN_COSINE, CubePose, face_cosines
from vision.shrink import handy, shrunk, stretch

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
    cosines = face_cosines(pose)
    faces = np.flatnonzero(cosines > SEEN_COSINE)
    shape = (6, n, n)
    linear = np.zeros((*shape, 3), np.float32)
    spread = np.zeros((*shape, 3), np.float32)
    coverage = np.zeros(shape, np.float32)
    clipped = np.zeros(shape, np.float32)
    if not len(faces):
        return StickerSamples(linear, spread, coverage, clipped)
    corners = pose.quads_xy(faces.tolist())
    high, wide = image_bgr.shape[:2]
    (left, top), (right, bottom) = (corners.min(0) - 2).tolist(), (corners.max(0) + 2).tolist()
    (x0, x1), (y0, y1) = stretch(left, right, wide), stretch(top, bottom, high)
    if x1 - x0 < 2 or y1 - y0 < 2:
        return StickerSamples(linear, spread, coverage, clipped)
    (x0, x1), (y0, y1) = handy(x0, x1, wide), handy(y0, y1, high)
    piece: Any = image_bgr[y0:y1, x0:x1]
    edge_px = pose.edge_px
    shrink = min(1.0, _STICKER_PX * n / edge_px)
    if shrink < 0.8:
        piece = shrunk(piece, max(1, round((x1 - x0) * shrink)), max(1, round((y1 - y0) * shrink)))
    x, y = points = _points_xy(pose, faces)
    map_x = ((x - x0) * (piece.shape[1] / (x1 - x0)) - 0.5).astype(np.float32)
    map_y = ((y - y0) * (piece.shape[0] / (y1 - y0)) - 0.5).astype(np.float32)
    pixels = cv2.remap(piece, map_x, map_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    seen = ((x >= 0) & (x < wide) & (y >= 0) & (y < high)).astype(np.float32)
    if surface is not None:
        seen *= surface.at(np.moveaxis(points, 0, -1))
    # points first, stickers next: numpy adds over the first axis quickly
    light = SRGB8_TO_LINEAR[pixels]
    keep = seen > _OWN
    keep |= ~keep.any(0)
    middle = _masked_median(light, keep)
    off = np.abs(light - middle)
    gap = off[..., 0] + off[..., 1] + off[..., 2]
    near = keep & (gap <= np.maximum(2.5 * _masked_median(gap[..., None], keep)[..., 0], 0.02))
    weight = near.astype(np.float32)[..., None]
    total = np.maximum(weight.sum(0), 1)
    mean = (light * weight).sum(0) / total
    variance = ((light - mean) ** 2 * weight).sum(0) / total
    brightest = np.maximum(np.maximum(pixels[..., 0], pixels[..., 1]), pixels[..., 2])
    burnt = (brightest >= CLIPPED_FROM) & keep
    squarely = np.clip((edge_px / n * cosines[faces] - 1.2) / 2.5, 0.0, 1.0)
    linear[faces] = mean[:, ::-1].reshape(-1, n, n, 3)
    spread[faces] = np.sqrt(variance)[:, ::-1].reshape(-1, n, n, 3)
    coverage[faces] = seen.mean(0).reshape(-1, n, n) * squarely[:, None, None]
    clipped[faces] = (burnt.sum(0) / keep.sum(0)).reshape(-1, n, n)
    gone = coverage <= 0
    for values in (linear, spread, clipped):
        values[gone] = 0
    return StickerSamples(linear, spread, coverage, clipped)


def _points_xy(pose: CubePose, faces: NDArray[np.intp]) -> NDArray[np.float64]:
    """Pixels (2, P, F n n) of the P points of every sticker on F faces."""
    n = pose.size
    inner = _INSET + (1 - 2 * _INSET) * (np.arange(_POINTS) + 0.5) / _POINTS
    at = (np.arange(n)[:, None] + inner).reshape(-1) / n
    grid = pose.project_planes(FACE_ORIGINS[faces], FACE_COLUMNS[faces], FACE_ROWS[faces], at, at)
    by_sticker = grid.reshape(2, len(faces), n, _POINTS, n, _POINTS).transpose(0, 3, 5, 1, 2, 4)
    return by_sticker.reshape(2, _POINTS * _POINTS, -1)


def _masked_median(values: NDArray[np.float32], keep: NDArray[np.bool_]) -> NDArray[np.float32]:
    """The (lower) median over the first axis of ``values`` (P, K, C) where ``keep`` (P, K), in some places of
    each K."""
    ordered = np.sort(np.where(keep[..., None], values, np.float32(np.inf)), axis=0)
    index = (keep.sum(0) - 1) // 2
    return np.asarray(ordered[index, np.arange(len(index))])
