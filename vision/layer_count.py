"""How many layers a cube has, where the network that looks closely leaves it open: its seams tell.

Each number of layers gets a pose of its own; under it every face in view is laid out as a square. Where the
light changes along the square, in the mean over its other side, it changes at the seams: so the change at the
seams that a number of layers asks for is compared with that along the middles of its stickers.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.found import Surface
from vision.pose import FACE_COLUMNS, FACE_ORIGINS, FACE_ROWS, CubePose, face_cosines

Picture = NDArray[np.uint8]
Floats = NDArray[np.float64]

SIDE: Final = 128
"""Pixels along a face laid out."""
LEAST_COSINE: Final = 0.2
"""Faces seen at more of a slant are not asked."""
LEAST_UNCOVERED: Final = 0.15
"""Nor are those of which less than this share is in view; with less of it a line across is left out."""
NEAR: Final = 0.03
"""A seam is looked for so far from where it should lie, in edges: layers are turned, poses are off."""
SOFTENED_PX: Final = 1.2
DARKEST: Final = 8.0
"""Levels 0..255 that are added before light is compared by its logarithm, as dark pixels are mostly noise."""
NETWORK_WEIGHT: Final = 0.86
SEAM_WEIGHTS: Final = (0.39, 0.19, -0.65)
"""What the network's log probability counts, and of :func:`seam_contrast` each part, in nats: a logistic fit
on 1,459 traced pictures that left their layers open (tests/MEASURED.md, "How many layers")."""


def seam_contrast(image_bgr: Picture, pose: CubePose, surface: Surface) -> Floats:
    """Change of light along the faces in view, in standard deviations of all changes along a face, (3,).

    Its mean over the seams of ``pose.size`` layers, the least of these, and its mean over the middles of
    stickers. All 0 where no face is seen squarely enough.
    """
    rows: list[tuple[float, float, float]] = []
    weights: list[float] = []
    cosines = face_cosines(pose)
    for face in pose.in_view(LEAST_COSINE):
        laid, seen, edges_px = _laid_out(image_bgr, pose, face, surface)
        for axis, edge_px in enumerate(edges_px):
            change, share = _along(laid, seen, axis)
            if share < LEAST_UNCOVERED:
                continue
            n = pose.size
            seams = _highest(change, np.arange(1, n) / n)
            middles = _highest(change, (np.arange(n) + 0.5) / n)
            if not len(seams) or not len(middles):
                continue
            rows.append((float(seams.mean()), float(seams.min()), float(middles.mean())))
            weights.append(edge_px * float(cosines[face]) * share)
    if not rows:
        return np.zeros(3)
    return np.asarray(np.average(np.array(rows), axis=0, weights=weights))


def layer_shares(network: Mapping[int, float], contrasts: Mapping[int, Floats]) -> dict[int, float]:
    """The probability of each number of layers in ``contrasts``, in 0..1 and 1 in all.

    ``network`` has the network's own for these at least, ``contrasts`` what :func:`seam_contrast` says under
    a pose with so many layers.
    """
    nats = np.array([
        NETWORK_WEIGHT * np.log(max(network[n], 1e-9)) + np.dot(SEAM_WEIGHTS, contrast)
        for n, contrast in contrasts.items()
    ])  # fmt: skip
    shares = np.exp(nats - nats.max())
    return dict(zip(contrasts, (shares / shares.sum()).tolist(), strict=True))


def _laid_out(
    image_bgr: Picture, pose: CubePose, face: int, surface: Surface
) -> tuple[NDArray[np.float32], NDArray[np.float32], tuple[float, float]]:
    """A face as a square: log light (SIDE, SIDE, 3), how far each pixel is in view, and the pixels that its
    edges have in the picture, down and across."""
    at = (np.arange(SIDE) + 0.5) / SIDE
    planes = FACE_ORIGINS[[face]], FACE_COLUMNS[[face]], FACE_ROWS[[face]]
    points = np.moveaxis(pose.project_planes(*planes, at, at)[:, 0], 0, -1).astype(np.float32)
    x, y = np.ascontiguousarray(points[..., 0]), np.ascontiguousarray(points[..., 1])
    pixels: Any = cv2.remap(image_bgr, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    laid: Any = cv2.GaussianBlur(np.log(pixels.astype(np.float32) + DARKEST), (0, 0), SOFTENED_PX)
    high, wide = image_bgr.shape[:2]
    inside = (x > 1) & (x < wide - 2) & (y > 1) & (y < high - 2)
    down, across = (points[-1] - points[0])[SIDE // 2], (points[:, -1] - points[:, 0])[SIDE // 2]
    return laid, surface.at(points) * inside, (float(np.hypot(*down)), float(np.hypot(*across)))


def _along(laid: NDArray[np.float32], seen: NDArray[np.float32], axis: int) -> tuple[Floats, float]:
    """How much light changes along an axis, (SIDE,) in standard deviations from its mean, NaN where too
    little is in view; and the share of the face that is."""
    change = np.abs(np.gradient(laid, axis=axis)).max(axis=-1)
    room = seen.sum(axis=1 - axis)
    told = np.where(
        room < LEAST_UNCOVERED * SIDE, np.nan, (change * seen).sum(axis=1 - axis) / np.maximum(room, 1e-3)
    )
    inner = told[SIDE // 12 : -(SIDE // 12)]  # the cube's own outline is no seam
    if np.isfinite(inner).sum() < SIDE // 8:
        return np.full(SIDE, np.nan), 0.0
    return np.asarray((told - np.nanmean(inner)) / (np.nanstd(inner) + 1e-4)), float(room.mean() / SIDE)


def _highest(change: Floats, places: Floats) -> Floats:
    """The highest change near each place, 0..1 along the face; those that are not in view left out."""
    found = []
    for place in places.tolist():
        near = change[int((place - NEAR) * SIDE) : int((place + NEAR) * SIDE) + 1]
        near = near[np.isfinite(near)]
        if len(near):
            found.append(near.max())
    return np.array(found)
