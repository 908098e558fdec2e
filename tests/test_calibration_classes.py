"""A profile's classes as a person sees them: against stickers drawn from the model itself."""

from __future__ import annotations

from dataclasses import fields, replace
from itertools import combinations

import numpy as np
import pytest

from calibration.classes import classes_of, closest_pair
from calibration.colour import ciede2000, linear_to_lab, linear_to_srgb
from calibration.profile import ColourModel, ColourSample, default_profile
from calibration.samples import StickerSamples

GENERAL = default_profile()
ARRAYS = [one.name for one in fields(ColourModel) if isinstance(getattr(GENERAL.model, one.name), np.ndarray)]


def test_the_scatter_of_a_class_is_that_of_stickers_drawn_from_it() -> None:
    """40,000 stickers of each colour under one light, scattered so little that Lab is as good as linear."""
    little = replace(
        GENERAL.model, sticker_cov=1e-4 * GENERAL.model.sticker_cov, cell_cov=1e-4 * GENERAL.model.cell_cov
    )
    rng = np.random.default_rng(0)
    gain = 1.0 / (np.exp(little.mean) - little.floor).max()
    for k, one in enumerate(classes_of(GENERAL.with_model(little))):
        cov = little.sticker_cov[k] + little.cell_cov[k]
        drawn = np.exp(rng.multivariate_normal(little.mean[k], cov, 40_000)) - little.floor
        lab = linear_to_lab(drawn * gain)
        assert one.lab == pytest.approx(lab.mean(axis=0), abs=0.05)
        apart = one.ab_cov - np.cov(lab[:, 1:].T)
        assert np.linalg.norm(apart) < 0.05 * np.linalg.norm(one.ab_cov), one.name
        assert one.srgb == pytest.approx(linear_to_srgb(drawn * gain).mean(axis=0), abs=0.01)


def test_the_lightest_colour_is_shown_at_full_white_and_stickers_are_counted_by_colour() -> None:
    samples = tuple(ColourSample(k, (0.1, 0.1, 0.1)) for k in range(6) for _ in range(k))
    classes = classes_of(replace(GENERAL, samples=samples))
    assert max(one.srgb.max() for one in classes) == pytest.approx(1.0)
    assert all(one.srgb.min() >= 0.0 for one in classes)
    assert [one.stickers for one in classes] == list(range(6))


def test_no_two_classes_are_closer_than_the_closest_pair() -> None:
    classes, pair = classes_of(GENERAL), closest_pair(GENERAL)
    apart = {(a.name, b.name): float(ciede2000(a.lab, b.lab)) for a, b in combinations(classes, 2)}
    assert pair.ciede2000 == pytest.approx(min(apart.values()))
    assert apart[pair.first, pair.second] == pytest.approx(pair.ciede2000)
    # where every sticker scatters alike in all directions, distances count in that one deviation
    even = replace(
        GENERAL.model, sticker_cov=np.tile(0.03**2 * np.eye(3), (6, 1, 1)), cell_cov=np.zeros((6, 3, 3))
    )
    first, second = (GENERAL.model.mean[GENERAL.colours.index(name)] for name in (pair.first, pair.second))
    told = closest_pair(GENERAL.with_model(even)).deviations
    assert told == pytest.approx(float(np.linalg.norm(first - second)) / 0.03)


@pytest.mark.parametrize("name", ARRAYS)
def test_a_model_takes_no_numbers_of_another_shape(name: str) -> None:
    numbers = getattr(GENERAL.model, name)
    with pytest.raises(ValueError, match="shape"):
        replace(GENERAL.model, **{name: np.concatenate([numbers, numbers[:1]])})


@pytest.mark.parametrize("name", ["linear_rgb", "spread_rgb", "coverage", "clipped"])
def test_samples_are_of_one_cube_and_finite(name: str) -> None:
    whole = StickerSamples.empty(3)
    numbers = getattr(whole, name)
    for wrong in (numbers[:5], numbers[:, :2], numbers[:, :, :2], numbers[:, :1, :1], numbers[..., None]):
        with pytest.raises(ValueError, match="shape"):
            replace(whole, **{name: wrong})
    for value in (np.nan, np.inf):
        broken = numbers.copy()
        broken.flat[-1] = value
        with pytest.raises(ValueError, match="finite"):
            replace(whole, **{name: broken})


def test_a_face_of_samples_is_square() -> None:
    oblong = {
        one.name: getattr(StickerSamples.empty(3), one.name)[:, :, :2] for one in fields(StickerSamples)
    }
    with pytest.raises(ValueError, match="n >= 2"):
        StickerSamples(**oblong)
