"""The permutation classes: counts by Burnside, published chances, what the letters promise."""

from __future__ import annotations

from itertools import permutations, product

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from models.layer import LastLayer
from models.layer_tables import PERMUTATION_PARITY, PERMUTATIONS
from models.permutation import (
    PERMUTATION_ANGLE,
    PERMUTATION_CASES,
    PERMUTATION_INDEX,
    SOLVED_CODE,
    class_index_of,
    permutation_codes_for,
    permutation_of,
)

LETTERS = [
    *("Aa", "Ab", "E", "F", "Ga", "Gb", "Gc", "Gd", "H", "Ja", "Jb"),
    *("Na", "Nb", "Ra", "Rb", "T", "Ua", "Ub", "V", "Y", "Z"),
]


def test_burnside_counts_44_classes_and_22_without_parity() -> None:
    """Turns U^a before and U^b after act on 24 * 24 arrangements; classes = average number left as they are.

    By hand for the 16 pairs: an arrangement p stays when U^-a = p U^b p^-1, so the two turns must be of one
    kind. Identity with identity: 576 (288 of equal parity). U2 with U2: 8 * 8 = 64, half of them of equal
    parity. A quarter turn with a quarter turn (4 pairs): 4 * 4 = 16, of which 8 are of equal parity. Together
    (576 + 64 + 4 * 16) / 16 = 44 and (288 + 32 + 4 * 8) / 16 = 22.
    """
    cycle = (1, 2, 3, 0)

    def power(k: int) -> tuple[int, ...]:
        out = (0, 1, 2, 3)
        for _ in range(k):
            out = tuple(cycle[i] for i in out)
        return out

    def parity(p: tuple[int, ...]) -> int:
        return sum(p[i] > p[j] for i in range(4) for j in range(i + 1, 4)) % 2

    every = even = 0
    orders = list(permutations(range(4)))
    for a, b in product(range(4), repeat=2):
        left, right = power(a), power(b)
        fixed = [p for p in orders if tuple(left[p[right[i]]] for i in range(4)) == p]
        every += len(fixed) ** 2
        even += sum(parity(c) == parity(e) for c in fixed for e in fixed)
    assert (every // 16, every % 16) == (44, 0)
    assert (even // 16, even % 16) == (22, 0)
    assert len(permutation_codes_for(4)) == 44
    assert len(permutation_codes_for(3)) == 22
    assert len(permutation_codes_for(2)) == 3
    assert PERMUTATION_INDEX.min() == 0 and PERMUTATION_INDEX.max() == 43


def test_the_chances_are_the_published_ones() -> None:
    """Common practice, no source: H, Na, Nb and solved 1 in 72, E and Z 1 in 36, the others 1 in 18."""
    for code in permutation_codes_for(3):
        expected = 4 if code in ("H", "Na", "Nb", SOLVED_CODE) else 8 if code in ("E", "Z") else 16
        assert PERMUTATION_CASES[code].states == expected, code
    assert sum(c.states for c in PERMUTATION_CASES.values() if c.edges) == 576


def test_the_letters_have_the_partners_they_promise() -> None:
    """Mirror and inverse of each letter (common practice, no source)."""
    mirrored = {"A": "ab", "J": "ab", "N": "ab", "R": "ab", "U": "ab"}
    assert set(LETTERS) == set(permutation_codes_for(3)) - {SOLVED_CODE}
    for code in LETTERS:
        state = PERMUTATION_CASES[code].state(3)
        mirror, inverse = permutation_of(state.mirrored())[0], permutation_of(state.inverse())[0]
        if code[0] == "G":
            assert mirror == {"Ga": "Gc", "Gb": "Gd", "Gc": "Ga", "Gd": "Gb"}[code]
            assert inverse == {"Ga": "Gb", "Gb": "Ga", "Gc": "Gd", "Gd": "Gc"}[code]
        elif code[0] in mirrored:
            other = code[0] + ("b" if code[1] == "a" else "a")
            assert mirror == other
            assert inverse == (other if code[0] in "AU" else code)
        else:
            assert mirror == inverse == code


@pytest.mark.parametrize(
    ("code", "moves"),
    [
        ("T", "R U R' U' R' F R2 U' R' U' R U R' F'"),
        ("Y", "F R U' R' U' R U R' F' R U R' U' R' F R F'"),
        ("Jb", "R U R' F' R U R' U' R' F R2 U' R'"),
        ("Ja", "R' U L' U2 R U' R' U2 R L"),
        ("Ua", "M2 U M U2 M' U M2"),
        ("Ub", "M2 U' M U2 M' U' M2"),
        ("H", "M2 U M2 U2 M2 U M2"),
        ("Ga", "R2 U R' U R' U' R U' R2 U' D R' U R D'"),
        ("F", "R' U' F' R U R' U' R' F R2 U' R' U' R U R' U R"),
    ],
)
def test_sequences_of_the_trade_solve_their_letters(code: str, moves: str) -> None:
    """Common practice, no source; written from memory."""
    for size in (3, 4, 5):
        state = LastLayer.after(moves, size).inverse()
        assert permutation_of(state)[0] == code


@given(st.integers(0, 23), st.integers(0, 23), st.integers(0, 3), st.integers(0, 3))
def test_turning_the_top_or_the_cube_keeps_the_class(c: int, e: int, held: int, turned: int) -> None:
    corners, edges = tuple(PERMUTATIONS[c].tolist()), tuple(PERMUTATIONS[e].tolist())
    state = LastLayer(4, corners, (0,) * 4, edges, (0,) * 4)
    code, angle = permutation_of(state)
    assert permutation_of(state.turned(held).after_top(turned))[0] == code
    case = PERMUTATION_CASES[code]
    assert case.parity == bool(PERMUTATION_PARITY[c] != PERMUTATION_PARITY[e])
    start = case.state(4).turned(angle)
    assert any(start.after_top(k) == state for k in range(4))
    assert class_index_of(np.array([corners]), np.array([edges]))[0] == list(PERMUTATION_CASES).index(code)
    assert PERMUTATION_ANGLE[c, e] == angle


@pytest.mark.parametrize("size", [2, 3, 4])
def test_a_class_lies_as_it_is_named(size: int) -> None:
    """Also one that looks the same from several sides, and whatever turn of the top is left to do."""
    for code in permutation_codes_for(size):
        for turned in range(4):
            state = PERMUTATION_CASES[code].state(size).after_top(turned)
            assert permutation_of(state) == (code, 0), (code, turned)


def test_a_2x2x2_has_two_classes_besides_solved() -> None:
    counts: dict[str, int] = {}
    for order in permutations(range(4)):
        code, angle = permutation_of(LastLayer(2, order, (0,) * 4, (), ()))
        counts[code] = counts.get(code, 0) + 1
        start = PERMUTATION_CASES[code].state(2).turned(angle)
        assert any(start.after_top(k).corners == order for k in range(4))
    assert counts == {"solved": 4, "corners-adjacent": 16, "corners-diagonal": 4}


def test_codes_of_parity_say_what_they_mean() -> None:
    case = PERMUTATION_CASES["par-adjacent-frbl"]
    assert case.corners == (3, 1, 2, 0) and case.edges == (0, 1, 2, 3)
    assert PERMUTATION_CASES["par-solved-frlb"].edges == (0, 1, 3, 2)
