"""What a watch teaches a profile: the best look of each attempt, added in a thread of its own.

A settled cube stays in view for hundreds of frames that all say the same, so of each attempt one look is
kept: that with the most stickers to learn from. When the attempt is over it goes to :class:`Teacher`, which
takes the profile from its file as it then is, adds the look (:func:`calibration.learn.learned`) and writes
the file whole; the first looks together, once there are enough of them to tell whether this is the profile's
cube. The watch goes on reading with the profile that it began with.
"""

from __future__ import annotations

import queue
import sys
import threading
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from calibration.labelling import COVERED, SURE, teaching
from calibration.learn import DriftWatch, Seen, learned, worth_learning
from calibration.profile import load_profile
from models.attempt import utc_text
from vision.frame_report import SettledState
from vision.watcher import Watcher

if TYPE_CHECKING:
    from vision.frame_report import FrameReport
    from vision.reasoner import Outcome
    from vision.stream_source import Source


def look_of(outcome: Outcome) -> tuple[Seen, int] | None:
    """What one frame can teach, under no name yet, and of how many stickers; None where it should not.

    Its stickers are labelled by all frames together. A frame that by itself is sure of anything else than
    they say teaches nothing: a hand may be in it, or the cube may have slipped in the track.
    """
    verdict, samples, alone = outcome.verdict, outcome.samples, outcome.reading
    if verdict is None or not verdict.settled or samples is None or alone is None:
        return None
    reading = replace(alone, posterior=verdict.posterior)
    if not worth_learning(reading, samples):
        return None
    together, own = verdict.posterior.marginals, alone.posterior.marginals
    covered = samples.coverage > COVERED
    sure = covered & (own.max(axis=-1) >= SURE)
    if (own.argmax(axis=-1) != together.argmax(axis=-1))[sure].any():
        return None
    taught = teaching(samples, together.argmax(axis=-1)) & (together.max(axis=-1) >= SURE)
    taught &= alone.clean >= 0.5
    return Seen("", samples, reading), int(taught.sum())


@dataclass(eq=False)
class _Attempt:
    """An attempt under way: its settled state, when it was first seen, and the best look so far."""

    state: SettledState
    since_s: float
    best: Seen | None = None
    stickers: int = 0
    turned: bool = False
    doubted: bool = False


class Learner:
    """Feed :meth:`see` with every report; ``teach`` is given one look an attempt when that is over.

    ``source`` gives the looks their names: in a recording by the second, so that watching it again teaches
    nothing twice; else by date and time.
    """

    def __init__(self, source: Source, teach: Callable[[Seen], None]) -> None:
        self._source = source
        self._teach = teach
        self._attempt: _Attempt | None = None
        self._outcome: Outcome | None = None

    def see(self, report: FrameReport, watcher: Watcher) -> None:
        """Take in what ``watcher`` knows after the frame of ``report``."""
        timer = watcher.timer
        state = timer.settled if timer.phase in ("settled", "running") else None
        if self._attempt is not None and state is not self._attempt.state:
            self.finish()
        if not isinstance(state, SettledState):
            return
        if self._attempt is None:
            self._attempt = _Attempt(state, report.time_s)
        attempt, outcome = self._attempt, watcher.outcome
        attempt.turned |= report.turning
        if report.settled and report.case != state.code and not attempt.turned:
            attempt.doubted = True  # nobody turned a layer: one of the two was misread
        fresh = outcome is not None and outcome is not self._outcome
        self._outcome = outcome
        if outcome is None or not fresh or timer.phase != "settled" or not report.settled:
            return
        look = look_of(outcome) if report.case == state.code else None
        if look is not None and look[1] > attempt.stickers:
            attempt.best, attempt.stickers = look

    def finish(self) -> None:
        """The attempt under way is over, if there is one: hand on its look."""
        attempt, self._attempt = self._attempt, None
        if attempt is None or attempt.best is None or attempt.doubted:
            return
        name = Path(self._source.name).name if self._source.finite else self._source.name
        when = f"{attempt.since_s:.2f} s" if self._source.finite else utc_text(datetime.now(UTC))
        self._teach(replace(attempt.best, picture=f"{name[-200:]} {when}"))


class Teacher:
    """Adds looks to the profile in the file ``path``, one after the other in a thread.

    The first ones wait until drift could be told, or the watch ends; from then on each is in the file before
    the next is begun. While the looks speak of another cube nothing is added. The first error (the file is
    gone, or cannot be written) ends the teaching; :meth:`close` raises it.
    """

    def __init__(self, path: Path) -> None:
        self.added = 0
        self._path = path
        self._drift = DriftWatch()
        self._held: list[Seen] = []
        self._failure: Exception | None = None
        self._waiting: queue.SimpleQueue[Seen | None] = queue.SimpleQueue()
        self._thread = threading.Thread(target=self._run, name="lastlook-teacher", daemon=True)
        self._thread.start()

    def teach(self, look: Seen) -> None:
        """Hand over a look; returns at once."""
        self._waiting.put(look)

    def close(self) -> None:
        """Wait until all looks are in the file; raises what went wrong on the way."""
        self._waiting.put(None)
        self._thread.join()
        if self._failure is not None:
            raise self._failure

    def _run(self) -> None:
        try:
            while (look := self._waiting.get()) is not None:
                self._add(look)
            self._learn_held()
        except Exception as error:
            self._failure = error

    def _add(self, look: Seen) -> None:
        profile = load_profile(self._path)
        if not look.may_be_of(profile):
            return
        self._drift.add(look.samples, profile)
        warning = self._drift.warning()
        if warning is not None:
            print(f"note: {warning}", file=sys.stderr)
        if self._drift.has_drifted:
            self._held.clear()
            return
        self._held.append(look)
        if self._drift.can_tell:
            self._learn_held()

    def _learn_held(self) -> None:
        if self._held:
            learned(load_profile(self._path), self._held).save(self._path)
            self.added += len(self._held)
            self._held.clear()
