"""A cube laid over a crop, in the seven numbers that a fit moves, and the lattice of its edges and seams."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray

from models.cube import frozen
from vision.pose import FACE_COLUMNS, FACE_NORMALS, FACE_ORIGINS, FACE_ROWS, cosines_from

Floats = NDArray[np.float32]
Doubles = NDArray[np.float64]

#: which of the six faces
Sides = tuple[bool, ...]
NONE: Sides = (False,) * 6

POINTS_A_LINE = 8
"""Points of the lattice along each edge or seam of a face."""
SEAM_WEIGHT = 0.5
"""What a point on a seam counts beside one on an edge."""


@lru_cache(maxsize=8)
def lattice(size: int) -> tuple[Floats, NDArray[np.int64], NDArray[np.int64]]:
    """Points of the lattice of all six faces: (N, 3) in cube axes, face of each, and the face on the other
    side of the edge that it lies on, -1 inside a face; read-only."""
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
    xyz = np.concatenate(points).astype(np.float32)
    return frozen(xyz), frozen(np.concatenate(faces)), frozen(np.concatenate(beside))


@dataclass(frozen=True, eq=False)
class Marks:
    """Points that a fit goes by: N of the lattice on the faces seen, then M of the outline.

    ``points`` (3, N + M) in cube axes; ``which`` (N,) 0 on an edge, 1 on a seam, and ``weight`` (N,) what
    that counts; ``beyond`` (M,) the face on the other side of the outline.
    """

    points: Doubles
    which: NDArray[np.int64]
    weight: Doubles
    beyond: NDArray[np.int64]


@lru_cache(maxsize=256)
def marks_of(size: int, seen: Sides, seams: bool, outlined: Sides) -> Marks:
    """The points on edges, and with ``seams`` on seams, of the faces ``seen``, and those on the outline of
    the faces ``outlined``."""
    points, faces, beside = lattice(size)
    use = np.flatnonzero(np.array(seen)[faces] & (seams | (beside >= 0)))
    shown = np.array(outlined)
    outline = np.flatnonzero(shown[faces] & (beside >= 0) & ~shown[beside])
    on_seam = beside[use] < 0
    return Marks(
        points=frozen(np.ascontiguousarray(points[np.concatenate([use, outline])].T, np.float64)),
        which=frozen(on_seam.astype(np.int64)),
        weight=frozen(np.where(on_seam, SEAM_WEIGHT, 1.0)),
        beyond=frozen(beside[outline]),
    )


class Placement:
    """A cube over a crop: rotation into camera axes, and centre (2) px, log edge px, log perspective.

    What follows from these four numbers: ``centre`` (3,), the cube's in camera axes, in edges, and ``focal``,
    the focal length in pixels.
    """

    def __init__(
        self, base: Floats, centre_px: Floats, log_edge: float, log_perspective: float, principal: Floats
    ):
        self.four = np.array([centre_px[0], centre_px[1], log_edge, log_perspective], np.float64)
        self.principal = principal.astype(np.float64)
        self._follow()
        self.rotation = self.ray_axes() @ base.astype(np.float64)

    def _follow(self) -> None:
        """Work out what follows from the four numbers."""
        x_px, y_px, log_edge, log_perspective = self.four.tolist()
        self.distance = math.exp(-log_perspective)
        self.focal = math.exp(log_edge) * self.distance
        x, y = (x_px - float(self.principal[0])) / self.focal, (y_px - float(self.principal[1])) / self.focal
        self.centre = np.array([x, y, 1.0]) * (self.distance / math.sqrt(x * x + y * y + 1))

    def ray_axes(self) -> Doubles:
        """Axes (columns of a (3, 3)) whose third runs from the camera to the cube, in camera axes."""
        x, y, z = (self.centre / self.distance).tolist()
        level = math.hypot(x, z)
        return np.array([[z / level, -x * y / level, x], [0, level, y], [-x / level, -y * z / level, z]])

    def slopes(self) -> Doubles:
        """Derivatives of the centre by the four numbers, (3, 4)."""
        along = self.centre / self.distance
        x, y, z = along.tolist()
        x, y, of_one = x / z, y / z, 1 / self.focal
        moved = np.array([[of_one, 0, -x, x], [0, of_one, -y, y], [0, 0, 0, 0]]) * z
        columns: Doubles = self.distance * (moved - along[:, None] * (along @ moved))
        columns[:, 3] -= self.centre
        return columns

    def move(self, step: Doubles) -> None:
        """Turn the cube about its centre by a rotation vector in camera axes, the first three of ``step``
        (7,), and add the others to the four numbers."""
        self.rotation = cv2.Rodrigues(step[:3])[0] @ self.rotation
        self.four += step[3:]
        self._follow()

    def cosines(self) -> Doubles:
        """How squarely each face (6,) is turned to the camera, -1..1."""
        return cosines_from(-self.rotation.T @ self.centre)

    def camera_points(self, points: Doubles) -> tuple[Doubles, Doubles, Doubles]:
        """Points (3, N) of the cube: turned into camera axes (3, N), their x and y over depth (2, N), and
        their depth (N,)."""
        turned = self.rotation @ points
        camera = turned + self.centre[:, None]
        z = np.maximum(camera[2], 0.05)
        return turned, camera[:2] / z, z

    def rows(self, turned: Doubles, flat: Doubles, z: Doubles, pulls: NDArray[np.floating]) -> Doubles:
        """Derivatives (7, N) by turn and the four numbers of something that grows by ``pulls`` (2, N) where a
        point's x and y over depth grow by one; the others as :meth:`camera_points` gives them."""
        outwards = pulls * flat
        grown = outwards[0] + outwards[1]
        by_point = np.empty((3, len(z)))
        by_point[:2] = pulls
        np.negative(grown, out=by_point[2])
        by_point /= z
        out = np.empty((7, len(z)))
        for k, (a, b) in enumerate(((1, 2), (2, 0), (0, 1))):
            np.multiply(turned[a], by_point[b], out=out[k])
            out[k] -= turned[b] * by_point[a]
        out[3:] = self.slopes().T @ by_point
        # a longer focal length, by its logarithm, which is the third number less the fourth
        out[5] += grown
        out[6] -= grown
        return out
