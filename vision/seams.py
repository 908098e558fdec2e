"""Lay a nearly right pose exactly onto the seams between the stickers.

Across each seam of each visible face colours are read off on a short line. Where they change fastest is the
seam: a dark or a light groove changes twice, at equal distances from its middle, so the centre of the change
is the middle; two neighbours of different colours without a groove change once, at the middle. Seams without
any change (two neighbours of one colour and no groove) say nothing and have no weight.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.motion import Lens, inverse_2x2, middle, motion_rows, moved, project, read_off
from vision.pose import FACE_COLUMNS, FACE_NORMALS, FACE_ROWS, CubePose, face_cosines, face_points

REACH_CELLS: Final = 0.32
"""How far to either side a seam is looked for, in stickers."""
_ALONG: Final = (0.25, 0.5, 0.75)
_ACROSS: Final = np.linspace(-REACH_CELLS, REACH_CELLS, 12)
_CONTRAST: Final = 60.0
"""Sum of squared changes (8-bit units) from which on a seam counts fully."""


@dataclass(frozen=True, eq=False)
class Seated:
    """``pose`` laid onto the seams; ``moved_cells`` how far the median seam point went, in stickers;
    ``support`` the share of seam points with contrast enough to count; ``spread_cells`` how far the
    seams lie from the pose's lattice afterwards (median); ``astray`` the share of seam points that lie
    further than a sixth of a sticker from it, as those of a layer that stands off do."""

    pose: CubePose
    moved_cells: float
    support: float
    spread_cells: float
    astray: float


@lru_cache(maxsize=8)
def _lines(n: int) -> tuple[NDArray[np.float64], NDArray[np.intp]]:
    """Points (6, P, A, 3) across the seams of every face and, for each P, the axis (0 column, 1 row) that
    runs across."""
    middles = ((np.arange(n)[:, None] + np.array(_ALONG)) / n).ravel()
    faces = []
    axes = np.repeat([0, 1], (n - 1) * len(middles))
    for face in range(6):
        lines = []
        for axis in (0, 1):
            for k in range(1, n):
                across = (k + _ACROSS[None, :]) / n + np.zeros((len(middles), 1))
                along = middles[:, None] + np.zeros((1, len(_ACROSS)))
                lines.append(face_points(face, *((across, along) if axis == 0 else (along, across))))
        faces.append(np.concatenate(lines))
    return np.array(faces), axes


def seat(
    work_bgr: NDArray[np.uint8],
    lens: Lens,
    pose: CubePose,
    *,
    rounds: int = 2,
    zoom: bool = False,
    hold_tilt: float = 0.0,
    uncovered: Callable[[NDArray[np.float64]], NDArray[np.floating]] | None = None,
) -> Seated | None:
    """The pose that lies on the seams next to ``pose``; None where too few seams can be made out.

    ``uncovered`` gives the share 0..1 of the cube's own surface at pixels (P, 2) of ``work_bgr``: seams under
    a hand do not count. ``hold_tilt`` holds the cube tilted as it was, which one face alone hardly tells: it
    is what that weighs beside one seam point that a radian moves by a sticker. ``zoom`` lets the focal length
    move as well, where two faces or more are seen well enough to tell it.

    ``work_bgr`` is a picture of the cube's surroundings and ``lens`` how the pose projects into it. Seams
    further than a third of a sticker away are not found.
    """
    n = pose.size
    faces = _in_view(pose)
    if not faces:
        return None
    lines, axes = _lines(n)
    points = lines[faces]
    shape = points.shape[:3]
    flat_points = points.reshape(-1, 3)
    centre_points = points[:, :, [5, 6]].mean(2).reshape(-1, 3)
    axis = np.tile(axes, len(faces))
    rotation, translation = pose.rotation, pose.translation
    zoom = zoom and len(faces) > 1 and n > 2
    start_lens = lens
    bare: NDArray[np.floating] | float = 1.0
    if uncovered is not None:
        bare = uncovered(project(rotation, translation, centre_points, lens))
    limit = np.array([work_bgr.shape[1] - 1, work_bgr.shape[0] - 1])
    spread = support = astray = 0.0
    for round_number in range(rounds + 1):
        spots = project(rotation, translation, flat_points, lens).astype(np.float32)
        inside = np.asarray((spots >= 0) & (spots <= limit)).reshape(*shape, 2).all((2, 3)).ravel()
        rows = shape[0] * shape[1]
        centre, contrast = _found(work_bgr, spots.reshape(rows, -1, 2))
        weight = np.asarray(contrast * inside * bare, np.float64)
        counted = weight > 0.5
        support = float(counted.mean())
        if counted.sum() < 12:
            return None
        off = np.abs(centre)
        spread = middle(off[counted])
        astray = float((off[counted] > 1 / 6).mean())
        if round_number == rounds:
            break
        weight = weight / np.maximum(off / max(2.0 * spread, 0.03), 1.0)
        jacobian = _across_rows(rotation, translation, faces, centre_points, axis, shape[1], lens) * n
        if not zoom:
            jacobian = jacobian[:, :6]
        weighted = jacobian * weight[:, None]
        normal = weighted.T @ jacobian
        size = len(normal)
        # two seams a face hold the middle of a 2x2x2 but hardly its corners: there the start counts more
        hold = 0.1 if n == 2 else 1e-3
        normal[np.diag_indices(size)] += 0.01 * np.diag(normal) + hold * np.trace(normal[:6, :6]) / 6
        right = weighted.T @ centre
        if hold_tilt:
            ray = translation / np.linalg.norm(translation)
            hold_it = hold_tilt * (np.eye(3) - np.outer(ray, ray))
            normal[:3, :3] += hold_it
            right[:3] -= hold_it @ cv2.Rodrigues(rotation @ pose.rotation.T)[0].ravel()
        step = np.linalg.solve(normal, right)
        rotation, translation = moved(rotation, translation, np.asarray(step[:6], np.float64))
        if zoom:
            # a longer lens with the cube as much farther off: its size in the picture stays
            factor = float(np.exp(np.clip(step[6], -0.1, 0.1)))
            lens = replace(lens, focal_px=lens.focal_px * factor)
            translation = translation * factor
    start = project(pose.rotation, pose.translation, centre_points, start_lens)
    end = project(rotation, translation, centre_points, lens)
    cell_px = lens.focal_px / float(np.linalg.norm(pose.translation)) / n
    moved_cells = middle(np.sqrt(((end - start) ** 2).sum(1))) / cell_px
    seated = replace(
        pose,
        rotation=rotation,
        translation=translation,
        focal_px=pose.focal_px * lens.focal_px / start_lens.focal_px,
    )
    return Seated(seated, moved_cells, support, spread, astray)


def layer_gaps(
    work_bgr: NDArray[np.uint8], lens: Lens, pose: CubePose, axis: int
) -> tuple[NDArray[np.float64], NDArray[np.intp]]:
    """How far the seams that a turn about ``axis`` (0 x, 1 y, 2 z) carries along lie from the pose's lattice.

    Returns (P,) gaps in stickers of the seam points with contrast enough to count, between stickers of one
    and the same layer along that axis, and (P,) the layer 0..n-1 of each. Arguments as for :func:`seat`.
    """
    faces = [face for face in _in_view(pose) if abs(FACE_NORMALS[face, axis]) < 0.5]
    points = _lines(pose.size)[0][faces].reshape(-1, len(_ACROSS), 3)
    points = points[np.abs(points[:, -1, axis] - points[:, 0, axis]) < 1e-6]
    spots = project(pose.rotation, pose.translation, points.reshape(-1, 3), lens).astype(np.float32)
    spots = spots.reshape(len(points), len(_ACROSS), 2)
    limit = np.array([work_bgr.shape[1] - 1, work_bgr.shape[0] - 1])
    inside = np.asarray((spots >= 0) & (spots <= limit)).all((1, 2))
    if not inside.any():
        return np.zeros(0), np.zeros(0, np.intp)
    centre, contrast = _found(work_bgr, spots[inside])
    counted = contrast > 0.5
    layer = np.clip(np.floor((points[inside, 0, axis] + 0.5) * pose.size), 0, pose.size - 1).astype(np.intp)
    return np.abs(centre[counted]), layer[counted]


def _in_view(pose: CubePose) -> list[int]:
    """Faces whose seams can be made out."""
    cosines = face_cosines(pose)
    return [face for face in range(6) if cosines[face] > 0.25]


def _found(
    work_bgr: NDArray[np.uint8], spots: NDArray[np.float32]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Where on each line across a seam (P, A, 2) the seam lies (P,), in stickers from its middle, and how
    clearly, 0..1."""
    change = np.diff(read_off(work_bgr, spots), axis=1)
    energy = np.einsum("pac,pac->pa", change, change)
    energy = np.maximum(energy - np.partition(energy, 4, axis=1)[:, 4:5], 0.0)
    total = energy.sum(1)
    at = (_ACROSS[1:] + _ACROSS[:-1]) / 2
    centre = (energy @ at) / np.maximum(total, 1e-6)
    return np.asarray(centre), np.minimum(total / _CONTRAST, 1.0)


def _across_rows(
    rotation: NDArray[np.float64],
    translation: NDArray[np.float64],
    faces: list[int],
    points: NDArray[np.float64],
    axis: NDArray[np.intp],
    per_face: int,
    lens: Lens,
) -> NDArray[np.float64]:
    """d (place across the seam, in face edges) / d (motion, log of focal length and distance), (P, 7)."""
    motion = motion_rows(rotation, translation, points, lens)
    camera = points @ rotation.T + translation
    flat = camera[:, :2] / camera[:, 2:]
    focal = lens.focal_px * flat + lens.focal_px * _shifted(translation, camera)
    motion = np.concatenate([motion, focal[:, :, None]], axis=2)
    out = np.empty((len(points), 7))
    for k, face in enumerate(faces):
        part = slice(k * per_face, (k + 1) * per_face)
        along = np.stack([rotation @ FACE_COLUMNS[face], rotation @ FACE_ROWS[face]], 1)
        slope = (along[None, :2] - flat[part, :, None] * along[None, 2:]) * (
            lens.focal_px / camera[part, 2, None, None]
        )
        on_face = np.matmul(inverse_2x2(slope), motion[part])
        out[part] = on_face[np.arange(per_face), axis[part]]
    return out


def _shifted(translation: NDArray[np.float64], camera: NDArray[np.float64]) -> NDArray[np.float64]:
    """d (x/z, y/z) / d log of the distance when the cube's centre moves away along its ray, (P, 2)."""
    x, y, z = camera.T
    return np.stack(
        [(translation[0] * z - x * translation[2]) / z**2, (translation[1] * z - y * translation[2]) / z**2],
        1,
    )
