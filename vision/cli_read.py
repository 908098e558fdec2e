"""``lastlook read`` and ``lastlook score``: pictures in, answers or a table out."""

from __future__ import annotations

import os
import shutil
import time
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from vision.cli_options import (
    BestProfileOption,
    Front,
    FrontOption,
    MirroredOption,
    ProfileOption,
    SizeOption,
)
from vision.json_lines import json_line
from vision.streams import complain

if TYPE_CHECKING:
    from collections.abc import Callable

    from vision.answer import Answer
    from vision.sources import Photo

READ_LONG_SIDE = 2000


def register(app: typer.Typer) -> None:
    """Add the commands of this module."""
    app.command("read")(read)
    app.command("score")(score)


def read(
    pictures: Annotated[
        list[str],
        typer.Argument(metavar="PICTURE", help="Photos, folders of photos, or - for standard input."),
    ],
    json_lines: Annotated[
        bool, typer.Option("--json", help="Print one JSON object a picture, one line each.")
    ] = False,
    save: Annotated[
        str | None,
        typer.Option(
            metavar="FILE",
            help="Write the annotated picture here; for several pictures a folder, made if it ends in a /.",
        ),
    ] = None,
    front: FrontOption = None,
    mirrored: MirroredOption = False,
    size: SizeOption = None,
    profile: BestProfileOption = None,
) -> int:
    """Name the last-layer case in each picture and show a sequence for the angle at which it lies.

    Exit status: 0 every case named, 3 a cube seen but its case not named, 4 nothing found, 2 a path where
    nothing is, 1 a picture that could not be read; of several the first of 2, 1, 4, 3, 0 that occurs.
    """
    from models.errors import LastlookError
    from vision.answer import unreadable
    from vision.outputs import Wanted, check_folders, check_outputs
    from vision.paths import is_folder
    from vision.sources import NoPictureError, PictureError, pictures_named

    names = list(pictures_named(pictures))
    several = len(names) > 1 or any(is_folder(name) for name in pictures)
    targets = _targets(save, [str(name) for name in names], several=several)
    wanted: list[Wanted] = [("--save", target, "picture") for target in targets]
    check_outputs(wanted, names)
    check_folders(wanted)
    answer_one = _reader(front=front, mirrored=mirrored, size=size, profile=profile, full=save is not None)
    statuses: set[int] = set()
    shown = 0
    for name, target in zip(names, targets, strict=True):
        try:
            if isinstance(name, PictureError):
                raise name
            answer, photo = answer_one(name)
        except PictureError as error:
            complain(error)
            statuses.add(error.exit_status)
            if json_lines and isinstance(name, str) and not isinstance(error, NoPictureError):
                _show(unreadable(name), json_lines, first=False)
            continue
        if target is not None:  # before the words: what they are piped into may close
            try:
                _save(answer, photo, target)
            except LastlookError as error:  # the answer is told all the same
                complain(error)
                statuses.add(error.exit_status)
        _show(answer.scaled(photo.reduction), json_lines, first=shown == 0)
        shown += 1
        statuses.add(answer.exit_status)
    if shown and not json_lines:
        import textwrap

        from vision.wording import CAUTION

        typer.echo("\n" + textwrap.fill(CAUTION, _width()))
    return next(status for status in (2, 1, 4, 3, 0) if status in statuses)


def _save(answer: Answer, photo: Photo, target: Path) -> None:
    """Write the annotated picture; raises LastlookError where it cannot be written."""
    from models.files import write_atomically
    from vision.draw import annotated, encoded

    write_atomically(target, encoded(annotated(photo.image_bgr, answer), target.suffix))


def _show(answer: Answer, json_lines: bool, *, first: bool) -> None:
    if json_lines:
        from vision.answer_json import answer_to_json

        typer.echo(json_line(answer_to_json(answer)))
        return
    from vision.wording import answer_text

    gap = "" if first else "\n"
    typer.echo(gap + answer_text(answer, _width()))


def _width() -> int:
    """Characters of a line in this terminal, 100 at most and 88 where there is none."""
    return min(100, shutil.get_terminal_size((88, 24)).columns)


def _targets(named: str | None, names: Sequence[str], *, several: bool) -> list[Path | None]:
    """Where each annotated picture goes; UsageError where one file is named for several pictures."""
    if named is None:
        return [None] * len(names)
    from models.errors import UsageError
    from vision.paths import kind_at

    save = Path(named)
    if named.endswith(("/", os.sep)):
        try:
            save.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise UsageError(
                f"--save {named}: this folder cannot be made ({error.strerror}); name another"
            ) from None
    if kind_at(save) != "folder":
        if several:
            raise UsageError(f"--save {save}: for several pictures name a folder, as {save.with_suffix('')}/")
        return [save]
    targets: dict[str, Path | None] = {}
    for name in names:
        stem = base = "picture" if name == "-" else Path(name).stem
        again = 2
        while stem in targets:
            stem, again = f"{base}-{again}", again + 1
        targets[stem] = save / f"{stem}-answer.png"
    return list(targets.values())


def _reader(
    *, front: Front | None, mirrored: bool, size: int | None, profile: str | None, full: bool
) -> Callable[[str], tuple[Answer, Photo]]:
    """What reads one picture: the answer in pixels of the photo as it was decoded, and that."""
    from vision.library_files import open_library
    from vision.profile_choice import Chooser
    from vision.sources import load_photo

    chooser, library = Chooser(profile), open_library()
    side = None if front is None else front.value

    def answer_one(name: str) -> tuple[Answer, Photo]:
        began = time.perf_counter()
        photo = load_photo(name, min_long_side=None if full else READ_LONG_SIDE)
        loading = time.perf_counter() - began
        if photo.is_first:
            complain(f"{name}: an animation; its first picture alone is read")
        answer = chooser.read(
            photo.image_bgr, size=size, front=side, mirrored=mirrored, library=library, image=name
        )
        return replace(answer, seconds={**answer.seconds, "read": loading}), photo

    return answer_one


def score(
    folder: Annotated[
        Path, typer.Argument(help="Folder of pictures with their truth (NAME.json) beside them.")
    ],
    json_object: Annotated[bool, typer.Option("--json", help="Print the scores as one JSON object.")] = False,
    sheet: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Write one picture of the failures, each drawn."),
    ] = None,
    answers: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Keep the answers here, one JSON line each, and go on from them."),
    ] = None,
    profile: ProfileOption = None,
) -> int:
    """Score the reading of pictures whose truth is known, by condition."""
    from vision.report import score_folder

    return score_folder(folder, as_json=json_object, sheet=sheet, answers=answers, profile=profile)
