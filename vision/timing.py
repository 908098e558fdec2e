"""Time an attempt by what the camera sees: settled case, first turn, one colour on top; and the practice.

A state machine over one observation a frame, with no picture in it. Each event lies between two frames, and
a duration can be off by what is open at both of its ends together. Frames that were dropped or not tracked
widen that by themselves.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal, Protocol

Phase = Literal["idle", "settled", "running", "finished"]
Result = Literal["done", "unfinished", "lost"]

AWAY_S: Final = 4.0
"""A cube that stays out of sight so long ends the attempt."""
LONGEST_S: Final = 120.0
CALM_S: Final = 1.2
"""When the old case stands there again, unturned for so long, the "first turn" was none (a hand, a slip)."""

AGAIN_S: Final = 0.2
"""When it has stood there for so long at least, the first turn is the next one."""

PRACTICE_S: Final = 300.0
"""Turning that goes on for so long asks for a pause."""
PAUSE_S: Final = 60.0
"""Without a turn for so long is a pause."""


class State(Protocol):
    """A settled state; two looks at one state may differ in labelling, so they are asked, not compared."""

    def same_as(self, other: State) -> bool: ...


@dataclass(frozen=True, slots=True)
class Instant:
    """Something happened after ``after_s`` and by ``by_s``, in seconds of the source's clock.

    ``share`` 0..1 is where between the two it is put. A layer sets out and arrives smoothly, so its first
    move is seen late and its last one early; those instants lean accordingly.
    """

    after_s: float
    by_s: float
    share: float = 0.5

    @classmethod
    def among(cls, times_s: Sequence[float], back: int, share: float, unsure: int = 0) -> Instant:
        """After the frame before, or ``unsure`` frames before that, and by the one ``back`` frames ago; from
        the times of all frames, which reach back as far as is known."""
        last = max(len(times_s) - 1 - back, 0)
        return cls(times_s[max(last - 1 - unsure, 0)], times_s[last], share)

    @property
    def best_s(self) -> float:
        """The estimate."""
        return self.after_s + self.share * (self.by_s - self.after_s)

    @property
    def pm_s(self) -> float:
        """The most that the estimate can be off."""
        return max(self.share, 1 - self.share) * (self.by_s - self.after_s)

    def until(self, later: Instant) -> Span:
        """The duration from this instant to a later one, and how far it can be off."""
        return Span(max(later.best_s - self.best_s, 0.0), self.pm_s + later.pm_s)


@dataclass(frozen=True, slots=True)
class Span:
    """A duration in seconds and the most that the frame rate can have put it off."""

    seconds: float
    pm_s: float

    def rounded(self) -> Span:
        """As it is told and written down, to a tenth of a millisecond.

        Durations at 30 frames a second often lie half way between two hundredths: rounded to those from
        anything else, they would be told otherwise at once than later from the journal.
        """
        return Span(round(self.seconds, 4), round(self.pm_s, 4))


@dataclass(frozen=True, slots=True)
class Seen:
    """What is known at one frame.

    ``turning``: a layer is off its rest, and ``began`` when it left it (which may be some frames back);
    ``settled``: the settled state and ``settled_at`` when it settled
    (which may be some frames back); ``rested``: when the last turn came to rest, None while one is under way;
    ``one_colour``: the top face shows one colour since then.
    """

    time_s: float
    tracked: bool
    turning: bool = False
    began: Instant | None = None
    settled: State | None = None
    settled_at: Instant | None = None
    rested: Instant | None = None
    one_colour: bool = False


@dataclass(frozen=True, slots=True)
class Timed:
    """An attempt that has ended: what stood when it began, the two durations as far as they were reached."""

    settled: State
    settled_at: Instant
    recognition: Span
    execution: Span | None
    result: Result


class AttemptTimer:
    """Feed :meth:`see` with every frame in order; attempts that have ended come back from it."""

    def __init__(self) -> None:
        self.phase: Phase = "idle"
        self._settled: State | None = None
        self._settled_at = Instant(0.0, 0.0)
        self._turn_at = Instant(0.0, 0.0)
        self._still_s = 0.0
        self._seen_s = 0.0
        self._last_s: float | None = None
        self._calm_since_s: float | None = None

    @property
    def settled(self) -> State | None:
        """The state that the attempt began with."""
        return self._settled

    def running_s(self, now_s: float) -> float | None:
        """Seconds since the case was settled, or since the first turn; None while neither counts."""
        if self.phase == "settled":
            return max(0.0, now_s - self._settled_at.by_s)
        if self.phase == "running":
            return max(0.0, now_s - self._turn_at.by_s)
        return None

    def see(self, seen: Seen) -> Timed | None:
        """Take one frame in; returns the attempt that ended with it, if one did."""
        if self._last_s is not None and seen.time_s < self._last_s:
            self.forget()
        self._last_s = seen.time_s
        out: Timed | None = None
        if self.phase in ("idle", "finished"):
            self._maybe_begin(seen)
        elif self.phase == "settled":
            self._while_settled(seen)
        else:
            out = self._while_running(seen)
        if seen.tracked:
            self._seen_s = seen.time_s
            if not seen.turning:
                self._still_s = seen.time_s
        return out

    def forget(self) -> None:
        """Drop the attempt without a result."""
        self.phase, self._settled, self._last_s, self._calm_since_s = "idle", None, None, None

    def stop(self) -> Timed | None:
        """The source has ended; an attempt under way comes back unfinished."""
        out = self._ended("unfinished") if self.phase == "running" else None
        self.forget()
        return out

    def _maybe_begin(self, seen: Seen) -> None:
        if seen.settled is None or seen.settled_at is None or seen.turning or not seen.tracked:
            return
        if self.phase == "finished" and self._settled is not None and seen.settled.same_as(self._settled):
            return
        self._settled = seen.settled
        if seen.one_colour:  # nothing is left to do
            self.phase = "finished"
            return
        self.phase, self._settled_at = "settled", seen.settled_at
        self._calm_since_s = None

    def _while_settled(self, seen: Seen) -> None:
        assert self._settled is not None
        if seen.turning or (seen.settled is not None and not seen.settled.same_as(self._settled)):
            began = seen.began if seen.turning and seen.began is not None else None
            self._turn_at = began or Instant(max(self._still_s, self._settled_at.after_s), seen.time_s)
            self.phase, self._calm_since_s = "running", None
        elif not seen.tracked and seen.time_s - self._seen_s > AWAY_S:
            self.forget()  # put away before a turn was made: no attempt

    def _while_running(self, seen: Seen) -> Timed | None:
        assert self._settled is not None
        at_rest = seen.tracked and not seen.turning and seen.rested is not None
        if at_rest and seen.one_colour and seen.rested and seen.rested.by_s >= self._turn_at.by_s:
            return self._ended("done", seen.rested)
        same = seen.settled is not None and seen.settled.same_as(self._settled)
        calm_since_s = self._calm_since_s
        if seen.turning and calm_since_s is not None and self._still_s - calm_since_s >= AGAIN_S:
            self._turn_at = seen.began or Instant(self._still_s, seen.time_s)
        if seen.turning or not seen.tracked or not same:
            self._calm_since_s = None
        elif self._calm_since_s is None:
            self._calm_since_s = seen.time_s
        elif seen.time_s - self._calm_since_s > CALM_S:
            self.phase, self._calm_since_s = "settled", None
            return None
        if not seen.tracked and seen.time_s - self._seen_s > AWAY_S:
            return self._ended("lost")
        if seen.time_s - self._turn_at.by_s > LONGEST_S:
            return self._ended("unfinished")
        return None

    def _ended(self, result: Result, at: Instant | None = None) -> Timed:
        assert self._settled is not None
        execution = None if at is None else self._turn_at.until(at)
        recognition = self._settled_at.until(self._turn_at)
        self.phase, self._calm_since_s = "finished", None
        return Timed(self._settled, self._settled_at, recognition, execution, result)


class Practice:
    """Feed :meth:`see` with every frame in order."""

    def __init__(self) -> None:
        self._since_s: float | None = None
        self._last_s = 0.0

    @property
    def pause_due(self) -> bool:
        """Whether the turning has gone on for PRACTICE_S without a pause; true until one is made."""
        return self._since_s is not None and self._last_s - self._since_s >= PRACTICE_S

    def see(self, time_s: float, *, turning: bool) -> None:
        """Whether a layer is being turned at ``time_s``; time that runs backwards begins anew."""
        if not 0 <= time_s - self._last_s < PAUSE_S:
            self._since_s = None
        if turning:
            self._since_s = time_s if self._since_s is None else self._since_s
            self._last_s = time_s
