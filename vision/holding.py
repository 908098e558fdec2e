"""How the cube is held: which side is the holder's front, and how squarely each sticker is seen."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from vision.found import FoundCube
from vision.pose import FACE_NORMALS, CubePose, cube_rotations, face_cosines
from vision.sample import sample_stickers

FRONTS: Final = ("near", "far", "left", "right")
"""Where the holder's front is, seen by the camera (see :func:`front_face`)."""
_HOLD: Final = 0.85
"""The front so far stays until it faces the camera less than this share of what the best side does."""


def front_face(pose: CubePose, top: int, wanted: str | None, before: int | None = None) -> int:
    """Index (URFDLB) of the face to call F when ``top`` is up.

    ``wanted`` None or "near": the side most turned to the camera; "far" the opposite one, "left" and
    "right" its neighbours as seen from outside. ``before``, the answer of the last frame, is kept while it
    is as good as any, so that the words on the screen do not flicker near 45 degrees.
    """
    sides = [face for face in range(6) if face % 3 != top % 3]
    facing = pose.facing()
    low = {face: float(_edge_low(pose, top, face)) for face in sides}
    if max(facing[face] for face in sides) > 0:
        value = {face: float(facing[face]) for face in sides}
    else:
        middle = float(np.mean(list(low.values())))
        value = {face: low[face] - middle for face in sides}
    near = max(sides, key=lambda face: value[face])
    if before is not None:
        was_near = _stepped(top, before, wanted, back=True)
        if was_near in value and value[was_near] > value[near] - (1 - _HOLD) * abs(value[near]):
            near = was_near
    return _stepped(top, near, wanted)


def _stepped(top: int, face: int, wanted: str | None, *, back: bool = False) -> int:
    """From the near side to the wanted one, or back."""
    normal, up = FACE_NORMALS[face], FACE_NORMALS[top]
    right = np.cross(up, normal)
    there = {"far": -normal, "right": right, "left": -right}.get(wanted or "near", normal)
    if back and wanted in ("left", "right"):
        there = -there
    return int(np.argmax(FACE_NORMALS @ there))


def _edge_low(pose: CubePose, top: int, side: int) -> float:
    """Height in the picture (pixels, downwards) of the middle of the edge between two faces."""
    middle = (FACE_NORMALS[top] + FACE_NORMALS[side]) / 2
    return float(pose.project(middle[None])[0, 1])


def labelled(pose: CubePose, top: int, front: int) -> CubePose:
    """The pose with face ``top`` called U and face ``front`` called F."""
    up, towards = FACE_NORMALS[top], FACE_NORMALS[front]
    return pose.relabelled(np.stack([np.cross(up, towards), up, towards], axis=1))


def nearest_labelling(pose: CubePose, like: CubePose) -> tuple[CubePose, float]:
    """The labelling of ``pose`` that turns least away from ``like``, and that angle in radians."""
    overlap = np.einsum("kij,ij->k", cube_rotations(), pose.rotation.T @ like.rotation)
    best = int(np.argmax(overlap))
    angle = float(np.arccos(np.clip((overlap[best] - 1) / 2, -1.0, 1.0)))
    return pose.relabelled(cube_rotations()[best]), angle


def free_share(image_bgr: NDArray[np.uint8], pose: CubePose, cube: FoundCube) -> NDArray[np.float32]:
    """(6, n, n) which share of each sticker in view is the cube's own surface, by the finder's map; nan for
    the others. ``pose`` is the cube in the labelling wanted, ``cube`` what was found in the same picture."""
    seen = sample_stickers(image_bgr, pose).coverage
    own = sample_stickers(image_bgr, pose, cube.surface).coverage
    with np.errstate(invalid="ignore", divide="ignore"):
        share = np.where(seen > 0.02, own / seen, np.nan)
    return np.asarray(np.clip(share, 0.0, 1.0), np.float32)


def view_weight(pose: CubePose) -> NDArray[np.float64]:
    """(6, n, n) how much a look at each sticker counts: 1 squarely seen, 0 edge on."""
    weight = np.clip((face_cosines(pose) - 0.05) / 0.25, 0.0, 1.0)
    return np.broadcast_to(weight[:, None, None], (6, pose.size, pose.size)).copy()
