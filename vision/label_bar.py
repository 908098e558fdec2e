"""What ``lastlook label`` shows while it runs: a progress bar, and a line or an object for each answer."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import typer

from vision.streams import one_line

if TYPE_CHECKING:
    from vision.gather import Item
    from vision.label import Outcome

MOST_LISTED: Final = 6
"""Candidates that a line names."""


class Bar:
    """The progress bar on stderr, with rate and time left; answers on stdout where no file takes them."""

    def __init__(self, total: int, out: str | None) -> None:
        from rich.console import Console
        from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

        self._out = out
        console = Console(stderr=True)
        self._progress = Progress(
            TextColumn("{task.description}"),
            BarColumn(),
            MofNCompleteColumn(),
            TextColumn("{task.fields[rate]}"),
            TimeRemainingColumn(),
            TextColumn("left"),
            console=console,
            disable=not console.is_terminal,
            redirect_stdout=console.is_terminal,
            redirect_stderr=console.is_terminal,
        )
        self._all = self._progress.add_task("labelling", total=total, rate="")
        self._recording: Any = None
        self._seen = 0

    def __enter__(self) -> Bar:
        from time import monotonic

        self._began = monotonic()
        self._progress.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._progress.stop()

    def file_done(self, outcome: Outcome) -> None:
        from time import monotonic

        from vision.json_lines import json_line

        self._seen += 1
        rate = self._seen / max(monotonic() - self._began, 1e-3)
        self._progress.update(self._all, advance=1, rate=f"{rate:.1f} a second")
        if self._recording is not None:
            self._progress.remove_task(self._recording)
            self._recording = None
        if self._out == "-":
            for answer in outcome.answers:
                typer.echo(json_line(answer))
        elif self._out is None:
            for answer in outcome.answers:
                typer.echo(answer_line(answer))

    def recording_at(self, item: Item, done_s: float, total_s: float) -> None:
        if self._recording is None:
            name = Path(item.path).name
            self._recording = self._progress.add_task(name, total=max(round(total_s), 1), rate="seconds")
        self._progress.update(self._recording, completed=round(done_s))


def answer_line(answer: dict[str, Any]) -> str:
    """One answer on one line: file, time where it is from a recording, what was named or why not."""
    from vision.shown import clock
    from vision.wording import lists_candidates, percent

    where = one_line(str(answer["image"]))
    if "start" in answer:
        where += f" {clock(float(answer['start']))}-{clock(float(answer['end']))}"
    case = answer.get("case")
    if answer.get("ok") and case:
        return f"{where}: {case['code']}, {percent(float(answer.get('confidence', case['probability'])))}"
    reason = answer.get("reason")
    codes = [one["code"] for one in answer.get("candidates", ())]
    if not codes or not lists_candidates(reason, answer.get("seen") or {}):
        return f"{where}: {reason}"
    more = f" and {len(codes) - MOST_LISTED} more" if len(codes) > MOST_LISTED else ""
    return f"{where}: {reason}, one of {' '.join(codes[:MOST_LISTED])}{more}"
