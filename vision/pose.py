"""Where the cube is in a picture: a pinhole camera, a cube of edge 1, and what follows from the two.

Axes of the cube: x towards R, y towards U, z towards F; the origin is its centre and an edge is 1 long.
Axes of the camera: x right, y down, z forward. Pixels: x right, y down, (0, 0) is the upper left corner
of the upper left pixel. Lens distortion is one radial term: ``x_d = x * (1 + k1 * r**2)`` on normalised
coordinates, as in OpenCV's camera model (documentation of ``cv2.projectPoints``).

Faces are labelled by the pose itself: any of the 24 labellings of the same cube describes the picture
equally well. Which visible face is the top face of the last layer is left to the decoder.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from models import cube
from models.turns import FACES

Floats = NDArray[np.float64]

FACE_NORMALS = cube.frozen(cube.FACE_NORMALS.astype(np.float64))
FACE_ROWS = cube.frozen(cube.FACE_ROWS.astype(np.float64))
FACE_COLUMNS = cube.frozen(cube.FACE_COLUMNS.astype(np.float64))
FACE_ORIGINS = cube.frozen((FACE_NORMALS - FACE_ROWS - FACE_COLUMNS) / 2)
"""(6, 3) each: outwards, which way rows and columns run, and the upper left corner, as printed."""

SEEN_COSINE = 0.03
"""A face no more squarely turned to the camera than this (:func:`face_cosines`) cannot be read."""

#: the eight corners of the cube, edge 1
VERTICES = cube.frozen(np.array([(x, y, z) for x in (-1, 1) for y in (-1, 1) for z in (-1, 1)]) / 2)


def face_points(face: int, columns: Floats, rows: Floats) -> Floats:
    """Points of a printed face in cube axes.

    ``columns`` and ``rows`` (any equal shapes) run from 0 to 1 over the face; returns shape ``(..., 3)``.
    """
    return np.asarray(
        FACE_ORIGINS[face] + columns[..., None] * FACE_COLUMNS[face] + rows[..., None] * FACE_ROWS[face]
    )


_CORNERS = cube.frozen(
    np.array(
        [
            face_points(face, np.array([0.0, 1.0, 1.0, 0.0]), np.array([0.0, 0.0, 1.0, 1.0]))
            for face in range(6)
        ]
    )
)


def cosines_from(eye_xyz: Floats) -> Floats:
    """:func:`face_cosines` of a cube that is seen from ``eye_xyz`` (3,), in cube axes."""
    outwards = FACE_NORMALS @ eye_xyz
    # the squared length of what leads from a face's centre, half an edge out, to the eye
    return np.asarray((outwards - 0.5) / np.sqrt(eye_xyz @ eye_xyz - outwards + 0.25))


@lru_cache(maxsize=1)
def cube_rotations() -> Floats:
    """The 24 rotations of the cube as matrices, shape (24, 3, 3), the identity first."""
    found = []
    for a in range(3):
        for b in range(3):
            if a == b:
                continue
            for sign_a in (1, -1):
                for sign_b in (1, -1):
                    first = np.eye(3)[a] * sign_a
                    second = np.eye(3)[b] * sign_b
                    found.append(np.stack([first, second, np.cross(first, second)], axis=1))
    return cube.frozen(np.array(found))


@dataclass(frozen=True, eq=False)
class CubePose:
    """One cube in one picture.

    ``size`` is the number of stickers along an edge; ``focal_px`` the focal length in pixels, and ``across``
    by how much longer it is in pixels from left to right, other than 1 where a picture is squeezed
    (:mod:`vision.squeezed`); ``centre_xy`` the principal point; ``rotation`` (3, 3) turns cube axes into
    camera axes; ``translation`` (3,) is the cube's centre in camera axes, in cube edges; ``score`` in 0..1
    says how well the picture bears the pose out; ``size_probabilities`` maps each size to its probability.
    """

    size: int
    focal_px: float
    centre_xy: tuple[float, float]
    rotation: Floats
    translation: Floats
    k1: float = 0.0
    score: float = 1.0
    size_probabilities: dict[int, float] = field(default_factory=dict)
    across: float = 1.0

    @property
    def _focal_xy(self) -> Floats:
        return np.array((self.focal_px * self.across, self.focal_px))

    def project(self, points_xyz: Floats) -> Floats:
        """Pixels (N, 2) of points (N, 3) given in cube axes."""
        camera = points_xyz @ self.rotation.T + self.translation
        flat = camera[:, :2] / np.maximum(camera[:, 2:], 1e-6)
        if self.k1:
            flat = flat * (1 + self.k1 * (flat * flat).sum(1, keepdims=True))
        return np.asarray(flat * self._focal_xy + np.array(self.centre_xy))

    def project_planes(
        self, origins_xyz: Floats, columns_xyz: Floats, rows_xyz: Floats, columns: Floats, rows: Floats
    ) -> Floats:
        """Pixels, x then y, (2, F, R, C) of a grid on each of F planes in cube axes: an origin and the
        directions of columns and rows (F, 3) each, and how far columns (C,) and rows (R,) run along them."""
        origins, across, down = (
            self.rotation @ vectors.T for vectors in (origins_xyz, columns_xyz, rows_xyz)
        )
        origins = origins + self.translation[:, None]
        camera = (origins[:, :, None] + across[:, :, None] * columns)[:, :, None]
        camera = camera + (down[:, :, None] * rows)[..., None]
        flat = camera[:2] / np.maximum(camera[2], 1e-6)
        if self.k1:
            flat *= 1 + self.k1 * (flat * flat).sum(0)
        flat *= self._focal_xy[:, None, None, None]
        flat += np.array(self.centre_xy)[:, None, None, None]
        return np.asarray(flat)

    @property
    def edge_px(self) -> float:
        """Pixels per cube edge at the cube's centre, downwards where they are not square."""
        return float(self.focal_px / np.linalg.norm(self.translation))

    @property
    def middle_xy(self) -> tuple[float, float]:
        """The pixel at which the cube's centre is seen."""
        x, y = self.project(np.zeros((1, 3)))[0].tolist()
        return x, y

    @property
    def eye_xyz(self) -> Floats:
        """The camera's place in cube axes, (3,)."""
        return np.asarray(-self.rotation.T @ self.translation)

    def facing(self) -> Floats:
        """How far the camera stands in front of each face's plane, in cube edges, (6,); above 0: in view."""
        return np.asarray(FACE_NORMALS @ self.eye_xyz - 0.5)

    def visible_faces(self, least_cosine: float = SEEN_COSINE) -> tuple[str, ...]:
        """Faces turned to the camera, the most squarely seen first.

        ``least_cosine`` leaves out faces seen edge on (:func:`face_cosines`).
        """
        return tuple(FACES[face] for face in self.in_view(least_cosine))

    def in_view(self, least_cosine: float = SEEN_COSINE) -> list[int]:
        """As :meth:`visible_faces`, the faces' indices."""
        cosines = cosines_from(self.eye_xyz).tolist()
        order = sorted(range(6), key=lambda face: -cosines[face])
        return [face for face in order if cosines[face] > least_cosine]

    def face_quad_xy(self, face: str) -> Floats:
        """Pixels (4, 2) of a face's corners: upper left, upper right, lower right, lower left as printed."""
        return self.project(_CORNERS[FACES.index(face)])

    def quads_xy(self, faces: Sequence[int]) -> Floats:
        """Pixels (4 F, 2) of the corners of F faces, one after the other as :meth:`face_quad_xy` has them."""
        return self.project(_CORNERS[list(faces)].reshape(-1, 3))

    def relabelled(self, turn: Floats) -> CubePose:
        """The same cube under other face names: ``turn`` (3, 3), one of :func:`cube_rotations`."""
        return CubePose(
            self.size,
            self.focal_px,
            self.centre_xy,
            self.rotation @ turn,
            self.translation,
            self.k1,
            self.score,
            self.size_probabilities,
            self.across,
        )

    def upright(self) -> CubePose:
        """The labelling whose U face is the visible one turned most upwards and whose F faces the camera.

        A face seen edge on is not visible. A convention for people and for the track: the decoder still
        tries every visible face as the top.
        """
        turns = cube_rotations()
        possible = (FACE_NORMALS[self.in_view()] @ turns[:, :, 1].T > 0.5).any(axis=0).tolist()
        upwards = np.round(-self.rotation[1] @ turns[:, :, 1].T, 9).tolist()
        facing = (self.eye_xyz @ turns[:, :, 2].T).tolist()
        candidates = [turn for turn in range(len(turns)) if possible[turn]]
        if not candidates:
            return self
        return self.relabelled(turns[max(candidates, key=lambda turn: (upwards[turn], facing[turn]))])

    def turned_to(self, top: int, front: str | None) -> CubePose:
        """The labelling in which face ``top`` is U, and F the side that ``front`` names.

        ``front`` None or "near": the side most turned to the camera (none in view: the one whose edge of the
        top face is lowest in the picture); "far" its opposite; "left" and "right" its neighbours as seen from
        outside.
        """
        options = _with_top(top)
        facing = (self.eye_xyz @ options[:, :, 2].T - 0.5).tolist()
        most = max(facing)
        nearest = [turn for turn in range(4) if facing[turn] == most or most <= 0]
        if len(nearest) > 1:
            lows = {turn: self.relabelled(options[turn]).face_quad_xy("U")[2:, 1].mean() for turn in nearest}
            nearest.sort(key=lambda turn: -lows[turn])
        near = options[nearest[0]]
        if front in (None, "near"):
            return self.relabelled(near)
        wanted = {"far": -near[:, 2], "right": near[:, 0], "left": -near[:, 0]}[str(front)]
        return self.relabelled(next(turn for turn in options if np.array_equal(turn[:, 2], wanted)))


@lru_cache(maxsize=6)
def _with_top(top: int) -> Floats:
    """The four rotations (4, 3, 3) of the cube that bring a face to the top."""
    turns = cube_rotations()
    return cube.frozen(turns[(turns[:, :, 1] == FACE_NORMALS[top]).all(axis=1)])


def face_cosines(pose: CubePose) -> Floats:
    """How squarely each face (6,) is seen: the cosine, -1..1, of the angle between its normal and the line
    from its centre to the eye."""
    return cosines_from(pose.eye_xyz)
