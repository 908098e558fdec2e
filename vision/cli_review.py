"""``lastlook review``: what stayed open settled by hand."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer


def register(app: typer.Typer) -> None:
    """Add the command of this module to the application."""
    app.command("review")(review_command)


def review_command(
    answers: Annotated[Path, typer.Argument(metavar="ANSWERS", help="A file that 'label --out' wrote.")],
    everything: Annotated[bool, typer.Option("--all", help="Go through named pictures as well.")] = False,
    no_window: Annotated[bool, typer.Option("--no-window", help="Ask in the terminal.")] = False,
    profile: Annotated[
        str | None,
        typer.Option("--profile", metavar="NAME", help="Whose colours; found by their names if left out."),
    ] = None,
) -> None:
    """Settle by hand what was ambiguous or refused, and write the truth beside each picture.

    The truth file (NAME.json beside NAME.jpg) is what 'score' and 'calibrate' take. A picture that has one
    is not asked about again.
    """
    from vision.review import review

    raise typer.Exit(review(answers, everything=everything, window=not no_window, profile=profile))
