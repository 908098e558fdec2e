"""One cube among lights: the moves of light, what pictures say together, unusual colours.

Outside truths: finite differences, the multivariate normal of scipy, Bayes' rule on the stacked pictures.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.linalg import block_diag
from scipy.stats import multivariate_normal
from sticker_maker import SETS, albedo, make_samples, random_layer

from calibration.adapt import (
    PictureWord,
    adapt,
    carried_over,
    cube_posterior,
    first_word,
    log_evidence,
    usual_cubes,
    widened,
    words_together,
)
from calibration.collect import collect
from calibration.compare import predict
from calibration.labelling import Shot, labelled_picture
from calibration.lamps import (
    IN_COMMON,
    LIFT,
    MOVES,
    light_covariance,
    light_moves,
    moves_behind,
    scatter_at,
    shared_covariance,
    usual_moves,
)
from calibration.light import prepare
from calibration.profile import SCHEME, default_profile
from calibration.together import View, _evidence, _narrowed, look_together
from models.cube import rotation_permutations

HOMES = rotation_permutations(4).reshape(24, 6, 16)[:, :, 0] // 16
FLOOR = 0.02


def turn_with(*faces: int) -> int:
    return next(k for k in range(24) if set(HOMES[k, :3]) == set(faces))


def some_cov(rng: np.random.Generator, scale: float) -> np.ndarray:
    root = rng.normal(size=(18, 18))
    return scale * (root @ root.T / 18 + 0.1 * np.eye(18))


def precise(y: np.ndarray) -> PictureWord:
    """A picture that tells its class means without noise."""
    return PictureWord(1e8 * np.eye(18), 1e8 * y)


@pytest.mark.parametrize("name", list(SETS))
def test_moves_are_the_derivatives_of_what_they_say(name: str) -> None:
    linear = np.maximum(0.7 * albedo(name), 0.004)
    mean = np.log(linear + FLOOR)
    step = 1e-6

    def derivative(moved: np.ndarray) -> np.ndarray:
        return ((np.log(moved + FLOOR) - mean) / step).ravel()

    moves = light_moves(mean, FLOOR)
    for channel in range(3):
        for other in range(3):
            mixed = linear.copy()
            mixed[:, channel] += step * linear[:, other]
            assert moves[:, 3 * channel + other] == pytest.approx(derivative(mixed), rel=1e-4, abs=1e-4)
        lifted = linear.copy()
        lifted[:, channel] += step * LIFT
        assert moves[:, 10 + channel] == pytest.approx(derivative(lifted), rel=1e-4, abs=1e-4)
    assert moves[:, 9] == pytest.approx(derivative(linear ** (1 + step)), rel=1e-4, abs=1e-4)


def test_the_covariance_of_light_is_one_for_any_colours() -> None:
    moves_cov, rest = usual_moves()
    assert np.linalg.eigvalsh(moves_cov).min() > 0 and rest > 0
    for name in SETS:
        cov = light_covariance(np.log(albedo(name) + FLOOR), FLOOR)
        assert cov == pytest.approx(cov.T) and np.linalg.eigvalsh(cov).min() > 0
    # a brighter lamp moves what is black less than what is white
    black = light_covariance(np.log(albedo("black for white") + FLOOR), FLOOR)
    white = light_covariance(np.log(albedo("usual") + FLOOR), FLOOR)
    assert (np.diag(black)[:3] < np.diag(white)[:3]).all()


@pytest.mark.parametrize("name", list(SETS))
def test_what_moves_one_sets_colours_is_told_of_anothers(name: str) -> None:
    here, there = (np.log(0.7 * albedo(one) + FLOOR) for one in ("usual", name))
    moves_cov, rest = 0.2 * usual_moves()[0], 0.004
    found = moves_behind(scatter_at(moves_cov, rest, here, FLOOR), here, FLOOR)
    assert np.linalg.eigvalsh(found[0]).min() > 0 and found[1] > 0
    told, true = (np.diagonal(scatter_at(*one, there, FLOOR), 0, 1, 2) for one in (found, (moves_cov, rest)))
    assert np.sqrt(told) == pytest.approx(np.sqrt(true), rel=0.1)


def test_the_general_colours_keep_their_own_scatter() -> None:
    base = default_profile().model
    kept = carried_over(base, base)
    for before, after in ((base.cell_cov, kept.cell_cov), (base.sticker_cov, kept.sticker_cov)):
        deviation = [np.sqrt(np.diagonal(one, 0, 1, 2)) for one in (before, after)]
        assert deviation[1] == pytest.approx(deviation[0], rel=0.12)


def test_haze_moves_a_pale_colour_less_than_a_deep_one() -> None:
    base = default_profile().model
    pale = replace(base, mean=np.log(np.exp(base.mean) + 0.2))
    for colour in (4, 5):  # next to no red comes back from blue and green
        assert carried_over(base, pale).cell_cov[colour, 0, 0] < 0.25 * base.cell_cov[colour, 0, 0]


def test_pale_colours_are_learned_with_the_scatter_of_pale_colours() -> None:
    rng, base = np.random.default_rng(3), default_profile().model
    shown = [
        make_samples(albedo("pastel"), "noon", rng, glare=0.0, turn=turn_with(*faces))
        for faces in ((0, 1, 2), (3, 4, 5))
    ]
    own = adapt(base, [labelled_picture(samples, labels, base) for samples, labels in shown])
    for colour in (4, 5):
        assert own.cell_cov[colour, 0, 0] < 0.5 * base.cell_cov[colour, 0, 0]


def test_evidence_is_that_of_the_normal_distribution() -> None:
    rng = np.random.default_rng(1)
    mean, cube, light = rng.normal(size=18), some_cov(rng, 0.3), some_cov(rng, 0.1)
    seen = rng.multivariate_normal(mean, cube + light, size=2)
    words = [precise(y) for y in seen]
    both = np.kron(np.ones((2, 2)), cube) + np.kron(np.eye(2), light)
    # a word leaves out what depends on the picture alone; so two hypotheses are compared
    for other in (some_cov(rng, 0.3), 2 * cube):
        rival = np.kron(np.ones((2, 2)), other) + np.kron(np.eye(2), light)
        want = multivariate_normal(np.tile(mean, 2), both).logpdf(seen.ravel())
        want -= multivariate_normal(np.tile(mean, 2), rival).logpdf(seen.ravel())
        together = words_together(words, light)
        got = log_evidence(together, mean, cube) - log_evidence(together, mean, other)
        assert got == pytest.approx(want, rel=1e-4, abs=1e-3)


def test_light_in_common_is_not_taken_for_the_cube() -> None:
    """Bayes' rule on all numbers stacked, with a light that two pictures share in part."""
    rng = np.random.default_rng(2)
    mean, cube, light = rng.normal(size=18), some_cov(rng, 0.3), some_cov(rng, 0.2)
    seen = rng.normal(size=(2, 18))
    for common in (0.0, 0.5, 0.9):
        got, cov = cube_posterior([precise(y) for y in seen], mean, cube, light, common * light)
        pictures = np.kron(np.ones((2, 2)), cube + common * light) + np.kron(np.eye(2), (1 - common) * light)
        gain = np.hstack([cube, cube]) @ np.linalg.inv(pictures)
        assert got == pytest.approx(mean + gain @ (seen.ravel() - np.tile(mean, 2)), abs=1e-4)
        assert cov == pytest.approx(cube - gain @ np.vstack([cube, cube]), abs=1e-4)


def test_fitting_does_not_crowd_out_what_is_kept_for_reading() -> None:
    """Profiles that are read with stay prepared, however many models are tried meanwhile."""
    base = default_profile()
    samples, labels = make_samples(albedo("usual"), "noon", np.random.default_rng(4))
    picture = labelled_picture(samples, np.where(samples.coverage > 0, labels, -1), base.model)
    kept, misses = prepare(base), prepare.cache_info().misses
    for _ in range(4):
        predict(adapt(base.model, [picture]), picture)
    assert prepare(base) is kept and prepare.cache_info().misses == misses


def test_only_colours_that_stand_out_are_taken_for_unusual() -> None:
    base = default_profile().model
    mean, usual = base.mean.reshape(18), usual_cubes(base)
    light, shared = (one(base.mean, base.floor) for one in (light_covariance, shared_covariance))
    cov, one_light = widened(usual, [precise(mean), precise(mean)], mean, light, shared)
    assert cov == pytest.approx(usual) and one_light
    odd = mean.copy()
    odd[:3] -= 4.0
    cov, _ = widened(usual, [precise(odd), precise(odd)], mean, light, shared)
    wider = np.diag(cov - usual).reshape(6, 3)
    assert (wider[0] > 1.0).all()


def test_one_lamp_gives_dark_and_bright_pictures_of_one_colour() -> None:
    """A camera exposes each picture anew; it does not make the lamp warmer."""
    base = default_profile().model
    mean, usual = base.mean.reshape(18), usual_cubes(base)
    light, shared = (one(base.mean, base.floor) for one in (light_covariance, shared_covariance))
    moves, moves_cov = light_moves(base.mean, base.floor), usual_moves()[0]
    gains = np.eye(MOVES)[[0, 4, 8]]
    for told, one_light in ((gains.mean(axis=0), True), (gains[0] - gains[2], False)):
        # what comes with a picture that is brighter, or warmer, by three standard deviations
        move = moves @ moves_cov @ told / np.sqrt(told @ moves_cov @ told)
        pictures = [precise(mean + 3 * move), precise(mean - 3 * move)]
        assert widened(usual, pictures, mean, light, shared)[1] is one_light


def test_what_lights_have_in_common_is_their_covariance_once_brightness_is_known() -> None:
    """Moves drawn by numpy, brightness taken out by least squares."""
    base = default_profile().model
    moves_cov, rest_var = usual_moves()
    drawn = np.random.default_rng(1).multivariate_normal(np.zeros(MOVES), moves_cov, size=200_000)
    bright = drawn[:, [0, 4, 8]].mean(axis=1, keepdims=True)
    left = drawn - bright @ np.linalg.lstsq(bright, drawn, rcond=None)[0]
    seen = left @ light_moves(base.mean, base.floor).T
    want = IN_COMMON * (seen.T @ seen / len(seen) + rest_var * np.eye(18))
    assert np.abs(shared_covariance(base.mean, base.floor) - want).max() < 0.01 * np.abs(want).max()


def test_one_picture_after_the_other_tells_what_both_tell_at_once() -> None:
    """The chain rule, against scipy's normal distribution of all numbers stacked."""
    rng = np.random.default_rng(3)
    model = default_profile().model
    mean, cube, light = rng.normal(size=18), some_cov(rng, 0.3), some_cov(rng, 0.1)
    views, picked, noise = [], [], []
    for faces in ((0, 1, 2), (0, 4, 5)):
        colours, spread = rng.permutation(6)[None], rng.uniform(0.01, 0.1, (3, 3))
        own = colours[0, list(faces)]
        centre = mean.reshape(6, 3)[own] + rng.normal(scale=0.5, size=(3, 3))
        views.append(View(centre, spread, np.array(faces), np.zeros((6, 4, 4), bool), colours, 0.0))
        picked.append(np.eye(18).reshape(6, 3, 18)[own].reshape(9, 18))
        noise.append(block_diag(*(model.face_cov + model.cell_cov[own] + spread[:, :, None] * np.eye(3))))
    both = np.concatenate(picked)
    cov = both @ cube @ both.T
    cov += block_diag(*(one @ light @ one.T + own for one, own in zip(picked, noise, strict=True)))
    seen = np.concatenate([view.centre.ravel() for view in views])
    first = _evidence(model, mean[None], cube[None], light, views[0])[0, 0]
    after, left = _narrowed(model, mean, cube, light, views[0], 0)
    second = _evidence(model, after[None], left[None], light, views[1])[0, 0]
    assert first + second == pytest.approx(multivariate_normal(both @ mean, cov).logpdf(seen))


@pytest.mark.parametrize("name", ["usual", "pastel", "black for white", "two oranges"])
@pytest.mark.parametrize("seed", [1, 2])
def test_two_corners_of_any_set_are_labelled_and_learned(name: str, seed: int) -> None:
    rng = np.random.default_rng(seed)
    shots, truth = [], []
    for i, faces in enumerate(((0, 1, 2), (3, 4, 5))):
        samples, labels = make_samples(albedo(name), "evening", rng, turn=turn_with(*faces), layer=None)
        shots.append(Shot(str(i), samples))
        truth.append(labels)
    base = default_profile()
    for got, want in zip(look_together([s.samples for s in shots], base.model, SCHEME), truth, strict=True):
        assert (got >= 0).any() and (got[got >= 0] == want[got >= 0]).all()
    made = collect(shots, name, scheme=SCHEME)
    for one, want in zip(made.kept, truth, strict=True):
        assert (one.labels[one.labels >= 0] == want[one.labels >= 0]).all()
    # colours come out in the order of brightness in which they were made, as far as they are well apart
    light = np.log(albedo(name) + base.model.floor).sum(axis=1)
    found = made.profile.model.mean.sum(axis=1)
    apart = light[:, None] - light[None] > 1.5
    assert ((found[:, None] - found[None])[apart] > 0).all()


@pytest.mark.parametrize("name", ["usual", "pastel", "black for white"])
def test_the_side_of_the_last_layer_is_seen_in_what_stands_below_it(name: str) -> None:
    """Pictures of any last-layer state: what is labelled at a first look is labelled right."""
    rng = np.random.default_rng(6)
    in_view = [k for k in range(24) if 0 in HOMES[k, :3]]
    base = default_profile()
    for _ in range(4):
        seen, truth = [], []
        for light in ("noon", "lamp"):
            turn, layer = int(rng.choice(in_view)), random_layer(rng, 4)
            samples, labels = make_samples(albedo(name), light, rng, turn=turn, layer=layer)
            seen.append(samples)
            truth.append(labels)
        for got, want in zip(look_together(seen, base.model, SCHEME), truth, strict=True):
            assert (got >= 0).sum() > 20 and (got[got >= 0] == want[got >= 0]).all()


def test_a_picture_in_which_nothing_was_labelled_changes_nothing() -> None:
    base = default_profile().model
    samples, labels = make_samples(albedo("usual"), "noon", np.random.default_rng(3), turn=0, layer=None)
    told = labelled_picture(samples, labels, base)
    silent = labelled_picture(samples, np.full_like(labels, -1), base)
    alone = adapt(base, [told])
    assert adapt(base, [told, silent]).mean == pytest.approx(alone.mean, abs=1e-12)
    words = [first_word(base, one) for one in (silent, told)]
    assert adapt(base, [silent, told], words).mean == pytest.approx(alone.mean, abs=1e-12)
    with pytest.raises(ValueError, match="no picture"):
        adapt(base, [silent])
