"""The truth file beside a picture: where it lies, and whether what lies there is a truth.

``NAME.json`` beside ``NAME.jpg``; ``NAME.jpg.json`` where another picture bears the same NAME. What a truth
holds stands in :mod:`vision.truth`.
"""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any, Final

from models.errors import LastlookError
from models.json_text import parse_json
from vision.paths import is_file
from vision.sources import SUFFIXES

MAX_FILE_BYTES: Final = 4_000_000


def truth_path(picture: Path) -> Path:
    """The file that holds the truth of ``picture``, or a guess of it; ``NAME.json`` where none does."""
    own = _own_path(picture)
    if is_file(own) and _may_be_truth(own) and not _pictures(picture.parent, picture.name):
        return own
    return picture.with_suffix(".json")


def new_truth_path(picture: Path) -> Path:
    """Where a new truth of ``picture`` goes, so that it is that of no other picture."""
    there = truth_path(picture)
    others = [
        one for one in _pictures(picture.parent, picture.stem) if one != picture and not _same(one, picture)
    ]
    return _own_path(picture) if others else there


def _own_path(picture: Path) -> Path:
    return picture.with_name(f"{picture.name}.json")


def _pictures(folder: Path, stem: str) -> list[Path]:
    """The pictures of that name whose ending is written all in small or all in capital letters."""
    endings = sorted({ending for suffix in SUFFIXES for ending in (suffix, suffix.upper())})
    return [path for ending in endings if is_file(path := folder / f"{stem}{ending}")]


def _same(one: Path, other: Path) -> bool:
    """Whether two paths lead to one file, as where capital letters count for nothing."""
    try:
        return one.samefile(other)
    except OSError:
        return False


def is_taken(path: Path) -> bool:
    """Whether there is a file that a verdict must not replace."""
    return os.path.lexists(path) and not is_guess(path)


def is_guess(path: Path) -> bool:
    """Whether the file at ``path`` holds a guess that nobody has confirmed."""
    try:
        return bool(content_of(path).get("guess"))
    except LastlookError:
        return False


def is_truth(path: Path) -> bool:
    """Whether the file at ``path`` holds a truth, rather than a guess or the remarks of another program.

    Raises LastlookError where nobody can tell: it cannot be read, or is no JSON, for instance cut short.
    """
    data = _json_at(path)
    return isinstance(data, dict) and ("facelets" in data or "negative" in data) and not data.get("guess")


def _may_be_truth(path: Path) -> bool:
    try:
        return is_truth(path) or is_guess(path)
    except LastlookError:
        return True


def content_of(path: Path) -> dict[str, Any]:
    """The JSON object in a file; LastlookError naming the file and what is wrong."""
    content = _json_at(path)
    if not isinstance(content, dict):
        raise LastlookError(f"{path}: not a truth file (not one JSON object); README.md shows the format")
    return content


def _json_at(path: Path) -> Any:
    """What a file of at most 4 MB holds; LastlookError naming the file and what is wrong."""
    try:
        with path.open("rb") as file:
            data = file.read(MAX_FILE_BYTES + 1)
        if len(data) > MAX_FILE_BYTES:
            raise LastlookError(f"{path}: too large for a truth file (over {MAX_FILE_BYTES // 10**6} MB)")
        return parse_json(data)
    except OSError as error:
        raise LastlookError(f"{path}: cannot be read ({error.strerror}); check its permissions") from None
    except ValueError as error:
        raise LastlookError(f"{path}: not a truth file ({error}); README.md shows the format") from None
