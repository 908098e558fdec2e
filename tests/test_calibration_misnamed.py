"""A mirror image that hangs on a colour's name is doubted as much as the name is."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from sticker_maker import albedo, make_samples, random_layer

from calibration.misnamed import naming_nats, with_doubt
from calibration.profile import SCHEME
from calibration.reading import read_stickers
from models.decode import MIRROR_PRIOR, decode
from models.posterior import Posterior

MIRRORED_SCHEME = (SCHEME[0], SCHEME[4], SCHEME[2], SCHEME[3], SCHEME[1], SCHEME[5])


def seen_in_a_mirror(size: int, nats: float, seed: int) -> tuple[Posterior, np.ndarray]:
    """A cube coloured the other way round, three sides read, each sticker surer than others by nats."""
    layer = random_layer(np.random.default_rng(seed), size)
    colours = np.array(MIRRORED_SCHEME)[layer.facelets().reshape(6, size, size)]
    loglik = np.where(colours[..., None] == np.arange(6), 0.0, -nats)
    loglik[3:] = 0.0
    return decode(loglik, scheme=SCHEME), loglik


@given(st.integers(3, 5), st.integers(0, 10**6), st.floats(-3, 20), st.floats(-3, 20))
def test_doubt_grows_as_names_get_less_sure(size: int, seed: int, first: float, second: float) -> None:
    posterior, _ = seen_in_a_mirror(size, 30.0, seed)
    low, high = sorted((first, second))
    doubted = [with_doubt(posterior, nats) for nats in (low, high)]
    for one in doubted:
        assert one.log_evidence == posterior.log_evidence
        assert sum(one.case_probabilities.values()) == pytest.approx(1.0)
        assert one.mirrored_probability <= posterior.mirrored_probability + 1e-9
    assert doubted[0].mirrored_probability <= doubted[1].mirrored_probability + 1e-9


@given(st.integers(3, 5), st.integers(0, 10**6))
def test_sure_names_leave_a_mirror_image_and_poor_ones_take_it_for_the_cube(size: int, seed: int) -> None:
    posterior, loglik = seen_in_a_mirror(size, 30.0, seed)
    if not posterior.mirrored or posterior.mirrored_probability < 0.999:
        return
    assert naming_nats(posterior, loglik, (loglik != 0).any(axis=-1), SCHEME) >= 30.0
    sure = with_doubt(posterior, 30.0)
    assert sure.mirrored and sure.code == posterior.code
    poor = with_doubt(posterior, 0.0)
    assert not poor.mirrored
    assert poor.mirrored_probability == pytest.approx(MIRROR_PRIOR / (1 + MIRROR_PRIOR), rel=1e-3)
    assert poor.state == posterior.state.mirrored()


@given(st.integers(3, 5), st.integers(0, 10**6), st.floats(0.05, 3))
def test_a_side_seen_as_a_sliver_makes_no_mirror_image_surer_than_it_is(
    size: int, seed: int, nats: float
) -> None:
    posterior, loglik = seen_in_a_mirror(size, 30.0, seed)
    loglik[1] *= nats / 30.0
    coverage = np.where((loglik != 0).any(axis=-1), 1.0, 0.0)
    coverage[1] = 0.1
    # each of two opposite colours says so much
    assert naming_nats(posterior, loglik, coverage, SCHEME) <= 2 * nats + 1e-9


@given(st.integers(3, 5), st.integers(0, 10**6))
def test_a_side_of_which_no_pixel_is_read_has_no_colour_to_be_misnamed(size: int, seed: int) -> None:
    posterior, loglik = seen_in_a_mirror(size, 30.0, seed)
    coverage = np.where((loglik != 0).any(axis=-1), 1.0, 0.0)
    names = naming_nats(posterior, loglik, coverage, SCHEME)
    hidden = loglik.copy()
    hidden[3:] = 0.05 * np.arange(6)  # what a rim says of stickers out of view
    assert naming_nats(posterior, hidden, coverage, SCHEME) == names


def test_usual_cubes_are_not_taken_for_mirror_images() -> None:
    rng = np.random.default_rng(3)
    for light in ("lamp", "noon", "sky"):
        samples, _ = make_samples(albedo("usual"), light, rng, layer=random_layer(rng, 4))
        assert not read_stickers(samples).posterior.mirrored
