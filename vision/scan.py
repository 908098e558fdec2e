"""Scan a stretch of a recording: read few frames, those that can tell something new.

Frames are looked at ten times a second as a thumbnail. A thumbnail like that of the frame read last needs no
reading: the answer still holds. Otherwise a frame is read every second (every half second while a view is
open, or a case has just come up). Where two readings differ, the frames between them are searched by halving,
so a boundary is known to a tenth of a second.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from vision.damage import Span
from vision.recording_frames import Picture, Playing
from vision.shown import Reading, reading_of

FrameReader = Callable[[Picture], Mapping[str, Any]]
READ_SETTLED_S: Final = 1.0
READ_OPEN_S: Final = 0.5
EMPTY_IN_A_ROW: Final = 3
"""From so many readings without a case on, nothing is expected soon."""
CONFIRMED_BY: Final = 5
"""Readings of one case in a row from which on it is taken for shown: a case shown for 3 s gets as many."""
SAME_LEVELS: Final = 6.0
"""Largest change of a block of the thumbnail, in 8-bit levels, that still counts as the same view."""


@dataclass(slots=True)
class Stretch:
    """What the scan of one stretch gives."""

    readings: list[Reading]
    frames_looked_at: int = 0
    frames_read: int = 0
    last_s: float = 0.0
    lost: list[Span] = field(default_factory=list)
    next_s: float | None = None
    """When the first frame behind it is shown; None where the recording ends in it."""


def scan(path: str, start_s: float, end_s: float, reader: FrameReader) -> Stretch:
    """Readings of the frames of ``path`` with start_s <= time < end_s, in order of time."""
    with contextlib.closing(Playing(path, start_s)) as playing:
        return _scanned(playing, start_s, end_s, reader)


def scan_on(path: str, from_s: float, start_s: float, end_s: float, reader: FrameReader) -> Stretch:
    """As :func:`scan`, for stretches behind each other of a part in which no moment can be sought.

    The part begins at ``from_s``. The recording is left open in this process for the stretch behind; where it
    was not, it is played from ``from_s`` to ``start_s`` without being read.
    """
    reached_s, playing = _left_open.pop((path, from_s), (from_s, None))
    if playing is None or reached_s > start_s:
        playing = Playing(path, from_s)
    with contextlib.ExitStack() as closing:
        closing.callback(playing.close)
        stretch = _scanned(playing, start_s, end_s, reader)
        if stretch.next_s is not None:
            _left_open.clear()
            _left_open[path, from_s] = end_s, playing
            closing.pop_all()
    return stretch


_left_open: dict[tuple[str, float], tuple[float, Playing]] = {}
"""One recording at most: its path and the moment from which it is played, and the moment it has come to."""


def _scanned(playing: Playing, start_s: float, end_s: float, reader: FrameReader) -> Stretch:
    scanner = _Scanner(reader)
    for at_s, frame, scale in playing.frames(start_s, end_s, scanner.stretch.lost):
        scanner.scale = scale
        scanner.look(at_s, frame)
    scanner.finish()
    scanner.stretch.next_s = playing.next_s
    return scanner.stretch


class _Scanner:
    """Decides for each frame whether to read it, and finds where the answer changes."""

    def __init__(self, reader: FrameReader) -> None:
        self.reader = reader
        self.scale = 1.0
        self.stretch = Stretch([])
        self.last: Reading | None = None
        self.last_thumb: NDArray[np.float32] | None = None
        self.same_until_s: float | None = None
        self.held: list[tuple[float, Picture]] = []
        self.empty_in_a_row = self.same_in_a_row = 0

    def look(self, at_s: float, frame: Picture) -> None:
        self.stretch.frames_looked_at += 1
        self.stretch.last_s = at_s
        thumb = thumbnail(frame)
        if self.last is None or self.last_thumb is None:
            self._read(at_s, frame, thumb)
            return
        if not self.held and change(thumb, self.last_thumb) < SAME_LEVELS:
            self.same_until_s = at_s
            return
        self._carry_on()
        open_view = not self.last.settled and self.empty_in_a_row < EMPTY_IN_A_ROW
        is_new = self.last.settled and self.same_in_a_row < CONFIRMED_BY
        wait_s = READ_OPEN_S if open_view or is_new else READ_SETTLED_S
        if at_s - self.last.at_s < wait_s:
            self.held.append((at_s, frame))
            return
        self._read(at_s, frame, thumb)

    def finish(self) -> None:
        """Read the last frame held, so that the end is known as well."""
        self._carry_on()
        if self.held:
            at_s, frame = self.held.pop()
            self._read(at_s, frame, thumbnail(frame))

    def _carry_on(self) -> None:
        """A view that stayed the same stands for a reading at its last moment too."""
        if self.same_until_s is not None and self.last is not None:
            self.last = replace(self.last, at_s=self.same_until_s, still_jpeg=None)
            self.stretch.readings.append(self.last)
        self.same_until_s = None

    def _read(self, at_s: float, frame: Picture, thumb: NDArray[np.float32]) -> None:
        before, now = self.last, self._reading(at_s, frame)
        self.empty_in_a_row = 0 if now.weights else self.empty_in_a_row + 1
        is_same = before is not None and before.label == now.label
        self.same_in_a_row = self.same_in_a_row + 1 if is_same else 1
        between = self.held
        self.held = []
        found = [now]
        if before is not None and before.label != now.label:
            found = [*self._search(before, now, between), now]
        for one in found:
            self._keep(one)
        self.last, self.last_thumb = self.stretch.readings[-1], thumb

    def _search(
        self, before: Reading, after: Reading, between: Sequence[tuple[float, Picture]]
    ) -> list[Reading]:
        """Readings between two that differ, until no frame lies between two with different labels."""
        if not between or before.label == after.label:
            return []
        middle = len(between) // 2
        at_s, frame = between[middle]
        now = self._reading(at_s, frame)
        return [
            *self._search(before, now, between[:middle]),
            now,
            *self._search(now, after, between[middle + 1 :]),
        ]

    def _reading(self, at_s: float, frame: Picture) -> Reading:
        self.stretch.frames_read += 1
        one = reading_of(_scaled(self.reader(frame), self.scale), at_s)
        return replace(one, still_jpeg=_jpeg(frame)) if self._is_best(one) else one

    def _is_best(self, one: Reading) -> bool:
        return one.settled and not any(
            other.label == one.label and other.strength >= one.strength and other.still_jpeg is not None
            for other in self.stretch.readings[-8:]
        )

    def _keep(self, one: Reading) -> None:
        """Append, and let go of the still of a weaker reading of the same case just before."""
        readings = self.stretch.readings
        if one.still_jpeg is not None:
            for i in range(max(0, len(readings) - 8), len(readings)):
                if readings[i].label == one.label and readings[i].still_jpeg is not None:
                    readings[i] = replace(readings[i], still_jpeg=None)
        readings.append(one)


def thumbnail(frame: Picture) -> NDArray[np.float32]:
    """Means of the blocks of a frame, about 32 x 18 of them, float32 (rows, columns, 3) in 0..255."""
    import cv2

    rows, cols = frame.shape[:2]
    longest = max(rows, cols)
    size = (max(2, round(cols * 32 / longest)), max(2, round(rows * 32 / longest)))
    return np.asarray(cv2.resize(frame, size, interpolation=cv2.INTER_AREA), dtype=np.float32)


def change(thumb_a: NDArray[np.float32], thumb_b: NDArray[np.float32]) -> float:
    """Largest difference between two thumbnails in any block and channel, in 8-bit levels."""
    return float(np.abs(thumb_a - thumb_b).max())


def _scaled(answer: Mapping[str, Any], scale: float) -> Mapping[str, Any]:
    """The answer in pixels of the recording, for one that was read from a frame made smaller."""
    top = answer.get("top")
    if scale == 1.0 or not top:
        return answer
    quad = [[round(x / scale, 2), round(y / scale, 2)] for x, y in top["quad"]]
    return {**answer, "top": {**top, "quad": quad}}


def _jpeg(frame: Picture) -> bytes:
    import cv2

    ok, packed = cv2.imencode(".jpg", frame, [cv2.IMWRITE_JPEG_QUALITY, 90])
    return bytes(packed) if ok else b""
