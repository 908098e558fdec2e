"""The journal keeps what was written, survives a kill, and leaves files alone that are not its own."""

from __future__ import annotations

import json
import os
import shutil
import signal
import sqlite3
import subprocess
import sys
import tempfile
import textwrap
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing, contextmanager
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path
from threading import Barrier

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

import models.journal
from models.attempt import RESULTS, SCHEMA_VERSION, Attempt, utc_text
from models.errors import LastlookError, UsageError
from models.journal import Journal

seconds = st.one_of(st.none(), st.floats(0, 1e6, allow_nan=False))
attempts = st.builds(
    Attempt,
    at=st.datetimes(timezones=st.just(UTC)).map(utc_text),
    cube=st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\0"), max_size=20),
    size=st.integers(2, 7),
    case=st.sampled_from(["e1-headlights-left", "e0-sune", "e2o-h-front"]),
    angle=st.integers(0, 3),
    sequence=st.one_of(st.none(), st.just("Rw U2 x Rw U2 Rw U2 Rw' U2 Lw U2 Rw' U2 Rw U2 Rw' U2 Rw'")),
    recognition_s=seconds,
    recognition_pm_s=seconds,
    execution_s=seconds,
    execution_pm_s=seconds,
    result=st.sampled_from(RESULTS),
    confidence=st.floats(0, 1),
)


def an_attempt(case: str = "e0-sune", at: str = "2026-11-25T12:00:00.000Z") -> Attempt:
    return Attempt(at, "big", 4, case, 1, "R U R'", 1.25, 0.02, 3.5, 0.02, "done", 0.997)


@settings(max_examples=25, suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
@given(st.lists(attempts, max_size=6))
def test_what_goes_in_comes_out_after_reopening(tmp_path: Path, written: list[Attempt]) -> None:
    path = tmp_path / f"{os.urandom(8).hex()}.db"
    with Journal(path) as journal:
        numbers = [journal.add(one) for one in written]
    with Journal(path) as journal:
        rows = journal.rows()
    assert [row.attempt for row in rows] == written
    assert [row.id for row in rows] == numbers == sorted(set(numbers))
    data = [json.loads(json.dumps(row.to_json_dict())) for row in rows]
    assert [one["case"] for one in data] == [one.case for one in written]


def test_file_is_in_wal_mode_and_passes_sqlites_own_check(tmp_path: Path) -> None:
    """Source: https://www.sqlite.org/pragma.html (journal_mode, integrity_check)."""
    path = tmp_path / "j.db"
    with Journal(path) as journal:
        journal.add(an_attempt())
        other = sqlite3.connect(path)
        assert other.execute("PRAGMA journal_mode").fetchone() == ("wal",)
        assert other.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        assert other.execute('SELECT "case", angle FROM attempt').fetchall() == [("e0-sune", 1)]
        other.close()


def test_a_killed_writer_loses_nothing_that_was_added(tmp_path: Path) -> None:
    path = tmp_path / "j.db"
    script = textwrap.dedent(
        f"""
        from pathlib import Path
        from models.attempt import Attempt
        from models.journal import Journal
        journal = Journal(Path({str(path)!r}))
        while True:
            number = journal.add(Attempt("2026-11-25T12:00:00.000Z", "", 4, "e0-sune", 0, None, 1.0, 0.1,
                                         None, None, "unfinished", 1.0))
            print(number, flush=True)
        """
    )
    child = subprocess.Popen([sys.executable, "-c", script], stdout=subprocess.PIPE, text=True)
    assert child.stdout is not None
    confirmed = [int(child.stdout.readline()) for _ in range(20)][-1]
    child.send_signal(signal.SIGKILL)
    confirmed = max([confirmed, *[int(line) for line in child.stdout.read().split("\n")[:-1]]])
    child.wait()
    child.stdout.close()
    with Journal(path) as journal:
        assert [row.id for row in journal.rows()][:confirmed] == list(range(1, confirmed + 1))
        assert len(journal) - confirmed in (0, 1)


def test_several_may_open_it_for_the_first_time_at_once(tmp_path: Path) -> None:
    """Each of them finds a journal and writes into it, whoever made the table."""

    def write(path: Path, ready: Barrier) -> None:
        ready.wait()
        with Journal(path) as journal:
            journal.add(an_attempt())

    with ThreadPoolExecutor(4) as pool:
        for path in [tmp_path / f"{i}.db" for i in range(20)]:
            ready = Barrier(4)
            for writer in [pool.submit(write, path, ready) for _ in range(4)]:
                writer.result()
            with Journal(path) as journal:
                assert [row.id for row in journal.rows()] == [1, 2, 3, 4]


def test_choosing_and_forgetting(tmp_path: Path) -> None:
    with Journal(tmp_path / "deep" / "down" / "j.db") as journal:
        for day in range(1, 7):
            journal.add(an_attempt("e0-sune" if day % 2 else "e1-t-left", f"2026-11-{day:02}T08:00:00.000Z"))
        assert [row.id for row in journal.rows(case="e0-sune")] == [1, 3, 5]
        assert [row.id for row in journal.rows(since="2026-11-04", last=2)] == [5, 6]
        assert len(journal.rows(last=10**20)) == 6
        with pytest.raises(UsageError, match="nothing chosen"):
            journal.forget()
        with pytest.raises(UsageError, match="no attempt 99"):
            journal.forget([1, 99])
        assert len(journal) == 6, "a refused request deletes nothing"
        assert journal.forget([2]) == 1
        assert journal.forget(case="e0-sune", before="2026-11-03T09") == 2
        assert [row.id for row in journal.rows()] == [4, 5, 6]
        assert journal.forget(everything=True) == 3
        assert journal.add(an_attempt()) == 7, "numbers are never given twice"


def test_a_moment_is_since_itself_and_not_before_itself(tmp_path: Path) -> None:
    """What is seen since a moment is what stays when all before it is forgotten."""
    days = [f"2026-11-{day:02}T08:00:00.000Z" for day in range(1, 6)]
    with Journal(tmp_path / "j.db") as journal:
        for at in days:
            journal.add(an_attempt(at=at))
        seen = journal.rows(since=days[2])
        assert [row.attempt.at for row in seen] == days[2:]
        assert journal.forget(before=days[2]) == 2
        assert journal.rows() == seen


@pytest.fixture
def open_folder() -> Iterator[Path]:
    """A folder that every user may enter; pytest's own are shut to all but its user."""
    folder = Path(tempfile.mkdtemp())
    folder.chmod(0o755)
    yield folder
    for inside in folder.iterdir():
        if inside.is_dir():
            inside.chmod(0o755)
    shutil.rmtree(folder)


@contextmanager
def as_somebody() -> Iterator[None]:
    """Without the rights of root, who may write everywhere."""
    root = os.geteuid() == 0
    if root:
        os.setresuid(65534, 65534, 0)
    try:
        yield
    finally:
        if root:
            os.setresuid(0, 0, 0)


@pytest.mark.skipif(not hasattr(os, "setresuid"), reason="folders that are shut by their permissions")
@pytest.mark.parametrize("beside", [(), ("-wal",), ("-wal", "-shm")], ids=" ".join)
@pytest.mark.parametrize("shut", ["file", "folder", "both"])
def test_it_can_be_read_where_nothing_can_be_written(
    beside: tuple[str, ...], shut: str, open_folder: Path
) -> None:
    """What a killed program, or one that still runs, has left in the log beside it counts as well."""
    source, folder = open_folder / "source.db", open_folder / "mine"
    folder.mkdir()
    with Journal(source) as writer:
        writer.add(an_attempt())
        if not beside:
            writer.close()
        for end in ("", *beside):
            shutil.copy(f"{source}{end}", folder / f"j.db{end}")
    for file in folder.iterdir():
        file.chmod(0o666 if shut == "folder" else 0o444)
    folder.chmod(0o777 if shut == "file" else 0o555)
    before = {file.name: file.read_bytes() for file in folder.iterdir()}
    with as_somebody(), Journal(folder / "j.db", to_read=True) as journal:
        assert [row.attempt for row in journal.rows()] == [an_attempt()]
    after = {file.name: file.read_bytes() for file in folder.iterdir()}
    assert set(after) == set(before) and after["j.db"] == before["j.db"]


@pytest.mark.skipif(not hasattr(os, "setresuid"), reason="files that are shut by their permissions")
def test_one_that_cannot_be_read_is_one_line(open_folder: Path) -> None:
    path = open_folder / "j.db"
    Journal(path).close()
    path.chmod(0)
    with as_somebody(), pytest.raises(LastlookError, match="that you may read") as caught:
        Journal(path, to_read=True)
    assert "\n" not in str(caught.value) and str(path) in str(caught.value)


def test_reading_makes_no_journal(tmp_path: Path) -> None:
    (tmp_path / "empty.db").touch()
    for path in (tmp_path / "empty.db", tmp_path / "none" / "j.db"):
        with Journal(path, to_read=True) as journal:
            assert journal.rows() == [] and len(journal) == 0
    assert [(one.name, one.stat().st_size) for one in tmp_path.iterdir()] == [("empty.db", 0)]


def test_what_is_read_while_another_writes_is_what_it_has_written(tmp_path: Path) -> None:
    with Journal(tmp_path / "j.db") as writer, Journal(tmp_path / "j.db", to_read=True) as reader:
        for count in (1, 2):
            writer.add(an_attempt())
            assert len(reader) == count


def test_forgotten_rows_leave_no_trace_in_the_file(tmp_path: Path) -> None:
    path = tmp_path / "j.db"
    with Journal(path) as journal:
        journal.add(Attempt(**{**an_attempt().to_json_dict(), "cube": "a-name-to-forget"}))
        journal.forget([1])
    assert not any(b"a-name-to-forget" in file.read_bytes() for file in tmp_path.iterdir())


@pytest.mark.parametrize(
    "field, value",
    [("size", 9), ("angle", 4), ("confidence", 1.5), ("recognition_s", -1.0), ("result", "won")],
)
def test_impossible_values_are_refused(tmp_path: Path, field: str, value: object) -> None:
    with Journal(tmp_path / "j.db") as journal, pytest.raises(ValueError):
        journal.add(Attempt(**{**an_attempt().to_json_dict(), field: value}))


def test_foreign_and_broken_files_are_named_and_left_alone(tmp_path: Path) -> None:
    text = tmp_path / "notes.db"
    text.write_bytes(b"these are my notes, not a database, and they are long enough to look at" * 20)
    foreign = tmp_path / "foreign.db"
    with sqlite3.connect(foreign) as db:
        db.execute("CREATE TABLE birds (name TEXT)")
    db.close()
    for path in (text, foreign):
        before = path.read_bytes()
        with pytest.raises(LastlookError, match="journal") as caught:
            Journal(path)
        assert "\n" not in str(caught.value) and str(path) in str(caught.value)
        assert path.read_bytes() == before


@pytest.mark.parametrize(
    ("column", "value"),
    [("at", None), ("case", b"\xff"), ("size", "four"), ("execution_s", float("inf")), ("result", "won"),
     ("confidence", None), ("sequence", b"R U"), ("recognition_s", "soon")],
)  # fmt: skip
def test_a_damaged_attempt_is_one_line(tmp_path: Path, column: str, value: object) -> None:
    """Values that SQLite itself would not have taken, as damage leaves them."""
    path = tmp_path / "j.db"
    with Journal(path) as journal:
        journal.add(an_attempt())
    with closing(sqlite3.connect(path)) as database:
        database.execute("PRAGMA writable_schema = 1")
        bare = "replace(replace(sql, 'NOT NULL', ''), 'CHECK (', 'CHECK (1 OR ')"
        database.execute(f"UPDATE sqlite_master SET sql = {bare} WHERE type = 'table'")
        database.commit()
    with closing(sqlite3.connect(path)) as database:
        database.execute(f'UPDATE attempt SET "{column}" = ?', (value,))
        database.commit()
    with Journal(path, to_read=True) as journal, pytest.raises(LastlookError, match=r"damaged.*move it away"):
        journal.rows()


def test_damage_that_is_no_text_is_one_line(tmp_path: Path) -> None:
    """SQLite tells of it in the very bytes that it found."""
    path = tmp_path / "j.db"
    with Journal(path) as journal:
        journal.add(an_attempt())
    whole = path.read_bytes()
    path.write_bytes(whole.replace(b"tableattemptattempt", b"tableatt\xffmptattempt"))
    assert path.read_bytes() != whole
    for to_read in (False, True):
        with pytest.raises(LastlookError, match=r"damaged.*move it away"):
            Journal(path, to_read=to_read)


@pytest.mark.parametrize("version", [SCHEMA_VERSION + 1, 99])
def test_a_later_version_is_not_touched(version: int, tmp_path: Path) -> None:
    path = tmp_path / "j.db"
    Journal(path).close()
    db = sqlite3.connect(path)
    db.execute(f"PRAGMA user_version = {version}")
    db.close()
    with pytest.raises(LastlookError, match="later version"):
        Journal(path)


def test_a_folder_in_the_way_is_one_line(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("x")
    for path in (tmp_path, tmp_path / "file" / "j.db"):
        with pytest.raises(LastlookError) as caught:
            Journal(path)
        assert "\n" not in str(caught.value)


def test_times_are_kept_in_utc() -> None:
    """Source: ISO 8601, section on UTC designators; 01:30 at +02:00 is 23:30 Z of the day before."""
    moment = datetime(2026, 11, 25, 1, 30, tzinfo=timezone(timedelta(hours=2)))
    assert utc_text(moment) == "2026-11-24T23:30:00.000Z"
    with pytest.raises(ValueError):
        utc_text(datetime(2026, 11, 25))


def test_the_table_is_made_whole_or_not_at_all(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A fault half way through making it leaves a file that the next one can begin."""
    path = tmp_path / "j.db"
    with monkeypatch.context() as broken:
        broken.setattr(models.journal, "_CREATE", (*models.journal._CREATE[:1], "CREATE nothing"))
        with pytest.raises(LastlookError):
            Journal(path)
    with sqlite3.connect(path) as file:
        assert file.execute("SELECT count(*) FROM sqlite_master").fetchone() == (0,)
    file.close()
    with Journal(path) as journal:
        journal.add(an_attempt())
        assert len(journal.rows()) == 1
