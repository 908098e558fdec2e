"""find, check, case and cases as a user meets them: what is printed, written and returned."""

from __future__ import annotations

import json
import re
import shlex
from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest

from models import search
from models.cases import CASES, codes_for
from models.cube import Cube
from models.layer import LastLayer
from models.library import load_library
from models.permutation import PERMUTATION_CASES, permutation_codes_for
from models.search import find
from models.search_result import Result
from models.sequences import solved_class
from vision.case_data import permutation_data
from vision.cli import run
from vision.diagram_text import diagram_cells

pytestmark = pytest.mark.usefixtures("own_folders")


def outcome(capsys: pytest.CaptureFixture[str], *arguments: str) -> tuple[int, str, str]:
    status = run(arguments)
    out, err = capsys.readouterr()
    return status, out, err


def test_find_prints_what_it_proved_and_adds_to_the_library(capsys: pytest.CaptureFixture[str]) -> None:
    status, out, _ = outcome(
        capsys, "find", "e1-solved", "e0-sune", "par-solved-frlb", "--depth", "4", "--keep", "2", "--json",
        "--add",
    )  # fmt: skip
    assert status == 0
    found = {row["code"]: row for row in json.loads(out)}
    assert set(found) == {"e1-solved", "e0-sune", "par-solved-frlb"}
    for code, row in found.items():
        assert row["complete"] and "searched exhaustively" in row["proof"]
        for one in row["sequences"]:
            from models.notation import parse_moves

            assert solved_class(parse_moves(one["turns"]), 4)[0] == code
    assert found["e1-solved"]["sequences"][0]["core"] == "flip-one"
    status, out, _ = outcome(capsys, "sequence", "list")
    assert status == 0 and len(out.splitlines()) == sum(len(row["sequences"]) for row in found.values())
    assert all(line.split("\t")[0] in found for line in out.splitlines())


def test_find_with_layers_cores_and_effort(capsys: pytest.CaptureFixture[str]) -> None:
    status, out, _ = outcome(
        capsys, "find", "e3-sune-left", "--turns", "R U F", "--depth", "5", "--by", "effort", "--mirrored",
        "--inverted", "--angles", "--core", "flip-one", "--keep", "3",
    )  # fmt: skip
    assert status == 0
    assert "e3-sune-left" in out and "effort" in out and "R U F" in out


def test_the_readme_quotes_what_its_search_proves(capsys: pytest.CaptureFixture[str]) -> None:
    readme = (Path(__file__).parent.parent / "README.md").read_text()
    (command,) = re.findall(r"^lastlook (find .*)$", readme, re.MULTILINE)
    (quoted,) = re.findall(r'"(shortest: [^"]*)"', readme)
    assert " ".join(quoted.split()) in outcome(capsys, *shlex.split(command))[1]


@pytest.mark.parametrize("size", [2, 3, 4])
def test_the_odds_of_a_case_are_those_of_its_states(size: int, capsys: pytest.CaptureFixture[str]) -> None:
    codes = [*permutation_codes_for(size), *(codes_for(size) if size == 2 else codes_for(size)[:6])]
    for code in codes:
        out = outcome(capsys, "case", code, "--size", str(size))[1]
        states, total = re.findall(r"comes up in ([\d,]+) of ([\d,]+) ", out)[0]
        some, many = re.findall(r", (\w+) in (\d+)$", out, re.MULTILINE)[0]
        odds = Fraction(int(states.replace(",", "")), int(total.replace(",", "")))
        assert Fraction(1 if some == "one" else int(some), int(many)) == odds, code


def test_find_calls_shortest_what_no_other_share_of_turns_undercuts(
    capsys: pytest.CaptureFixture[str],
) -> None:
    """A finish of six turns and no setup: a search of 5 + 5 turns does not try it."""
    search_at = ["find", "e1-sune-left", "--turns", "R U F", "--depth"]
    (row,) = json.loads(outcome(capsys, *search_at, "6", "--json")[1])
    assert row["is_shortest"] and row["proof"].startswith("shortest: 6 setup and finish turns; ")
    out = outcome(capsys, *search_at, "5")[1]
    assert "shortest" not in out and "7 setup and finish turns, the fewest with at most 5 each; " in out
    assert out.endswith("; 1 of that length with at most 5 each\n")
    (row,) = json.loads(outcome(capsys, *search_at, "5", "--json")[1])
    assert not row["is_shortest"] and row["shortest"] == 7


def test_find_nothing_is_status_4(capsys: pytest.CaptureFixture[str]) -> None:
    status, out, err = outcome(capsys, "find", "e3-pi-back", "--depth", "1", "--turns", "R U")
    assert status == 4 and "none within 1+1" in out and err == ""


def test_find_all_is_filtered_by_edges(capsys: pytest.CaptureFixture[str]) -> None:
    status, out, _ = outcome(
        capsys, "find", "--all", "--edges", "e3", "--depth", "3", "--keep", "1", "--json"
    )
    assert status == 0
    assert {row["code"] for row in json.loads(out)} == {c for c in codes_for(4) if CASES[c].edges == "e3"}


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["find", "e0-sune", "--all"], "e0-sune and --all"),
        (["find", "e0-sune", "--core", "nosuch"], "--core: no core by name (flip-one, "),
        (["find", "e0-sune", "--turns", "R3"], "--turns R3: column 2: "),
        (["cases", "--permutations", "--edges", "e1"], "--edges chooses among orientation cases"),
        (["cases", "--permutations", "--corners", "sune"], "--corners chooses among orientation cases"),
        (["sequence", "list", "nosuch"], "unknown case 'nosuch'"),
        (["sequence", "add", "solved", ""], "case 'solved' needs no sequence"),
        (["sequence", "add", "solved", "U"], "case 'solved' needs no sequence"),
        (["sequence", "add", "e0-solved", ""], "case 'e0-solved' needs no sequence"),
    ],
)
def test_wrong_usage_names_what_is_wrong(
    arguments: list[str], words: str, capsys: pytest.CaptureFixture[str]
) -> None:
    status, out, err = outcome(capsys, *arguments)
    assert (status, out) == (2, "") and words in err and err.count("\n") == 1


def test_cases_counts_the_sequences_that_case_shows(capsys: pytest.CaptureFixture[str]) -> None:
    """A sequence that stands in two files is one."""
    for size in ("2", "4"):
        _, out, _ = outcome(capsys, "cases", "--corners", "sune", "--edges", "e0", "-n", size, "--json")
        (row,) = json.loads(out)
        found = json.loads(outcome(capsys, "case", "e0-sune", "-n", size, "--json")[1])
        shown = {one["turns"] for angle in found["angles"] for one in angle["sequences"]}
        assert row["sequences"] == len(shown)


def test_what_a_stopped_search_did_not_reach_is_named(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    def stopped(codes: list[str], **options: Any) -> Result:
        result = find(codes, **{**options, "depth": 4})
        result.complete = False
        return result

    monkeypatch.setattr(search, "find", stopped)
    wanted = ("e0-sune", "e1-solved", "par-solved-frlb", "e3-solved")
    status, out, _ = outcome(capsys, "find", *wanted)
    assert status == 1 and "stopped before the end" in out
    assert out.splitlines()[-1] == "not searched: e1-solved, e3-solved, par-solved-frlb"
    status, out, _ = outcome(capsys, "find", *wanted, "--json")
    rows = {row["code"]: row for row in json.loads(out)}
    assert status == 1 and set(rows) == set(wanted) and not any(row["complete"] for row in rows.values())
    for code in wanted[1:]:
        assert rows[code]["proof"] == "not searched" and rows[code].keys() == rows["e0-sune"].keys()


def test_what_a_stopped_search_did_not_prove_is_not_kept_as_proved(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    def stopped(codes: list[str], **options: Any) -> Result:
        result = find(codes, **{**options, "depth": 4, "keep": 1})
        result.complete, result.searched = False, 7 if "e0-sune" in codes else 6
        return result

    monkeypatch.setattr(search, "find", stopped)
    for code, proves in (("e0-antisune", False), ("e0-sune", True)):
        status, out, _ = outcome(capsys, "find", code, "--add")
        assert status == 1 and (" so far" in out) != proves and ("shortest: 7 turns" in out) == proves
    rows = json.loads(outcome(capsys, "sequence", "list", "--json")[1])
    assert [bool(row["proof"]) for row in rows] == [False, True]


@pytest.mark.parametrize(
    "arguments",
    [
        ["find"],
        ["find", "e1-nowhere"],
        ["find", "e1-sune-left", "--core", "R U R'"],
        ["find", "e1-sune-left", "--core", "Q"],
        ["find", "e1-sune-left", "--turns", "x"],
        ["find", "e1-sune-left", "--depth", "8"],
        ["find", "--all", "--edges", "e7"],
        ["find", "e0-sune", "--edges", "e0"],
        ["case", "e1-sune"],
        ["case", "e1-sune-left", "--size", "3"],
        ["case", "e1-sune-left", "--save", "case.txt"],
        ["cases", "--corners", "lune"],
        ["check", "R U Q"],
        ["sequence", "add", "e1-nowhere", "R"],
        ["sequence", "add", "e0-sune", "R U R'"],
        ["sequence", "remove", "e0-sune", "R U R'"],
        ["sequence", "import", "missing.txt"],
    ],
)
def test_what_is_wrong_is_said_in_one_line(arguments: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    status, out, err = outcome(capsys, *arguments)
    assert status in (1, 2) and out == ""
    assert err.startswith("lastlook: ") and err.count("\n") == 1 and "should not have happened" not in err


def test_check_says_what_is_solved_and_disturbed(capsys: pytest.CaptureFixture[str]) -> None:
    status, out, _ = outcome(capsys, "check", "R U R' U R U2 R'", "--json")
    found = json.loads(out)
    assert status == 0
    assert list(found) == [
        "size", "solves", "from", "preserves", "disturbs", "twist", "flip", "obtm", "etm", "effort",
    ]  # fmt: skip
    assert (found["size"], found["solves"], found["preserves"]) == (4, "e0-sune", True)
    status, out, _ = outcome(capsys, "check", "R U R'")
    assert status == 0 and "breaks FR pair" in out
    status, out, _ = outcome(capsys, "check", "Rw U2 Rw U2", "--size", "6", "--widen")
    assert status == 0 and "3Rw U2 3Rw U2" in out


def test_check_says_how_it_reads_a_middle_where_that_may_be_why(capsys: pytest.CaptureFixture[str]) -> None:
    assert "write 3L" in outcome(capsys, "check", "M", "--size", "5")[1]
    flips_two = "M' U M' U M' U2 M U M U M U2"
    status, out, _ = outcome(capsys, "check", flips_two, "--size", "5")
    assert status == 0 and "solves e2o-solved" in out and "write" not in out


def test_case_shows_cue_chance_relations_and_sequences(capsys: pytest.CaptureFixture[str]) -> None:
    status, out, _ = outcome(capsys, "case", "e1-headlights-left")
    assert status == 0
    for angle in range(4):
        assert CASES["e1-headlights-left"].cue_at(angle) in out
    assert "2,304 of 248,832" in out and "e1-headlights-right" in out and "OBTM" in out
    status, out, _ = outcome(capsys, "case", "e1-headlights-left", "--json")
    found = json.loads(out)
    assert found["states"] == 2304 and len(found["angles"]) == 4
    for angle, row in enumerate(found["angles"]):
        assert tuple(row["twist"]) == CASES["e1-headlights-left"].twist_at(angle)
        for one in row["sequences"]:
            home = (0, 1, 2, 3)
            state = LastLayer(4, home, tuple(row["twist"]), home, tuple(row["flip"]))
            assert state.then(LastLayer.after(f"{one['first']} {one['turns']}", 4)).is_oriented
    assert found["carried_over"]


@pytest.mark.parametrize("size", [2, 3, 4])
def test_an_arrangement_tells_where_its_pieces_go_and_how_often_it_comes_up(size: int) -> None:
    """Colours of the pieces tell where they belong; all classes together are all arrangements."""
    library, last = load_library(), size - 1
    seen = 0
    for code in permutation_codes_for(size):
        case = PERMUTATION_CASES[code]
        found = permutation_data(case, size, library)
        seen += found["states"]  # type: ignore[operator]
        shown = Cube.from_facelets(case.state(size).facelets()).letters()
        u, f, r, b, k = (shown[face] for face in "UFRBL")
        piece_at = {
            "UFR": u[last][last] + f[0][last] + r[0][0], "UFL": u[last][0] + f[0][0] + k[0][last],
            "UBL": u[0][0] + b[0][last] + k[0][0], "UBR": u[0][last] + b[0][0] + r[0][last],
        }  # fmt: skip
        if size > 2:
            sides = {"UF": u[last][1] + f[0][1], "UR": u[1][last] + r[0][1]}
            piece_at |= {**sides, "UB": u[0][1] + b[0][1], "UL": u[1][0] + k[0][1]}
        told: dict[str, str] = {}
        for cycle in found["moved"]:  # type: ignore[attr-defined]
            slots = cycle.split(" > ")
            told |= dict(zip(slots, [*slots[1:], slots[0]], strict=True))
        of = {frozenset(slot): slot for slot in piece_at}
        homes = {slot: of[frozenset(piece)] for slot, piece in piece_at.items()}
        assert told == {slot: home for slot, home in homes.items() if slot != home}, code
        assert found["of"] == {2: 24, 3: 288, 4: 576}[size]
    assert seen == found["of"]


@pytest.mark.parametrize(("code", "size"), [("e0-solved", 4), ("T", 3), ("par-solved-frlb", 4), ("e0-pi", 2)])
def test_every_kind_of_case_can_be_shown(code: str, size: int, capsys: pytest.CaptureFixture[str]) -> None:
    for extra in ([], ["--json"]):
        status, out, err = outcome(capsys, "case", code, "--size", str(size), *extra)
        assert status == 0 and code in out and err == ""


def test_case_saves_its_diagram(own_folders: Path, capsys: pytest.CaptureFixture[str]) -> None:
    import cv2

    for suffix in ("svg", "png"):
        path = own_folders / f"case.{suffix}"
        assert outcome(capsys, "case", "e3-t-back", "--save", str(path))[0] == 0
        assert path.stat().st_size > 500
    image = cv2.imread(str(own_folders / "case.png"))
    assert image.shape == (480, 480, 3) and image.std() > 20
    assert (own_folders / "case.svg").read_text().startswith("<svg ")


def test_cases_are_listed_and_filtered(capsys: pytest.CaptureFixture[str]) -> None:
    for size, count in ((2, 8), (3, 58), (4, 112)):
        status, out, _ = outcome(capsys, "cases", "--size", str(size), "--json")
        rows = json.loads(out)
        assert status == 0 and len(rows) == count
        assert sum(row["chance"] for row in rows) == pytest.approx(1)
        assert all(row["sequences"] for row in rows if row["code"] != "e0-solved")
    status, out, _ = outcome(capsys, "cases", "--edges", "e1", "--corners", "sune")
    assert [line.split()[0] for line in out.splitlines()] == [
        f"e1-sune-{where}" for where in ("front", "right", "back", "left")
    ]
    status, out, _ = outcome(capsys, "cases", "--permutations", "--json")
    assert len(json.loads(out)) == 44


@pytest.mark.parametrize(
    ("said", "meant"),
    [("E0-SUNE", "e0-sune"), ("sune", "e0-sune"), ("t", "T"), ("JB", "Jb"), ("e1 sune left", "e1-sune-left")],
)
def test_a_code_that_may_be_meant_is_named(said: str, meant: str, capsys: pytest.CaptureFixture[str]) -> None:
    lines = [["case", said], ["find", said], ["sequence", "list", said], ["sequence", "add", said, "R"]]
    for line in (*lines, *([["journal", "--case", said]] if meant.startswith("e") else [])):
        status, out, err = outcome(capsys, *line)
        assert (status, out) == (2, "") and f"(did you mean {meant}?)" in err and err.count("\n") == 1


def test_cases_of_several_families_are_listed(capsys: pytest.CaptureFixture[str]) -> None:
    line = ("cases", "--edges", "e1,e3", "--corners", "h,pi", "--json")
    rows = json.loads(outcome(capsys, *line)[1])
    each = [
        row["code"]
        for edges in ("e1", "e3")
        for corners in ("h", "pi")
        for row in json.loads(outcome(capsys, "cases", "--edges", edges, "--corners", corners, "--json")[1])
    ]
    assert sorted(row["code"] for row in rows) == sorted(each) and len(set(each)) == 12
    assert outcome(capsys, "cases", "--edges", "e1,e9")[0] == 2


def test_a_broken_file_of_the_users_own_is_reported_and_the_rest_works(
    own_folders: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = own_folders / "data"
    folder.mkdir()
    (folder / "library.toml").write_text('[[sequence]]\ncode = "e0-sune"\nturns = "R"\n')
    status, _, err = outcome(capsys, "sequence", "list")
    assert status == 0 and "library.toml:1: " in err
    assert outcome(capsys, "case", "e0-sune")[0] == 0
    (folder / "effort.toml").write_text("[turn]\nside = 'x'\n")
    status, _, err = outcome(capsys, "find", "e0-sune", "--depth", "4", "--keep", "1", "--by", "effort")
    assert status == 0 and "effort.toml:2: " in err
    (folder / "effort.toml").unlink()
    for text in ("core = 3\n", '[[core]]\nturns = "R"\n'):
        (folder / "cores.toml").write_text(text)
        status, _, err = outcome(capsys, "find", "e1-sune-left", "--depth", "1")
        assert status == 1 and "cores.toml:1: " in err and err.count("\n") == 1
    # what a core does is known where it is used
    good = '[[core]]\nname = "good"\nturns = "R U R\' U R U2 R\'"\n'
    for turns in ("R U R", "U x", "3Rw U 3Rw'"):
        (folder / "cores.toml").write_text(f'{good}[[core]]\nname="mine"\nturns="{turns}"\n')
        for more in ([], ["--mirrored", "--inverted", "--angles"]):
            line = ["find", "e0-antisune", "--size", "3", "--depth", "1", "--core"]
            status, out, err = outcome(capsys, *line, "mine", *more)
            assert status in (1, 2) and f"{folder / 'cores.toml'}:4: core mine" in err
            assert out == "" and err.count("\n") == 1
        assert outcome(capsys, *line, "good", "--inverted")[0] == 0


@pytest.mark.parametrize("width", [24, 40, 60, 61, 80, 200])
@pytest.mark.parametrize("code", ["e1-sune-left", "e0-h", "T"])
def test_a_terminal_of_any_width_breaks_lines_between_words(
    width: int, code: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """The same words in the same order as in a file, no line too long, and each diagram's rows together."""
    _, in_a_file, _ = outcome(capsys, "case", code)
    monkeypatch.setenv("FORCE_COLOR", "1")
    monkeypatch.setenv("COLUMNS", str(width))
    _, out, _ = outcome(capsys, "case", code)
    text = re.sub(r"\x1b\[[0-9;]*m", "", out)
    lines = text.splitlines()
    assert max(map(len, lines)) <= width and not any(line != line.rstrip() for line in lines)
    words = text.split("comes up")[1].split()
    assert words == in_a_file.split("comes up")[1].split()
    if code in CASES:
        marks = [number for number, line in enumerate(lines) if "▔" in line]
        cells = diagram_cells(CASES[code].twist, CASES[code].flip)
        assert lines[marks[0] - 3 : marks[0]][0].split()[:3] == cells[0]
        assert sum(line.count("▔") for line in lines) == CASES[code].angles
        assert all(all(lines[mark - row].strip() for row in range(4)) for mark in marks)


@pytest.mark.parametrize("width", [24, 40, 60, 61, 80, 200])
@pytest.mark.parametrize(
    "arguments",
    [
        ["find", "e1-sune-left", "e0-sune", "--turns", "R U F", "--depth", "4"],
        ["check", "R U R' U R U2 R'"],
        ["check", "R U R2 U2 F Rw x M E2 3Rw F2 R' D B2 U R2 F' L D2 R2 B"],
        ["cases", "--edges", "e1"],
        ["cases", "--permutations"],
    ],
)
def test_no_word_is_broken_in_a_narrow_terminal(
    width: int, arguments: list[str], monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    _, in_a_file, _ = outcome(capsys, *arguments)
    monkeypatch.setenv("FORCE_COLOR", "1")
    monkeypatch.setenv("COLUMNS", str(width))
    _, out, _ = outcome(capsys, *arguments)
    text = re.sub(r"\x1b\[[0-9;]*m", "", out)
    assert text.split() == in_a_file.split()
    assert max(map(len, text.splitlines())) <= width
    assert not any(line != line.rstrip() for line in text.splitlines())


def test_the_diagram_in_the_terminal_shows_where_the_top_colour_faces() -> None:
    """Every piece is one moon: full on top, else the half towards the side that the name's rule says."""
    for case in CASES.values():
        for angle in range(4):
            flat = [cell for row in diagram_cells(case.twist_at(angle), case.flip_at(angle)) for cell in row]
            assert flat.count("●") == case.twist.count(0) + case.flip.count(0)
            assert sum(flat.count(half) for half in "◐◑◒◓") == 8 - flat.count("●")
    # headlights in front: both front corners and the flipped edge show the top colour in front
    core = CASES["e1-headlights-front"]
    assert diagram_cells(core.twist, core.flip)[2] == ["◒", "◒", "◒"]
