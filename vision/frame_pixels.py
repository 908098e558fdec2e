"""What a capture hands over, as pictures of 8 bits in blue, green, red; and whether they have colours."""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

Image = NDArray[np.uint8]

COLOURLESS: Final = 2
"""Levels by which the channels of a grey picture may differ, from rounding."""
SHADES: Final = 8.0
"""Levels by which shades must scatter for their lack of colour to say something: a covered lens is black."""
_EVERY: Final = 8


def as_bgr(image: NDArray[Any]) -> Image | None:
    """The picture as uint8 (height, width, 3), from one channel, three or four, of 8 or 16 bits; None where
    it is of another kind."""
    import cv2

    if image.dtype == np.uint16:
        image = (image >> 8).astype(np.uint8)
    if image.dtype != np.uint8 or image.ndim not in (2, 3):
        return None
    channels = 1 if image.ndim == 2 else image.shape[2]
    if channels == 3:
        return np.asarray(image, np.uint8)
    if channels not in (1, 4):
        return None
    how = cv2.COLOR_GRAY2BGR if channels == 1 else cv2.COLOR_BGRA2BGR
    return np.asarray(cv2.cvtColor(image, how), np.uint8)


def is_grey(image_bgr: Image) -> bool:
    """Whether a picture (height, width, 3) shows shades without any colour, as an infrared camera does.

    A real colour sensor's noise alone has some. False for a picture of one shade: that may be a covered lens.
    """
    part = image_bgr[::_EVERY, ::_EVERY].astype(np.int16)
    if int(np.ptp(part, axis=-1).max()) > COLOURLESS:
        return False
    return float(part[..., 1].std()) > SHADES
