"""Pixels that are not square: what a recording's file tells of them, and pictures drawn out till they are."""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

MOST: Final = 3.0
"""A shape further from square than this is taken for a fault of the file."""


def told_across(capture: Any) -> float:
    """By how much finer than down the pixels of an opened ``cv2.VideoCapture`` are across, as its file tells.

    1 where it tells nothing. A file tells how wide a pixel is for its height (ISO/IEC 14496-12, the box
    ``pasp``), of the picture as it is stored: one that is turned upright for showing lies on its side then.
    """
    import cv2

    wide, high = capture.get(cv2.CAP_PROP_SAR_NUM), capture.get(cv2.CAP_PROP_SAR_DEN)
    if not (wide > 0 and high > 0 and 1 / MOST <= wide / high <= MOST):
        return 1.0
    lies = capture.get(cv2.CAP_PROP_ORIENTATION_AUTO) and capture.get(cv2.CAP_PROP_ORIENTATION_META) % 180
    return float(wide / high if lies else high / wide)


def drawn_out(image_bgr: NDArray[np.uint8], across: float) -> NDArray[np.uint8]:
    """The picture with square pixels if those of ``image_bgr`` are ``across`` times finer across than down.

    It grows in one direction; it is the very picture where ``across`` is 1.
    """
    import cv2

    if across == 1.0:
        return image_bgr
    high, wide = image_bgr.shape[:2]
    wide_high = round(wide * max(1.0, 1.0 / across)), round(high * max(1.0, across))
    return np.asarray(cv2.resize(image_bgr, wide_high, interpolation=cv2.INTER_LINEAR), np.uint8)
