"""``lastlook profile``: list, show, remove and pass on what was learned of cubes."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from vision.cli_options import YesOption, make_sure
from vision.streams import complain

if TYPE_CHECKING:
    from calibration.profile import Profile


def register(app: typer.Typer) -> None:
    """Add the commands of this module to the application."""
    profiles = typer.Typer(no_args_is_help=True, help="List, show, remove and pass on profiles of cubes.")
    profiles.command("list")(list_profiles)
    profiles.command("show")(show)
    profiles.command("remove")(remove)
    profiles.command("export")(export)
    profiles.command("import")(import_file)
    profiles.command("forget")(forget)
    app.add_typer(profiles, name="profile")


def list_profiles() -> None:
    """Names of the profiles, one a line, with sizes and colours."""
    from rich.console import Console

    from vision.profiles import DEFAULT, colours_text, is_built_in, load_all, sizes_text
    from vision.terminal import say

    good, bad = load_all()
    console = Console(highlight=False, soft_wrap=True)
    say(console, f"{DEFAULT}: built in, the six usual colours")
    for profile in good:
        copied = "; a copy of the built-in one, read with only when named" if is_built_in(profile) else ""
        say(console, f"{profile.name}: {sizes_text(profile)}; {colours_text(profile)}{copied}")
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
        draw_profile(profile, picture)
    print_profile(profile)
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
    yes: YesOption = False,
) -> None:
    """Remove a profile for good."""
    from models.errors import UsageError
    from vision.profiles import profile_path

    path = profile_path(name)
    if not path.is_file():
        raise UsageError(f"there is no profile {name!r}; see 'lastlook profile list'")
    if not yes:
        make_sure(f"Remove {name!r} for good?", f"removing {name!r}")
    path.unlink()
    typer.echo(f"removed {name!r}", err=True)


def export(
    name: Annotated[str, typer.Argument(help="Profile's name.")],
    target: Annotated[Path, typer.Argument(metavar="FILE", help="Where the copy goes.")],
) -> None:
    """Copy a profile to a file, to pass on."""
    from models.errors import UsageError
    from vision.outputs import check_folder_of
    from vision.profiles import load_named

    if str(target) == "-":
        raise UsageError("FILE -: nothing is printed by that; name a file")
    if target.exists():
        raise UsageError(f"{target} is there already; choose another name")
    check_folder_of("FILE", target)
    profile = load_named(name)
    assert profile is not None
    profile.save(target)
    typer.echo(f"{profile.name!r} written to {target}", err=True)


def import_file(
    source: Annotated[Path, typer.Argument(metavar="FILE", help="A profile file.")],
    name: Annotated[str | None, typer.Option(metavar="NAME", help="Another name for it here.")] = None,
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


def print_profile(profile: Profile) -> None:
    """Its colours, a line each, and how well they are told apart, on standard output."""
    from rich.console import Console

    from vision.profile_picture import profile_lines
    from vision.terminal import say

    console = Console(highlight=False, soft_wrap=True)
    for line, swatch in profile_lines(profile):
        say(console, line, swatch=swatch)


def draw_profile(profile: Profile, target: Path) -> None:
    """Write the picture of its colours. Raises LastlookError where it cannot be written."""
    from models.files import write_atomically
    from vision.draw import encoded
    from vision.profile_picture import profile_image

    write_atomically(target, encoded(profile_image(profile), target.suffix))
