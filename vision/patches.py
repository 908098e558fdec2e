"""Pixels across the stickers of a cube whose pose is known, for the networks that look at stickers.

A patch is a square of pixels across a sticker's cell and a margin round it, straightened by the pose. What is
read is averaged down first where the picture is finer than the patch; a face seen at a slant keeps pixels
enough across its stickers.
"""

from __future__ import annotations

import math
from functools import lru_cache
from typing import Any, Final

import cv2
import numpy as np
from numpy.typing import NDArray

from models.cube import frozen
from vision.pose import (
    FACE_COLUMNS,
    FACE_NORMALS,
    FACE_ORIGINS,
    FACE_ROWS,
    CubePose,
    face_points,
)
from vision.shrink import handy, shrunk, stretch

Floats = NDArray[np.float32]

GREY: Final = (127.5, 127.5, 127.5)
"""What lies outside the picture, levels 0..255: the middle, 0 in a patch."""
FINER: Final = 1.2
"""A patch is read from a picture that has so many pixels for each of its own, where there are as many."""
OPENED: Final = 0.12
"""A side seen under a smaller cosine is opened about the edge to the top until it is seen under this."""
JUST_HIDDEN: Final = -0.15
"""So far out of view a side is looked at: a pose that is off by some degrees does not tell."""
RIM_HIDDEN: Final = -0.3
"""So far where the rim about the top is known: stickers and bevels of a side stand out beyond its edge."""
LEAST_TOP: Final = 0.35
"""No side is opened where the top is seen, from the middle of the edge, under a smaller cosine."""


def ray_frame(pose: CubePose) -> NDArray[np.float64]:
    """Axes (3, 3) as rows in camera axes: x level, z along the ray to the cube's centre."""
    a, b, c = (pose.translation / np.linalg.norm(pose.translation)).tolist()
    level = math.hypot(a, c)
    return np.array([[c / level, 0.0, -a / level], [-a * b / level, level, -b * c / level], [a, b, c]])


@lru_cache(maxsize=32)
def middles(face: int, n: int) -> NDArray[np.float64]:
    """The middles (n, n, 3) of a face's stickers in cube axes; read-only."""
    at = (np.arange(n) + 0.5) / n
    rows, columns = np.meshgrid(at, at, indexing="ij")
    return frozen(face_points(face, columns, rows))


def opened_rows(
    pose: CubePose, side: int, cosine: float, least: float = JUST_HIDDEN
) -> NDArray[np.float64] | None:
    """Direction (3,), in cube axes, of a side's rows with the side opened until it is seen under ``OPENED``.

    ``cosine`` is how squarely the side is seen now. Where that is hardly, a small error of the pose turns it
    out of view or shrinks its stickers to nothing: opened about its edge to the top, which is well known, the
    side shows what lies beyond that edge in the picture. None where the side is seen well, where the top is
    not, and far out of view (``least``).
    """
    if not least < cosine < OPENED:
        return None
    to_eye = pose.eye_xyz - (FACE_ORIGINS[side] + FACE_COLUMNS[side] / 2)
    to_eye /= np.linalg.norm(to_eye)
    out, up = float(to_eye @ FACE_NORMALS[side]), float(-to_eye @ FACE_ROWS[side])
    if up <= LEAST_TOP:
        return None
    angle = max(0.0, float(np.arcsin(OPENED / np.hypot(out, up)) - np.arctan2(out, up)))
    return np.asarray(np.cos(angle) * FACE_ROWS[side] + np.sin(angle) * FACE_NORMALS[side])


@lru_cache(maxsize=32)
def _places(n: int, side: int, margin: float) -> NDArray[np.float64]:
    """Where the pixels of n patches lie along a face, in shares of its edge, (n side,); read-only."""
    inner = -margin + (1 + 2 * margin) * (np.arange(side) + 0.5) / side
    return frozen((np.arange(n)[:, None] + inner).reshape(-1) / n)


def cell_patches(
    image_bgr: NDArray[np.uint8],
    pose: CubePose,
    faces: list[int],
    cosines: list[float],
    side: int,
    margin: float,
    rows_xyz: NDArray[np.float64] | None = None,
) -> Floats:
    """Patches (F, n, n, side, side, 3) of F faces' stickers in -0.5..0.5, BGR, grey outside the picture.

    ``cosines`` tell how squarely each face is seen; ``margin`` is what a patch shows beyond its cell, in
    cells; ``rows_xyz`` (F, 3) the directions of the faces' rows where some are opened (:func:`opened_rows`).
    """
    n = pose.size
    at = _places(n, side, margin)
    along = FACE_ROWS[faces] if rows_xyz is None else rows_xyz
    points = pose.project_planes(FACE_ORIGINS[faces], FACE_COLUMNS[faces], along, at, at)
    cell_px = pose.edge_px / n
    pixels = np.empty((len(faces), n * side, n * side, 3), np.uint8)
    for k, cosine in enumerate(cosines):
        shrink = FINER * side / ((1 + 2 * margin) * cell_px * min(1.0, 2.0 * cosine))
        _read_off(image_bgr, points[:, k], shrink, pixels[k])
    by_cell = pixels.reshape(-1, n, side, n, side, 3).transpose(0, 1, 3, 2, 4, 5)
    return by_cell.astype(np.float32) / np.float32(255.0) - np.float32(0.5)


def _read_off(
    image_bgr: NDArray[np.uint8], points_xy: NDArray[np.float64], shrink: float, out: NDArray[np.uint8]
) -> None:
    """The picture at points (2, R, C), averaged down by ``shrink`` before, into ``out`` (R, C, 3); grey
    outside."""
    high, wide = image_bgr.shape[:2]
    (left, top), (right, bottom) = points_xy.min((1, 2)).tolist(), points_xy.max((1, 2)).tolist()
    x0, x1 = handy(*stretch(left - 2, right + 2, wide, 1), wide)
    y0, y1 = handy(*stretch(top - 2, bottom + 2, high, 1), high)
    piece: Any = image_bgr[y0:y1, x0:x1]
    if shrink < 0.8:
        piece = shrunk(piece, max(1, round((x1 - x0) * shrink)), max(1, round((y1 - y0) * shrink)))
    x = ((points_xy[0] - x0) * (piece.shape[1] / (x1 - x0)) - 0.5).astype(np.float32)
    y = ((points_xy[1] - y0) * (piece.shape[0] / (y1 - y0)) - 0.5).astype(np.float32)
    cv2.remap(piece, x, y, cv2.INTER_LINEAR, dst=out, borderMode=cv2.BORDER_CONSTANT, borderValue=GREY)
