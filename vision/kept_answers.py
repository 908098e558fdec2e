"""The answers that ``score --answers`` keeps, one JSON line each: a kill at any moment loses none of them."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Final

from models.errors import LastlookError
from models.files import write_atomically
from vision.answer import Answer
from vision.ledger import encoded

_BEGINS: Final = b'{"image": '


class KeptAnswers:
    """The file ``path``: answers by picture in ``known``, more with :meth:`keep`.

    ``read_with`` (plain data) is all that changes an answer. Answers that were read with something else stay
    in the file and do not count. Without a path nothing is kept. Raises LastlookError when the file cannot be
    read, or a line of it is no answer.
    """

    def __init__(self, path: Path | None, read_with: Mapping[str, Any]) -> None:
        self.known: dict[str, Answer] = {}
        self._path = path
        self._read_with = read_with
        if path is not None and path.exists():
            self._take_up(path)

    def keep(self, answer: Answer) -> None:
        """Take one more answer in; raises LastlookError when it cannot be written."""
        self.known[answer.image] = answer
        if self._path is None:
            return
        line = json.dumps({**answer.to_json_dict(), "read_with": self._read_with}, ensure_ascii=False)
        try:
            with self._path.open("ab") as file:
                file.write(encoded(line + "\n"))
        except OSError as error:
            raise LastlookError(
                f"{self._path}: cannot be written ({error.strerror}); what is there is kept"
            ) from None

    def _take_up(self, path: Path) -> None:
        try:
            *lines, last = path.read_bytes().split(b"\n")
        except OSError as error:
            raise LastlookError(f"{path}: cannot be read ({error.strerror})") from None
        for number, line in enumerate(lines, 1):
            if not line.strip():
                continue
            try:
                self._count(json.loads(line))
            except (ValueError, KeyError, TypeError, AttributeError) as error:
                raise self._no_answer(number, error) from None
        if not last.strip():
            return
        if not last.startswith(_BEGINS[: len(last)]):
            raise self._no_answer(len(lines) + 1, "not one that was cut short")
        write_atomically(path, b"".join(line + b"\n" for line in lines))

    def _count(self, one: dict[str, Any]) -> None:
        answer = Answer.from_json_dict(one)
        if one.get("read_with") == self._read_with:
            self.known[answer.image] = answer

    def _no_answer(self, number: int, why: object) -> LastlookError:
        return LastlookError(f"{self._path}: line {number} is no answer ({why}); delete the line or the file")
