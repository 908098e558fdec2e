"""What a second opinion is worth beside the colours' own vote, and alone."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from sticker_maker import albedo, make_samples, random_layer

from calibration.reading import read_stickers
from calibration.second_opinion import (
    BOTTOM,
    OF_2,
    ON_SIDES,
    ON_TOP,
    SIDES,
    TOP,
    TOP_SHARE,
    Weights,
    in_full,
    joined,
    parted,
    shifted,
)

#: of the colour of each pose face, before anything is known: the prior of the network's training
PRIOR = np.full(6, (1 - TOP_SHARE) / 4)
PRIOR[TOP], PRIOR[BOTTOM] = TOP_SHARE, 1e-13
COLOURS = np.array([0, 2, 5, 1, 3, 4])
all_weights = st.sampled_from([ON_TOP, ON_SIDES, OF_2])


def opinions(seed: int, count: int) -> np.ndarray:
    shares = np.random.default_rng(seed).dirichlet(np.full(5, 0.7), count) * (1 - 1e-9) + 2e-10
    told = np.full((count, 6), np.log(1e-13))
    told[:, [TOP, *SIDES]] = np.log(shares)
    return told


@given(st.integers(0, 10**6), all_weights)
def test_alone_it_counts_as_the_rule_of_bayes_has_it(seed: int, weights: Weights) -> None:
    """Posterior over prior is the likelihood, up to a factor (T. Bayes 1763): nothing else was read."""
    told = opinions(seed, 5)
    likelihood = told - np.log(PRIOR)
    out = joined(np.full((5, 6), -2.0), in_full(told, weights), COLOURS, weights)[:, COLOURS]
    for face in SIDES:
        assert out[:, TOP] - out[:, face] == pytest.approx(likelihood[:, TOP] - likelihood[:, face], abs=1e-6)


@given(st.integers(0, 10**6), st.floats(0.5, 5.0), all_weights)
def test_beside_each_other_neither_counts_in_full(seed: int, nats: float, weights: Weights) -> None:
    """Both look at the same pixels: what either says more for the top is believed in part."""
    own = np.random.default_rng(seed).normal(scale=3.0, size=(5, 6))
    told = opinions(seed, 5)
    own_more, told_more = own.copy(), told.copy()
    own_more[:, COLOURS[TOP]] += nats
    told_more[:, TOP] += nats
    before = parted(joined(own, told, COLOURS, weights)[:, COLOURS])[0]
    for more in (joined(own_more, told, COLOURS, weights), joined(own, told_more, COLOURS, weights)):
        gain = parted(more[:, COLOURS])[0] - before
        assert ((0.1 * nats < gain) & (gain < 0.9 * nats)).all()


@given(st.integers(0, 10**6), all_weights)
def test_a_silent_opinion_changes_no_prior(seed: int, weights: Weights) -> None:
    prior = np.log(np.random.default_rng(seed).dirichlet(np.ones(6), (2, 3)))
    silent = in_full(np.log(np.tile(PRIOR, (3, 1))), weights)
    out = shifted(prior, silent, np.array([COLOURS, COLOURS[::-1]]), weights)
    assert out == pytest.approx(prior, abs=1e-9)


@pytest.mark.parametrize("seed", range(4))
def test_a_side_out_of_view_of_which_nothing_is_told_changes_no_reading(seed: int) -> None:
    rng = np.random.default_rng(seed)
    samples, _ = make_samples(albedo("usual"), "noon", rng, layer=random_layer(rng, 4))
    hidden = samples.coverage.copy()
    hidden[1] = 0
    samples = replace(samples, coverage=hidden)
    silent = np.zeros((6, 4, 4, 6))
    silent[1, 0] = np.log(PRIOR)
    without = read_stickers(samples, tops=(0,), second=np.zeros_like(silent))
    beside = read_stickers(samples, tops=(0,), second=silent)
    for code, share in without.posterior.case_probabilities.items():
        assert beside.posterior.case_probabilities.get(code, 0.0) == pytest.approx(share, abs=0.01)
    # what was not read is no evidence either: readings with other sides opened are held beside each other
    # (each of the four stickers once counted 4.4 nats)
    assert beside.log_evidence == pytest.approx(without.log_evidence, abs=2.0)
    assert beside.posterior.log_evidence_any == pytest.approx(without.posterior.log_evidence_any, abs=2.0)


@pytest.mark.parametrize("seed", range(4))
def test_what_is_told_of_a_side_out_of_view_settles_what_it_hides(seed: int) -> None:
    """The truth of a side that was not sampled, told by the network, is as good as having sampled it."""
    rng = np.random.default_rng(seed)
    layer = random_layer(rng, 4)
    samples, _ = make_samples(albedo("usual"), "noon", rng, layer=layer)
    home = layer.facelets().reshape(6, 4, 4)
    hidden = samples.coverage.copy()
    hidden[1] = 0
    told = np.zeros((6, 4, 4, 6))
    told[1, 0] = np.log(1e-6)
    np.put_along_axis(told[1, 0], home[1, 0][:, None], np.log(1 - 5e-6), axis=-1)
    posterior = read_stickers(replace(samples, coverage=hidden), tops=(0,), second=told).posterior
    marginals = posterior.marginals[1, 0].argmax(-1)
    assert (marginals == read_stickers(samples, tops=(0,)).posterior.marginals[1, 0].argmax(-1)).all()
