"""The orientation cases: counts by Burnside and by enumeration, names against sequences of the trade."""

from __future__ import annotations

import re
from collections import Counter
from itertools import product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from models.cases import (
    CASE_ANGLE,
    CASE_INDEX,
    CASE_LIST,
    CASES,
    DIRECTIONS,
    Case,
    case_index_of,
    case_of,
    codes_for,
    mirror_of,
)
from models.layer import LastLayer
from models.layer_tables import CORNER_TWISTS, EDGE_FLIPS, legal_mask
from models.notation import parse_moves
from models.turns import FACES

SIDE_OF = {"front": "F", "left": "L", "back": "B", "right": "R"}
WORD_OF = {"front": "in front", "left": "on the left", "back": "at the back", "right": "on the right"}


def state_of(case: Case, angle: int = 0, size: int = 4) -> LastLayer:
    """The state with every piece at home, oriented as the case lies at that angle."""
    if size == 2:
        return LastLayer(2, (0, 1, 2, 3), case.twist_at(angle), (), ())
    return LastLayer(size, (0, 1, 2, 3), case.twist_at(angle), (0, 1, 2, 3), case.flip_at(angle))


# --- how many ---


def test_112_classes_by_burnside_and_by_enumeration() -> None:
    """Classes of twist and flip patterns under the four turns of the whole cube.

    Burnside, by hand.  4x4x4: 27 * 16 patterns.  Nothing turned: all 432 stay.  A quarter turn keeps four
    equal twists t with 4 t = t = 0 modulo 3, only (0 0 0 0), and four equal flips, 2: 1 * 2 = 2, and so does
    y'.  A half turn keeps (a b a b) with 2 (a + b) = 0 modulo 3, which is 3, and (f g f g), 4: 3 * 4 = 12.
    (432 + 2 + 12 + 2) / 4 = 112.
    3x3x3: flips add up to an even number: (216 + 2 + 12 + 2) / 4 = 58.  2x2x2: (27 + 1 + 3 + 1) / 4 = 8.
    """
    flips = list(product(range(2), repeat=4))
    twists = [t for t in product(range(3), repeat=4) if sum(t) % 3 == 0]

    def classes(patterns: list[tuple[tuple[int, ...], tuple[int, ...]]]) -> int:
        # the slots of edges are listed the other way round than those of corners
        orbits = {frozenset((t[k:] + t[:k], f[4 - k :] + f[: 4 - k]) for k in range(4)) for t, f in patterns}
        return len(orbits)

    assert classes([(t, f) for t in twists for f in flips]) == 112 == len(codes_for(4)) == len(codes_for(6))
    assert classes([(t, f) for t in twists for f in flips if sum(f) % 2 == 0]) == 58 == len(codes_for(3))
    assert classes([(t, ()) for t in twists]) == 8 == len(codes_for(2))
    assert codes_for(3) == codes_for(5) == codes_for(7)


def test_cases_by_number_of_flipped_edges() -> None:
    """8 + 27 + 27 + 15 + 27 + 8; the 27 with one flipped edge are common practice, no source."""
    counts = Counter(case.edges for case in CASE_LIST)
    assert counts == {"e0": 8, "e1": 27, "e2a": 27, "e2o": 15, "e3": 27, "e4": 8}


@pytest.mark.parametrize("size", range(2, 8))
def test_every_legal_state_is_one_case_and_the_chances_are_its_share(size: int) -> None:
    """Counted over all states of the size: 248,832 on a 4x4x4."""
    corner, edge = np.nonzero(legal_mask(size))
    found = case_index_of(corner % 27, edge % 16)
    counts = np.bincount(found, minlength=112)
    assert {CASE_LIST[i].code for i in np.flatnonzero(counts)} == set(codes_for(size))
    assert counts / len(corner) == pytest.approx([case.chance(size) for case in CASE_LIST], abs=1e-12)


# --- codes ---


def test_codes_are_unique_file_names_and_in_order() -> None:
    assert len(CASES) == len(CASE_LIST) == 112 == len({case.name for case in CASE_LIST})
    for index, case in enumerate(CASE_LIST):
        assert CASES[case.code] is case and case.index == index
        assert re.fullmatch(r"e(0|1|2a|2o|3|4)(-[a-z]+){1,2}", case.code)
        assert case.code == "-".join(filter(None, (case.edges, case.corners, case.direction)))
    assert {"e1-headlights-left", "e0-sune", "e2o-h-front"} <= set(CASES)


@pytest.mark.parametrize("code", CASES)
def test_every_code_is_reached_from_each_angle(code: str) -> None:
    case = CASES[code]
    for angle in range(4):
        found, seen_at = case_of(state_of(case, angle))
        assert found is case
        assert seen_at == angle % case.angles
        assert found.twist_at(seen_at) == case.twist_at(angle)
        assert found.flip_at(seen_at) == case.flip_at(angle)
        assert state_of(case).turned(angle).twist == case.twist_at(angle)
        assert state_of(case).turned(angle).flip == case.flip_at(angle)
    assert case_of(state_of(case, 0))[1] == 0


def test_the_table_covers_every_pattern_once() -> None:
    assert CASE_INDEX.shape == CASE_ANGLE.shape == (27, 16)
    assert np.bincount(CASE_INDEX.ravel()).tolist() == [case.angles for case in CASE_LIST]
    for t, f in product(range(27), range(16)):
        case = CASE_LIST[CASE_INDEX[t, f]]
        assert case.twist_at(int(CASE_ANGLE[t, f])) == tuple(CORNER_TWISTS[t])
        assert case.flip_at(int(CASE_ANGLE[t, f])) == tuple(EDGE_FLIPS[f])


@given(st.integers(0, 647), st.integers(0, 383), st.integers(0, 3))
@settings(deadline=None)
def test_turning_cube_or_top_keeps_the_case_and_moves_the_angle(corner: int, edge: int, k: int) -> None:
    state = LastLayer.from_indices(4, corner, edge)
    case, angle = case_of(state)
    for other in (state.turned(k), state.after_top(k)):
        assert case_of(other) == (case, (angle + k) % case.angles)
    assert case_of(state.mirrored())[0] is mirror_of(case)
    assert case_index_of(state.twist_index, state.flip_index) == case.index


# --- what the words promise, checked on the stickers ---


def test_the_edge_pattern_fixes_the_frame() -> None:
    """e1 the flipped edge in front, e3 the good one, e2a front and right, e2o front and back."""
    sides = {"e0": "", "e1": "F", "e2a": "FR", "e2o": "FB", "e3": "RBL", "e4": "FRBL"}
    for case in CASE_LIST:
        facelets = state_of(case).facelets()
        flipped = {face for face in "FRBL" if facelets[FACES.index(face), 0, 1] == 0}
        assert flipped == set(sides[case.edges])


def _corner_stickers_on(state: LastLayer, direction: str) -> tuple[bool, bool]:
    """Whether the left and right corner of that side show the top colour on it (seen from outside)."""
    row = state.facelets()[FACES.index(SIDE_OF[direction]), 0]
    return bool(row[0] == 0), bool(row[-1] == 0)


@pytest.mark.parametrize("code", CASES)
def test_corner_families_point_where_the_rule_says(code: str) -> None:
    """On each angle, from the stickers alone: the module's own rule of directions."""
    case = CASES[code]
    for angle in range(4):
        state = state_of(case, angle)
        here = (DIRECTIONS.index(case.direction or "front") + angle) % 4
        front, left, back, right = (_corner_stickers_on(state, DIRECTIONS[(here + i) % 4]) for i in range(4))
        good_corners = sum(t == 0 for t in state.twist)
        lights, none = (True, True), (False, False)
        match case.corners:
            case "solved":
                assert (front, left, back, right) == (none,) * 4 and good_corners == 4
            case "headlights":
                assert front == lights and (left, back, right) == (none,) * 3
            case "t":
                assert front == back == none and left == (False, True) and right == (True, False)
            case "bowtie":
                assert front == (True, False) and right == (False, True) and left == back == none
            case "h":
                assert front == back == lights and left == right == none
            case "pi":
                assert front == lights and back == none and left == (True, False) and right == (False, True)
            case "sune" | "antisune":
                assert front == none and good_corners == 1
                assert all(sum(side) == 1 for side in (left, back, right))
                assert (state.twist.count(2) == 3) == (case.corners == "sune")
            case _:
                raise AssertionError(case.corners)


@pytest.mark.parametrize(
    ("family", "moves"),
    [
        ("sune", "R U R' U R U2 R'"),
        ("antisune", "R U2 R' U' R U' R'"),
        ("h", "R U R' U R U' R' U R U2 R'"),
        ("pi", "R U2 R2 U' R2 U' R2 U2 R"),
        ("t", "Rw U R' U' Rw' F R F'"),
        ("bowtie", "F' Rw U R' U' Rw' F R"),
        ("headlights", "R2 D R' U2 R D' R' U2 R'"),
    ],
)
def test_families_are_named_as_the_trade_names_them(family: str, moves: str) -> None:
    """Each sequence solves the corner case that the trade calls so (common practice, no source)."""
    state = LastLayer.after(parse_moves(moves).inverse(), 3)
    assert case_of(state)[0].code == f"e0-{family}"


def test_mirror_pairs() -> None:
    """Mirror cases: sune and antisune swap, left and right swap, the rest is itself (common practice)."""
    for case in CASE_LIST:
        twin = mirror_of(case)
        assert mirror_of(twin) is case and twin.edges == case.edges and twin.angles == case.angles
        swap = {"sune": "antisune", "antisune": "sune"}
        assert twin.corners == swap.get(case.corners, case.corners)
        if case.edges == "e1" and case.corners != "bowtie":
            sides = {"left": "right", "right": "left"}
            assert twin.direction == sides.get(case.direction, case.direction) or case.corners == "h"


def test_cues_tell_every_case_and_angle_apart() -> None:
    cues = {case.cue_at(angle) for case in CASE_LIST for angle in range(case.angles)}
    assert len(cues) == 27 * 16
    for case in CASE_LIST:
        assert case.cue == case.cue_at(0) and case.cue.endswith(".") and len(case.cue) < 125
        for angle in range(4):
            assert case.cue_at(angle) == case.cue_at(angle % case.angles)


def test_a_cube_without_edges_is_told_nothing_of_edges() -> None:
    """A 2x2x2 has corners alone."""
    for code in codes_for(2):
        case = CASES[code]
        words = [case.name_on(2), *(case.cue_at(angle, 2) for angle in range(4))]
        assert not any("edge" in word for word in words)
        assert len({case.cue_at(angle, 2) for angle in range(case.angles)}) == case.angles
        assert case.name_on(3) == case.name and case.cue_at(1, 3) == case.cue_at(1)


@pytest.mark.parametrize("code", CASES)
def test_cues_name_the_sides_that_show_it(code: str) -> None:
    """A flipped edge and headlights are named on the side on which the stickers have them."""
    case = CASES[code]
    for angle in range(4):
        state, cue = state_of(case, angle), case.cue_at(angle)
        edges, corners = cue.rstrip(".").split("; ", 1)
        shown = {d for d in DIRECTIONS if state.facelets()[FACES.index(SIDE_OF[d]), 0, 1] == 0}
        if edges.startswith("Flipped"):
            assert {d for d in DIRECTIONS if WORD_OF[d] in edges} == shown
        elif edges.startswith("The only good"):
            assert {d for d in DIRECTIONS if WORD_OF[d] in edges} == set(DIRECTIONS) - shown
        else:
            assert edges == ("All four edges flipped" if shown else "All edges good")
        lit = {d for d in DIRECTIONS if _corner_stickers_on(state, d) == (True, True)}
        if lit:
            head = corners.split(", ")[0]
            assert head.startswith("headlights") and {d for d in DIRECTIONS if WORD_OF[d] in head} == lit


def test_cases_on_sizes() -> None:
    assert case_of(LastLayer.solved(2))[0].is_oriented
    for code in codes_for(2):
        assert case_of(state_of(CASES[code], 1, size=2))[0].code == code
    assert CASES["e1-sune-left"].chance(3) == 0 and CASES["e1-sune-left"].chance(4) == pytest.approx(4 / 432)
    assert sum(CASES[code].chance(6) for code in codes_for(6)) == pytest.approx(1)
