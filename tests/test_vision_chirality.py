"""The tally of what frames say on whether a source is mirrored: what must hold of it."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from models.decode import MIRROR_PRIOR
from vision.chirality import Chirality

probabilities = st.floats(0, 1)


def tally(*frames: float) -> Chirality:
    out = Chirality()
    for one in frames:
        out.add(one)
    return out


@given(st.lists(probabilities, max_size=40))
def test_it_is_a_probability_whatever_comes(frames: list[float]) -> None:
    assert 0.0 <= tally(*frames).probability <= 1.0


def test_frames_that_say_nothing_leave_the_prior() -> None:
    silent = tally(*[MIRROR_PRIOR] * 50)
    assert silent.probability == pytest.approx(MIRROR_PRIOR)
    assert not silent.opposes(True) and not silent.opposes(False)


@given(st.lists(st.floats(0.01, 1), min_size=1, max_size=30))
def test_frames_of_one_mind_oppose_the_other_alone(frames: list[float]) -> None:
    seen = tally(*frames)
    assert seen.opposes(False) and not seen.opposes(True) and seen.probability > MIRROR_PRIOR


@given(st.lists(st.floats(0, 1e-5), min_size=1, max_size=30))
def test_and_so_do_those_against(frames: list[float]) -> None:
    seen = tally(*frames)
    assert seen.opposes(True) and not seen.opposes(False) and seen.probability < MIRROR_PRIOR


def test_frames_that_disagree_oppose_both() -> None:
    seen = tally(*[0.9, 1e-6] * 6)
    assert seen.opposes(True) and seen.opposes(False)


def test_one_frame_does_not_make_a_mirror_and_many_do() -> None:
    assert tally(0.999).probability < 0.9
    assert tally(*[0.999] * 8).probability > 0.995


def test_what_was_said_long_ago_fades() -> None:
    assert tally(*[1e-6] * 10, *[0.999] * 60).probability > 0.995
