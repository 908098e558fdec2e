"""The readers that a labelling run sends to its processes: a picture file, or a frame, to its answer.

Large pictures are decoded smaller first; only where that leaves a case open are they read in full.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from numpy.typing import NDArray

from models.errors import LastlookError
from vision.answer import Answer
from vision.answer_json import answer_to_json
from vision.gather import Item
from vision.label import UnwrittenError
from vision.paths import make_folder

if TYPE_CHECKING:
    from calibration.profile import Profile
    from vision.profile_choice import Chooser

Read = Callable[..., Answer]
LEAST_LONG_SIDES_PX: Final = (900, 1900)
"""Longer sides at which a picture is read, first and second try."""
LONGEST_NAME_BYTES: Final = 255
"""NAME_MAX of Linux's limits.h; other systems allow as many characters."""
ENOUGH_PX: Final = 16.0
"""Pixels a sticker of a cube that was not named: from here on more of them do not help."""


@dataclass(frozen=True)
class PhotoReader:
    """Reads one picture file; picklable, so that it can go to another process.

    ``profile`` is a name as for ``--profile``; ``annotate_to`` a folder for copies with the answer drawn
    on. ``read`` stands in for ``vision.pipeline.read_picture``; ``mirrored``: all are mirror images.
    """

    size: int | None = None
    front: str | None = None
    profile: str | None = None
    annotate_to: str | None = None
    read: Read | None = None
    mirrored: bool = False

    def __call__(self, item: Item) -> list[dict[str, Any]]:
        """The answer of one picture as a list of one JSON object."""
        from vision.sources import load_photo

        one_thread()
        answer = photo = None
        for least_px in LEAST_LONG_SIDES_PX:
            if photo is not None and (photo.reduction == 1 or _has_enough(answer)):
                break
            photo = load_photo(item.path, min_long_side=least_px)
            answer = self.answer(photo.image_bgr, item.path)
        assert answer is not None and photo is not None
        answers = [answer_to_json(answer.scaled(photo.reduction))]
        if self.annotate_to is not None:
            try:
                self._draw(photo.image_bgr, answer, item)
            except LastlookError as error:
                raise UnwrittenError(answers, str(error)) from None
        return answers

    def answer(self, image_bgr: NDArray[np.uint8], name: str) -> Answer:
        """Read one picture in memory."""
        if self.read is not None:
            options = {"profile": loaded_profile(self.profile), "library": None}
            return self.read(image_bgr, **options, size=self.size, front=self.front, image=name)
        return chooser(self.profile).read(
            image_bgr,
            size=self.size,
            front=self.front,
            mirrored=self.mirrored,
            library=loaded_library(),
            image=name,
        )

    def _draw(self, image_bgr: NDArray[np.uint8], answer: Answer, item: Item) -> None:
        import cv2

        from models.files import write_atomically
        from vision.draw import annotated

        assert self.annotate_to is not None
        ok, packed = cv2.imencode(".jpg", annotated(image_bgr, answer), [cv2.IMWRITE_JPEG_QUALITY, 90])
        if ok:
            target = annotated_path(Path(self.annotate_to), item)
            make_folder(target.parent)
            write_atomically(target, bytes(packed))


@dataclass(frozen=True)
class FrameAnswers:
    """Reads one frame of a recording; picklable."""

    photos: PhotoReader
    image: str

    def __call__(self, frame_bgr: NDArray[np.uint8]) -> dict[str, Any]:
        """The frame's answer as a JSON object."""
        one_thread()
        return answer_to_json(self.photos.answer(frame_bgr, self.image))


def annotated_path(folder: Path, item: Item) -> Path:
    """Where the annotated copy of ``item`` goes: the name with a short mark of the file's whole path.

    Pictures of one name out of several folders would overwrite each other otherwise. A name that would grow
    longer than names can be is cut.
    """
    stem, rest = Path(item.path).stem, f"-{path_mark(item)}.jpg"
    raw = os.fsencode(stem)
    if len(raw) + len(rest) > LONGEST_NAME_BYTES:
        stem = raw[: LONGEST_NAME_BYTES - len(rest)].decode("utf-8", "ignore")
    return folder / f"{stem}{rest}"


def path_mark(item: Item) -> str:
    """Six hex digits that stand for the file's whole path, however it was spelled."""
    import hashlib

    return hashlib.blake2b(os.fsencode(os.path.realpath(item.path)), digest_size=3).hexdigest()


def _has_enough(answer: Answer | None) -> bool:
    """Whether reading the picture larger would tell no more."""
    if answer is None or answer.top is None or not answer.size:
        return False
    extent = np.ptp(np.array(answer.top.quad_xy), axis=0).max()
    return answer.ok or answer.reason == "not-last-layer" or bool(extent / answer.size >= ENOUGH_PX)


@lru_cache(maxsize=1)
def one_thread() -> None:
    """Keep OpenCV to one thread: the pool has a process for every core already."""
    import cv2

    cv2.setNumThreads(1)


@lru_cache(maxsize=4)
def chooser(name: str | None) -> Chooser:
    """What chooses the profile for each picture, made once a process."""
    from vision.profile_choice import Chooser

    return Chooser(name)


@lru_cache(maxsize=1)
def loaded_library() -> Any:
    """The library of sequences, loaded once a process; the run itself tells what is wrong with it."""
    from vision.library_files import open_library

    return open_library(tell=False)


@lru_cache(maxsize=4)
def loaded_profile(name: str | None) -> Profile | None:
    """The profile of that name, loaded once a process."""
    from vision.profiles import load_named

    return load_named(name)
