"""``lastlook find``: search sequences, exhaustively to a depth."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING, Annotated

import typer

from vision.case_data import check_code
from vision.json_lines import json_line
from vision.terminal import say

if TYPE_CHECKING:
    from models.search_result import CaseResult, Core, Progress, Result
    from models.sequences import StoredCore


def register(app: typer.Typer) -> None:
    """Add the commands of this module to the application."""
    app.command("find")(find_sequences)


def find_sequences(
    codes: Annotated[
        list[str] | None,
        typer.Argument(metavar="CODE", help="Cases or permutation classes.", show_default=False),
    ] = None,
    every: Annotated[bool, typer.Option("--all", help="All cases of the size (with --edges: some).")] = False,
    edges: Annotated[
        str | None,
        typer.Option(
            metavar="EDGES", help="With --all: only these edges, as e1 or e1,e3.", show_default=False
        ),
    ] = None,
    core: Annotated[
        list[str] | None,
        typer.Option(
            metavar="CORE",
            help="Core by name or as moves; repeat for several; 'none' for no core.",
            show_default=False,
        ),
    ] = None,
    mirrored: Annotated[bool, typer.Option("--mirrored", help="Also the mirror image of each core.")] = False,
    inverted: Annotated[bool, typer.Option("--inverted", help="Also each core done backwards.")] = False,
    angles: Annotated[bool, typer.Option("--angles", help="Each core from all four angles.")] = False,
    turns: Annotated[
        str, typer.Option(metavar="LAYERS", help='Layers that may turn, as "R U F", "R U M", "Rw U", "2R U".')
    ] = "U D R L F B",
    depth: Annotated[
        int, typer.Option(help="Most turns of the setup, and of the finish.", min=1, max=12)
    ] = 5,
    keep: Annotated[
        int, typer.Option(help="How many to keep a case; 0: all of the fewest turns.", min=0)
    ] = 3,
    by: Annotated[str, typer.Option(metavar="ORDER", help="Order: length or effort.")] = "length",
    size: Annotated[int, typer.Option("--size", "-n", min=2, max=7, help="Layers of the cube.")] = 4,
    add: Annotated[bool, typer.Option("--add", help="Put what is found in your library.")] = False,
    as_json: Annotated[bool, typer.Option("--json", help="Results as JSON.")] = False,
) -> None:
    """Search sequences: setup, core, finish, exhaustively to the depth asked, with what that proves.

    Without --core, cases with one or three flipped edges are searched round the core "flip-one", permutation
    classes with parity round "swap-two", all others without a core. Ctrl-C stops and keeps what was found.

    Exit status: 0 something was found, 4 nothing was, 1 the search was stopped.
    """
    from models.search import find
    from vision.library_files import open_effort

    wanted = _wanted(codes or [], every, edges, size)
    weights = open_effort()
    results: list[Result] = []
    groups = _groups(wanted, core or [], size)
    for group, given in groups:
        cores = _variants(given, mirrored, inverted, angles)
        with _bar() as progress:
            result = find(
                group, size=size, cores=cores, turns=turns, depth=depth, keep=keep, by=by, effort=weights,
                progress=progress,
            )  # fmt: skip
        results.append(result)
        if not result.complete:
            break
    missed = [code for group, _ in groups[len(results) :] for code in group]
    if add:
        _add(results)
    if as_json:
        rows = [row for result in results for row in _rows(result)]
        typer.echo(json_line([*rows, *(_unsearched(code, size) for code in missed)]))
    else:
        _print_results(results, missed)
    if not all(result.complete for result in results):
        raise typer.Exit(1)
    if not any(case.found for result in results for case in result.cases.values()):
        raise typer.Exit(4)


def _wanted(codes: Sequence[str], every: bool, edges: str | None, size: int) -> list[str]:
    from models.cases import CASES, EDGE_PATTERNS, codes_for
    from models.errors import UsageError
    from vision.paths import NothingThereError

    if edges is not None and not set(edges.split(",")) <= set(EDGE_PATTERNS):
        raise UsageError(f"--edges {edges}: choose from {', '.join(EDGE_PATTERNS)}, joined by commas")
    if not every:
        if edges is not None:
            raise UsageError("--edges goes with --all")
        if not codes:
            raise UsageError("name a case, as e1-sune-left, or say --all; `lastlook cases` lists them")
        for code in codes:
            check_code(code)
        return list(dict.fromkeys(codes))
    if codes:
        raise UsageError(f"{codes[0]} and --all exclude each other; choose one")
    chosen = [CASES[code] for code in codes_for(size) if not CASES[code].is_oriented]
    wanted = [c.code for c in chosen if edges is None or c.edges in edges.split(",")]
    if not wanted:
        raise NothingThereError(f"--edges {edges}: no such case on a {size}x{size}x{size}")
    return wanted


def _groups(codes: Sequence[str], named: Sequence[str], size: int) -> list[tuple[list[str], list[Core]]]:
    """Codes that are searched together, with their cores."""
    from models.cases import CASES
    from models.permutation import PERMUTATION_CASES
    from models.search_result import NO_CORE
    from vision.library_files import open_cores

    known = open_cores()
    if named:
        return [(list(codes), [_core(name, known, size) for name in named])]
    kinds: dict[str, list[str]] = {}
    for code in codes:
        odd = code in CASES and CASES[code].edges in ("e1", "e3")
        parity = code in PERMUTATION_CASES and PERMUTATION_CASES[code].parity
        kinds.setdefault("flip-one" if odd else "swap-two" if parity else "", []).append(code)
    return [(group, [_stored(name, known[name], size) if name else NO_CORE]) for name, group in kinds.items()]


def _stored(name: str, core: StoredCore, size: int) -> Core:
    from models.search_result import Core
    from models.sequences import widened

    return Core(name, widened(core.moves, size), where=core.where)


def _core(text: str, known: dict[str, StoredCore], size: int) -> Core:
    from models.errors import NotationError, UsageError
    from models.notation import parse_moves
    from models.search_result import NO_CORE, Core

    if text == "none":
        return NO_CORE
    if text in known:
        return _stored(text, known[text], size)
    try:
        return Core(text, parse_moves(text, size))
    except NotationError as error:
        raise UsageError(f"--core: no core by name ({', '.join(known)}, none), nor turns: {error}") from error


def _variants(cores: Sequence[Core], mirrored: bool, inverted: bool, angles: bool) -> list[Core]:
    from models.search_result import core_variants

    around = (0, 1, 2, 3) if angles else (0,)
    out: dict[object, Core] = {}
    for core in cores:
        for one in core_variants(core, mirrored=mirrored, inverted=inverted, angles=around):
            out.setdefault(one.moves, one)
    return list(out.values())


@contextmanager
def _bar() -> Iterator[Progress]:
    """A progress bar on stderr, only where a person looks at it."""
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

    console = Console(stderr=True)
    with Progress(
        TextColumn("{task.description}"), BarColumn(), TextColumn("{task.percentage:>3.0f} %"),
        TimeElapsedColumn(),
        console=console, transient=True, disable=not console.is_terminal,
    ) as bar:  # fmt: skip
        task = bar.add_task("searching", total=1.0)
        yield lambda share, words: bar.update(task, completed=share, description=words)


def _rows(result: Result) -> Iterator[dict[str, object]]:
    for case in result.cases.values():
        yield {
            "code": case.code,
            "size": result.size,
            "shortest": case.shortest,
            "minimal": case.minimal,
            "is_shortest": result.is_shortest(case.code),
            "complete": result.complete,
            "proof": result.proof(case.code),
            "sequences": [
                {
                    "turns": str(found.moves),
                    "setup": str(found.setup),
                    "core": str(found.core) if found.core.moves else "",
                    "finish": str(found.finish),
                    "around_core": found.turns,
                    "obtm": found.moves.obtm,
                    "etm": found.moves.etm,
                    "effort": round(found.effort, 2),
                }
                for found in case.found
            ],
        }


def _unsearched(code: str, size: int) -> dict[str, object]:
    """The row of a case that a stopped search did not come to."""
    return {
        "code": code, "size": size, "shortest": None, "minimal": 0, "is_shortest": False,
        "complete": False, "proof": "not searched", "sequences": [],
    }  # fmt: skip


def _print_results(results: Sequence[Result], missed: Sequence[str]) -> None:
    from rich.console import Console

    console = Console(highlight=False, soft_wrap=True)
    for result in results:
        for case in result.cases.values():
            say(console, case.code, bold=len(case.code))
            for found in case.found:
                parts = [str(found.setup), str(found.core), str(found.finish)] if found.core.moves else []
                made = "  ·  ".join(part for part in parts if part)
                say(console, f"  {found.moves}", hang=4)
                words = f"{found.moves.obtm} OBTM, {found.moves.etm} ETM, effort {found.effort:.1f}"
                say(console, f"    {words}; {made}" if made else f"    {words}", hang=6, style="dim")
            say(console, f"  {result.proof(case.code)}{_many(result, case)}", hang=4)
        if not result.complete:
            say(console, "stopped before the end; this is what was found until then")
    if missed:
        say(console, f"not searched: {', '.join(missed)}")


def _many(result: Result, case: CaseResult) -> str:
    """How many sequences there are of the fewest turns, as far as they were counted."""
    if not case.minimal:
        return ""
    counted = "" if result.is_counted(case.code) else f" with at most {result.depth} each"
    stopped = "" if result.proved(case.code) else " so far"
    return f"; {case.minimal} of that length{stopped or counted}"


def _add(results: Sequence[Result]) -> None:
    from vision.cli_sequence import add_to_library

    count = add_to_library([
        {
            "code": found.code,
            "turns": str(found.moves),
            "core": str(found.core) if found.core.moves else "",
            "source": "lastlook find",
            "proof": result.proof(found.code) if result.proved(found.code) else "",
            "proof_size": str(result.size),
        }
        for result in results
        for case in result.cases.values()
        for found in case.found
    ])  # fmt: skip
    typer.echo(f"{count} new in your library", err=True)
