"""Commands round the engine: apply."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from vision.json_lines import json_line

if TYPE_CHECKING:
    from rich.text import Text

    from models.cube import Cube

# Letter on sticker for the solved cube's usual colours: white U, red R, green F, yellow D, orange L, blue B
# (common practice, no source); the letters carry the meaning where a terminal shows no colour.
_STYLES = {
    "U": "#101010 on #f2f2f2",
    "R": "#ffffff on #b3122b",
    "F": "#ffffff on #0c7a3d",
    "D": "#101010 on #f5d000",
    "L": "#101010 on #ff7d1a",
    "B": "#ffffff on #1450b4",
}


def register(app: typer.Typer) -> None:
    """Add the commands of this module to the application."""
    app.command("apply")(apply_moves)


def apply_moves(
    moves: Annotated[str, typer.Argument(help='Turns, quoted: "Rw U2 x R\'".', show_default=False)],
    size: Annotated[int, typer.Option("--size", "-n", min=2, max=7, help="Layers of the cube.")] = 4,
    as_json: Annotated[bool, typer.Option("--json", help="Face letters, row by row, as JSON.")] = False,
) -> None:
    """Show the stickers after MOVES from a solved cube.

    Turns are those of the WCA Regulations, Article 12; r, 2R, M E S and (R U)3 are read as well.
    Each face is read as seen from outside, left to right, top to bottom; U with B above it, D with F above.
    """
    from models.cube import Cube
    from models.notation import parse_moves

    sequence = parse_moves(moves, size)
    cube = Cube.solved(size).apply(sequence)
    if as_json:
        typer.echo(json_line({"size": size, "facelets": cube.letters()}))
        return
    from rich.console import Console

    console = Console(highlight=False)
    console.print(str(sequence) or "(no turns)", markup=False, soft_wrap=True)
    console.print(f"{size}x{size}x{size}, {sequence.obtm} OBTM, {sequence.etm} ETM{_case_words(cube)}")
    console.print()
    console.print(draw_net(cube), no_wrap=True, crop=False, overflow="ignore")


def draw_net(cube: Cube) -> Text:
    """The unfolded cube: U over F, then L F R B in a row, D under F; two columns to a sticker."""
    from rich.text import Text

    letters, n = cube.letters(), cube.size
    margin = " " * (2 * n + 1)
    net = Text()

    def add_row(faces: str, row: int) -> None:
        for place, face in enumerate(faces):
            net.append(" " if place else "")
            for letter in letters[face][row]:
                net.append(f"{letter} ", style=_STYLES[letter])
        net.append("\n")

    for faces, indent in (("U", margin), ("LFRB", ""), ("D", margin)):
        for row in range(n):
            net.append(indent)
            add_row(faces, row)
        if faces != "D":
            net.append("\n")
    return net[:-1]


def _case_words(cube: Cube) -> str:
    """What the stickers are as a last layer, when they are one."""
    from models.cases import case_of
    from models.errors import LayerError
    from models.layer import LastLayer

    try:
        state = LastLayer.from_facelets(cube.facelets())
    except LayerError:
        return ""
    if state == LastLayer.solved(cube.size):
        return "; solved"
    case, angle = case_of(state)
    turned = ("", ", turned y", ", turned y2", ", turned y'")[angle]
    return f"; last layer {case.code}{turned}"
