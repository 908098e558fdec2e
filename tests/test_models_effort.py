"""The effort model: what must hold whatever the weights are, and the user's own weights."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from models.effort import EffortError, EffortModel, hand_of, load_effort, place_of
from models.errors import LastlookError
from models.notation import parse_moves
from models.toml_files import MAX_FILE_BYTES
from models.turns import Moves, Turn

turns = st.builds(
    lambda base, quarters, depth: Turn(base, quarters, depth if base in "URFDLB" else 1),
    st.sampled_from("URFDLBMESxyz"),
    st.integers(1, 3),
    st.integers(1, 3),
)
sequences = st.lists(turns, max_size=14).map(lambda listed: Moves(tuple(listed)))
MODEL = load_effort()


def effort(text: str, model: EffortModel = MODEL) -> float:
    return model.effort(parse_moves(text))


@given(sequences)
def test_a_mirror_swaps_the_hands(moves: Moves) -> None:
    assert MODEL.swapped().effort(moves.mirrored()) == pytest.approx(MODEL.effort(moves))


def test_every_table_of_an_own_file_counts(tmp_path: Path) -> None:
    path = tmp_path / "effort.toml"
    path.write_text("[turn]\nside = 2.5\n[hand]\nleft = 3.0\n[pair]\ntwo_doubles = 7.0\nhand_change = 5.0\n")
    own = load_effort(path)
    assert effort("R", own) == pytest.approx(2.5)
    assert effort("L", own) / effort("R", own) == pytest.approx(3.0)
    assert effort("R2 U2", own) > effort("R2", own) + effort("U2", own) + 6.0
    # from one hand to the other costs, from one turn of a hand to its next does not
    assert effort("R L", own) > effort("R", own) + effort("L", own) + 5.0
    assert effort("R U", own) < effort("R", own) + effort("U", own) + 1.0
    assert effort("U", own) == effort("U"), "what the file leaves out stays"


@given(sequences, sequences)
def test_joining_adds_up_but_for_the_seam(first: Moves, second: Moves) -> None:
    seam = MODEL.pair_cost(first[-1], second[0]) if first and second else 0.0
    whole = MODEL.effort(first + second)
    assert whole == pytest.approx(MODEL.effort(first) + MODEL.effort(second) + seam)


@given(sequences)
def test_no_turn_is_free(moves: Moves) -> None:
    assert MODEL.effort(moves) >= 0.5 * len(moves)
    assert MODEL.effort(moves + parse_moves("B")) > MODEL.effort(moves)


def test_the_hand_finds_some_things_easier_than_others() -> None:
    assert effort("R U R' U'") < effort("R F R' F'") < effort("R B R' B'")
    assert effort("R U R' U'") < effort("L' U' L U"), "the right hand is the stronger one"
    assert effort("L' U' L U", MODEL.swapped()) == pytest.approx(effort("R U R' U'"))
    assert effort("R U2 R'") > effort("R U R'")
    assert effort("Rw U R'") > effort("R U R'")
    assert effort("3Rw") > effort("Rw") > effort("R")
    assert effort("R y R") > effort("R U R") + 0.3, "taking the cube anew costs"
    assert effort("R L") > effort("R") + effort("L"), "so does changing the grip"
    assert effort("R2 U2") > effort("R2") + effort("U2") - 1e-9
    assert effort("x") < effort("y")


def test_the_change_of_hand_is_asked_of_side_and_front_turns_alone() -> None:
    """R is the right hand's, F' and U' are the left one's (effort.toml): R F' changes hands; R U' costs
    nothing, since a finger of the other hand is there already."""
    change = dict(MODEL.pair)["hand_change"]
    pair = {text: MODEL.pair_cost(*parse_moves(text)) for text in ("R U", "R U'", "R F", "R F'", "F' R")}
    assert change > 0 and pair["R U'"] == pair["R U"] == 0
    assert pair["R F'"] - pair["R F"] == pytest.approx(change)
    assert pair["F' R"] == pytest.approx(dict(MODEL.regrip)["front-side"] + change)


def test_places_and_hands() -> None:
    assert [place_of(t) for t in parse_moves("R Lw U F D B M 2R x")] == [
        "side", "side", "top", "front", "bottom", "back", "middle", "middle", "rotation",
    ]  # fmt: skip
    assert [hand_of(t) for t in parse_moves("R L U U' U2 2L")] == [
        "right",
        "left",
        "right",
        "left",
        "both",
        "left",
    ]


def test_own_weights_take_the_place_of_the_built_in_ones(tmp_path: Path) -> None:
    own = tmp_path / "effort.toml"
    own.write_text("[turn]\nback = 0.5\n[regrip]\nback-top = 0.0\n")
    model = load_effort(own)
    assert effort("B", model) < effort("B")
    assert effort("R", model) == effort("R")


def test_changed_weights_are_seen_by_a_living_process(tmp_path: Path) -> None:
    own = tmp_path / "effort.toml"
    for weight in (2.0, 3.0):
        own.write_text(f"[turn]\nback = {weight}\n")
        assert dict(load_effort(own).turn)["back"] == weight
    assert dict(load_effort().turn)["back"] == dict(MODEL.turn)["back"], "the built-in ones stay as they are"


def test_weights_that_cannot_be_read_are_one_line(tmp_path: Path) -> None:
    own = tmp_path / "effort.toml"
    for damage in (b"\xff", b"# " + b"x" * MAX_FILE_BYTES):
        own.write_bytes(damage)
        with pytest.raises(LastlookError) as caught:
            load_effort(own)
        assert str(caught.value).startswith(f"{own}: ") and "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("text", "line", "word"),
    [
        ("[turn]\nbeck = 1\n", 2, "beck"),
        ("[turn]\nback = 1\nR = -5\n", 3, "unknown weight R in .turn.; known are .*side"),
        ("[turns]\nback = 1\n", 1, "turns"),
        ("[turn]\n\n[R]\n", 3, "unknown table .R."),
        ("[turn]\nback = 'much'\n", 2, "number"),
        ("[turn]\nback = 1e9\n", 2, "number"),
        ("[turn\n", 1, "cannot be read"),
        ("[turn]\nback = 1\nside = [", 3, "cannot be read"),
        ("turn = " + "[" * 20_000, 1, "cannot be read"),
        ("\nturn = " + "1" * 5_000, 2, "cannot be read"),
        ("turn = 3\n", 1, "turn must be a table"),
        ("[hand]\n[regrip]\nback-nowhere = 1\n", 3, "back-nowhere"),
    ],
)
def test_weights_that_make_no_sense_are_named(tmp_path: Path, text: str, line: int, word: str) -> None:
    own = tmp_path / "effort.toml"
    own.write_text("\n" + text)
    with pytest.raises(EffortError, match=word) as caught:
        load_effort(own)
    assert str(caught.value).startswith(f"{own}:{line + 1}: ") and "\n" not in str(caught.value).strip()
