"""The sequence command as a user meets it: what is added, listed, imported, exported, removed and hidden."""

from __future__ import annotations

import io
import json
import os
import sys
import threading
from pathlib import Path

import pytest
from test_vision_engine_commands import outcome

from models.library import load_library
from vision import library_files
from vision.cli import run
from vision.cli_sequence import add_to_library

pytestmark = pytest.mark.usefixtures("own_folders")


def test_an_empty_list_says_of_what_there_is_nothing(capsys: pytest.CaptureFixture[str]) -> None:
    assert "no sequences of your own yet" in outcome(capsys, "sequence", "list")[2]
    assert outcome(capsys, "sequence", "add", "e0-sune", "R U R' U R U2 R'")[0] == 0
    status, out, err = outcome(capsys, "sequence", "list", "e0-t")
    assert status == 4 and out == "" and "yet" not in err and "e0-t" in err and "--all" in err
    _, out, err = outcome(capsys, "sequence", "list", "e0-solved", "--all")
    assert out == "" and "--all" not in err


def test_sequences_come_and_go(own_folders: Path, capsys: pytest.CaptureFixture[str]) -> None:
    mine = "L' U2 L U L' U L"
    _, out, _ = outcome(capsys, "check", mine, "--json")
    code = json.loads(out)["solves"]
    assert outcome(capsys, "sequence", "add", code, mine)[0] == 0
    assert "already" in outcome(capsys, "sequence", "add", code, mine)[1]
    library = own_folders / "data" / "library.toml"
    library.write_text(library.read_text().replace("[[sequence]]", "# a remark\n[[sequence]]", 1))
    text = own_folders / "set.txt"
    text.write_text(
        "e0-wrong-label: F R U R' U' F'\nT\tR U R' U' R' F R2 U' R' U' R U R' F'  # the T\nR U\nZZ\n\n"
    )
    status, out, err = outcome(capsys, "sequence", "import", str(text))
    assert status == 1 and out.startswith("2 added")
    assert f"{text}:3: " in err and f"{text}:4: " in err
    status, out, _ = outcome(capsys, "sequence", "list", "--json")
    rows = json.loads(out)
    assert [(row["code"], row["turns"]) for row in rows] == [
        (code, mine),
        ("e2o-headlights-right", "F R U R' U' F'"),
        ("T", "R U R' U' R' F R2 U' R' U' R U R' F'"),
    ]
    saved = own_folders / "out.txt"
    assert outcome(capsys, "sequence", "export", str(saved))[0] == 0
    assert outcome(capsys, "sequence", "remove", code, mine)[0] == 0
    assert "# a remark" in library.read_text() and mine not in library.read_text()
    status, out, _ = outcome(capsys, "sequence", "import", str(saved))
    assert status == 0 and out.startswith("1 added, 2 there already")


@pytest.mark.parametrize(
    ("code", "turns", "said"),
    [
        # headlights of a 2x2x2; where there are edges it flips two (common practice, no source)
        ("e0-headlights", "F R U R' U' F'", "for cubes of 2 layers alone"),
        ("e2o-headlights-right", "F R U R' U' F'", ""),
        ("e0-sune", "R U R' U R U2 R'", ""),
        ("e1-headlights-front", "Rw U2 x Rw U2 Rw U2 Rw' U2 Lw U2 Rw' U2 Rw U2 Rw' U2 Rw'", ""),
        ("e2a-sune-left", "3Rw U R' U R U2 3Rw'", "for cubes of 4 layers alone"),
    ],
)
def test_adding_tells_on_which_cubes_alone_it_solves_the_case(
    code: str, turns: str, said: str, own_folders: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    status, out, err = outcome(capsys, "sequence", "add", code, turns)
    assert (status, err) == (0, "")
    assert out.rstrip().endswith(said or "added")
    held = json.loads(outcome(capsys, "sequence", "list", "--json")[1])[0]["sizes"]
    for size in range(2, 8):
        status, out, _ = outcome(capsys, "check", turns, "--size", str(size), "--json")
        if status == 0 and "w" not in turns:
            assert (json.loads(out)["solves"] == code) == (size in held), size


def test_what_solves_nothing_is_not_added(own_folders: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for turns in ("", "U", "x", "R R'"):
        status, out, err = outcome(capsys, "sequence", "add", "e0-sune", turns)
        assert (status, out) == (1, "") and err.endswith("solves nothing, not e0-sune\n")
    for turns in ("R U R' U'", "Rw U"):
        status, out, err = outcome(capsys, "sequence", "add", "e0-sune", turns)
        disturbs = json.loads(outcome(capsys, "check", turns, "--size", "3", "--json")[1])["disturbs"]
        assert (status, out) == (1, "") and err.count("\n") == 1 and disturbs and disturbs[0] in err
        status, out, err = outcome(capsys, "find", "e0-sune", "--core", turns, "--depth", "1", "--size", "3")
        assert (status, out) == (1, "") and err.count("\n") == 1 and disturbs[0] in err
    status, out, err = outcome(capsys, "sequence", "remove", "e0-nowhere", "R")
    assert (status, out) == (2, "") and "unknown case 'e0-nowhere'" in err


@pytest.mark.parametrize("end", ["\n", "\r\n"])
def test_removing_a_sequence_leaves_its_neighbours_alone(
    end: str, own_folders: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """However the file is laid out: blank lines and remarks inside a block, blank lines with spaces."""
    rows = [
        "# all mine", "  ",
        "[[sequence]]", 'code = "e0-sune"', """turns = "R U R' U R U2 R'" """, " \t",
        "[[sequence]]", 'code = "e0-antisune"', "# goes with it", "", """turns = "R U2 R' U' R U' R'" """,
        "# of the third", "[[sequence]]", 'code = "e0-sune"', """turns = "y R U R' U R U2 R' y'" """,
    ]  # fmt: skip
    library = own_folders / "data" / "library.toml"
    library.parent.mkdir()
    library.write_bytes("".join(row + end for row in rows).encode())
    assert outcome(capsys, "sequence", "remove", "e0-antisune", "R U2 R' U' R U' R'")[0] == 0
    assert library.read_text().split("\n") == [*rows[:6], *rows[11:], ""]
    status, out, err = outcome(capsys, "sequence", "list")
    assert (status, err) == (0, "")
    assert out.splitlines() == ["e0-sune\tR U R' U R U2 R'", "e0-sune\ty R U R' U R U2 R' y'"]


def test_a_library_without_a_sequence_is_an_empty_one(
    own_folders: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """After the last one is removed; an empty file; remarks alone. The same for what is hidden."""
    sune = "R U R' U R U2 R'"
    assert outcome(capsys, "sequence", "add", "e0-sune", sune)[0] == 0
    assert outcome(capsys, "sequence", "remove", "e0-sune", sune)[0] == 0
    folder = own_folders / "data"
    left = (folder / "library.toml").read_text()
    assert "[[" not in left
    for library in (left, "", "\n", "# mine"):
        for hidden in ("", "# nothing\n", None):
            (folder / "library.toml").write_text(library)
            (folder / "hidden.toml").unlink(missing_ok=True)
            if hidden is not None:
                (folder / "hidden.toml").write_text(hidden)
            status, out, err = outcome(capsys, "sequence", "list")
            assert (status, out) == (0, "") and "left out" not in err
            status, out, err = outcome(capsys, "case", "e0-sune", "--json")
            assert status == 0 and json.loads(out)["angles"][0]["sequences"] and err == ""
    assert outcome(capsys, "sequence", "add", "e0-sune", sune)[0] == 0
    assert outcome(capsys, "sequence", "list")[1] == f"e0-sune\t{sune}\n"


def test_what_was_hidden_does_not_come_back_from_a_relation(
    own_folders: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A sune done backwards is an antisune that the library holds as well, and the other way round. What is
    hidden is shown under no heading, and nothing else is lost by that."""
    shown = case_shown(capsys, "e0-sune")
    sune = "R U R' U R U2 R'"
    assert outcome(capsys, "sequence", "remove", "e0-sune", sune)[0] == 0
    assert case_shown(capsys, "e0-sune") == shown - {sune}
    for turns in shown - {sune}:
        status, _, err = outcome(capsys, "sequence", "remove", "e0-sune", turns)
        # what is carried over stands in no file
        assert status == 0 or "no such sequence" in err
        assert (turns in case_shown(capsys, "e0-sune")) == (status != 0)


def case_shown(capsys: pytest.CaptureFixture[str], code: str) -> set[str]:
    """The sequences that `case` tells of, its own and those carried over."""
    found = json.loads(outcome(capsys, "case", code, "--json")[1])
    own = {one["turns"] for angle in found["angles"] for one in angle["sequences"]}
    return own | {one["turns"] for one in found["carried_over"]}


def test_removing_counts_lines_as_an_editor_does(
    own_folders: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    library = own_folders / "data" / "library.toml"
    library.parent.mkdir()
    first, second = "# a\u2028b\u0085c\x0cd\n", "# a\u2028b\u0085c\n"
    blocks = [f'[[sequence]]\ncode = "{code}"\nturns = "{turns}"\n' for code, turns in (
        ("e0-sune", "R U R' U R U2 R'"), ("e0-antisune", "R U2 R' U' R U' R'"),
    )]  # fmt: skip
    library.write_bytes((first + blocks[0] + second + blocks[1]).encode())
    assert outcome(capsys, "sequence", "remove", "e0-sune", "R U R' U R U2 R'")[0] == 0
    assert library.read_bytes().decode() == first + second + blocks[1]


@pytest.mark.parametrize(
    ("code", "turns"),
    [
        ("V", "R' U R' U' y R' F' R2 U' R' U R' F R F"),
        ("e0-sune", "R U R' U R U2 R' y"),
        ("e0-sune", "y R U R' U R U2 R'"),
        ("e0-sune", "R U R' U R U2 R' x"),
    ],
)
def test_what_check_finds_to_solve_a_case_can_be_added(
    code: str, turns: str, own_folders: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Also where the whole cube is left turned."""
    assert f"solves {code} " in outcome(capsys, "check", turns, "-n", "3")[1]
    assert outcome(capsys, "sequence", "add", code, turns)[0] == 0
    assert outcome(capsys, "sequence", "list")[1] == f"{code}\t{turns}\n"
    _, out, _ = outcome(capsys, "case", code, "-n", "3", "--json")
    assert json.loads(out)["angles"][0]["sequences"][0]["source"] == "yours"
    saved = own_folders / "set.txt"
    saved.write_text(f"{turns}\n")
    assert outcome(capsys, "sequence", "import", str(saved))[1].startswith("0 added, 1 there already")
    partner = "e0-antisune" if code == "e0-sune" else "V"
    core = ("--core", turns, "--mirrored", "--depth", "2", "-n", "3")
    assert outcome(capsys, "find", code, partner, *core)[0] == 0


def test_one_sequence_of_a_case_is_one_line(own_folders: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """It stands in the file of all cubes, in that of the 2x2x2 and in one's own. As data each is told."""
    assert outcome(capsys, "sequence", "add", "e0-sune", "R U R' U R U2 R'")[0] == 0
    for command in (["list", "--all"], ["list", "--all", "e0-sune"], ["export", "--all"]):
        lines = outcome(capsys, "sequence", *command)[1].splitlines()
        assert "e0-sune\tR U R' U R U2 R'" in lines and len(lines) == len(set(lines))
    rows = json.loads(outcome(capsys, "sequence", "list", "--all", "--json")[1])
    assert {f"{row['code']}\t{row['turns']}" for row in rows} == set(
        outcome(capsys, "sequence", "list", "--all")[1].splitlines()
    )
    alike = [row for row in rows if (row["code"], row["turns"]) == ("e0-sune", "R U R' U R U2 R'")]
    assert len(alike) == len({(row["file"], row["line"]) for row in alike}) == 3
    exported = own_folders / "all.txt"
    said = outcome(capsys, "sequence", "export", "--all", str(exported))[1]
    assert said.startswith(f"{len(exported.read_text().splitlines())} sequences written")


def test_what_was_exported_is_imported_whole(own_folders: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Sequences of every size, each under the case that it stood under."""
    saved, back = own_folders / "all.txt", own_folders / "back.txt"
    assert outcome(capsys, "sequence", "export", "--all", str(saved))[0] == 0
    status, out, err = outcome(capsys, "sequence", "import", str(saved))
    assert status == 0 and out.endswith(" 0 left out\n")
    assert all(", for cubes of 2 layers alone" in line for line in err.splitlines())
    assert outcome(capsys, "sequence", "export", str(back))[0] == 0
    written = saved.read_text().splitlines()
    assert back.read_text().splitlines() == list(dict.fromkeys(written)) and len(written) > 700


HALF_OF_SIX = "3Rw U2 x 3Rw U2 3Rw U2 3Rw' U2 3Lw U2 3Rw' U2 3Rw U2 3Rw' U2 3Rw'"


@pytest.mark.parametrize(
    ("line", "arguments", "code", "size"),
    [
        ("R2 U2 R U2 R2", [], "e0-h", 2),
        ("e0-h: R2 U2 R U2 R2", [], "e0-h", 2),
        # half of a 6x6x6, and all but one layer of a 4x4x4: each solves another case
        (f"1: e1-headlights-front\t{HALF_OF_SIX}", [], "e1-headlights-front", 6),
        (HALF_OF_SIX, ["-n", "6"], "e1-headlights-front", 6),
        (HALF_OF_SIX, [], "e0-headlights", 4),
        ("e0-pi: R U R' U R U2 R'", [], "e0-sune", 4),
    ],
)
def test_a_sequence_is_imported_under_what_it_solves_on_any_size(
    line: str,
    arguments: list[str],
    code: str,
    size: int,
    own_folders: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    text = own_folders / "set.txt"
    text.write_text(f"{line}\n")
    status, out, err = outcome(capsys, "sequence", "import", str(text), *arguments)
    assert (status, out) == (0, "1 added, 0 there already, 0 left out\n")
    assert ("not e0-pi" in err) == ("e0-pi" in line)
    (row,) = json.loads(outcome(capsys, "sequence", "list", "--json")[1])
    assert row["code"] == code and size in row["sizes"]


@pytest.mark.parametrize("size", [2, 3, 4, 5])
def test_importing_tells_on_which_cubes_alone_a_label_is_true(
    size: int, own_folders: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Headlights of a 2x2x2; where there are edges it flips two (common practice, no source)."""
    text = own_folders / "set.txt"
    text.write_text("e0-sune: R U R' U R U2 R'\ne0-headlights: F R U R' U' F'\n")
    status, out, err = outcome(capsys, "sequence", "import", str(text), "--size", str(size))
    assert (status, out) == (0, "2 added, 0 there already, 0 left out\n")
    told = (
        f"{text}:2: kept as e0-headlights, for cubes of 2 layers alone;"
        f" on a {size}x{size}x{size} it solves e2o-headlights-right\n"
    )
    assert err == ("" if size == 2 else told)


@pytest.mark.skipif(os.name == "nt", reason="fcntl is POSIX")
@pytest.mark.parametrize("first", ["add", "remove"])
def test_two_commands_at_once_lose_nothing_of_each_other(first: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """While one is about to write, the other cannot read what it will put in its place."""
    rows = [{"code": "e0-sune", "turns": turns} for turns in ("R U R' U R U2 R'", "R' U2 R U R' U R")]
    other = {"code": "e0-antisune", "turns": "R U2 R' U' R U' R'"}
    add_to_library(rows[:1])
    beside = threading.Thread(target=add_to_library, args=([other],))

    def meanwhile(path: Path, text: str) -> None:
        monkeypatch.setattr(library_files, "save_text", save_text)
        beside.start()
        beside.join(0.5)  # the whole of it, where nothing holds it up
        save_text(path, text)

    save_text = library_files.save_text
    monkeypatch.setattr(library_files, "save_text", meanwhile)
    if first == "add":
        add_to_library(rows[1:])
    else:
        assert run(["sequence", "remove", "e0-sune", rows[0]["turns"]]) == 0
    beside.join()
    own = load_library([library_files.library_path()], built_in=False)
    kept = {*(row["turns"] for row in rows), other["turns"]} if first == "add" else {other["turns"]}
    assert {entry.turns for entry in own.entries} == kept


@pytest.mark.parametrize("from_input", [True, False])
def test_the_first_line_of_an_import_may_follow_a_byte_order_mark(
    from_input: bool, own_folders: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    text = own_folders / "set.txt"
    text.write_text("R U R' U R U2 R'\r\n", encoding="utf-8-sig")
    monkeypatch.setattr(sys, "stdin", io.TextIOWrapper(io.BytesIO(text.read_bytes()), "ascii"))
    status, out, err = outcome(capsys, "sequence", "import", "-" if from_input else str(text))
    assert (status, err) == (0, "") and out.startswith("1 added")
    monkeypatch.setattr(sys, "stdin", io.TextIOWrapper(io.BytesIO(b"\xff\xfe")))
    status, out, err = outcome(capsys, "sequence", "import", "-")
    assert status == 1 and "is not UTF-8 text" in err and err.count("\n") == 1


@pytest.mark.skipif(sys.platform != "linux", reason="other systems have no such names")
def test_a_set_is_imported_whatever_the_name_of_its_file(
    own_folders: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A byte that is no UTF-8 stands in no TOML file."""
    text = own_folders / os.fsdecode(b'"s\xffet\\.txt')
    text.write_text("R U R' U R U2 R'\n")
    status, out, err = outcome(capsys, "sequence", "import", str(text))
    assert (status, err) == (0, "") and out.startswith("1 added")
    (row,) = json.loads(outcome(capsys, "sequence", "list", "--json")[1])
    assert row["source"] == 'imported from "s\\udcffet\\.txt'


def test_a_sequence_is_hidden_beside_those_that_were_written_by_hand(
    own_folders: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """An editor may leave out the last line's end."""
    _, out, _ = outcome(capsys, "sequence", "list", "--all", "e0-sune", "--json")
    first, second = [row["turns"] for row in json.loads(out)][:2]
    hidden = own_folders / "data" / "hidden.toml"
    hidden.parent.mkdir()
    hidden.write_text(f'[[sequence]]\ncode = "e0-sune"\nturns = "{first}"')
    assert outcome(capsys, "sequence", "remove", "e0-sune", second)[0] == 0
    _, out, _ = outcome(capsys, "sequence", "list", "--all", "e0-sune", "--json")
    assert not {first, second} & {row["turns"] for row in json.loads(out)}


def test_a_dash_is_the_standard_output_and_one_is_not_many(
    own_folders: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(own_folders)
    assert outcome(capsys, "sequence", "add", "e0-sune", "R U R' U R U2 R'")[0] == 0
    assert outcome(capsys, "sequence", "export", "-")[1] == "e0-sune\tR U R' U R U2 R'\n"
    assert "1 sequence written" in outcome(capsys, "sequence", "export", "out.txt")[1]
    assert sorted(path.name for path in own_folders.iterdir()) == ["data", "out.txt"]
    _, out, err = outcome(capsys, "cases", "--edges", "e4", "--corners", "t")
    assert err == "1 case\n" and len(out.splitlines()) == 1


def test_a_built_in_sequence_is_hidden_when_removed(capsys: pytest.CaptureFixture[str]) -> None:
    _, out, _ = outcome(capsys, "sequence", "list", "--all", "e0-sune", "--json")
    turns = [row["turns"] for row in json.loads(out)]
    assert outcome(capsys, "sequence", "remove", "e0-sune", turns[0])[0] == 0
    _, out, _ = outcome(capsys, "sequence", "list", "--all", "e0-sune", "--json")
    assert turns[0] not in [row["turns"] for row in json.loads(out)]


def test_lines_of_standard_input_are_told_by_its_name(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    class Input:
        buffer = io.BytesIO(b"R U R' U R U2 R'\nR U\n")

    monkeypatch.setattr(sys, "stdin", Input)
    status, _, err = outcome(capsys, "sequence", "import", "-")
    assert status == 1 and err.startswith("standard input:2: left out: ")
    (row,) = json.loads(outcome(capsys, "sequence", "list", "--json")[1])
    assert row["source"] == "imported from standard input"
    assert "not added: no turns: " in outcome(capsys, "sequence", "add", "e0-sune", "")[2]
