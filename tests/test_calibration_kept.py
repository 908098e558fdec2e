"""What becomes of a picture's stickers: features to learn from, and samples that a profile keeps."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from sticker_maker import albedo, make_samples
from test_calibration_collect import turn_with

from calibration.colour import log_light
from calibration.kept import pictures_of
from calibration.labelling import Shot, label_shot, labelled_picture, samples_of
from calibration.modes import PIXEL_NOISE, SPREAD_SHARE
from calibration.profile import default_profile


def test_what_a_profile_keeps_of_a_picture_is_the_picture_again() -> None:
    """Faces of which nothing is seen count for nothing: faces are numbered 0, 1, ... as they come."""
    base = default_profile().model
    for view in ((0, 1, 2), (3, 4, 5)):
        whole, truth = make_samples(albedo("usual"), "noon", np.random.default_rng(3), turn=turn_with(*view))
        samples = replace(whole, coverage=whole.coverage * (np.arange(6) != 1)[:, None, None])
        labels = np.where(samples.coverage > 0, truth, -1)
        shot = Shot("one", samples)
        one = replace(label_shot(Shot("whole", whole), default_profile()), shot=shot, labels=labels)
        seen = labelled_picture(samples, labels, base)
        (kept,) = pictures_of(samples_of(one, base), base.floor).values()
        assert set(seen.face_of.tolist()) == {0, 1}
        assert (kept.face_of == seen.face_of).all() and (kept.labels == seen.labels).all()
        assert kept.features == pytest.approx(seen.features, abs=1e-6)
        # a sample alone, whose name has no face: its picture all the same
        bare = [replace(sample, picture="bare") for sample in samples_of(one, base)]
        assert list(pictures_of([*bare, *samples_of(one, base)], base.floor)) == ["bare", shot.name]


def test_features_scatter_as_the_noise_of_the_pixels_makes_them() -> None:
    """Drawn: a sticker's light with the noise that is told of it, through the logarithm."""
    rng = np.random.default_rng(0)
    base = default_profile().model
    samples, truth = make_samples(albedo("usual"), "noon", rng)
    labels = np.where(samples.coverage > 0, truth, -1)
    whole = labelled_picture(samples, labels, base)
    noise = np.sqrt(PIXEL_NOISE**2 + (SPREAD_SHARE * 0.006) ** 2)
    linear = np.exp(whole.features) - base.floor
    light = linear > 0.05
    drawn = log_light(linear + rng.normal(scale=noise, size=(20_000, *linear.shape)), base.floor)
    assert whole.measure_var[light] == pytest.approx(drawn.var(axis=0)[light], rel=0.1)
    half = labelled_picture(replace(samples, coverage=samples.coverage * np.float32(0.6)), labels, base)
    assert half.measure_var == pytest.approx(whole.measure_var / 0.6)  # fewer pixels, in the mean more noise
