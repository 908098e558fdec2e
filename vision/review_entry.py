"""What a review is about: a picture to be settled, a person's verdict on it, and the one who asks."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final, Literal, Protocol

from models.errors import UsageError
from vision.naming import USUAL, Naming

Rows = list[list[str | None]]
Seen = dict[str, Rows]
Place = tuple[str, int, int]
"""A sticker: face, row, column."""
FACE_WORDS: Final = {"U": "top face", "F": "front", "R": "right", "B": "back", "L": "left"}


def sticker_in_words(place: Place) -> str:
    """For instance "top face (U), row 1, sticker 3"."""
    face, row, column = place
    return f"{FACE_WORDS[face]} ({face}), row {row + 1}, sticker {column + 1}"


class StickerError(UsageError):
    """The stickers that a person gave cannot be; ``place`` is one of them that differs."""

    def __init__(self, text: str, place: Place) -> None:
        super().__init__(text)
        self.place = place


@dataclass(frozen=True)
class Entry:
    """A picture to be settled: its answer (JSON object), where its truth goes, and its cube's colours."""

    answer: Mapping[str, Any]
    picture: Path
    truth: Path
    naming: Naming = USUAL

    @property
    def size(self) -> int | None:
        """n as read, None where no cube was found."""
        return self.answer.get("size")

    @property
    def seen(self) -> Seen:
        """Colours as read of U and the top rows of the sides, None where not seen; U is always there."""
        size = self.size or 0
        told = self.answer.get("seen") or {}
        out: Seen = {"U": [list(row) for row in told.get("U", ())] or [[None] * size for _ in range(size)]}
        for face in "FRBL":
            if told.get(face):
                out[face] = [list(told[face][0])]
        return out

    @property
    def top(self) -> str | None:
        """Colour of the top face as read."""
        return (self.answer.get("top") or {}).get("colour")

    @property
    def names(self) -> set[str]:
        """The colours' names that the answer uses."""
        seen = {name for rows in self.seen.values() for row in rows for name in row if name is not None}
        return seen | ({self.top} if self.top is not None else set())

    @property
    def codes(self) -> list[str]:
        """The candidates' codes, best first."""
        return [str(one["code"]) for one in self.answer.get("candidates", ())]


@dataclass(frozen=True)
class Verdict:
    """What the person says. ``kind`` "code": ``code`` is the case; "stickers": ``seen`` are the colours of a
    cube of ``size``; "negative": ``negative`` says why there is no case; the others move in the queue."""

    kind: Literal["code", "stickers", "negative", "later", "back", "quit"]
    code: str = ""
    seen: Seen = field(default_factory=dict)
    size: int = 0
    negative: str = ""


class Prompt(Protocol):
    """Asks about one picture. ``place`` is (number, of how many); ``message`` what was wrong with the last
    verdict on it, or "", and ``sticker`` where. What was typed then is there to be mended."""

    def ask(
        self, entry: Entry, place: tuple[int, int], message: str, sticker: Place | None = None
    ) -> Verdict: ...

    def close(self) -> None: ...
