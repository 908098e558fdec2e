"""``lastlook journal``: what practice ``watch`` has timed."""

from __future__ import annotations

import csv
import os
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from models.errors import UsageError
from vision.case_data import check_code
from vision.paths import data_folder

if TYPE_CHECKING:
    from models.journal import Row


def register(app: typer.Typer) -> None:
    """Add the commands of this module."""
    group = typer.Typer(help="Show the journal of attempts; 'journal forget' deletes from it.")
    group.callback(invoke_without_command=True)(journal)
    group.command("forget")(forget)
    app.add_typer(group, name="journal")


def journal_path() -> Path:
    """The journal's file: LASTLOOK_JOURNAL, or ``journal.db`` in the data folder."""
    chosen = os.environ.get("LASTLOOK_JOURNAL")
    return Path(chosen) if chosen else data_folder() / "journal.db"


def journal(
    context: typer.Context,
    as_json: Annotated[bool, typer.Option("--json", help="One JSON object an attempt.")] = False,
    as_csv: Annotated[bool, typer.Option("--csv", help="Comma-separated values with a heading.")] = False,
    case: Annotated[str | None, typer.Option(metavar="CODE", help="Attempts at this case only.")] = None,
    since: Annotated[
        str | None, typer.Option(metavar="DATE", help="From this date on, like 2026-11-25.")
    ] = None,
    last: Annotated[int | None, typer.Option(min=1, help="The last so many attempts.")] = None,
) -> int:
    """Show the attempts that were timed."""
    if context.invoked_subcommand is not None:
        return 0
    if as_json and as_csv:
        raise UsageError("--json and --csv exclude each other; choose one")
    from models.journal import COLUMNS, Journal, as_json_lines

    _known_case(case)
    with Journal(journal_path(), to_read=True) as notebook:
        rows = notebook.rows(case=case, since=_date(since), last=last)
        written = len(notebook)
    if as_json:
        for line in as_json_lines(rows):
            typer.echo(line.encode("utf-8", "backslashreplace"))
    elif as_csv:
        writer = csv.writer(sys.stdout, lineterminator="\n")
        writer.writerow(["id", *COLUMNS])
        for row in rows:
            writer.writerow(["" if value is None else value for value in row.to_json_dict().values()])
    elif rows:
        _table(rows)
    elif written:
        typer.echo("no such attempts in the journal; 'lastlook journal' shows those that there are")
    else:
        typer.echo("no attempts in the journal yet; 'lastlook watch' writes them")
    return 0


def forget(
    numbers: Annotated[
        list[int] | None, typer.Argument(metavar="NUMBER", help="Attempts by their number.")
    ] = None,
    case: Annotated[str | None, typer.Option(metavar="CODE", help="All attempts at this case.")] = None,
    before: Annotated[
        str | None, typer.Option(metavar="DATE", help="All attempts before this date, like 2026-11-25.")
    ] = None,
    everything: Annotated[bool, typer.Option("--all", help="The whole journal.")] = False,
) -> int:
    """Delete attempts from the journal; they cannot be brought back."""
    from models.journal import Journal
    from vision.wording import counted

    if everything and (numbers or case or before):
        raise UsageError("--all takes everything; leave out the other choices")
    _known_case(case)
    with Journal(journal_path()) as notebook:
        gone = notebook.forget(numbers or None, case=case, before=_date(before), everything=everything)
    typer.echo(f"{counted(gone, 'attempt')} forgotten")
    return 0


def _known_case(code: str | None) -> None:
    from models.cases import CASES

    if code is not None:
        check_code(code, CASES)


def _date(text: str | None) -> str | None:
    """A date or a time as the journal compares it; a time with a zone is turned into UTC."""
    if text is None:
        return None
    from datetime import datetime

    from models.journal import utc_text

    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        raise UsageError(f"{text!r} is no date; write it like 2026-11-25 or 2026-11-25T18:30") from None
    try:
        return utc_text(moment.astimezone())
    except (ValueError, OverflowError):  # in another zone its year would be 0 or 10000
        raise UsageError(f"{text!r} is too far away to compare; write a date like 2026-11-25") from None


def _table(rows: list[Row]) -> None:
    """A table where the terminal is wide enough for all but long sequences, else lines for each attempt."""
    from rich.cells import cell_len
    from rich.console import Console
    from rich.table import Table

    from vision.terminal import say

    heads = ("no.", "when (UTC)", "cube", "case", "seen", "turned", "result", "sequence")
    cells = [_cells(row) for row in rows]
    console = Console(width=None if sys.stdout.isatty() else 160, highlight=False, markup=False)
    widths = [max(map(cell_len, column)) for column in zip(heads, *cells, strict=True)]
    if sum(widths[:-1]) + 2 * len(widths[:-1]) + min(widths[-1], 24) <= console.width:
        table = Table(box=None, pad_edge=False, header_style="bold")
        for name in heads:
            right = name in ("no.", "seen", "turned")
            table.add_column(name, justify="right" if right else "left", no_wrap=name != "sequence")
        for one in cells:
            table.add_row(*one)
        console.print(table)
        return
    for number, when, cube, case, seen, turned, result, sequence in cells:
        say(console, f"{number}  {when} UTC  {cube}", bold=len(number), hang=4)
        say(console, f"    {case}, {result}; seen {seen}, turned {turned}", hang=4)
        if sequence:
            say(console, f"    {sequence}", hang=6, style="dim")


def _cells(row: Row) -> tuple[str, str, str, str, str, str, str, str]:
    one = row.attempt
    return (
        str(row.id),
        one.at[:19].replace("T", " "),
        " ".join(part for part in ("x".join([str(one.size)] * 3), one.cube) if part),
        one.case,
        _seconds(one.recognition_s, one.recognition_pm_s),
        _seconds(one.execution_s, one.execution_pm_s),
        one.result,
        one.sequence or "",
    )


def _seconds(value: float | None, off: float | None) -> str:
    if value is None:
        return "-"
    return f"{value:.2f} s" if off is None else f"{value:.2f} ± {off:.2f} s"
