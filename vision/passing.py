"""Tell a layer that turns from what passes before the cube: a hand, a sleeve, a cup.

Both make stickers look otherwise than they did. Where a layer turns, what is seen there is still the cube's
own surface; where something passes it is not, and what is left in view looks as before. The finder's second
network draws where that surface is seen. What passes is waited for: the kept looks of the cube stay, the
track goes by what is free, and nothing is read.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from vision.track import Tracked

Floats = NDArray[np.floating]
Bools = NDArray[np.bool_]
Verdict = Literal["covered", "open", "relit", "changed"]

ASTRAY_CELLS: Final = 0.5
"""A track farther off the finder's pose than that may have gone with a layer and seem covered for it."""
ASTRAY_FIT: Final = 0.7
"""Nor does it fit what is free of the cube as well as that."""
OTHER_LOOK: Final = 0.45
"""A sticker looks different from this misfit on (0 as it was, about 1 another one)."""
LEAST_OWN: Final = 0.65
"""Where less of what looks different is the cube's own surface, something covers it."""
HIDDEN: Final = 0.5
"""A sticker is hidden that is free by less than this share."""
FREE: Final = 0.75
"""A sticker has its say in the track from this share on."""
STILL_HIDDEN: Final = 0.06
"""What passes is gone when less than this share of the stickers is hidden."""
CHANGED: Final = 0.15
UNCHANGED: Final = 0.08
LEAST_IN_VIEW: Final = 0.4
"""None has turned where hardly anything is hidden, less of the free stickers looks different, and so many of
those in view are free."""
CHANGED_FRAMES: Final = 3
"""A layer turns when this share of the free stickers looks different in so many frames."""
GONE_FRAMES: Final = 2
LOOKS_AS_BEFORE: Final = 0.06
"""It looks as before in so many frames with a fit that is worse by this at most."""
LONGEST_FRAMES: Final = 150
"""For so long is waited."""


@dataclass(frozen=True, eq=False)
class Glance:
    """The finder's view of a tracked cube: which share 0..1 of each sticker (6, n, n) nothing covers, nan for
    those out of view; by how many stickers its pose is off the track's at most; the track ``again`` where it
    was put right."""

    free_share: Floats
    off_cells: float
    again: Tracked | None = None


@dataclass(frozen=True, eq=False)
class Sight:
    """What is seen of a cube: ``own`` the free share of the stickers that look different (1 where none does);
    ``different`` the share of the free ones that do, ``hidden`` that of all that do and are hidden,
    ``in_view`` that of all that are free, 0..1; ``off_cells`` as in the glance; ``free`` (6, n, n) the
    stickers that nothing covers."""

    own: float
    different: float
    hidden: float
    in_view: float
    off_cells: float
    free: Bools

    @classmethod
    def of(cls, misfit: Floats, glance: Glance) -> Sight:
        """From how each sticker looks, (6, n, n), nan where that is not known."""
        seen = np.isfinite(glance.free_share)
        known = seen & np.isfinite(misfit)
        other = known & (np.nan_to_num(misfit) > OTHER_LOOK)
        share = np.nan_to_num(glance.free_share)
        free = known & (share > FREE)
        return cls(
            float(share[other].mean()) if other.any() else 1.0,
            float((other & free).sum() / max(free.sum(), 1)),
            float((other & (share < HIDDEN)).sum() / max(known.sum(), 1)),
            float((seen & (share > FREE)).sum() / max(seen.sum(), 1)),
            glance.off_cells,
            seen & (share > FREE),
        )


class Passing:
    """From frame to frame, while something seems to pass before a cube; made when that is noticed.

    ``sight`` is the last one.
    """

    def __init__(self, sight: Sight) -> None:
        self.sight = sight
        self._frames = 0
        self._changed = 0
        self._first = 0
        self._clean = 0
        self._gone = 0

    @classmethod
    def begun(cls, misfit: Floats, glance: Glance | None, *, moving: bool) -> Passing | None:
        """Whether something begins to pass. ``moving``: what is seen would pass for a motion of a layer."""
        if glance is None or glance.off_cells > ASTRAY_CELLS:
            return None
        sight = Sight.of(misfit, glance)
        is_covered = sight.own < LEAST_OWN or (not moving and sight.hidden >= STILL_HIDDEN)
        return cls(sight) if is_covered else None

    @property
    def back(self) -> int:
        """How many frames ago a layer first seemed to turn."""
        return self._frames - self._first if self._changed else 0

    @property
    def unsure(self) -> int:
        """For how many frames before that too little was seen to say that none did."""
        return self._frames - self.back - self._clean - 1

    def see(
        self, sight: Sight, fit: float, usual_fit: float, turns: bool, straight: Callable[[], bool]
    ) -> Verdict:
        """One frame later. "open": it has passed and the cube looks as it did; "relit": it looks otherwise,
        with all its layers straight, as ``straight()`` says: it is to be looked at anew; "changed": a layer
        turns, or this has gone on for too long. ``turns``: a layer that is free in part looks turned.
        """
        self.sight = sight
        self._frames += 1
        gone = sight.hidden < STILL_HIDDEN
        otherwise = sight.own >= LEAST_OWN and sight.different > CHANGED
        astray = sight.off_cells > ASTRAY_CELLS and fit < ASTRAY_FIT and sight.in_view > LEAST_IN_VIEW
        if turns or ((otherwise or astray) and not straight()):
            self._first = self._first if self._changed else self._frames
            self._changed += 1
        elif otherwise and gone:
            return "relit"
        elif gone and sight.different < UNCHANGED and sight.in_view > LEAST_IN_VIEW:
            self._changed, self._clean = 0, self._frames
        as_before = gone and fit > usual_fit - LOOKS_AS_BEFORE
        self._gone = self._gone + 1 if as_before else 0
        if self._changed >= CHANGED_FRAMES or self._frames >= LONGEST_FRAMES:
            return "changed"
        return "open" if self._gone >= GONE_FRAMES else "covered"
