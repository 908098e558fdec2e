"""``lastlook journal``: what practice ``watch`` has timed."""

from __future__ import annotations

import csv
import os
import sys
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from models.errors import UsageError
from vision.case_data import check_code
from vision.cli_options import YesOption, make_sure
from vision.paths import data_folder

if TYPE_CHECKING:
    from rich.console import Console

    from models.attempt import Row
    from models.journal_summary import CaseSummary


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
    per_case: Annotated[
        bool, typer.Option("--by-case", help="Sum up instead: how often and how fast, case by case.")
    ] = False,
) -> int:
    """Show the attempts that were timed; exit status 4 where there are none of those asked for."""
    if context.invoked_subcommand is not None:
        return 0
    if as_json and as_csv:
        raise UsageError("--json and --csv exclude each other; choose one")
    from models.attempt import COLUMNS
    from models.journal import Journal
    from models.journal_summary import SUMMARY_COLUMNS, by_case

    _known_case(case)
    with Journal(journal_path(), to_read=True) as notebook:
        rows = notebook.rows(case=case, since=_date(since), last=last)
        written = len(notebook)
    summaries = by_case(row.attempt for row in rows) if per_case else []
    if as_json or as_csv:
        data = [one.to_json_dict() for one in (summaries if per_case else rows)]
        _hand_on(data, SUMMARY_COLUMNS if per_case else ("id", *COLUMNS), as_csv=as_csv)
    elif per_case and summaries:
        _show_summaries(summaries)
    elif rows:
        _show_attempts(rows)
    elif written:
        typer.echo("no such attempts in the journal; 'lastlook journal' shows those that there are")
    else:
        typer.echo("no attempts in the journal yet; 'lastlook watch' writes them")
    return 0 if rows else 4


def forget(
    numbers: Annotated[
        list[int] | None, typer.Argument(metavar="NUMBER", help="Attempts by their number.")
    ] = None,
    case: Annotated[str | None, typer.Option(metavar="CODE", help="All attempts at this case.")] = None,
    before: Annotated[
        str | None, typer.Option(metavar="DATE", help="All attempts before this date, like 2026-11-25.")
    ] = None,
    everything: Annotated[bool, typer.Option("--all", help="The whole journal.")] = False,
    yes: YesOption = False,
) -> int:
    """Delete attempts from the journal for good, after asking; exit status 4 where none is such."""
    from models.journal import Journal
    from vision.wording import counted

    if everything and (numbers or case or before):
        raise UsageError("--all takes everything; leave out the other choices")
    _known_case(case)
    until = _date(before)
    with Journal(journal_path()) as notebook:
        if not yes and (everything or numbers or case or before):
            many = sum(
                (not numbers or row.id in numbers) and (until is None or row.attempt.at < until)
                for row in notebook.rows(case=case)
            )
            if many:  # else nothing can be lost
                attempts = counted(many, "attempt")
                make_sure(f"Forget {attempts} for good?", f"forgetting {attempts}")
        gone = notebook.forget(numbers or None, case=case, before=until, everything=everything)
    typer.echo(f"{counted(gone, 'attempt')} forgotten")
    return 0 if gone else 4


def _known_case(code: str | None) -> None:
    from models.cases import CASES

    if code is not None:
        check_code(code, CASES)


def _date(text: str | None) -> str | None:
    """A date or a time as the journal compares it; a time with a zone is turned into UTC."""
    if text is None:
        return None
    from datetime import datetime

    from models.attempt import utc_text

    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        raise UsageError(f"{text!r} is no date; write it like 2026-11-25 or 2026-11-25T18:30") from None
    try:
        return utc_text(moment.astimezone())
    except (ValueError, OverflowError, OSError):  # its year would be 0 or 10000; Windows: before 1970
        raise UsageError(f"{text!r} is too far away to compare; write a date like 2026-11-25") from None


def _hand_on(data: Iterable[dict[str, Any]], columns: Sequence[str], *, as_csv: bool) -> None:
    """Objects of JSON, one a line, or comma-separated values with a heading."""
    from vision.json_lines import json_line

    if not as_csv:
        for one in data:
            typer.echo(json_line(one))
        return
    writer = csv.writer(sys.stdout, lineterminator="\n")
    writer.writerow(columns)
    for one in data:
        writer.writerow(["" if value is None else value for value in one.values()])


def _console() -> Console:
    from rich.console import Console

    return Console(width=None if sys.stdout.isatty() else 160, highlight=False, markup=False)


def _table(console: Console, heads: Sequence[str], cells: Sequence[Sequence[str]], right: str) -> bool:
    """A table, False where it finds no room; its last column may be wrapped from 24 characters on.

    ``right`` has a letter for each column: r for one of numbers, l for any other.
    """
    from rich.cells import cell_len
    from rich.table import Table

    widths = [max(map(cell_len, column)) for column in zip(heads, *cells, strict=True)]
    if sum(widths[:-1]) + 2 * len(widths[:-1]) + min(widths[-1], 24) > console.width:
        return False
    table = Table(box=None, pad_edge=False, header_style="bold")
    for place, (name, side) in enumerate(zip(heads, right, strict=True)):
        whole = place < len(heads) - 1
        table.add_column(name, justify="right" if side == "r" else "left", no_wrap=whole)
    for one in cells:
        table.add_row(*one)
    console.print(table)
    return True


def _show_attempts(rows: Sequence[Row]) -> None:
    """A table where the terminal is wide enough for all but long sequences, else lines for each attempt."""
    from vision.terminal import say

    heads = ("no.", "when (UTC)", "cube", "case", "seen", "turned", "result", "sequence")
    cells = [_cells(row) for row in rows]
    console = _console()
    if _table(console, heads, cells, "rlllrrll"):
        return
    for number, when, cube, case, seen, turned, result, sequence in cells:
        say(console, f"{number}  {when} UTC  {cube}", bold=len(number), hang=4)
        say(console, f"    {case}, {result}; seen {seen}, turned {turned}", hang=4)
        if sequence:
            say(console, f"    {sequence}", hang=6, style="dim")


def _show_summaries(summaries: Sequence[CaseSummary]) -> None:
    """A table where the terminal is wide enough, else lines for each case."""
    from models.journal_summary import RECENT
    from vision.terminal import say

    names = ("best", "mean", "median", f"last {RECENT}")
    heads = ("case", "cube", "done", f"seen: {names[0]}", *names[1:], f"turned: {names[0]}", *names[1:])
    cells = [_summary_cells(one) for one in summaries]
    console = _console()
    if not _table(console, heads, cells, "llr" + 2 * "rrrr"):
        for case, cube, done, *times in cells:
            say(console, f"{case}  {cube}", bold=len(case), hang=4)
            say(console, f"    done {done}", hang=4)
            for what, (best, mean, middle, recent) in (("seen", times[:4]), ("turned", times[4:])):
                told = f"best {best}, mean {mean}, median {middle}; {names[-1]}: {recent}"
                say(console, f"    {what}: {told}", hang=6)
    say(
        console, f"in seconds, of those done; {names[-1]}: the mean of the last {RECENT} at most", style="dim"
    )


def _summary_cells(one: CaseSummary) -> tuple[str, ...]:
    values = one.to_json_dict()
    return (
        one.case,
        "x".join([str(one.size)] * 3),
        f"{one.done} of {one.attempts}",
        *(
            _figure(values[f"{what}_{which}_s"])
            for what in ("recognition", "execution")
            for which in ("best", "mean", "median", "recent")
        ),
    )


def _figure(seconds: float | None) -> str:
    return "-" if seconds is None else f"{seconds:.2f}"


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
