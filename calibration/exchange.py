"""Two colours of the sides change places: a way out where soft labels have settled on the wrong one of two.

A reading goes back and forth between labels and light. Where it once took red for orange, the light follows,
and no small step leads back. So the two are tried the other way round.
"""

from __future__ import annotations

from itertools import combinations
from typing import Final

import numpy as np

from calibration.light import Prepared
from calibration.modes import Modes, Seen
from calibration.profile import ColourModel
from calibration.steps import Fit, refitted, told_by

TIMES: Final = 2
"""How often two colours may change places."""
GAIN_NATS: Final = 1.0
"""What that must gain each time."""
NEVER_NATS: Final = -20.0
"""Log prior below which a colour is ruled out; a sticker with one colour left is known."""
STEPS: Final = 3
"""Steps from the exchanged labels on."""


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
    evidence = told_by(seen, model, fit).evidence
    best = int(evidence.argmax())
    colours, top = modes.colours[best], int(modes.tops[best])
    pairs = list(combinations([int(colours[face]) for face in range(6) if face % 3 != top % 3], 2))
    is_open = (fit.prior[best] > NEVER_NATS).sum(axis=1) > 1
    swap = np.broadcast_to(np.arange(6), (len(pairs), len(seen.place), 6)).copy()
    for k, (a, b) in enumerate(pairs):
        swap[k, is_open, a], swap[k, is_open, b] = b, a
    tried = fit.chosen(np.full(len(pairs), best))
    told = told_by(seen, model, tried)
    labels = np.take_along_axis(told.labels, swap, axis=2)
    for _ in range(STEPS):
        tried = refitted(seen, prepared, model, tried, told, labels)
        told = told_by(seen, model, tried)
        labels = told.labels
    found = told.evidence
    winner = int(found.argmax())
    if found[winner] < evidence[best] + GAIN_NATS:
        return None
    take = np.arange(len(evidence))
    take[best] = len(evidence) + winner
    light = fit.light.beside(tried.light).chosen(take)
    return Fit(light, np.concatenate([fit.shares, tried.shares])[take], fit.prior)
