"""Which looks at a cube are taken for its profile: steady ones that show something new."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from calibration.collect import Collected, collect
from calibration.colour import log_light
from calibration.labelling import (
    LabelledShot,
    Shot,
    label_shot,
    light_of,
    problem_of,
    teaching,
    untaught_colours,
)
from calibration.profile import Profile
from models.errors import LastlookError
from vision.wording import counted

if TYPE_CHECKING:
    from vision.one_cube import Read

STEADY: Final = 0.048
"""Largest move of the top face's corners between two looks that counts as steady, in extents of that face."""
SAME_LIGHT: Final = 0.1
"""Lights whose colours differ by less than this (log units, brightness aside) count as one."""
TELLING: Final = 0.08
"""Linear light under which a channel says little of the light's colour."""
WANTED: Final = 2
"""Pictures in which each colour should be seen."""
MOST_TAKEN: Final = 24


@dataclass(eq=False)
class Sitting:
    """What was taken so far, and what is still missing. :meth:`offer` takes one look at a time.

    ``last_quad`` is the top face in the look before, its corners (4, 2) in pixels, ``undone_quad`` that of a
    picture that was taken back.
    """

    base: Profile
    taken: list[LabelledShot] = field(default_factory=list)
    last_quad: NDArray[np.float64] | None = None
    undone_quad: NDArray[np.float64] | None = None
    looks: int = 0

    def offer(self, read: Read) -> str:
        """One look; takes a sample when it should. Returns what to tell."""
        self.looks += 1
        top = read.answer.top
        if read.samples is None or top is None:
            self.last_quad = None
            return "no cube in view"
        quad = np.array(top.quad_xy)
        if self.undone_quad is not None:
            if not self._moved(self.undone_quad, quad):
                return self._taken_back()
            self.undone_quad = None
        before, self.last_quad = self.last_quad, quad
        if before is None or self._moved(before, quad):
            return "hold it still"
        return self._take(Shot(f"look {self.looks}", read.samples))

    def _moved(self, before: NDArray[np.float64], quad: NDArray[np.float64]) -> bool:
        """Whether the top face is elsewhere; both are its corners (4, 2) in pixels.

        They may come in another order when another side is taken for the front.
        """
        extent_px = float(np.ptp(quad, axis=0).max())
        moves = [np.abs(np.roll(before, k, axis=0) - quad).max() for k in range(4)]
        return bool(min(moves) > STEADY * max(extent_px, 1.0))

    def _take(self, shot: Shot) -> str:
        if len(self.taken) >= MOST_TAKEN:
            return "enough pictures; press f to finish"
        labelled = label_shot(shot, self.base)
        problem = problem_of(labelled)
        if problem is not None:
            return problem
        if any(self._alike(labelled, one) for one in self.taken):
            return "seen; turn the cube, or change the light"
        self.taken.append(labelled)
        return f"taken: picture {len(self.taken)}"

    def _alike(self, a: LabelledShot, b: LabelledShot) -> bool:
        """The same colours on view under the same light tell nothing new."""
        same = set(np.unique(a.labels)) == set(np.unique(b.labels))
        return same and self._light_apart(a, b) < SAME_LIGHT

    def _light_apart(self, a: LabelledShot, b: LabelledShot) -> float:
        """Difference of the lights' colours, log units, brightness taken out.

        From the colours that both show; where they share none, from the lights as fitted.
        """
        floor = self.base.model.floor
        means = [_colour_means(one, floor) for one in (a, b)]
        apart = means[0] - means[1]
        told = np.isfinite(apart).any(axis=0).all()
        off = np.nanmean(apart, axis=0) if told else np.full(3, np.nan)
        if not np.isfinite(off).all():
            lights = [np.array(light_of(one, self.base.model)) for one in (a, b)]
            off = np.subtract(*(np.log(np.maximum(light, 1e-4)) for light in lights))
        return float(np.abs(off - off.mean()).max())

    def undo(self) -> str:
        """Drop the picture taken last; the next one is taken after a move, or it would be the same again."""
        if not self.taken:
            return "nothing to take back"
        self.taken.pop()
        if self.last_quad is not None:
            self.undone_quad, self.last_quad = self.last_quad, None
        return self._taken_back()

    def _taken_back(self) -> str:
        return f"taken back; {counted(len(self.taken), 'picture')} left; move the cube to go on"

    def seen_in(self) -> list[int]:
        """In how many pictures each of the six colours was seen, and not burnt out."""
        seen = [one.labels[teaching(one.shot.samples, one.labels)] for one in self.taken]
        return [sum(bool((labels == k).any()) for labels in seen) for k in range(6)]

    def lights(self) -> int:
        """How many different lights the pictures were taken under."""
        found: list[LabelledShot] = []
        for one in self.taken:
            if all(self._light_apart(one, other) >= SAME_LIGHT for other in found):
                found.append(one)
        return len(found)

    @property
    def complete(self) -> bool:
        """Every colour was seen often enough."""
        return min(self.seen_in()) >= WANTED

    def missing(self, colours: Sequence[str]) -> str:
        """What to show next, in words."""
        _, burnt = untaught_colours(self.taken)
        absent = [
            f"{colours[k]} (too bright so far)" if k in burnt else colours[k]
            for k, count in enumerate(self.seen_in())
            if count < WANTED
        ]
        if absent:
            return "still to show: " + ", ".join(absent)
        if self.lights() < 2:
            return "all colours seen; another lamp or the window would make it surer"
        return "all there; press f to finish"

    def finish(self, name: str, colours: Sequence[str] | None, scheme: Sequence[int] | None) -> Collected:
        """Make the profile. Raises CollectError when the pictures do not bear one out."""
        from vision.calibrate import with_held_out

        if not self.taken:
            raise LastlookError("no picture was taken; hold the solved cube still before the camera")
        shots = [one.shot for one in self.taken]
        return with_held_out(collect(shots, name, base=self.base, colours=colours, scheme=scheme))


def _colour_means(labelled: LabelledShot, floor: float) -> NDArray[np.float64]:
    """Median log light of each colour's stickers, (6, 3); NaN where none was seen or too dark to tell."""
    out = np.full((6, 3), np.nan)
    for k in range(6):
        rows = labelled.labels == k
        if rows.any():
            out[k] = np.median(log_light(labelled.shot.samples.linear_rgb[rows], floor), axis=0)
    return np.where(out > np.log(TELLING), out, np.nan)
