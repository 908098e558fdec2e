"""``lastlook score``: read every picture whose truth is known, and say how well that went."""

from __future__ import annotations

import sys
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import typer

from models.errors import LastlookError
from vision.answer import Answer
from vision.json_lines import json_line
from vision.kept_answers import KeptAnswers
from vision.naming import Naming
from vision.outputs import Wanted, check_folders, check_outputs
from vision.paths import digest_of
from vision.profiles import load_named
from vision.read_with import library_digests, profile_digests
from vision.scoring import Mark, conditions, coverage_curve, is_unread, marked, summed
from vision.sources import pictures_named
from vision.streams import complain, one_line
from vision.truth import Truth, truths_in
from vision.wording import counted

if TYPE_CHECKING:
    from rich.table import Table

Column = tuple[str, str, str]
_CONDITION: Final = "condition"
_OUTCOMES: Final[tuple[Column, ...]] = (
    ("pictures", "pictures", "count"),
    ("right", "right_share", "percent"),
    ("wrong", "wrong", "count"),
    ("wrong\nat 0.9", "wrong_sure", "count"),
    ("abstained", "abstained", "count"),
    ("missed", "missed", "count"),
    ("refused", "refused", "count"),
    ("right\nreason", "refused_rightly", "count"),
)
_QUALITY: Final[tuple[Column, ...]] = (
    ("listed", "listed_share", "percent"),
    ("short\nlist", "short_share", "percent"),
    ("size", "size_share", "percent"),
    ("stickers\nraw", "stickers_raw", "percent"),
    ("stickers\ndecoded", "stickers_decoded", "percent"),
    ("placement\nin stickers", "placement", "number"),
    ("ECE", "ece", "number"),
    ("Brier", "brier", "number"),
)


def score_folder(
    folder: Path,
    *,
    as_json: bool = False,
    sheet: Path | None = None,
    answers: Path | None = None,
    profile: str | None = None,
) -> int:
    """Score ``folder``, print the table or the JSON object, and return the exit status: 0 for all of it, 1
    where it was stopped or a truth was left out.

    Stopped by the keyboard, it reports on what was read until then; with ``answers`` the next run goes
    on from there. A picture that cannot be read counts as missed; its line, and that of each truth that is
    wrong and left out, goes to stderr.
    """
    wanted: list[Wanted] = [("--sheet", sheet, "picture"), ("--answers", answers, "answers")]
    check_outputs(wanted, pictures_named([str(folder)]))
    check_folders(wanted)
    naming = Naming.of(load_named(profile))
    left_out: list[LastlookError] = []

    def leave_out(problem: LastlookError) -> None:
        left_out.append(problem)
        complain(f"left out: {problem}")

    truths = truths_in(folder, naming.names, on_problem=leave_out)
    marks = [
        marked(replace(answer, palette=naming.rgb), truth)
        for truth, answer in _answered(truths, answers, profile)
    ]
    is_stopped = len(marks) < len(truths)
    if is_stopped:
        sys.stderr.write(f"lastlook: stopped after {len(marks)} of {counted(len(truths), 'picture')}\n")
    unwritten: LastlookError | None = None
    if sheet is not None:  # before the table: what it is piped into may close
        try:
            _write_sheet(marks, sheet)
        except LastlookError as error:  # the table took long to make: it is told all the same
            unwritten = error
    groups = conditions(marks)
    if as_json:
        typer.echo(json_line(as_object(marks), indent=1))
    else:
        from rich.console import Console

        console = Console(width=None if sys.stdout.isatty() else 110)
        for columns in (_OUTCOMES, _QUALITY):
            for one in tables(groups, columns, console.width):
                console.print(one, "")
        typer.echo(_curve_text(marks))
    if unwritten is not None:
        raise unwritten
    return int(is_stopped or bool(left_out))


def as_object(marks: Sequence[Mark]) -> dict[str, Any]:
    """The scores as plain data: by condition, the coverage curve, and every picture that was not right."""
    return {
        "conditions": {name: summed(group) for name, group in conditions(marks).items()},
        "coverage": coverage_curve(marks),
        "failures": [
            {
                "image": str(mark.truth.picture),
                "outcome": mark.outcome,
                "truth": mark.truth.code or mark.truth.reason,
                "answer": mark.answer.case.code if mark.answer.case else mark.answer.reason,
                "claimed": mark.sureness,
                "settled": mark.truth.is_settled,
                "tags": list(mark.truth.tags),
            }
            for mark in failures(marks)
        ],
    }


def failures(marks: Sequence[Mark]) -> list[Mark]:
    """What went wrong, worst first; keeping quiet about a picture that is not settled is no failure."""
    order = {"wrong": 0, "missed": 1, "abstained": 2, "refused-otherwise": 3}
    failed = [
        mark
        for mark in marks
        if mark.outcome in order
        and not (mark.outcome == "abstained" and not mark.truth.is_settled and mark.listed)
    ]
    return sorted(failed, key=lambda mark: (order[mark.outcome], -(mark.sureness or 0.0)))


def tables(groups: dict[str, list[Mark]], columns: Sequence[Column], width: int) -> list[Table]:
    """The scores by condition in as few tables as fit into ``width`` characters, about as many columns each.

    A column is (heading, key of :func:`vision.scoring.summed`, kind). A name of a condition is broken where
    it would take more than half of the width.
    """
    from rich.cells import cell_len
    from rich.markup import escape
    from rich.table import Table

    scores = {one_line(name): summed(group) for name, group in groups.items()}
    names = min(max(map(cell_len, (*scores, _CONDITION))), width // 2)
    texts = [[_cell(score[key], kind) for score in scores.values()] for _, key, kind in columns]
    widths = [
        1 + max(map(len, (*heading.split("\n"), *cells)))
        for (heading, _, _), cells in zip(columns, texts, strict=True)
    ]

    def parts(many: int) -> list[slice]:
        return [slice(i * len(columns) // many, (i + 1) * len(columns) // many) for i in range(many)]

    fewest = next(
        many
        for many in range(1, len(columns) + 1)
        if many == len(columns) or all(names + sum(widths[part]) <= width for part in parts(many))
    )
    out = []
    for part in parts(fewest):
        one = Table(box=None, pad_edge=False, header_style="bold", collapse_padding=True)
        one.add_column(_CONDITION, overflow="fold", max_width=names)
        for heading, _, _ in columns[part]:
            one.add_column(heading, justify="right", no_wrap=True)
        for name, *cells in zip(scores, *texts[part], strict=True):
            one.add_row(escape(name), *cells)
        out.append(one)
    return out


def _cell(value: float | None, kind: str) -> str:
    if value is None:
        return "-"
    if kind == "count":
        return str(value)
    return f"{100 * value:.1f} %" if kind == "percent" else f"{value:.3f}"


def _curve_text(marks: Sequence[Mark]) -> str:
    lines = ["speaks from   coverage   of these wrong"]
    for point in coverage_curve(marks):
        lines.append(
            f"{point['threshold']:>11g} {100 * point['coverage']:>9.1f} % {100 * point['error']:>14.2f} %"
        )
    return "\n".join(lines)


def _answered(truths: Sequence[Truth], path: Path | None, profile: str | None) -> list[tuple[Truth, Answer]]:
    """Each truth with its answer, out of the file ``path`` where that has it; stops early on Ctrl-C."""
    from rich.console import Console
    from rich.progress import track

    digests = {"profile": profile_digests([load_named(profile)]), "library": library_digests()}
    kept = KeptAnswers(path, digests)
    read = None
    out = []
    console = Console(stderr=True)
    try:
        for truth in track(
            truths, description="reading", console=console, transient=True, disable=not console.is_terminal
        ):
            digest = _digest(truth.picture)
            answer = kept.known(str(truth.picture), digest)
            if answer is None:
                if read is None:
                    kept.find_room()
                    read = _reader(profile)
                answer = read(truth)
                if not is_unread(answer):
                    kept.keep(answer, digest)
            out.append((truth, answer))
    except KeyboardInterrupt:
        pass
    return out


def _digest(picture: Path) -> str:
    """Of its content; "" for a picture that cannot be read."""
    try:
        return digest_of(picture)
    except OSError:
        return ""


def _reader(profile: str | None) -> Callable[[Truth], Answer]:
    from vision.library_files import open_library
    from vision.pipeline import read_picture
    from vision.sources import PictureError, load_photo

    chosen, library = load_named(profile), open_library()

    def read(truth: Truth) -> Answer:
        name = str(truth.picture)
        try:
            photo = load_photo(name)
        except PictureError as error:
            complain(error)
            return Answer(image=name, ok=False, reason="unreadable", detail=str(error))
        return read_picture(photo.image_bgr, profile=chosen, library=library, image=name)

    return read


def _write_sheet(marks: Sequence[Mark], path: Path) -> None:
    from models.files import write_atomically
    from vision.draw import encoded
    from vision.failure_sheet import failure_sheet

    write_atomically(path, encoded(failure_sheet(failures(marks)), path.suffix))
