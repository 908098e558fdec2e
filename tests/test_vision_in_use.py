"""Two runs never write one file of answers: the second is told, and what the first has is kept."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from models.errors import LastlookError
from vision.gather import Item
from vision.in_use import InUse
from vision.json_lines import read_lines
from vision.ledger import AnswerLog

ROOT = Path(__file__).parent.parent
ITEM = Item("a.jpg", "picture", 1, 1)
ANSWER = {"image": "a.jpg", "ok": True}


@pytest.mark.parametrize("resume", [False, True])
@pytest.mark.parametrize("answers", [0, 1])
def test_a_second_run_is_refused_and_costs_the_first_nothing(
    tmp_path: Path, resume: bool, answers: int
) -> None:
    out = tmp_path / "a.jsonl"
    with AnswerLog(out) as first:
        for _ in range(answers):
            first.write(ITEM, [ANSWER])
        with pytest.raises(LastlookError, match=r"a\.jsonl: another run"):
            AnswerLog(out, resume=resume)
        first.write(ITEM, [ANSWER])
    assert list(read_lines(out)) == [ANSWER] * (answers + 1)
    assert len(list(read_lines(first.ledger))) == answers + 1
    assert sorted(path.name for path in tmp_path.iterdir()) == ["a.jsonl", "a.jsonl.ledger"]
    with AnswerLog(out, resume=True) as later:
        assert later.remaining([ITEM]) == ([] if not answers else [ITEM])


def test_another_file_in_the_same_folder_is_free(tmp_path: Path) -> None:
    with AnswerLog(tmp_path / "a.jsonl"), AnswerLog(tmp_path / "b.jsonl"):
        pass


def test_a_run_that_does_not_begin_keeps_nothing_locked(tmp_path: Path) -> None:
    out = tmp_path / "a.jsonl"
    out.write_text('{"image": "a.jpg"}\n')
    for resume in (False, True):  # it holds answers; it has no ledger
        with pytest.raises(LastlookError):
            AnswerLog(out, resume=resume)
    assert [path.name for path in tmp_path.iterdir()] == ["a.jsonl"]


@pytest.mark.skipif(sys.platform == "win32", reason="locks outlive their process there")
def test_a_killed_run_locks_nothing_out(tmp_path: Path) -> None:
    out = tmp_path / "a.jsonl"
    code = (
        "import os, signal, sys; from pathlib import Path; from vision.ledger import AnswerLog;"
        "AnswerLog(Path(sys.argv[1])); os.kill(os.getpid(), signal.SIGKILL)"
    )
    assert subprocess.run([sys.executable, "-c", code, str(out)], cwd=ROOT).returncode < 0
    with AnswerLog(out, resume=True) as log:
        log.write(ITEM, [ANSWER])
    assert list(read_lines(out)) == [ANSWER]


def test_a_file_of_somebodys_with_the_name_of_the_lock_is_kept(tmp_path: Path) -> None:
    lock = tmp_path / "a.jsonl.lock"
    lock.write_text("mine")
    InUse(tmp_path / "a.jsonl").release()
    assert lock.read_text() == "mine"


@pytest.mark.skipif(sys.platform == "win32", reason="it is done otherwise there")
def test_a_lock_that_is_taken_away_while_it_is_waited_for_is_no_lock(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The run before ends between the opening of the file and its locking."""
    import fcntl

    path, lock = tmp_path / "a.jsonl", fcntl.flock
    ended: list[int] = []

    def flock(fd: int, how: int) -> None:
        if not ended:
            ended.append(fd)
            (tmp_path / "a.jsonl.lock").unlink()
        lock(fd, how)

    monkeypatch.setattr(fcntl, "flock", flock)
    mine = InUse(path)
    with pytest.raises(LastlookError):
        InUse(path)
    mine.release()
