"""``lastlook watch``: a camera at the cube."""

from __future__ import annotations

import os
import sys
from contextlib import ExitStack, suppress
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from vision.cli_journal import journal_path
from vision.cli_options import FrontOption, ProfileOption, SizeOption

if TYPE_CHECKING:
    from vision.learner import Teacher


class Look(StrEnum):
    """Colours of the window."""

    dark = "dark"
    light = "light"


def register(app: typer.Typer) -> None:
    """Add the commands of this module."""
    app.command("watch")(watch)


def watch(
    source: Annotated[
        str,
        typer.Argument(
            help="A webcam's number, a recording, a folder of frames, or an http(s) or rtsp address."
        ),
    ] = "0",
    no_window: Annotated[bool, typer.Option("--no-window", help="Print lines instead.")] = False,
    as_json: Annotated[
        bool, typer.Option("--json", help="Print one JSON object a frame, without a window.")
    ] = False,
    front: FrontOption = None,
    size: SizeOption = None,
    profile: ProfileOption = None,
    learn: Annotated[
        bool,
        typer.Option(
            "--learn",
            help="Let one sure look of each attempt teach --profile; 'profile forget' undoes it.",
        ),
    ] = False,
    mirrored: Annotated[bool, typer.Option("--mirrored", help="The source shows a mirror image.")] = False,
    look: Annotated[Look, typer.Option(help="Colours of the window; T changes them.")] = Look.dark,
    frame_rate: Annotated[
        float, typer.Option(min=1.0, max=1000.0, help="Frames a second of a folder of frames.")
    ] = 30.0,
    moments: Annotated[
        Path | None, typer.Option(metavar="FOLDER", help="Where the key S saves moments.")
    ] = None,
    keep: Annotated[bool, typer.Option("--journal/--no-journal", help="Write attempts down.")] = True,
    patience: Annotated[
        float | None,
        typer.Option(
            metavar="SECONDS",
            min=0.0,
            help="Give up on a camera that stays away so long; without a window 60, with one never.",
        ),
    ] = None,
) -> int:
    """Watch a cube: follow it, name its case, show what to do, and time the practice."""
    # matrices here are small: threads inside them only get in the way of ours
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    from vision.outputs import check_output_folder
    from vision.profiles import load_named, taught_path
    from vision.readers import quiet_opencv
    from vision.stream_source import source_named
    from vision.streams import complain, tell_if_pipe

    if moments is not None:
        check_output_folder("--moments", moments)
    taught = taught_path(profile) if learn else None
    windowed = not (no_window or as_json)
    where = source_named(source)
    tell_if_pipe(source)
    if windowed:
        from vision.live import window_problem

        problem = window_problem()
        if problem is not None:
            complain(f"no window can be opened: {problem}; printing lines instead")
            windowed = False
    quiet_opencv()

    import cv2

    from calibration.profile import default_profile
    from models.errors import LastlookError
    from models.journal import Journal
    from vision.session import Session
    from vision.stream import FrameStream, Pace
    from vision.watch import WindowWatch, load_library_beside, run_lines
    from vision.watcher import Watcher

    colours = load_named(profile) or default_profile()
    give_up_s = patience if patience is not None else (None if windowed else 60.0)
    with ExitStack() as tidy:
        try:
            notebook = tidy.enter_context(Journal(journal_path())) if keep else None
        except LastlookError as error:
            raise LastlookError(f"{error}; --no-journal watches without it") from error
        teacher = learner = None
        if taught is not None:
            from vision.learner import Learner, Teacher

            teacher = Teacher(taught)
            learner = Learner(where, teacher.teach)
            tidy.callback(_tell_looks, teacher, profile)
        pace: Pace = "clock" if windowed else "every"
        stream = FrameStream(where, pace=pace, give_up_s=give_up_s, frame_rate=frame_rate)
        tidy.enter_context(stream)
        # what has an end of its own is worked off frame by frame; an address tells once it is opened
        finite = where.finite if windowed else stream.first_try()
        live = windowed or not finite
        watcher = Watcher(colours, size=size, front=None if front is None else front.value, live=live)
        tidy.callback(watcher.close)
        watcher.mirrored = mirrored
        cube = "" if profile is None else colours.name
        session = Session(stream, watcher, journal=notebook, cube=cube, learner=learner)
        cv2.setNumThreads(1 if live else 2)
        if windowed:
            from vision.live import Window
            from vision.moments import moments_folder

            load_library_beside(session)
            runner = WindowWatch(session, dark=look is Look.dark, moments=moments or moments_folder())
            with Window(any_shape=True) as window, suppress(KeyboardInterrupt):
                runner.run(window)
            return 0
        if not as_json:
            from vision.library_files import open_library

            session.library = open_library()
        try:
            return run_lines(session, sys.stdout, as_json=as_json, finite=finite)
        except KeyboardInterrupt:
            if finite:
                raise
            return 0  # the usual way to end a camera


def _tell_looks(teacher: Teacher, profile: str | None) -> None:
    """End the teaching, and say what came of it."""
    from vision.wording import counted

    teacher.close()
    typer.echo(f"{counted(teacher.added, 'look')} added to {profile!r}", err=True)
