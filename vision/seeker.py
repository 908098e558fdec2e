"""Look for the cube beside the frame loop: in a thread when live, at once when a recording is worked off."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vision.found import Found, FoundCube
from vision.worker import Worker

Image = NDArray[np.uint8]
Find = Callable[..., Found]


@dataclass(frozen=True, eq=False)
class Sighting:
    """What was found in the frame ``number``."""

    number: int
    image_bgr: Image
    cubes: tuple[FoundCube, ...]


class Seeker:
    """One search at a time."""

    def __init__(self, find: Find, *, background: bool) -> None:
        self._find = find
        self._worker = Worker(self._search, name="lastlook-finder", background=background)

    def ask(self, number: int, image_bgr: Image, size: int | None) -> bool:
        """Begin a search in a frame; False when one is under way."""
        if self._worker.busy:
            return False
        self._worker.offer((number, image_bgr, size))
        return True

    def collect(self) -> Sighting | None:
        """The result of a search that has ended since the last call."""
        return self._worker.collect()

    def close(self) -> None:
        """End the thread."""
        self._worker.close()

    def _search(self, asked: tuple[int, Image, int | None]) -> Sighting:
        number, image_bgr, size = asked
        return Sighting(number, image_bgr, self._find(image_bgr, size=size).cubes)
