"""Two colours of the sides change places: a way out where soft labels have settled on the wrong one of two.

A reading goes back and forth between labels and light. Where it once took red for orange, the light follows,
and no small step leads back. So the two are tried the other way round.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations
from typing import Final

import numpy as np
from numpy.typing import NDArray

from calibration.classifier import face_variants
from calibration.light import LightFit, Prepared
from calibration.modes import Modes, Seen
from calibration.profile import ColourModel
from models.decode import log_sum

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]

TIMES: Final = 2
"""How often two colours may change places."""
GAIN_NATS: Final = 1.0
"""What that must gain each time."""
NEVER_NATS: Final = -20.0
"""Log prior below which a colour is ruled out; a sticker with one colour left is known."""
STEPS: Final = 2


@dataclass(frozen=True, eq=False)
class Fit:
    """Light of S modes, shares (S, F, G) of the variants on each face, log prior (S, N, 6) of the labels."""

    light: LightFit
    shares: Floats
    prior: Floats

    def chosen(self, keep: Ints) -> Fit:
        """The modes at these places, which may repeat."""
        return Fit(self.light.chosen(keep), self.shares[keep], self.prior[keep])


def step(
    fit: Fit, seen: Seen, prepared: Prepared, model: ColourModel, swap: Ints | None = None
) -> tuple[Fit, Floats]:
    """The fit after one more step, and the log evidence (S,) before it.

    ``swap`` (S, N, 6): which colour's label each colour takes over instead of its own.
    """
    scores = seen.scored(model, fit.light, fit.shares)
    joint = fit.prior + scores.loglik
    total = log_sum(joint)
    labels = np.exp(joint - total[..., None])
    if swap is not None:
        labels = np.take_along_axis(labels, swap, axis=2)
    light = seen.relit(prepared, model, labels, scores, fit.light.cell_mean)
    shares = face_variants(model, seen.face_of, labels, scores.share, len(seen.faces))
    return Fit(light, shares, fit.prior), total.sum(axis=1) + fit.light.log_occam


def exchanged(seen: Seen, prepared: Prepared, model: ColourModel, modes: Modes, fit: Fit) -> Fit:
    """The fit with the best mode's light anew wherever its stickers are likelier with two of the sides'
    colours the other way round."""
    for _ in range(TIMES):
        better = _once(seen, prepared, model, modes, fit)
        if better is None:
            break
        fit = better
    return fit


def _once(seen: Seen, prepared: Prepared, model: ColourModel, modes: Modes, fit: Fit) -> Fit | None:
    evidence = step(fit, seen, prepared, model)[1]
    best = int(evidence.argmax())
    colours, top = modes.colours[best], int(modes.tops[best])
    pairs = list(combinations([int(colours[face]) for face in range(6) if face % 3 != top % 3], 2))
    is_open = (fit.prior[best] > NEVER_NATS).sum(axis=1) > 1
    swap = np.broadcast_to(np.arange(6), (len(pairs), len(seen.place), 6)).copy()
    for k, (a, b) in enumerate(pairs):
        swap[k, is_open, a], swap[k, is_open, b] = b, a
    tried, _ = step(fit.chosen(np.full(len(pairs), best)), seen, prepared, model, swap)
    for _ in range(STEPS):
        tried, _ = step(tried, seen, prepared, model)
    found = step(tried, seen, prepared, model)[1]
    winner = int(found.argmax())
    if found[winner] < evidence[best] + GAIN_NATS:
        return None
    take = np.arange(len(evidence))
    take[best] = len(evidence) + winner
    light = fit.light.beside(tried.light).chosen(take)
    return Fit(light, np.concatenate([fit.shares, tried.shares])[take], fit.prior)
