"""Take stray light off a picture: a lamp just out of view, a smeared lens, mist.

Somewhere in nearly every picture something is black in one colour channel: a shadow, black plastic, a strong
colour. Where nothing is, light lies over all of it (the dark channel of He, Sun and Tang, "Single image haze
removal using dark channel prior", CVPR 2009; here one veil for the whole picture, which is near enough to the
camera). That light is subtracted in linear light, most of it, as they do.
"""

from __future__ import annotations

from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.colour import linear_to_srgb, srgb_to_linear
from vision.shrink import Halved

Picture = NDArray[np.uint8]

LOOKED_AT_PX: Final = 160
"""The longer side of the small picture in which the darkest places are looked for."""
DARKEST: Final = 1.0
"""Percentage of that picture that counts as its darkest places."""
LEAST: Final = 0.05
"""Linear light, 0..1, from which on a veil is taken off; below it the colour model allows for it."""
TAKEN: Final = 0.9
"""Share of the veil that is taken off."""


def veil_of(picture: Halved) -> float:
    """Linear light 0..1 that lies over all of a BGR picture."""
    high, wide = picture.whole.shape[:2]
    fit = min(1.0, LOOKED_AT_PX / max(high, wide))
    small = picture.shrunk(max(1, round(wide * fit)), max(1, round(high * fit)))
    dark = np.minimum(np.minimum(small[..., 0], small[..., 1]), small[..., 2])
    return float(srgb_to_linear(_darkest(dark) / 255.0))


def _darkest(levels: Picture) -> float:
    """The percentile DARKEST of levels 0..255, by counting them: numpy's would sort."""
    up_to = np.bincount(levels.ravel()).cumsum()
    place = DARKEST / 100.0 * (levels.size - 1)
    below, above = np.searchsorted(up_to, [int(place), int(np.ceil(place))], side="right").tolist()
    return float(below + (above - below) * (place - int(place)))


def without_veil(picture: Halved) -> Halved:
    """The picture without the light that lies over all of it; itself where there is little."""
    veil = veil_of(picture)
    if veil < LEAST:
        return picture
    level = srgb_to_linear(np.arange(256) / 255.0)
    bare = np.clip((level - TAKEN * veil) / (1.0 - TAKEN * veil), 0.0, 1.0)
    table = np.round(255.0 * linear_to_srgb(bare)).astype(np.uint8)
    return Halved(np.asarray(cv2.LUT(picture.whole, table), dtype=np.uint8))
