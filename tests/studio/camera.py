"""Where the camera stands and where points fall in the picture (pinhole with one radial term, as
cv2.projectPoints)."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Camera:
    """Pinhole camera. `rotation` (3, 3) takes world directions to camera axes (x right, y down, z forward),
    `eye` mm.

    Pixels: x right, y down, (0, 0) the upper left corner of the upper left pixel; the axis meets the
    picture's middle.
    `k1`: a point at normalised radius r falls at r (1 + k1 r^2).
    """

    width: int
    height: int
    focal_px: float
    rotation: Array
    eye: Array
    k1: float = 0.0

    @property
    def hfov_deg(self) -> float:
        """Horizontal field of view of the pinhole, without the lens's distortion."""
        return float(2 * np.degrees(np.arctan(self.width / 2 / self.focal_px)))

    @property
    def diag_fov_deg(self) -> float:
        """Diagonal field of view of the pinhole."""
        return float(2 * np.degrees(np.arctan(np.hypot(self.width, self.height) / 2 / self.focal_px)))

    def project(self, points: Array) -> tuple[Array, Array]:
        """Pixels (..., 2) and depths (...) in mm of world points (..., 3); pixels are NaN behind the
        camera."""
        local = (np.asarray(points, dtype=float) - self.eye) @ self.rotation.T
        depth = local[..., 2]
        safe = np.where(depth > 1e-6, depth, np.nan)
        xy = local[..., :2] / safe[..., None]
        r2 = (xy**2).sum(axis=-1, keepdims=True)
        return xy * (1 + self.k1 * r2) * self.focal_px + np.array([self.width, self.height]) / 2, depth

    def inside(self, xy: Array) -> NDArray[np.bool_]:
        """Whether pixels (..., 2) fall inside the frame."""
        return (xy[..., 0] >= 0) & (xy[..., 0] < self.width) & (xy[..., 1] >= 0) & (xy[..., 1] < self.height)


def look_at(eye: Array, target: Array, up: Array, roll_rad: float = 0.0) -> Array:
    """Rotation (3, 3) of a camera at `eye` that looks at `target`; `roll_rad` turns the picture clockwise."""
    z = target - eye
    z = z / np.linalg.norm(z)
    if abs(float(z @ up)) > 0.999 * float(np.linalg.norm(up)):
        up = np.array([0.0, 1.0, 0.0]) if abs(z[1]) < 0.9 else np.array([1.0, 0.0, 0.0])
    x = np.cross(z, up)
    x /= np.linalg.norm(x)
    y = np.cross(z, x)
    c, s = np.cos(roll_rad), np.sin(roll_rad)
    return np.stack([c * x + s * y, -s * x + c * y, z])


def aimed_off_axis(rotation: Array, eye: Array, target: Array, offset_tan: tuple[float, float]) -> Array:
    """Turn a camera that looks at `target` so that the target falls at `offset_tan` (normalised x, y)."""
    wanted = np.array([offset_tan[0], offset_tan[1], 1.0])
    wanted /= np.linalg.norm(wanted)
    now = rotation @ ((target - eye) / np.linalg.norm(target - eye))
    axis = np.cross(now, wanted)
    sine = float(np.linalg.norm(axis))
    if sine < 1e-9:
        return rotation
    from .mesh import turn_about

    return turn_about(axis, np.arctan2(sine, float(now @ wanted))) @ rotation


def undistorted_map(camera: Camera, wide_focal: float, wide_size: tuple[int, int]) -> tuple[Array, Array]:
    """For every pixel centre of the distorted picture, where to read in a pinhole picture (cv2.remap
    maps)."""
    u, v = np.meshgrid(np.arange(camera.width) + 0.5, np.arange(camera.height) + 0.5)
    x = (u - camera.width / 2) / camera.focal_px
    y = (v - camera.height / 2) / camera.focal_px
    s = undistort_scale(np.hypot(x, y), camera.k1)
    return (
        (x * s * wide_focal + wide_size[0] / 2 - 0.5).astype(np.float32),
        (y * s * wide_focal + wide_size[1] / 2 - 0.5).astype(np.float32),
    )


def undistort_scale(distorted_radius: Array, k1: float) -> Array:
    """True radius over distorted radius (fixed-point iteration; converges for the small k1 of real
    lenses)."""
    true = np.asarray(distorted_radius, dtype=float).copy()
    for _ in range(30):
        true = distorted_radius / (1 + k1 * true**2)
    return np.where(distorted_radius > 1e-12, true / np.maximum(distorted_radius, 1e-12), 1.0)


def front_face(
    camera: Camera, cube_to_world: tuple[Array, Array], side_mm: float
) -> tuple[int, float, float]:
    """(quarters, azimuth_deg, elevation_deg): how the cube must be relabelled so that F is its front by the
    rule.

    The rule of the truth files: F is the side face most turned to the camera; when no side face is visible,
    the side whose edge of the top face is lowest in the picture. `quarters` counts sides from F towards R.
    """
    rotation, centre = cube_to_world
    local = rotation.T @ (camera.eye - centre)
    ahead = np.array([-local[1], local[0], local[1], -local[0]])  # in front of F, R, B, L
    if ahead.max() > side_mm / 2:
        quarters = int(np.argmax(ahead))
    else:
        h = side_mm / 2
        middles = np.array([[0, -h, h], [h, 0, h], [0, h, h], [-h, 0, h]])
        xy, _ = camera.project(middles @ rotation.T + centre)
        quarters = int(np.argmax(xy[:, 1]))
    azimuth = np.degrees(np.arctan2(local[0], -local[1])) - 90 * quarters
    azimuth = (azimuth + 180) % 360 - 180
    elevation = np.degrees(np.arctan2(local[2] - side_mm / 2, np.hypot(local[0], local[1])))
    return quarters, float(azimuth), float(elevation)
