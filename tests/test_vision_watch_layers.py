"""A watch of a cube whose number of layers is open: nothing settles before it is known."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from calibration.profile import default_profile
from vision.found import Found
from vision.live_words import shown_at
from vision.locate import find_cubes
from vision.sources import load_photo
from vision.stream import StreamFrame
from vision.watcher import Watcher

SAMPLES = Path(__file__).parent.parent / "sample_images"


class Finder:
    """The finder, with ``shares`` for its word on the number of layers of the cube to read."""

    def __init__(self, shares: dict[int, float]) -> None:
        self.shares = shares

    def __call__(self, image_bgr: Any, **options: Any) -> Found:
        found = find_cubes(image_bgr, **options)
        cube = found.cubes[0]
        pose = replace(cube.pose, size_probabilities=self.shares)
        others = tuple(replace(cube, pose=replace(pose, size=n)) for n in self.shares if n != cube.pose.size)
        return replace(found, cubes=(replace(cube, pose=pose, otherwise=others), *found.cubes[1:]))


OPEN, SURE = {4: 0.6, 5: 0.4}, {4: 0.95, 5: 0.05}


@pytest.mark.parametrize("first", [OPEN, SURE])
def test_a_case_settles_once_the_layers_are_known_and_stays(first: dict[int, float]) -> None:
    image_bgr = load_photo(str(SAMPLES / "01-large-on-desk.jpg")).image_bgr
    finder = Finder(first)
    watcher = Watcher(default_profile(), find=finder)

    def watched(frames: range) -> Any:
        reports = [watcher.step(StreamFrame(image_bgr, k, k / 4, 0.0)) for k in frames]
        return reports[-1]

    before = watched(range(8))
    assert before.settled is (first is SURE) and before.case is not None
    assert before.open_sizes == (() if first is SURE else (4, 5))
    shown = shown_at(before, [])
    assert ("It may have 4 or 5 layers" in shown.advice) is (first is OPEN)
    assert shown.status == ("Not sure yet" if first is OPEN else "Settled")
    hidden = replace(before, settled=False, verdict=replace(before.verdict, reason="top-hidden"))
    assert "fingers" in shown_at(hidden, []).advice  # what can be done at once comes first
    finder.shares = SURE
    assert watched(range(8, 16)).settled
    finder.shares = OPEN
    after = watched(range(16, 28))
    assert after.settled and not after.open_sizes
    watcher.close()


def test_a_number_of_layers_that_is_given_is_not_in_question() -> None:
    """Not even where the network would count others."""
    image_bgr = load_photo(str(SAMPLES / "01-large-on-desk.jpg")).image_bgr
    watcher = Watcher(default_profile(), size=5)
    reports = [watcher.step(StreamFrame(image_bgr, k, k / 4, 0.0)) for k in range(4)]
    watcher.close()
    assert all(report.pose is not None and report.pose.size == 5 for report in reports)
    assert not any(report.open_sizes for report in reports)
