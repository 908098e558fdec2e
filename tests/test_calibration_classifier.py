"""The numpy classifier against scikit-learn, and what must hold for sticker likelihoods."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st
from sklearn.discriminant_analysis import QuadraticDiscriminantAnalysis

from calibration.classifier import (
    GaussianClasses,
    StickerScores,
    inverse_and_log_det,
    sticker_loglik,
)
from calibration.profile import default_profile

MODEL = default_profile().model


def scores(features: np.ndarray, noise: float = 1e-4, cells: np.ndarray = MODEL.mean) -> StickerScores:
    """Scores of features (N, 3) on one face where the colours lie at ``cells`` (6, 3)."""
    count = len(features)
    out = sticker_loglik(
        MODEL,
        features,
        np.zeros(count, dtype=np.intp),
        cells[None, None],
        np.zeros((1, 1, 6, 3, 3)),
        np.full((count, 3), noise),
        np.full(count, MODEL.outlier_share),
        MODEL.glare_share[None, None],
    )
    assert out.share.min() >= 0 and out.share.sum(axis=-1).max() <= 1 + 1e-6
    return out


def scored(features: np.ndarray, noise: float = 1e-4, cells: np.ndarray = MODEL.mean) -> np.ndarray:
    """Log-likelihoods (N, 6), as :func:`scores`."""
    return scores(features, noise, cells).loglik[0]


def test_gaussian_classes_predict_what_scikit_learn_predicts() -> None:
    rng = np.random.default_rng(3)
    labels = np.repeat(np.arange(6), 40)
    points = (
        rng.normal(size=(6, 3))[labels] * 2 + rng.normal(size=(240, 3)) * rng.uniform(0.3, 1, (6, 1))[labels]
    )
    theirs = QuadraticDiscriminantAnalysis(store_covariance=True).fit(points, labels)
    ours = GaussianClasses(theirs.means_, np.array(theirs.covariance_), theirs.priors_)
    unseen = rng.normal(size=(500, 3)) * 3
    assert np.abs(ours.predict_proba(unseen) - theirs.predict_proba(unseen)).max() < 1e-9


@given(st.integers(0, 10_000))
def test_closed_inverse_is_lapacks(seed: int) -> None:
    rng = np.random.default_rng(seed)
    root = rng.normal(size=(5, 3, 3))
    cov = root @ root.transpose(0, 2, 1) + 0.05 * np.eye(3)
    inverse, log_det = inverse_and_log_det(cov)
    assert np.allclose(inverse @ cov, np.eye(3), atol=1e-8)
    assert np.allclose(log_det, np.linalg.slogdet(cov)[1], atol=1e-9)


@given(st.lists(st.tuples(*[st.floats(-4.0, 0.2)] * 3), min_size=1, max_size=8))
def test_no_sticker_ever_counts_infinitely(pixels: list[tuple[float, float, float]]) -> None:
    loglik = scored(np.array(pixels))
    floor = np.log(MODEL.outlier_share / MODEL.outlier_volume)
    assert np.isfinite(loglik).all()
    assert loglik.min() >= floor - 1e-4  # the outliers' density bounds every colour from below


def test_a_clean_sticker_is_its_colour() -> None:
    assert (scored(MODEL.mean).argmax(axis=1) == np.arange(6)).all()


def test_strong_reflections_say_little() -> None:
    """Red under a reflection twice as bright as white may be white: little may speak against red."""
    white, red = np.exp(MODEL.mean[0]), np.exp(MODEL.mean[2])
    washed = np.log(np.minimum(red + 2.0 * white, 1.0 + MODEL.floor))[None]
    clean = np.log(red)[None]
    assert scored(washed)[0, 0] - scored(washed)[0, 2] < 6.0
    assert scored(clean)[0, 2] - scored(clean)[0, 0] > 6.0


def test_noisier_pixels_are_weaker_evidence() -> None:
    between = (0.7 * MODEL.mean[2] + 0.3 * MODEL.mean[3])[None]
    sharp, dull = scored(between, 1e-4)[0], scored(between, 0.5)[0]
    assert dull.max() - np.sort(dull)[-2] < sharp.max() - np.sort(sharp)[-2] + 1e-9
    assert np.ptp(dull) < np.ptp(sharp)


def expected(cells: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Centre and slope (6, G, 3) of cells (6, 3)."""
    out = scores(np.zeros((1, 3)), cells=cells)
    return out.centre[0, 0], out.slope[0, 0]


@given(st.floats(-4.0, 3.0))
def test_no_colour_is_expected_beyond_the_sensors_ends(change: float) -> None:
    """log_light of linear light 0 and 1, however dark or bright the face is."""
    centre, slope = expected(MODEL.mean + change)
    assert centre.min() >= np.log(MODEL.floor)
    assert centre.max() <= np.log(1.0 + MODEL.floor)
    assert slope.min() >= 0.0
    assert slope[:, 0].max() <= 1.0


@given(st.floats(-3.0, 1.5))
def test_the_slope_is_how_the_expected_colour_changes(change: float) -> None:
    """Of a clean sticker, by central differences."""
    cells, step = MODEL.mean + change, 1e-5
    difference = (expected(cells + step)[0] - expected(cells - step)[0])[:, 0] / (2.0 * step)
    np.testing.assert_allclose(expected(cells)[1][:, 0], difference, atol=1e-4)


def test_a_channel_that_is_black_on_two_faces_does_not_speak_against_their_colour() -> None:
    """A yellow whose blue the camera's curve has crushed to nothing, though the face is a bright one."""
    yellow = np.exp(MODEL.mean[1]) - MODEL.floor
    crushed = np.log(np.array([[yellow[0], yellow[1], 0.0]]) + MODEL.floor)
    for black in (np.log(MODEL.floor) + 0.05, np.log(MODEL.floor) - 1.0):  # of a bright face, of a dark one
        cells = MODEL.mean.copy()
        cells[1, 2] = black
        loglik = scored(crushed, cells=cells)[0]
        assert loglik.argmax() == 1
        assert loglik[1] > np.delete(loglik, 1).max() + 3.0
