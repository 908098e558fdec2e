"""A cube whose layers are open: a case counts as far as the cube that shows it (law of total probability)."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any, cast

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from truth_answers import answer_of_truth

from calibration.profile import default_profile
from vision.answer import Answer, Candidate, NamedCase
from vision.each_size import LEAST_LISTED, read_each_size, weighed
from vision.found import Found, FoundCube, Surface
from vision.label_learn import look_again
from vision.one_cube import Read, Settings
from vision.photo_reader import PhotoReader
from vision.pose import CubePose

SAMPLE = Path(__file__).parent.parent / "sample_images" / "01-large-on-desk.jpg"
NAMED = answer_of_truth(SAMPLE)  # of a 4x4x4
SECONDS = {"read": 0.0, "locate": 0.0, "sample": 0.0, "classify": 0.0, "decode": 0.0}


def named(size: int, code: str, probability: float = 1.0) -> Answer:
    case = NamedCase(code, code, "a cue", probability)
    listed = (Candidate(code, probability),)
    return replace(NAMED, size=size, case=case, candidates=listed, seconds=SECONDS)


def open_between(size: int, **shares: float) -> Answer:
    listed = tuple(Candidate(code.replace("_", "-"), share) for code, share in shares.items())
    return Answer("x", ok=False, size=size, reason="ambiguous", candidates=listed, seconds=SECONDS)


def test_the_same_case_on_either_cube_is_named_and_the_layers_are_told() -> None:
    reads = {4: named(4, "e0-pi", 0.99), 5: named(5, "e0-pi", 0.95)}
    answer = weighed(reads[4], reads, {4: 0.6, 5: 0.4})
    assert answer.ok and answer.size == 4
    assert answer.case is not None and answer.case.probability == pytest.approx(0.6 * 0.99 + 0.4 * 0.95)
    assert any("4 or 5 layers" in note for note in answer.notes)


def test_two_cases_that_hang_on_the_layers_are_both_listed_and_none_is_named() -> None:
    reads = {4: named(4, "e1-h-front"), 5: named(5, "e2o-h-front")}
    answer = weighed(reads[4], reads, {4: 0.52, 5: 0.48})
    assert not answer.ok and answer.reason == "ambiguous" and answer.case is None and not answer.sequences
    assert answer.candidates == (Candidate("e1-h-front", 0.52), Candidate("e2o-h-front", 0.48))


@given(st.floats(0, 1), st.floats(0.01, 0.99), st.floats(0, 0.99))
def test_cases_are_as_probable_as_both_cubes_make_them(share: float, first: float, other: float) -> None:
    reads = {
        3: open_between(3, e0_h=first, e0_pi=1 - first),
        4: open_between(4, e0_h=other, e4_h=1 - other),
    }
    answer = weighed(reads[3], reads, {3: share, 4: 1 - share})
    told = {one.code: one.probability for one in answer.candidates}
    true = {
        "e0-h": share * first + (1 - share) * other,
        "e0-pi": share * (1 - first),
        "e4-h": (1 - share) * (1 - other),
    }
    for code, probability in told.items():
        assert probability == pytest.approx(true[code])
    left_out = [code for code in true if code not in told and true[code] >= LEAST_LISTED]
    assert sum(true[code] for code in left_out) < 0.011
    assert list(told.values()) == sorted(told.values(), reverse=True)


def cube(size: int, shares: dict[int, float]) -> FoundCube:
    pose = CubePose(size, 900.0, (320.0, 240.0), np.eye(3), np.array([0, 0, 5.0]), size_probabilities=shares)
    return FoundCube(pose, 0.99, Surface(0, 0, (1.0, 1.0), np.ones((64, 64), np.float32)))


@pytest.mark.parametrize("share", [0.7, 0.99])
@pytest.mark.parametrize("other_is", ["named", "not-last-layer"])
def test_only_cubes_that_are_likely_and_at_their_last_layer_count(
    monkeypatch: pytest.MonkeyPatch, share: float, other_is: str
) -> None:
    shares = {4: share, 5: 1 - share}
    refused = Answer("x", ok=False, size=5, reason="not-last-layer", seconds=SECONDS)
    reads = {4: named(4, "e1-h-front"), 5: named(5, "e2o-h-front") if other_is == "named" else refused}
    asked: list[int] = []

    def read(image: Any, found: Found, one: FoundCube, *_: Any) -> Read:
        asked.append(one.pose.size)
        return Read(reads[one.pose.size], found, one)

    monkeypatch.setattr("vision.each_size.read_cube", read)
    whole = replace(cube(4, shares), otherwise=(cube(5, shares),))
    settings = Settings(default_profile(), None, None, "")
    got = read_each_size(np.zeros((480, 640, 3), np.uint8), Found((whole,)), whole, settings, dict(SECONDS))
    assert asked == ([4, 5] if share == 0.7 else [4])
    assert got.answer.ok == (share == 0.99 or other_is == "not-last-layer")
    assert got.is_open != got.answer.ok


@pytest.mark.parametrize("share", [0.8, 0.99])
def test_a_picture_whose_layers_are_open_teaches_no_profile(
    monkeypatch: pytest.MonkeyPatch, share: float
) -> None:
    shares = {4: share, 5: 1 - share}
    whole = replace(cube(4, shares), otherwise=(cube(5, shares),))
    read = Read(named(4, "e0-pi"), Found((whole,)), whole, samples=cast(Any, 1), reading=cast(Any, 2))
    monkeypatch.setattr("vision.pipeline.read_whole", lambda *_, **__: read)
    photos = PhotoReader()
    assert (look_again(str(SAMPLE), photos) is None) == (share == 0.8)
