"""Notation against the WCA Regulations, Article 12 (its tables written from memory), and its own laws."""

from __future__ import annotations

import random

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from models.cube import moves_permutation, sticker_positions
from models.errors import NotationError
from models.notation import parse_moves
from models.turns import FACES, Moves, Turn

SUFFIXES = ("", "2", "'")


def turns(max_depth: int = 6) -> st.SearchStrategy[Turn]:
    quarters = st.integers(1, 3)
    face = st.sampled_from(FACES)
    return st.one_of(
        st.builds(Turn, face, quarters),
        st.builds(Turn, face, quarters, st.integers(2, max_depth)),
        st.builds(Turn, face, quarters, st.integers(2, max_depth), st.just(True)),
        st.builds(Turn, st.sampled_from("MESxyz"), quarters),
    )


def sequences(max_depth: int = 6, max_size: int = 20) -> st.SearchStrategy[Moves]:
    return st.lists(turns(max_depth), max_size=max_size).map(lambda found: Moves(tuple(found)))


rotations = st.lists(st.builds(Turn, st.sampled_from("xyz"), st.integers(1, 3)), max_size=3).map(
    lambda found: Moves(tuple(found))
)


# --- what the turns mean: Regulations 12a1 (face), 12a2 (outer block), 12a4 (rotation) ---


@pytest.mark.parametrize("face", FACES)
@pytest.mark.parametrize(("suffix", "quarters"), [("", 1), ("2", 2), ("'", 3)])
def test_article_12a1_and_12a2_tables(face: str, suffix: str, quarters: int) -> None:
    assert parse_moves(face + suffix) == Moves((Turn(face, quarters),))
    assert parse_moves(f"{face}w{suffix}") == Moves((Turn(face, quarters, 2),))  # 12a2: n left out means 2
    assert parse_moves(f"2{face}w{suffix}") == parse_moves(f"{face}w{suffix}")
    for n in range(3, 7):
        (turn,) = parse_moves(f"{n}{face}w{suffix}")
        assert (turn.base, turn.quarters, turn.depth, turn.inner) == (face, quarters, n, False)


@pytest.mark.parametrize("size", range(2, 8))
@pytest.mark.parametrize(
    ("rotation", "along", "opposite"), [("x", "R", "L"), ("y", "U", "D"), ("z", "F", "B")]
)
def test_article_12a4_rotations_turn_as_their_faces_do(
    size: int, rotation: str, along: str, opposite: str
) -> None:
    """12a4: x is in the direction of R or L', y of U or D', z of F or B': all layers one by one make it."""
    inner = [f"{k}{along}" for k in range(2, size)]
    layers = " ".join([along, *inner, f"{opposite}'"])
    assert (moves_permutation(layers, size) == moves_permutation(rotation, size)).all()


@pytest.mark.parametrize("size", range(3, 8))
@pytest.mark.parametrize("face", FACES)
def test_a_block_turn_is_the_n_outer_slices(size: int, face: str) -> None:
    """12a2: nRw turns the n outermost slices, 1 < n < N."""
    for n in range(2, size):
        slices = " ".join([face, *(f"{k}{face}" for k in range(2, n + 1))])
        assert (moves_permutation(f"{n}{face}w", size) == moves_permutation(slices, size)).all()


@pytest.mark.parametrize(
    ("text", "size"),
    [("2Rw", 2), ("Rw", 2), ("3Rw", 3), ("7Uw", 7), ("4Fw'", 4), ("M", 2), ("2R", 2), ("3L2", 3)],
)
def test_article_12a2_refuses_n_that_the_cube_does_not_have(text: str, size: int) -> None:
    """12a2: 1 < n < N; the same turn on a cube with one layer more is fine (7Uw is past the largest cube)."""
    with pytest.raises(NotationError) as caught:
        parse_moves(f"R {text}", size)
    assert (caught.value.token, caught.value.column) == (text, 3)
    if size < 7:
        assert len(parse_moves(text, size + 1)) == 1


def test_a_size_past_the_largest_cube_does_not_widen_what_is_read() -> None:
    with pytest.raises(NotationError):
        parse_moves("7Rw", 9)
    with pytest.raises(NotationError):
        parse_moves("R", 1)


@pytest.mark.parametrize("text", ["1Rw", "0Rw", "1R", "0U2", "01Fw", "7Rw", "25Rw", "30R", "2000000Rw"])
def test_article_12a2_refuses_fewer_than_two_layers_and_all_of_them(text: str) -> None:
    with pytest.raises(NotationError):
        parse_moves(text)


# --- counting: 12a5 OBTM and 12a6 ETM ---

WORKED_LISTS = [
    # (turns, OBTM, ETM), worked out turn by turn from 12a5 and 12a6
    ("", 0, 0),
    ("R", 1, 1),
    ("R2", 1, 1),
    ("Rw'", 1, 1),
    ("3Rw2", 1, 1),
    ("x", 0, 1),
    ("x y2 z'", 0, 3),
    ("R U R' U'", 4, 4),
    ("F R U R' U' F' y", 6, 7),
    ("Rw U2 x Rw U2 Rw U2 Rw' U2 Lw U2 Rw' U2 Rw U2 Rw' U2 Rw'", 17, 18),
    ("R L", 2, 2),
    ("y' Rw U Rw' x R2 D2 R U R' D2 R U' R", 12, 14),
]


@pytest.mark.parametrize(("text", "obtm", "etm"), WORKED_LISTS)
def test_article_12a5_and_12a6_on_worked_lists(text: str, obtm: int, etm: int) -> None:
    moves = parse_moves(text)
    assert (moves.obtm, moves.etm) == (obtm, etm)


@given(sequences(), sequences())
@settings(deadline=None)
def test_counts_add_up_and_survive_mirror_inverse_and_rotation(a: Moves, b: Moves) -> None:
    assert (a + b).obtm == a.obtm + b.obtm and (a + b).etm == a.etm + b.etm
    for other in (a.inverse(), a.mirrored(), a.rotated(parse_moves("x y"))):
        assert (other.obtm, other.etm) == (a.obtm, a.etm)


def test_an_inner_slice_counts_as_the_two_block_turns_it_is() -> None:
    """Article 12 writes 2R as Rw R' and M as R L' x': two counted turns each."""
    for text in ("2R", "3U'", "M", "E2", "S'"):
        assert parse_moves(text).obtm == 2


# --- reading and printing ---


@given(sequences())
@settings(deadline=None)
def test_printed_and_read_again_a_sequence_is_itself(moves: Moves) -> None:
    assert parse_moves(str(moves)) == moves


@given(st.lists(st.builds(Turn, st.sampled_from(FACES), st.integers(1, 3)), max_size=20))
@settings(deadline=None)
def test_face_turns_need_no_blanks_between_them(found: list[Turn]) -> None:
    assert parse_moves("".join(map(str, found))) == Moves(tuple(found))


@pytest.mark.parametrize(
    ("text", "printed"),
    [
        ("r", "Rw"), ("3r'", "3Rw'"), ("u2", "Uw2"), ("2Rw", "Rw"), ("2r2", "Rw2"),
        ("R’ U‘ F′ D` L´ Bʹ Uʼ R＇", "R' U' F' D' L' B' U' R'"),
        ("R2' U2’", "R2 U2"), ("2R 3U' 2F2", "2R 3U' 2F2"), ("M' E S2", "M' E S2"),
        ("RUR'U'", "R U R' U'"), ("R2U2", "R2 U2"), ("R3Uw", "R 3Uw"), ("  R\tU\nF  ", "R U F"),
        ("(R U R' U')3", "R U R' U' R U R' U' R U R' U'"), ("(R U) (R' U')", "R U R' U'"),
        ("((R U)2 F)2", "R U R U F R U R U F"), ("", ""), ("()", ""), ("x y' z2", "x y' z2"),
    ],
)  # fmt: skip
def test_the_trades_spellings_are_read_and_printed_in_article_12_form(text: str, printed: str) -> None:
    assert str(parse_moves(text)) == printed


@pytest.mark.parametrize(
    ("text", "token", "column"),
    [
        ("R U Q", "Q", 5), ("R 1Rw", "1Rw", 3), ("8Rw", "8Rw", 1), ("R '", "'", 3), ("R U) F", ")", 4),
        ("(R U", "(R", 1), ("R 3M", "3M", 3), ("2x", "2x", 1), ("R X", "X", 3), ("R3", "3", 2),
        ("R m", "m", 3),
        ("(R)0", ")0", 3), ("R, U", ",", 2), ("R22", "2", 3), ("Mw", "w", 2), ("[R, U]", "[R,", 1),
        ("99999999999999999999R", "99999999999999999999R", 1), ("٢R", "٢R", 1),
        ("((((((R)99)99)99)99)99)", ")99)99)99)", 14),
    ],
)  # fmt: skip
def test_an_error_names_token_and_column(text: str, token: str, column: int) -> None:
    with pytest.raises(NotationError) as caught:
        parse_moves(text)
    assert caught.value.column == column
    assert caught.value.token == token
    assert "\n" not in str(caught.value) and f"column {column}" in str(caught.value)


def _throw_at_parser(text: str) -> None:
    try:
        moves = parse_moves(text)
    except NotationError as error:
        assert 1 <= error.column <= len(text)
        assert error.token and text[error.column - 1 :].startswith(error.token.rstrip("…"))
        assert len(str(error).splitlines()) == 1
    else:
        assert parse_moves(str(moves)) == moves


@given(st.text(max_size=60))
@settings(max_examples=300, deadline=None)
def test_any_text_gives_turns_or_the_notation_error(text: str) -> None:
    _throw_at_parser(text)


def _random_texts(count: int) -> None:
    rng = random.Random(12)
    near = "URFDLBurfdlbMESxyzw0123456789''''22  ()’"
    for _ in range(count):
        length = rng.randrange(30)
        if rng.random() < 0.7:
            text = "".join(rng.choice(near) for _ in range(length))
        else:
            text = "".join(chr(rng.randrange(0x110000)) for _ in range(length))
        _throw_at_parser(text)


def test_random_texts() -> None:
    _random_texts(3_000)


@pytest.mark.slow
def test_100_000_random_texts() -> None:
    _random_texts(100_000)


def test_a_very_long_text_is_refused_in_one_line() -> None:
    with pytest.raises(NotationError, match="more than 10000 turns"):
        parse_moves("R " * 10_001)
    assert len(parse_moves("R " * 10_000)) == 10_000


# --- inverse, mirror, rotation, cancellation: each against the sticker permutations ---


@given(sequences(max_depth=3))
@settings(deadline=None)
def test_the_inverse_undoes(moves: Moves) -> None:
    assert (moves_permutation(moves + moves.inverse(), 5) == range(150)).all()
    assert moves.inverse().inverse() == moves


@given(sequences(max_depth=3), st.integers(4, 5))
@settings(deadline=None)
def test_the_mirror_is_the_conjugate_by_the_reflection(moves: Moves, size: int) -> None:
    """Reflecting every sticker in the middle plane, turning and reflecting back is the mirrored sequence."""
    centres, _ = sticker_positions(size)
    index = {tuple(c): i for i, c in enumerate(centres.tolist())}
    reflect = np.array([index[-x, y, z] for x, y, z in centres.tolist()])
    conjugate = reflect[moves_permutation(moves, size)][reflect]
    assert (moves_permutation(moves.mirrored(), size) == conjugate).all()
    assert moves.mirrored().mirrored() == moves


@given(sequences(max_depth=3), rotations, st.integers(4, 5))
@settings(deadline=None)
def test_rotated_does_what_rotation_turns_and_rotation_back_do(moves: Moves, r: Moves, size: int) -> None:
    long_way = moves_permutation(r + moves + r.inverse(), size)
    assert (moves_permutation(moves.rotated(r), size) == long_way).all()
    assert moves.rotated(r).rotated(r.inverse()) == moves


def test_a_rotation_by_y_brings_the_back_to_the_right() -> None:
    assert str(parse_moves("R").rotated(parse_moves("y"))) == "B"
    assert str(parse_moves("Rw U 2F' M x").rotated(parse_moves("y'"))) == "Fw U 2L' S' z"
    with pytest.raises(ValueError, match="rotation"):
        parse_moves("R").rotated(parse_moves("U"))


@given(sequences(max_depth=3), st.integers(4, 5))
@settings(deadline=None)
def test_cancelling_keeps_the_effect(moves: Moves, size: int) -> None:
    effect = moves_permutation(moves, size)
    short = moves.cancelled()
    assert (moves_permutation(short, size) == effect).all()
    assert short.etm <= moves.etm and short.obtm <= moves.obtm
    assert short.cancelled() == short


@given(sequences())
@settings(deadline=None)
def test_a_sequence_and_its_inverse_cancel_to_nothing(moves: Moves) -> None:
    assert (moves + moves.inverse()).cancelled() == Moves()


@pytest.mark.parametrize(
    ("text", "short"),
    [("R R", "R2"), ("R R'", ""), ("R L R", "R2 L"), ("R U U' R'", ""), ("R2 R", "R'"), ("R x R'", "x"),
     ("R Rw R", "R2 Rw"), ("U D' U' D", ""), ("F R L F", "F R L F"), ("Rw 2R R'", "Rw 2R R'"),
     ("M M M", "M'")],
)  # fmt: skip
def test_cancellation_examples(text: str, short: str) -> None:
    assert str(parse_moves(text).cancelled()) == short


def test_a_sequence_is_a_frozen_hashable_sequence() -> None:
    moves = parse_moves("R U R'")
    assert len({moves, parse_moves("R U R'"), parse_moves("R U R")}) == 2
    assert moves[0] == Turn("R") and str(moves[1:]) == "U R'" and list(moves) == [*moves.turns]
    assert str(moves * 2) == "R U R' R U R'"
    with pytest.raises(AttributeError):
        moves.turns = ()  # type: ignore[misc]


@pytest.mark.parametrize(
    "fields", [("Q",), ("R", 0), ("R", 4), ("R", 1, 7), ("R", 1, 0), ("M", 1, 2), ("R", 1, 1, True)]
)
def test_impossible_turns_cannot_be_made(fields: tuple[object, ...]) -> None:
    with pytest.raises(ValueError):
        Turn(*fields)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("text", "column", "words"),
    [
        ("R3", 2, "after a turn"),
        ("U R²", 4, "after a turn"),
        ("R³", 2, "after a turn"),
        ("R'2", 3, "after a turn"),
        ("R''", 3, "after a turn"),
        ("R 2", 3, "after a turn"),
        ("(R U)'", 6, "after a bracket"),
        ("(R U) 3", 7, "after a bracket"),
        ("2", 1, "without a turn before it"),
        ("( ' R)", 3, "without a turn before it"),
        ("٣R", 1, "is not a turn"),
        ("R X", 3, "lower case"),
        ("Z2", 1, "lower case"),
        ("m2 U", 1, "upper case"),
        ("R e'", 3, "upper case"),
        ("s", 1, "upper case"),
        ("mU R", 1, "upper case"),
        ("sune", 1, "is not a turn; turns are"),
        ("e1-sune-left, R", 1, "is not a turn; turns are"),
        ("Zbll R", 1, "is not a turn; turns are"),
    ],
)
def test_what_is_no_turn_is_told_what_is_wrong_with_it(text: str, column: int, words: str) -> None:
    with pytest.raises(NotationError) as caught:
        parse_moves(text)
    assert caught.value.column == column and words in caught.value.reason


@pytest.mark.parametrize(
    ("size", "may"),
    [(3, "the number must be 2"), (4, "from 2 to 3"), (7, "from 2 to 6"), (2, "does not have")],
)
def test_a_number_of_layers_that_the_cube_has_not_is_told_which_it_may_be(size: int, may: str) -> None:
    """Article 12a2: 1 < n < N."""
    for text in (f"{size}Rw", "1Rw", f"{size}r2", f"{size}R'"):
        with pytest.raises(NotationError) as caught:
            parse_moves(f"U {text}", size)
        assert caught.value.column == 3 and caught.value.reason.endswith(may)
