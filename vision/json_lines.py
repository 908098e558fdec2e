"""Lines of JSON, and files of them to which a run appends: a kill cuts the last line short at most."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from models.json_text import parse_json


def read_lines(path: str | Path) -> Iterator[dict[str, Any]]:
    """The JSON objects of a file of lines; a line cut short by a kill, or no object, is passed over."""
    with Path(path).open("rb") as stream:
        for line in stream:
            one = parsed(line)
            if one is not None:
                yield one


def parsed(line: bytes) -> dict[str, Any] | None:
    """The object on a whole line, its end included; None for any other."""
    if not line.endswith(b"\n"):
        return None
    try:
        one = parse_json(line)
    except ValueError:
        return None
    return one if isinstance(one, dict) else None


def json_line(value: Any, *, indent: int | None = None) -> bytes:
    """``value`` as JSON in UTF-8 without the line break, whatever the encoding of standard output."""
    return utf8(json.dumps(value, ensure_ascii=False, indent=indent))


def utf8(text: str) -> bytes:
    """UTF-8 of JSON or a table. A byte of a file name that is no UTF-8 stands as a JSON escape (\\udcff), so
    the name comes back as it was."""
    return text.encode("utf-8", "backslashreplace")
