"""How each kind of moving picture is opened and read, and what to tell a person when that fails."""

from __future__ import annotations

import errno
import os
import re
import sys
import time
from pathlib import Path
from typing import Final, Protocol

import numpy as np
from numpy.typing import NDArray

from models.errors import LastlookError
from vision.damage import breaks_off, length_s, tried_on
from vision.frame_pixels import as_bgr, is_grey
from vision.paths import for_ffmpeg
from vision.pixel_shape import drawn_out, told_across
from vision.sources import load_photo
from vision.stream_source import Source, frame_paths
from vision.wording import counted

Image = NDArray[np.uint8]

OPEN_TIMEOUT_MS: Final = 5000
READ_TIMEOUT_MS: Final = 3000
CAMERA_WISH_WH: Final = (1280, 720)
MAX_FRAME_PIXELS: Final = 40_000_000
"""Of a moving picture. 7680 x 4320 (ITU-R BT.2020) is below it; a photo may have more, since a decoder holds
several frames at once."""
MISSES: Final = 12
"""Pictures in a row that a camera may leave out (it warms up, its bus is busy) before it counts as gone."""
MISS_WAIT_S: Final = 0.04
_GREY: Final = "its pictures are grey, as at night or from an infrared camera"


class StreamFaultError(Exception):
    """Why a source gives no frames; ``final`` when trying again cannot help."""

    def __init__(self, text: str, *, final: bool = False) -> None:
        super().__init__(text)
        self.text = text
        self.final = final


class Reader(Protocol):
    """An opened source. ``read`` gives an image and its place in seconds (None: live), or None at the end
    or when the source broke off; ``finite`` tells which of the two it was. ``remarks`` are lines about
    what was skipped since the last call."""

    finite: bool

    def read(self) -> tuple[Image, float | None] | None: ...

    def remarks(self) -> list[str]: ...

    def close(self) -> None: ...


def open_reader(source: Source, *, frame_rate: float = 30.0) -> Reader:
    """Open ``source``; raises StreamFaultError with the reason when it gives no frames."""
    reader: Reader = (_FolderReader if source.kind == "folder" else _CaptureReader)(source, frame_rate)
    return _InColour(reader, source.name) if reader.finite else reader


class _InColour:
    """A recording or a folder of frames, without what is grey: that a case would be named from its shades.

    A live source minds that by itself: with light its colours may come back.
    """

    finite = True

    def __init__(self, reader: Reader, name: str) -> None:
        self._reader = reader
        self._name = name
        self._grey = 0
        self._some = False

    def read(self) -> tuple[Image, float | None] | None:
        while (got := self._reader.read()) is not None:
            if not is_grey(got[0]):
                self._some = True
                return got
            self._grey += 1
        if self._grey and not self._some:
            raise StreamFaultError(f"{self._name}: {_GREY}; give one in colour", final=True)
        return None

    def remarks(self) -> list[str]:
        told = self._reader.remarks()
        if self._grey and self._some:
            told.append(f"{self._name}: {counted(self._grey, 'frame')} without any colour left out")
            self._grey = 0
        return told

    def close(self) -> None:
        self._reader.close()


class _FolderReader:
    """Pictures of a folder in the order of their names, at a rate that the caller states."""

    finite = True

    def __init__(self, source: Source, frame_rate: float) -> None:
        self._paths = frame_paths(Path(str(source.where)))
        self._rate = frame_rate
        self._at = 0
        self._remarks: list[str] = []

    def read(self) -> tuple[Image, float | None] | None:
        while self._at < len(self._paths):
            number, path = self._at, self._paths[self._at]
            self._at += 1
            try:
                return load_photo(str(path)).image_bgr, number / self._rate
            except LastlookError as error:
                self._remarks.append(str(error))
        return None

    def remarks(self) -> list[str]:
        told, self._remarks = self._remarks, []
        return told

    def close(self) -> None:
        self._at = len(self._paths)


class _CaptureReader:
    """Everything that OpenCV's ``VideoCapture`` opens."""

    def __init__(self, source: Source, frame_rate: float) -> None:
        quiet_opencv()
        import cv2

        self._source = source
        self._rate = frame_rate
        self._count = 0
        self._last_s = -1.0
        self._remarks: list[str] = []
        if source.kind == "camera":
            if problem := _camera_problem(int(source.where)):
                raise StreamFaultError(problem)
            backend = cv2.CAP_V4L2 if sys.platform.startswith("linux") else cv2.CAP_ANY
            self._capture = cv2.VideoCapture(int(source.where), backend)
            if self._capture.isOpened():
                self._capture.set(cv2.CAP_PROP_FRAME_WIDTH, CAMERA_WISH_WH[0])
                self._capture.set(cv2.CAP_PROP_FRAME_HEIGHT, CAMERA_WISH_WH[1])
                self._capture.set(cv2.CAP_PROP_BUFFERSIZE, 1)
        elif source.kind == "network":
            limits = [
                cv2.CAP_PROP_OPEN_TIMEOUT_MSEC,
                OPEN_TIMEOUT_MS,
                cv2.CAP_PROP_READ_TIMEOUT_MSEC,
                READ_TIMEOUT_MS,
            ]
            self._capture = cv2.VideoCapture(str(source.where), cv2.CAP_FFMPEG, limits)
        else:
            try:
                with for_ffmpeg(str(source.where)) as name:
                    self._capture = cv2.VideoCapture(name, cv2.CAP_FFMPEG)
            except OSError as error:
                raise StreamFaultError(
                    f"{source.name}: cannot be read ({error.strerror})", final=True
                ) from None
        if not self._capture.isOpened():
            self._capture.release()
            raise _unopened(source)
        frames = self._capture.get(cv2.CAP_PROP_FRAME_COUNT)
        self.finite = source.kind == "recording" or (source.kind == "network" and 0 < frames < 1e9)
        width = self._capture.get(cv2.CAP_PROP_FRAME_WIDTH)
        height = self._capture.get(cv2.CAP_PROP_FRAME_HEIGHT)
        if width * height > MAX_FRAME_PIXELS:
            self._capture.release()
            raise StreamFaultError(
                f"{source.name}: {width:.0f} x {height:.0f} pixels a frame is over the limit; scale it down",
                final=True,
            )
        path = str(source.where) if source.kind == "recording" else None
        self._whole_s = length_s(self._capture, path)
        told_rate = self._capture.get(cv2.CAP_PROP_FPS)
        if 1 <= told_rate <= 1000:
            self._rate = told_rate
        self._across = told_across(self._capture)

    def read(self) -> tuple[Image, float | None] | None:
        import cv2

        bad, image = tried_on(self._grabbed) if self.finite else (0, self._seen_live())
        if image is None:
            if self._count == 0:
                raise _unopened(self._source)
            until_s = self._last_s + 1 / self._rate
            if self.finite and breaks_off(until_s, self._whole_s):
                frames, where = counted(self._count, "frame"), f"at {until_s:.2f} s of {self._whole_s:.2f} s"
                raise StreamFaultError(
                    f"{self._source.name}: breaks off after {frames}, {where}; all before that was read",
                    final=True,
                )
            return None
        self._count += 1
        if not self.finite:
            return image, None
        place_s = self._capture.get(cv2.CAP_PROP_POS_MSEC) / 1000
        if place_s <= self._last_s:  # a container without usable times
            place_s = self._last_s + 1 / self._rate if self._last_s >= 0 else 0.0
        if bad:
            frames = counted(bad, "frame")
            self._remarks.append(
                f"{self._source.name}: {frames} before {place_s:.2f} s cannot be decoded; left out"
            )
        self._last_s = place_s
        return image, place_s

    def _seen_live(self) -> Image | None:
        """The next picture that has colours; None where none comes any more."""
        grey = False
        for _ in range(MISSES):
            image = self._grabbed()
            if image is None and self._source.kind != "camera":
                break
            if image is None:
                time.sleep(MISS_WAIT_S)
            elif is_grey(image):
                grey = True
            else:
                return image
        if grey:
            raise StreamFaultError(f"{self._source.name}: {_GREY}; make light or choose another camera")
        return None

    def _grabbed(self) -> Image | None:
        import cv2

        try:
            good, raw = self._capture.read()
        except cv2.error:
            return None
        if not good or raw is None or raw.size == 0:
            return None
        image = as_bgr(raw)
        if image is None:
            raise StreamFaultError(
                f"{self._source.name}: its pictures are of a kind that cannot be read ({raw.dtype}, "
                f"{' x '.join(map(str, raw.shape))}); choose another format in its settings",
                final=True,
            )
        return drawn_out(image, self._across)

    def remarks(self) -> list[str]:
        told, self._remarks = self._remarks, []
        return told

    def close(self) -> None:
        self._capture.release()


def quiet_opencv() -> None:
    """Keep OpenCV's and FFmpeg's own chatter off stderr; this project says what is wrong in its own line."""
    os.environ.setdefault("OPENCV_FFMPEG_LOGLEVEL", "-8")  # AV_LOG_QUIET in FFmpeg's libavutil/log.h
    os.environ.setdefault("OPENCV_VIDEOIO_V4L_SELECT_TIMEOUT", str(READ_TIMEOUT_MS // 1000))
    import cv2

    cv2.utils.logging.setLogLevel(cv2.utils.logging.LOG_LEVEL_SILENT)


def _unopened(source: Source) -> StreamFaultError:
    reasons = {
        "camera": "it gives no picture; close other programs that use it, or plug it in again",
        "network": "no picture from there; check that the camera is on and the address is right",
        "recording": "no frame in it can be decoded; convert it to MP4 (H.264)",
    }
    return StreamFaultError(f"{source.name}: {reasons[source.kind]}", final=source.finite)


def _camera_problem(index: int) -> str | None:
    """What stands in the way of a camera, as far as the system tells before it is opened (Linux)."""
    if not sys.platform.startswith("linux"):
        return None
    devices = Path("/dev")
    node = devices / f"video{index}"
    if not node.exists():
        others = sorted(
            int(m[1]) for p in devices.glob("video*") if (m := re.fullmatch(r"video(\d+)", p.name))
        )
        hint = f"cameras here: {', '.join(map(str, others))}" if others else "no camera is plugged in"
        return f"camera {index}: not there ({hint})"
    try:
        os.close(os.open(node, os.O_RDWR | os.O_NONBLOCK))
    except PermissionError:
        return f"camera {index}: permission denied; add your user to the group that owns {node}"
    except OSError as error:
        if error.errno == errno.EBUSY:
            return f"camera {index}: busy; close the other program that uses it"
        return f"camera {index}: cannot be opened ({error.strerror}); plug it in again"
    return None
