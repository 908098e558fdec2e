"""What a search claims of its numbers, against a plain brute force that shares turns out in every way.

Round a core, six turns of setup and finish together may be shared out as 0 + 6: more on one side than a
search of 5 + 5 turns tries. The brute force lists words turn by turn and does them sticker by sticker.
"""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Sequence
from contextlib import suppress
from functools import lru_cache
from itertools import product

import numpy as np
import pytest

from models.cases import CASES
from models.cube import moves_permutation
from models.errors import LayerError
from models.layer_tables import corner_positions, edge_positions
from models.library import load_library
from models.notation import parse_moves
from models.permutation import PERMUTATION_CASES
from models.search import find
from models.search_result import NO_CORE, Core, Result, core_variants
from models.sequences import NEEDS_NO_SEQUENCE, read_cores, solved_class
from models.turns import Moves, Turn

FLIP_ONE = Core("flip-one", read_cores()["flip-one"])
Listed = list[list[Moves]]


@lru_cache
def words(layers: str, size: int, most: int) -> tuple[Listed, list[np.ndarray]]:
    """By number of turns, all words that do not begin with U and have no two neighbours of one axis (no two
    of the layers are of one), and what they do to the stickers (words, 6 n n)."""
    turns = [Turn(one.base, q, one.depth) for one in parse_moves(layers) for q in (1, 2, 3)]
    table = {turn: moves_permutation(Moves((turn,)), size) for turn in turns}
    listed, moved = [[Moves()]], [np.arange(6 * size * size)[None]]
    for _ in range(most):
        grown = [
            (Moves((*word, turn)), done[table[turn]])
            for word, done in zip(listed[-1], moved[-1], strict=True)
            for turn in turns
            if (turn.axis != word[-1].axis if word else turn.layers != ("U", 1, False))
        ]
        listed.append([word for word, _ in grown])
        moved.append(np.array([done for _, done in grown]))
    return listed, moved


def without_tops(moves: Moves) -> Moves:
    turns = list(moves)
    for end in (0, -1):
        while turns and turns[end].layers == ("U", 1, False):
            turns.pop(end)
    return Moves(tuple(turns))


@lru_cache
def brute(cores: tuple[Core, ...], layers: str, size: int, most: int) -> dict[str, dict[int, set[Moves]]]:
    """Code -> turns of setup and finish that are left beside the core's -> the sequences, of all setups and
    finishes that are written with at most ``most`` turns together."""
    listed, moved = words(layers, size, most)
    home = np.repeat(np.arange(6), size * size)
    below = np.ones(len(home), bool)
    below[corner_positions(size).ravel()] = below[edge_positions(size).ravel()] = False
    undone = [np.argsort(rows, axis=1)[:, below] for rows in moved]
    found: dict[str, dict[int, set[Moves]]] = defaultdict(lambda: defaultdict(set))
    for core, before, after in product(cores, range(most + 1), range(most + 1)):
        if before + after > most:
            continue
        middle, base = moves_permutation(core.moves, size), len(core.moves.cancelled())
        for setup, done in zip(listed[before], moved[before], strict=True):
            stickers = home[done[middle]]
            for row in np.flatnonzero((stickers[undone[after]] == home[below]).all(1)):
                whole = without_tops((setup + core.moves + listed[after][row].inverse()).cancelled())
                with suppress(LayerError):  # wings split
                    found[solved_class(whole, size)[0]][len(whole) - base].add(whole)
    return found


def every_code(size: int) -> list[str]:
    known = {**CASES, **PERMUTATION_CASES}
    return [code for code, one in known.items() if one.occurs_on(size) and code not in NEEDS_NO_SEQUENCE]


def claims(result: Result, truth: dict[str, dict[int, set[Moves]]]) -> list[str]:
    """Hold every claim against the truth; "wrong otherwise" where it would not have been true without its
    "with at most so many each"."""
    kinds = []
    for code, case in result.cases.items():
        told, real = result.proof(code), truth.get(code, {})
        if case.shortest is None:
            assert told.startswith("none within") and not result.is_shortest(code)
            continue
        fewest = min(real, default=99)
        assert result.is_shortest(code) == told.startswith(f"shortest: {case.shortest} ")
        if result.is_shortest(code):
            assert fewest == case.shortest, code
            kinds.append("shortest")
        else:
            assert f"the fewest with at most {result.depth} each" in told
            kinds += ["wrong otherwise"] * (fewest < case.shortest)
        if result.is_counted(code):
            assert len(real[case.shortest]) == case.minimal, code
            kinds.append("counted")
        elif len(real.get(case.shortest, ())) > case.minimal:
            kinds.append("more than counted")
    return kinds


#: of a search; most of them with the slow tests
DEPTHS = [*(pytest.param(depth, marks=pytest.mark.slow) for depth in (1, 3, 4)), 2]


@pytest.mark.parametrize("depth", [1, 2, 3, 4])
@pytest.mark.parametrize("cores", [(FLIP_ONE,), core_variants(FLIP_ONE, inverted=True, mirrored=True)])
def test_round_a_core_no_more_is_claimed_than_is_true(cores: tuple[Core, ...], depth: int) -> None:
    """With 4 + 4 turns some are found in 7 that a finish of 6 alone does, and not all of 6 turns."""
    result = find(every_code(4), size=4, cores=cores, turns="R U F", depth=depth, keep=0)
    kinds = claims(result, brute(cores, "R U F", 4, 6))
    assert {"shortest", "counted"} <= set(kinds)
    assert depth < 4 or {"wrong otherwise", "more than counted"} <= set(kinds)


@pytest.mark.parametrize(
    ("core", "layers", "size"),
    [("R U R' U R U2 R'", "R U F", 3), ("F R U R' U' F'", "R U F", 3), ("U R U R' U R U2 R'", "R U", 3),
     ("Rw2 F2 U2 2R2 U2 F2 Rw2", "Rw U F", 4), ("Rw2 F2 U2 2R2 U2 F2 Rw2", "Rw U", 4),
     ("R B U B' U' R'", "R U F", 3), ("B U L U' L' B'", "R U F", 3), ("U R' U' R U' R' U2 R", "F U", 3)],
)  # fmt: skip
@pytest.mark.parametrize("depth", DEPTHS)
def test_round_a_core_into_which_turns_vanish_no_more_is_claimed_than_is_true(
    core: str, layers: str, size: int, depth: int
) -> None:
    """There a setup of many turns may leave few, or less than none, beside those of the core."""
    cores = (Core("own", parse_moves(core)),)
    claims(find(every_code(size), size=size, cores=cores, turns=layers, depth=depth, keep=0),
           brute(cores, layers, size, 6))  # fmt: skip


@pytest.mark.parametrize("depth", [2, 3])
def test_without_a_core_all_of_twice_the_depth_is_claimed_and_true(depth: int) -> None:
    result = find(every_code(3), size=3, turns="R U F", depth=depth, keep=0)
    kinds = claims(result, brute((NO_CORE,), "R U F", 3, 2 * depth))
    assert set(kinds) <= {"shortest", "counted"} and (kinds or depth == 2)


def test_no_built_in_sequence_is_called_shortest_where_more_turns_on_one_side_may_do_with_fewer() -> None:
    """Round a core into which no turn vanishes, the depth and one more is the last that is proved."""
    said: list[Sequence[str]] = []
    for entry in load_library().entries:
        around = "setup and finish" in entry.proof
        most = re.search(r"(?:all of|within) (\d+)\+", entry.proof)
        assert most, entry.proof
        for number in re.findall(r"shortest: (\d+)|where (\d+) is the shortest", entry.proof):
            assert int("".join(number)) <= (int(most[1]) + 1 if around else 2 * int(most[1])), entry.proof
        for each in re.findall(r"at most (\d+) each", entry.proof):
            assert around and each == most[1]
            said.append(each)
    assert said
