"""What a profile keeps of its pictures: under which names, and how many stickers at most."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from calibration.profile import ColourSample

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
