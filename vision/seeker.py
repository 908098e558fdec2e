"""Look for the cube beside the frame loop: in a thread when live, at once when a recording is worked off."""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vision.locate import Found, FoundCube

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
        self._asked: tuple[int, Image, int | None] | None = None
        self._busy = False
        self._done: Sighting | None = None
        self._failure: BaseException | None = None
        self._stop = False
        self._changed = threading.Condition()
        self._thread: threading.Thread | None = None
        if background:
            self._thread = threading.Thread(target=self._run, name="lastlook-finder", daemon=True)
            self._thread.start()

    def ask(self, number: int, image_bgr: Image, size: int | None) -> bool:
        """Begin a search in a frame; False when one is under way."""
        if self._thread is None:
            self._done = Sighting(number, image_bgr, self._find(image_bgr, size=size).cubes)
            return True
        with self._changed:
            if self._busy:
                return False
            self._busy = True
            self._asked = (number, image_bgr, size)
            self._changed.notify()
        return True

    def collect(self) -> Sighting | None:
        """The result of a search that has ended since the last call."""
        with self._changed:
            if self._failure is not None:
                raise self._failure
            done, self._done = self._done, None
        return done

    def close(self) -> None:
        """End the thread."""
        with self._changed:
            self._stop = True
            self._changed.notify()
        if self._thread is not None:
            self._thread.join(3.0)

    def _run(self) -> None:
        while True:
            with self._changed:
                while self._asked is None and not self._stop:
                    self._changed.wait()
                if self._stop:
                    return
                asked, self._asked = self._asked, None
            assert asked is not None
            number, image_bgr, size = asked
            try:
                found = self._find(image_bgr, size=size)
            except Exception as error:
                with self._changed:
                    self._failure, self._busy = error, False
                return
            with self._changed:
                self._done = Sighting(number, image_bgr, found.cubes)
                self._busy = False
