"""The application: every command registered, and one command line handed to it."""

from __future__ import annotations

import importlib
import sys
from collections.abc import Sequence
from typing import Annotated, Any, Final

import typer

from vision.help_text import let_help_flow, name_values

COMMANDS: Final = {
    "vision.cli_read": ("read", "score"),
    "vision.cli_engine": ("apply",),
    "vision.cli_find": ("find",),
    "vision.cli_check": ("check",),
    "vision.cli_case": ("case", "cases"),
    "vision.cli_sequence": ("sequence",),
    "vision.cli_calibrate": ("calibrate",),
    "vision.cli_profile": ("profile",),
    "vision.cli_watch": ("watch",),
    "vision.cli_journal": ("journal",),
    "vision.cli_label": ("label",),
    "vision.cli_review": ("review",),
}
"""The modules that commands are in, and what each registers."""
_CTRL_C: Final = 130
"""What typer makes of Ctrl-C; no command returns it."""


def build_app(named: str | None = None) -> typer.Typer:
    """The application: with the commands of one module where one of them is ``named``, else with all."""
    app = typer.Typer(
        name="lastlook",
        no_args_is_help=True,
        pretty_exceptions_enable=False,
        add_completion=False,
        context_settings={"help_option_names": ["-h", "--help"]},
    )
    app.callback()(_lastlook)
    holding = [module for module, names in COMMANDS.items() if named in names]
    for module in holding or COMMANDS:
        importlib.import_module(module).register(app)
    let_help_flow(app)
    return app


def command_line(named: str | None = None) -> Any:
    """The application as the command that is run; ``named`` as in :func:`build_app`."""
    command = typer.main.get_command(build_app(named))
    name_values(command)
    return command


def invoke(arguments: Sequence[str] | None = None) -> int:
    """Run one command line and return its exit status; KeyboardInterrupt when it was stopped."""
    given = sys.argv[1:] if arguments is None else arguments
    named = given[0] if given else None  # to register all takes 25 ms more
    try:
        status = command_line(named)(args=arguments, prog_name="lastlook", standalone_mode=False)
    except typer.Abort:
        raise KeyboardInterrupt from None
    if status == _CTRL_C:
        raise KeyboardInterrupt
    return status if isinstance(status, int) else 0


def _show_version(wanted: bool) -> None:
    if wanted:
        from importlib.metadata import version

        typer.echo(f"lastlook {version('lastlook')}")
        raise typer.Exit


def _lastlook(
    version: Annotated[
        bool, typer.Option("--version", callback=_show_version, is_eager=True, help="Print the version.")
    ] = False,
) -> None:
    """Points a camera at a cube, names its last-layer case and shows a proven sequence for it.

    Exit status: 0 named or done, 3 seen but not named, 4 nothing found, 2 wrong usage, 1 anything else.
    """
