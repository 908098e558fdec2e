"""Index a recording: list the cases shown in it, and when.

It is cut into stretches, and each is scanned by itself (``vision.scan``): by the processes of a pool side by
side, or one after the other. What was read in all of them together says which cases were shown when.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np

from models.errors import LastlookError
from vision.apart import KILLS_ITS_PROCESS, own_process
from vision.damage import Span, merged
from vision.pool_end import in_pool, orphans_end, running
from vision.recording_frames import Facts, facts_of
from vision.scan import FrameReader, Stretch, scan
from vision.shown import Reading, Shown, shown_cases

STRETCH_S: Final = 30.0


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
    on_progress: Callable[[float, float], None] | None = None,
) -> Indexed:
    """List the cases shown in the recording at ``path``.

    ``reader`` takes a frame (uint8, BGR) and gives an answer's JSON object; it is sent to the ``jobs``
    processes that read, so it must be picklable. ``on_progress`` is told (seconds done, seconds in all).
    Raises LastlookError when the recording cannot be played, or brings the process that plays it down.
    """
    readings: list[Reading] = []
    lost: list[Span] = []
    looked_at = read = 0
    last_s = 0.0
    try:
        with own_process() as apart:
            facts: Facts = apart(facts_of, path)
            stretches = _stretches(facts.seconds)
            scanned: Iterable[Stretch]
            if len(stretches) == 1 or (jobs == 1 and backend == "loky"):
                scanned = (apart(scan, str(path), *stretch, reader) for stretch in stretches)
            else:
                scanned = _pooled(str(path), stretches, reader, jobs, backend, backend_options or {})
            for (_, until_s), stretch in zip(stretches, scanned, strict=True):
                readings += stretch.readings
                lost += stretch.lost
                looked_at += stretch.frames_looked_at
                read += stretch.frames_read
                last_s = max(last_s, stretch.last_s)
                if on_progress is not None:
                    on_progress(min(until_s, facts.seconds), facts.seconds)
    except BrokenProcessPool:
        raise LastlookError(f"{path}: {KILLS_ITS_PROCESS}") from None
    readings.sort(key=lambda one: one.at_s)
    end_s = max(facts.seconds, last_s)
    shown = tuple(shown_cases(readings, until_s=end_s))
    return Indexed(shown, end_s, looked_at, read, merged(lost))


def _stretches(seconds: float) -> list[tuple[float, float]]:
    """From when to when each is scanned; the last one to the end, wherever that is."""
    edges_s = [0.0, *np.arange(STRETCH_S, max(seconds - STRETCH_S / 2, 0.0), STRETCH_S).tolist()]
    return list(zip(edges_s, [*edges_s[1:], float("inf")], strict=True))


def _pooled(
    path: str,
    stretches: Sequence[tuple[float, float]],
    reader: FrameReader,
    jobs: int,
    backend: str,
    options: dict[str, Any],
) -> Iterator[Stretch]:
    from joblib import Parallel, delayed, parallel_config

    with parallel_config(backend=backend, n_jobs=jobs, **orphans_end(backend), **options):
        pool = Parallel(n_jobs=jobs, return_as="generator", batch_size=1, pre_dispatch=2 * jobs)
        tasks = (delayed(in_pool)(scan, path, start_s, end_s, reader) for start_s, end_s in stretches)
        with running(lambda: pool(tasks)) as results:
            yield from results
