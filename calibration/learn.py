"""A profile that gets better with use: confident readings add their stickers, bounded and reversible.

What was learned stands in the profile's samples under pictures whose names begin with ``learned:``; the
model is fitted to all samples, so taking those out and fitting again gives the profile back as it was.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np

from calibration.adapt import adapt
from calibration.collect import COVERED, SURE, LabelledShot, Shot, pictures_of, samples_of
from calibration.profile import Profile, default_profile
from calibration.reading import Reading
from calibration.samples import StickerSamples

LEARNED: Final = "learned:"
MOST_LEARNED: Final = 24
"""Learned pictures that a profile keeps; the oldest goes first."""
LEAST_SURE: Final = 0.995
ODD_LIGHT: Final = 3.0
"""Reading.light_oddity from which a picture looks like another cube or lamp."""
DRIFT_PICTURES: Final = 5


def is_learned(picture: str) -> bool:
    """Whether a sample's picture was added by use rather than by calibrating."""
    return picture.startswith(LEARNED)


def worth_learning(reading: Reading, samples: StickerSamples) -> bool:
    """Whether a reading is sure enough to teach: the case certain, most stickers clean, no odd light."""
    seen = samples.coverage > COVERED
    if not seen.any() or reading.posterior.probability < LEAST_SURE or reading.posterior.mirrored:
        return False
    return reading.light_oddity < ODD_LIGHT and float(reading.clean[seen].mean()) > 0.7


def learned(profile: Profile, reading: Reading, samples: StickerSamples, picture: str) -> Profile:
    """The profile with one more picture and its model fitted again.

    Only stickers that the posterior is sure of and that are clean are kept.
    """
    marginals = reading.posterior.marginals
    labels = marginals.argmax(axis=-1).astype(np.intp)
    unsure = (marginals.max(axis=-1) < SURE) | (reading.clean < 0.5) | (samples.coverage <= COVERED)
    labels[unsure] = -1
    name = f"{LEARNED}{picture}".replace("#", "_")
    shot = LabelledShot(Shot(name, samples), labels, reading)
    base = default_profile().model
    kept = [one for one in profile.samples if one.picture.rpartition("#")[0] != name]
    return _refitted(replace(profile, samples=(*_bounded(kept), *samples_of(shot, base))))


def without_learned(profile: Profile) -> tuple[Profile, int]:
    """The profile as calibrated, and how many learned pictures were taken out."""
    names = {one.picture.rpartition("#")[0] for one in profile.samples if is_learned(one.picture)}
    kept = tuple(one for one in profile.samples if not is_learned(one.picture))
    return (_refitted(replace(profile, samples=kept)) if names and kept else profile), len(names)


def _bounded(samples: list) -> list:  # type: ignore[type-arg]
    """Samples with room for one more learned picture."""
    names = list(dict.fromkeys(s.picture.rpartition("#")[0] for s in samples if is_learned(s.picture)))
    gone = set(names[: max(0, len(names) - MOST_LEARNED + 1)])
    return [s for s in samples if s.picture.rpartition("#")[0] not in gone]


def _refitted(profile: Profile) -> Profile:
    base = default_profile().model
    return replace(profile, model=adapt(base, list(pictures_of(profile.samples, base.floor).values())))


class DriftWatch:
    """Notices when the readings of a session sit far from a profile's classes."""

    def __init__(self) -> None:
        self._odd: list[float] = []

    def add(self, reading: Reading) -> str | None:
        """Take in a reading; a warning once, when the median of the session is far off."""
        if not np.isfinite(reading.light_oddity):
            return None
        self._odd.append(reading.light_oddity)
        if len(self._odd) >= DRIFT_PICTURES and float(np.median(self._odd)) > ODD_LIGHT:
            self._odd.clear()
            return "this looks like another cube or another lamp than the profile's; calibrate again"
        return None
