"""How faces looked when a track last saw them well, and how a frame is held against that."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from vision.motion import read_off
from vision.pose import CubePose, face_points
from vision.seams import Seated

Floats = NDArray[np.float32]
Image = NDArray[np.uint8]

OTHER_LOOK: Final = 0.6
"""A sticker looks different from this misfit on (0 as it was)."""
STIRRED_STICKERS: Final = 0.2
"""Share of the stickers that look different from which on a layer may be turning."""
STIRRED_RAD: Final = float(np.radians(2.0))
"""A layer turned by more than this, where that explains how the stickers look, is turning."""


@dataclass(eq=False)
class FaceLook:
    """A face as it was when last seen well: colours (T, T, 3), their slopes along columns and rows, the
    cosine at which it was seen."""

    colours: Floats
    slopes: Floats
    cosine: float


def lattice_points(n: int) -> list[NDArray[np.float64]]:
    """Points worth following on each face: crossings of seams, and corners of stickers near the rim."""
    steps = np.arange(n + 1) / n
    steps[0], steps[-1] = 0.4 / n / 4, 1 - 0.4 / n / 4
    cols, rows = np.meshgrid(steps, steps)
    return [face_points(face, cols.ravel(), rows.ravel()) for face in range(6)]


def compared(
    soft: Image, flat: NDArray[np.float64], kept: Floats, free: NDArray[np.bool_] | None = None
) -> tuple[Floats, Floats, NDArray[np.bool_]]:
    """Frame minus kept look at pixels ``flat`` (P, 2): difference (P, 3), its length, inside the window.

    Where ``free`` (P,) says which points nothing covers, those alone tell how bright the faces are."""
    spots = flat.astype(np.float32)
    limit = np.array([soft.shape[1] - 1, soft.shape[0] - 1], np.float32)
    inside = np.asarray(((spots >= 0) & (spots <= limit)).all(1))
    values = read_off(soft, spots).reshape(kept.shape)
    counts = inside if free is None else inside & free
    off = (matched(values, kept, counts.reshape(len(kept), -1)) - kept).reshape(-1, 3)
    return off, np.sqrt(np.einsum("pc,pc->p", off, off)), inside


def matched(values: Floats, kept: Floats, inside: NDArray[np.bool_]) -> Floats:
    """``values`` (faces, P, 3) brought to the brightness of ``kept``, one factor a face (light on a tilted
    face changes as a whole)."""
    ratio = (kept.sum(2) + 8.0) / (values.sum(2) + 8.0)
    out = np.empty_like(values)
    for face in range(len(values)):
        known = ratio[face][inside[face]]
        factor = np.partition(known, len(known) // 2)[len(known) // 2] if len(known) else 1.0
        np.multiply(values[face], np.float32(min(max(factor, 0.4), 2.5)), out=out[face])
    return out


def is_trusted(seated: Seated) -> bool:
    """Whether a pose was laid onto seams enough, and close enough, to take the cube's look by it."""
    return seated.support > 0.5 and seated.spread_cells < 0.06 and is_plausible(seated.pose)


def is_plausible(pose: CubePose) -> bool:
    """Whether a cube can be where the pose has it: in front of the camera, 1.2 to 100 edges off."""
    return bool(np.isfinite(pose.translation).all() and 1.2 < pose.translation[2] < 100)


@dataclass(frozen=True, eq=False)
class Cover:
    """Something that passes before a cube: ``free`` (6, n, n) which stickers it leaves in view, ``usual_off``
    by how much points look otherwise in the median while nothing covers them, in levels of a channel."""

    free: NDArray[np.bool_]
    usual_off: float


@dataclass(frozen=True, eq=False)
class Laid:
    """The kept looks laid over a frame; fields as in :class:`vision.track.Tracked`, and by how much points
    look otherwise in the median, in levels of a channel."""

    pose: CubePose
    fit: float
    misfit: Floats
    turns: Floats
    explained: Floats
    typical_off: float

    @classmethod
    def nothing(cls, pose: CubePose) -> Laid:
        """Nothing could be compared at this pose."""
        n = pose.size
        turns = np.zeros((3, n), np.float32)
        return cls(pose, 0.0, np.full((6, n, n), np.nan, np.float32), turns, turns, 0.0)


def is_stirred(laid: Laid) -> bool:
    """Whether so much looks different that a layer may be turning: no time to take the cube's look anew. (A
    finger covers fewer stickers than that.)"""
    known = laid.misfit[np.isfinite(laid.misfit)]
    if len(known) and float((known > OTHER_LOOK).mean()) > STIRRED_STICKERS:
        return True
    return bool(((np.abs(laid.turns) > STIRRED_RAD) & (laid.explained > 0.25)).any())
