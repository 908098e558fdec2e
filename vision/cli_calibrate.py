"""``lastlook calibrate``: learn the colours of a cube."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from vision.cli_profile import draw_profile, print_profile

if TYPE_CHECKING:
    from calibration.collect import Collected


def register(app: typer.Typer) -> None:
    """Add the commands of this module to the application."""
    app.command("calibrate")(calibrate)


def calibrate(
    name: Annotated[str, typer.Argument(help="Name of the profile.")],
    more: Annotated[list[str] | None, typer.Argument(metavar="PICTURE", help="More pictures.")] = None,
    photos: Annotated[
        list[str] | None,
        typer.Option(
            "--photos",
            metavar="PICTURE...",
            help="Pictures or folders: the cube solved or at its last layer.",
        ),
    ] = None,
    camera: Annotated[
        str | None,
        typer.Option(metavar="SOURCE", help="Live: a webcam's number, a stream, a recording or frames."),
    ] = None,
    pick: Annotated[
        str | None, typer.Option(metavar="PICTURE", help="Point out faces by hand where the finder fails.")
    ] = None,
    face: Annotated[
        list[str] | None,
        typer.Option(
            "--face", metavar="FACE", help="With --pick, without a window: 'white 10,20 90,22 88,95 12,90'."
        ),
    ] = None,
    size: Annotated[
        int | None, typer.Option("--size", "-n", min=2, max=7, help="Layers, for --pick; 4 if left out.")
    ] = None,
    colours: Annotated[
        str | None, typer.Option(help="Names of your choice: 'white=black, green=mint'.")
    ] = None,
    scheme: Annotated[
        str | None, typer.Option(help="Colours of U R F D L B, where the pictures cannot tell them.")
    ] = None,
    picture: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Draw what was learned into this picture.")
    ] = None,
    no_window: Annotated[
        bool, typer.Option("--no-window", help="With --camera: no window, lines only.")
    ] = False,
    replace: Annotated[bool, typer.Option("--replace", help="Replace a profile of that name.")] = False,
) -> None:
    """Learn the colours of one cube: two pictures of it solved, from opposite corners, are enough.

    Pictures that do not agree with the others are named and left out. With --camera, Ctrl-C ends the sitting
    and makes the profile of the pictures taken until then. A truth file beside a picture ('review'
    writes them) says what its stickers are, in the names of --colours.
    """
    from models.errors import UsageError
    from vision.outputs import Wanted, check_folders, check_output_folder, check_outputs
    from vision.profiles import profile_path
    from vision.sources import pictures_named

    target = profile_path(name)
    if target.exists() and not replace:
        raise UsageError(f"there is a profile {name!r} already; add --replace or choose another name")
    check_output_folder("the folder of profiles", target.parent)
    pictures = [*(photos or []), *(more or [])]
    roads = [bool(photos), camera is not None, pick is not None]
    if sum(roads) != 1 or (more and not photos):
        raise UsageError(
            "say where the colours come from: --photos PICTURE..., --camera SOURCE or --pick PICTURE"
        )
    lost = [option for option, given in (("--face", face), ("--size", size)) if given and pick is None]
    if lost:
        raise UsageError(f"{lost[0]} goes with --pick; elsewhere the pictures tell")
    if scheme and pick is not None:
        raise UsageError("--scheme goes with --photos or --camera; --pick learns the usual one")
    files = _files(pictures) if photos else []
    frames = pictures_named([one for one in (camera, pick) if one is not None])
    wanted: list[Wanted] = [("--picture", picture, "picture")]
    check_outputs(wanted, [*files, *frames])
    check_folders(wanted)
    made = _made(
        name, files, camera, pick, face or [], size or 4, colours, scheme,
        window=not no_window, replaces=target.exists(),
    )  # fmt: skip
    made.profile.save(target)
    _tell(made, target, picture)


def _made(
    name: str,
    pictures: list[str],
    camera: str | None,
    pick: str | None,
    faces: list[str],
    size: int,
    colours: str | None,
    scheme: str | None,
    *,
    window: bool,
    replaces: bool,
) -> Collected:
    from rich.console import Console
    from rich.markup import escape

    from vision.calibrate import profile_from_photos
    from vision.colour_words import colour_names, scheme_named
    from vision.picked_faces import parse_face, profile_from_faces

    names = colour_names(colours)
    order = scheme_named(scheme, names)
    console = Console(stderr=True)
    if pick is not None:
        picked = [parse_face(text) for text in faces]
        if not picked:
            from vision.calibrate_window import pick_faces

            picked = pick_faces(pick, names)
        return profile_from_faces(name, pick, picked, size, colours=names)
    if camera is not None:
        from vision.calibrate_live import profile_from_camera
        from vision.streams import tell_if_pipe

        tell_if_pipe(camera)
        return profile_from_camera(
            name, camera, colours=names, scheme=order, window=window, replaces=replaces
        )
    with console.status("looking at the pictures") as status:
        return profile_from_photos(
            name,
            pictures,
            colours=names,
            scheme=order,
            on_step=lambda words: status.update(escape(words)),
        )


def _files(pictures: list[str]) -> list[str]:
    from models.errors import UsageError
    from vision.gather import gather
    from vision.paths import NothingThereError

    found = gather(pictures)
    if found.problems:
        raise UsageError(f"{found.problems[0].path}: {found.problems[0].reason}")
    files = [item.path for item in found.items if item.kind == "picture"]
    if not files:
        raise NothingThereError(f"{pictures[0]}: no pictures there; name some, or folders that hold some")
    return files


def _tell(made: Collected, target: Path, picture: Path | None) -> None:
    for name, reason in made.left_out:
        typer.echo(f"left out: {name}: {reason}", err=True)
    for warning in made.warnings:
        typer.echo(f"note: {warning}", err=True)
    if picture is not None:  # before the words: what they are piped into may close
        draw_profile(made.profile, picture)
    print_profile(made.profile)
    typer.echo(f"kept as {made.profile.name!r} ({target})", err=True)
