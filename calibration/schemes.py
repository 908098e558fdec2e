"""The ways to put six colours on a cube."""

from __future__ import annotations

from functools import cache
from itertools import permutations

from calibration.profile import SCHEME


def all_schemes() -> tuple[tuple[int, ...], ...]:
    """The 30 ways to put six colours on a cube, turns of the whole cube aside; the usual one first.

    Each is written with colour ``SCHEME[0]`` on U.
    """
    first = SCHEME[0]
    others = [k for k in range(6) if k != first]
    found: list[tuple[int, ...]] = [SCHEME]
    for opposite in others:
        ring = [k for k in others if k != opposite]
        for rest in permutations(ring[1:]):
            # R F L B go round the cube; fixing who is on R takes out the turns about U
            right, (front, left, back) = ring[0], rest
            scheme = (first, right, front, opposite, left, back)
            if not any(_same(scheme, known) for known in found):
                found.append(scheme)
    return tuple(found)


def _same(a: tuple[int, ...], b: tuple[int, ...]) -> bool:
    return any(tuple(a[i] for i in turn) == b for turn in _whole_turns())


@cache
def _whole_turns() -> tuple[tuple[int, ...], ...]:
    """The 24 turns of the whole cube as permutations of the faces URFDLB."""
    from models.cube import rotation_permutations

    return tuple(tuple(int(i) // 4 for i in row[::4]) for row in rotation_permutations(2))
