"""What is in a recording's file: its length, its frames from one moment to another, the frame at a moment."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from models.errors import LastlookError
from vision.damage import Span, breaks_off, length_s, tried_on
from vision.paths import for_ffmpeg
from vision.pixel_shape import drawn_out, told_across
from vision.readers import MAX_FRAME_PIXELS

Picture = NDArray[np.uint8]
LOOK_S: Final = 0.1
"""About so far apart are the frames that are looked at."""
TOUCH_S: Final = 1e-6
"""A frame so little before a moment is shown at it."""
LONGEST_SIDE_PX: Final = 1280


@dataclass(frozen=True, slots=True)
class Facts:
    """Of a recording: its length in seconds (0 when the file tells none that can be) and the frame size."""

    seconds: float
    width: int
    height: int


def facts_of(path: str | Path) -> Facts:
    """Length and frame size. Raises LastlookError when the file is no recording that can be played."""
    import cv2

    with _opened(path) as capture:
        width, height = (int(capture.get(p)) for p in (cv2.CAP_PROP_FRAME_WIDTH, cv2.CAP_PROP_FRAME_HEIGHT))
        if width * height > MAX_FRAME_PIXELS:
            raise LastlookError(
                f"{path}: frames of {width} x {height} are too large; save it at 1920 x 1080 or less"
            )
        if not _grabbed(capture)[1]:
            raise LastlookError(f"{path}: holds no frame that can be read; save it again as MP4 (H.264)")
        return Facts(length_s(capture, path), width, height)


class Playing:
    """A recording played from ``from_s`` seconds on, one stretch after the other; see :meth:`close`.

    Raises LastlookError when it cannot be played.
    """

    def __init__(self, path: str, from_s: float) -> None:
        import cv2

        self.next_s: float | None = None
        """When the frame is shown that was gone to and that no stretch has had; None behind the last."""
        self._path = path
        self._opened = contextlib.ExitStack()
        self._capture = capture = self._opened.enter_context(_opened(path))
        if from_s > 0:
            _seek(capture, from_s)
        rate = capture.get(cv2.CAP_PROP_FPS)
        self._step_s = 1.0 / rate if 1.0 <= rate <= 480.0 else 1.0 / 30.0
        self._index = round(capture.get(cv2.CAP_PROP_POS_FRAMES))
        self._from_s = from_s

    def close(self) -> None:
        """Let go of the file."""
        self._opened.close()

    def frames(
        self, start_s: float, end_s: float, lost: list[Span]
    ) -> Iterator[tuple[float, Picture, float]]:
        """About ten frames a second in [start_s, end_s): time, picture, and how much smaller it was made.

        Pictures are at most 1280 pixels long; the scale is 1 where nothing had to be done. Where nothing
        could be decoded is added to ``lost``. ``start_s`` is where the stretch before ended, or lies anywhere
        behind ``from_s``: what is shown before it is passed over, and the frames are the same either way.
        """
        if start_s > self._from_s:
            while self.next_s is None or self.next_s < start_s - TOUCH_S:
                if not self._go_on()[1]:
                    break
        due_s = until_s = start_s  # where the frame before ends
        while True:
            bad, there = (0, True) if self.next_s is not None else self._go_on()
            if not there:
                break
            at_s = self.next_s
            assert at_s is not None
            if bad:
                lost.append((until_s, max(until_s, at_s)))
            until_s = max(until_s, at_s + self._step_s)
            if at_s >= end_s - TOUCH_S:
                return
            self.next_s = None
            if at_s < due_s - self._step_s / 2:
                continue
            frame = _retrieved(self._capture)
            if frame is not None:
                yield at_s, *_bounded(frame)
            due_s = max(due_s + LOOK_S, at_s)
        wanted_s = min(end_s, length_s(self._capture, self._path))
        if breaks_off(until_s, wanted_s):
            lost.append((until_s, wanted_s))

    def _go_on(self) -> tuple[int, bool]:
        """Go to the next frame: how many before it cannot be decoded, and whether there is one."""
        import cv2

        bad, there = _grabbed(self._capture)
        if not there:
            self.next_s = None
            return bad, False
        at_s = self._capture.get(cv2.CAP_PROP_POS_MSEC) / 1000.0
        if at_s <= 0.0 and self._index > 0:  # a container without times
            at_s = self._index * self._step_s
        self._index += 1
        self.next_s = at_s
        return bad, True


def _grabbed(capture: Any) -> tuple[int, bool | None]:
    """Go to the next frame that can be decoded: how many before it cannot, and whether there is one."""
    return tried_on(lambda: capture.grab() or None)


def _retrieved(capture: Any) -> Any:
    """The picture of the frame that was grabbed, None where it cannot be decoded."""
    import cv2

    try:
        ok, frame = capture.retrieve()
    except cv2.error:
        return None
    return drawn_out(frame, told_across(capture)) if ok else None


def _seek(capture: Any, start_s: float) -> None:
    """Go to just before ``start_s``; where the container cannot, start over and run through."""
    import cv2

    capture.set(cv2.CAP_PROP_POS_MSEC, start_s * 1000.0)
    if capture.get(cv2.CAP_PROP_POS_MSEC) / 1000.0 > start_s + 0.05:
        capture.set(cv2.CAP_PROP_POS_FRAMES, 0)


def _bounded(frame: Any) -> tuple[Picture, float]:
    import cv2

    picture = np.asarray(frame, np.uint8)
    longest = max(picture.shape[:2])
    if longest <= LONGEST_SIDE_PX:
        return picture, 1.0
    scale = LONGEST_SIDE_PX / longest
    small = cv2.resize(picture, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    return np.asarray(small, np.uint8), scale


@contextlib.contextmanager
def _opened(path: str | Path) -> Iterator[Any]:
    os.environ.setdefault("OPENCV_FFMPEG_LOGLEVEL", "-8")  # AV_LOG_QUIET in FFmpeg's libavutil/log.h
    import cv2

    level = cv2.utils.logging.setLogLevel(cv2.utils.logging.LOG_LEVEL_SILENT)
    with contextlib.ExitStack() as closing:
        closing.callback(cv2.utils.logging.setLogLevel, level)
        try:
            with for_ffmpeg(path) as name:
                capture = cv2.VideoCapture(name, cv2.CAP_FFMPEG, [cv2.CAP_PROP_N_THREADS, 1])
        except OSError as error:
            raise LastlookError(f"{path}: cannot be read ({error.strerror}); check the path") from None
        closing.callback(capture.release)
        if not capture.isOpened():
            raise LastlookError(
                f"{path}: cannot be played (cut short, or of a rare kind); copy it again, or save it as MP4"
            )
        yield capture


def frame_at(path: str | Path, at_s: float) -> Picture | None:
    """The frame shown at ``at_s`` seconds, or None where the recording has none."""
    import cv2

    try:
        with _opened(path) as capture:
            capture.set(cv2.CAP_PROP_POS_MSEC, max(0.0, at_s) * 1000.0)
            ok, frame = capture.read()
            if not ok or frame is None:
                return None
            return _bounded(drawn_out(frame, told_across(capture)))[0]
    except LastlookError:
        return None
