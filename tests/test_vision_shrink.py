"""Smaller pictures: averages stay averages, and stretches hold what they must."""

from __future__ import annotations

import tracemalloc

import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from vision.shrink import HANDY_PX, Halved, handy, shrunk


@given(st.integers(4, 90), st.integers(4, 90), st.floats(0.15, 1.0), st.integers(0, 99))
def test_the_mean_of_a_picture_stays(wide: int, high: int, share: float, seed: int) -> None:
    picture = np.random.default_rng(seed).integers(0, 256, (high, wide, 3)).astype(np.uint8)
    to = max(1, round(wide * share)), max(1, round(high * share))
    small = shrunk(picture, *to)
    assert small.shape == (to[1], to[0], 3)
    # each halving rounds once to whole levels
    assert small.mean((0, 1)) == pytest.approx(picture.mean((0, 1)), abs=2.0)


def test_a_ramp_keeps_its_place() -> None:
    """Smaller by any share, a slope of grey runs where plain area averaging puts it."""
    ramp = np.tile(np.linspace(0, 255, 400).astype(np.uint8)[None, :, None], (120, 1, 3))
    for wide, high in ((400, 120), (200, 60), (133, 40), (90, 31), (57, 20)):
        plain = cv2.resize(ramp, (wide, high), interpolation=cv2.INTER_AREA)
        assert np.abs(shrunk(ramp, wide, high).astype(int) - plain).max() <= 2


@given(st.integers(20, 90), st.integers(20, 90), st.integers(0, 99))
def test_halves_that_are_kept_are_those_made_anew(wide: int, high: int, seed: int) -> None:
    picture = np.random.default_rng(seed).integers(0, 256, (4 * high, 4 * wide, 3)).astype(np.uint8)
    halved = Halved(picture)
    for to in ((wide, high), (2 * wide, 2 * high), (wide + 3, high + 5), (wide // 2, high // 2)):
        assert np.array_equal(halved.shrunk(*to), shrunk(picture, *to))


@given(st.integers(0, 500), st.integers(0, 500), st.integers(1, 1000))
def test_a_handy_stretch_holds_what_it_must(a: int, b: int, end: int) -> None:
    first, last = sorted((min(a, end), min(b, end)))
    start, stop = handy(first, last, end)
    assert 0 <= start <= first and last <= stop <= end
    assert (stop - start) % HANDY_PX == 0 or stop - start == end or (start == 0 and stop == end)


def test_a_large_picture_of_odd_sides_is_made_smaller_in_little_room() -> None:
    """Workers of a pool have one each; a copy in single numbers would be four times as large."""
    picture = np.zeros((1501, 2001, 3), np.uint8)
    tracemalloc.start()
    shrunk(picture, 256, 192)
    _, most = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert most < picture.nbytes / 2
