"""What a command is to write, looked at before it works: nothing that a person has is written over.

An output is no file that is read, and no other output. A file that is there already is replaced only where it
is of the kind that is written: a table by a table, a PNG by a PNG.
"""

from __future__ import annotations

import os
import re
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Final, Literal

from models.errors import LastlookError, UsageError
from vision.headers import read_header
from vision.paths import is_folder, kind_at

Kind = Literal["picture", "answers", "table", "page", "sequences", "drawing"]
PICTURE_SUFFIXES: Final = {".png": "PNG", ".jpg": "JPEG", ".jpeg": "JPEG", ".webp": "WebP"}
"""Endings of pictures that are written, with the kind that ``read_header`` tells."""
_HEAD_BYTES: Final = 4096
_WORDS: Final = {
    "answers": "file of answers",
    "table": "table of answers",
    "page": "HTML page",
    "sequences": "list of sequences",
    "drawing": "SVG drawing",
}
_BEGINNINGS: Final = {
    "answers": b'{"image"',
    "table": b"image",
    "page": b"<!doctype html",
    "drawing": b"<svg",
}


Wanted = tuple[str, Path | None, Kind]
"""The option that names a file, the file (None: not asked for), and what is written to it. A ledger and
recordings begun begin as answers do."""


@dataclass(frozen=True, slots=True)
class _Output:
    option: str
    path: Path
    kind: Kind


def check_outputs(wanted: Iterable[Wanted], inputs: Iterable[str | Path | LastlookError] = ()) -> None:
    """Raise UsageError with one line for the first output that must not be written.

    ``inputs`` are the files that are read; what is none, or is not there, is passed over.
    """
    promised: dict[object, _Output] = {}
    there: list[_Output] = []
    for one in [_Output(option, path, kind) for option, path, kind in wanted if path is not None]:
        if str(one.path) == "-":
            raise UsageError(f"{one.option} -: nothing is printed by that; name a file")
        if one.kind == "picture" and one.path.suffix.lower() not in PICTURE_SUFFIXES:
            endings = ", ".join(PICTURE_SUFFIXES)
            raise UsageError(f"{one.option} {one.path}: name a file that ends in {endings}")
        other = promised.setdefault(_identity(one.path), one)
        if other is not one:
            raise UsageError(
                f"{other.option} and {one.option} are the same file ({one.path}); name one for each"
            )
        try:
            kind = kind_at(one.path)
        except LastlookError as error:
            raise UsageError(f"{one.option} {error}") from None
        if kind not in ("file", "nothing"):
            raise UsageError(f"{one.option} {one.path}: is there and is no file; name a file")
        if kind == "file":
            there.append(one)
    if there:
        for path in inputs:
            read = None if isinstance(path, LastlookError) else promised.get(_identity(path))
            if read is not None:
                raise UsageError(f"{read.option} {read.path}: is one of the files to read; name another")
    for one in there:
        if not _is_of_its_kind(one):
            words = _WORDS.get(one.kind) or PICTURE_SUFFIXES[one.path.suffix.lower()]
            raise UsageError(
                f"{one.option} {one.path}: is there and is no {words}; name another file, or delete it first"
            )


def check_folders(wanted: Iterable[Wanted]) -> None:
    """Raise UsageError with one line for the first output whose folder is not there or takes no file."""
    for option, path, _ in wanted:
        if path is not None:
            check_folder_of(option, path)


def check_folder_of(option: str, path: Path) -> None:
    """Raise UsageError with one line where the folder of the output ``path`` is missing or takes no file."""
    if not is_folder(path.parent):
        raise UsageError(f"{option} {path}: there is no folder {path.parent}; make it first")
    if not os.access(path if path.exists() else path.parent, os.W_OK):
        raise UsageError(f"{option} {path}: may not be written; check the permissions")


def check_output_folder(option: str, folder: Path) -> None:
    """Raise UsageError with one line unless ``folder`` is one to write into, or can be made."""
    there = next(one for one in (folder, *folder.absolute().parents) if os.path.lexists(one))
    if not is_folder(there):
        raise UsageError(f"{option} {folder}: {there} is there and is no folder; name another")
    if not os.access(there, os.W_OK | os.X_OK):
        raise UsageError(f"{option} {folder}: nothing may be written in {there}; check the permissions")


def check_unread_folder(option: str, folder: Path, inputs: Iterable[str | Path]) -> None:
    """Raise UsageError with one line where ``folder``, which takes pictures, is one of the ``inputs``:
    what a run writes there the next one would read."""
    if _identity(folder) in {_identity(path) for path in inputs}:
        raise UsageError(f"{option} {folder}: is one of the folders to read; name another, or one inside it")


def _identity(path: str | Path) -> object:
    """Equal for two paths to one file, by whatever links; a file that is not there goes by its whole path."""
    try:
        facts = Path(path).stat()
    except (OSError, ValueError):
        return os.path.normcase(os.path.realpath(path))
    return facts.st_dev, facts.st_ino


def _is_of_its_kind(one: _Output) -> bool:
    """Whether the file that is there is empty or begins like what is to be written."""
    try:
        with one.path.open("rb") as stream:
            head = stream.read(_HEAD_BYTES)
    except OSError as error:
        raise UsageError(f"{one.option} {one.path}: cannot be looked at ({error.strerror})") from None
    if not head:
        return True
    if one.kind == "picture":
        header = read_header(head)
        return header is not None and header.kind == PICTURE_SUFFIXES[one.path.suffix.lower()]
    if one.kind == "sequences":
        return re.match(rb"[\w-]+\t", head) is not None
    text = head.removeprefix(b"\xef\xbb\xbf").lower()
    wanted = _BEGINNINGS[one.kind]
    return text.startswith(wanted) or wanted.startswith(text)  # a line of answers may be cut short by a kill
