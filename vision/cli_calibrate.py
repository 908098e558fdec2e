"""Commands round a cube's colours: calibrate, profile."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from vision.streams import complain

if TYPE_CHECKING:
    from calibration.collect import Collected
    from calibration.profile import Profile


def register(app: typer.Typer) -> None:
    """Add the commands of this module to the application."""
    app.command("calibrate")(calibrate)
    profiles = typer.Typer(no_args_is_help=True, help="List, show, remove and pass on profiles of cubes.")
    profiles.command("list")(list_profiles)
    profiles.command("show")(show)
    profiles.command("remove")(remove)
    profiles.command("export")(export)
    profiles.command("import")(import_file)
    profiles.command("forget")(forget)
    app.add_typer(profiles, name="profile")


def calibrate(
    name: Annotated[str, typer.Argument(help="Name of the profile.")],
    more: Annotated[list[str] | None, typer.Argument(metavar="[PICTURE...]", help="More pictures.")] = None,
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
        typer.Option("--face", help="With --pick, without a window: 'white 10,20 90,22 88,95 12,90'."),
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

    Pictures that do not agree with the others are named and left out. A truth file beside a picture ('review'
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
    made = _made(name, files, camera, pick, face or [], size or 4, colours, scheme, window=not no_window)
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
) -> Collected:
    from rich.console import Console
    from rich.markup import escape

    from vision.calibrate import (
        colour_names,
        parse_face,
        profile_from_faces,
        profile_from_photos,
        scheme_named,
    )

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
        return profile_from_camera(name, camera, colours=names, scheme=order, window=window)
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

    found = gather(pictures)
    if found.problems:
        raise UsageError(f"{found.problems[0].path}: {found.problems[0].reason}")
    files = [item.path for item in found.items if item.kind == "picture"]
    if not files:
        raise UsageError(f"{pictures[0]}: no pictures there")
    return files


def _tell(made: Collected, target: Path, picture: Path | None) -> None:
    for name, reason in made.left_out:
        typer.echo(f"left out: {name}: {reason}", err=True)
    for warning in made.warnings:
        typer.echo(f"note: {warning}", err=True)
    if picture is not None:  # before the words: what they are piped into may close
        _draw(made.profile, picture)
    _print_profile(made.profile)
    typer.echo(f"kept as {made.profile.name!r} ({target})", err=True)


def _print_profile(profile: Profile) -> None:
    from rich.console import Console

    from vision.profile_picture import profile_text
    from vision.terminal import say

    console = Console(highlight=False, soft_wrap=True)
    for line in profile_text(profile).split("\n"):
        say(console, line)


def _draw(profile: Profile, target: Path) -> None:
    from models.files import write_atomically
    from vision.draw import encoded
    from vision.profile_picture import profile_image

    write_atomically(target, encoded(profile_image(profile), target.suffix))


def list_profiles() -> None:
    """Names of the profiles, one a line, with sizes and colours."""
    from rich.console import Console

    from vision.profiles import DEFAULT, load_all
    from vision.terminal import say

    good, bad = load_all()
    console = Console(highlight=False, soft_wrap=True)
    say(console, f"{DEFAULT}: built in, the six usual colours")
    for profile in good:
        sizes = ", ".join(f"{n}x{n}x{n}" for n in profile.sizes) or "any size"
        say(console, f"{profile.name}: {sizes}; {', '.join(profile.colours)}")
    for error in bad:
        complain(error)
    if bad:
        raise typer.Exit(1)


def show(
    name: Annotated[str, typer.Argument(help="Profile's name, or the path of a profile file.")] = "default",
    picture: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Draw swatches and chroma plane here.")
    ] = None,
    compare: Annotated[
        bool,
        typer.Option("--compare", help="Set plain classifiers beside its model, on its own pictures."),
    ] = False,
) -> None:
    """The six colours of a profile, how they scatter, the closest pair, and its held-out scores.

    --compare leaves its pictures out in turn and reads their stickers with what the others teach.
    """
    from vision.outputs import Wanted, check_folders, check_outputs
    from vision.profiles import load_named

    wanted: list[Wanted] = [("--picture", picture, "picture")]
    check_outputs(wanted, [name])
    check_folders(wanted)
    profile = load_named(name)
    assert profile is not None
    if picture is not None:  # before the words: what they are piped into may close
        _draw(profile, picture)
    _print_profile(profile)
    if compare:
        _compare(profile)


def _compare(profile: Profile) -> None:
    from rich.console import Console

    from calibration.compare import compare_kept
    from calibration.profile import default_profile
    from vision.profile_picture import comparison_text

    with Console(stderr=True).status("comparing"):
        scores = compare_kept(profile, default_profile().model)
    typer.echo(comparison_text(scores))


def remove(
    name: Annotated[str, typer.Argument(help="Profile's name.")],
    yes: Annotated[bool, typer.Option("--yes", "-y", help="Do not ask.")] = False,
) -> None:
    """Remove a profile for good."""
    from models.errors import UsageError
    from vision.profiles import profile_path

    path = profile_path(name)
    if not path.is_file():
        raise UsageError(f"there is no profile {name!r}; see 'lastlook profile list'")
    if not yes:
        if not sys.stdin.isatty():
            raise UsageError(f"removing {name!r} cannot be undone; add --yes")
        typer.confirm(f"Remove {name!r} for good?", abort=True)
    path.unlink()
    typer.echo(f"removed {name!r}", err=True)


def export(
    name: Annotated[str, typer.Argument(help="Profile's name.")],
    target: Annotated[Path, typer.Argument(metavar="FILE", help="Where the copy goes.")],
) -> None:
    """Copy a profile to a file, to pass on."""
    from models.errors import UsageError
    from vision.profiles import load_named

    if target.exists():
        raise UsageError(f"{target} is there already; choose another name")
    profile = load_named(name)
    assert profile is not None
    profile.save(target)


def import_file(
    source: Annotated[Path, typer.Argument(metavar="FILE", help="A profile file.")],
    name: Annotated[str | None, typer.Option(help="Another name for it here.")] = None,
    replace: Annotated[bool, typer.Option("--replace", help="Replace a profile of that name.")] = False,
) -> None:
    """Take in a profile file after checking every field of it."""
    from dataclasses import replace as changed

    from calibration.profile import load_profile
    from models.errors import UsageError
    from vision.profiles import profile_path

    profile = load_profile(source)
    chosen = name or profile.name
    target = profile_path(chosen)
    if target.exists() and not replace:
        raise UsageError(f"there is a profile {chosen!r} already; add --replace or --name")
    changed(profile, name=chosen).save(target)
    typer.echo(f"kept as {chosen!r}", err=True)


def forget(name: Annotated[str, typer.Argument(help="Profile's name.")]) -> None:
    """Take back everything that --learn added to a profile."""
    from calibration.learn import without_learned
    from models.errors import UsageError
    from vision.profiles import load_named, profile_path
    from vision.wording import counted

    profile = load_named(name)
    assert profile is not None
    kept, dropped = without_learned(profile)
    if not dropped:
        raise UsageError(f"nothing was learned into {name!r}")
    kept.save(profile_path(name))
    typer.echo(f"{counted(dropped, 'learned picture')} taken out of {name!r}", err=True)
