"""The journal on the terminal: everything that is needed can be read at any width."""

from __future__ import annotations

import io
import json
import re
import sys
from dataclasses import replace
from pathlib import Path

import pytest

from models.attempt import Attempt
from models.journal import Journal
from vision.cli import run

ATTEMPTS = (
    Attempt("2026-11-25T18:30:12.345Z", "", 4, "e1-headlights-right", 1,
            None, None, None, None, None, "lost", 0.97),
    Attempt("2026-11-26T07:05:00.000Z", "desk-cube of the club", 5, "e2a-antisune-front", 0,
            "Rw U2 x Rw U2 Rw U2 Rw' U2 Lw U2 Rw' U2 Rw U2 Rw' U2 Rw'", 1.25, 0.03, 12.5, None, "done", 0.99),
)  # fmt: skip


@pytest.mark.parametrize("width", [32, 40, 60, 80, 120, 200])
def test_a_narrow_terminal_shows_all_that_a_wide_one_does(
    width: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("LASTLOOK_JOURNAL", str(tmp_path / "journal.db"))
    with Journal(tmp_path / "journal.db") as journal:
        for k in range(12):
            journal.add(ATTEMPTS[k % 2])
    monkeypatch.setenv("COLUMNS", str(width))
    monkeypatch.setattr(sys.stdout, "isatty", lambda: True)
    assert run(["journal"]) == 0
    text = re.sub(r"\x1b\[[0-9;]*m", "", capsys.readouterr().out)
    assert max(map(len, text.splitlines())) <= width
    # the number is what 'journal forget' takes
    assert [int(n) for n in re.findall(r"^ *(\d+)  2026-11-2", text, re.MULTILINE)] == list(range(1, 13))
    words = " ".join(text.split())
    for one in ATTEMPTS:
        cube = f"{one.size}x{one.size}x{one.size} {one.cube}".strip()
        for told in (cube, one.case, one.result):
            assert words.count(told) >= 6, told
    assert "1.25 ± 0.03 s" in words and "12.50 s" in words and "…" not in text
    turns = [turn for turn in text.split() if turn in ("x", "Rw", "Rw'", "U2", "Lw")]
    assert " ".join(turns) == " ".join([ATTEMPTS[1].sequence or ""] * 6)


def test_looking_at_a_journal_that_is_not_there_makes_none(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("LASTLOOK_JOURNAL", str(tmp_path / "new" / "journal.db"))
    assert run(["journal"]) == 4
    assert "no attempts in the journal yet" in capsys.readouterr().out
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("chosen", "left"),
    [(["--all"], []), (["1"], [2, 3]), (["--case", "e2a-antisune-front"], [1, 3]),
     (["--before", "2026-11-26T00:00+00:00"], [2]),
     (["2", "3", "--before", "2026-11-26T00:00+00:00"], [1, 2])],
)  # fmt: skip
def test_what_cannot_be_brought_back_is_asked_about_first(
    chosen: list[str], left: list[int], tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys
) -> None:
    path = tmp_path / "journal.db"
    monkeypatch.setenv("LASTLOOK_JOURNAL", str(path))
    with Journal(path) as journal:
        for k in range(3):
            journal.add(ATTEMPTS[k % 2])

    def kept() -> list[int]:
        with Journal(path, to_read=True) as journal:
            return [row.id for row in journal.rows()]

    how_many = f"{3 - len(left)} attempt"
    monkeypatch.setattr(sys, "stdin", io.StringIO())  # nobody there to ask
    assert run(["journal", "forget", *chosen]) == 2
    told = capsys.readouterr()
    assert how_many in told.err and "--yes" in told.err and told.out == "" and kept() == [1, 2, 3]
    for answer, status, then in ("n\n", 1, [1, 2, 3]), ("y\n", 0, left):
        monkeypatch.setattr(sys, "stdin", io.StringIO(answer))
        monkeypatch.setattr(sys.stdin, "isatty", lambda: True)
        assert run(["journal", "forget", *chosen]) == status
        assert how_many in capsys.readouterr().out and kept() == then


def test_who_says_yes_is_not_asked(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("LASTLOOK_JOURNAL", str(tmp_path / "journal.db"))
    with Journal(tmp_path / "journal.db") as journal:
        journal.add(ATTEMPTS[0])
        monkeypatch.setattr(sys, "stdin", io.StringIO())
        assert run(["journal", "forget", "--all", "--yes"]) == 0 and len(journal) == 0
    assert capsys.readouterr().out == "1 attempt forgotten\n"


@pytest.mark.parametrize("width", [32, 60, 200])
def test_sums_are_told_at_any_width_and_handed_on(
    width: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("LASTLOOK_JOURNAL", str(tmp_path / "journal.db"))
    seen, turned = (1.5, 3.0, 0.25, 0.5, 0.75, 0.75), (20.0, 4.0, 4.0, 4.0, 6.0, 7.0)
    with Journal(tmp_path / "journal.db") as journal:
        journal.add(ATTEMPTS[0])
        for recognition_s, execution_s in zip(seen, turned, strict=True):
            journal.add(replace(ATTEMPTS[1], recognition_s=recognition_s, execution_s=execution_s))
    monkeypatch.setenv("COLUMNS", str(width))
    monkeypatch.setattr(sys.stdout, "isatty", lambda: True)
    assert run(["journal", "--by-case"]) == 0
    text = re.sub(r"\x1b\[[0-9;]*m", "", capsys.readouterr().out)
    assert max(map(len, text.splitlines())) <= width
    told = re.findall(r"e2a-antisune-front|\d+ of \d+|\d+\.\d\d", " ".join(text.split()))
    # the last five are all but the first
    assert told[told.index("e2a-antisune-front") :] == [
        "e2a-antisune-front", "6 of 6", "0.25", "1.12", "0.75", "1.05", "4.00", "7.50", "5.00", "5.00"
    ]  # fmt: skip
    assert "0 of 1" in " ".join(text.split())
    for form in ("--json", "--csv"):
        assert run(["journal", "--by-case", "--last", "6", form]) == 0
    line, heading, values = capsys.readouterr().out.splitlines()
    data = json.loads(line)
    assert (data["attempts"], data["recognition_best_s"], data["execution_recent_s"]) == (6, 0.25, 5.0)
    assert heading.split(",") == list(data) and values.split(",") == [str(value) for value in data.values()]
