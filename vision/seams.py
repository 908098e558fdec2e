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

from models.cube import frozen
from vision.motion import Lens, middle, moved, project, project_xy
from vision.pose import FACE_COLUMNS, FACE_NORMALS, FACE_ORIGINS, FACE_ROWS, CubePose, face_cosines

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


@dataclass(frozen=True, eq=False)
class _Lines:
    """Short lines of A points across the seams of some faces, P of them, in cube axes.

    ``points`` (3, A P), the first of all lines, then the second; ``middles`` (P, 3) where they cross their
    seams; ``across`` and ``along`` (3, P) which way line and seam run.
    """

    points: NDArray[np.float64]
    middles: NDArray[np.float64]
    across: NDArray[np.float64]
    along: NDArray[np.float64]


@lru_cache(maxsize=128)
def _lines(n: int, faces: tuple[int, ...]) -> _Lines:
    places = ((np.arange(n)[:, None] + np.array(_ALONG)) / n).ravel()
    middles, across, along = [], [], []
    for face in faces:
        columns, rows = FACE_COLUMNS[face], FACE_ROWS[face]
        for own, other in ((columns, rows), (rows, columns)):
            for k in range(1, n):
                middles.append(FACE_ORIGINS[face] + k / n * own + places[:, None] * other)
                across.append(np.broadcast_to(own, middles[-1].shape))
                along.append(np.broadcast_to(other, middles[-1].shape))
    middle_xyz, own_xyz, other_xyz = (np.concatenate(parts) for parts in (middles, across, along))
    points = middle_xyz.T[:, None] + _ACROSS[:, None] / n * own_xyz.T[:, None]
    return _Lines(
        points=frozen(points.reshape(3, -1)),
        middles=frozen(middle_xyz),
        across=frozen(np.ascontiguousarray(own_xyz.T)),
        along=frozen(np.ascontiguousarray(other_xyz.T)),
    )


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
    lines = _lines(n, faces)
    rotation, translation = pose.rotation, pose.translation
    zoom = zoom and len(faces) > 1 and n > 2
    start_lens = lens
    bare: NDArray[np.floating] | float = 1.0
    if uncovered is not None:
        bare = uncovered(project(rotation, translation, lines.middles, lens))
    spread = support = astray = 0.0
    for round_number in range(rounds + 1):
        x, y, inside = _spots(work_bgr, project_xy(rotation, translation, lines.points, lens))
        centre, contrast = _found(work_bgr, x, y)
        weight = np.asarray(contrast * inside * bare, np.float64)
        counted = weight > 0.5
        seams = int(np.count_nonzero(counted))
        support = seams / counted.size
        if seams < 12:
            return None
        off = np.abs(centre)
        spread = middle(off[counted])
        astray = int(np.count_nonzero(off[counted] > 1 / 6)) / seams
        if round_number == rounds:
            break
        weight = weight / np.maximum(off / max(2.0 * spread, 0.03), 1.0)
        jacobian = _across_rows(rotation, translation, lines, lens)[: 7 if zoom else 6] * n
        weighted = jacobian * weight
        normal = weighted @ jacobian.T
        # two seams a face hold the middle of a 2x2x2 but hardly its corners: there the start counts more
        hold = 0.1 if n == 2 else 1e-3
        diagonal = normal.reshape(-1)[:: len(normal) + 1]
        diagonal += 0.01 * diagonal + hold * diagonal[:6].sum() / 6
        right = weighted @ centre
        if hold_tilt:
            ray = translation / np.linalg.norm(translation)
            hold_it = hold_tilt * (np.eye(3) - ray[:, None] * ray)
            normal[:3, :3] += hold_it
            right[:3] -= hold_it @ cv2.Rodrigues(rotation @ pose.rotation.T)[0].ravel()
        step = cv2.solve(normal, right[:, None])[1].ravel()
        rotation, translation = moved(rotation, translation, np.asarray(step[:6], np.float64))
        if zoom:
            # a longer lens with the cube as much farther off: its size in the picture stays
            factor = float(np.exp(np.clip(step[6], -0.1, 0.1)))
            lens = replace(lens, focal_px=lens.focal_px * factor)
            translation = translation * factor
    start = project(pose.rotation, pose.translation, lines.middles, start_lens)
    end = project(rotation, translation, lines.middles, lens)
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
    faces = tuple(face for face in _in_view(pose) if abs(FACE_NORMALS[face, axis]) < 0.5)
    if not faces:
        return np.zeros(0), np.zeros(0, np.intp)
    lines = _lines(pose.size, faces)
    x, y, inside = _spots(work_bgr, project_xy(pose.rotation, pose.translation, lines.points, lens))
    carried = inside & (np.abs(lines.across[axis]) < 0.5)
    if not carried.any():
        return np.zeros(0), np.zeros(0, np.intp)
    centre, contrast = _found(work_bgr, x[:, carried], y[:, carried])
    counted = contrast > 0.5
    layer = np.floor((lines.middles[carried, axis] + 0.5) * pose.size)
    layer = np.clip(layer, 0, pose.size - 1).astype(np.intp)
    return np.abs(centre[counted]), layer[counted]


def _in_view(pose: CubePose) -> tuple[int, ...]:
    """Faces whose seams can be made out."""
    cosines = face_cosines(pose)
    return tuple(face for face in range(6) if cosines[face] > 0.25)


def _spots(
    work_bgr: NDArray[np.uint8], xy: NDArray[np.float64]
) -> tuple[NDArray[np.float32], NDArray[np.float32], NDArray[np.bool_]]:
    """Pixels x and y (A, P) each of the points of lines, from (2, A P), and which lines (P,) are all inside
    the picture."""
    x, y = xy.astype(np.float32).reshape(2, len(_ACROSS), -1)
    high, wide = work_bgr.shape[:2]
    inside = (x >= 0) & (x <= wide - 1) & (y >= 0) & (y <= high - 1)
    return x, y, inside.all(0)


def _found(
    work_bgr: NDArray[np.uint8], x: NDArray[np.float32], y: NDArray[np.float32]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Where on each line across a seam, of pixels x and y (A, P) each, the seam lies (P,), in stickers from
    its middle, and how clearly, 0..1."""
    colours = cv2.remap(work_bgr, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    change = np.diff(colours.astype(np.float32), axis=0)
    change *= change
    energy = change[..., 0] + change[..., 1] + change[..., 2]
    energy = np.maximum(energy - np.partition(energy, 4, axis=0)[4], 0.0)
    total = energy.sum(0)
    at = (_ACROSS[1:] + _ACROSS[:-1]) / 2
    centre = (at @ energy) / np.maximum(total, 1e-6)
    return np.asarray(centre), np.minimum(total / _CONTRAST, 1.0)


def _across_rows(
    rotation: NDArray[np.float64], translation: NDArray[np.float64], lines: _Lines, lens: Lens
) -> NDArray[np.float64]:
    """d (place across the seam, in face edges) / d (motion, log of focal length and distance), (7, P)."""
    arm = rotation @ lines.middles.T
    camera = arm + translation[:, None]
    x, y = camera[:2] / camera[2]
    across, along = rotation @ lines.across, rotation @ lines.along
    # where the seam's two directions lead in the picture, without the scale focal / depth that all have
    across_x, across_y = across[0] - x * across[2], across[1] - y * across[2]
    along_x, along_y = along[0] - x * along[2], along[1] - y * along[2]
    area = across_x * along_y - across_y * along_x
    # what a shift of the seam in the picture, on that scale, is across it; the third for one in depth
    pull = np.stack([along_y, -along_x, along_x * y - along_y * x]) / area
    out = np.empty((7, len(x)))
    for k, (a, b) in enumerate(((1, 2), (2, 0), (0, 1))):
        out[k] = arm[a] * pull[b] - arm[b] * pull[a]
    out[3:6] = pull
    shifted = translation[:2, None] / camera[2] - camera[:2] * (translation[2] / camera[2] ** 2)
    out[6] = ((np.stack([x, y]) + shifted) * pull[:2]).sum(0) * camera[2]
    return out
