"""Make pictures smaller by averaging, quickly: OpenCV averages blocks of two by two fastest by far."""

from __future__ import annotations

from typing import Any, Final

import cv2
import numpy as np
from numpy.typing import NDArray

#: sides that are a multiple of this can be halved twice
HANDY_PX: Final = 4


def shrunk(picture: NDArray[np.uint8], wide: int, high: int) -> NDArray[np.uint8]:
    """The picture (H, W, 3) at ``wide`` x ``high`` pixels, each the average of what it covers.

    Halved as long as both sides are even and stay as large as asked for, so sides that are multiples of
    :data:`HANDY_PX` come cheapest.
    """
    small: Any = picture
    while all(
        side % 2 == 0 and side >= 2 * asked for side, asked in zip(small.shape[:2], (high, wide), strict=True)
    ):
        halved = (small.shape[1] // 2, small.shape[0] // 2)
        small = cv2.resize(small, halved, interpolation=cv2.INTER_AREA)
    if small.shape[:2] != (high, wide):
        small = cv2.resize(small, (wide, high), interpolation=cv2.INTER_AREA)
    return np.asarray(small)


def handy(first: int, last: int, end: int) -> tuple[int, int]:
    """A stretch of pixels that holds ``first`` to ``last`` and is a multiple of HANDY_PX long where the
    picture of ``end`` pixels has the room."""
    more = -(last - first) % HANDY_PX
    after = min(more, end - last)
    before = min(more - after, first)
    return first - before, last + after
