"""The journal of practice: one row an attempt, in an SQLite file that outlives a crash.

The file is opened in write-ahead-log mode and each attempt is its own committed transaction
(https://www.sqlite.org/wal.html, "synchronous=FULL": a commit is on the disk before it returns), so a
crash or a power cut loses at most the attempt that was running. Where the file lies is the caller's
business: this module knows no platform folders.
"""

from __future__ import annotations

import os
import shutil
import sqlite3
import time
from collections.abc import Iterable, Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from tempfile import TemporaryDirectory
from types import TracebackType
from typing import Any, Final, Literal

from models.attempt import COLUMNS, SCHEMA_VERSION, TABLE, Attempt, Row, is_sound
from models.errors import LastlookError, UsageError

APPLICATION_ID: Final = 0x4C4C6A31  # "LLj1" in the file's header tells our files from others
_WAIT_S: Final = 5.0  # for others that hold the file
_NOTHING: Final = "file::memory:"
_CREATE: Final = (
    *TABLE,
    f"PRAGMA application_id = {APPLICATION_ID}",
    f"PRAGMA user_version = {SCHEMA_VERSION}",
)


class Journal:
    """An open journal. Use it in a ``with`` block; one thread at a time.

    With ``to_read`` it may lie where nothing can be written; one that is not there is empty, and is not made.

    Raises LastlookError where the file cannot be opened, is no journal, or was written by a later
    version. A file that is not a journal is never changed.
    """

    def __init__(self, path: Path, *, to_read: bool = False) -> None:
        self.path = path
        self._closing = ExitStack()
        try:
            with self._told("read" if to_read else "open"):
                if to_read:
                    self._db = self._connect(self._uri_to_read(), uri=True)
                    self._prepare_to_read()
                else:
                    path.parent.mkdir(parents=True, exist_ok=True)
                    self._db = self._connect(path)
                    self._prepare()
        except BaseException:
            self.close()
            raise

    def _connect(self, path: str | Path, *, uri: bool = False) -> sqlite3.Connection:
        database = sqlite3.connect(path, timeout=_WAIT_S, isolation_level=None, uri=uri)
        self._closing.callback(database.close)
        return database

    def _uri_to_read(self) -> str:
        """How SQLite opens the file that is there, or an empty journal (https://www.sqlite.org/uri.html).

        To read a file with a log, SQLite writes an index of the log beside it, or uses that of another
        program which has the file open (https://www.sqlite.org/wal.html, "Read-Only Databases"). Where
        neither can be, a copy is read.
        """
        real = Path(os.path.realpath(self.path))
        if not real.exists():
            return _NOTHING
        if os.access(real, os.W_OK) and os.access(real.parent, os.W_OK):
            return f"{real.as_uri()}?mode=rw"
        log, index = (real.with_name(real.name + end) for end in ("-wal", "-shm"))
        if index.exists() and log.exists():
            return f"{real.as_uri()}?mode=ro"
        copy = Path(self._closing.enter_context(TemporaryDirectory())) / real.name
        shutil.copyfile(real, copy)
        if log.exists():
            shutil.copyfile(log, copy.with_name(log.name))
        return f"{copy.as_uri()}?mode=rw"

    def _prepare_to_read(self) -> None:
        with self._transaction("DEFERRED"):
            version = self._version()
        if version == 0:
            self._db = self._connect(_NOTHING, uri=True)
            for statement in _CREATE:
                self._db.execute(statement)

    def _prepare(self) -> None:
        self._db.execute("PRAGMA synchronous = FULL")
        with self._transaction("DEFERRED"):
            version = self._version()
        if version == 0:
            with self._transaction():  # one of those that open it for the first time makes the table
                if self._version() == 0:
                    for statement in _CREATE:
                        self._db.execute(statement)
        self._log_ahead()

    def _log_ahead(self) -> None:
        """Write-ahead logging from here on. SQLite does not wait by itself for others that open the file."""
        give_up = time.monotonic() + _WAIT_S
        while True:
            try:
                self._db.execute("PRAGMA journal_mode = WAL")
                return
            except sqlite3.OperationalError as error:
                if "locked" not in str(error) or time.monotonic() > give_up:
                    raise
            time.sleep(0.005)

    def _version(self) -> int:
        """Version of the journal, 0 for an empty file; refuses all else. Call it in a transaction."""
        (version,) = self._db.execute("PRAGMA user_version").fetchone()
        (application,) = self._db.execute("PRAGMA application_id").fetchone()
        (tables,) = self._db.execute("SELECT count(*) FROM sqlite_master").fetchone()
        if (tables or application or version) and application != APPLICATION_ID:
            raise LastlookError(
                f"{self.path} is a database, but not a journal: move it away or name another file"
            )
        if version > SCHEMA_VERSION:
            raise LastlookError(
                f"{self.path} was written by a later version of lastlook (journal {version}, "
                f"this one reads {SCHEMA_VERSION}): update lastlook"
            )
        return int(version)

    def add(self, attempt: Attempt) -> int:
        """Write one attempt; it is on the disk when this returns. Returns its number."""
        names = ", ".join(f'"{name}"' for name in COLUMNS)
        marks = ", ".join("?" for _ in COLUMNS)
        values = [getattr(attempt, name) for name in COLUMNS]
        with self._told("write"):
            cursor = self._db.execute(f"INSERT INTO attempt ({names}) VALUES ({marks})", values)
        return int(cursor.lastrowid or 0)

    def rows(
        self, *, case: str | None = None, since: str | None = None, last: int | None = None
    ) -> list[Row]:
        """Attempts in the order of writing: of one ``case``, from the time ``since`` on (as text compares:
        "2026-11" is its first moment), only the ``last`` so many."""
        where, values = _where(case=case, since=since)
        names = ", ".join(f'"{name}"' for name in COLUMNS)
        query = f"SELECT id, {names} FROM attempt{where} ORDER BY id DESC"
        if last is not None:
            query += " LIMIT ?"
            values.append(min(last, 2**63 - 1))  # the largest number of SQLite
        with self._told("read"):
            found = self._db.execute(query, values).fetchall()
            if not all(map(is_sound, found)):
                raise sqlite3.DatabaseError("an attempt is malformed")
        return [Row(row[0], Attempt(*row[1:])) for row in reversed(found)]

    def __len__(self) -> int:
        with self._told("read"):
            return int(self._db.execute("SELECT count(*) FROM attempt").fetchone()[0])

    def forget(
        self,
        ids: Iterable[int] | None = None,
        *,
        case: str | None = None,
        before: str | None = None,
        everything: bool = False,
    ) -> int:
        """Delete attempts by number, by case and/or before a time, or all of them; returns how many.

        All or none of them go. Raises UsageError when no choice is given, or a number is not there.
        """
        numbers = None if ids is None else sorted(set(ids))
        if not everything and numbers is None and case is None and before is None:
            raise UsageError("nothing chosen to forget: give numbers, --case, --before or --all")
        with self._told("change"), self._transaction():
            if numbers is not None:
                known = {row[0] for row in self._db.execute("SELECT id FROM attempt")}
                missing = [number for number in numbers if number not in known]
                if missing:
                    raise UsageError(
                        f"no attempt {missing[0]} in the journal: `lastlook journal` shows the numbers"
                    )
            where, values = ("", []) if everything else _where(case=case, before=before)
            if numbers is None:
                gone = self._db.execute(f"DELETE FROM attempt{where}", values).rowcount
            else:
                joint = " AND" if where else " WHERE"
                gone = sum(
                    self._db.execute(f"DELETE FROM attempt{where}{joint} id = ?", [*values, number]).rowcount
                    for number in numbers
                )
        with self._told("change"):  # what was deleted shall not linger in the file's free pages
            self._db.execute("VACUUM")
            self._db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        return gone

    def close(self) -> None:
        """Close the file; closing twice does no harm."""
        self._closing.close()

    def __enter__(self) -> Journal:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    @contextmanager
    def _transaction(self, kind: Literal["IMMEDIATE", "DEFERRED"] = "IMMEDIATE") -> Iterator[None]:
        self._db.execute(f"BEGIN {kind}")
        try:
            yield
        except BaseException:
            self._db.execute("ROLLBACK")
            raise
        self._db.execute("COMMIT")

    @contextmanager
    def _told(self, doing: str) -> Iterator[None]:
        """Turn what SQLite and the file system say into the one line for the user."""
        try:
            yield
        except sqlite3.IntegrityError as error:
            raise ValueError(f"not an attempt that can be written: {error}") from error
        except (sqlite3.DatabaseError, UnicodeDecodeError) as error:
            # SQLite's words hold what is damaged, which may be no text
            text = str(error) if isinstance(error, sqlite3.Error) else "it is malformed"
            if "not a database" in text or "malformed" in text or "decode" in text:
                advice = "the file is damaged or no journal: move it away and a new one is begun"
            elif "locked" in text:
                advice = "another program holds it: close that and try again"
            elif doing == "read" and "unable to open" in text:
                advice = "check that you may read it, or name another file"
            elif "readonly" in text or "unable to open" in text:
                advice = "check that you may write there, or name another file"
            else:
                advice = "check the disk and try again"
            raise LastlookError(f"cannot {doing} the journal {self.path} ({text}): {advice}") from error
        except OSError as error:
            may = "that you may read" if doing == "read" else "where you may write"
            raise LastlookError(
                f"cannot {doing} the journal {self.path} ({error.strerror}): name a file {may}"
            ) from error


def _where(
    *, case: str | None = None, since: str | None = None, before: str | None = None
) -> tuple[str, list[Any]]:
    parts: list[str] = []
    values: list[Any] = []
    for condition, value in (('"case" = ?', case), ("at >= ?", since), ("at < ?", before)):
        if value is not None:
            parts.append(condition)
            values.append(value)
    return (" WHERE " + " AND ".join(parts) if parts else "", values)
