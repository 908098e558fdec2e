"""How many sequences and positions there are: counts from the literature and from combinatorics."""

from __future__ import annotations

from functools import lru_cache
from math import comb

import numpy as np

from models.cube import moves_permutation
from models.notation import parse_moves
from models.search import find
from models.search_result import Core
from models.search_space import OUTER, enumerate_space, estimate, turn_set
from models.sequences import read_cores, widened


def test_sequence_counts_are_the_published_ones() -> None:
    """Korf, Finding Optimal Solutions to Rubik's Cube Using Pattern Databases (AAAI 1997), table 1: nodes of
    the search tree by depth. Ours leaves out those that begin with U, which are 3 times those one shorter."""
    published = [1, 18, 243, 3240, 43254, 577368, 7706988]
    outer = turn_set(OUTER, 3)
    without_top = [1] + [estimate(outer, d) - estimate(outer, d - 1) for d in range(1, 7)]
    every = [1] + [without_top[d] + 3 * without_top[d - 1] for d in range(1, 7)]
    assert every == published


def every_layer(size: int) -> str:
    """Each way to name a layer or block of this size: outer ones, block turns, inner slices."""
    inner = range(2, size)
    named = [[b, *(f"{k}{b}w" for k in inner), *(f"{k}{b}" for k in inner)] for b in "UDRLFB"]
    return " ".join(name for names in named for name in names)


def test_sequence_counts_of_many_layers_follow_from_combinatorics() -> None:
    """Axes take turns; a run on one axis turns some of its m layers, 3 ways each: (1 + 3x)^m - 1. The first
    run does without U. The numbers go far beyond 64 bits."""
    turns, depth = turn_set(every_layer(7), 7), 12
    m = len(turns) // 9
    run = [0] + [comb(m, k) * 3**k for k in range(1, depth + 1)]
    without_top = [0] + [comb(m - 1, k) * 3**k for k in range(1, depth + 1)]
    first = [2 * a + b for a, b in zip(run, without_top, strict=True)]
    ending = [1]  # sequences from the end of a run on, by length
    for d in range(1, depth + 1):
        ending.append(sum(2 * run[k] * ending[d - k] for k in range(1, d + 1)))
    count = 1 + sum(first[k] * ending[d - k] for d in range(1, depth + 1) for k in range(1, d + 1))
    assert m == 22 and count > 2**64
    assert estimate(turns, depth) == count


def test_many_layers_are_listed_as_the_engine_turns_them() -> None:
    turns = turn_set(every_layer(6), 6)
    space = enumerate_space(turns, 6, 1)
    assert len(turns) == 162 and len(space) == 160
    home = space.positions[:, 0]
    for index in range(len(space)):
        carried = np.argsort(moves_permutation(space.moves(index), 6))  # where each sticker goes
        assert (space.positions[:, index] == carried[home]).all(), space.moves(index)
    core = Core("flip-one", widened(read_cores()["flip-one"], 6))
    found = find(["e1-headlights-front"], size=6, cores=(core,), turns=every_layer(6), depth=1, keep=1)
    assert found.cases["e1-headlights-front"].found[0].moves == core.moves


def test_distinct_positions_are_the_published_ones() -> None:
    """OEIS A080601: positions of the 3x3x3 at distance 0, 1, 2, 3, 4 in face turns."""
    space = enumerate_space(turn_set(OUTER, 3), 3, 4)
    assert len(space) == 1 + 15 + 198 + 2646 + 35316
    model = space.model
    everything = np.concatenate([model.below, model.top_corners, model.top_edges])
    seen: set[bytes] = set()
    counts = []
    tops = [parse_moves(t) for t in ("", "U", "U2", "U'")]
    for d in range(5):
        before = len(seen)
        for top_turn in tops[:1] if d == 0 else tops:
            # U first and then a sequence: where U took a sticker, the sequence carries on from there
            start = np.argsort(moves_permutation(top_turn, 3))[everything]
            length = d - (1 if len(top_turn) else 0)
            where = np.full(54, -1)
            where[everything] = np.arange(len(everything))
            for column in space.positions[:, space.starts[length] : space.starts[length + 1]].T:
                carried = _carry(column, start, where, model)
                seen.add(carried.tobytes())
        counts.append(len(seen) - before)
    assert counts == [1, 18, 243, 3240, 43239]


def _carry(column: np.ndarray, start: np.ndarray, where: np.ndarray, model: object) -> np.ndarray:
    """Positions after ``start`` and then a sequence given by where it takes each piece's own sticker."""
    # a piece lies at sticker s of some cubie; the sequence takes that cubie's tracked sticker to column[...]
    out = np.empty(len(start), np.int16)
    for i, s in enumerate(start):
        home, offset = _tracked(int(s), where, model)
        out[i] = _beside(int(column[home]), offset, model)
    return out


@lru_cache(maxsize=1)
def _cubies(size: int) -> list[list[int]]:
    from models.search_space import _cubies as cubies

    return cubies(size)


@lru_cache(maxsize=64)
def _place(sticker: int) -> tuple[int, int, int]:
    for number, cubie in enumerate(_cubies(3)):
        if sticker in cubie:
            return number, cubie.index(sticker), len(cubie)
    raise AssertionError


def _tracked(sticker: int, where: np.ndarray, model: object) -> tuple[int, int]:
    number, place, length = _place(sticker)
    for k, other in enumerate(_cubies(3)[number]):
        if where[other] >= 0:
            return int(where[other]), (place - k) % length
    raise AssertionError


def _beside(sticker: int, offset: int, model: object) -> int:
    number, place, length = _place(sticker)
    return _cubies(3)[number][(place + offset) % length]
