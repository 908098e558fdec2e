"""Time an attempt by what the camera sees: settled case, first turn, one colour on top.

A state machine over one observation a frame, with no picture in it. Each event lies between two frames: it
is put in the middle of the two and can be off by half their distance; a duration can be off by both of its
ends. Frames that were dropped or untracked widen that distance by themselves.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Final, Literal

Phase = Literal["idle", "settled", "running", "finished"]
Result = Literal["done", "unfinished", "lost"]

AWAY_S: Final = 4.0
"""A cube that stays out of sight so long ends the attempt."""
LONGEST_S: Final = 120.0
CALM_S: Final = 1.2
"""When the old case stands there again, unturned for so long, the "first turn" was none (a hand, a slip)."""
STAND_FRAMES: Final = 3
"""One colour on top must stand so many frames; the time counts from the first of them."""


@dataclass(frozen=True, slots=True)
class Seen:
    """What one frame tells.

    ``time_s`` of the frame; ``tracked``; ``turning``: a layer is off its rest or has just moved;
    ``settled``: anything hashable that names the settled state, or None; ``one_colour``: whether the face in
    view that is or was on top shows the last layer's colour alone, None where it cannot be told.
    """

    time_s: float
    tracked: bool
    turning: bool
    settled: object | None
    one_colour: bool | None


@dataclass(frozen=True, slots=True)
class Span:
    """A duration in seconds and the most that the frame rate can have put it off."""

    seconds: float
    pm_s: float


@dataclass(frozen=True, slots=True)
class Timed:
    """An attempt that has ended. ``settled`` is what stood when it began, ``settled_s`` when."""

    settled: object
    settled_s: float
    recognition: Span | None
    execution: Span | None
    result: Result


@dataclass(slots=True)
class _Instant:
    """Something happened after ``after_s`` and by ``by_s``."""

    after_s: float
    by_s: float

    def to(self, later: _Instant) -> Span:
        middle = (later.after_s + later.by_s - self.after_s - self.by_s) / 2
        return Span(max(middle, 0.0), (self.by_s - self.after_s + later.by_s - later.after_s) / 2)


@dataclass(slots=True)
class AttemptTimer:
    """Feed :meth:`see` with every frame in order; finished attempts come back from it.

    ``on_first_turn`` is called when a first turn is taken to have happened.
    """

    on_first_turn: Callable[[], None] | None = None
    phase: Phase = "idle"
    _settled: object | None = None
    _settled_at: _Instant = field(default_factory=lambda: _Instant(0.0, 0.0))
    _turn_at: _Instant | None = None
    _still_s: float = 0.0
    _seen_s: float = 0.0
    _last_s: float | None = None
    _colour_since: _Instant | None = None
    _colour_frames: int = 0
    _not_colour_s: float = 0.0
    _calm_since_s: float | None = None

    @property
    def settled(self) -> object | None:
        """The state that the running attempt began with."""
        return self._settled

    def running_for(self, now_s: float) -> float | None:
        """Seconds since the first turn, or since the case was settled; None while idle."""
        if self.phase == "settled":
            return max(0.0, now_s - self._settled_at.by_s)
        if self.phase == "running" and self._turn_at is not None:
            return max(0.0, now_s - self._turn_at.by_s)
        return None

    def see(self, seen: Seen) -> Timed | None:
        """Take one frame in; returns the attempt that ended with it, if one did."""
        if self._last_s is not None and seen.time_s < self._last_s:
            self.forget()
        before_s = self._last_s if self._last_s is not None else seen.time_s
        self._last_s = seen.time_s
        out: Timed | None = None
        if self.phase in ("idle", "finished"):
            self._maybe_begin(seen, before_s)
        elif self.phase == "settled":
            out = self._while_settled(seen)
        else:
            out = self._while_running(seen)
        if seen.tracked:
            self._seen_s = seen.time_s
            if not seen.turning:
                self._still_s = seen.time_s
            if seen.one_colour is not True:
                self._not_colour_s = seen.time_s
        return out

    def forget(self) -> None:
        """Drop the running attempt without a result (a jump in time, another source)."""
        self.phase, self._settled, self._turn_at, self._last_s = "idle", None, None, None
        self._colour_since, self._colour_frames, self._calm_since_s = None, 0, None

    def stop(self) -> Timed | None:
        """The source has ended; a running attempt comes back unfinished."""
        out = self._ended("unfinished") if self.phase == "running" else None
        self.forget()
        return out

    def _maybe_begin(self, seen: Seen, before_s: float) -> None:
        if seen.settled is None or seen.turning or not seen.tracked:
            return
        if self.phase == "finished" and seen.settled == self._settled:
            return
        if seen.one_colour:  # nothing left to do
            self._settled = seen.settled
            self.phase = "finished"
            return
        self.phase, self._settled = "settled", seen.settled
        self._settled_at = _Instant(before_s, seen.time_s)
        self._still_s = seen.time_s
        self._turn_at, self._colour_since, self._colour_frames, self._calm_since_s = None, None, 0, None

    def _while_settled(self, seen: Seen) -> Timed | None:
        changed = seen.settled is not None and seen.settled != self._settled
        if seen.turning or changed:
            self._turn_at = _Instant(self._still_s, seen.time_s)
            self.phase = "running"
            self._not_colour_s = self._still_s
            if self.on_first_turn is not None:
                self.on_first_turn()
            return self._while_running(seen)
        if seen.time_s - self._seen_s > AWAY_S and not seen.tracked:
            self.forget()  # put down before a turn was made: no attempt
        return None

    def _while_running(self, seen: Seen) -> Timed | None:
        if seen.turning or not seen.tracked or seen.settled != self._settled:
            self._calm_since_s = None
        elif self._calm_since_s is None:
            self._calm_since_s = seen.time_s
        elif seen.time_s - self._calm_since_s > CALM_S and not seen.one_colour:
            self.phase, self._turn_at, self._calm_since_s = "settled", None, None
            return None
        if seen.tracked and seen.one_colour and not seen.turning:
            if self._colour_since is None:
                self._colour_since = _Instant(self._not_colour_s, seen.time_s)
                self._colour_frames = 0
            self._colour_frames += 1
            if self._colour_frames >= STAND_FRAMES:
                return self._ended("done")
        elif seen.turning or seen.one_colour is False:
            self._colour_since = None
        if not seen.tracked and seen.time_s - self._seen_s > AWAY_S:
            return self._ended("lost")
        assert self._turn_at is not None
        if seen.time_s - self._turn_at.by_s > LONGEST_S:
            return self._ended("unfinished")
        return None

    def _ended(self, result: Result) -> Timed:
        assert self._turn_at is not None and self._settled is not None
        execution = None
        if result == "done" and self._colour_since is not None:
            execution = self._turn_at.to(self._colour_since)
        out = Timed(
            self._settled,
            self._settled_at.by_s,
            self._settled_at.to(self._turn_at),
            execution,
            result,
        )
        self.phase = "finished"
        self._turn_at, self._colour_since, self._calm_since_s = None, None, None
        return out
