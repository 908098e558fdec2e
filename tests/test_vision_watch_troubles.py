"""When a watch goes wrong: a camera that is lost, comes back or is given up, a window that breaks."""

from __future__ import annotations

import io
import re
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from test_vision_watch import DATA, ScriptedWindow, until

from calibration.profile import default_profile
from models.errors import LastlookError
from models.journal import Journal
from vision.session import Session
from vision.stream import FrameStream, StreamEvent, StreamFrame
from vision.stream_source import source_named
from vision.watch import WindowWatch, run_lines
from vision.watcher import Watcher


class GivingUp:
    """A stream that gives up just after its news was read."""

    ended = False
    dropped = 0

    def __init__(self) -> None:
        self.news: list[StreamEvent] = []

    def next_frame(self, timeout_s: float) -> None:
        return None

    def events(self) -> list[StreamEvent]:
        news, self.news = self.news, []
        if not self.ended:
            self.ended, self.news = True, [StreamEvent("gave-up", "camera 0: given up after 60 s")]
        return news


def test_why_a_camera_was_given_up_is_told_however_late_it_comes() -> None:
    watcher = Watcher(default_profile())
    session = Session(GivingUp(), watcher)  # type: ignore[arg-type]
    with pytest.raises(LastlookError, match="given up after 60 s"):
        run_lines(session, io.StringIO(), as_json=True, finite=False)
    watcher.close()


def test_the_last_line_counts_everything_in_frames() -> None:
    """Its numbers are those of the data, so that none is taken for a share of another."""
    stream = GivingUp()
    stream.ended = True
    watcher, out = Watcher(default_profile()), io.StringIO()
    session = Session(stream, watcher)  # type: ignore[arg-type]
    session.frames, session.tracked, session.settled = 1234, 601, 52
    assert run_lines(session, out, as_json=False, finite=True) == 0
    watcher.close()
    (line,) = out.getvalue().splitlines()
    assert re.findall(r"[\d,]*\d", line) == ["1,234", "601", "52", "0"] and "%" not in line


class ComingBack:
    """A camera that is lost right after a picture and for three tries, then gives two, then is given up."""

    source = source_named("0")
    ended = False

    def __init__(self) -> None:
        gone, busy = "camera 0: gone; trying again", "camera 0: busy; trying again"
        self.steps = [("lost", gone), ("waiting", busy), ("waiting", busy), ("stalled", busy), None, None]
        self.begun = False

    def next_frame(self, timeout_s: float) -> StreamFrame | None:
        if not self.begun or (self.steps and self.steps[0] is None):
            self.begun = True
            return StreamFrame(np.full((48, 64, 3), 90, np.uint8), 6 - len(self.steps), 0.0, 0.0)
        return None

    def events(self) -> list[StreamEvent]:
        step = self.steps.pop(0) if self.steps else ("gave-up", "camera 0: given up")
        self.ended = not self.steps
        return [] if step is None else [StreamEvent(*step)]


def test_without_a_window_a_trouble_is_said_once_and_that_it_is_over(
    capsys: pytest.CaptureFixture[str],
) -> None:
    watcher = Watcher(default_profile())
    session = Session(ComingBack(), watcher)  # type: ignore[arg-type]
    with pytest.raises(LastlookError, match="given up"):
        run_lines(session, io.StringIO(), as_json=True, finite=False)
    watcher.close()
    assert capsys.readouterr().err.splitlines() == [
        "lastlook: camera 0: gone; trying again",
        "lastlook: camera 0: busy; trying again",
        "lastlook: camera 0: pictures come again",
    ]


class Onlooker:
    """A window that keeps the trouble that is told with each picture shown."""

    wh = (640, 360)

    def __init__(self, watch: list[WindowWatch]) -> None:
        self.watch, self.told = watch, []

    def show(self, canvas: np.ndarray, arrived_s: float | None) -> str:
        self.told.append(self.watch[0]._trouble)
        return "q" if len(self.told) == 6 else ""


def test_a_window_says_at_once_that_a_camera_is_lost_and_then_that_it_is_back(tmp_path: Path) -> None:
    """The last picture from before is no sign that pictures come again."""
    watcher = Watcher(default_profile())
    session = Session(ComingBack(), watcher)  # type: ignore[arg-type]
    watch: list[WindowWatch] = []
    window = Onlooker(watch)
    watch.append(WindowWatch(session, dark=False, moments=tmp_path))
    watch[0].run(window)  # type: ignore[arg-type]
    watcher.close()
    gone, busy = "camera 0: gone; trying again", "camera 0: busy; trying again"
    assert window.told == [gone, busy, busy, busy, "", ""]


class FailingWindow:
    """A window that breaks once the clock of an attempt runs."""

    wh = (640, 360)

    def __init__(self, watcher: Watcher) -> None:
        self.watcher = watcher

    def show(self, canvas: np.ndarray, arrived_s: float | None = None) -> str:
        if self.watcher.timer.phase == "running":
            raise RuntimeError("the display has gone")
        return ""


def test_an_attempt_under_way_is_kept_when_the_window_breaks(tmp_path: Path) -> None:
    watcher = Watcher(default_profile())
    with (
        FrameStream(source_named(str(DATA / "clip_turning")), pace="every") as stream,
        Journal(tmp_path / "journal.db") as journal,
    ):
        session = Session(stream, watcher, journal=journal)
        runner = WindowWatch(session, dark=True, moments=tmp_path)
        with pytest.raises(RuntimeError, match="has gone"):
            runner.run(FailingWindow(watcher))  # type: ignore[arg-type]
        assert [row.attempt.result for row in journal.rows()] == ["unfinished"]
    watcher.close()


def test_the_window_says_why_a_camera_was_given_up(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("vision.watch.REPAINT_S", 0.0)
    watcher = Watcher(default_profile())
    runner = WindowWatch(Session(GivingUp(), watcher), dark=True, moments=tmp_path)  # type: ignore[arg-type]

    def script() -> Iterator[str]:
        yield from until(runner, lambda: bool(runner._end))
        assert runner._panel().status == "Ended" and "given up after 60 s" in runner._panel().notice

    runner.run(ScriptedWindow(script()))  # type: ignore[arg-type]
    watcher.close()
