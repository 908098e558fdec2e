"""``lastlook apply``: the documented JSON, the net, and one line for every wrong call."""

from __future__ import annotations

import json

import pytest

from models.cube import Cube
from vision.cli import run


def test_json_is_as_documented(capsys: pytest.CaptureFixture[str]) -> None:
    """The picture of R U was worked out on paper; faces as printed, U with B above, D with F above."""
    assert run(["apply", "R U", "--size", "3", "--json"]) == 0
    assert json.loads(capsys.readouterr().out) == {
        "size": 3,
        "facelets": {
            "U": [list("UUU"), list("UUU"), list("FFF")], "R": [list("UBB"), list("RRR"), list("RRR")],
            "F": [list("RRR"), list("FFD"), list("FFD")], "D": [list("DDB"), list("DDB"), list("DDB")],
            "L": [list("FFD"), list("LLL"), list("LLL")], "B": [list("LLL"), list("UBB"), list("UBB")],
        },
    }  # fmt: skip


@pytest.mark.parametrize("size", range(2, 8))
def test_the_net_shows_every_sticker_where_it_belongs(size: int, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["apply", "R U2 F'", "-n", str(size)]) == 0
    lines = capsys.readouterr().out.split("\n\n", 1)[1].rstrip("\n").split("\n")
    rows = {f: ["".join(r) for r in g] for f, g in Cube.solved(size).apply("R U2 F'").letters().items()}
    assert [line.replace(" ", "") for line in lines if line.strip()] == [
        *rows["U"], *("".join(rows[f][i] for f in "LFRB") for i in range(size)), *rows["D"],
    ]  # fmt: skip
    column = len(lines[0]) - len(lines[0].lstrip())
    assert lines[size + 1][column] == rows["F"][0][0]  # U stands over F


def test_the_head_counts_the_turns_and_names_the_case(capsys: pytest.CaptureFixture[str]) -> None:
    """17 turns and one rotation, one flipped edge: the parity core (common practice, no source)."""
    assert run(["apply", "r U2 x r U2 r U2 r' U2 l U2 r' U2 r U2 r' U2 r'"]) == 0
    head = capsys.readouterr().out.splitlines()[:2]
    assert head[0] == "Rw U2 x Rw U2 Rw U2 Rw' U2 Lw U2 Rw' U2 Rw U2 Rw' U2 Rw'"
    assert head[1].startswith("4x4x4, 17 OBTM, 18 ETM; last layer e1-")


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["R U Q"], "column 5: 'Q'"),
        (["Rw", "--size", "2"], "column 1: 'Rw' needs a cube of 3 layers or more"),
        (["R", "--size", "9"], "--size"),
        (["R", "--size", "x"], "--size"),
        ([], "moves"),
    ],
)
def test_a_wrong_call_gets_one_line_and_status_2(
    arguments: list[str], says: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(["apply", *arguments]) == 2
    captured = capsys.readouterr()
    assert captured.out == "" and captured.err.count("\n") == 1
    assert says in captured.err.replace("MOVES", "moves")
