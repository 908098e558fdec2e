"""Notice that a layer of the tracked cube is being turned, and when it has come to rest.

A turning layer moves a whole slice of stickers away from where they were while the rest of the cube stays.
Small angles are measured from how the colours shift (see :mod:`vision.track`); large ones show as a slice
that no longer looks like itself. A finger covers stickers without regard to slices and does neither.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from vision.passing import STILL_HIDDEN, Glance, Passing, Sight
from vision.pose import FACE_NORMALS, face_points

Floats = NDArray[np.floating]
State = Literal["still", "relit", "turning", "rested"]

# A layer that looks turned: a sticker looks like another one from this misfit on; shares of such stickers
# in the layer at least, elsewhere at most; the layer's mean misfit at least, and how much of it came in
# three frames.
OTHER_LOOK: Final = 0.3
INSIDE: Final = 0.6
OUTSIDE: Final = 0.25
LEAST_CHANGE: Final = 0.35
LEAST_JUMP: Final = 0.15
# A small turn that is measured: its angle, from which one frame is enough, and the share of change it
# explains.
LEAST_ANGLE_RAD: Final = float(np.radians(2.5))
SURE_ANGLE_RAD: Final = float(np.radians(6.0))
LEAST_EXPLAINED: Final = 0.3
# The fit falls by so much from one frame to the next where a small turn goes on fast; by so much, and below
# that, where the track is torn between the layer that turns and the others.
SUDDEN_FALL: Final = 0.15
COLLAPSE: Final = 0.22
TORN_FIT: Final = 0.75
# At rest: frames in a row that look like the one before, by fit (or as much as before the turn, less a
# little), misfit and angles; a turn that does not end is taken for ended.
REST_FRAMES: Final = 2
QUIET_FIT: Final = 0.88
QUIET_LESS: Final = 0.05
QUIET_LOOK: Final = 0.5
QUIET_RAD: Final = float(np.radians(1.5))
QUIET_EXPLAINED: Final = 0.2
LONGEST_TURN_FRAMES: Final = 60
# When it began: frames that are looked back over, and what counts there as more than the usual stir.
HISTORY_FRAMES: Final = 8
STIR_FACTOR: Final = 1.5
STIR_MORE: Final = 0.05
# Something may be passing where the fit is below the usual one by so much and the cube has stood still for so
# many frames; within a sequence what moves is a layer.
FALLEN: Final = 0.06
STOOD_FRAMES: Final = 8


@lru_cache(maxsize=8)
def slices(size: int) -> NDArray[np.intp]:
    """(6, n, n, 3): the layer 0..n-1 along x, y, z that each sticker belongs to."""
    n = size
    steps = (np.arange(n) + 0.5) / n
    rows, cols = np.meshgrid(steps, steps, indexing="ij")
    out = np.empty((6, n, n, 3), dtype=np.intp)
    for face in range(6):
        out[face] = np.clip(np.floor((face_points(face, cols, rows) + 0.5) * n), 0, n - 1)
    out.setflags(write=False)
    return out


@dataclass(frozen=True, slots=True)
class SliceMotion:
    """The slice that most looks turned: axis 0..2, layer 0..n-1, the angle as far as it can be measured
    (radians; nan for large ones), ``strength`` 0..1."""

    axis: int
    layer: int
    angle_rad: float
    strength: float


def turned_slice(misfit: Floats, angles_rad: Floats, explained: Floats) -> SliceMotion | None:
    """The slice that is being turned, if one is.

    ``misfit`` (6, n, n) as in ``Tracked``; ``angles_rad`` and ``explained`` (3, n): each slice's turn about
    its axis against the rest of the cube, and the share of its change that this turn explains.
    """
    n = misfit.shape[1]
    small = (np.abs(angles_rad) > LEAST_ANGLE_RAD) & (explained > LEAST_EXPLAINED)
    if small.any():
        strength = np.where(small, explained, 0.0)
        axis, layer = (int(v) for v in np.unravel_index(int(strength.argmax()), strength.shape))
        return SliceMotion(axis, layer, float(angles_rad[axis, layer]), float(strength[axis, layer]))
    known = np.isfinite(misfit)
    look = np.nan_to_num(misfit)
    other = (look > OTHER_LOOK) & known
    if other.sum() < n:
        return None
    best: SliceMotion | None = None
    for axis in range(3):
        layer_of, beside = slices(n)[..., axis], ~_FACE_ON[axis][:, None, None] & known
        for first, last in _blocks(n):
            inside = (layer_of >= first) & (layer_of <= last)
            # the strip round the slice: a whole face may change its look because the light on it does
            strip, outside = inside & beside, ~inside & known
            if strip.sum() < n or not outside.any():
                continue
            share_in, share_out = float(other[strip].mean()), float(other[outside].mean())
            mean_in, mean_out = float(look[strip].mean()), float(look[outside].mean())
            if share_in < INSIDE or share_out > OUTSIDE or mean_in < LEAST_CHANGE or mean_out > 0.4 * mean_in:
                continue
            if best is None or share_in - share_out > best.strength:
                best = SliceMotion(axis, first if first else last, float("nan"), share_in - share_out)
    return best


#: axis -> the two faces that it pierces
_FACE_ON = np.array([[abs(normal[axis]) > 0.5 for normal in FACE_NORMALS] for axis in range(3)])


@lru_cache(maxsize=8)
def _blocks(n: int) -> tuple[tuple[int, int], ...]:
    """First and last layer of what may turn at once: any one layer, or a few from either end."""
    single = [(k, k) for k in range(n)]
    deep = [(0, k) for k in range(1, n // 2)] + [(n - 1 - k, n - 1) for k in range(1, n // 2)]
    return (*single, *deep)


class TurnWatch:
    """From frame to frame: still, turning, or just come to rest.

    ``frames_back``: by how many frames the turn began before the one in which it was noticed, and by how
    many more (``frames_unsure``) it may have, behind what passed. ``passing``: what passes before the cube.
    """

    def __init__(self, size: int) -> None:
        self.turning = False
        self.frames_back = self.frames_unsure = 0
        self.passing: Passing | None = None
        self._before: SliceMotion | None = None
        self._fit = 0.0
        self._usual_fit = 1.0
        self._usual = np.zeros((3, size))
        self._no_turns = np.zeros((3, size)), np.zeros((3, size))
        self._stir: deque[Floats] = deque(maxlen=HISTORY_FRAMES)
        self._swing: deque[Floats] = deque(maxlen=HISTORY_FRAMES)
        self._quiet = 0
        self._frames = 0
        self._still = 0

    def see(
        self,
        misfit: Floats,
        angles_rad: Floats,
        explained: Floats,
        fit: float,
        stands: Callable[[int, int], bool] = lambda axis, layer: False,
        glance: Callable[[], Glance | None] = lambda: None,
        straight: Callable[[], bool] = lambda: False,
    ) -> State:
        """One tracked frame, fields as in ``Tracked`` (while turning: against the frame before). Returns
        "rested" in the frame in which a turn is taken to be over: nothing has moved for ``REST_FRAMES``;
        "relit" where something has passed after which the cube looks otherwise, unturned.

        ``stands(axis, layer)`` looks closer, where a turn seems to begin: whether that layer's seams are
        still where they were, so that only the light on it has changed. ``glance()`` and
        ``straight()`` are asked what covers the cube, and whether no layer stands off.
        """
        if self.passing is not None:
            return self._while_passing(misfit, fit, stands, glance(), straight)
        if not self.turning:
            off = angles_rad - self._usual
            sharp = np.where(np.abs(off) < np.abs(angles_rad), off, angles_rad)
            motion = turned_slice(misfit, sharp, explained)
            stir = _by_slice(misfit)
            fall, self._fit = self._fit - fit, fit
            motion = self._confirmed(motion, fell=fall > SUDDEN_FALL)
            if motion is not None and np.isnan(motion.angle_rad) and len(self._stir) >= 3:
                # a turn is sudden; the look of a slice that drifts away is the light, or a slipping track
                jump = stir[motion.axis, motion.layer] - self._stir[-3][motion.axis, motion.layer]
                motion = motion if jump > LEAST_JUMP else None
            falls_apart = fall > SUDDEN_FALL and motion is not None and not np.isnan(motion.angle_rad)
            if motion is not None and not falls_apart and stands(motion.axis, motion.layer):
                motion = None
            if motion is None and fall > COLLAPSE and fit < TORN_FIT:
                # a track torn between the layer that turns and the others fits neither
                axis, layer = (int(v) for v in np.unravel_index(int(stir.argmax()), stir.shape))
                motion = SliceMotion(axis, layer, float("nan"), min(fall, 1.0))
            self._still += 1
            unusual = motion is not None or fit < self._usual_fit - FALLEN
            if unusual and self._still > STOOD_FRAMES:
                self.passing = Passing.begun(misfit, glance(), moving=motion is not None)
                if self.passing is not None:
                    return "still"
            # slow drifts are other things than turns: shading, a layer's misturn coming into view
            self._stir.append(stir)
            self._swing.append(np.abs(off))
            self._usual += 0.3 * (np.clip(angles_rad, -0.1, 0.1) - self._usual)
            if motion is None:
                self._usual_fit += 0.2 * (fit - self._usual_fit)
                return "still"
            self.turning, self._quiet, self._frames = True, 0, 0
            self.frames_back, self.frames_unsure = self._began(motion), 0
            return "turning"
        self._frames += 1
        moving = np.abs(angles_rad) * (explained > QUIET_EXPLAINED)
        enough = min(QUIET_FIT, self._usual_fit - QUIET_LESS)
        quiet = fit > enough and float(moving.max()) < QUIET_RAD and _most(misfit) < QUIET_LOOK
        self._quiet = self._quiet + 1 if quiet else 0
        if self._quiet >= REST_FRAMES or self._frames > LONGEST_TURN_FRAMES:
            self.turning = False
            self._still = 0
            self._usual[:] = 0
            self._stir.clear()
            self._swing.clear()
            return "rested"
        return "turning"

    def _while_passing(
        self,
        misfit: Floats,
        fit: float,
        stands: Callable[[int, int], bool],
        glance: Glance | None,
        straight: Callable[[], bool],
    ) -> State:
        assert self.passing is not None and glance is not None
        if glance.again is not None:
            misfit, fit = glance.again.misfit, glance.again.fit
        sight = Sight.of(misfit, glance)
        motion = turned_slice(np.where(sight.free, misfit, np.nan), *self._no_turns)
        # what has passed may have hidden a turn to its end, and then the layer stands
        turns = motion is not None and (sight.hidden < STILL_HIDDEN or not stands(motion.axis, motion.layer))
        verdict = self.passing.see(sight, fit, self._usual_fit, turns, straight)
        if verdict == "covered":
            return "still"
        passing, self.passing = self.passing, None
        self._before, self._fit = None, fit
        self._stir.clear()
        self._swing.clear()
        if verdict != "changed":
            return "relit" if verdict == "relit" else "still"
        self.turning, self._quiet, self._frames = True, 0, 0
        self.frames_back, self.frames_unsure = passing.back, passing.unsure
        return "turning"

    def _confirmed(self, motion: SliceMotion | None, *, fell: bool) -> SliceMotion | None:
        """A small turn counts when the frame before showed one about the same axis as well: layers keep
        turning, while a slip of the track shows now here, now there. It counts as well when the look of the
        cube falls apart in the frame after it: so it goes where most of what is seen turns."""
        before, self._before = self._before, motion
        if fell and before is not None and not np.isnan(before.angle_rad):
            return before
        if motion is None or np.isnan(motion.angle_rad) or abs(motion.angle_rad) > SURE_ANGLE_RAD:
            return motion
        same = before is not None and before.axis == motion.axis
        return motion if same else None

    def _began(self, motion: SliceMotion) -> int:
        """Frames before the last one in which layers along the turn's axis stirred already. (A small turn is
        in part taken for a motion of the cube, so the other layers stir as well.)"""
        course = np.array([stir[motion.axis] for stir in self._stir])  # (frames, n), the last one is now
        if len(course) < 4:
            return 0
        usual = np.median(course[:-3] if len(course) > 5 else course[:-2], axis=0)
        swung = np.array([swing[motion.axis] for swing in self._swing]) > LEAST_ANGLE_RAD
        stirred = (course > STIR_FACTOR * usual + STIR_MORE).any(axis=1) | swung.any(axis=1)
        back = 0
        while back < 2 and stirred[-2 - back]:
            back += 1
        return back

    def go_on(self) -> None:
        """What looked like rest was none: a layer still stands off."""
        self.turning, self._quiet = True, 0


def _by_slice(misfit: Floats) -> Floats:
    """Mean misfit (3, n) of the stickers in view of each layer along x, y, z; 0 where none is."""
    n = misfit.shape[1]
    where = slices(n).reshape(-1, 3)
    known = np.isfinite(misfit).ravel()
    values = np.nan_to_num(misfit).ravel()
    out = np.zeros((3, n))
    for axis in range(3):
        count = np.bincount(where[known, axis], minlength=n)
        out[axis] = np.bincount(where[known, axis], values[known], n) / np.maximum(count, 1)
    return out


def _most(misfit: Floats) -> float:
    known = misfit[np.isfinite(misfit)]
    return float(known.max()) if len(known) else 0.0
