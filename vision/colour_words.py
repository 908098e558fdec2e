"""A cube's colours as somebody writes them on the command line: names of their own, and a scheme."""

from __future__ import annotations

import re
from collections.abc import Sequence

from calibration.profile import COLOURS
from models.errors import UsageError


def colour_names(changes: str | None) -> tuple[str, ...] | None:
    """Six names out of ``"white=black, green=mint"``; None where nothing was said. Raises UsageError."""
    if not changes:
        return None
    names: dict[str, str] = {name: name for name in COLOURS}
    for change in changes.split(","):
        usual, _, own = (part.strip() for part in change.partition("="))
        if usual not in names or not own or len(own) > 40:
            raise UsageError(f"{change.strip()!r}: write USUAL=OWN with one of {', '.join(COLOURS)}")
        if not own.isprintable():
            raise UsageError(f"{own!r}: holds a character that cannot be printed; leave it out")
        names[usual] = own
    chosen = tuple(names[name] for name in COLOURS)
    if len(set(chosen)) < 6:
        raise UsageError(f"two colours would be called alike: {', '.join(chosen)}")
    return chosen


def scheme_named(text: str | None, colours: Sequence[str] | None) -> tuple[int, ...] | None:
    """Colour indices of URFDLB out of six names in that order; None where nothing was said."""
    if not text:
        return None
    names = list(colours or COLOURS)
    words = [word.strip() for word in re.split(r"[,\s]+", text.strip())]
    if sorted(words) != sorted(names):
        raise UsageError(f"--scheme takes the colours of U R F D L B, each of {', '.join(names)} once")
    return tuple(names.index(word) for word in words)
