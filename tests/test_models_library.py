"""The library: what it must hold, every entry executed anew, bad entries, the cache, suggestions."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from functools import lru_cache
from itertools import product, takewhile
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sympy.combinatorics import Permutation

from models.cases import CASE_LIST, CASES, case_of
from models.cube import Cube, moves_permutation, order, rotation_moves
from models.effort import load_effort
from models.errors import LastlookError
from models.layer import LastLayer
from models.layer_tables import legal_mask
from models.library import Library, load_library
from models.notation import parse_moves
from models.permutation import PERMUTATION_CASES, SOLVED_CODE, permutation_codes_for, permutation_of
from models.relations import carried_over
from models.sequences import Entry, read_cores, read_entries, widened, write_block

FLIP_ONE = read_cores()["flip-one"]


@lru_cache(maxsize=1)
def library() -> Library:
    return load_library()


def test_nothing_built_in_is_left_out() -> None:
    assert library().bad == ()
    assert len(library().entries) > 700


def test_every_case_and_class_has_its_sequences() -> None:
    """27 e1 and 27 e3 with three or more each, the 57 others, the 21 letters and the 22 with parity."""
    odd = [c.code for c in CASE_LIST if c.edges in ("e1", "e3")]
    even = [c.code for c in CASE_LIST if c.edges not in ("e1", "e3") and not c.is_oriented]
    assert (len(odd), len(even)) == (54, 57)
    for code in odd:
        assert sum({4, 6} <= set(entry.sizes) for entry in library().of(code)) >= 3, code
    for code in even:
        assert any(set(range(3, 8)) <= set(entry.sizes) for entry in library().of(code)), code
    for code in permutation_codes_for(4):
        if code != SOLVED_CODE:
            assert any(4 in entry.sizes for entry in library().of(code)), code
            if not PERMUTATION_CASES[code].parity:
                assert any(3 in entry.sizes for entry in library().of(code)), code
    for case in CASE_LIST:
        if case.occurs_on(2) and not case.is_oriented:
            assert any(2 in entry.sizes for entry in library().of(case.code)), case.code


def test_each_odd_case_has_one_with_only_r_u_f_round_the_core() -> None:
    variants = {FLIP_ONE, FLIP_ONE.inverse(), FLIP_ONE.mirrored(), FLIP_ONE.mirrored().inverse()}
    for case in CASE_LIST:
        if case.edges in ("e1", "e3"):
            assert any(
                set("".join(t.base for t in rest)) <= set("RUF")
                for entry in library().of(case.code)
                for rest in _around(parse_moves(entry.turns), variants)
            ), case.code


def _around(moves: object, cores: set[object]) -> list[object]:
    """Setup and finish together, for each core that stands whole inside the sequence."""
    out = []
    for core in cores:
        for start in range(len(moves) - len(core) + 1):  # type: ignore[arg-type]
            if moves[start : start + len(core)] == core:  # type: ignore[index,arg-type]
                out.append(moves[:start] + moves[start + len(core) :])  # type: ignore[index,arg-type]
    return out


@pytest.mark.parametrize("part", range(4))
def test_every_entry_does_what_it_says(part: int) -> None:
    """Executed on coloured stickers from the case itself, with none of the library's own checks."""
    for entry in library().entries[part::4]:
        size = entry.sizes[0]
        moves = entry.moves(size)
        if entry.code in CASES:
            case = CASES[entry.code]
            flip = case.flip_at(entry.angle) if size > 2 else ()
            home = (0, 1, 2, 3) if size > 2 else ()
            start = LastLayer(size, (0, 1, 2, 3), case.twist_at(entry.angle), home, flip)
            after = Cube.from_facelets(start.facelets()).apply(moves).facelets()
            assert (after[0] == 0).all(), f"{entry.file}:{entry.line}"
        else:
            start = PERMUTATION_CASES[entry.code].state(size).turned(entry.angle)
            options = [start.after_top(k) for k in range(4)]
            after = np.stack([Cube.from_facelets(o.facelets()).apply(moves).facelets() for o in options])
        below = after.reshape(-1, 6, size, size)
        for face in range(1, 6):
            rows = below[:, face, 1:] if face != 3 else below[:, face]
            assert (rows == face).all(), f"{entry.file}:{entry.line}"
        if entry.code not in CASES:
            # one of the four last turns of the top must solve it: every side's top row in one colour
            rows = below[:, [1, 2, 4, 5], 0]
            assert (rows == rows[..., :1]).all(axis=(1, 2)).any(), f"{entry.file}:{entry.line}"


def test_sequences_repeated_their_order_do_nothing() -> None:
    """The order of each is sympy's (fact of the trade: repeated so often, the cube is as before)."""
    for entry in library().entries[::60]:
        size = entry.sizes[0]
        permutation = moves_permutation(widened(parse_moves(entry.turns), size), size)
        expected = Permutation(permutation.tolist()).order()
        assert order(permutation) == expected
        whole = moves_permutation(widened(parse_moves(entry.turns), size) * expected, size)
        assert (whole == np.arange(len(whole))).all()


@st.composite
def states(draw: st.DrawFn) -> LastLayer:
    size = draw(st.integers(2, 7))
    legal = np.argwhere(legal_mask(size))
    corner, edge = legal[draw(st.integers(0, len(legal) - 1))].tolist()
    state = LastLayer.from_indices(size, corner, edge)
    if draw(st.booleans()):
        return LastLayer(size, state.corners, (0,) * 4, state.edges, (0,) * len(state.edges))
    return state


@settings(max_examples=60, deadline=None)
@given(states())
def test_every_suggestion_does_what_it_should_from_that_state(state: LastLayer) -> None:
    size = state.size
    found = library().suggest(state, size)
    solved = any(state.after_top(k) == LastLayer.solved(size) for k in range(4))
    if not state.is_oriented:
        assert found, "every case of every size has a sequence"
    elif not solved:
        assert found, "and so has every permutation"
    for one in found:
        cube = Cube.from_facelets(state.facelets()).apply(f"{one.first} {one.turns}")
        after = LastLayer.from_facelets(cube.facelets())
        assert after.is_oriented
        assert not state.is_oriented or after == LastLayer.solved(size)
        moves = parse_moves(one.turns)
        assert (one.length, one.etm) == (moves.obtm, moves.etm)
        assert one.first in ("", "U", "U2", "U'")
        assert set(one.to_json_dict()) == {"turns", "first", "length", "etm", "effort", "source", "proof"}
    assert [s.effort for s in found] == sorted(s.effort for s in found)


def test_proofs_say_what_was_searched() -> None:
    for code in ("e1-headlights-front", "e0-h"):
        first = library().of(code)[0]
        assert first.proof.startswith("shortest: ") and "searched exhaustively" in first.proof


@pytest.mark.parametrize(
    ("code", "shortest"), [("e0-headlights", 6), ("e0-t", 7), ("e0-bowtie", 7), ("e0-h", 5), ("e0-sune", 7)]
)
def test_a_proof_is_shown_on_no_cube_that_it_was_not_searched_on(code: str, shortest: int) -> None:
    """A 2x2x2 has no edges to be kept, so its shortest are shorter. The numbers are those of a breadth-first
    search of the whole 2x2x2, written apart from this project."""
    for angle in range(CASES[code].angles):
        small = LastLayer(2, (0, 1, 2, 3), CASES[code].twist_at(angle), (), ())
        proofs = {one.proof for one in library().suggest(small, 2)} - {""}
        assert proofs, "the 2x2x2 has proofs of its own"
        for proof in proofs:
            assert str(shortest) in proof and "R U F" in proof.split(";")[1]
    large = LastLayer(3, (0, 1, 2, 3), CASES[code].twist, (0, 1, 2, 3), CASES[code].flip)
    assert all("all of 6+6 turns of R U F" not in one.proof for one in library().suggest(large, 3))


@pytest.mark.parametrize(
    ("turns", "size", "shown"),
    [
        ("R U R' U R U2 R'", "", {3, 4, 5, 6, 7}),
        ("R U R' U R U2 R'", "2", {2}),
        ("R U R' U R U2 R'", "4", {3, 4, 5, 6, 7}),
        ("R2 U2 R U2 R2", "", {2}),
    ],
)
def test_a_proof_of_the_users_own_holds_on_its_sizes(
    turns: str, size: str, shown: set[int], tmp_path: Path
) -> None:
    path = tmp_path / "library.toml"
    code = "e0-sune" if "R'" in turns else "e0-h"
    path.write_text(write_block(code, turns, proof="it is the shortest", proof_size=size))
    (entry,) = load_library([path], built_in=False).entries
    told = {}
    for n in entry.sizes:
        home = (0, 1, 2, 3) if n > 2 else ()
        state = LastLayer(n, (0, 1, 2, 3), CASES[code].twist, home, CASES[code].flip if n > 2 else ())
        (one,) = load_library([path], built_in=False).suggest(state, n)
        told[n] = one.proof
    assert {n for n, proof in told.items() if proof} == shown
    path.write_text(write_block(code, turns, proof="it is", proof_size="8"))
    (bad,) = load_library([path], built_in=False).bad
    assert "proof_size '8'" in bad.reason


def test_what_is_proved_of_a_sequence_is_true_of_it_in_the_users_own_file(tmp_path: Path) -> None:
    path = tmp_path / "library.toml"
    built_in = next(e for e in library().of("e0-sune") if e.proof.startswith("shortest") and 4 in e.sizes)
    path.write_text(write_block("e0-sune", built_in.turns, source="mine"))
    state = LastLayer.after(built_in.moves(4), 4).inverse()
    one = load_library([path]).suggest(state, 4)[0]
    assert (one.turns, one.source, one.proof) == (built_in.turns, "mine", built_in.proof)


@settings(max_examples=40, deadline=None)
@given(st.sampled_from(load_library().entries), st.integers(0, 23), st.data())
def test_a_sequence_that_leaves_the_cube_turned_is_one_like_any_other(
    entry: Entry, number: int, data: st.DataObject
) -> None:
    """A rotation at the end changes nothing but how the cube is held; the turns stay as they are written."""
    rotation = rotation_moves()[number]
    (own,), bad = read_entries(write_block(entry.code, f"{entry.turns} {rotation}"), "own")
    assert bad == []
    assert (own.angle, own.sizes, own.inverse_code) == (entry.angle, entry.sizes, entry.inverse_code)
    size = data.draw(st.sampled_from(own.sizes))
    state = LastLayer.after(entry.moves(size), size).inverse().after_top(data.draw(st.integers(0, 3)))
    (one,) = Library((own,), (), library().effort, frozenset(["own"])).suggest(state, size)
    assert f"{entry.moves(size)} {rotation}".strip() in one.turns or state.is_oriented
    cube = Cube.from_facelets(state.facelets()).apply(f"{one.first} {one.turns}").apply(rotation.inverse())
    after = LastLayer.from_facelets(cube.facelets())
    assert after.is_oriented and (not state.is_oriented or after == LastLayer.solved(size))
    inverse = entry.moves(size).inverse()  # one that undoes itself has no other to hand on
    assert carried_over(Library((own,), (), library().effort), own.inverse_code, size) or (
        inverse.cancelled() == entry.moves(size).cancelled()
    )


@settings(max_examples=60, deadline=None)
@given(
    st.sampled_from(load_library().entries),
    st.sampled_from(["U", "U2", "U'", "U U", "y U", "D U2 D'"]),
    st.data(),
)
def test_the_turn_before_a_sequence_and_its_own_first_of_that_layer_are_one(
    entry: Entry, start: str, data: st.DataObject
) -> None:
    """One turn of the top layer at most, then others, which do what the sequence does as it is stored."""
    (own,), _ = read_entries(write_block(entry.code, f"{start} {entry.turns}"), "own")
    size = data.draw(st.sampled_from(own.sizes))
    stored = own.moves(size)
    state = LastLayer.after(stored, size).inverse().after_top(data.draw(st.integers(0, 3)))
    (one,) = Library((own,), (), library().effort, frozenset(["own"])).suggest(state, size)
    turns = parse_moves(one.turns)
    at_first = list(takewhile(lambda turn: turn.axis == "y", turns))
    assert not any(turn.base == "U" and turn.depth == 1 for turn in at_first)
    assert (one.length, one.etm) == (turns.obtm, turns.etm)
    assert one.effort == library().effort.effort(parse_moves(one.first) + turns)
    before = Cube.from_facelets(state.facelets())
    after = before.apply(one.first).apply(turns)
    if state.is_oriented:
        assert (after.facelets() == after.facelets()[:, :1, :1]).all()
    else:
        assert after in [before.apply(top).apply(stored) for top in ("", "U", "U2", "U'")]


def test_what_does_not_orient_is_not_suggested_whatever_is_remembered_of_it() -> None:
    """A damaged cache may put a sequence down for another angle or case; stickers tell."""
    (entry,), _ = read_entries(write_block("e0-sune", "R U R' U R U2 R'"), "it")
    state = LastLayer.after(entry.moves(4), 4).inverse()
    for lie, length in (({}, 1), ({"angle": (entry.angle + 1) % 4}, 0), ({"turns": "R U2 R' U' R U' R'"}, 0)):
        held = Library((replace(entry, **lie),), (), library().effort)  # type: ignore[arg-type]
        assert len(held.suggest(state, 4)) == length, lie


@pytest.mark.parametrize("code", ["E", "H", "Z", "Na", "Ua", "par-solved-flbr"])
def test_of_two_ways_to_hold_an_arrangement_the_shorter_is_suggested(code: str) -> None:
    """Turns of the top before and after are tried in all 16 ways on stickers."""
    entry = library().of(code)[0]
    alone = Library((entry,), (), library().effort)
    tops = [parse_moves(turn) for turn in ("", "U", "U2", "U'")]
    for angle, turned in product(range(4), repeat=2):
        state = PERMUTATION_CASES[code].state(4).turned(angle).after_top(turned)
        before = Cube.from_facelets(state.facelets())
        ways = [(first, (entry.moves(4) + last).cancelled()) for first in tops for last in tops]
        right = [len(f) + len(m) for f, m in ways if before.apply(f).apply(m) == Cube.solved(4)]
        (one,) = alone.suggest(state, 4)
        assert len(parse_moves(one.first)) + len(parse_moves(one.turns)) == min(right)


def test_a_proof_counts_what_it_says() -> None:
    """Of every built-in sequence: all its turns, or all but the core's; an arrangement's last turn of the top
    layer, which a suggestion ends in, is said to be left out."""
    said = re.compile(
        r"(?:shortest: )?(-?\d+) (turns|setup and finish turns)( \(a last one of the top layer apart\))?"
    )
    cores = read_cores()
    for entry in library().entries:
        number, noun, apart = said.match(entry.proof).group(1, 2, 3)  # type: ignore[union-attr]
        core = len(cores[entry.core.split()[0]]) if entry.core else 0
        assert int(number) == len(parse_moves(entry.turns)) - core, entry
        assert (noun == "turns") == (not entry.core) and bool(apart) == (entry.code in PERMUTATION_CASES)


# --- files ---

GOOD = write_block("e0-sune", "R U R' U R U2 R'", source="yours")


def test_bad_entries_are_reported_with_their_line_and_the_good_ones_kept(tmp_path: Path) -> None:
    text = (
        "# my own\n\n"
        + GOOD  # line 3
        + '[[sequence]]\ncode = "e0-sune"\nturns = "R U R\'"\n\n'  # line 8: breaks a pair
        + '[[sequence]]\ncode = "e0-antisune"\nturns = "R U R\' U R U2 R\'"\n\n'  # line 12: another case
        + '[[sequence]]\ncode = "e9-what"\nturns = "R"\n\n'  # line 16
        + '[[sequence]]\ncode = "e0-sune\n\n'  # line 20: no TOML
        + '[[sequence]]\ncode = "e0-sune"\nturns = "R Q"\n\n'  # line 23
        + '[[sequence]]\ncode = "e0-sune"\nturns = 5\n\n'  # line 27
        + '[[sequence]]\ncode = "e0-sune"\nturns = "R U2 R\' U\' R U\' R\'"\nspeed = "fast"\n\n'  # line 31
        + GOOD.replace("R U R' U R U2 R'", "y R U R' U R U2 R' y'")  # line 36
    )
    path = tmp_path / "library.toml"
    path.write_text(text)
    found = load_library([path], built_in=False)
    assert [entry.line for entry in found.entries] == [3, 36]
    assert [(bad.file, bad.line) for bad in found.bad] == [
        (str(path), line) for line in (8, 12, 16, 20, 23, 27, 31)
    ]
    for bad in found.bad:
        assert "\n" not in str(bad) and str(bad).startswith(f"{path}:{bad.line}: ")
    assert "e0-sune" in found.bad[1].reason and "speed" in found.bad[-1].reason


def test_block_turns_are_read_as_the_cube_they_were_written_for() -> None:
    """Rw of a 3x3x3 turns all but one layer on every size; Rw of a 4x4x4 turns half, on even sizes."""
    small, half = "Rw U R' U R U2 Rw'", str(FLIP_ONE)
    text = write_block("e2a-sune-left", small) + write_block("e1-headlights-front", half)
    good, bad = read_entries(text, "it")
    assert bad == []
    assert [(e.sizes, e.written_for) for e in good] == [((3, 4, 5, 6, 7), 3), ((4, 6), 4)]
    assert str(good[0].moves(5)) == "4Rw U R' U R U2 4Rw'"
    assert str(good[1].moves(6)).startswith("3Rw U2 x 3Rw")
    for entry in good:
        for size in entry.sizes:
            state = LastLayer.after(entry.moves(size), size).inverse()
            assert case_of(state)[0].code == entry.code


def test_half_of_a_cube_is_a_block_on_even_sizes_alone() -> None:
    moves = parse_moves("Rw U2 2R Lw' 3Fw x")
    assert str(widened(moves, 6)) == "3Rw U2 3Rw R' 3Lw' 3Fw x"
    assert all(widened(moves, size) == moves for size in (4, 5, 7))


@pytest.mark.parametrize("size", range(4, 8))
def test_a_block_of_all_layers_but_one_is_of_one_size(size: int) -> None:
    """The fat sune of a 3x3x3 as it is written for each larger cube: right there and nowhere else."""
    moves = f"{size - 1}Rw U R' U R U2 {size - 1}Rw'"
    (entry,), bad = read_entries(write_block("e2a-sune-left", moves), "it")
    assert bad == [] and entry.sizes == (size,) and str(entry.moves(size)) == moves


DEEP = "x = " + "[" * 20_000
LONG = "x = " + "1" * 5_000


@pytest.mark.parametrize("damage", [DEEP, LONG, '"two\\nlines" = "x"'])
def test_damage_that_python_stumbles_over_is_one_line(damage: str, tmp_path: Path) -> None:
    path = tmp_path / "library.toml"
    path.write_text(f"{GOOD}[[sequence]]\n{damage}\n{GOOD}")
    found = load_library([path], built_in=False)
    assert [entry.line for entry in found.entries] == [1, 8]
    (bad,) = found.bad
    assert str(bad).startswith(f"{path}:6: ") and "\n" not in str(bad)


def test_cores_of_the_users_own_are_added(tmp_path: Path) -> None:
    path = tmp_path / "cores.toml"
    path.write_text('# mine\n[[core]]\nname = "turn"\nturns = "R R\'"\n')
    assert read_cores(path) == {**read_cores(), "turn": parse_moves("R R'")}


@pytest.mark.parametrize(
    ("text", "line"),
    [
        ("\ncore = 3\n", 2),
        ('[[core]]\nturns = "R"\n', 1),
        ('# mine\n[[core]]\nname = "mine"\n', 2),
        ('[[core]]\nname = "mine"\nturns = 3\n', 1),
        ('[[core]]\nname = ""\nturns = "R"\n', 1),
        (' \n[[core]]\nname = "mine"\nturns = "R Q"\n', 2),
        ("[[core]]\nname = \n", 1),
        (f"[[core]]\n{DEEP}", 1),
        (f"[[core]]\n{LONG}", 1),
    ],
)
def test_a_core_that_cannot_be_used_is_named_with_its_line(text: str, line: int, tmp_path: Path) -> None:
    path = tmp_path / "cores.toml"
    path.write_text(text)
    with pytest.raises(LastlookError) as caught:
        read_cores(path)
    assert str(caught.value).startswith(f"{path}:{line}: ") and "\n" not in str(caught.value)


@pytest.mark.parametrize("what", ["no text", "folder"])
def test_a_file_that_cannot_be_read_is_reported(what: str, tmp_path: Path) -> None:
    """With its name once, without a line, and with what to do."""
    path = tmp_path / "library.toml"
    path.mkdir() if what == "folder" else path.write_bytes(b"\xff\xfe\x00")
    found = load_library([path, tmp_path / "missing.toml"], built_in=False)
    (bad,) = found.bad
    assert found.entries == () and bad.file == str(path)
    assert str(bad).startswith(f"{path}: ") and str(bad).count(str(path)) == 1
    assert ("see that it is a file" if what == "folder" else "save it as UTF-8") in bad.reason


def test_a_byte_order_mark_is_no_part_of_a_file(tmp_path: Path) -> None:
    """Some editors begin a text with U+FEFF."""
    for name, text in (
        ("library.toml", GOOD), ("cores.toml", '[[core]]\nname = "mine"\nturns = "R R\'"\n'),
        ("effort.toml", "[turn]\nside = 2.0\n"),
    ):  # fmt: skip
        (tmp_path / name).write_text(text, encoding="utf-8-sig")
    found = load_library([tmp_path / "library.toml"], built_in=False)
    assert [entry.line for entry in found.entries] == [1] and found.bad == ()
    assert "mine" in read_cores(tmp_path / "cores.toml")
    assert dict(load_effort(tmp_path / "effort.toml").turn)["side"] == 2.0


def test_the_cache_is_used_renewed_and_never_believed_when_damaged(tmp_path: Path) -> None:
    path, cache = tmp_path / "library.toml", tmp_path / "cache"
    path.write_text(GOOD)
    fresh = load_library([path], built_in=False, cache_folder=cache)
    (kept,) = cache.iterdir()
    assert load_library([path], built_in=False, cache_folder=cache).entries == fresh.entries
    data = json.loads(kept.read_text())
    data["good"][0]["source"] = "from the cache"
    kept.write_text(json.dumps(data))
    assert load_library([path], built_in=False, cache_folder=cache).entries[0].source == "from the cache"
    for damage in ("", "{", "[" * 100_000, '{"good": [{"code": 1}], "bad": []}', "[]"):
        kept.write_text(damage)
        assert load_library([path], built_in=False, cache_folder=cache).entries == fresh.entries
    path.write_text(GOOD + write_block("e0-antisune", "R U2 R' U' R U' R'"))
    assert len(load_library([path], built_in=False, cache_folder=cache).entries) == 2
    unwritable = tmp_path / "file"
    unwritable.write_text("")
    assert load_library([path], built_in=False, cache_folder=unwritable).bad == ()


def test_the_users_own_come_first_and_hidden_ones_not_at_all(tmp_path: Path) -> None:
    path = tmp_path / "library.toml"
    clumsy = "B' U2 B U B' U B B2 B2"
    state = LastLayer.after(clumsy, 4).inverse()
    code = case_of(state)[0].code
    path.write_text(write_block(code, clumsy, source="yours"))
    built_in = library().suggest(state, 4)
    hidden = {(code, built_in[0].turns)}
    own = load_library([path], hidden=hidden)
    found = own.suggest(state, 4)
    assert found[0].source == "yours"
    assert built_in[0].turns not in {s.turns for s in found}


@given(st.text(alphabet=st.characters(blacklist_categories=("Cs",)), max_size=40))
def test_what_is_written_is_read_back(note: str) -> None:
    good, bad = read_entries(write_block("e0-sune", "R U R' U R U2 R'", source=note, proof=note), "it")
    assert bad == [] and isinstance(good[0], Entry)
    assert (good[0].source, good[0].proof, good[0].line) == (note, note, 1)


def test_the_small_part_is_what_its_command_makes(tmp_path: Path) -> None:
    from importlib import resources

    from models.library_build import build_small, write_part

    path = write_part(tmp_path, "small", build_small())
    built_in = resources.files("models").joinpath("data/sequences-small.toml").read_text(encoding="utf-8")
    assert path.read_text(encoding="utf-8") == built_in


@pytest.mark.slow
@pytest.mark.parametrize("part", ["odd", "permutation", "even"])
def test_the_other_parts_are_what_their_command_makes(part: str, tmp_path: Path) -> None:
    from importlib import resources

    from models.library_build import PARTS, write_part

    path = write_part(tmp_path, part, PARTS[part]())
    built_in = resources.files("models").joinpath(f"data/sequences-{part}.toml").read_text(encoding="utf-8")
    assert path.read_text(encoding="utf-8") == built_in


def test_letters_are_solved_not_only_oriented() -> None:
    state = PERMUTATION_CASES["Y"].state(5)
    best = library().suggest(state, 5)[0]
    assert permutation_of(state)[0] == "Y"
    assert state.then(LastLayer.after(f"{best.first} {best.turns}", 5)) == LastLayer.solved(5)
