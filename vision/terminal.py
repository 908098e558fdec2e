"""Lines for a terminal of any width."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from rich.console import Console


def say(console: Console, line: str, *, hang: int = 2, style: str = "", bold: int = 0) -> None:
    """Print a line, its first ``bold`` characters so.

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
    console.print(text, soft_wrap=True)
