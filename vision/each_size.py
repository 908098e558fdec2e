"""One cube read with each number of layers that it may have: a case counts as far as its cube does."""

from __future__ import annotations

import time
from collections import defaultdict
from dataclasses import replace
from typing import TYPE_CHECKING, Final

from vision.answer import Answer, Candidate
from vision.found import Found, FoundCube
from vision.one_cube import Read, Settings, read_cube
from vision.verdict import SPEAK_FROM
from vision.wording import percent

if TYPE_CHECKING:
    from collections.abc import Mapping

    from vision.networks import Picture

LEAST_SHARE: Final = 0.04
"""A number of layers less probable than this is not read: of 1,093 traced pictures whose likeliest number had
0.97 or more, three had another."""
TOLD_SHARE: Final = 0.1
"""From this probability on a person is told of it."""
LISTED: Final = 0.99
"""The candidates have this probability together, as ``models.posterior.Posterior.candidates``."""
LEAST_LISTED: Final = 0.02
"""A case of another number of layers less probable than this is not listed; such tails are long."""


def in_question(cube: FoundCube) -> list[FoundCube]:
    """The cube with each other number of layers that is likely enough to count."""
    shares = cube.pose.size_probabilities
    return [other for other in cube.otherwise if shares[other.pose.size] >= LEAST_SHARE]


def open_sizes(cube: FoundCube) -> tuple[int, ...]:
    """The numbers of layers that the cube may have, the likeliest first; () where that is as sure as a case
    must be to be named."""
    others = tuple(other.pose.size for other in in_question(cube))
    if not others or cube.pose.size_probabilities[cube.pose.size] >= SPEAK_FROM:
        return ()
    return (cube.pose.size, *others)


def read_each_size(
    image_bgr: Picture, found: Found, cube: FoundCube, settings: Settings, seconds: dict[str, float]
) -> Read:
    """As :func:`vision.one_cube.read_cube`, the other numbers of layers weighed in where they are open.

    The reading is that of the likeliest number; the probabilities of the cases are those of all. A number
    under which the cube is not at its last layer does not count (of 27 such numbers on traced pictures one
    was right). A refusal of the likeliest stands as it is: it is about what is seen.
    """
    first = read_cube(image_bgr, found, cube, settings, seconds)
    others = in_question(cube)
    if not others or not (first.answer.ok or first.is_open):
        return first
    began = time.perf_counter()
    reads = {cube.pose.size: first.answer}
    for other in others:
        read = read_cube(image_bgr, found, other, settings, dict(seconds)).answer
        if read.reason != "not-last-layer":
            reads[other.pose.size] = read
    answer = weighed(first.answer, reads, cube.pose.size_probabilities)
    spent = {**answer.seconds, "decode": answer.seconds["decode"] + time.perf_counter() - began}
    return replace(first, answer=replace(answer, seconds=spent), is_open=not answer.ok)


def weighed(first: Answer, reads: Mapping[int, Answer], shares: Mapping[int, float]) -> Answer:
    """The first answer, its cases as probable as all ``reads`` (by size) make them, weighed by ``shares``.

    What it named is no longer named where that is less probable than a name must be.
    """
    total = sum(shares[size] for size in reads)
    cases: defaultdict[str, float] = defaultdict(float)
    for size, answer in reads.items():
        for one in answer.candidates:
            cases[one.code] += one.probability * shares[size] / total
    own = {one.code for one in first.candidates}
    candidates: list[Candidate] = []
    for code, probability in sorted(cases.items(), key=lambda item: (-item[1], item[0])):
        if code in own or probability >= LEAST_LISTED:
            candidates.append(Candidate(code, probability))
        if sum(one.probability for one in candidates) >= LISTED:
            break
    notes = tuple(
        f"whether it has {first.size} or {size} layers ({percent(shares[size] / total)} for {size})"
        for size in reads
        if size != first.size and shares[size] / total >= TOLD_SHARE
    )
    first = replace(first, candidates=tuple(candidates), notes=(*first.notes, *notes))
    if first.case is not None and candidates[0].code == first.case.code:
        probability = candidates[0].probability
        if probability >= SPEAK_FROM:
            return replace(first, case=replace(first.case, probability=probability))
    return replace(
        first,
        ok=False,
        reason="ambiguous",
        detail=f"{len(candidates)} cases fit what can be seen",
        case=None,
        state=None,
        permutation=None,
        permutation_view=None,
        sequences=(),
    )
