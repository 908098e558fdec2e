"""The answers that ``score --answers`` keeps, one JSON line each: a kill at any moment loses none of them."""

from __future__ import annotations

import errno
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from tempfile import TemporaryFile
from typing import Any, Final

from models.errors import LastlookError
from models.files import write_atomically
from models.json_text import parse_json
from vision.answer import Answer
from vision.answer_json import answer_from_json, answer_to_json
from vision.json_lines import json_line

_BEGINS: Final = b'{"image": '
_ROOM_BYTES: Final = 16_384
"""More than an answer takes; a few KB are usual."""


class KeptAnswers:
    """The file ``path``: answers by what is in a picture, wherever that lies; more with :meth:`keep`.

    ``read_with`` (plain data) is all that changes an answer but the picture itself. Answers that were read
    with something else stay in the file and do not count. Without a path nothing is kept. Raises
    LastlookError when the file cannot be read or written, or a line of it is no answer; what is there stays.
    """

    def __init__(self, path: Path | None, read_with: Mapping[str, Any]) -> None:
        self._known: dict[str, Answer] = {}
        self._path = path
        self._read_with = read_with
        if path is not None:
            self._take_up(path)

    def known(self, image: str, digest: str) -> Answer | None:
        """The answer for a picture of that content (``vision.paths.digest_of``), if any, under that name."""
        answer = self._known.get(digest)
        return None if answer is None else replace(answer, image=image)

    def keep(self, answer: Answer, digest: str) -> None:
        """Take one more answer in; raises LastlookError when it cannot be written."""
        self._known[digest] = answer
        if self._path is None:
            return
        told = {**answer_to_json(answer), "digest": digest, "read_with": self._read_with}
        self._append(self._path, json_line(told) + b"\n")

    def find_room(self) -> None:
        """Write as much as an answer takes beside the file and let go of it: LastlookError where the disk is
        full, to be told before the work."""
        if self._path is None:
            return
        try:
            with TemporaryFile(dir=self._path.parent) as file:
                file.write(bytes(_ROOM_BYTES))
        except OSError as error:
            if error.errno in (errno.ENOSPC, errno.EDQUOT):
                raise _unwritten(self._path, error) from None

    def _append(self, path: Path, data: bytes) -> None:
        try:
            with path.open("ab") as file:
                file.write(data)
        except OSError as error:
            raise _unwritten(path, error) from None

    def _take_up(self, path: Path) -> None:
        self._append(path, b"")
        try:
            *lines, last = path.read_bytes().split(b"\n")
        except OSError as error:
            raise LastlookError(f"{path}: cannot be read ({error.strerror}); name another file") from None
        for number, line in enumerate(lines, 1):
            if line.strip():
                self._count(number, line)
        if not last.strip():
            return
        whole = b"".join(line + b"\n" for line in lines)
        if _is_cut_short(last):
            write_atomically(path, whole)
        else:
            self._count(len(lines) + 1, last)
            self._append(path, b"\n")

    def _count(self, number: int, line: bytes) -> None:
        from vision.answer_schema import check

        try:
            one = parse_json(line)
            fault = check(one)
            if fault is not None:
                raise ValueError(fault)
            answer = answer_from_json(one)
            if one.get("read_with") == self._read_with and isinstance(one.get("digest"), str):
                self._known[one["digest"]] = answer
        except (ValueError, KeyError, TypeError, AttributeError) as error:
            raise LastlookError(
                f"{self._path}: line {number} is no answer ({_in_words(error)}); delete the line or name"
                " another file"
            ) from None


def _unwritten(path: Path, error: OSError) -> LastlookError:
    return LastlookError(
        f"{path}: cannot be written ({error.strerror}); what is there is kept: make room or name another file"
    )


def _is_cut_short(line: bytes) -> bool:
    """Whether it is the beginning of an answer, as a kill leaves it."""
    if not line.startswith(_BEGINS[: len(line)]):
        return False
    try:
        parse_json(line)
    except ValueError:
        return True
    return False


def _in_words(error: Exception) -> str:
    if isinstance(error, KeyError):
        return f"the key {error} is missing"
    return str(error) if type(error) is ValueError else "a value of the wrong kind"
