"""The application: every command registered, and one command line handed to it."""

from __future__ import annotations

import importlib
from collections.abc import Sequence
from typing import Annotated, Any, Final

import typer

from vision.help_text import let_help_flow, name_values

COMMAND_MODULES: Final = (
    "vision.cli_read",
    "vision.cli_engine",
    "vision.cli_find",
    "vision.cli_check",
    "vision.cli_case",
    "vision.cli_sequence",
    "vision.cli_calibrate",
    "vision.cli_profile",
    "vision.cli_watch",
    "vision.cli_journal",
    "vision.cli_label",
    "vision.cli_review",
)
_CTRL_C: Final = 130
"""What typer makes of Ctrl-C; no command returns it."""


def build_app() -> typer.Typer:
    """The whole application with every command registered."""
    app = typer.Typer(
        name="lastlook",
        no_args_is_help=True,
        pretty_exceptions_enable=False,
        add_completion=False,
        context_settings={"help_option_names": ["-h", "--help"]},
    )
    app.callback()(_lastlook)
    for module in COMMAND_MODULES:
        importlib.import_module(module).register(app)
    let_help_flow(app)
    return app


def command_line() -> Any:
    """The application as the command that is run."""
    command = typer.main.get_command(build_app())
    name_values(command)
    return command


def invoke(arguments: Sequence[str] | None = None) -> int:
    """Run one command line and return its exit status; KeyboardInterrupt when it was stopped."""
    try:
        status = command_line()(args=arguments, prog_name="lastlook", standalone_mode=False)
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
