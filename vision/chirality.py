"""Whether a source shows mirror images: what its frames say, added up over all states of the cube.

A cube's colours go round a corner one way; in a mirror image they go round the other way. One frame under a
warm lamp can be read either way, by taking red for orange and orange for red, but not frame after frame.
Frames that show one side alone say nothing; those that speak share their light, so they count together for
at most ``MOST_WITNESSES``.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from models.decode import MIRROR_PRIOR

MOST_WITNESSES: Final = 3.0
HALF_LIFE_FRAMES: Final = 12.0
LEAST_NATS: Final = 0.5
"""A frame that says less than this is left out: it shows too little."""
MOST_NATS: Final = 8.0
OPPOSED_SHARE: Final = 0.2
"""Where more of the frames that speak say otherwise, nothing is taken for settled."""
_PRIOR = float(np.log(MIRROR_PRIOR / (1 - MIRROR_PRIOR)))


class Chirality:
    """The tally of one source."""

    def __init__(self) -> None:
        self._sum = self._weight = self._weight_for = 0.0

    def add(self, mirrored_probability: float) -> None:
        """One frame by itself: the posterior probability, 0..1, that it is a mirror image."""
        p = float(np.clip(mirrored_probability, 1e-9, 1 - 1e-9))
        nats = float(np.log(p / (1 - p))) - _PRIOR
        if abs(nats) < LEAST_NATS:
            return
        keep = 0.5 ** (1.0 / HALF_LIFE_FRAMES)
        self._sum = self._sum * keep + float(np.clip(nats, -MOST_NATS, MOST_NATS))
        self._weight = self._weight * keep + 1.0
        self._weight_for = self._weight_for * keep + float(nats > 0)

    @property
    def nats(self) -> float:
        """What a frame that speaks says on average for a mirror image (against one: below 0)."""
        return self._sum / self._weight if self._weight else 0.0

    @property
    def probability(self) -> float:
        """That the source shows mirror images, 0..1."""
        return float(1.0 / (1.0 + np.exp(-_PRIOR - min(self._weight, MOST_WITNESSES) * self.nats)))

    def opposes(self, mirrored: bool) -> bool:
        """Whether frames speak against a state that was read from a mirror image, or from none."""
        against = self._weight - self._weight_for if mirrored else self._weight_for
        return against > OPPOSED_SHARE * self._weight
