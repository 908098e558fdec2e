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
SWIFT: Final = 3
"""From this round on the next ones hardly gain more than the last one did and ``SLOW_NATS`` a sticker."""
SLOW_NATS: Final = 0.3
"""Of 879 readings, mostly of hard pictures, 14 gained more; none of them came to ``least`` by it."""


def unbound_evidence(seen: Seen, prepared: Prepared, model: ColourModel, least: float = -np.inf) -> float:
    """Log evidence of the stickers seen, nats, the price of the light in it.

    Where it will not come to ``least``, what is found first is given, which is less.
    """
    faces = len(seen.faces)
    light = posterior(prepared, np.zeros((1, faces, 6, 3, 3)), np.zeros((1, faces, 6, 3)))
    shares = np.broadcast_to(model.glare_share, (1, faces, len(model.glare_share)))
    last = best = -np.inf
    for step in range(ROUNDS):
        scores = seen.scored(model, light, shares)
        joint = scores.loglik - np.log(6.0)
        total = log_sum(joint)
        found = float(total.sum() + light.log_occam[0])
        gained = max(found - last, 0.0)
        last, best = found, max(best, found)
        if step == ROUNDS - 1:
            break
        if step >= SWIFT - 1 and best + gained + SLOW_NATS * len(seen.place) < least:
            break
        labels = np.exp(joint - total[..., None])
        light, shares = seen.relit(prepared, model, labels, scores, light.cell_mean)
    return best
