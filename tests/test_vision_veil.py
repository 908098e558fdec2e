"""Stray light is taken off as it was laid on, and pictures without it stay as they are."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from calibration.colour import linear_to_srgb, srgb_to_linear
from vision.pipeline import read_picture
from vision.shrink import Halved
from vision.truth import truth_of
from vision.veil import DARKEST, LEAST, TAKEN, veil_of, without_veil

SAMPLES = Path(__file__).parent.parent / "sample_images"


def veiled(image_bgr: np.ndarray, veil: float) -> np.ndarray:
    """A lens that sends the share ``veil`` of white light everywhere, as mist does (Koschmieder 1924)."""
    level = srgb_to_linear(np.arange(256) / 255.0) * (1.0 - veil) + veil
    return np.asarray(cv2.LUT(image_bgr, np.round(255 * linear_to_srgb(level)).astype(np.uint8)))


@given(st.floats(0.06, 0.4), st.integers(0, 10**6))
def test_a_veil_is_found_and_mostly_taken_off(veil: float, seed: int) -> None:
    rng = np.random.default_rng(seed)
    image = rng.integers(0, 256, (90, 160, 3), dtype=np.uint8)
    image[20:40, 30:60] = 0
    seen = veiled(image, veil)
    assert veil_of(Halved(seen)) == pytest.approx(veil, abs=0.01)
    before, after = (srgb_to_linear(one / 255.0) for one in (image, without_veil(Halved(seen)).whole))
    left = veil * (1.0 - TAKEN) / (1.0 - TAKEN * veil)
    assert np.abs(after - before).max() < left + 0.02


@given(st.integers(1, 60), st.integers(1, 60), st.integers(1, 255), st.integers(0, 10**6))
def test_the_darkest_places_are_those_that_sorting_finds(high: int, wide: int, most: int, seed: int) -> None:
    image = np.random.default_rng(seed).integers(0, most + 1, (high, wide, 3), dtype=np.uint8)
    sorted_out = np.percentile(image.min(axis=2), DARKEST)
    assert veil_of(Halved(image)) == pytest.approx(srgb_to_linear(sorted_out / 255.0), abs=1e-12)


@given(st.integers(16, 400), st.integers(16, 400), st.integers(0, 10**6))
def test_pictures_with_something_black_are_left_alone(high: int, wide: int, seed: int) -> None:
    image = np.random.default_rng(seed).integers(0, 256, (high, wide, 3), dtype=np.uint8)
    image[: high // 2] = (0, 200, 90)  # green is black in blue
    picture = Halved(image)
    assert veil_of(picture) < LEAST
    assert without_veil(picture) is picture


@pytest.mark.parametrize("name", ["01-large-on-desk", "07-dark-blue-top", "04-size-3"])
def test_a_case_is_named_through_a_veil(name: str) -> None:
    picture = SAMPLES / f"{name}.jpg"
    answer = read_picture(veiled(cv2.imread(str(picture)), 0.15))
    assert answer.case is not None and answer.case.code == truth_of(picture).code
