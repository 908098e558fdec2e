"""The six numbers of a small motion of the cube, and what they do to pixels.

A motion is (turn vector about the cube's centre, in camera axes, radians; shift in cube edges).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeVar

import cv2
import numpy as np
from numpy.typing import NDArray

Doubles = NDArray[np.float64]
Real = TypeVar("Real", np.float32, np.float64)


@dataclass(frozen=True, slots=True)
class Lens:
    """Focal length and principal point for pixels whose centres are whole numbers (OpenCV's convention),
    and the radial distortion."""

    focal_px: float
    x: float
    y: float
    k1: float


def project(rotation: Doubles, translation: Doubles, points: NDArray[Real], lens: Lens) -> NDArray[Real]:
    """Pixels (P, 2) of points (P, 3) in cube axes, in the points' own precision."""
    xy = project_xy(rotation, translation, points.T, lens)
    return np.ascontiguousarray(xy.T)


def project_xy(rotation: Doubles, translation: Doubles, points: NDArray[Real], lens: Lens) -> NDArray[Real]:
    """Pixels (2, P), x and then y, of points (3, P) in cube axes, in the points' own precision."""
    # coordinate by coordinate: numpy is slow over arrays whose last axis is short
    camera = rotation.astype(points.dtype) @ points
    camera += translation[:, None].astype(points.dtype)
    xy = camera[:2]
    xy *= 1.0 / np.maximum(camera[2], 1e-6)
    if lens.k1:
        xy *= 1.0 + lens.k1 * (xy * xy).sum(0)
    xy *= lens.focal_px
    xy += np.array(((lens.x,), (lens.y,)), points.dtype)
    return np.asarray(xy)


def motion_rows(rotation: Doubles, translation: Doubles, points: NDArray[np.floating], lens: Lens) -> Doubles:
    """d pixel / d motion, (P, 2, 6); distortion is left out."""
    arm = points @ rotation.T
    camera = arm + translation
    scale = lens.focal_px / camera[:, 2]
    x, y = camera[:, 0] / camera[:, 2], camera[:, 1] / camera[:, 2]
    out = np.zeros((len(points), 2, 6))
    ax, ay, az = arm.T
    out[:, 0, 0], out[:, 0, 1], out[:, 0, 2] = -scale * x * ay, scale * (az + x * ax), -scale * ay
    out[:, 1, 0], out[:, 1, 1], out[:, 1, 2] = -scale * (az + y * ay), scale * y * ax, scale * ax
    out[:, 0, 3], out[:, 0, 5] = scale, -scale * x
    out[:, 1, 4], out[:, 1, 5] = scale, -scale * y
    return out


def moved(rotation: Doubles, translation: Doubles, step: Doubles) -> tuple[Doubles, Doubles]:
    """Rotation and translation after a motion (6,)."""
    return np.asarray(cv2.Rodrigues(step[:3])[0] @ rotation), np.asarray(translation + step[3:])


def orthonormal(rotation: Doubles) -> Doubles:
    """The rotation next to a matrix (3, 3) that has rounding errors (one Newton step to the polar factor)."""
    return np.asarray(1.5 * rotation - 0.5 * (rotation @ rotation.T @ rotation))


def middle(values: NDArray[np.floating]) -> float:
    """The (upper) median, without numpy's checks for nan, which cost more than the work."""
    half = len(values) // 2
    return float(np.partition(values, half)[half])


def read_off(image_bgr: NDArray[np.uint8], spots: NDArray[np.float32]) -> NDArray[np.float32]:
    """Colours (..., 3) at pixels (..., 2), between pixels linearly; beyond the border its pixels repeat."""
    flat = spots.reshape(1, -1, 2) if spots.ndim == 2 else spots
    x, y = np.ascontiguousarray(flat[..., 0]), np.ascontiguousarray(flat[..., 1])
    colours = cv2.remap(image_bgr, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(colours, np.float32).reshape(*spots.shape[:-1], 3)
