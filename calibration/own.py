"""Reading with a cube's own profile, and with the general colours where those explain the stickers better.

A profile made of two pictures can be led astray by them: burnt out, or taken in a deep shade. Then a picture
in ordinary light is likelier under the colours that cubes have in general.
"""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache
from typing import Any

from calibration.profile import Profile, default_profile
from calibration.reading import Reading, likeliest_top, read_stickers
from calibration.samples import StickerSamples


@lru_cache(maxsize=16)
def general_for(profile: Profile) -> Profile:
    """The general colours under the scheme and the colour names of a cube's own profile."""
    return replace(default_profile(), scheme=profile.scheme, colours=profile.colours)


def read_by_profile(samples: StickerSamples, profile: Profile, **options: Any) -> Reading:
    """A reading with a profile; with a cube's own, the general colours' one where that is likelier.

    ``options`` are those of :func:`calibration.reading.read_stickers`, and so are the errors.
    """
    reading = read_stickers(samples, profile, **options)
    if not profile.samples:
        return reading
    general = read_stickers(samples, general_for(profile), **options)
    return replace(general, is_general=True) if general.log_evidence > reading.log_evidence else reading


def top_by_profile(samples: StickerSamples, profile: Profile, *, mirrored: bool = False) -> int:
    """The pose face that :func:`read_by_profile` takes for the last layer's, where none is given."""
    top = likeliest_top(samples, profile, mirrored=mirrored)
    if profile.samples and likeliest_top(samples, general_for(profile), mirrored=mirrored) != top:
        return read_by_profile(samples, profile, mirrored=mirrored).posterior.top
    return top
