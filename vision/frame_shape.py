"""Whether the pixels of a source are square, as one sighting after another tells."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from vision.found import Found
from vision.pixel_shape import drawn_out
from vision.seeker import Find
from vision.squeezed import unsqueezed

Image = NDArray[np.uint8]

SIGHTINGS: Final = 3
"""So many sightings in a row must tell the same shape before frames are drawn out."""
ALIKE: Final = 0.05


class FrameShape:
    """Draws the frames of a source out until their pixels are square.

    :meth:`find` stands in for ``find``, and looks in passing whether the lines of what was found lie better
    with the frame drawn out. ``across`` is how much finer the source's pixels are across than down, as
    sightings agreed so far.
    """

    def __init__(self, find: Find) -> None:
        self.across = 1.0
        self._find = find
        self._told, self._times = 1.0, 0

    def find(self, image_bgr: Image, *, size: int | None = None) -> Found:
        """What ``find`` finds in a frame as :meth:`shown`; may run in another thread."""
        found = self._find(image_bgr, size=size)
        if found.cubes:
            told = unsqueezed(image_bgr, found, size).cubes[0].pose.across
            self._times = self._times + 1 if abs(told / self._told - 1) < ALIKE else 1
            self._told = told
        return found

    def shown(self, image_bgr: Image) -> Image:
        """A frame of the source with square pixels."""
        return drawn_out(image_bgr, self.across)

    def changes(self) -> bool:
        """Take over what the last sightings agree on; whether frames have another shape from now on."""
        if self._times < SIGHTINGS or abs(self._told - 1) < ALIKE:
            return False
        across = self.across * self._told
        self.across = 1.0 if abs(across - 1) < ALIKE else across
        self._told, self._times = 1.0, 0
        return True
