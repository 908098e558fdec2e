"""Lines for a terminal of any width."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from rich.console import Console


def say(
    console: Console, line: str, *, hang: int = 2, style: str = "", bold: int = 0, swatch: str = ""
) -> None:
    """Print a line, its first ``bold`` characters so, and ``swatch``, a colour ``#rrggbb`` in it, on itself.

    In a terminal it is wrapped between words, what follows indented by ``hang``; elsewhere it stays one line.
    """
    from rich.text import Text

    if console.is_terminal:
        line = textwrap.fill(
            line,
            max(console.width, 2 * hang),
            subsequent_indent=" " * hang,
            break_long_words=False,
            break_on_hyphens=False,
        )
    text = Text(line, style=style)
    text.stylize("bold", 0, bold)
    at = text.plain.find(swatch) if swatch else -1
    if at >= 0:
        light = 2 * int(swatch[1:3], 16) + 5 * int(swatch[3:5], 16) + int(swatch[5:7], 16) > 8 * 128
        text.stylize(f"{'black' if light else 'white'} on {swatch}", at, at + len(swatch))
    console.print(text, soft_wrap=True)
