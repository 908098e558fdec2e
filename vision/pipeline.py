"""One picture in, one answer out: which cube is meant, and a closer look where no case is named."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import replace
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from numpy.typing import NDArray

from calibration.profile import Profile, default_profile
from models.decode_view import next_view
from vision.answer import Answer
from vision.each_size import read_each_size
from vision.evidence import SOLVED
from vision.found import Found, FoundCube
from vision.locate import find_cubes
from vision.one_cube import SURE_CUBE, Read, Settings, is_colourless
from vision.other_crops import read_in_other_crops
from vision.shrink import Halved
from vision.squeezed import unsqueezed
from vision.veil import without_veil

if TYPE_CHECKING:
    from models.library import Library

OTHERS_FROM: Final = 0.95
"""Probability from which on a cube is asked beside the nearest, and below which the nearest may be none."""


def read_whole(
    image_bgr: NDArray[np.uint8],
    *,
    profile: Profile | None = None,
    size: int | None = None,
    front: str | None = None,
    mirrored: bool = False,
    library: Library | None = None,
    image: str = "",
    find: Callable[..., Found] | None = None,
) -> Read:
    """Read the last-layer case of the cube in an upright BGR picture.

    ``profile`` is the cube's colours (the built-in one where None), ``size`` fixes n, ``front`` is one of
    :data:`vision.holding.FRONTS`, ``mirrored`` tells that the picture is a mirror image, ``library`` suggests
    sequences, ``find`` finds cubes (``find_cubes`` where None). Never raises for what the picture shows: an
    answer that names nothing carries its reason.
    """
    seconds = {"read": 0.0, "locate": 0.0, "sample": 0.0, "classify": 0.0, "decode": 0.0}
    began = time.perf_counter()
    as_it_came = image_bgr
    halved = without_veil(Halved(image_bgr))
    image_bgr = halved.whole
    if find:
        found = find(image_bgr, size=size)
    else:
        found = unsqueezed(image_bgr, find_cubes(image_bgr, size=size, halved=halved), size)
    seconds["locate"] = time.perf_counter() - began
    if not found.cubes:
        answer = Answer(image=image, ok=False, reason="no-cube", seconds=seconds, detail=_no_cube(found))
        return Read(answer, found)
    settings = Settings(
        profile or default_profile(), front, library, image, is_colourless(as_it_came), mirrored
    )
    nearest = found.cubes[0]
    first = read_each_size(image_bgr, found, nearest, settings, dict(seconds))
    if not first.answer.ok:
        for cube in found.cubes[1:]:
            if cube.edge_px > 0.3 * nearest.edge_px and cube.probability > OTHERS_FROM:
                read = read_each_size(image_bgr, found, cube, settings, dict(seconds))
                if _gives_way(nearest, first.answer, cube, read.answer):
                    return read
    if first.answer.ok:
        return first
    if nearest.probability >= SURE_CUBE:
        return read_in_other_crops(image_bgr, first, settings, size) or _advised(first)
    detail = "what might be a cube does not read like one"
    answer = Answer(image=image, ok=False, reason="no-cube", seconds=first.answer.seconds, detail=detail)
    return Read(answer, Found((), "no-cube", "read"))


def _gives_way(nearest: FoundCube, first: Answer, cube: FoundCube, answer: Answer) -> bool:
    """Whether another cube is meant: the nearest may be none, or is a scrambled one beside one in practice.
    What may be none and reads like none gives way to a much smaller one as well.

    A cube that is half hidden or open between cases does not give way: it is the one that is held up.
    """
    if not answer.ok:
        return False
    if nearest.probability < SURE_CUBE:
        return True
    is_near = cube.edge_px > 0.6 * nearest.edge_px or nearest.probability < OTHERS_FROM
    scrambled = first.reason == "not-last-layer" and is_near
    return scrambled and answer.case is not None and answer.case.code != SOLVED


def _advised(read: Read) -> Read:
    """With the side whose view would tell most, where several cases fit: working that out takes as long as
    half of a reading, so only what is answered in the end gets it."""
    if read.reading is None or not read.is_open:
        return read
    began = time.perf_counter()
    view = next_view(read.reading.posterior)
    seconds = dict(read.answer.seconds)
    seconds["decode"] += time.perf_counter() - began
    return replace(read, answer=replace(read.answer, next_view=view, seconds=seconds))


def read_picture(image_bgr: NDArray[np.uint8], **options: Any) -> Answer:
    """:func:`read_whole`, the answer alone."""
    return read_whole(image_bgr, **options).answer


def _no_cube(found: Found) -> str:
    if found.stage == "picture too small":
        return "the picture is too small to hold a cube"
    if found.stage == "propose":
        return "nothing in the picture looks like a cube"
    return "what looked like a cube from afar did not hold up close"
