"""A watch from first frame to last: stream, watcher, journal and library together, without a window."""

from __future__ import annotations

from collections import Counter, OrderedDict
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any

from models.attempt import Attempt, utc_text
from models.cases import CASES, case_of
from models.decode_permutation import permutation_posterior
from models.journal import Journal
from models.layer import LastLayer
from vision.evidence import Verdict
from vision.frame_report import FrameReport, SettledState
from vision.stream import FrameStream, StreamEvent
from vision.timing import Practice
from vision.watcher import Watcher

if TYPE_CHECKING:
    from models.library import Library, Suggestion
    from vision.learner import Learner

MOST_SUGGESTIONS = 4


@dataclass(frozen=True, slots=True)
class _Begun:
    """What was on show when an attempt began."""

    code: str
    angle: int
    size: int
    sequence: str | None
    probability: float


@dataclass(slots=True)
class _Offered:
    """Sequences for a state, and how often the user asked for the next one."""

    found: list[Suggestion]
    chosen: int = 0


class Session:
    """Frames in, reports out; attempts go into the journal as they end. ``cube`` names the profile,
    ``learner`` hands looks on to it; ``practice`` tells when a pause is due."""

    def __init__(
        self,
        stream: FrameStream,
        watcher: Watcher,
        *,
        library: Library | None = None,
        journal: Journal | None = None,
        cube: str = "",
        learner: Learner | None = None,
    ) -> None:
        self.stream = stream
        self.watcher = watcher
        self.attempts: list[Attempt] = []
        self.practice = Practice()
        self.frames = self.tracked = self.settled = 0
        self._cases: Counter[str] = Counter()
        self.library = library
        self._journal = journal
        self._cube = cube
        self._learner = learner
        self._begun: _Begun | None = None
        self._offered: OrderedDict[tuple[LastLayer, bool], _Offered] = OrderedDict()
        self._last_s = 0.0

    def advance(self, timeout_s: float) -> tuple[FrameReport | None, list[StreamEvent]]:
        """The next frame's report, None when none came within ``timeout_s``, and what the source said."""
        frame = self.stream.next_frame(timeout_s)
        events = self.stream.events()
        if frame is None:
            return None, events
        report = self.watcher.step(frame)
        self._last_s = report.time_s
        self.frames += 1
        self.tracked += report.pose is not None
        self.settled += report.settled
        if report.newly_settled and report.case is not None:
            self._cases[report.case] += 1
        self.practice.see(report.time_s, turning=report.turning)
        self._note(report)
        if self._learner is not None:
            self._learner.see(report, self.watcher)
        return report, events

    def suggestions(self, verdict: Verdict | None) -> list[Suggestion]:
        """Sequences for the cube as it is held, the chosen one first."""
        if verdict is None or self.library is None:
            return []
        offered = self._offer(verdict, self.library)
        shift = offered.chosen % max(len(offered.found), 1)
        return offered.found[shift:] + offered.found[:shift]

    def choose_next(self, verdict: Verdict | None) -> bool:
        """Put the next sequence first, for this state alone; False where there is no other."""
        if len(self.suggestions(verdict)) < 2 or verdict is None or self.library is None:
            return False
        self._offer(verdict, self.library).chosen += 1
        return True

    def _offer(self, verdict: Verdict, library: Library) -> _Offered:
        """What there is for the state; kept for the last two: a frozen picture's and the newest one's."""
        posterior = verdict.posterior
        state = posterior.state
        # oriented pieces whose permutation is open would get a sequence for a guess
        is_told = not state.is_oriented or permutation_posterior(posterior) is not None
        key = state, is_told
        if key not in self._offered:
            found = library.suggest(state, posterior.size, limit=MOST_SUGGESTIONS) if is_told else []
            self._offered[key] = _Offered(list(found))
            if len(self._offered) > 2:
                self._offered.popitem(last=False)
        self._offered.move_to_end(key)
        return self._offered[key]

    def _note(self, report: FrameReport) -> None:
        if report.phase == "settled" and report.settled and report.verdict is not None and report.pose:
            begun = self.watcher.timer.settled
            case, angle = case_of(report.verdict.posterior.state)
            if isinstance(begun, SettledState) and begun.code == case.code:
                shown = self.suggestions(report.verdict)
                sequence = f"{shown[0].first} {shown[0].turns}".strip() if shown else None
                self._begun = _Begun(case.code, angle % 4, report.pose.size, sequence, report.probability)
        if report.ended is not None:
            self._keep(report.ended, report.time_s)

    def _keep(self, ended: Any, now_s: float) -> None:
        begun = self._begun
        if begun is None:
            return
        ago_s = max(0.0, now_s - ended.settled_at.by_s)
        recognition = ended.recognition.rounded()
        execution = None if ended.execution is None else ended.execution.rounded()
        attempt = Attempt(
            at=utc_text(datetime.now(UTC) - timedelta(seconds=ago_s)),
            cube=self._cube,
            size=begun.size,
            case=begun.code,
            angle=begun.angle,
            sequence=begun.sequence,
            recognition_s=recognition.seconds,
            recognition_pm_s=recognition.pm_s,
            execution_s=None if execution is None else execution.seconds,
            execution_pm_s=None if execution is None else execution.pm_s,
            result=ended.result,
            confidence=round(min(1.0, begun.probability), 6),
        )
        self.attempts.append(attempt)
        if self._journal is not None:
            self._journal.add(attempt)

    def finish(self) -> None:
        """The source has ended or the user has: an attempt under way goes into the journal as unfinished."""
        ended = self.watcher.timer.stop()
        if ended is not None:
            self._keep(ended, self._last_s)
        if self._learner is not None:
            self._learner.finish()

    def summary_json(self) -> dict[str, Any]:
        """The object that closes a finite source."""
        return {
            "summary": {
                "frames": self.frames,
                "dropped": self.stream.dropped,
                "tracked": self.tracked,
                "settled": self.settled,
                "cases": [{"code": code, "times": times} for code, times in self._cases.items()],
                "attempts": [attempt.to_json_dict() for attempt in self.attempts],
            }
        }


def frame_json(report: FrameReport) -> dict[str, Any]:
    """One frame as plain values, keys in the documented order; ``quad`` in the pixels of the source."""
    quad = report.quad_xy()
    return {
        "frame": report.number,
        "time": round(report.time_s, 4),
        "tracked": report.pose is not None,
        "settled": report.settled,
        "case": report.case,
        "probability": round(report.probability, 6),
        "quad": None if quad is None else [[round(float(x), 2), round(float(y), 2)] for x, y in quad],
        "size": None if report.pose is None else report.pose.size,
        "next_view": report.next_view,
    }


def frame_line(report: FrameReport, turns: str = "", left: tuple[str, str] | None = None) -> str:
    """What is worth a line of text: the case once it is settled, with ``turns`` to be done and what is
    ``left`` (`wording.what_is_left`), and attempts as they end."""
    if report.newly_settled and report.case is not None:
        line = f"{report.time_s:8.2f} s  {CASES[report.case].name} ({report.case})"
        label, words = left or ("", "")
        line = f"{line}, {words}" if label == "Left" else line
        line = f"{line}: {turns}" if turns else line
        return f"{line}; after it {words}" if label == "After it" else line
    if report.ended is not None:
        return f"{report.time_s:8.2f} s  {attempt_words(report.ended)}"
    return ""


def attempt_words(ended: Any) -> str:
    """A finished attempt for a person."""
    seen = ended.recognition.rounded()
    words = f"recognised in {seen.seconds:.2f} s (± {seen.pm_s:.2f})"
    if ended.execution is not None:
        turned = ended.execution.rounded()
        words += f", turned in {turned.seconds:.2f} s (± {turned.pm_s:.2f})"
    elif ended.result == "lost":
        words += ", then out of sight"
    else:
        words += ", not finished"
    return words
