"""A profile that gets better with use: confident readings add their stickers, bounded and reversible.

What was learned stands in the profile's samples under pictures whose names begin with ``learned:``; the
model is fitted to all samples, so taking those out and fitting again gives the profile back as it was.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Final

import numpy as np

from calibration.kept import picture_name, refit
from calibration.labelling import COVERED, SURE, LabelledShot, Shot, samples_of
from calibration.profile import ColourSample, Profile, default_profile
from calibration.reading import Reading, read_stickers
from calibration.samples import StickerSamples

LEARNED: Final = "learned:"
"""What the name of a picture begins with that use has added."""
MOST_LEARNED: Final = 24
"""Learned pictures that a profile keeps; the oldest goes first."""
LEAST_SURE: Final = 0.995
"""Probability of the case from which on a picture may teach."""
DRIFT_PICTURES: Final = 5
"""Pictures of a session from which on drift is told."""
DRIFT_NATS: Final = 0.25
"""How much better the general profile must explain the middle picture of a session, to speak of drift."""


def is_learned(picture: str) -> bool:
    """Whether a sample's picture was added by use rather than by calibrating."""
    return picture.startswith(LEARNED)


def worth_learning(reading: Reading, samples: StickerSamples) -> bool:
    """Whether a reading is sure enough to teach: the case certain, most stickers clean."""
    seen = samples.coverage > COVERED
    if not seen.any() or reading.posterior.probability < LEAST_SURE or reading.posterior.mirrored:
        return False
    return float(reading.clean[seen].mean()) > 0.7


@dataclass(frozen=True, eq=False)
class Seen:
    """A picture that may teach: its name, samples, and what was read from them."""

    picture: str
    samples: StickerSamples
    reading: Reading

    def may_be_of(self, profile: Profile) -> bool:
        """Whether its cube has a number of layers that the profile's cube may have."""
        return not profile.sizes or self.samples.size in profile.sizes


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
        name = LEARNED + picture_name(one.picture)
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


@lru_cache(maxsize=16)
def colours_alone(profile: Profile) -> Profile:
    """The general profile with this one's colours: for comparing cubes, not how evenly they were lit."""
    base = default_profile().model
    return profile.with_model(replace(base, mean=profile.model.mean, picture_cov=profile.model.picture_cov))


class DriftWatch:
    """Notices when the general profile explains a session's pictures better than the cube's own does.

    One picture tells next to nothing of that, so a session is asked as a whole: by the middle one of its
    newest pictures, ``MOST_LEARNED`` at most.
    """

    def __init__(self) -> None:
        self._better: deque[float] = deque(maxlen=MOST_LEARNED)
        self._told = False

    def add(self, samples: StickerSamples, profile: Profile) -> None:
        """Take in a picture that was read as one of the cube of ``profile``."""
        general = read_stickers(samples, default_profile()).log_evidence
        self._better.append(general - read_stickers(samples, colours_alone(profile)).log_evidence)

    @property
    def can_tell(self) -> bool:
        """Whether there are pictures enough to speak of drift."""
        return len(self._better) >= DRIFT_PICTURES

    @property
    def has_drifted(self) -> bool:
        """Whether the session, as far as it has come, speaks against the profile."""
        return self.can_tell and float(np.median(self._better)) > DRIFT_NATS

    def warning(self) -> str | None:
        """What to tell the person, the first time that there is something to tell."""
        if self._told or not self.has_drifted:
            return None
        self._told = True
        return "this looks like another cube or another lamp than the profile's; calibrate again"


def best_profile(
    samples: StickerSamples, profiles: Sequence[Profile], general: Reading, *, mirrored: bool = False
) -> Profile | None:
    """The profile among the user's that explains a picture best; None where the general one does.

    ``general`` is the picture read with the general profile; a tie goes to the user's. Profiles of other
    sizes are passed over. ``mirrored`` as for :func:`calibration.reading.read_stickers`.
    """
    best, evidence = None, general.log_evidence
    for profile in profiles:
        if profile.sizes and samples.size not in profile.sizes:
            continue
        found = read_stickers(samples, colours_alone(profile), mirrored=mirrored).log_evidence
        if found > evidence or (best is None and found == evidence):
            best, evidence = profile, found
    return best
