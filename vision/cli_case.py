"""Commands that show cases: case, cases."""

from __future__ import annotations

from collections.abc import Sequence
from math import gcd
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from vision.case_data import case_data, check_code, cycles_of, permutation_data
from vision.json_lines import json_line
from vision.terminal import say

if TYPE_CHECKING:
    from rich.console import Console

    from models.cases import Case
    from models.permutation import PermutationCase

_ANGLE_CAPTIONS = ("as named", "after y", "after y2", "after y'")


def register(app: typer.Typer) -> None:
    """Add the commands of this module to the application."""
    app.command("case")(show_case)
    app.command("cases")(list_cases)


def show_case(
    code: Annotated[str, typer.Argument(help="As e1-headlights-left or T.", show_default=False)],
    size: Annotated[
        int | None, typer.Option("--size", "-n", min=2, max=7, help="Layers of the cube.", show_default=False)
    ] = None,
    save: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Write the diagram: a .svg or .png file.", show_default=False),
    ] = None,
    limit: Annotated[int, typer.Option(help="How many sequences to show.", min=1)] = 6,
    as_json: Annotated[bool, typer.Option("--json", help="Everything as JSON.")] = False,
) -> None:
    """Show a case: diagram, cue from each angle, how often it comes up, relations, sequences."""
    from models.cases import CASES
    from models.errors import UsageError
    from models.permutation import PERMUTATION_CASES
    from vision.library_files import open_library

    check_code(code)
    case, arrangement = CASES.get(code), PERMUTATION_CASES.get(code)
    chosen = size or (4 if (case or arrangement).occurs_on(4) else 2)  # type: ignore[union-attr]
    if not (case or arrangement).occurs_on(chosen):  # type: ignore[union-attr]
        raise UsageError(f"case {code} cannot occur on a {chosen}x{chosen}x{chosen}")
    if save is not None:
        _save(case, chosen, save)
    library = open_library()
    found = case_data(case, chosen, library) if case else permutation_data(arrangement, chosen, library)  # type: ignore[arg-type]
    if as_json:
        typer.echo(json_line(found))
        return
    from rich.console import Console

    console = Console(highlight=False, soft_wrap=True)
    if case:
        _print_case(console, case, chosen)
    elif arrangement:
        _print_permutation(console, arrangement, chosen)
    _print_relations(console, found)
    _print_sequences(console, found, limit)


def _save(case: Case | None, size: int, path: Path) -> None:
    from models.errors import UsageError
    from models.files import write_atomically
    from vision.outputs import Wanted, check_folders, check_outputs

    if case is None:
        raise UsageError("--save draws orientation cases; a permutation class has no diagram yet")
    suffix = path.suffix.lower()
    if suffix not in (".svg", ".png"):
        raise UsageError(f"--save {path}: the name must end in .svg or .png")
    wanted: list[Wanted] = [("--save", path, "drawing" if suffix == ".svg" else "picture")]
    check_outputs(wanted)
    check_folders(wanted)
    if suffix == ".svg":
        from vision.diagram import case_svg

        drawn = case_svg(case.twist, case.flip_on(size), width_px=480, title=case.name_on(size))
        write_atomically(path, drawn.encode("utf-8"))
    else:
        import cv2

        from vision.diagram import case_image

        image = case_image(case.twist, case.flip_on(size), width_px=480)
        write_atomically(path, cv2.imencode(".png", image)[1].tobytes())


def _print_case(console: Console, case: Case, size: int) -> None:
    from models.layer_tables import state_count
    from vision.diagram_text import draw_case, draw_row

    say(console, f"{case.name_on(size)}  {case.code}", bold=len(case.name_on(size)))
    console.print()
    drawn = [
        (_ANGLE_CAPTIONS[angle], draw_case(case.twist_at(angle), case.flip_at(angle) if size > 2 else ()))
        for angle in range(case.angles)
    ]
    width = console.width if console.is_terminal else None
    console.print(draw_row(drawn, width=width), no_wrap=True, crop=False, overflow="ignore")
    console.print()
    for angle in range(case.angles):
        say(console, f"  {_ANGLE_CAPTIONS[angle]:9} {case.cue_at(angle, size)}", hang=12)
    total = state_count(size)
    states = round(case.chance(size) * total)
    console.print()
    where = f"of {total:,} states of a {size}x{size}x{size}"
    say(console, f"comes up in {states:,} {where}, {_odds(states, total)}")


def _odds(some: int, total: int) -> str:
    """The share as "one in 108", or as "2 in 3" where it is no whole number."""
    divisor = gcd(some, total)
    share = some // divisor
    return f"{'one' if share == 1 else share} in {total // divisor}"


def _print_permutation(console: Console, case: PermutationCase, size: int) -> None:
    from models.permutation import arrangement_count

    total = arrangement_count(size)
    say(console, f"{case.name}  {case.code}", bold=len(case.name))
    for cycle in cycles_of(case):
        say(console, f"  {cycle}")
    console.print()
    say(console, f"comes up in {case.states} of {total} arrangements, {_odds(case.states, total)}")


def _print_relations(console: Console, found: dict[str, object]) -> None:
    mirror, inverse = found["mirror"], found["inverse"]
    say(console, f"mirror image: {'itself' if mirror == found['code'] else mirror}")
    if isinstance(inverse, list):
        say(console, f"done backwards, its sequences solve: {', '.join(inverse)}")


def _print_sequences(console: Console, found: dict[str, object], limit: int) -> None:
    angles = found["angles"]
    assert isinstance(angles, list)
    by_turns: dict[str, list[tuple[str, str]]] = {}
    rows: dict[str, dict[str, object]] = {}
    # an arrangement's sequences end in another turn of the top layer from each angle: one angle tells enough
    for angle in angles if "carried_over" in found else angles[:1]:
        for row in angle["sequences"]:
            by_turns.setdefault(row["turns"], []).append((angle["angle"], row["first"]))
            rows.setdefault(row["turns"], row)
    console.print()
    say(console, "sequences (effort is a model of the hand):" if rows else "no sequence is needed or known")
    for turns in list(rows)[:limit]:
        row = rows[turns]
        starts = [f"{where or 'as named'}: {first or '-'}" for where, first in by_turns[turns]]
        say(console, f"  {turns}", hang=4)
        words = f"{row['length']} OBTM, {row['etm']} ETM, effort {row['effort']}"
        words += f"; {row['proof']}" if row["proof"] else ""
        say(console, f"    {words}", hang=6, style="dim")
        say(console, f"    turn first, by angle: {', '.join(starts)}", hang=6, style="dim")
    if len(rows) > limit:
        say(console, f"  and {len(rows) - limit} more (--limit)")
    carried = found.get("carried_over")
    if isinstance(carried, list) and carried:
        console.print()
        say(console, "carried over from relations:")
        for row in carried[:limit]:
            say(console, f"  {row['turns']}", hang=4)
            say(console, f"    {row['how']}, from {row['from']}", hang=6, style="dim")


def list_cases(
    edges: Annotated[
        str | None,
        typer.Option(
            metavar="EDGES", help="Only these of e0 e1 e2a e2o e3 e4, as e1 or e1,e3.", show_default=False
        ),
    ] = None,
    corners: Annotated[
        str | None,
        typer.Option(metavar="FAMILY", help="Only these families, as sune or h,pi.", show_default=False),
    ] = None,
    size: Annotated[int, typer.Option("--size", "-n", min=2, max=7, help="Layers of the cube.")] = 4,
    permutations: Annotated[
        bool, typer.Option("--permutations", help="The permutation classes instead.")
    ] = False,
    as_json: Annotated[bool, typer.Option("--json", help="As JSON.")] = False,
) -> None:
    """List the cases of a cube size with their names, and how many sequences are known for each.

    Exit status: 4 where that size has none of those asked for.
    """
    from models.cases import CASES, CORNER_PATTERNS, EDGE_PATTERNS, codes_for
    from models.errors import UsageError
    from models.permutation import PERMUTATION_CASES, permutation_codes_for
    from vision.library_files import open_library

    chosen: dict[str, list[str]] = {}
    for name, value, choices in (("edges", edges, EDGE_PATTERNS), ("corners", corners, CORNER_PATTERNS)):
        chosen[name] = list(choices) if value is None else value.split(",")
        if not set(chosen[name]) <= set(choices):
            raise UsageError(f"--{name} {value}: choose from {', '.join(choices)}, joined by commas")
        if value is not None and permutations:
            raise UsageError(f"--{name} chooses among orientation cases; leave out --permutations")
    library = open_library()

    def known(code: str) -> int:
        return len({str(entry.moves(size)) for entry in library.of(code) if size in entry.sizes})

    rows: list[dict[str, object]] = []
    if permutations:
        for code in permutation_codes_for(size):
            one = PERMUTATION_CASES[code]
            rows.append({"code": code, "name": one.name, "states": one.states, "sequences": known(code)})
    else:
        for code in codes_for(size):
            case = CASES[code]
            if case.edges in chosen["edges"] and case.corners in chosen["corners"]:
                rows.append({
                    "code": code, "name": case.name_on(size), "cue": case.cue_at(0, size),
                    "edges": case.edges, "corners": case.corners, "direction": case.direction or None,
                    "chance": case.chance(size), "sequences": known(code),
                })  # fmt: skip
    if as_json:
        typer.echo(json_line(rows))
    else:
        _print_cases(rows)
    if not rows:
        raise typer.Exit(4)


def _print_cases(rows: Sequence[dict[str, object]]) -> None:
    from rich.console import Console

    from vision.wording import counted

    console = Console(highlight=False, soft_wrap=True)
    width = max((len(str(row["code"])) for row in rows), default=0)
    for row in rows:
        sequences = counted(int(str(row["sequences"])), "sequence")
        say(console, f"{row['code']:{width}}  {sequences:>13}  {row['name']}", hang=4)
    typer.echo(counted(len(rows), "case"), err=True)
