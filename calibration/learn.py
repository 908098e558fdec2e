"""A profile that gets better with use: confident readings add their stickers, bounded and reversible.

What was learned stands in the profile's samples under pictures whose names begin with ``learned:``; the
model is fitted to all samples, so taking those out and fitting again gives the profile back as it was.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from calibration.collect import COVERED, SURE, LabelledShot, Shot, refit, samples_of
from calibration.profile import ColourSample, Profile, default_profile
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


@dataclass(frozen=True, eq=False)
class Seen:
    """A picture that may teach: its name, samples, and what was read from them."""

    picture: str
    samples: StickerSamples
    reading: Reading


def learned(profile: Profile, pictures: Sequence[Seen]) -> Profile:
    """The profile with the stickers of more pictures and its model fitted again.

    Only stickers that the posterior is sure of and that are clean are kept.
    """
    base = default_profile().model
    samples = list(profile.samples)
    for one in pictures:
        marginals = one.reading.posterior.marginals
        labels = marginals.argmax(axis=-1).astype(np.intp)
        unsure = (marginals.max(axis=-1) < SURE) | (one.reading.clean < 0.5)
        labels[unsure | (one.samples.coverage <= COVERED)] = -1
        name = f"{LEARNED}{one.picture}".replace("#", "_")
        shot = LabelledShot(Shot(name, one.samples), labels, one.reading)
        kept = [sample for sample in samples if _picture(sample) != name]
        samples = [*_bounded(kept), *samples_of(shot, base)]
    return _refitted(replace(profile, samples=tuple(samples)))


def without_learned(profile: Profile) -> tuple[Profile, int]:
    """The profile as calibrated, and how many learned pictures were taken out."""
    names = {_picture(one) for one in profile.samples if is_learned(one.picture)}
    kept = tuple(one for one in profile.samples if not is_learned(one.picture))
    return (_refitted(replace(profile, samples=kept)) if names and kept else profile), len(names)


def _picture(sample: ColourSample) -> str:
    return sample.picture.rpartition("#")[0]


def _bounded(samples: Sequence[ColourSample]) -> list[ColourSample]:
    """Samples with room for one more learned picture."""
    names = list(dict.fromkeys(_picture(one) for one in samples if is_learned(one.picture)))
    gone = set(names[: max(0, len(names) - MOST_LEARNED + 1)])
    return [one for one in samples if _picture(one) not in gone]


def _refitted(profile: Profile) -> Profile:
    return profile.with_model(refit(profile, default_profile().model))


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
