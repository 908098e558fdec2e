"""The journal on the terminal: everything that is needed can be read at any width."""

from __future__ import annotations

import re
import sys
from pathlib import Path

import pytest

from models.journal import Attempt, Journal
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
    assert run(["journal"]) == 0
    assert "no attempts in the journal yet" in capsys.readouterr().out
    assert list(tmp_path.iterdir()) == []
