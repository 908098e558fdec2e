"""TOML files that a person writes: read within bounds, block by block, each with the line where it stands.

A file of ``[[name]]`` blocks is read block by block, so that one block that is no TOML spoils nothing but
itself. Lines are counted from 1, as an editor counts them.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Collection, Iterator, Sequence
from contextlib import nullcontext
from functools import cached_property
from itertools import pairwise
from pathlib import Path
from typing import Any, BinaryIO

from models.errors import LastlookError

MAX_FILE_BYTES = 8 << 20
MAX_LINES = 500
_QUOTES = ('"""', "'''")


class FileError(LastlookError):
    """A user's file cannot be read; ``reason`` says why and what to do, without its name."""

    def __init__(self, path: Path, reason: str) -> None:
        self.reason = reason
        super().__init__(f"{path}: {reason}")


def read_text(path: Path, stream: BinaryIO | None = None) -> str:
    """Text of a user's file, or of ``stream`` instead, lines ended by "\\n", without a byte order mark.

    Raises ``FileError``, also over MAX_FILE_BYTES.
    """
    try:
        with nullcontext(stream) if stream else path.open("rb") as file:
            data = file.read(MAX_FILE_BYTES + 1)
        text = data.decode("utf-8").removeprefix("\ufeff")
    except UnicodeDecodeError as error:
        raise FileError(path, f"is not UTF-8 text (byte {error.start}); save it as UTF-8") from error
    except OSError as error:
        raise FileError(
            path, f"cannot be read ({error.strerror}); see that it is a file you may read"
        ) from error
    if len(data) > MAX_FILE_BYTES:
        raise FileError(path, f"larger than {MAX_FILE_BYTES >> 20} MiB; move it away or make it smaller")
    return text.replace("\r\n", "\n").replace("\r", "\n")


class TomlError(LastlookError):
    """A text is no TOML; ``reason`` says why."""

    def __init__(self, text: str, error: ValueError | RecursionError) -> None:
        told = "nested too deeply" if isinstance(error, RecursionError) else str(error)
        self.reason, _, self._place = told.partition(" (at ")
        self._text = text
        super().__init__(self.reason)

    @cached_property
    def line(self) -> int:
        """Where it is wrong, counted from 1; 0 where that cannot be told."""
        told = re.match(r"line (\d+)", self._place)
        return int(told[1]) if told else line_of(self._text)


def parse_toml(text: str) -> dict[str, Any]:
    """What a TOML text holds; raises ``TomlError``."""
    try:
        return tomllib.loads(text)
    except (RecursionError, ValueError) as error:  # ValueError: or a number of more digits than Python reads
        raise TomlError(text, error) from error


def line_of(text: str, *names: str) -> int:
    """The line in which a value begins that its tables and its key name; without names the one in which
    begins what cannot be read.

    0 where that cannot be told: in a text of more than MAX_LINES, each of which is looked at.
    """
    rows = text.split("\n")
    if len(rows) > MAX_LINES:
        return 0
    before = 0
    for count in range(1, len(rows) + 1):
        try:
            value: object = tomllib.loads("\n".join(rows[:count]))
        except (ValueError, RecursionError):
            continue  # in the middle of a value, or behind what cannot be read
        for name in names:
            value = value.get(name) if isinstance(value, dict) else None
        if names and value is not None:
            break
        before = count
    return before + 1


def read_blocks(text: str, name: str) -> Iterator[tuple[int, dict[str, Any] | str]]:
    """(line, table or what is wrong with it) of each ``[[name]]`` block of a text."""
    starts = [m.start() for m in re.finditer(rf"^[ \t]*\[\[[ \t]*{name}[ \t]*\]\]", text, re.MULTILINE)]
    head = text[: starts[0]] if starts else text
    for number, row in enumerate(head.split("\n"), 1):
        if row.strip() and not row.lstrip().startswith("#"):
            yield number, f"stands outside any [[{name}]] block"
            break
    parts = [text[start:end] for start, end in pairwise([*starts, len(text)])]
    line, at = head.count("\n") + 1, 0
    while at < len(parts):
        stop = at + 1
        block = _parsed(parts[at], name)
        if isinstance(block, TomlError):
            # a header inside a multi-line string begins no block
            further = _end_of_strings(parts, at)
            whole = _parsed("".join(parts[at:further]), name)
            if not isinstance(whole, TomlError):
                block, stop = whole, further
        yield line, _wrong_block(block, line) if isinstance(block, TomlError) else block
        line += sum(part.count("\n") for part in parts[at:stop])
        at = stop


def without_blocks(text: str, name: str, lines: Collection[int]) -> str:
    """The text without the ``[[name]]`` blocks that begin on those lines and the blank lines after them.

    A block ends with the last line that its table needs: comments after that stay, and so do other tables.
    """
    rows = text.split("\n")
    blocks = list(read_blocks(text, name))
    ends = [*(line - 1 for line, _ in blocks), len(rows)]
    for (line, table), end in reversed(list(zip(blocks, ends[1:], strict=True))):
        if line not in lines or isinstance(table, str):
            continue
        stop = line
        while stop < end and not (
            rows[stop].lstrip()[:1] in ("", "#", "[")
            and _parsed("\n".join(rows[line - 1 : stop]), name) == table
        ):
            stop += 1
        while stop < len(rows) - 1 and not rows[stop].strip():
            stop += 1
        del rows[line - 1 : stop]
    return "\n".join(rows)


def _parsed(block: str, name: str) -> dict[str, Any] | TomlError:
    try:
        table: dict[str, Any] = parse_toml(block)[name][0]
        return table
    except TomlError as error:
        return error


def _wrong_block(error: TomlError, line: int) -> str:
    """What is wrong with a block that begins on that line of its file, and on which line of that."""
    return f"is no TOML ({error.reason}{f', line {line + error.line - 1}' if error.line else ''})"


def _end_of_strings(parts: Sequence[str], at: int) -> int:
    """The part after the one in which every multi-line string that begins in part ``at`` has ended."""
    odd = [False, False]
    for stop in range(at, len(parts)):
        odd = [o ^ bool(parts[stop].count(quotes) % 2) for o, quotes in zip(odd, _QUOTES, strict=True)]
        if not any(odd):
            return stop + 1
    return at + 1
