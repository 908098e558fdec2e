"""A cube laid over a crop, in the seven numbers that a fit moves, and the lattice of its edges and seams."""

from __future__ import annotations

from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.pose import FACE_COLUMNS, FACE_NORMALS, FACE_ORIGINS, FACE_ROWS, cosines_from

Floats = NDArray[np.float32]
Doubles = NDArray[np.float64]

POINTS_A_LINE = 8
"""Points of the lattice along each edge or seam of a face."""


@lru_cache(maxsize=8)
def lattice(size: int) -> tuple[Floats, NDArray[np.int64], NDArray[np.int64]]:
    """Points of the lattice of all six faces: (N, 3) in cube axes, face of each, and the face on the other
    side of the edge that it lies on, -1 inside a face."""
    along = (np.arange(POINTS_A_LINE) + 0.5) / POINTS_A_LINE
    points, faces, beside = [], [], []
    for face in range(6):
        for k in range(size + 1):
            across = np.full_like(along, k / size)
            for c, r in ((across, along), (along, across)):
                points.append(
                    FACE_ORIGINS[face] + c[:, None] * FACE_COLUMNS[face] + r[:, None] * FACE_ROWS[face]
                )
                faces.append(np.full(len(along), face))
                out = (2 * (k > 0) - 1) * (FACE_COLUMNS if c is across else FACE_ROWS)[face]
                other = int(np.flatnonzero((out == FACE_NORMALS).all(1))[0]) if k in (0, size) else -1
                beside.append(np.full(len(along), other))
    return np.concatenate(points).astype(np.float32), np.concatenate(faces), np.concatenate(beside)


class Placement:
    """A cube over a crop: rotation into camera axes, and centre (2) px, log edge px, log perspective."""

    def __init__(
        self, base: Floats, centre_px: Floats, log_edge: float, log_perspective: float, principal: Floats
    ):
        self.four = np.array([centre_px[0], centre_px[1], log_edge, log_perspective], np.float64)
        self.principal = principal.astype(np.float64)
        self.rotation = self.ray_axes() @ base.astype(np.float64)

    def ray_axes(self) -> Doubles:
        """Axes (columns of a (3, 3)) whose third runs from the camera to the cube, in camera axes."""
        ray = self.ray(self.four)[0]
        x, y, z = ray / np.sqrt(ray @ ray)
        level = float(np.hypot(x, z))
        return np.array([[z / level, -x * y / level, x], [0, level, y], [-x / level, -y * z / level, z]])

    def ray(self, four: Doubles) -> tuple[Doubles, float]:
        """The cube's centre in camera axes (3,), in edges, and the focal length in pixels."""
        distance = np.exp(-four[3])
        focal = float(np.exp(four[2]) * distance)
        x, y = (four[:2] - self.principal) / focal
        return np.array([x, y, 1.0]) * (distance / np.sqrt(x * x + y * y + 1)), focal

    def centre_px(self) -> Doubles:
        """The cube's centre in the picture, (2,) pixels."""
        centre, focal = self.ray(self.four)
        return np.asarray(centre[:2] / centre[2] * focal + self.principal)

    def slopes(self) -> tuple[Doubles, Doubles]:
        """Derivatives of the centre (3, 4) and of the log focal length (4,) by the four numbers."""
        centre, focal = self.ray(self.four)
        distance = float(np.exp(-self.four[3]))
        x, y = (self.four[:2] - self.principal) / focal
        along = centre / distance  # (x, y, 1) at length one
        moved = np.array([[1 / focal, 0, -x, x], [0, 1 / focal, -y, y], [0, 0, 0, 0]]) * along[2]
        columns = distance * (moved - along[:, None] * (along @ moved))
        columns[:, 3] -= centre
        return columns, np.array([0.0, 0.0, 1.0, -1.0])

    def turn(self, vector: Doubles) -> None:
        """Turn the cube about its centre by a rotation vector in camera axes."""
        self.rotation = cv2.Rodrigues(vector)[0] @ self.rotation

    def eye(self) -> Doubles:
        """The camera's place in cube axes (3,)."""
        return np.asarray(-self.rotation.T @ self.ray(self.four)[0])

    def cosines(self) -> Doubles:
        """How squarely each face (6,) is turned to the camera, -1..1."""
        return cosines_from(self.eye())

    def camera_points(self, turned: Doubles) -> tuple[Doubles, Doubles, Doubles, float]:
        """Points (N, 3) already in the camera's directions: x over depth, y over depth, depth (N,) each, and
        the focal length in pixels."""
        centre, focal = self.ray(self.four)
        x, y, z = (turned + centre).T
        z = np.maximum(z, 0.05)
        return x / z, y / z, z, focal

    def rows(
        self, turned: Doubles, u: Doubles, v: Doubles, z: Doubles, pull_x: Doubles, pull_y: Doubles
    ) -> Doubles:
        """Derivatives (7, N) by turn and the four numbers of something that grows by ``pull_x`` and
        ``pull_y`` where a point's x and y over depth grow by one."""
        by_point = np.stack([pull_x / z, pull_y / z, -(pull_x * u + pull_y * v) / z])
        by_four, by_focal = self.slopes()
        out = np.empty((7, len(z)))
        out[0] = turned[:, 1] * by_point[2] - turned[:, 2] * by_point[1]
        out[1] = turned[:, 2] * by_point[0] - turned[:, 0] * by_point[2]
        out[2] = turned[:, 0] * by_point[1] - turned[:, 1] * by_point[0]
        out[3:] = by_four.T @ by_point + by_focal[:, None] * (pull_x * u + pull_y * v)
        return out
