"""The cube's sticker permutations against sympy's permutation groups and published counts."""

from __future__ import annotations

from math import factorial

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sympy.combinatorics import Permutation, PermutationGroup

from models.cube import (
    Cube,
    invert,
    moves_permutation,
    order,
    rotation_permutations,
    sticker_positions,
    turn_permutation,
)
from models.errors import UsageError
from models.notation import parse_moves
from models.turns import FACES, Moves, Turn

SIZES = range(2, 8)


def group(generators: str, size: int) -> PermutationGroup:
    return PermutationGroup([Permutation(moves_permutation(g, size).tolist()) for g in generators.split()])


def short_sequences() -> st.SearchStrategy[Moves]:
    bases = [Turn(f) for f in FACES] + [Turn(f, 1, 2) for f in FACES] + [Turn(b) for b in "xyz"]
    turn = st.builds(lambda t, q: Turn(t.base, q, t.depth), st.sampled_from(bases), st.integers(1, 3))
    return st.lists(turn, max_size=8).map(lambda found: Moves(tuple(found)))


# --- group orders; reference: OEIS A075152 and sympy's Schreier-Sims ---


def test_order_of_the_2x2x2_group() -> None:
    """A075152(2) = 3,674,160: with one corner held still the other seven make the whole group."""
    assert group("U R F", 2).order() == 3_674_160
    assert group("U R F D L B", 2).order() == 24 * 3_674_160  # and 24 ways to hold it


def test_order_of_the_3x3x3_group() -> None:
    """A075152(3)."""
    assert group("U R F D L B", 3).order() == 43_252_003_274_489_856_000


@pytest.mark.slow
def test_count_of_the_4x4x4_with_centres_alike() -> None:
    """A075152(4), from the order of the sticker group and the piece structure.

    Orbits: 24 corner stickers, the two sides of 24 wings (a wing cannot be flipped in place), 24 centres.
    A face turn is odd on corners and odd on centres, an inner slice even on both: the group is the half of
    corners x wings x centres in which these parities agree.  Two elements look alike when they differ by
    centres changing places within a face; with corners at rest these changes are even, 4!^6 / 2 of them.
    Nothing fixes how the cube is held: 24 elements to a position.
    """
    whole = group("U R F D L B Uw Rw Fw", 4)
    assert sorted(map(len, whole.orbits())) == [24, 24, 24, 24]
    elements = whole.order()
    assert elements == factorial(8) * 3**7 * factorial(24) * factorial(24) // 2
    assert elements // (factorial(4) ** 6 // 2) // 24 == 7401196841564901869874093974498574336000000000


# --- every turn is what it says ---


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("base", [*FACES, *"xyz", *"MES"])
def test_four_quarters_are_nothing_and_opposite_quarters_undo(size: int, base: str) -> None:
    if Turn(base).min_size > size:
        pytest.skip("no inner layers")
    one, two, three = (turn_permutation(Turn(base, q), size) for q in (1, 2, 3))
    everything = np.arange(6 * size * size)
    assert (two == one[one]).all() and (three == two[one]).all()
    assert (three[one] == everything).all() and (invert(one) == three).all()


@pytest.mark.parametrize("size", SIZES)
def test_a_clockwise_turn_moves_its_face_clockwise_and_its_neighbours_round(size: int) -> None:
    """Clockwise as seen from outside (Regulations 12a1); the face itself as numpy's rot90 backwards."""
    labels = np.arange(6 * size * size).reshape(6, size, size)
    rounds = {  # face -> (from, to) pairs of neighbours, worked out on paper
        "U": "FL LB BR RF", "D": "FR RB BL LF", "R": "FU UB BD DF", "L": "FD DB BU UF", "F": "UR RD DL LU",
        "B": "UL LD DR RU",
    }  # fmt: skip
    for i, face in enumerate(FACES):
        after = labels.reshape(-1)[turn_permutation(Turn(face), size)].reshape(6, size, size)
        assert (after[i] == np.rot90(labels[i], -1)).all()
        pairs = [(a, b) for a in range(6) for b in range(6) if a != b]
        moved_to = {FACES[a] + FACES[b] for a, b in pairs if np.isin(after[b], labels[a]).any()}
        assert moved_to == set(rounds[face].split())
        assert (after != labels).sum() == size * size - size % 2 + 4 * size


def test_r_u_on_a_3x3x3_by_hand() -> None:
    """The sticker picture after R U, worked out on paper."""
    letters = Cube.solved(3).apply("R U").letters()
    assert {face: " ".join("".join(row) for row in rows) for face, rows in letters.items()} == {
        "U": "UUU UUU FFF", "R": "UBB RRR RRR", "F": "RRR FFD FFD", "D": "DDB DDB DDB", "L": "FFD LLL LLL",
        "B": "LLL UBB UBB",
    }  # fmt: skip


@pytest.mark.parametrize("size", SIZES)
def test_turns_are_rigid_and_keep_pieces_whole(size: int) -> None:
    """Stickers of one piece stay together: they are those at one place once pulled into the layers."""
    centres, _ = sticker_positions(size)
    piece = [tuple(c) for c in np.clip(centres, 1 - size, size - 1).tolist()]
    turns = [Turn("R"), Turn("F", 2), Turn("x"), Turn("U", 3, 2), Turn("L", 1, 2, True)]
    for turn in turns[: 5 if size > 2 else 3]:
        permutation = turn_permutation(turn, size)
        image: dict[tuple[int, ...], tuple[int, ...]] = {}
        for new, old in enumerate(permutation.tolist()):
            assert image.setdefault(piece[old], piece[new]) == piece[new]


@pytest.mark.parametrize("size", SIZES)
def test_rotations_are_the_24_of_the_cube_group(size: int) -> None:
    """The rotation group of the cube has 24 elements (S4); reference: sympy."""
    found = {tuple(p) for p in rotation_permutations(size).tolist()}
    assert len(found) == 24 == group("x y", size).order()
    assert {tuple(np.array(p)[np.array(q)]) for p in found for q in found} == found


# --- orders of sequences ---


@given(short_sequences(), st.integers(3, 5))
@settings(max_examples=60, deadline=None)
def test_a_sequence_repeated_its_orders_times_is_the_identity(moves: Moves, size: int) -> None:
    """The order against sympy, and the fact of the trade that repeating comes back to where it started."""
    permutation = moves_permutation(moves, size)
    times = order(permutation)
    assert times == Permutation(permutation.tolist()).order()
    power, square, left = np.arange(len(permutation)), permutation, times
    while left:
        if left & 1:
            power = power[square]
        square, left = square[square], left >> 1
    assert (power == np.arange(len(permutation))).all()


@pytest.mark.parametrize(
    ("text", "times"), [("R U R' U'", 6), ("R U", 105), ("R U R' U R U2 R'", 6), ("R2 U2", 6)]
)
def test_orders_that_the_trade_knows(text: str, times: int) -> None:
    """Common practice, no source."""
    assert order(moves_permutation(text, 3)) == times
    assert Cube.solved(3).apply(parse_moves(text) * times) == Cube.solved(3)


@given(short_sequences(), short_sequences(), st.integers(3, 6))
@settings(max_examples=60, deadline=None)
def test_doing_one_after_the_other_composes(a: Moves, b: Moves, size: int) -> None:
    p, q = moves_permutation(a, size), moves_permutation(b, size)
    assert (moves_permutation(a + b, size) == p[q]).all()
    assert (moves_permutation(a.inverse(), size) == invert(p)).all()
    assert Cube.solved(size).apply(a).apply(b) == Cube.solved(size).apply(a + b)


def test_a_4x4x4_block_turn_is_the_opposite_block_and_a_rotation() -> None:
    """Rw = Lw x on four layers (follows from 12a2 and 12a4)."""
    assert (moves_permutation("Rw", 4) == moves_permutation("Lw x", 4)).all()
    assert (moves_permutation("3Rw", 4) == moves_permutation("L x", 4)).all()
    assert (moves_permutation("3R", 4) == moves_permutation("2L'", 4)).all()


# --- values and errors ---


def test_cubes_are_hashable_values() -> None:
    cube = Cube.solved(4).apply("Rw U2")
    again = Cube.from_facelets(cube.facelets())
    assert cube == again and hash(cube) == hash(again)
    assert cube.facelets().shape == (6, 4, 4)
    assert np.bincount(cube.facelets().ravel()).tolist() == [16] * 6
    with pytest.raises(ValueError, match="read-only"):
        turn_permutation(Turn("R"), 4)[0] = 1
    with pytest.raises(ValueError):
        Cube(3, bytes(53))


@pytest.mark.parametrize(("moves", "size"), [("R", 1), ("R", 8), ("", 0)])
def test_a_size_out_of_range_is_a_usage_error(moves: str, size: int) -> None:
    with pytest.raises(UsageError, match=f"size {size}"):
        moves_permutation(parse_moves(moves), size)


def test_a_turn_too_deep_for_the_cube_is_a_usage_error() -> None:
    with pytest.raises(UsageError, match="3Rw needs a cube of 4 layers or more, not 3"):
        moves_permutation(parse_moves("U 3Rw"), 3)
