"""What passes before a cube is no turn of its layers, and leaves what is known of it alone.

Truth: clips traced by the studio, over whose frames tests/passing_by.py draws; a cube turned in no frame.
"""

from __future__ import annotations

import json
from pathlib import Path

import cv2
import numpy as np
import pytest
from passing_by import PASSERS

from calibration.profile import default_profile
from vision.passing import CHANGED_FRAMES, LONGEST_FRAMES, Passing, Sight
from vision.stream import StreamFrame
from vision.timing import Timed
from vision.watcher import Watcher

DATA = Path(__file__).parent / "data"
FPS = 30.0
BEGINS = 9


@pytest.mark.parametrize("name", list(PASSERS))
def test_a_case_stays_settled_while_something_passes(name: str) -> None:
    truth = json.loads((DATA / "clip_tilting.json").read_text())
    count, watcher, passer = truth["frame_count"], Watcher(default_profile()), PASSERS[name]
    cases, phases = set[str | None](), set[str]()
    for number in range(BEGINS + passer.frames + 6):
        k = number % (2 * count - 2)  # to the clip's end and back again
        k = min(k, 2 * count - 2 - k)
        image = np.asarray(cv2.imread(str(DATA / "clip_tilting" / f"f{k:03d}.jpg")), np.uint8)
        quad = np.array(truth["frames"][k]["top_quad"])
        shown = passer.over(image, quad, number - BEGINS)
        report = watcher.step(StreamFrame(shown, number, number / FPS, 0.0))
        assert not report.turning, number
        hidden = report.pose is None and 0 <= number - BEGINS <= passer.frames
        if number >= BEGINS - 1 and not hidden:
            seen = report.quad_xy()
            assert report.settled and seen is not None, number
            off = min(float(np.linalg.norm(np.roll(seen, q, 0) - quad, axis=1).mean()) for q in range(4))
            assert off < np.linalg.norm(quad[0] - quad[1]) / truth["n"], number
            cases.add(report.case)
        if number >= BEGINS - 1:
            phases.add(report.phase)
    watcher.close()
    assert len(cases) == 1 and phases == {"settled"}


@pytest.mark.parametrize("name", ["thin bar", "arm"])
def test_a_turn_behind_what_passes_is_one(name: str) -> None:
    """Something passes while the first layer turns: the attempt begins then, as closely as it says."""
    truth = json.loads((DATA / "clip_turning.json").read_text())
    watcher, ended = Watcher(default_profile()), list[Timed]()
    first = int(truth["first_turn_s"] * FPS)
    for number, frame in enumerate(truth["frames"]):
        image = np.asarray(cv2.imread(str(DATA / "clip_turning" / f"f{number:03d}.jpg")), np.uint8)
        shown = PASSERS[name].over(image, np.array(frame["top_quad"]), number - first + 4)
        report = watcher.step(StreamFrame(shown, number, number / FPS, 0.0))
        if report.ended is not None:
            ended.append(report.ended)
    watcher.close()
    assert [one.result for one in ended] == ["done"]
    began_s = ended[0].settled_at.best_s + ended[0].recognition.seconds
    assert abs(began_s - truth["first_turn_s"]) <= ended[0].recognition.pm_s + 1 / FPS


def sight(own: float, different: float, hidden: float) -> Sight:
    return Sight(own, different, hidden, 0.6, 0.0, np.ones((6, 3, 3), np.bool_))


def test_waiting_ends() -> None:
    """By what is seen then: the cube as it was, a layer that stands off, or nothing for too long."""
    bar, gone, turned = sight(0.1, 0.0, 0.3), sight(1.0, 0.0, 0.0), sight(0.9, 0.4, 0.0)
    passing = Passing(bar)
    said = [
        passing.see(one, fit, 0.97, False, lambda: False)
        for one, fit in [(bar, 0.5), (gone, 0.96), (gone, 0.96)]
    ]
    assert said == ["covered", "covered", "open"]
    passing = Passing(bar)
    said = [passing.see(turned, 0.5, 0.97, False, lambda: False) for _ in range(CHANGED_FRAMES)]
    assert said[-1] == "changed" and set(said[:-1]) == {"covered"}
    assert Passing(bar).see(turned, 0.7, 0.97, False, lambda: True) == "relit"
    passing = Passing(bar)
    said = [passing.see(bar, 0.5, 0.97, False, lambda: False) for _ in range(LONGEST_FRAMES)]
    assert said[-1] == "changed" and set(said[:-1]) == {"covered"}
