"""Which profile a picture is read with: the one that is named, else the one that fits its stickers best."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from vision.answer import Answer
from vision.naming import own_rgb
from vision.streams import complain

if TYPE_CHECKING:
    from calibration.profile import Profile
    from calibration.samples import StickerSamples


def best_profile(
    samples: StickerSamples, own: Sequence[Profile], built_in: Profile, *, mirrored: bool = False
) -> Profile:
    """The profile with the largest evidence for the stickers of one cube whose top is face U.

    Evidence is log p(stickers | the profile's colours), summed over last-layer states, with the light fitted
    and its price paid (``calibration.learn.best_profile``). Profiles for other sizes are left out.
    ``mirrored``: the stickers are known to be seen in a mirror.
    """
    from calibration.learn import best_profile as best
    from calibration.reading import read_stickers

    if not own:
        return built_in
    general = read_stickers(samples, built_in, mirrored=mirrored)
    return best(samples, own, general, mirrored=mirrored) or built_in


class Chooser:
    """Reads pictures with the profile called ``name``, or chooses among the user's for each picture.

    A copy of the built-in profile, which would fit each as well as that does, is not chosen. A damaged
    profile is one line on stderr and left out. Raises UsageError for a name that is none.
    """

    def __init__(self, name: str | None) -> None:
        from vision.profiles import is_built_in, load_all, load_named

        self.named = load_named(name)
        self.own: list[Profile] = []
        if name is None:
            loaded, damaged = load_all()
            self.own = [profile for profile in loaded if not is_built_in(profile)]
            for error in damaged:
                complain(error)

    def read(self, image_bgr: NDArray[np.uint8], **options: Any) -> Answer:
        """The answer for one picture; ``options`` as for ``vision.pipeline.read_picture``."""
        from vision.pipeline import read_picture, read_whole

        if self.named is not None or not self.own:
            return _signed(read_picture(image_bgr, profile=self.named, **options), self.named)
        from calibration.profile import default_profile

        first = read_whole(image_bgr, **options)
        if first.samples is None or first.reading is None:
            return first.answer
        mirrored = bool(options.get("mirrored", False))
        best = best_profile(first.samples, self.own, default_profile(), mirrored=mirrored)
        if best is default_profile():
            return first.answer
        found = first.found  # the cube stays where it was found
        return _signed(read_picture(image_bgr, profile=best, find=lambda *_, **__: found, **options), best)


def _signed(answer: Answer, profile: Profile | None) -> Answer:
    """The answer with the profile's name and the look of its own colour names."""
    from calibration.profile import default_profile

    if profile is None or profile is default_profile():
        return answer
    return replace(answer, profile=profile.name, palette=own_rgb(profile))
