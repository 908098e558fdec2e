"""How help reads: paragraphs that flow, plain words for what an option takes, and room for all of it."""

from __future__ import annotations

import inspect
import shutil
from collections.abc import Iterator
from typing import Any, Final

import typer

_VALUES: Final = {
    "bool": "",
    "str": "TEXT",
    "list[str]": "TEXT",
    "path": "PATH",
    "int": "N",
    "int range": "N",
    "float": "N",
    "float range": "N",
}
"""What stands for a value by its type; a switch takes none. Others (choices) stay as they are."""


_LEAST_BOXED: Final = 70
"""Characters a line from which on the help's table of options has room for all of its columns."""


def let_help_flow(app: typer.Typer) -> None:
    """Make each paragraph of the help texts one line, to be broken where the terminal ends."""
    for group in app.registered_groups:
        if group.typer_instance is not None:
            let_help_flow(group.typer_instance)
    for command in app.registered_commands:
        paragraphs = (inspect.getdoc(command.callback) or "").split("\n\n")
        command.help = "\n\n".join(" ".join(one.split()) for one in paragraphs)


def name_values(command: Any, above: typer.Context | None = None) -> None:
    """Say in the help of a built command, and of those below it, what each option takes in plain words.

    Arguments, whose names say it, come without a type. ``above`` is the context of the command over it.
    """
    context = typer.Context(command, parent=above, **command.context_settings)
    _make_fit(command, shutil.get_terminal_size().columns)
    for param in _parameters(command, context):
        kind = str(getattr(param, "display_type", lambda _: "")(context)).strip("<>")
        if param.param_type_name == "argument":
            param.metavar = param.metavar or param.name.upper()
            param.display_type_rich = lambda ctx: None
        elif param.metavar is None and kind in _VALUES:
            param.metavar = _VALUES[kind]
    for inner in getattr(command, "commands", {}).values():
        name_values(inner, context)


def _make_fit(command: Any, width: int) -> None:
    """In a narrow terminal, list options without a table, which would cut their names short."""
    if width >= _LEAST_BOXED:
        return
    command.rich_markup_mode = None
    command.context_settings = {**command.context_settings, "terminal_width": width}
    command.short_help = command.help.split("\n")[0] if command.help else None


def _parameters(command: Any, context: typer.Context) -> Iterator[Any]:
    yield from command.params
    asked = command.get_help_option(context)
    if asked is not None:
        yield asked
