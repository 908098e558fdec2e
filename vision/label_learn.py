"""Which pictures of a labelling run may teach the profile they were read with, and a second look at them."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from models.errors import LastlookError
from vision.label import Json
from vision.photo_reader import PhotoReader

if TYPE_CHECKING:
    from calibration.learn import Seen


def surest(answers: list[Json], most: int) -> list[str]:
    """Up to ``most`` pictures that are sure enough to teach, from all over the run."""
    from calibration.learn import LEAST_SURE

    sure = [
        str(one["image"])
        for one in answers
        if one.get("ok") and "start" not in one and one["case"]["probability"] >= LEAST_SURE
    ]
    return sure[:: max(1, len(sure) // most)][:most]


def look_again(image: str, photos: PhotoReader) -> Seen | None:
    """A picture read once more, as it was read, with what it was read from.

    None where it cannot be had, and where the number of layers is open: stickers may lie elsewhere then.
    """
    from calibration.learn import Seen
    from vision.each_size import in_question
    from vision.photo_reader import LEAST_LONG_SIDES_PX, loaded_profile
    from vision.pipeline import read_whole
    from vision.sources import load_photo

    try:
        photo = load_photo(image, min_long_side=LEAST_LONG_SIDES_PX[0])
    except LastlookError:
        return None
    whole = read_whole(
        photo.image_bgr,
        profile=loaded_profile(photos.profile),
        size=photos.size,
        front=photos.front,
        mirrored=photos.mirrored,
        image=image,
    )
    if whole.cube is None or whole.samples is None or whole.reading is None or in_question(whole.cube):
        return None
    return Seen(Path(image).name, whole.samples, whole.reading)
