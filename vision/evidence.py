"""Add up what the frames of a live picture say about one cube, and say when its case is settled.

Log-likelihoods are kept a sticker, in the labelling of the track, so a side that was seen earlier still
counts when it has turned away. Frames of one view share their glare and their light, so they are no
independent witnesses: a sticker's frames are averaged and count together for at most ``MOST_WITNESSES``.
Newer frames push older ones out. When a layer turns, or when many stickers at once say otherwise than they
did, everything is dropped.

A sticker without a pixel of its own may still be told of, by the rim it shows (``vision/rim.py``): it counts
for little a frame, and never makes its side one that was seen.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from calibration.samples import LEAST_COVERAGE
from models.decode import decode
from models.decode_doubt import is_doubted
from models.posterior import Posterior
from vision.verdict import LEAST_TOP_DOUBTED, LEAST_TOP_SEEN

Floats = NDArray[np.float64]

MOST_WITNESSES: Final = 2.0
RIM_WEIGHT: Final = 0.1
"""What a frame's word on a sticker without a pixel of its own counts: a dozen frames count as one look."""
HALF_LIFE_FRAMES: Final = 12.0
"""A sticker in view forgets half of what it said in so many of its frames; out of view it forgets nothing."""
SOLVED: Final = "e0-solved"
SETTLE_FROM: Final = 0.985
UNSETTLE_BELOW: Final = 0.90
SETTLE_FRAMES: Final = 3
DOUBTS: Final = 3
"""A settled case stands until so many verdicts in a row say otherwise: a hand passing by is no reason."""
CONFLICT_FRAMES: Final = 3
CONFLICT_STICKERS: Final = 3
TOP_SURE: Final = 0.9999
TOP_VERDICTS: Final = 3
_SURE: Final = 3.0
"""Nats by which a sticker's best colour must lead to count in a conflict."""


@dataclass(frozen=True, slots=True)
class Verdict:
    """What all frames so far say.

    ``posterior`` over the last-layer states in the track's labelling; ``reason`` None, "not-last-layer",
    "top-hidden" or "ambiguous"; ``settled``; ``case`` the best code unless refused; ``probability`` of it.
    """

    posterior: Posterior
    reason: str | None
    settled: bool
    case: str | None
    probability: float


class Evidence:
    """Evidence about one cube of ``size`` under a colour ``scheme`` (colour index of URFDLB)."""

    def __init__(self, size: int, scheme: tuple[int, ...], *, temperature: float = 1.0) -> None:
        self.size = size
        self._scheme = scheme
        self._temperature = temperature
        self._sum = np.zeros((6, size, size, 6))
        self._weight = np.zeros((6, size, size))
        self._coverage = np.zeros((6, size, size))
        self._conflicts = 0
        self._streak = 0
        self._last: tuple[str, int] | None = None
        self._settled = False
        self._stood: Verdict | None = None
        self._doubts = 0
        self._top_votes: tuple[int, int] | None = None
        self.frames = 0

    @property
    def sure_top(self) -> int | None:
        """The face that is the last layer's, once several verdicts in a row were certain of it."""
        votes = self._top_votes
        return votes[0] if votes is not None and votes[1] >= TOP_VERDICTS else None

    @property
    def seen(self) -> NDArray[np.bool_]:
        """Stickers (6, n, n) of which pixels were seen."""
        return np.asarray(self._coverage > LEAST_COVERAGE)

    @property
    def loglik(self) -> Floats:
        """(6, n, n, 6) nats, 0 where nothing is known."""
        return self._told(MOST_WITNESSES)

    def _told(self, witnesses: float) -> Floats:
        """The same where a sticker's frames count for as many looks at most."""
        share = np.minimum(self._weight, witnesses) / np.maximum(self._weight, 1e-9)
        return np.asarray(self._sum * share[..., None])

    def add(self, loglik: Floats, coverage: NDArray[np.floating]) -> bool:
        """One frame: ``loglik`` (6, n, n, 6) in nats and how much of each sticker was seen (6, n, n), 0..1,
        less where it was seen at a slant; one that was not seen may be told of all the same.

        Returns False, and takes nothing in, when the frame contradicts what was known; after a few such
        frames in a row everything is dropped."""
        centred = loglik - loglik.mean(axis=3, keepdims=True)
        if self._contradicts(centred, coverage):
            self._conflicts += 1
            self._streak = 0
            if self._conflicts >= CONFLICT_FRAMES:
                self.drop()
            return False
        self._conflicts = 0
        seen = np.clip(coverage, 0.0, 1.0)
        is_told = (seen <= LEAST_COVERAGE) & (np.ptp(loglik, axis=3) > 0.0)
        weight = np.where(is_told, np.maximum(seen, RIM_WEIGHT), seen)
        keep = 1.0 - (1.0 - 0.5 ** (1.0 / HALF_LIFE_FRAMES)) * (weight > LEAST_COVERAGE)
        self._sum = self._sum * keep[..., None] + centred * weight[..., None]
        self._weight = self._weight * keep + weight
        self._coverage = np.maximum(self._coverage, seen)
        self.frames += 1
        return True

    def _contradicts(self, centred: Floats, coverage: NDArray[np.floating]) -> bool:
        known = (self._weight > 0.5) & (coverage > 0.4)
        if not known.any():
            return False
        old = self._sum[known] / self._weight[known][:, None]
        new = centred[known]
        rows = np.arange(len(new))
        was, now = old.argmax(1), new.argmax(1)
        sure = (old[rows, was] - old[rows, now] > _SURE) & (new[rows, now] - new[rows, was] > _SURE)
        return int(sure.sum()) >= max(CONFLICT_STICKERS, round(0.12 * len(new)))

    def drop(self) -> None:
        """The cube has changed: forget everything."""
        self._sum[:] = 0
        self._weight[:] = 0
        self._coverage[:] = 0
        self._conflicts = self._streak = self.frames = 0
        self._last, self._settled, self._top_votes = None, False, None
        self._stood, self._doubts = None, 0

    def verdict(
        self, tops: tuple[int, ...], front: int, opposed: Callable[[bool], bool] = lambda mirrored: False
    ) -> Verdict | None:
        """Decode everything known; ``tops`` are faces that may be the last layer's. None before any frame.

        ``opposed`` says whether something else speaks against a mirror image (asked with True), or against
        there being none: nothing settles against it.
        """
        if self.frames == 0 or not tops:
            return None
        posterior = self._decoded(MOST_WITNESSES, tops, front)
        code, p = posterior.candidates[0]
        top_seen = float(self._coverage[posterior.top].mean())
        # stricter than with a single photo: a live view can wait for a look that speaks clearly
        doubted = top_seen >= LEAST_TOP_DOUBTED and is_doubted(posterior, strict=True)
        reason = None
        # but not told to be none for what one look leaves open: glare that stays on a sticker is seen once
        if doubted and is_doubted(self._decoded(1.0, tops, front)):
            reason = "not-last-layer"
        elif top_seen < LEAST_TOP_SEEN:
            reason = "top-hidden"
        elif doubted or p < UNSETTLE_BELOW:
            reason = "ambiguous"
        self._vote(posterior, doubted or reason == "top-hidden")
        now = (code, -1 if code == SOLVED else posterior.top)  # a solved cube has no top of its own
        good = reason is None and p >= SETTLE_FROM and not opposed(posterior.mirrored)
        self._streak = self._streak + 1 if good and now == self._last else int(good)
        self._last = now
        self._doubts = 0 if good and (self._stood is None or code == self._stood.case) else self._doubts + 1
        if self._settled and self._doubts >= DOUBTS:
            self._settled, self._stood = False, None
        if not self._settled and self._streak >= SETTLE_FRAMES:
            self._settled, self._doubts = True, 0
        if self._settled and self._doubts and self._stood is not None:
            return self._stood
        named = reason in (None, "ambiguous")
        verdict = Verdict(posterior, reason, self._settled, code if named else None, p if named else 0.0)
        self._stood = verdict if self._settled else None
        return verdict

    def _decoded(self, witnesses: float, tops: tuple[int, ...], front: int) -> Posterior:
        told = self._told(witnesses) / self._temperature
        return decode(told, scheme=self._scheme, tops=tops, front=front, mirror=True)

    def _vote(self, posterior: Posterior, doubted: bool) -> None:
        top = posterior.top
        if doubted or posterior.top_probabilities[top] < TOP_SURE:
            self._top_votes = None
        elif self._top_votes is not None and self._top_votes[0] == top:
            self._top_votes = (top, self._top_votes[1] + 1)
        else:
            self._top_votes = (top, 1)
