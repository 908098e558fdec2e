"""The command line: gathers the command modules and turns every error into one line.

Exit status: 0 named (or done), 3 seen but not named, 4 nothing found, 2 wrong usage, 1 anything else.
The command modules register light wrappers; OpenCV loads when a command needs it, scikit-learn for
'profile show --compare' alone.
"""

from __future__ import annotations

import importlib
import io
import os
import sys
from collections.abc import Sequence
from typing import Annotated, Final

import typer

from models.errors import LastlookError

COMMAND_MODULES: Final = (
    "vision.cli_read",
    "vision.cli_engine",
    "vision.cli_find",
    "vision.cli_case",
    "vision.cli_sequence",
    "vision.cli_calibrate",
    "vision.cli_watch",
    "vision.cli_label",
)

_SYSTEM_PACKAGES: Final = {
    "libGL.so.1": "libgl1",
    "libEGL.so.1": "libegl1",
    "libgthread-2.0.so.0": "libglib2.0-0",
    "libglib-2.0.so.0": "libglib2.0-0",
    "libSM.so.6": "libsm6",
    "libICE.so.6": "libice6",
    "libXext.so.6": "libxext6",
    "libXrender.so.1": "libxrender1",
    "libX11.so.6": "libx11-6",
    "libxcb.so.1": "libxcb1",
}


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
    return app


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


def run(arguments: Sequence[str] | None = None) -> int:
    """Run one command line (``sys.argv`` by default) and return its exit status."""
    try:
        status = build_app()(args=arguments, prog_name="lastlook", standalone_mode=False)
        sys.stdout.flush()
        return status if isinstance(status, int) else 0
    except LastlookError as error:
        _complain(str(error))
        return error.exit_status
    except typer.Exit as leave:
        return leave.exit_code
    except (KeyboardInterrupt, typer.Abort):
        _complain("stopped")
        return 1
    except BrokenPipeError:
        # the reader of a pipe went away: keep Python from complaining when it closes the stream
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 1
    except ImportError as error:
        _complain(explain_import_error(error))
        return 1
    except Exception as error:
        usage = getattr(error, "format_message", None)
        if usage is not None:
            context = getattr(error, "ctx", None)
            command = context.command_path if context is not None else "lastlook"
            _complain(f"{_one_line(usage()).rstrip('.')}; see '{command} --help'")
            return int(getattr(error, "exit_code", 2))
        if os.environ.get("LASTLOOK_DEBUG"):
            raise
        _complain(
            f"this should not have happened ({type(error).__name__}: {_one_line(str(error))});"
            " run again with LASTLOOK_DEBUG=1 and report what it prints"
        )
        return 1


def main() -> None:
    """Entry point of the ``lastlook`` command."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):  # a name or a moon that the terminal cannot show
            stream.reconfigure(errors="backslashreplace")
    sys.exit(run())


def explain_import_error(error: ImportError) -> str:
    """One line for a package that is missing or cannot load its system libraries."""
    text = _one_line(str(error))
    for library, package in _SYSTEM_PACKAGES.items():
        if library in text:
            return (
                f"OpenCV cannot start: the system library {library} is missing;"
                f" on Debian or Ubuntu run: sudo apt-get install {package}"
            )
    if isinstance(error, ModuleNotFoundError):
        return f"the Python package {error.name!r} is missing; run: pip install -e . in the project's folder"
    return f"a package cannot be loaded ({text}); run: pip install -e . in the project's folder"


def _one_line(text: str) -> str:
    return " ".join(text.split())


def _complain(line: str) -> None:
    sys.stderr.write(f"lastlook: {_one_line(line)}\n")
