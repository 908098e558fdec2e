"""One attempt as the journal keeps it: its columns, the table that holds them, and what they may be."""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass, fields
from datetime import UTC, datetime
from typing import Any, Final, Literal, get_args

SCHEMA_VERSION: Final = 1
"""Of the table; to be raised with any change of it."""

Result = Literal["done", "unfinished", "lost"]
RESULTS: Final[tuple[str, ...]] = get_args(Result)
"""done: the top face came to one colour; unfinished: given up or another case came up first; lost: the
cube left the picture and stayed away."""

TABLE: Final = (
    f"""CREATE TABLE attempt (
    id            INTEGER PRIMARY KEY AUTOINCREMENT,
    at            TEXT NOT NULL,
    cube          TEXT NOT NULL,
    size          INTEGER NOT NULL CHECK (size BETWEEN 2 AND 7),
    "case"        TEXT NOT NULL,
    angle         INTEGER NOT NULL CHECK (angle BETWEEN 0 AND 3),
    sequence      TEXT,
    recognition_s REAL CHECK (recognition_s IS NULL OR recognition_s >= 0),
    recognition_pm_s REAL CHECK (recognition_pm_s IS NULL OR recognition_pm_s >= 0),
    execution_s   REAL CHECK (execution_s IS NULL OR execution_s >= 0),
    execution_pm_s REAL CHECK (execution_pm_s IS NULL OR execution_pm_s >= 0),
    result        TEXT NOT NULL CHECK (result IN {RESULTS}),
    confidence    REAL NOT NULL CHECK (confidence BETWEEN 0 AND 1)
)""",
    'CREATE INDEX attempt_case ON attempt ("case")',
)
"""Made once, in a file that is empty."""


@dataclass(frozen=True, slots=True)
class Attempt:
    """One attempt, as it stands in the journal.

    ``at`` is when the case was settled, ISO 8601 in UTC to the millisecond; ``cube`` the profile's name
    ("" for none); ``case`` the code; ``angle`` the quarter turns from the case's own frame to how it lay;
    ``sequence`` what was on show. ``recognition_s`` runs from the settled case to the first turn,
    ``execution_s`` from there to one colour on top; each ``*_pm_s`` is the most that it can be off because
    of the frame rate. What was not reached is None. ``confidence`` is the case's probability, 0..1.
    """

    at: str
    cube: str
    size: int
    case: str
    angle: int
    sequence: str | None
    recognition_s: float | None
    recognition_pm_s: float | None
    execution_s: float | None
    execution_pm_s: float | None
    result: Result
    confidence: float

    def to_json_dict(self) -> dict[str, Any]:
        """Plain values in the order of the columns."""
        return asdict(self)


COLUMNS: Final = tuple(field.name for field in fields(Attempt))


@dataclass(frozen=True, slots=True)
class Row:
    """An attempt with the number under which the journal keeps it."""

    id: int
    attempt: Attempt

    def to_json_dict(self) -> dict[str, Any]:
        """``id`` first, then the attempt's columns."""
        return {"id": self.id, **self.attempt.to_json_dict()}


def utc_text(moment: datetime) -> str:
    """``moment`` as the journal writes it; raises ValueError for a time without a zone."""
    if moment.tzinfo is None:
        raise ValueError("a moment in the journal needs its time zone")
    return moment.astimezone(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def is_sound(row: tuple[Any, ...]) -> bool:
    """Whether a row holds what the table demands: SQLite checks that when writing, not in a damaged file."""
    _, at, cube, size, case, angle, sequence, *times, result, confidence = row
    texts = [at, cube, case, *([] if sequence is None else [sequence])]
    numbers = [confidence, *(time for time in times if time is not None)]
    return (
        all(isinstance(text, str) for text in texts)
        and all(isinstance(number, int) for number in (size, angle))
        and all(isinstance(number, float) and math.isfinite(number) for number in numbers)
        and result in RESULTS
    )
