"""Moving pictures in: a webcam, a recording, a folder of frames, an http(s) MJPEG or rtsp address.

A thread reads the source and keeps only the newest frame; frames that nobody fetched in time are dropped
and counted. What goes wrong on the way (no such camera, busy, denied, stalled, cut off) becomes a
:class:`StreamEvent`, and sources that can come back are opened again with waits that double up to a
bound. Nothing here raises once a stream has started.
"""

from __future__ import annotations

import math
import threading
import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from types import TracebackType
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from vision.readers import Reader, StreamFaultError, open_reader
from vision.stream_source import Source
from vision.wording import counted

Pace = Literal["newest", "every", "clock"]
EventKind = Literal["opened", "stalled", "lost", "waiting", "skipped", "ended", "gave-up"]
TROUBLES: Final = ("lost", "waiting", "stalled")
"""Events after which pictures may come again."""

STALL_S: Final = 2.0
HANGS_S: Final = 10.0
"""No read that comes back takes so long; only a silence beyond this is given up while one is under way."""
WAITS_S: Final = (0.5, 1.0, 2.0, 4.0, 8.0)
"""Waits before opening again; the last one is kept from then on."""


@dataclass(frozen=True, eq=False)
class StreamFrame:
    """One frame.

    ``image_bgr`` uint8 (height, width, 3); ``index`` counts the source's frames from 0, dropped ones
    included; ``time_s`` is the place in a recording, or the seconds since a live stream was begun;
    ``arrived_s`` is ``time.monotonic()`` at its arrival.
    """

    image_bgr: NDArray[np.uint8]
    index: int
    time_s: float
    arrived_s: float


@dataclass(frozen=True, slots=True)
class StreamEvent:
    """What became of the source: ``text`` is one line for a person, ``wait_s`` the wait that follows."""

    kind: EventKind
    text: str
    wait_s: float = 0.0


class FrameStream:
    """Frames of ``source``, taken by a thread of its own between :meth:`start` and :meth:`close`.

    ``pace``: "newest" hands over the newest frame (the rule for live sources); "every" makes a recording
    wait for whoever fetches; "clock" plays a recording at its own speed and drops what is late. Live
    sources always run at "newest". ``give_up_s`` ends a live stream that has stayed away so long (None:
    never). ``frame_rate`` (per second) is for folders, whose pictures carry no times. With ``repeat_s``
    a recording is played again and again until so many seconds of it have gone by (for endurance runs).
    """

    def __init__(
        self,
        source: Source,
        *,
        pace: Pace = "newest",
        give_up_s: float | None = None,
        frame_rate: float = 30.0,
        stall_s: float = STALL_S,
        waits_s: tuple[float, ...] = WAITS_S,
        repeat_s: float = 0.0,
        opener: Callable[..., Reader] = open_reader,
    ) -> None:
        if not 0 < frame_rate <= 1000 or not math.isfinite(frame_rate):
            raise ValueError("frame_rate must lie in 0..1000 a second")
        self.source = source
        self.dropped = 0
        self.ended = False
        self.finite = source.finite
        self._wanted: Pace = pace
        self._pace: Pace = pace if source.finite else "newest"
        self._tried = threading.Event()
        self._give_up_s = give_up_s
        self._frame_rate = frame_rate
        self._stall_s = stall_s
        self._waits_s = waits_s
        self._repeat_s = repeat_s
        self._opener = opener
        self._news: deque[StreamEvent] = deque(maxlen=200)
        self._stop = threading.Event()
        self._changed = threading.Condition()
        self._frame: StreamFrame | None = None
        self._last_arrival_s: float | None = None
        self._tried_s: float | None = None  # since when the source is opened or read, None while it is not
        self._told_stalled = self._away = self._hangs = False
        self._thread = threading.Thread(target=self._run, name="lastlook-stream", daemon=True)

    def start(self) -> FrameStream:
        """Begin to read; returns itself."""
        self._started_s = time.monotonic()
        self._thread.start()
        return self

    def first_try(self) -> bool:
        """Wait until the source was opened once, well or not, or was given up; whether it has an end of its
        own.

        An address tells only then whether a camera or a recording is behind it.
        """
        while not self._tried.wait(0.1):
            with self._changed:
                if not self.ended:
                    self._mind_silence()
                if self.ended:
                    break
        return self.finite

    def next_frame(self, timeout_s: float) -> StreamFrame | None:
        """The newest frame not yet fetched, or None after ``timeout_s`` or when the stream has ended."""
        with self._changed:
            if self._frame is None and not self.ended:
                self._changed.wait(timeout_s)
            frame, self._frame = self._frame, None
            if frame is not None:
                self._told_stalled = False
                self._changed.notify_all()
            elif not self.ended:
                self._mind_silence()
            return frame

    def _mind_silence(self) -> None:
        """Say that an opened source has fallen silent; give up a live one that hangs too long in being opened
        or read, the first time or another."""
        now_s, arrived_s, tried_s = time.monotonic(), self._last_arrival_s, self._tried_s
        silent_s = now_s - (self._started_s if arrived_s is None else arrived_s)
        hangs = tried_s is not None and now_s - max(tried_s, arrived_s or tried_s) > HANGS_S
        name = self.source.name
        if hangs and not self.finite and self._give_up_s is not None and silent_s > self._give_up_s:
            self._tell("gave-up", f"{name}: no picture for {silent_s:.0f} s; given up")
            self._stop.set()
            self.ended = self._hangs = True
        elif arrived_s is not None and not self._told_stalled and not self._away and silent_s > self._stall_s:
            self._told_stalled = True
            self._tell("stalled", f"{name}: no picture for over {silent_s:.0f} s")

    def events(self) -> list[StreamEvent]:
        """What has happened since the last call. All has been told once ``ended`` is true: who looks at that
        before asking misses nothing."""
        with self._changed:
            news = list(self._news)
            self._news.clear()
        return news

    def close(self, timeout_s: float = 5.0) -> bool:
        """Stop reading and let go of the source; False when it still hangs in a read after ``timeout_s``, or
        at once where it was given up for that."""
        self._stop.set()
        with self._changed:
            self._changed.notify_all()
        if self._thread.ident is not None:
            self._thread.join(0.0 if self._hangs else timeout_s)
        return not self._thread.is_alive()

    def __enter__(self) -> FrameStream:
        return self.start()

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    # the thread's side

    def _run(self) -> None:
        try:
            self._read_until_done()
        except Exception as error:  # a decoder may fail in ways of its own; the window lives on
            self._tell("gave-up", f"{self.source.name}: reading failed ({error}); start it again")
        finally:
            self._tried.set()
            with self._changed:
                self.ended = True
                self._changed.notify_all()

    def _read_until_done(self) -> None:
        index, offset_s, failures = 0, 0.0, 0
        away_since_s = time.monotonic()
        while not self._stop.is_set():
            fault: StreamFaultError | None = None
            reader: Reader | None = None
            finite = self.source.finite
            first = index
            self._tried_s = time.monotonic()
            try:
                reader = self._opener(self.source, frame_rate=self._frame_rate)
                finite = self.finite = reader.finite
                self._pace = self._wanted if finite else "newest"
                self._tried.set()
                index, last_s = self._drain(reader, index, offset_s)
                fault = (
                    None
                    if finite
                    else StreamFaultError(f"{self.source.name}: no more pictures come from there")
                )
                offset_s = last_s + 1 / self._frame_rate
            except StreamFaultError as error:
                fault = error
            finally:
                self._tried.set()
                if reader is not None:
                    reader.close()
            if self._stop.is_set():
                return
            if index > first:
                failures, away_since_s = 0, time.monotonic()
            if fault is None:
                if 0 < offset_s < self._repeat_s and index > first:
                    continue
                self._tell("ended", f"{self.source.name}: the end, after {counted(index, 'frame')}")
                return
            if fault.final or finite:
                self._tell("gave-up", fault.text)
                return
            away_s = time.monotonic() - away_since_s
            if self._give_up_s is not None and away_s >= self._give_up_s:
                self._tell("gave-up", f"{fault.text}; given up after {away_s:.0f} s")
                return
            wait_s = self._waits_s[min(failures, len(self._waits_s) - 1)]
            self._away, self._tried_s = True, None
            self._tell("waiting" if failures else "lost", f"{fault.text}; trying again", wait_s)
            failures += 1
            self._stop.wait(wait_s)

    def _drain(self, reader: Reader, index: int, offset_s: float) -> tuple[int, float]:
        """Hand over all frames of one opening; returns the next index and the time of the last frame."""
        begun_s = time.monotonic()
        first = index
        time_s = offset_s
        while not self._stop.is_set():
            got = reader.read()
            for text in reader.remarks():
                self._tell("skipped", text)
            if got is None:
                break
            image_bgr, media_s = got
            now_s = time.monotonic()
            time_s = now_s - self._started_s if media_s is None else offset_s + media_s
            if self._pace == "clock" and media_s is not None:
                early_s = begun_s + media_s - now_s
                if early_s > 0 and self._stop.wait(early_s):
                    break
                now_s = time.monotonic()
            if index == first:
                self._away = False
                height, width = image_bgr.shape[:2]
                self._tell("opened", f"{self.source.name}: {width} x {height}")
            self._hand_over(StreamFrame(image_bgr, index, time_s, now_s))
            index += 1
        return index, time_s

    def _hand_over(self, frame: StreamFrame) -> None:
        with self._changed:
            while self._pace == "every" and self._frame is not None and not self._stop.is_set():
                self._changed.wait(0.5)
            if self._frame is not None:
                self.dropped += 1
            self._frame = frame
            self._last_arrival_s = frame.arrived_s
            self._changed.notify_all()
        if self._pace == "every":
            with self._changed:  # the last frame must be fetched before the end is told
                while self._frame is not None and not self._stop.is_set():
                    self._changed.wait(0.5)

    def _tell(self, kind: EventKind, text: str, wait_s: float = 0.0) -> None:
        with self._changed:
            self._news.append(StreamEvent(kind, text, wait_s))
