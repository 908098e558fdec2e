"""``lastlook check``: what a sequence solves, and what else it disturbs."""

from __future__ import annotations

from typing import Annotated

import typer

from vision.json_lines import json_line
from vision.terminal import say


def register(app: typer.Typer) -> None:
    """Add the commands of this module to the application."""
    app.command("check")(check_sequence)


def check_sequence(
    moves: Annotated[str, typer.Argument(help="Turns, quoted: \"R U R' U'\".", show_default=False)],
    size: Annotated[int, typer.Option("--size", "-n", min=2, max=7, help="Layers of the cube.")] = 4,
    widen: Annotated[
        bool,
        typer.Option(
            "--widen", help="Widen block turns: as on a 4x4x4 for even sizes, as on a 3x3x3 for odd ones."
        ),
    ] = False,
    as_json: Annotated[bool, typer.Option("--json", help="The finding as JSON.")] = False,
) -> None:
    """Execute MOVES and say which case they solve, from which angle, and what else they disturb."""
    from models.check import check_moves, middles_said
    from models.notation import parse_moves
    from models.sequences import widened
    from vision.library_files import open_effort

    sequence = widened(parse_moves(moves), size, 3 if size % 2 else 4) if widen else parse_moves(moves, size)
    found = check_moves(sequence, size, effort=open_effort())
    if as_json:
        typer.echo(json_line(found.to_json_dict()))
        return
    from rich.console import Console

    console = Console(highlight=False, soft_wrap=True)
    say(console, str(sequence) or "(no turns)")
    if found.solves:
        angle = f" turned by {found.start} from how it is named" if found.start else " as it is named"
        say(console, f"solves {found.solves} on a {size}x{size}x{size},{angle}")
        if found.state and not found.state.is_oriented:
            from models.cases import case_of
            from vision.diagram_text import draw_case

            case, turned = case_of(found.state)
            say(console, f"{case.name_on(size)}: {case.cue_at(turned, size)}")
            console.print(draw_case(found.state.twist, found.state.flip))
    elif found.preserves:
        say(console, "solves nothing: at most it turns the top layer")
    else:
        say(console, "solves no last-layer case: it disturbs more than the last layer")
    for line in found.disturbs:
        say(console, f"  {line}", hang=4)
    for line in middles_said(sequence, size) if not found.solves else []:
        say(console, line, hang=2)
    say(console, f"{sequence.obtm} OBTM, {sequence.etm} ETM, effort {found.effort:.1f} (a model of the hand)")
