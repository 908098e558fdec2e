"""One step of a reading: from the light to what the stickers say, and from their labels to the light anew.

Readings, exchanges of two colours and the decoder's last word all go this way; only the labels differ.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from calibration.classifier import StickerScores
from calibration.light import LightFit, Prepared, Selection
from calibration.modes import Seen
from calibration.profile import ColourModel
from models.decode_scores import log_sum

Floats = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Fit:
    """Light of S modes, shares (S, F, G) of the variants on each face, log prior (S, N, 6) of the labels."""

    light: LightFit
    shares: Floats
    prior: Floats

    def chosen(self, keep: Selection) -> Fit:
        """The modes that ``keep`` (mask or indices, which may repeat) selects."""
        return Fit(self.light.chosen(keep), self.shares[keep], self.prior[keep])


@dataclass(frozen=True, eq=False)
class Told:
    """What the stickers say under a fit.

    ``joint`` (S, N, 6): log prior and log-likelihood of each label; ``log_occam`` (S,): what the light costs.
    """

    scores: StickerScores
    joint: Floats
    log_occam: Floats

    @cached_property
    def total(self) -> Floats:
        """(S, N) log evidence of each sticker."""
        return log_sum(self.joint)

    @property
    def evidence(self) -> Floats:
        """(S,) log evidence of all of them, the price of the light in it, before the decoder has spoken."""
        return np.asarray(self.total.sum(axis=1) + self.log_occam)

    @property
    def labels(self) -> Floats:
        """(S, N, 6) probability of each label, each sticker by itself."""
        return np.asarray(np.exp(self.joint - self.total[..., None]))

    def chosen(self, keep: Selection) -> Told:
        """The modes that ``keep`` selects."""
        return Told(self.scores.chosen(keep), self.joint[keep], self.log_occam[keep])


def told_by(seen: Seen, model: ColourModel, fit: Fit) -> Told:
    """What the stickers say under ``fit``."""
    scores = seen.scored(model, fit.light, fit.shares)
    return Told(scores, fit.prior + scores.loglik, fit.light.log_occam)


def refitted(seen: Seen, prepared: Prepared, model: ColourModel, fit: Fit, told: Told, labels: Floats) -> Fit:
    """The fit with its light anew from ``labels`` (S, N, 6), about what was told under it."""
    light, shares = seen.relit(prepared, model, labels, told.scores, fit.light.cell_mean)
    return Fit(light, shares, fit.prior)
