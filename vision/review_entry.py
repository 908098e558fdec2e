"""What a review is about: a picture to be settled, a person's verdict on it, and the one who asks."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final, Literal, Protocol

from models.cases import CASES
from models.errors import UsageError
from models.layer_tables import has_edges
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

    def lying(self, code: str) -> tuple[tuple[int, ...], tuple[int, ...]]:
        """Twist and flip of the case ``code`` (() for the flip of a 2x2x2), turned as it agrees best with
        where the top's colour was read; as it is named where no way does better, and in a mirror image."""
        case, read = CASES[code], [] if self.answer.get("mirrored") else self._pieces_read()

        def agrees(angle: int) -> int:
            ways = (*case.twist_at(angle), *case.flip_at(angle))
            return sum((way == ways[piece]) is shows for piece, way, shows in read)

        angle = max(range(4), key=agrees)
        return case.twist_at(angle), case.flip_at(angle) if has_edges(self.size or 4) else ()

    def _pieces_read(self) -> list[tuple[int, int, bool]]:
        """(piece, way, shows) of the last layer's stickers that were read: whether one has the top's colour,
        as it has where its piece (corners 0..3, then edges 4..7) has that twist or flip."""
        n, top = self.size or 0, self.top
        if n < 2:
            return []
        shapes = {"U": [n] * n}
        seen = {f: rows for f, rows in self.seen.items() if [len(row) for row in rows] == shapes.get(f, [n])}
        last, middle = n - 1, n // 2
        places = [
            (0, 0, "U", last, last), (0, 1, "R", 0, 0), (0, 2, "F", 0, last),
            (1, 0, "U", last, 0), (1, 1, "F", 0, 0), (1, 2, "L", 0, last),
            (2, 0, "U", 0, 0), (2, 1, "L", 0, 0), (2, 2, "B", 0, last),
            (3, 0, "U", 0, last), (3, 1, "B", 0, 0), (3, 2, "R", 0, last),
        ]  # fmt: skip
        if has_edges(n):
            on_top = ((last, middle), (middle, last), (0, middle), (middle, 0))
            for k, (side, place) in enumerate(zip("FRBL", on_top, strict=True), 4):
                places += [(k, 0, "U", *place), (k, 1, side, 0, middle)]
        read = [(k, way, seen[face][row][col]) for k, way, face, row, col in places if face in seen]
        return [(k, way, name == top) for k, way, name in read if name is not None]

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
