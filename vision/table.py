"""Answers as comma separated values (RFC 4180), one line a picture or shown case."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Mapping
from typing import Any, Final

COLUMNS: Final = (
    "image", "start_s", "end_s", "size", "ok", "reason", "code", "name", "probability", "candidates",
    "permutation", "top_colour", "mirrored", "next_view", "sequence",
)  # fmt: skip


def answers_csv(answers: Iterable[Mapping[str, Any]]) -> str:
    """The table of all answers with a heading; ``candidates`` are codes parted by spaces."""
    text = io.StringIO()
    writer = csv.writer(text)
    writer.writerow(COLUMNS)
    for answer in answers:
        case, top = answer.get("case") or {}, answer.get("top") or {}
        writer.writerow(
            [
                answer.get("image"),
                answer.get("start"),
                answer.get("end"),
                answer.get("size"),
                "yes" if answer.get("ok") else "no",
                answer.get("reason"),
                case.get("code"),
                case.get("name"),
                case.get("probability"),
                " ".join(one["code"] for one in answer.get("candidates", ())),
                (answer.get("permutation") or {}).get("code"),
                top.get("colour"),
                "yes" if answer.get("mirrored") else "no",
                answer.get("next_view"),
                sequence_text(answer),
            ]
        )
    return text.getvalue()


def sequence_text(answer: Mapping[str, Any]) -> str:
    """The best sequence from the angle in the picture, its first turn in front; "" where there is none."""
    best = next(iter(answer.get("sequences") or ()), None)
    return f"{best.get('first') or ''} {best['turns']}".strip() if best else ""
