"""Where the cube is in a picture: a pinhole camera, a cube of edge 1, and what follows from the two.

Axes of the cube: x towards R, y towards U, z towards F; the origin is its centre and an edge is 1 long.
Axes of the camera: x right, y down, z forward. Pixels: x right, y down, (0, 0) is the upper left corner
of the upper left pixel. Lens distortion is one radial term: ``x_d = x * (1 + k1 * r**2)`` on normalised
coordinates, as in OpenCV's camera model (documentation of ``cv2.projectPoints``).

Faces are labelled by the pose itself: any of the 24 labellings of the same cube describes the picture
equally well. Which visible face is the top face of the last layer is left to the decoder.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from models import cube
from models.notation import FACES as FACES

Floats = NDArray[np.float64]

FACE_NORMALS = cube.FACE_NORMALS.astype(np.float64)
FACE_ROWS = cube.FACE_ROWS.astype(np.float64)
FACE_COLUMNS = cube.FACE_COLUMNS.astype(np.float64)
FACE_ORIGINS = (FACE_NORMALS - FACE_ROWS - FACE_COLUMNS) / 2
"""(6, 3) each: outwards, which way rows and columns run, and the upper left corner, as printed."""
FACE_CENTRES = FACE_NORMALS / 2

#: the eight corners of the cube, edge 1
VERTICES = np.array([(x, y, z) for x in (-1, 1) for y in (-1, 1) for z in (-1, 1)], dtype=np.float64) / 2


def face_points(face: int, columns: Floats, rows: Floats) -> Floats:
    """Points of a printed face in cube axes.

    ``columns`` and ``rows`` (any equal shapes) run from 0 to 1 over the face; returns shape ``(..., 3)``.
    """
    return np.asarray(
        FACE_ORIGINS[face] + columns[..., None] * FACE_COLUMNS[face] + rows[..., None] * FACE_ROWS[face]
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
    return np.array(found)


@dataclass(frozen=True, eq=False)
class CubePose:
    """One cube in one picture.

    ``size`` is the number of stickers along an edge; ``focal_px`` the focal length in pixels;
    ``centre_xy`` the principal point; ``rotation`` (3, 3) turns cube axes into camera axes;
    ``translation`` (3,) is the cube's centre in camera axes, in cube edges; ``score`` in 0..1 says how
    well the picture bears the pose out; ``size_probabilities`` maps each size to its probability.
    """

    size: int
    focal_px: float
    centre_xy: tuple[float, float]
    rotation: Floats
    translation: Floats
    k1: float = 0.0
    score: float = 1.0
    size_probabilities: dict[int, float] = field(default_factory=dict)

    def project(self, points_xyz: Floats) -> Floats:
        """Pixels (N, 2) of points (N, 3) given in cube axes."""
        camera = points_xyz @ self.rotation.T + self.translation
        flat = camera[:, :2] / np.maximum(camera[:, 2:], 1e-6)
        if self.k1:
            flat = flat * (1 + self.k1 * (flat * flat).sum(1, keepdims=True))
        return np.asarray(flat * self.focal_px + np.array(self.centre_xy))

    @property
    def eye_xyz(self) -> Floats:
        """The camera's place in cube axes, (3,)."""
        return np.asarray(-self.rotation.T @ self.translation)

    def facing(self) -> Floats:
        """How far the camera stands in front of each face's plane, in cube edges, (6,); above 0: in view."""
        return np.asarray(FACE_NORMALS @ self.eye_xyz - 0.5)

    def visible_faces(self, least_cosine: float = 0.03) -> tuple[str, ...]:
        """Faces turned to the camera, the most squarely seen first.

        ``least_cosine`` leaves out faces seen edge on (:func:`face_cosines`).
        """
        cosines = cosines_from(self.eye_xyz)
        order = np.argsort(-cosines)
        return tuple(FACES[i] for i in order if cosines[i] > least_cosine)

    def face_quad_xy(self, face: str) -> Floats:
        """Pixels (4, 2) of a face's corners: upper left, upper right, lower right, lower left as printed."""
        edge = np.array([0.0, 1.0, 1.0, 0.0]), np.array([0.0, 0.0, 1.0, 1.0])
        return self.project(face_points(FACES.index(face), *edge))

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
        )

    def upright(self) -> CubePose:
        """The labelling whose U face is the visible one turned most upwards and whose F faces the camera.

        A face seen edge on is not visible. A convention for people and for the track: the decoder still
        tries every visible face as the top.
        """
        up = np.array([0.0, -1.0, 0.0])
        best, best_key = self, (-np.inf, -np.inf)
        in_view = FACE_NORMALS[[FACES.index(face) for face in self.visible_faces()]]
        for turn in cube_rotations():
            if not (in_view @ turn[:, 1] > 0.5).any():
                continue
            pose = self.relabelled(turn)
            facing = pose.facing()
            key = (round(float(pose.rotation[:, 1] @ up), 9), float(facing[2]))
            if key > best_key:
                best, best_key = pose, key
        return best

    def turned_to(self, top: int, front: str | None) -> CubePose:
        """The labelling in which face ``top`` is U, and F the side that ``front`` names.

        ``front`` None or "near": the side most turned to the camera (none in view: the one whose edge of the
        top face is lowest in the picture); "far" its opposite; "left" and "right" its neighbours as seen from
        outside.
        """
        options = [turn for turn in cube_rotations() if np.array_equal(turn[:, 1], FACE_NORMALS[top])]
        scored = []
        for turn in options:
            relabelled = self.relabelled(turn)
            facing = float(relabelled.facing()[2])
            low = float(relabelled.face_quad_xy("U")[2:, 1].mean())
            scored.append(((facing, low) if facing > 0 else (0.0, low), relabelled, turn))
        near = max(scored, key=lambda item: item[0])
        if front in (None, "near"):
            return near[1]
        wanted = {"far": -near[2][:, 2], "right": near[2][:, 0], "left": -near[2][:, 0]}[str(front)]
        return next(p for _, p, turn in scored if np.array_equal(turn[:, 2], wanted))


def face_cosines(pose: CubePose) -> Floats:
    """How squarely each face (6,) is seen: the cosine, -1..1, of the angle between its normal and the line
    from its centre to the eye."""
    return cosines_from(pose.eye_xyz)
