"""Two colours that were taken for each other are told apart again, and nothing gets less likely by it."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest
from sticker_maker import LIGHTS, albedo, make_samples, random_layer

from calibration.exchange import exchanged
from calibration.light import posterior, prepare
from calibration.modes import gather, label_prior, start
from calibration.profile import default_profile
from calibration.steps import Fit, refitted, told_by


@pytest.mark.parametrize("light", sorted(LIGHTS))
def test_colours_that_changed_places_change_back(light: str) -> None:
    profile, rng = default_profile(), np.random.default_rng(sorted(LIGHTS).index(light))
    model, prepared = profile.model, prepare(profile)
    samples, labels = make_samples(albedo("usual"), light, rng, layer=random_layer(rng, 4), glare=0.0)
    seen = gather(samples, profile, None)
    modes = start(seen, prepared, profile, 4, (0,), False)
    truth = labels.reshape(-1)[seen.place]
    below = {face: labels[face, 1, 0] for face in seen.faces if face}  # the true colour of each side in view
    is_true = [all(colours[face] == k for face, k in below.items()) for colours in modes.colours]
    mode = modes.chosen(np.arange(len(is_true)) == int(np.argmax(is_true)))
    assert any(is_true)
    prior = label_prior(seen, mode, profile, 4, False)
    faces = len(seen.faces)

    def fitted(told: np.ndarray) -> Fit:
        fit = Fit(
            posterior(prepared, np.zeros((1, faces, 6, 3, 3)), np.zeros((1, faces, 6, 3))),
            np.broadcast_to(model.glare_share, (1, faces, len(model.glare_share))),
            prior,
        )
        onehot = np.eye(6)[told][None]
        for _ in range(3):
            fit = refitted(seen, prepared, model, fit, told_by(seen, model, fit), onehot)
        return fit

    def evidence(fit: Fit) -> float:
        return float(told_by(seen, model, fit).evidence[0])

    best = evidence(exchanged(seen, prepared, model, mode, fitted(truth)))
    assert best >= evidence(fitted(truth))
    is_open = (prior[0] > -20).sum(axis=1) > 1
    sides = [int(mode.colours[0, face]) for face in (1, 2, 4, 5)]
    for a, b in combinations(sides, 2):
        wrong = np.where(is_open & (truth == a), b, np.where(is_open & (truth == b), a, truth))
        began = fitted(wrong)
        ended = exchanged(seen, prepared, model, mode, began)
        assert evidence(ended) >= evidence(began)
        assert evidence(ended) > best - 3.0
