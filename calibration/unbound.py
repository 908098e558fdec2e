"""The evidence that stickers are of any colours each, with the light that suits this best.

A reading fits the light to cubes with only their last layer left. Of a scrambled cube such a light tells
little: all explanations look about as poor. Here the light is fitted once more, to six colours in no order.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from calibration.light import Prepared, posterior
from calibration.modes import Seen
from calibration.profile import ColourModel
from models.decode_scores import log_sum

ROUNDS: Final = 6


def unbound_evidence(seen: Seen, prepared: Prepared, model: ColourModel) -> float:
    """Log evidence of the stickers seen, nats, the price of the light in it."""
    faces = len(seen.faces)
    light = posterior(prepared, np.zeros((1, faces, 6, 3, 3)), np.zeros((1, faces, 6, 3)))
    shares = np.broadcast_to(model.glare_share, (1, faces, len(model.glare_share)))
    best = -np.inf
    for step in range(ROUNDS):
        scores = seen.scored(model, light, shares)
        joint = scores.loglik - np.log(6.0)
        total = log_sum(joint)
        best = max(best, float(total.sum() + light.log_occam[0]))
        if step < ROUNDS - 1:
            labels = np.exp(joint - total[..., None])
            light, shares = seen.relit(prepared, model, labels, scores, light.cell_mean)
    return best
