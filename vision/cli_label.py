"""``lastlook label``: many photos and recordings."""

from __future__ import annotations

import os
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from vision.cli_options import BestProfileOption, FrontOption, MirroredOption, SizeOption
from vision.label_bar import Bar
from vision.streams import one_line

if TYPE_CHECKING:
    from vision.gather import Problem
    from vision.label import Tally
    from vision.label_run import Settings


class Order(StrEnum):
    """Order of the answers: as the files were given, or by file name."""

    input = "input"
    name = "name"


def register(app: typer.Typer) -> None:
    """Add the commands of this module to the application."""
    app.command("label")(label_command)


def label_command(
    paths: Annotated[
        list[str] | None,
        typer.Argument(metavar="PATH", help="Pictures, folders (with all below them) and recordings."),
    ] = None,
    out: Annotated[
        str | None,
        typer.Option(
            "--out", "-o", metavar="FILE", help="JSON lines go here, one an answer; '-' prints them."
        ),
    ] = None,
    resume: Annotated[
        bool, typer.Option("--resume", help="Go on with --out: skip what is done and unchanged.")
    ] = False,
    order: Annotated[Order, typer.Option("--order", help="Order of the answers.")] = Order.input,
    csv: Annotated[Path | None, typer.Option("--csv", metavar="FILE", help="A table of all answers.")] = None,
    page: Annotated[
        Path | None, typer.Option("--page", metavar="FILE", help="One HTML page of the collection.")
    ] = None,
    annotate: Annotated[
        Path | None,
        typer.Option("--annotate", metavar="FOLDER", help="Folder for copies with the answer drawn on."),
    ] = None,
    copy_to: Annotated[
        Path | None,
        typer.Option(
            "--copy-to", metavar="FOLDER", help="Folder for copies, in a folder for each case code."
        ),
    ] = None,
    rename: Annotated[
        bool, typer.Option("--rename", help="Put the case code in front of each name.")
    ] = False,
    yes: Annotated[
        bool, typer.Option("--yes", "-y", help="Do what --copy-to and --rename otherwise only announce.")
    ] = False,
    undo: Annotated[
        Path | None, typer.Option("--undo", metavar="LOG", help="Take back the filing of that log; no PATH.")
    ] = None,
    chapters: Annotated[
        Path | None,
        typer.Option(
            "--chapters",
            metavar="FOLDER",
            help="Folder for chapters of recordings (text, WebVTT, CSV, JSON).",
        ),
    ] = None,
    stills: Annotated[
        Path | None,
        typer.Option(
            "--stills", metavar="FOLDER", help="Folder for a picture of each case shown in a recording."
        ),
    ] = None,
    size: SizeOption = None,
    front: FrontOption = None,
    mirrored: MirroredOption = False,
    profile: BestProfileOption = None,
    learn: Annotated[
        bool,
        typer.Option("--learn", help="Let the surest pictures teach --profile; 'profile forget' undoes it."),
    ] = False,
    jobs: Annotated[int, typer.Option("--jobs", "-j", min=0, help="Processes; 0 for one a core.")] = 0,
    dask: Annotated[
        str | None,
        typer.Option("--dask", metavar="ADDRESS", help="Address of a Dask scheduler that does the reading."),
    ] = None,
) -> None:
    """Name the case in every picture and list the cases shown in recordings.

    Answers are written as they come; stop with Ctrl-C and go on with --resume. Files that cannot be read
    are listed at the end. Exit status: 0 all files were read, 1 some could not be or in part only, something
    could not be written beside the answers or the run was stopped, 2 nothing is at a path that was named,
    4 no picture or recording was found.
    """
    from models.errors import UsageError
    from vision.gather import gather
    from vision.label_run import Progress, Settings, file_pictures, run
    from vision.library_files import open_library
    from vision.outputs import check_output_folder, check_outputs, check_unread_folder
    from vision.photo_reader import PhotoReader, loaded_profile
    from vision.profiles import taught_path

    if undo is not None:
        if paths:
            raise UsageError("--undo takes the log alone; leave out the paths")
        raise typer.Exit(_undo(undo))
    if not paths:
        raise UsageError("name pictures, folders or recordings to label")
    if resume and out in (None, "-"):
        raise UsageError("--resume goes on with a file: name it with --out")
    if yes and copy_to is None and not rename:
        raise UsageError("--yes goes with --copy-to or --rename; add one of them")
    if learn:
        taught_path(profile)
    loaded_profile(profile)  # a wrong name is told before the work begins
    pictures_go_to = {"--annotate": annotate, "--copy-to": copy_to, "--stills": stills}
    own = {option: folder for option, folder in pictures_go_to.items() if folder is not None}
    for option, folder in own.items():
        check_unread_folder(option, folder, paths)
    gathered = gather(paths, skip=own.values())
    if not gathered.items:
        _list_problems(list(gathered.problems))
        typer.echo("lastlook: no picture or recording there; name files or folders that hold some", err=True)
        raise typer.Exit(max((one.exit_status for one in gathered.problems), default=4))
    kinds = {item.kind for item in gathered.items}
    if annotate is not None and "recording" in kinds:
        how = "" if stills is not None else "; --stills FOLDER keeps a picture of each case shown"
        typer.echo(f"note: recordings are not annotated{how}", err=True)
    settings = Settings(
        photos=PhotoReader(
            size,
            None if front is None else front.value,
            profile,
            str(annotate) if annotate is not None and "picture" in kinds else None,
            mirrored=mirrored,
        ),
        out=None if out in (None, "-") else Path(str(out)),
        resume=resume,
        order=order.value,
        jobs=jobs or _cores(),
        dask=dask,
        csv=csv,
        page=page,
        chapters_to=chapters,
        stills_to=stills,
    )
    check_outputs(settings.outputs(), (item.path for item in gathered.items))
    if copy_to is not None:
        check_output_folder("--copy-to", copy_to)
    open_library()  # tells what is wrong in it, once for all processes
    with Bar(len(gathered.items), out) as bar:
        tally, answers = run(gathered, settings, Progress(bar.file_done, bar.recording_at))
    try:
        for wanted, log, done in file_pictures(answers, copy_to=copy_to, rename=rename, really=yes):
            _tell_filing(wanted, log, done, settings, yes)
    finally:  # what the reading came to is told whatever becomes of the filing
        _summary(tally, settings)
    if mirrored:
        _tell_unmirrored(answers)
    if profile not in (None, "default") and not tally.stopped:
        _learn(answers, settings, str(profile), really=learn)
    if tally.stopped or tally.problems or tally.partly or tally.unwritten:
        raise typer.Exit(max((one.exit_status for one in tally.problems), default=1))


def _summary(tally: Tally, settings: Settings) -> None:
    from vision.wording import counted

    counts = [f"{tally.named} named", f"{tally.unsettled} not settled", f"{tally.nothing} without a cube"]
    if tally.recordings:
        shown = f"{counted(tally.shown, 'case')} shown in {counted(tally.recordings, 'recording')}"
        counts = [shown] if tally.files == tally.recordings else [*counts, shown]
    if tally.skipped and not tally.files and not tally.stopped:
        typer.echo(f"nothing new: {counted(tally.skipped, 'file')} done before", err=True)
    else:
        before = [f"{tally.skipped:,} done before"] if tally.skipped else []
        typer.echo(f"{counted(tally.files, 'file')}: {', '.join([*counts, *before])}", err=True)
    _list_problems(tally.problems)
    _list_problems(tally.partly, "damaged; answered by what could be read")
    _list_problems(tally.unwritten, "read, but not all that was asked for could be written")
    if tally.stopped:
        how = (
            f"go on with --resume --out {settings.out}" if settings.out else "give --out to be able to go on"
        )
        typer.echo(f"stopped; {how}", err=True)
    elif tally.unsettled and settings.out:
        typer.echo(f"for what is not settled: lastlook review {settings.out}", err=True)


def _learn(answers: list[dict[str, Any]], settings: Settings, profile: str, *, really: bool) -> None:
    """Notice drift away from the profile, and with --learn add the surest pictures to it."""
    from rich.console import Console
    from rich.progress import track

    from calibration.learn import MOST_LEARNED, DriftWatch, learned, worth_learning
    from vision.label_learn import look_again, surest
    from vision.profiles import load_named, profile_path
    from vision.wording import counted

    console = Console(stderr=True)
    again = track(
        surest(answers, MOST_LEARNED if really else 8),
        "looking again",
        console=console,
        transient=True,
        disable=not console.is_terminal,
    )
    seen = [one for image in again if (one := look_again(image, settings.photos)) is not None]
    watch, loaded = DriftWatch(), load_named(profile)
    assert loaded is not None
    for one in seen:
        watch.add(one.samples, loaded)
    warning = watch.warning()
    if warning is not None:
        typer.echo(f"note: {warning}", err=True)
    if really and watch.has_drifted:
        typer.echo(f"nothing added to {profile!r}: it learns from its own cube alone", err=True)
    elif really:
        own = [one for one in seen if one.may_be_of(loaded)]
        good = [one for one in own if worth_learning(one.reading, one.samples)]
        if good:
            learned(loaded, good).save(profile_path(profile))
        others = (
            f"; {len(seen) - len(own)} of cubes of another size left alone" if len(own) < len(seen) else ""
        )
        typer.echo(f"{counted(len(good), 'picture')} added to {profile!r}{others}", err=True)


def _tell_unmirrored(answers: list[dict[str, Any]]) -> None:
    """Say how many of what was told to be mirror images was read as none."""
    many = sum(not one["mirrored"] for one in answers if one["reason"] in (None, "ambiguous"))
    if many:
        typer.echo(
            f"note: the colours of {many:,} of these show no mirror image: taken as they are", err=True
        )


def _list_problems(problems: list[Problem], words: str = "could not be read") -> None:
    if problems:
        typer.echo(f"{len(problems)} {words}:", err=True)
    for problem in problems:
        typer.echo(f"  {one_line(f'{problem.path}: {problem.reason}')}", err=True)


def _tell_filing(wanted: Any, log: Path, done: int, settings: Settings, really: bool) -> None:
    from vision.wording import counted

    if not really:
        for step in wanted.steps:
            typer.echo(one_line(f"would {step.action} {step.source} -> {step.target}"), err=True)
        how = "--yes --resume" if settings.out is not None and not settings.resume else "--yes"
        files = counted(len(wanted.steps), "file")
        typer.echo(f"{files}; nothing was touched: add {how} to do it", err=True)
    elif not done:
        typer.echo("nothing to file", err=True)
    else:
        typer.echo(f"{counted(done, 'file')} filed; take it back with: lastlook label --undo {log}", err=True)
    for path, reason in wanted.left_alone:
        typer.echo(one_line(f"left alone: {path} ({reason})"), err=True)


def _undo(log: Path) -> int:
    from vision.filing_steps import undo
    from vision.wording import counted

    undone, left = undo(log)
    typer.echo(f"{counted(undone, 'file')} taken back", err=True)
    for path, reason in left:
        typer.echo(one_line(f"left alone: {path} ({reason})"), err=True)
    return 1 if left else 0


def _cores() -> int:
    """Cores that this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
