"""The two ways to watch: in the window, and as lines or JSON without one."""

from __future__ import annotations

import json
import sys
import threading
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Final, TextIO

from models.errors import LastlookError
from vision.frame_report import FrameReport
from vision.holding import FRONTS
from vision.live import Screen, Window
from vision.live_page import DARK, LIGHT
from vision.live_panel import Shown
from vision.live_words import Still, left_words, on_show, shown_at
from vision.moments import save_moment
from vision.session import Session, frame_json, frame_line
from vision.stream import TROUBLES, StreamEvent
from vision.streams import complain
from vision.timing import Timed
from vision.wording import CAUTION, counted, turns_from_here

WAIT_S: Final = 0.03
NOTICE_S: Final = 4.0
REPAINT_S: Final = 0.2

HELP: Final = (
    "Hold the cube so that its top face shows, and tilt it towards the side named until the case is settled."
    "\n"
    "The clock starts then; the first turn starts the second clock, one colour on top stops it.\n"
    "F: which side you call your front, as the camera sees it. M: the source shows a mirror image.\n"
    f"{CAUTION}"
)

_NOT_NOW: Final[dict[Still, str]] = {
    "Frozen": "Not while the picture is frozen; space lets it go on.",
    "Ended": "Not after the end: nothing is read any more.",
    "No picture": "Not while no picture comes.",
}


@dataclass(slots=True)
class _Notice:
    """A passing word on the panel."""

    words: str = ""
    until_s: float = 0.0

    def say(self, words: str) -> None:
        self.words, self.until_s = words, time.monotonic() + NOTICE_S

    def now(self) -> str:
        return self.words if time.monotonic() < self.until_s else ""


class WindowWatch:
    """Runs a session in the window until the user leaves or closes it."""

    def __init__(self, session: Session, *, dark: bool, moments: Path) -> None:
        self.session = session
        self.screen = Screen(theme=DARK if dark else LIGHT)
        self._moments = moments
        self._report: FrameReport | None = None
        self._newest: FrameReport | None = None
        self._frozen = self._help = False
        self._last = ""
        self._notice = _Notice()
        self._trouble = ""
        self._end = ""
        self._shown: Shown | None = None
        self._shown_s = 0.0

    @property
    def _still(self) -> Still:
        """Why the report shown stays as it is; "" while the next one takes its place."""
        if self._frozen:
            return "Frozen"
        if self._end:
            return "Ended"
        return "No picture" if self._trouble and self._report is not None else ""

    def run(self, window: Window, *, stop: Callable[[], bool] | None = None) -> None:
        """Until Q, Escape, the window's own close button, or ``stop`` says so. At the end of a recording the
        last picture stays up. However it ends, an attempt under way is kept."""
        try:
            while True:
                report, events = self.session.advance(WAIT_S)
                if report is not None:
                    self._take(report)
                self._hear(events)  # afterwards: trouble that comes with a picture is newer than that
                if report is None and self._end:  # nothing to wait for any more
                    time.sleep(WAIT_S)
                arrived = report.arrived_s if report is not None and not self._frozen else None
                canvas = self.screen.compose(self._report, self._panel(), window.wh, still=bool(self._still))
                key = window.show(canvas, arrived)
                if key in ("q", "escape", "closed") or (stop is not None and stop()):
                    return
                self._press(key)
        finally:
            self.screen.painter.close()
            self.session.finish()

    def _take(self, report: FrameReport) -> None:
        if report.ended is not None:
            self._last = _last_words(report.ended)
        if report.turned_over:
            self._notice.say(_turned_over_words(report))
        if report.reshaped:
            self._notice.say(_reshaped_words(report))
        self._trouble = ""
        self._newest = report
        if not self._frozen:
            self._report = report

    def _hear(self, events: list[StreamEvent]) -> None:
        for event in events:
            if event.kind in TROUBLES:
                self._trouble = event.text
            elif event.kind == "skipped":
                self._notice.say(event.text)
            else:
                self._trouble = ""
                if event.kind == "ended":
                    self._end = "The end of the recording. Q leaves."
                elif event.kind == "gave-up":
                    self._end = f"{event.text}. Q leaves."

    def _panel(self) -> Shown:
        now = time.monotonic()
        front = self.session.watcher.front_wanted
        if self._help:
            return Shown("Help", "still", advice=HELP, front=f"your front: {front or 'near'}")
        report = self._report
        suggestions = self.session.suggestions(on_show(report)) if report is not None else []
        shown = shown_at(
            report,
            suggestions,
            front=front,
            still=self._still,
            last=self._last,
            notice=self._trouble or self._notice.now() or self._end,
            caution=CAUTION if self.session.practice.pause_due else "",
        )
        # what is unsure changes with every frame; a person cannot read faster than this
        settled_now = self._shown is None or shown.mood == "sure" or self._shown.mood == "sure"
        if shown != self._shown and (settled_now or now - self._shown_s > REPAINT_S):
            self._shown, self._shown_s = shown, now
        assert self._shown is not None
        return self._shown

    def _press(self, key: str) -> None:
        watcher = self.session.watcher
        if key == " " and self._report is not None and (self._frozen or not self._end):
            self._frozen = not self._frozen
            self._report = self._newest
            self._notice.say("")
        elif key == "s" and self._report is not None:
            try:
                save_moment(self._report, self._moments)
                self._notice.say(f"Saved in {_short(self._moments)}")
            except LastlookError as error:
                self._notice.say(str(error))
        elif key == "n":
            told = on_show(self._report) if self._report is not None else None
            if told is not None and not self.session.choose_next(told):
                self._notice.say("There is no other sequence.")
        elif key in ("f", "m") and self._still:
            self._notice.say(_NOT_NOW[self._still])
        elif key == "f":
            here = FRONTS.index(watcher.front_wanted or "near")
            watcher.front_wanted = FRONTS[(here + 1) % len(FRONTS)]
        elif key == "m":
            watcher.turn_over()
            self._notice.say("Taken for a mirror image." if watcher.mirrored else "Taken as it is.")
        elif key == "t":
            self.screen.turn_theme()
        elif key == "h":
            self._help = not self._help


def run_lines(session: Session, out: TextIO, *, as_json: bool, finite: bool) -> int:
    """Without a window: one JSON object a frame, or a line for what is worth one; returns the exit status."""
    over = cautioned = False
    failed = trouble = ""
    try:
        while not over:
            ended = session.stream.ended  # before the events are read: the last one says why
            report, events = session.advance(0.25)
            # what comes with a picture is newer than that
            is_over = not any(event.kind in TROUBLES for event in events)
            for event in events:
                if event.kind == "gave-up":
                    failed = event.text
                elif event.kind not in ("opened", "ended") and event.text != trouble:
                    print(f"lastlook: {event.text}", file=sys.stderr)
                    trouble = event.text if event.kind in TROUBLES else trouble
            if report is not None:
                if trouble and is_over:
                    print(f"lastlook: {session.stream.source.name}: pictures come again", file=sys.stderr)
                    trouble = ""
                if report.turned_over:
                    print(f"lastlook: {_turned_over_words(report)}", file=sys.stderr)
                if report.reshaped:
                    print(f"lastlook: {_reshaped_words(report)}", file=sys.stderr)
                _print_frame(session, report, out, as_json=as_json)
            if session.practice.pause_due and not cautioned:
                cautioned = True
                print(f"lastlook: {CAUTION}", file=sys.stderr)
            over = ended and report is None
    finally:
        session.finish()
    if as_json and finite:
        print(json.dumps(session.summary_json()), file=out, flush=True)
    elif finite and session.frames:
        print(_summary_line(session), file=out, flush=True)
    if failed and (session.frames == 0 or not finite):
        raise LastlookError(failed)
    if failed:
        complain(failed)
    if session.settled:
        return 0
    return 3 if session.tracked else 4


def _print_frame(session: Session, report: FrameReport, out: TextIO, *, as_json: bool) -> None:
    if as_json:
        print(json.dumps(frame_json(report)), file=out, flush=True)
        return
    turns = ""
    left = None
    if report.newly_settled and report.verdict is not None:
        shown = session.suggestions(report.verdict)
        turns = turns_from_here(shown[0]) if shown else ""
        left = left_words(report.verdict.posterior, shown)
    line = frame_line(report, turns, left)
    if line:
        print(line, file=out, flush=True)


def _summary_line(session: Session) -> str:
    seen = f"cube followed in {session.tracked:,} of them, case settled in {session.settled:,}"
    return f"{counted(session.frames, 'frame')}, {seen}; {counted(len(session.attempts), 'attempt')}"


def load_library_beside(session: Session) -> None:
    """Load the sequences while the first frames already come in."""

    def load() -> None:
        from vision.library_files import open_library

        try:
            session.library = open_library()
        except LastlookError as error:
            complain(error)

    threading.Thread(target=load, name="lastlook-library", daemon=True).start()


def _last_words(ended: Timed) -> str:
    """A finished attempt in one short line."""
    seen = f"Last: recognised {ended.recognition.rounded().seconds:.2f} s"
    if ended.execution is None:
        return f"{seen}, {'out of sight' if ended.result == 'lost' else 'not finished'}"
    return f"{seen}, turned {ended.execution.rounded().seconds:.2f} s"


def _turned_over_words(report: FrameReport) -> str:
    """What the watcher found out about the source by itself."""
    if report.mirrored:
        return "The source shows a mirror image: it is turned over."
    return "The source shows no mirror image: it is taken as it is."


def _reshaped_words(report: FrameReport) -> str:
    """As :func:`_turned_over_words`, of the shape of pixels."""
    high, wide = report.image_bgr.shape[:2]
    if wide / high > report.source_wh[0] / report.source_wh[1] * 1.01:
        return "The source is squeezed from side to side: its pictures are drawn out."
    if wide / high < report.source_wh[0] / report.source_wh[1] / 1.01:
        return "The source is squeezed from top to bottom: its pictures are drawn out."
    return "The source is not squeezed: its pictures are taken as they are."


def _short(folder: Path) -> str:
    """A folder for a person: ``~`` for his own."""
    with suppress(ValueError, RuntimeError):
        return str("~" / folder.relative_to(Path.home()))
    return str(folder)
