"""What a profile keeps of its pictures: under which names, how many stickers at most, and what they teach."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np

from calibration.adapt import adapt
from calibration.colour import log_light
from calibration.learning import LabelledPicture
from calibration.modes import PIXEL_NOISE
from calibration.profile import ColourModel, ColourSample, Profile

MOST_OWN: Final = 12_000
"""Stickers that calibrating keeps: with all that may be learned in use, a profile can still be saved."""
MOST_LETTERS: Final = 200
"""Letters of a picture's name that are kept, its last ones."""


def picture_name(text: str) -> str:
    """The name under which a picture is kept: no "#" (it parts off the face), no more than the last
    MOST_LETTERS letters, and only such as a file of text can hold."""
    return text.replace("#", "_")[-MOST_LETTERS:].encode("utf-8", "replace").decode("utf-8")


def thinned(samples: Sequence[ColourSample], most: int) -> tuple[ColourSample, ...]:
    """At most ``most`` of the samples, in their order.

    What a face of a picture shows much of gives way first: of each colour on each face the same number stays,
    spread evenly, or all where there are no more.
    """
    groups: dict[tuple[str, int], list[int]] = {}
    for index, one in enumerate(samples):
        groups.setdefault((one.picture, one.colour), []).append(index)
    each = max((len(group) for group in groups.values()), default=0)
    while each > 1 and sum(min(len(group), each) for group in groups.values()) > most:
        each -= 1
    kept = sorted(index for group in groups.values() for index in _evenly(group, each))
    return tuple(samples[index] for index in _evenly(kept, most))


def _evenly(values: Sequence[int], most: int) -> list[int]:
    count = min(len(values), most)
    return [values[(2 * i + 1) * len(values) // (2 * count)] for i in range(count)]


def pictures_of(samples: Sequence[ColourSample], floor: float) -> dict[str, LabelledPicture]:
    """Labelled pictures out of a profile's samples, by the picture's name; the inverse of
    :func:`calibration.labelling.samples_of`."""
    grouped: dict[str, dict[str, list[ColourSample]]] = {}
    for sample in samples:
        name, _, face = sample.picture.rpartition("#")
        grouped.setdefault(name or face, {}).setdefault(face, []).append(sample)
    out = {}
    for name, faces in grouped.items():
        rows = [(f, sample) for f, members in enumerate(faces.values()) for sample in members]
        linear = np.array([sample.linear_rgb for _, sample in rows])
        out[name] = LabelledPicture(
            features=log_light(linear, floor),
            face_of=np.array([f for f, _ in rows], dtype=np.intp),
            labels=np.array([sample.colour for _, sample in rows], dtype=np.intp),
            measure_var=PIXEL_NOISE**2 / (linear + floor) ** 2,
            weight=np.ones(len(rows)),
        )
    return out


def refit(profile: Profile, base: ColourModel) -> ColourModel:
    """The colour model of the samples that a profile keeps."""
    return adapt(base, list(pictures_of(profile.samples, base.floor).values()))
