"""Options that several commands share, worded once, and what one of them is asked for."""

from __future__ import annotations

import sys
from enum import StrEnum
from typing import Annotated

import typer


class Front(StrEnum):
    """Which side of the cube the holder calls his front, as the camera sees it."""

    near = "near"
    right = "right"
    far = "far"
    left = "left"


FrontOption = Annotated[
    Front | None,
    typer.Option(
        "--front",
        metavar="SIDE",
        help="The side you call your front, as the camera sees it: near, right, far or left.",
    ),
]
MirroredOption = Annotated[
    bool,
    typer.Option(
        "--mirrored",
        help="What is read shows a mirror image, as front cameras save it; told where its colours show none.",
    ),
]
SizeOption = Annotated[
    int | None,
    typer.Option("--size", "-n", min=2, max=5, help="Layers of the cube; told from the picture if left out."),
]
ProfileOption = Annotated[
    str | None,
    typer.Option("--profile", metavar="NAME", help="Colour profile: a name or a file; built in if left out."),
]
BestProfileOption = Annotated[
    str | None,
    typer.Option(
        "--profile", metavar="NAME", help="Colour profile: a name or a file; the best fitting if left out."
    ),
]
YesOption = Annotated[bool, typer.Option("--yes", "-y", help="Do not ask.")]


def make_sure(question: str, deed: str) -> None:
    """Ask before what cannot be undone. Raises typer.Abort for a no, UsageError where nobody can be asked.

    ``deed`` begins its line: "removing 'desk-cube'".
    """
    from models.errors import UsageError

    if not sys.stdin.isatty():
        raise UsageError(f"{deed} cannot be undone; add --yes")
    typer.confirm(question, abort=True)
