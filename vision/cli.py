"""The command line: turns every error, and Ctrl-C at any time, into one line.

Exit status: 0 named (or done), 3 seen but not named, 4 nothing found, 2 wrong usage, 1 anything else.
This module loads next to nothing, so that Ctrl-C finds it ready: all else is loaded under its guard, OpenCV
when a command needs it, scikit-learn for "profile show --compare" alone.
"""

from __future__ import annotations

import os
import re
import sys

from models.errors import LastlookError
from vision.stops import Stops

TYPE_CHECKING = False  # typing alone takes long enough to load for Ctrl-C to fall into it
if TYPE_CHECKING:
    from collections.abc import Sequence
    from typing import Final

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


_CHECKED = (
    (r": Value error, ", ": "),
    (r"Input should be a valid integer\b.*", "give a whole number"),
    (r"Input should be a valid number\b.*", "give a number"),
    (r"Input should be less than or equal to (\S+)", r"give \1 at most"),
    (r"Input should be greater than or equal to (\S+)", r"give \1 at least"),
)
"""How pydantic tells of a wrong value, and how this program does."""


def run(arguments: Sequence[str] | None = None) -> int:
    """Run one command line (``sys.argv`` by default) and return its exit status."""
    from vision.streams import complain, one_line

    try:
        from vision.app import invoke

        status = invoke(arguments)
        sys.stdout.flush()
        return status
    except LastlookError as error:
        complain(error)
        return error.exit_status
    except KeyboardInterrupt:
        complain("stopped")
        return 1
    except BrokenPipeError:  # the reader of a pipe went away
        return 1
    except ImportError as error:
        complain(explain_import_error(error))
        return 1
    except Exception as error:
        usage = getattr(error, "format_message", None)
        if usage is not None:
            context = getattr(error, "ctx", None)
            command = context.command_path if context is not None else "lastlook"
            words = _plain(one_line(usage()).rstrip("."))
            if not words and context is not None:  # a group without one of its commands: help alone is shown
                words = f"a command is missing: {', '.join(context.command.list_commands(context))}"
            given = sys.argv[1:] if arguments is None else arguments
            file = next((one for one in given if one.startswith("-") and os.path.lexists(one)), None)
            if words.startswith("No such option") and file is not None:
                words += f" (the file is named by ./{file})"
            complain(f"{words}; see '{command} --help'")
            return int(getattr(error, "exit_code", 2))
        if os.environ.get("LASTLOOK_DEBUG"):
            raise
        if isinstance(error, OSError) and error.filename is not None:
            complain(f"{error.filename}: {error.strerror or error}")
            return 1
        complain(
            f"this should not have happened ({type(error).__name__}: {error});"
            " run again with LASTLOOK_DEBUG=1 and report what it prints"
        )
        return 1


def _plain(words: str) -> str:
    """What is wrong with a value, without the words of the package that checked it."""
    for theirs, ours in _CHECKED:
        words = re.sub(theirs, ours, words)
    return words


def main() -> None:
    """Entry point of the ``lastlook`` command."""
    stops = Stops()
    try:
        stops.listen()
        from vision.streams import guard_streams

        guard_streams()
        status = run()
    except KeyboardInterrupt:  # between two lines of this module
        sys.stderr.write("lastlook: stopped\n")
        status = 1
    stops.let_go()
    sys.exit(status)


def explain_import_error(error: ImportError) -> str:
    """One line for a package that is missing or cannot load its system libraries."""
    text = " ".join(str(error).split())
    for library, package in _SYSTEM_PACKAGES.items():
        if library in text:
            return (
                f"OpenCV cannot start: the system library {library} is missing;"
                f" on Debian or Ubuntu run: sudo apt-get install {package}"
            )
    if isinstance(error, ModuleNotFoundError):
        return f"the Python package {error.name!r} is missing; run: pip install -e . in the project's folder"
    return f"a package cannot be loaded ({text}); run: pip install -e . in the project's folder"
