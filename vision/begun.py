"""The file of recordings begun, beside the answers: a stopped run goes on inside a recording.

``answers.jsonl.begun`` holds a line of JSON for each stretch of a recording that has been scanned; they go
when the recording's answers are written. A line cut short by a kill counts for nothing: that stretch is
scanned again.
"""

from __future__ import annotations

import base64
import os
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Final

from models.errors import UsageError
from models.files import write_atomically
from vision.damage import Span
from vision.gather import Item
from vision.json_lines import json_line, read_lines
from vision.scan import Stretch
from vision.shown import Reading, reading_of

_UNKEPT: Final = b""
"""Stands for a still whose picture nobody asked for: that there is one has a say in which frame is best."""


def begun_of(out: Path) -> Path:
    """The file of recordings begun beside a file of answers; beside the file itself where that is a link."""
    real = Path(os.path.realpath(out))
    return real.with_name(real.name + ".begun")


class Begun:
    """The stretches kept in ``path``, of recordings that are as they were; without a path none is kept.

    ``options`` is a short text of all that changes an answer, and ``with_stills`` says whether the pictures
    of shown cases are asked for: stretches scanned with others do not count. Raises UsageError when ``path``
    holds something and ``resume`` is not asked for. One run at a time: ``vision.ledger.AnswerLog`` sees to
    that.
    """

    def __init__(self, path: Path | None, *, options: str, with_stills: bool, resume: bool) -> None:
        self._path = path
        self._options = options
        self._with_stills = with_stills
        if path is None or not path.exists() or not path.stat().st_size:
            return
        if not resume:
            raise UsageError(f"{path} holds a recording begun; go on with --resume, or delete it")
        with path.open("rb+") as file:
            file.seek(-1, os.SEEK_END)
            if file.read(1) != b"\n":
                file.write(b"\n")

    def known(self, item: Item) -> dict[Span, Stretch]:
        """The stretches of a recording that have been scanned, by when they begin and end (seconds)."""
        if self._path is None or not self._path.exists():
            return {}
        facts = self._facts(item)
        found: dict[Span, Stretch] = {}
        for line in read_lines(self._path):
            if facts.items() <= line.items():
                try:
                    start_s, end_s = line["span"]
                    found[float(start_s), float(end_s)] = _stretch_from_json(line["stretch"])
                except (KeyError, TypeError, ValueError, AttributeError):
                    continue
        return found

    def keep(self, item: Item, span: Span, stretch: Stretch) -> None:
        """Append one stretch. Where the disk takes it no more, this and the next ones are not kept."""
        if self._path is None:
            return
        told = {**self._facts(item), "span": span, "stretch": _stretch_to_json(stretch, self._with_stills)}
        try:
            with self._path.open("ab") as file:
                file.write(json_line(told) + b"\n")
        except OSError:
            self._path = None

    def let_go(self, item: Item) -> None:
        """Drop all that is kept of a recording, whatever it was scanned with; the file when nothing is left.

        Raises LastlookError when it cannot be written.
        """
        if self._path is None or not self._path.exists():
            return
        image = self._facts(item)["image"]
        rest = [line for line in read_lines(self._path) if line.get("image") != image]
        if rest:
            write_atomically(self._path, b"".join(json_line(line) + b"\n" for line in rest))
        else:
            self._path.unlink()

    def _facts(self, item: Item) -> dict[str, Any]:
        return {
            "image": os.path.realpath(item.path),
            "bytes": item.bytes,
            "mtime_ns": item.mtime_ns,
            "options": self._options,
            "with_stills": self._with_stills,
        }


def _stretch_to_json(stretch: Stretch, with_stills: bool) -> dict[str, Any]:
    readings = []
    for one in stretch.readings:
        still = one.still_jpeg if with_stills or one.still_jpeg is None else _UNKEPT
        in_text = None if still is None else base64.b64encode(still).decode("ascii")
        readings.append({"at_s": one.at_s, "answer": one.answer, "still": in_text})
    return {
        "readings": readings,
        "frames_looked_at": stretch.frames_looked_at,
        "frames_read": stretch.frames_read,
        "last_s": stretch.last_s,
        "lost": stretch.lost,
        "next_s": stretch.next_s,
    }


def _stretch_from_json(told: Mapping[str, Any]) -> Stretch:
    """Raises KeyError, TypeError, ValueError or AttributeError for what is none."""
    next_s = told["next_s"]
    return Stretch(
        [_reading_from_json(one) for one in told["readings"]],
        int(told["frames_looked_at"]),
        int(told["frames_read"]),
        float(told["last_s"]),
        [(float(begin_s), float(end_s)) for begin_s, end_s in told["lost"]],
        None if next_s is None else float(next_s),
    )


def _reading_from_json(told: Mapping[str, Any]) -> Reading:
    from vision.answer_schema import check

    still, fault = told["still"], check({"image": "", **told["answer"]})  # which the recording gives
    if fault is not None:
        raise ValueError(fault)
    return reading_of(told["answer"], float(told["at_s"]), None if still is None else base64.b64decode(still))
