"""Index a recording: list the cases shown in it, and when.

It is cut into stretches, and each is scanned by itself (``vision.scan``): by the processes of a pool side by
side, or one after the other. What was read in all of them together says which cases were shown when.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType
from typing import Any, Final

import numpy as np

from models.errors import LastlookError
from vision.apart import KILLS_ITS_PROCESS, own_process
from vision.damage import Span, merged
from vision.pool_end import pooled
from vision.recording_frames import Facts, facts_of
from vision.scan import FrameReader, Stretch, scan, scan_on
from vision.shown import Shown, shown_cases

STRETCH_S: Final = 30.0
LATEST_S: Final = 1e9
"""A frame said to be shown later is a fault of the file, and its end."""


@dataclass(frozen=True, slots=True)
class Indexed:
    """The cases shown in a recording, how many frames were looked at and read, and where none could be."""

    shown: tuple[Shown, ...]
    seconds: float
    frames_looked_at: int
    frames_read: int
    lost: tuple[Span, ...] = ()


def index_recording(
    path: str | Path,
    reader: FrameReader,
    *,
    jobs: int = 1,
    backend: str = "loky",
    backend_options: dict[str, Any] | None = None,
    known: Mapping[Span, Stretch] = MappingProxyType({}),
    on_stretch: Callable[[Span, Stretch], None] | None = None,
    on_progress: Callable[[float, float], None] | None = None,
) -> Indexed:
    """List the cases shown in the recording at ``path``.

    ``reader`` takes a frame (uint8, BGR) and gives an answer's JSON object; it is sent to the ``jobs``
    processes that read, so it must be picklable. ``on_stretch`` is given each stretch when it has been
    scanned; given back in ``known`` it is not scanned again, and the result is the same. ``on_progress`` is
    told (seconds done, seconds in all). Raises LastlookError when the recording cannot be played, or brings
    the process that plays it down.
    """
    found = dict(known)

    def take(span: Span, stretch: Stretch) -> None:
        found[span] = stretch
        if on_stretch is not None and span not in known:
            on_stretch(span, stretch)
        if on_progress is not None:
            whole_s = max(facts.seconds, stretch.last_s)
            on_progress(min(span[1], whole_s), whole_s)

    try:
        with own_process() as apart:
            facts: Facts = apart(facts_of, path)
            *sought, last = spans = _spans(facts.seconds)
            open_s = last[0]
            tasks: list[tuple[Span, tuple[Any, ...]]] = [
                (span, (scan, str(path), *span, reader)) for span in sought
            ]
            tasks += [(last, (scan_on, str(path), open_s, *last, reader))]
            todo = [(span, task) for span, task in tasks if span not in known]
            for span in spans:
                if span in known:
                    take(span, known[span])
            scanned: Iterable[Stretch]
            if len(todo) <= 1 or (jobs == 1 and backend == "loky"):
                scanned = (apart(*task) for _, task in todo)
            else:
                scanned = pooled(
                    [task for _, task in todo],
                    jobs=jobs,
                    ahead=2 * jobs,
                    backend=backend,
                    options=backend_options or {},
                )
            for (span, _), stretch in zip(todo, scanned, strict=True):
                take(span, stretch)
            while (next_s := found[last].next_s) is not None and next_s < LATEST_S:
                behind_s = last[1] + max(0.0, (next_s - last[1]) // STRETCH_S) * STRETCH_S
                last = (behind_s, behind_s + STRETCH_S)
                spans.append(last)
                take(last, known.get(last) or apart(scan_on, str(path), open_s, *last, reader))
    except BrokenProcessPool:
        raise LastlookError(f"{path}: {KILLS_ITS_PROCESS}") from None
    stretches = [found[span] for span in spans]
    readings = [one for stretch in stretches for one in stretch.readings]
    readings.sort(key=lambda one: one.at_s)
    end_s = max(facts.seconds, *(stretch.last_s for stretch in stretches))
    return Indexed(
        tuple(shown_cases(readings, until_s=end_s)),
        end_s,
        sum(stretch.frames_looked_at for stretch in stretches),
        sum(stretch.frames_read for stretch in stretches),
        merged(span for stretch in stretches for span in stretch.lost),
    )


def _spans(seconds: float) -> list[Span]:
    """From when to when each stretch is scanned. The last one holds more than is expected behind the others;
    stretches of 30 s follow it where the recording goes on all the same, since its file told no length or a
    wrong one, and no moment of it can be sought then."""
    edges_s = [0.0, *np.arange(STRETCH_S, max(seconds - STRETCH_S / 2, 0.0), STRETCH_S).tolist()]
    return list(zip(edges_s, [*edges_s[1:], edges_s[-1] + 2 * STRETCH_S], strict=True))
