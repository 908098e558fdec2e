"""What a watch says and does while it runs: keys, words that agree with the picture, the end, the reminder.

Keys are pressed by a script in place of the window; the frames are the studio's clips, worked off one by one.
"""

from __future__ import annotations

import io
import json
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from calibration.profile import default_profile
from models.layer import LastLayer
from models.library import load_library
from vision.evidence import Evidence
from vision.frame_report import FrameReport
from vision.holding import front_face
from vision.live import Screen
from vision.live_words import shown_at
from vision.session import Session
from vision.sources import load_photo
from vision.stream import FrameStream, StreamEvent, StreamFrame
from vision.stream_source import source_named
from vision.timing import PAUSE_S, PRACTICE_S, Practice
from vision.track import Tracker
from vision.watch import WindowWatch, run_lines
from vision.watcher import Watcher
from vision.wording import CAUTION

DATA = Path(__file__).parent / "data"
CLIP = DATA / "clip_tilting"
Script = Callable[[WindowWatch], Iterator[str]]


class ScriptedWindow:
    """Each picture shown asks the script for the next key; at its end the window is left."""

    wh = (640, 360)

    def __init__(self, keys: Iterator[str]) -> None:
        self.keys = keys

    def show(self, canvas: np.ndarray, arrived_s: float | None = None) -> str:
        return next(self.keys, "q")


@pytest.fixture
def play(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Callable[..., WindowWatch]]:
    """Runs a script over a clip, in a window that repaints at once and whose notices stay."""
    monkeypatch.setattr("vision.watch.REPAINT_S", 0.0)
    monkeypatch.setattr("vision.watch.NOTICE_S", 3600.0)
    with ExitStack() as tidy:

        def run(script: Script, source: Path = CLIP) -> WindowWatch:
            watcher = Watcher(default_profile())
            tidy.callback(watcher.close)
            stream = tidy.enter_context(FrameStream(source_named(str(source)), pace="every"))
            runner = WindowWatch(Session(stream, watcher), dark=True, moments=tmp_path / "moments")
            runner.run(ScriptedWindow(script(runner)))  # type: ignore[arg-type]
            return runner

        yield run


def until(runner: WindowWatch, so: Callable[[], bool]) -> Iterator[str]:
    patience_s = time.monotonic() + 60
    while not so():
        assert time.monotonic() < patience_s, "it never came to that"
        yield ""


def is_settled(runner: WindowWatch) -> Callable[[], bool]:
    return lambda: runner._report is not None and runner._report.settled


def test_words_and_picture_agree_while_it_is_frozen(play: Callable[..., WindowWatch]) -> None:
    def script(runner: WindowWatch) -> Iterator[str]:
        yield from until(runner, is_settled(runner))
        yield " "
        before, report = runner._panel(), runner._report
        assert (before.status, before.mood) == ("Frozen", "still")
        for key in "fm":
            runner._notice.words = ""
            yield key
            shown = runner._panel()
            assert "frozen" in shown.notice
            assert replace(shown, notice="") == before and runner._report is report
        watcher = runner.session.watcher
        assert watcher.front_wanted is None and not watcher.mirrored
        yield " "
        assert runner._report is not report and runner._panel().notice == ""

    play(script)


def test_the_front_that_is_named_is_the_one_that_the_verdict_is_for(
    play: Callable[..., WindowWatch],
) -> None:
    def script(runner: WindowWatch) -> Iterator[str]:
        yield from until(runner, is_settled(runner))
        for side in ("far", "left"):
            yield "f"
            report = runner._report
            assert report is not None and report.pose is not None and report.top is not None
            assert report.settled and report.front == front_face(report.pose, report.top, side)
            assert runner._panel().front == f"front: {side} side"

    play(script)


def test_a_verdict_that_stands_keeps_its_front(
    play: Callable[..., WindowWatch], monkeypatch: pytest.MonkeyPatch
) -> None:
    """While a hand passes by, the last sure verdict stays: so does the side that it calls front."""

    def script(runner: WindowWatch) -> Iterator[str]:
        yield from until(runner, is_settled(runner))
        before = runner._report
        assert before is not None
        monkeypatch.setattr(Evidence, "verdict", lambda *_: before.verdict)
        yield "f"
        report = runner._report
        assert report is not None and report is not before and report.verdict is before.verdict
        assert (report.front, report.front_side) == (before.front, before.front_side)
        assert runner._panel().front == ""

    play(script)


def test_a_verdict_is_shown_under_its_own_front(settled: FrameReport) -> None:
    assert shown_at(settled, [], front="far").front == ""
    assert shown_at(replace(settled, front_side="far"), []).front == "front: far side"
    assert shown_at(replace(settled, pose=None), [], front="far").front == "front: far side"


def test_after_the_end_it_says_so_whatever_else_it_says(
    play: Callable[..., WindowWatch], tmp_path: Path
) -> None:
    def script(runner: WindowWatch) -> Iterator[str]:
        yield from until(runner, lambda: runner._panel().status == "Ended")
        for key in ("f", "m", " ", "s", "n", "h", "h"):
            yield key
            shown = runner._panel()
            if key in "fm":
                assert "end" in shown.notice
            if key == "s":
                assert shown.notice.startswith("Saved in ") and shown.notice.endswith("moments")
            runner._notice.until_s = 0.0
            yield ""
            if not runner._help:
                assert (runner._panel().status, runner._panel().mood) == ("Ended", "still")
                assert "end of the recording" in runner._panel().notice
        watcher = runner.session.watcher
        assert watcher.front_wanted is None and not watcher.mirrored
        assert len(list((tmp_path / "moments").glob("*.png"))) == 1

    play(script)


def test_let_go_after_the_end_the_last_picture_shows(play: Callable[..., WindowWatch]) -> None:
    def script(runner: WindowWatch) -> Iterator[str]:
        yield from until(runner, is_settled(runner))
        yield " "
        yield from until(runner, lambda: bool(runner._end))
        assert runner._panel().status == "Frozen"
        yield " "
        assert runner._report is not None and runner._report.number == 29
        assert runner._panel().status == "Ended"

    play(script)


def test_a_case_that_is_doubted_a_little_is_shown_as_one_that_may_be(settled: FrameReport) -> None:
    """No side would tell more, so the way on is another look, not "reading" for as long as it is held so."""
    assert settled.verdict is not None
    doubted = replace(settled.verdict, reason="ambiguous", settled=False)
    shown = shown_at(replace(settled, verdict=doubted, settled=False, next_view=None), [])
    assert (shown.mood, shown.code) == ("unsure", "")
    assert [one.code for one in shown.candidates] == [settled.verdict.case]
    assert "tilt" in shown.advice.lower()


def test_a_picture_that_stays_runs_no_clock_and_asks_for_nothing(settled: FrameReport) -> None:
    running = replace(settled, phase="running", running_s=3.2)
    screen, shown = Screen(at_once=True), shown_at(running, [])

    def picture(report: FrameReport, still: bool) -> np.ndarray:
        return screen.compose(report, shown, (1280, 720), still=still).copy()

    assert (picture(running, still=False) != picture(running, still=True)).any()
    assert (picture(replace(running, phase="settled"), still=False) == picture(running, still=True)).all()
    unsure = replace(settled, settled=False, next_view="right")
    assert shown_at(unsure, []).tilt == "right" and shown_at(unsure, [], still="Ended").tilt == ""
    assert shown_at(replace(settled, pose=None), [], still="Ended").advice == ""


@pytest.fixture(scope="module")
def settled() -> FrameReport:
    """A frame of the studio's clip in which the case is settled."""
    watcher = Watcher(default_profile())
    with FrameStream(source_named(str(CLIP)), pace="every") as stream:
        session = Session(stream, watcher)
        reports = (session.advance(5.0)[0] for _ in range(12))
        found = next(report for report in reports if report is not None and report.settled)
    watcher.close()
    return found


def test_the_turns_stay_to_be_read_while_they_are_made(play: Callable[..., WindowWatch]) -> None:
    """From the first turn until the cube is settled again: the case and sequences that it began with."""
    turned: list[int] = []

    def script(runner: WindowWatch) -> Iterator[str]:
        runner.session.library = load_library()
        yield from until(runner, is_settled(runner))
        while runner._report is not None and runner._report.settled:
            before = runner._panel()
            yield ""
        assert before.doing
        while runner._report is not None and runner._report.begun is not None:
            shown = runner._panel()
            assert (shown.code, shown.twist, shown.flip) == (before.code, before.twist, before.flip)
            assert (shown.doing, shown.cube) == (before.doing, before.cube)
            assert shown.status in ("Turning", "Looking for a cube") and shown.per_cent is None
            turned.append(runner._report.number)
            yield ""
        assert (runner._report is not None and runner._report.phase != "running") or runner._report.settled

    play(script, DATA / "clip_turning")
    assert len(turned) > 5


def test_a_frozen_picture_keeps_its_turns(play: Callable[..., WindowWatch]) -> None:
    def script(runner: WindowWatch) -> Iterator[str]:
        runner.session.library = load_library()
        yield from until(runner, is_settled(runner))
        yield from until(runner, lambda: runner._report is not None and runner._report.begun is not None)
        begun = runner._panel()
        yield " "
        yield from until(runner, lambda: bool(runner._end))
        shown = runner._panel()
        assert shown.status == "Frozen" and (shown.code, shown.doing) == (begun.code, begun.doing)

    play(script, DATA / "clip_turning")


def test_a_picture_that_has_gone_old_is_not_called_settled(play: Callable[..., WindowWatch]) -> None:
    def script(runner: WindowWatch) -> Iterator[str]:
        yield from until(runner, is_settled(runner))
        runner._hear([StreamEvent("stalled", "camera 0: no picture for over 2 s")])
        shown = runner._panel()
        assert (shown.status, shown.mood) == ("No picture", "still") and "camera 0" in shown.notice
        runner._press("f")
        assert runner.session.watcher.front_wanted is None
        yield ""
        assert runner._panel().status != "No picture", "a frame has come"
        runner._hear([StreamEvent("lost", "camera 0: gone")])
        runner._press(" ")
        assert runner._panel().status == "Frozen"

    play(script)


def test_each_state_has_a_choice_of_its_own() -> None:
    """N at a frozen picture, with another case before the camera meanwhile."""
    session = Session(None, None, library=load_library())  # type: ignore[arg-type]
    frozen, newest, third = (
        SimpleNamespace(posterior=SimpleNamespace(state=LastLayer.after(turns, 4), size=4))
        for turns in ("R U R' U R U2 R'", "F R U R' U' F'", "F U R U' R' F'")
    )
    first, other = session.suggestions(frozen), session.suggestions(newest)  # type: ignore[arg-type]
    assert len(first) > 1 and len(other) > 1
    assert session.choose_next(frozen)  # type: ignore[arg-type]
    for _ in range(2):
        assert session.suggestions(newest) == other  # type: ignore[arg-type]
        assert session.suggestions(frozen) == [*first[1:], first[0]]  # type: ignore[arg-type]
    session.suggestions(third)  # type: ignore[arg-type]
    assert session.suggestions(frozen)[0] == first[1]  # type: ignore[arg-type]
    for _ in range(len(first) - 1):
        session.choose_next(frozen)  # type: ignore[arg-type]
    assert session.suggestions(frozen) == first  # type: ignore[arg-type]


def test_n_says_that_there_is_nothing_else(play: Callable[..., WindowWatch]) -> None:
    def script(runner: WindowWatch) -> Iterator[str]:
        yield from until(runner, is_settled(runner))
        runner._press("n")
        assert "no other" in runner._panel().notice
        yield ""

    play(script)


def test_that_a_turn_is_not_counted_is_told_where_one_comes_first(settled: FrameReport) -> None:
    """Once, at the first sequence that has such a turn, as the card and the text do."""
    assert settled.verdict is not None
    one = load_library().suggest(settled.verdict.posterior.state, 4, limit=1)[0]
    firsts = ["", "U", "U'"]
    told = shown_at(settled, [replace(one, first=first) for first in firsts]).doing
    assert ["not counted" in each.detail for each in told] == [False, True, False]


def test_one_is_one(tmp_path: Path) -> None:
    """The line at the end and the source's own, for a single frame."""
    cv2.imwrite(str(tmp_path / "a.png"), np.full((48, 64, 3), 90, np.uint8))
    source = source_named(str(tmp_path))
    watcher, out = Watcher(default_profile()), io.StringIO()
    with FrameStream(source, pace="every") as stream:
        assert run_lines(Session(stream, watcher), out, as_json=False, finite=True) == 4
    watcher.close()
    assert out.getvalue().startswith("1 frame, ")
    with FrameStream(source, pace="every") as stream:
        while not stream.ended:
            stream.next_frame(0.1)
        assert stream.events()[-1].text.endswith("after 1 frame")


@pytest.fixture(scope="module")
def mirrored(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("mirrored")
    for picture in sorted(CLIP.glob("*.jpg")):
        cv2.imwrite(str(folder / f"{picture.stem}.png"), cv2.flip(cv2.imread(str(picture)), 1))
    return folder


def test_what_the_watcher_finds_out_about_the_source_replaces_older_words(
    play: Callable[..., WindowWatch], mirrored: Path
) -> None:
    """The user presses M at a source that is as it should be; the watcher takes that back."""

    def of_itself(runner: WindowWatch) -> Iterator[str]:
        yield from until(runner, lambda: runner.session.watcher.mirrored)
        assert "mirror image" in runner._panel().notice and "no" not in runner._panel().notice

    def taken_back(runner: WindowWatch) -> Iterator[str]:
        yield from until(runner, is_settled(runner))
        yield "m"
        assert runner._panel().notice == "Taken for a mirror image."
        yield from until(runner, lambda: not runner.session.watcher.mirrored)
        assert "no mirror image" in runner._panel().notice

    play(of_itself, mirrored)
    play(taken_back)


def test_a_mirrored_source_is_told_once_without_a_window(
    mirrored: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    lines = in_lines(mirrored)
    assert capsys.readouterr().err.count("mirror image") == 1
    assert all("mirror" not in line for line in lines)


def in_lines(source: Path) -> list[str]:
    """What a watch without a window prints, as JSON lines."""
    watcher = Watcher(default_profile())
    out = io.StringIO()
    with FrameStream(source_named(str(source)), pace="every") as stream:
        assert run_lines(Session(stream, watcher), out, as_json=True, finite=True) == 0
    watcher.close()
    lines = out.getvalue().splitlines()
    assert [json.loads(line) for line in lines]
    return lines


# the reminder


def after(*turns_s: float, now_s: float) -> Practice:
    practice = Practice()
    for second in range(int(now_s) + 1):
        practice.see(float(second), turning=second in turns_s)
    return practice


def test_turning_without_a_pause_asks_for_one() -> None:
    steady = range(0, 2000, int(PAUSE_S / 2))
    assert not after(*steady, now_s=PRACTICE_S - 1).pause_due
    assert after(*steady, now_s=PRACTICE_S + PAUSE_S).pause_due
    assert after(*range(400), now_s=400 + PAUSE_S - 2).pause_due, "it stays until the pause is made"
    assert not after(*range(400), now_s=400 + PAUSE_S).pause_due
    assert not after(now_s=2000).pause_due, "a cube that only lies there"


@given(st.lists(st.floats(0, 4000), min_size=1, max_size=60))
def test_no_reminder_comes_before_its_time(times_s: list[float]) -> None:
    """At any moment at which a pause is due, PRACTICE_S of it lie behind in this very order of times."""
    practice = Practice()
    for time_s in times_s:
        practice.see(time_s, turning=True)
        assert not practice.pause_due or time_s >= PRACTICE_S


@pytest.mark.slow  # three watches of a whole clip
def test_the_panel_and_the_lines_say_it(
    play: Callable[..., WindowWatch], monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    lines = in_lines(DATA / "clip_turning")
    assert capsys.readouterr().err == ""
    monkeypatch.setattr("vision.timing.PRACTICE_S", 0.8)
    assert in_lines(DATA / "clip_turning")[:-1] == lines[:-1]
    assert capsys.readouterr().err == f"lastlook: {CAUTION}\n"

    def script(runner: WindowWatch) -> Iterator[str]:
        assert runner._panel().caution == ""
        yield from until(runner, lambda: runner.session.practice.pause_due)
        assert runner._panel().caution == CAUTION

    play(script, DATA / "clip_turning")


# one picture, held before the watcher


@pytest.mark.parametrize(
    "sample, code",
    [
        ("03-pastel-shades", "e1-pi-front"),  # its truth file; the colours alone leave it open
        ("14-top-hidden", None),
    ],
)
def test_a_still_cube_settles_on_its_truth_or_not_at_all(sample: str, code: str | None) -> None:
    image_bgr = load_photo(str(DATA.parent.parent / "sample_images" / f"{sample}.jpg")).image_bgr
    watcher = Watcher(default_profile())
    reports = [watcher.step(StreamFrame(image_bgr, k, k / 30, 0.0)) for k in range(8)]
    watcher.close()
    assert reports[-1].settled is (code is not None)
    assert code is None or reports[-1].case == code


@pytest.mark.parametrize("size", [3, 4])
def test_a_turn_after_which_another_cube_is_found_is_gone_on_from(
    size: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """At rest the finder sees what is there: a cube of other layers, where a bar had passed that was taken
    for a turn, or the same one under other names, whose turn counts."""
    image_bgr = load_photo(str(DATA.parent.parent / "sample_images" / "04-size-3.jpg")).image_bgr
    watcher = Watcher(default_profile())
    watcher.step(StreamFrame(image_bgr, 0, 0.0, 0.0))
    follower, turns = watcher._follower, watcher._turns
    assert turns is not None and follower.pose is not None and follower.pose.size == 3

    def another(number: int, image: np.ndarray, tracked: object) -> bool:
        assert follower.pose is not None
        follower._tracker = Tracker(image, replace(follower.pose, size=size))
        follower.change = "other"
        return True

    monkeypatch.setattr(follower, "at_rest", another)
    really, first = turns.see, ["rested"]
    monkeypatch.setattr(turns, "see", lambda *told: first.pop() if first else really(*told))
    report = watcher.step(StreamFrame(image_bgr, 1, 1 / 30, 0.0))
    assert (watcher._rested is not None) == (size == 3)
    for number in range(2, 4):
        report = watcher.step(StreamFrame(image_bgr, number, number / 30, 0.0))
    watcher.close()
    assert report.pose is not None and report.pose.size == size
