"""Make pictures smaller by averaging, quickly: OpenCV averages blocks of two by two fastest by far."""

from __future__ import annotations

import math
from typing import Any, Final

import cv2
import numpy as np
from numpy.typing import NDArray

#: sides that are a multiple of this can be halved twice
HANDY_PX: Final = 4
#: more pixels than this are averaged as bytes: as single numbers they take four times the memory
MOST_AS_NUMBERS: Final = 2_000_000


class Halved:
    """A picture (H, W, 3) and its halves, quarters and so on, each made when it is first asked for: for those
    who look at all of it in several sizes."""

    def __init__(self, picture: NDArray[np.uint8]) -> None:
        self.whole = picture
        self._halves: list[Any] = [picture]

    def shrunk(self, wide: int, high: int) -> NDArray[np.uint8]:
        """As :func:`shrunk`."""
        step = 0
        while True:
            small = self._halves[step]
            if small.shape[:2] == (high, wide):
                return np.asarray(small)
            if not all(
                side % 2 == 0 and side >= 2 * asked
                for side, asked in zip(small.shape[:2], (high, wide), strict=True)
            ):
                if small.shape[0] * small.shape[1] > MOST_AS_NUMBERS:
                    return np.asarray(cv2.resize(small, (wide, high), interpolation=cv2.INTER_AREA))
                # of single numbers OpenCV averages shares of pixels faster, and to the same bytes
                averages = cv2.resize(small.astype(np.float32), (wide, high), interpolation=cv2.INTER_AREA)
                return np.asarray(cv2.convertScaleAbs(averages))
            step += 1
            if step == len(self._halves):
                halved = (small.shape[1] // 2, small.shape[0] // 2)
                self._halves.append(cv2.resize(small, halved, interpolation=cv2.INTER_AREA))


def shrunk(picture: NDArray[np.uint8], wide: int, high: int) -> NDArray[np.uint8]:
    """The picture (H, W, 3) at ``wide`` x ``high`` pixels, each the average of what it covers.

    Halved as long as both sides are even and stay as large as asked for, so sides that are multiples of
    :data:`HANDY_PX` come cheapest.
    """
    return Halved(picture).shrunk(wide, high)


def stretch(first: float, last: float, end: int, least: int = 0) -> tuple[int, int]:
    """The whole pixels that hold ``first`` to ``last`` inside a picture of ``end`` pixels, ``least`` at
    least."""
    start = min(max(math.floor(first), 0), end - least)
    return start, min(max(math.ceil(last), start + least), end)


def handy(first: int, last: int, end: int) -> tuple[int, int]:
    """A stretch of pixels that holds ``first`` to ``last`` and is a multiple of HANDY_PX long where the
    picture of ``end`` pixels has the room."""
    more = -(last - first) % HANDY_PX
    after = min(more, end - last)
    before = min(more - after, first)
    return first - before, last + after
