"""The errors a user may see: each is one line that says what is wrong, where, and what to do."""

from __future__ import annotations


class LastlookError(Exception):
    """Something a person can mend; ``str(error)`` is the one line shown on stderr.

    ``exit_status`` follows the command line's table: 1 anything else, 2 wrong usage.
    """

    exit_status: int = 1


class UsageError(LastlookError):
    """The command or its arguments are off; exit status 2."""

    exit_status = 2


class NotationError(LastlookError):
    """A text is not a sequence of turns.

    ``token`` is the piece that could not be read, ``column`` its first character, counted from 1.
    """

    exit_status = 2

    def __init__(self, reason: str, token: str, column: int) -> None:
        self.reason = reason
        self.token = token
        self.column = column
        super().__init__(f"column {column}: {token!r} {reason}")


class LayerError(LastlookError):
    """A cube is not at its last layer, or shows a last layer that turns cannot make."""
