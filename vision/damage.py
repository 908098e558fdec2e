"""Damaged recordings: reading on behind a damaged place, and telling where nothing could be had."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from typing import Any, Final, TypeVar

import numpy as np

Taken = TypeVar("Taken")
Span = tuple[float, float]
"""From when to when, in seconds from the start of a recording."""
BAD_IN_A_ROW: Final = 60
"""Frames that cannot be decoded one after the other before a recording counts as over."""
SHORT_S: Final = 0.5
"""By so much a whole recording may end before the length that its file tells: sound may last longer."""
MOST_TOLD: Final = 3
LEAST_BYTES_A_S: Final = 1000.0
"""Less than a picture that moves takes by any codec."""
MODEST_S: Final = 600.0
"""A length up to which nothing is lost by believing it."""


def tried_on(take: Callable[[], Taken | None]) -> tuple[int, Taken | None]:
    """Call ``take`` until it gives the next frame: how often it did not, and the frame (None at the end)."""
    import cv2

    for bad in range(BAD_IN_A_ROW):
        try:
            taken = take()
        except cv2.error:
            continue
        if taken is not None:
            return bad, taken
    return BAD_IN_A_ROW, None


def length_s(capture: Any, path: str | Path | None = None) -> float:
    """The length in seconds that the file of an opened recording tells, 0 where it tells none.

    With its ``path`` given, a length that the bytes of the file cannot fill counts for none.
    """
    import cv2

    rate, count = capture.get(cv2.CAP_PROP_FPS), capture.get(cv2.CAP_PROP_FRAME_COUNT)
    seconds = count / rate if rate > 0 and count > 0 else 0.0
    if not np.isfinite(seconds):
        return 0.0
    if path is not None and seconds > MODEST_S:
        with contextlib.suppress(OSError):
            if Path(path).stat().st_size < seconds * LEAST_BYTES_A_S:
                return 0.0
    return float(seconds)


def breaks_off(until_s: float, whole_s: float) -> bool:
    """Whether a recording whose last frame was shown until then lacks its end."""
    return until_s < whole_s - SHORT_S


def merged(spans: Iterable[Span]) -> tuple[Span, ...]:
    """Spans in order, those that touch as one."""
    out: list[Span] = []
    for begin_s, end_s in sorted(spans):
        if out and begin_s <= out[-1][1] + SHORT_S:
            out[-1] = (out[-1][0], max(out[-1][1], end_s))
        else:
            out.append((begin_s, end_s))
    return tuple(out)


def damage_words(lost: Sequence[Span], whole_s: float) -> str:
    """Where nothing could be had of a recording of ``whole_s`` seconds, in one line."""
    parts = [
        f"breaks off at {begin_s:.2f} s of {whole_s:.2f} s"
        if whole_s and not breaks_off(end_s, whole_s)
        else f"cannot be decoded from {begin_s:.2f} to {end_s:.2f} s"
        for begin_s, end_s in lost[:MOST_TOLD]
    ]
    more = len(lost) - MOST_TOLD
    return "; ".join([*parts, *([f"and in {more} places more"] if more > 0 else [])]) + "; the rest was read"
