"""What a sequence solves and disturbs; how cases hang together."""

from __future__ import annotations

import re

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from models.cases import CASE_LIST, CASES, case_of, mirror_of
from models.check import ANGLE_TURNS, check_moves, middles_said
from models.cube import Cube, rotation_moves
from models.errors import UsageError
from models.layer import LastLayer
from models.library import Library, load_library
from models.notation import parse_moves
from models.permutation import permutation_codes_for
from models.relations import carried_over, inverse_partners, mirror_code
from models.sequences import read_cores, solved_class, widened
from models.turns import Moves

KEYS = ["size", "solves", "from", "preserves", "disturbs", "twist", "flip", "obtm", "etm", "effort"]
SUNE = parse_moves("R U R' U R U2 R'")
CORE = read_cores()["flip-one"]


def test_json_has_the_documented_keys() -> None:
    found = check_moves(SUNE, 4).to_json_dict()
    assert list(found) == KEYS
    assert found["solves"] == "e0-sune" and found["preserves"] is True and found["disturbs"] == []
    assert (found["obtm"], found["etm"]) == (7, 7)
    state = LastLayer.after(SUNE, 4).inverse()
    assert (found["twist"], found["flip"]) == (list(state.twist), list(state.flip))


def test_from_is_the_rotation_from_the_named_frame() -> None:
    """Turning a sequence's angle by y turns where its case lies by y."""
    for angle, rotation in enumerate(ANGLE_TURNS):
        # rotation' sequence rotation: done on a cube that is held one angle on
        turns = parse_moves(rotation).inverse() + CORE + parse_moves(rotation)
        found = check_moves(turns, 4)
        assert (found.solves, found.start) == ("e1-headlights-front", ANGLE_TURNS[angle])


@pytest.mark.parametrize("size", [4, 5, 6, 7])
@pytest.mark.parametrize(("middle", "face"), [("M", "L"), ("E", "D"), ("S", "F")])
def test_a_middle_of_a_large_cube_is_told_in_layers(middle: str, face: str, size: int) -> None:
    """Nothing but the layers named turns: all between the outer two, and in the middle where there is one."""
    (line,) = middles_said(parse_moves(f"R {middle}2 U {middle}'"), size)
    inner = parse_moves(" ".join(f"{depth}{face}" for depth in range(2, size)))
    assert Cube.solved(size).apply(parse_moves(middle)) == Cube.solved(size).apply(inner)
    said = [str(turn) for turn in parse_moves(re.sub(",| or ", " ", line.rpartition("write ")[2]))]
    assert said == ([f"{(size + 1) // 2}{face}"] if size % 2 else [str(turn) for turn in inner])
    assert f"{middle} turns " in line and f"as {face} turns" in line


def test_a_middle_needs_no_words_where_it_is_one_layer() -> None:
    assert middles_said(parse_moves("M E S"), 3) == middles_said(parse_moves("R 2R x"), 5) == []


@pytest.mark.parametrize(
    ("moves", "size", "said"),
    [
        ("R U R'", 4, ["breaks FR pair"]),
        ("L' U' L", 3, ["breaks FL pair"]),
        ("F2", 3, ["moves the DF edge"]),  # what comes there shows F in front as well
        ("F2 U F2", 3, ["breaks FR pair", "breaks FL pair", "moves the DF edge"]),
        ("2R U2 2R'", 4, ["leaves centres turned (U F)", "splits the UB edge", "moves the DF edge"]),
        ("Rw U Rw'", 5, ["breaks FR pair", "leaves centres turned"]),
        ("R", 2, ["moves the DFR corner", "moves the DBR corner"]),
        ("y2", 3, ["leaves the whole cube turned by y2"]),
    ],
)
def test_what_is_disturbed_is_named(moves: str, size: int, said: list[str]) -> None:
    found = check_moves(parse_moves(moves), size)
    text = "; ".join(found.disturbs)
    for words in said:
        assert words in text, text
    if moves != "y2":
        assert not found.preserves and found.solves is None and found.state is None


def test_on_a_4x4x4_a_sequence_of_the_3x3x3_with_a_lone_slice_is_caught() -> None:
    """2R instead of both inner layers splits the pairs; M moves both and is fine."""
    assert check_moves(parse_moves("M2 U M2 U2 M2 U M2"), 4).solves == "H"
    split = check_moves(parse_moves("2L2 U 2L2 U2 2L2 U 2L2"), 4)
    assert not split.preserves and any("splits" in words for words in split.disturbs)


def test_widened_block_turns_are_asked_for() -> None:
    assert not check_moves(CORE, 6).preserves
    assert check_moves(widened(CORE, 6), 6).solves == "e1-headlights-front"
    with pytest.raises(UsageError):
        check_moves(parse_moves("3Rw"), 3)


@settings(max_examples=30, deadline=None)
@given(st.sampled_from(load_library().entries), st.integers(0, 23))
def test_a_turned_cube_is_told_from_a_disturbed_one(entry: object, number: int) -> None:
    """A rotation at the end changes nothing but how the cube is held."""
    size = entry.sizes[-1]  # type: ignore[attr-defined]
    rotation = rotation_moves()[number]
    found = check_moves(entry.moves(size) + rotation, size)  # type: ignore[attr-defined]
    assert found.solves == entry.code and found.preserves  # type: ignore[attr-defined]
    assert found.turned == str(rotation)
    assert solved_class(found.moves, size)[0] == found.solves


turns = st.sampled_from([t + s for t in "RLUDFB" for s in ("", "'", "2")])


@given(st.lists(turns, max_size=8), st.sampled_from([2, 3, 4]))
def test_preserving_means_what_the_last_layer_says(listed: list[str], size: int) -> None:
    from models.errors import LayerError

    moves = parse_moves(" ".join(listed))
    found = check_moves(moves, size)
    try:
        state = LastLayer.after(moves, size).inverse()
    except LayerError:
        return
    assert found.preserves and found.state == state
    # on a 2x2x2 "R L'" is a rotation of the whole cube
    assert len(found.disturbs) == bool(found.turned)


# --- relations ---


def test_every_sequence_mirrored_solves_the_mirror_case() -> None:
    for entry in load_library().entries[::7]:
        size = entry.sizes[0]
        code, _ = solved_class(entry.moves(size).mirrored(), size)
        assert code == mirror_code(entry.code)


def test_every_sequence_backwards_solves_a_partner() -> None:
    for entry in load_library().entries[::3]:
        size = entry.sizes[0]
        code, _ = solved_class(entry.moves(size).inverse(), size)
        assert code == entry.inverse_code
        assert code in inverse_partners(entry.code)


def test_partners_come_in_pairs() -> None:
    for case in CASE_LIST:
        assert mirror_of(mirror_of(case)) == case
        for partner in inverse_partners(case.code):
            assert case.code in inverse_partners(partner)
            assert CASES[partner].edges[:2] == case.edges[:2], "as many edges are flipped"
    assert inverse_partners("e0-sune") == ("e0-antisune",), "common practice, no source"
    for code in permutation_codes_for(4):
        (partner,) = inverse_partners(code)
        assert inverse_partners(partner) == (code,)


@pytest.mark.parametrize("size", [4, 6])
def test_carried_over_sequences_solve_the_case(size: int) -> None:
    """And are none that the library shows for the case anyway, as it is written for that size."""
    library = load_library()
    for code in ("e1-sune-left", "e3-pi-right", "e0-antisune", "Ra", "e3-antisune-left"):
        carried = carried_over(library, code, size)
        held = {str(entry.moves(size)) for entry in library.of(code) if size in entry.sizes}
        assert carried
        for one in carried:
            state = LastLayer.after(one.moves, size).inverse()
            assert solved_class(one.moves, size)[0] == code
            assert str(one.moves) not in held
            if code in CASES:
                assert case_of(state) == (CASES[code], one.angle)


def test_a_lone_sequence_is_carried_over_in_three_ways() -> None:
    """Mirrored it solves the mirror case, backwards a partner, in both ways the mirror of that."""
    whole = load_library()
    entry = next(e for e in whole.of("e1-sune-left") if e.inverse_code != mirror_code("e1-sune-left"))
    library = Library((entry,), (), whole.effort)
    there, back = entry.moves(4), entry.moves(4).inverse()
    for code, how, moves in (
        (mirror_code(entry.code), "mirrored", there.mirrored()),
        (entry.inverse_code, "inverted", back),
        (mirror_code(entry.inverse_code), "mirrored and inverted", back.mirrored()),
    ):
        (one,) = (one for one in carried_over(library, code, 4) if one.how == how)
        assert (one.moves, one.origin) == (moves, entry)


def test_an_empty_sequence_solves_nothing() -> None:
    found = check_moves(Moves(()), 4)
    assert found.solves is None and found.preserves and found.effort == 0
    assert np.isclose(
        check_moves(parse_moves("U2"), 4).effort, load_library().effort.effort(parse_moves("U2"))
    )
