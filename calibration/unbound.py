"""The evidence that stickers are of any colours each, with the light that suits this best.

A reading fits the light to cubes with only their last layer left. Of a scrambled cube such a light tells
little: all explanations look about as poor. Here the light is fitted once more, to six colours in no order.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from calibration.classifier import face_variants, sticker_loglik
from calibration.light import Prepared, information, posterior
from calibration.profile import ColourModel
from models.decode import log_sum

Floats = NDArray[np.float64]

ROUNDS: Final = 6


def unbound_evidence(
    prepared: Prepared,
    model: ColourModel,
    features: Floats,
    face_of: NDArray[np.intp],
    measure_var: Floats,
    outlier_share: Floats,
) -> float:
    """Log evidence in nats, the price of the light in it.

    features (N, 3) log light, face_of (N,) index of each sticker's face among those seen, measure_var (N, 3)
    and outlier_share (N,) as for :func:`calibration.classifier.sticker_loglik`.
    """
    faces = int(face_of.max()) + 1
    light = posterior(prepared, np.zeros((1, faces, 6, 3, 3)), np.zeros((1, faces, 6, 3)))
    shares = np.broadcast_to(model.glare_share, (1, faces, len(model.glare_share)))
    best = -np.inf
    for _ in range(ROUNDS):
        scores = sticker_loglik(
            model, features, face_of, light.cell_mean, light.cell_cov, measure_var, outlier_share, shares
        )
        joint = scores.loglik - np.log(6.0)
        total = log_sum(joint)
        best = max(best, float(total.sum() + light.log_occam[0]))
        labels = np.exp(joint - total[..., None])
        told, pull = information(model, features, face_of, measure_var, labels, scores, light.cell_mean)
        light = posterior(prepared, told, pull)
        shares = face_variants(model, face_of, labels, scores.share, faces)
    return best
