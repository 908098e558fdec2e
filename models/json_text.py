"""JSON that somebody may have written or cut: within bounds that everything behind it can bear."""

from __future__ import annotations

import json
import math
from typing import Any, Final

MOST_DIGITS: Final = 300
"""Of a whole number; a float holds one of 308."""


def parse_json(text: bytes | str, *, finite: bool = True) -> Any:
    """What a JSON text holds, bytes as UTF-8; a byte order mark may stand first.

    Raises ValueError that says in a few words why it cannot be read: also for what is nested too deeply, for
    whole numbers beyond what a float holds, and unless ``finite`` is False for Infinity and NaN, which Python
    alone takes for JSON.
    """
    try:
        plain = text.decode("utf-8") if isinstance(text, bytes) else text
    except UnicodeDecodeError as error:
        raise ValueError(f"not UTF-8 text (byte {error.start})") from None
    try:
        return json.loads(
            plain.removeprefix("\ufeff"),
            parse_int=_whole,
            parse_float=_finite if finite else None,
            parse_constant=_no_number if finite else None,
        )
    except json.JSONDecodeError as error:
        raise ValueError(f"line {error.lineno}, column {error.colno}: {error.msg}") from None
    except RecursionError:
        raise ValueError("nested too deeply") from None


def _finite(text: str) -> float:
    number = float(text)
    return number if math.isfinite(number) else _no_number(text[:20])


def _whole(text: str) -> int:
    if len(text) > MOST_DIGITS:
        raise ValueError(f"a number of {len(text.lstrip('-'))} digits")
    return int(text)


def _no_number(text: str) -> float:
    raise ValueError(f"{text} is no number here")
