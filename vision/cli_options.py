"""Options that several commands share, worded once."""

from __future__ import annotations

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
