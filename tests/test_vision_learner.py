"""Watching teaches a profile: one look an attempt, labelled as the studio's truth says, and reversible."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import cv2
import numpy as np
import pytest
from sticker_maker import LIGHTS, albedo, make_samples, random_layer

import vision.label_learn
from calibration.collect import collect
from calibration.labelling import COVERED, SURE, Shot
from calibration.learn import Seen, is_learned
from calibration.profile import COLOURS, SCHEME, Profile, default_profile, load_profile
from calibration.reading import read_stickers
from models.cube import rotation_permutations
from models.errors import LastlookError
from vision.cli import run
from vision.frame_report import FrameReport, SettledState
from vision.learner import Learner, Teacher, look_of
from vision.profiles import profile_path
from vision.reasoner import Outcome
from vision.session import Session
from vision.stream import FrameStream
from vision.stream_source import source_named
from vision.watcher import Watcher

ROOT = Path(__file__).parent.parent
DATA = ROOT / "tests" / "data"
CLIPS = ("clip_tilting", "clip_turning")


@pytest.fixture(autouse=True)
def profiles(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("LASTLOOK_PROFILES", str(tmp_path / "profiles"))
    monkeypatch.setenv("LASTLOOK_JOURNAL", str(tmp_path / "journal.db"))
    return tmp_path / "profiles"


@pytest.fixture(scope="module")
def watched() -> dict[str, tuple[list[Seen], FrameReport, Outcome]]:
    """By clip: the looks handed on, and the first report with a look to learn from, with its outcome."""
    out = {}
    for clip in CLIPS:
        source = source_named(str(DATA / clip))
        looks: list[Seen] = []
        good = None
        watcher = Watcher(default_profile())
        with FrameStream(source, pace="every") as stream:
            session = Session(stream, watcher, learner=Learner(source, looks.append))
            while not stream.ended:
                report, _ = session.advance(2.0)
                outcome = watcher.outcome
                if good is None and report is not None and outcome is not None and look_of(outcome):
                    good = report, outcome
        session.finish()
        watcher.close()
        assert good is not None
        out[clip] = (looks, *good)
    return out


@pytest.mark.parametrize("clip", CLIPS)
def test_one_look_an_attempt_and_its_labels_are_true(clip: str, watched: dict) -> None:
    (look,) = watched[clip][0]
    assert look.picture.startswith(f"{clip} ")
    marginals = look.reading.posterior.marginals
    sure = (marginals.max(axis=-1) >= SURE) & (look.samples.coverage > COVERED) & (look.reading.clean >= 0.5)
    assert sure.sum() > 2 * look.samples.size
    truth = json.loads((DATA / f"{clip}.json").read_text())
    told = np.array([[[COLOURS.index(c) for c in row] for row in truth["facelets"][f]] for f in "URFDLB"])
    labels, shown = marginals.argmax(axis=-1).ravel(), sure.ravel()
    # the track names the faces as it likes: one of the 24 ways to hold the cube must fit, to the last sticker
    ways = rotation_permutations(look.samples.size)
    assert any((told.ravel()[way][shown] == labels[shown]).all() for way in ways)


def test_a_frame_that_contradicts_the_others_teaches_nothing(watched: dict) -> None:
    one, other = (watched[clip][2] for clip in CLIPS)
    assert look_of(one) is not None and look_of(other) is not None
    assert look_of(replace(one, reading=other.reading)) is None
    assert look_of(replace(one, verdict=replace(one.verdict, settled=False))) is None
    assert look_of(replace(one, samples=None, reading=None)) is None


def told_apart(watched: dict, other_case: str, turning: bool) -> list[Seen]:
    """Looks handed on when a settled case gives way to another one, with or without a turn between."""
    _, report, outcome = watched["clip_tilting"]
    looks: list[Seen] = []
    learner = Learner(source_named(str(DATA / "clip_tilting")), looks.append)
    state = SettledState(report.case, 0, outcome.top_look, 0)
    timer = SimpleNamespace(phase="settled", settled=state)
    learner.see(report, SimpleNamespace(timer=timer, outcome=outcome))
    timer.phase = "running"
    if turning:
        learner.see(replace(report, turning=True, settled=False), SimpleNamespace(timer=timer, outcome=None))
    after = replace(report, verdict=replace(report.verdict, case=other_case))
    learner.see(after, SimpleNamespace(timer=timer, outcome=None))
    assert looks == [], "nothing is learned before the attempt is over"
    timer.phase = "finished"
    learner.see(report, SimpleNamespace(timer=timer, outcome=outcome))
    learner.finish()
    return looks


def test_a_case_that_changes_without_a_turn_teaches_nothing(watched: dict) -> None:
    assert told_apart(watched, "e4-bowtie", turning=False) == []
    assert len(told_apart(watched, "e4-bowtie", turning=True)) == 1


def a_profile(name: str, sizes: tuple[int, ...] = (4,)) -> Profile:
    rng = np.random.default_rng(4)
    shots = [Shot(light, make_samples(albedo("usual"), light, rng)[0]) for light in ("noon", "lamp")]
    made = replace(collect(shots, name, scheme=SCHEME).profile, sizes=sizes)
    made.save(profile_path(name))
    return made


def learned_names(path: Path) -> set[str]:
    return {one.picture.rpartition("#")[0] for one in load_profile(path).samples if is_learned(one.picture)}


def test_the_teacher_writes_each_look_and_passes_over_other_cubes(watched: dict, profiles: Path) -> None:
    looks = [watched[clip][0][0] for clip in CLIPS]
    for name, sizes, added in (("desk", (4,), 2), ("any", (), 2), ("small", (3,), 0)):
        a_profile(name, sizes)
        teacher = Teacher(profile_path(name))
        for look in looks:
            teacher.teach(look)
        teacher.close()
        assert teacher.added == added == len(learned_names(profile_path(name)))
    teacher = Teacher(profile_path("desk"))
    profile_path("desk").unlink()
    teacher.teach(looks[0])
    with pytest.raises(LastlookError, match=r"desk\.json"):
        teacher.close()
    assert not profile_path("desk").exists()


def looks_of(cube: str, name: str, count: int = 12, size: int = 4) -> list[Seen]:
    """Looks at an invented cube under many lights, read with the profile ``name``."""
    rng = np.random.default_rng(4)
    profile = load_profile(profile_path(name))
    lights = [list(LIGHTS)[i % len(LIGHTS)] for i in range(count)]
    made = [
        make_samples(albedo(cube), light, rng, layer=random_layer(rng, size), size=size)[0]
        for light in lights
    ]
    return [Seen(f"{i}.jpg", samples, read_stickers(samples, profile)) for i, samples in enumerate(made)]


def test_the_teacher_learns_from_its_own_cube_alone(capsys: pytest.CaptureFixture[str]) -> None:
    """Another cube is told of once, however long it is shown; few looks, which tell nothing, are believed."""
    a_profile("desk")
    path = profile_path("desk")
    before = path.read_bytes()
    for cube, count, notes, added in (("pastel", 12, 1, 0), ("usual", 12, 0, 12), ("usual", 2, 0, 2)):
        path.write_bytes(before)
        teacher = Teacher(path)
        for look in looks_of(cube, "desk", count):
            teacher.teach(look)
        teacher.close()
        assert (capsys.readouterr().err.count("note:"), teacher.added) == (notes, added), cube
        assert len(learned_names(path)) == added and (path.read_bytes() == before) == (not added)


@pytest.mark.parametrize("learn", [pytest.param([], marks=pytest.mark.slow), ["--learn"]])
def test_a_run_learns_from_its_own_cube_alone(
    learn: list[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    a_profile("desk")
    path = profile_path("desk")
    before = path.read_bytes()
    cv2.imwrite(str(tmp_path / "grey.png"), np.full((64, 64, 3), 90, np.uint8))
    for cube, size, notes, learns in (("pastel", 4, 1, False), ("usual", 4, 0, True), ("usual", 3, 0, False)):
        looks = looks_of(cube, "desk", size=size)
        monkeypatch.setattr(vision.label_learn, "surest", lambda answers, most: list(range(12)))
        monkeypatch.setattr(vision.label_learn, "look_again", lambda i, photos, looks=looks: looks[i])
        assert run(["label", str(tmp_path / "grey.png"), "-j", "1", "--profile", "desk", *learn]) == 0
        told = capsys.readouterr().err
        assert told.count("note:") == notes, told
        assert bool(learned_names(path)) == (path.read_bytes() != before) == (learns and bool(learn))
        assert bool(learn) == ("added to 'desk'" in told)
        assert ("12 of cubes of another size left alone" in told) == (size == 3 and bool(learn))
        path.write_bytes(before)


def test_the_command_learns_once_and_forget_takes_it_back(capsys: pytest.CaptureFixture[str]) -> None:
    a_profile("desk")
    path = profile_path("desk")
    before = path.read_bytes()
    arguments = ["watch", str(DATA / "clip_tilting"), "--json", "--profile", "desk"]
    assert run(arguments) == 0 and path.read_bytes() == before
    for _ in range(2):  # the same recording again adds nothing twice
        capsys.readouterr()
        assert run([*arguments, "--learn"]) == 0
        assert "1 look added to 'desk'" in capsys.readouterr().err
        (name,) = learned_names(path)
        assert name.startswith("learned:clip_tilting")
    assert load_profile(path).to_json_dict()["model"] != json.loads(before)["model"]
    assert run(["profile", "forget", "desk"]) == 0
    assert path.read_bytes() == before


def test_what_was_seen_until_ctrl_c_is_learned() -> None:
    a_profile("desk")
    child = subprocess.Popen(
        [sys.executable, "-m", "vision", "watch", str(DATA / "clip_turning"), "--json",
         "--profile", "desk", "--learn"],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
    )  # fmt: skip
    assert child.stdout is not None
    while not json.loads(child.stdout.readline())["settled"]:
        pass
    child.send_signal(signal.SIGINT)
    _, told = child.communicate(timeout=60)
    assert "1 look added to 'desk'" in told and "Traceback" not in told and child.returncode != 0
    assert len(learned_names(profile_path("desk"))) == 1


@pytest.mark.parametrize("profile", [None, "default", "desk.json", "x"])
@pytest.mark.parametrize("command", [["watch", "clip", "--json"], ["label", "x.jpg"]])
def test_learning_needs_a_profile_of_ones_own(
    command: list[str], profile: str | None, capsys: pytest.CaptureFixture[str]
) -> None:
    default_profile().save(profile_path("x"))  # nothing of its own to go back to
    named = [] if profile is None else ["--profile", profile]
    assert run([*command, *named, "--learn"]) == 2
    told = capsys.readouterr().err
    assert told.count("\n") == 1
    assert ("lastlook calibrate" if profile == "x" else "--learn needs a profile of your own") in told
