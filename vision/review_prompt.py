"""Asking about a picture in the terminal: candidates as small diagrams of letters, verdicts typed."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from typing import Final, TextIO

from models.cases import CASES
from vision.naming import NOT_SEEN, USUAL, Naming
from vision.review_entry import Entry, Place, Rows, Seen, Verdict

KEYS_IN_WORDS: Final = (
    "number or code: this case · s: type the stickers · n: no cube · h: top hidden · l: not at the last layer"
    " · Enter: later · b: back · q: quit"
)
_SIDE_PLACES: Final = {"F": (1, 0), "R": (0, 1), "B": (-1, 0), "L": (0, -1)}
_CORNERS: Final = (((3, 3), "R", "F"), ((3, 1), "F", "L"), ((1, 1), "L", "B"), ((1, 3), "B", "R"))
_EDGES: Final = (((3, 2), "F"), ((2, 3), "R"), ((1, 2), "B"), ((2, 1), "L"))


def text_diagram(twist: Sequence[int], flip: Sequence[int]) -> list[str]:
    """A case in five lines of nine characters: ● where the top colour shows, ○ on top where it does not.

    The inner 3 x 3 is the top face with the front below; the rim shows the sides' top row. Without ``flip``
    it is a 2x2x2, which has neither edges nor a middle.
    """
    cells = [[" "] * 5 for _ in range(5)]
    if flip:
        cells[2][2] = "●"
    pieces = [
        (place, (None, *sides)[turned]) for (place, *sides), turned in zip(_CORNERS, twist, strict=True)
    ]
    pieces += [
        (place, side if flipped else None) for (place, side), flipped in zip(_EDGES, flip, strict=False)
    ]
    for (row, col), side in pieces:
        cells[row][col] = "●" if side is None else "○"
        if side is not None:
            down, right = _SIDE_PLACES[side]
            cells[row + down][col + right] = "●"
    return [" ".join(row) for row in cells]


def _unlike(naming: Naming) -> str:
    """The keys that are not how their colour's name begins, in brackets; "" for none."""
    told = [f"{key} {name}" for key, name in naming.keys.items() if not name.lower().startswith(key)]
    return f" ({', '.join(told)})" if told else ""


class TerminalPrompt:
    """Asks on ``out`` and reads lines with ``read`` (the terminal by default)."""

    def __init__(self, out: TextIO | None = None, read: object = None) -> None:
        self._out = out or sys.stderr
        self._read = read if callable(read) else self._line
        self._typed: tuple[Entry, Verdict] | None = None

    def _line(self, question: str) -> str:
        self._out.write(question)
        self._out.flush()
        line = sys.stdin.readline()
        if not line:
            raise EOFError
        return line.rstrip("\n")

    def close(self) -> None:
        """Nothing to put away."""

    def ask(
        self, entry: Entry, place: tuple[int, int], message: str, sticker: Place | None = None
    ) -> Verdict:
        """Show the picture's name, what was read and the candidates, and take a verdict.

        Asked again about the same picture, the stickers typed before are there to be kept.
        """
        say = self._out.write
        if not message:
            self._typed = None
        codes = entry.codes[:9]
        if message:
            say(f"! {message}\n")
        else:
            say(f"\n{place[0]} of {place[1]}: {entry.picture} ({entry.answer.get('reason') or 'named'})\n")
            if entry.size:
                say(f"{entry.size}x{entry.size}x{entry.size}, as read{_unlike(entry.naming)}:\n")
                for face, rows in entry.seen.items():
                    say(f"  {face}: {rows_text(rows, entry.naming)}\n")
            self._show(codes, entry)
            say(KEYS_IN_WORDS + "\n")
        while True:
            verdict = self._verdict(str(self._read("> ")).strip(), entry, codes)
            if verdict is not None:
                return verdict

    def _show(self, codes: Sequence[str], entry: Entry) -> None:
        for first in range(0, len(codes), 3):
            group = codes[first : first + 3]
            heads = [f"{first + i + 1}  {code}" for i, code in enumerate(group)]
            self._out.write("  ".join(head.ljust(28) for head in heads).rstrip() + "\n")
            drawn = [text_diagram(*entry.lying(code)) for code in group if code in CASES]
            for lines in zip(*drawn, strict=True):
                self._out.write("  ".join(f"   {line}".ljust(28) for line in lines).rstrip() + "\n")

    def _verdict(self, text: str, entry: Entry, codes: Sequence[str]) -> Verdict | None:
        moves = {"": "later", "b": "back", "q": "quit"}
        if text in moves:
            return Verdict(moves[text])  # type: ignore[arg-type]
        if text in ("n", "h", "l"):
            negative = {"n": "no_cube", "h": "occluded_top", "l": "not_last_layer"}[text]
            return Verdict("negative", negative=negative)
        if text.isdecimal() and 1 <= int(text) <= len(codes):
            return Verdict("code", code=codes[int(text) - 1])
        if text in CASES:
            return Verdict("code", code=text)
        if text == "s":
            return self._stickers(entry)
        self._out.write(f"{text!r} is no choice. {KEYS_IN_WORDS}\n")
        return None

    def _stickers(self, entry: Entry) -> Verdict | None:
        """Rows as letters, one face a line; an empty line keeps what was read, or typed before."""
        say = self._out.write
        before = entry.seen if entry.size else {}
        size = entry.size or 0
        if self._typed is not None and self._typed[0] is entry:
            before, size = self._typed[1].seen, self._typed[1].size
        while not size:
            typed = str(self._read("layers of the cube, 2 to 7: ")).strip()
            size = int(typed) if typed.isdecimal() and 2 <= int(typed) <= 7 else 0
        say(
            f"Letters: {entry.naming.keys_in_words}; . for not seen. Rows of U from the back parted by"
            " spaces, of a side its top row. Enter keeps, - means the side is not seen.\n"
        )
        seen: Seen = {}
        for face in "UFRBL":
            rows = before.get(face)
            while True:
                kept = f" [{rows_text(rows, entry.naming)}]" if rows else ""
                typed = str(self._read(f"  {face}{kept}: ")).strip().lower()
                if not typed and rows:
                    seen[face] = rows
                    break
                if face != "U" and typed in ("", "-"):
                    break
                parsed = parse_rows(typed, size, size if face == "U" else 1, entry.naming)
                if isinstance(parsed, str):
                    say(f"  {parsed}\n")
                    continue
                seen[face] = parsed
                break
        verdict = Verdict("stickers", seen=seen, size=size)
        self._typed = entry, verdict
        return verdict


def rows_text(rows: Rows, naming: Naming = USUAL) -> str:
    """Rows as letters, ``.`` for a sticker that was not seen."""
    return " ".join("".join("." if name is None else naming.key_of[name] for name in row) for row in rows)


def parse_rows(text: str, size: int, count: int, naming: Naming = USUAL) -> Rows | str:
    """Rows of colour names out of letters, or what is wrong with them in words."""
    letters = text.replace(" ", "")
    wrong = next((letter for letter in letters if letter not in (*naming.keys, *NOT_SEEN)), None)
    if wrong is not None:
        return f"{wrong!r} is none of {' '.join(naming.keys)} and ."
    if len(letters) != size * count:
        return f"{len(letters)} letters, but {count} row{'s' * (count > 1)} of {size} are {size * count}"
    names = [naming.keys.get(letter) for letter in letters]
    return [names[r * size : (r + 1) * size] for r in range(count)]
