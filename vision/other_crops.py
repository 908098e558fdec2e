"""The same cube read in other crops, where the first look at it named no case."""

from __future__ import annotations

import time
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from vision.answer import Answer
from vision.each_size import read_each_size
from vision.locate import find_near
from vision.one_cube import SURE_CUBE, Read, Settings
from vision.squeezed import squared

#: where no case is named at first, the same cube is looked at in other crops: their middles off by so much of
#: an edge, and their scale; so many of them must name one and the same case
OTHER_CROPS, AGREEING = ((0.0, 0.0, 1.0), (0.06, 0.04, 1.08), (-0.05, 0.05, 0.93)), 2
#: a crop that names what the first look gave less than even odds must be so sure of it: of 46 traced pictures
#: that two crops named, it leaves out 4 of the 7 named otherwise and 1 of the 39; 0.96 and 0.98 are alike
OUTRIGHT = 0.97
#: by so much likelier than a last layer are stickers of any colours where no other crop is asked: of readings
#: that were made good none had more than 3, of those of pictures without a last layer three quarters
HOPELESS_NATS = 10.0


def read_in_other_crops(
    image_bgr: NDArray[np.uint8], first: Read, settings: Settings, size: int | None
) -> Read | None:
    """What other crops round the same cube agree on; None where no case is named by enough of them.

    Each crop gives a pose that is off in its own way: two that name one case by chance are rare.
    """
    cube, reading, found, seconds = first.cube, first.reading, first.found, first.answer.seconds
    if cube is None or reading is None:
        return None
    if reading.posterior.log_evidence_any - reading.posterior.log_evidence > HOPELESS_NATS:
        return None
    began = time.perf_counter()
    picture = squared(image_bgr, cube.pose.across)
    x, y = cube.pose.middle_xy
    named: list[Read] = []
    for k, (right, down, scale) in enumerate(OTHER_CROPS):
        if len(named) + len(OTHER_CROPS) - k < AGREEING:
            return None
        edge_px = cube.edge_px
        place = picture.place(x + right * edge_px, y + down * edge_px, scale * edge_px)
        other = picture.back(find_near(picture.image_bgr, *place, size))
        if other.probability < SURE_CUBE:
            continue
        spent = dict(seconds) | {"locate": seconds["locate"] + time.perf_counter() - began}
        cubes = (other, *(one for one in found.cubes if one is not cube))
        read = read_each_size(image_bgr, replace(found, cubes=cubes), other, settings, spent)
        if read.answer.case is None or not _outweighs(first.answer, read.answer):
            continue
        if any(read.answer.case.code != one.answer.case.code for one in named if one.answer.case):
            return None
        named.append(read)
        if len(named) == AGREEING:
            return min(named, key=lambda one: one.answer.candidates[0].probability)
    return None


def _outweighs(first: Answer, other: Answer) -> bool:
    """Whether another crop's name counts beside what the first look thought of it."""
    name = other.candidates[0]
    before = sum(one.probability for one in first.candidates if one.code == name.code)
    return before >= 0.5 or name.probability >= OUTRIGHT
