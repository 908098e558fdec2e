"""Pictures of a cube in a mirror, among those that are to make its profile.

Labels alone do not tell: a mirror image can be labelled as the cube with two opposite colours exchanged. So
each picture is read twice with what the others say of the colours, as it is and turned over, and the evidence
compared. Many pictures say too little for that. Of two that are each other's mirror image as a whole it is
known that one is wrong, so that neither is kept where nothing tells which.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from typing import Final

from calibration.profile import Profile
from calibration.reading import read_stickers
from calibration.samples import StickerSamples

SURE_NATS: Final = 4.0
"""Evidence from which on a picture counts as a mirror image. 265 pictures of 27 traced cubes under all kinds
of light, none in a mirror, came to 2.3 at most; turned over, 41 in 100 of them pass it."""
_OVER: Final = [0, 4, 2, 3, 1, 5]
"""The face that comes to each of URFDLB when left and right change places."""

Picture = tuple[str, StickerSamples, str, frozenset[int]]
"""A name, the stickers, the picture whose mirror image this one is as a whole ("" for none), and the
colours as they were labelled."""


def turned_over(samples: StickerSamples) -> StickerSamples:
    """The stickers as a mirror shows them, left and right exchanged."""
    return StickerSamples(
        linear_rgb=samples.linear_rgb[_OVER, :, ::-1],
        spread_rgb=samples.spread_rgb[_OVER, :, ::-1],
        coverage=samples.coverage[_OVER, :, ::-1],
        clipped=samples.clipped[_OVER, :, ::-1],
    )


def mirror_nats(samples: StickerSamples, others: Profile) -> float:
    """By how much a picture speaks for being a mirror image of the cube with the colours of ``others``."""
    over, straight = (
        read_stickers(one, others, mirror=False).log_evidence for one in (turned_over(samples), samples)
    )
    return over - straight


def mirror_images(
    pictures: Sequence[Picture], without: Callable[[Collection[int]], Profile]
) -> dict[int, str]:
    """Numbers of the pictures to leave out as mirror images, each with the reason.

    ``without`` gives the profile that all pictures make but those of the given numbers. Of two that nothing
    tells apart neither is kept. A picture whose colours the others do not show is not judged: the general
    colours, which would be all there is, are wrong about an unusual cube.
    """
    out: dict[int, str] = {}
    numbers = {name: i for i, (name, _, _, _) in enumerate(pictures)}

    def nats_of(i: int, apart: set[int]) -> float:
        shown = frozenset[int]().union(*(one[3] for k, one in enumerate(pictures) if k not in apart))
        return mirror_nats(pictures[i][1], without(apart)) if pictures[i][3] <= shown else 0.0

    for i, (name, _, other, _) in enumerate(pictures):
        j = numbers.get(other)
        if j is None or j in out:
            continue
        nats = nats_of(i, {*out, i, j})
        if nats > SURE_NATS:
            out[i] = f"is the mirror image of {other}"
        elif nats < -SURE_NATS:
            out[j] = f"is the mirror image of {name}"
        else:
            for k, twin in ((i, other), (j, name)):
                out[k] = (
                    f"{twin} is its mirror image, and colours do not tell which is right: give that one alone"
                )
    rest = [i for i in range(len(pictures)) if i not in out]
    while len(rest) > 1:
        told = {i: nats_of(i, {*out, i}) for i in rest}
        worst = max(told, key=lambda i: told[i])
        if told[worst] <= SURE_NATS:
            break
        if len(rest) == 2:
            for i, j in (rest, rest[::-1]):
                out[i] = f"it or {pictures[j][0]} is a mirror image; add a third picture"
            break
        out[worst] = "is a mirror image, by what the others show; turn it over"
        rest.remove(worst)
    return out
