"""Standard input, output and error: closed, full or not in UTF-8, and C libraries that write to them."""

from __future__ import annotations

import contextlib
import io
import os
import sys
import threading
from collections.abc import Iterator
from typing import Any, Final, TextIO

from models.errors import LastlookError

_ONE_AT_A_TIME: Final = threading.RLock()


def one_line(text: str) -> str:
    """``text`` with every run of white space (line breaks in file names among it) as one space."""
    return " ".join(text.split())


def complain(text: object) -> None:
    """Tell what is wrong: one line on standard error, whatever ``text`` holds."""
    sys.stderr.write(f"lastlook: {one_line(str(text))}\n")


def tell_if_pipe(path: str) -> None:
    """Say that what is read at ``path`` has to be written there first, where that is so."""
    from vision.paths import is_pipe

    if is_pipe(path):
        complain(f"{path}: a pipe; waiting for what is written into it")


def guard_streams() -> None:
    """Make the standard streams of this process tell in one line what is wrong with them.

    What standard output does not take raises LastlookError; standard error takes everything. A stream that is
    closed keeps its descriptor occupied, so that no file is opened in its place and written to by mistake.
    Characters that an encoding does not have are written as escapes.
    """
    if sys.stdin is None:
        sys.stdin = io.TextIOWrapper(io.BufferedReader(_ClosedInput(_occupied())))
    sys.stdout = _guarded(sys.stdout, _Output)
    sys.stderr = _guarded(sys.stderr, _Errors)


def _occupied() -> int:
    """The lowest free descriptor, from now on the null device's."""
    return os.open(os.devnull, os.O_RDWR)


class _ClosedInput(io.RawIOBase):
    """Standard input that was closed before the start."""

    def __init__(self, fd: int) -> None:
        self._fd = fd

    def readable(self) -> bool:
        return True

    def fileno(self) -> int:
        return self._fd

    def readinto(self, _: Any) -> int:
        raise LastlookError("standard input is closed; give a file instead")


class _Output(io.RawIOBase):
    """The bytes of standard output: the first that it does not take raise LastlookError, later ones are lost.

    ``raw`` is None when it was closed before the start.
    """

    def __init__(self, raw: Any) -> None:
        self._raw = raw
        self._fd = _occupied() if raw is None else raw.fileno()
        self._gone = False

    def writable(self) -> bool:
        return True

    def fileno(self) -> int:
        return int(self._fd)

    def isatty(self) -> bool:
        return os.isatty(self._fd)

    def write(self, data: Any) -> int:
        if self._gone or not len(data):  # typer tries streams out with nothing
            return len(data)
        if self._raw is None:
            return self._lost(data, "closed")
        try:
            return int(self._raw.write(data))
        except BrokenPipeError:
            self._gone = True
            raise
        except OSError as error:
            return self._lost(data, error.strerror or str(error))

    def _lost(self, data: Any, reason: str) -> int:
        self._gone = True
        raise LastlookError(f"standard output: {reason}; what was to be printed is lost")


class _Errors(_Output):
    """The bytes of standard error; nobody could be told that it does not take them."""

    def __init__(self, raw: Any) -> None:
        if type(raw) is io.FileIO:  # see hushed
            raw = io.FileIO(os.dup(raw.fileno()), "w")
        super().__init__(raw)

    def write(self, data: Any) -> int:
        try:
            return super().write(data)
        except BrokenPipeError:
            return len(data)

    def _lost(self, data: Any, reason: str) -> int:
        self._gone = True
        return len(data)


def _guarded(stream: TextIO | None, kind: type[_Output]) -> TextIO:
    if stream is None:
        return io.TextIOWrapper(io.BufferedWriter(kind(None)), errors="backslashreplace", line_buffering=True)
    if not isinstance(stream, io.TextIOWrapper):
        return stream
    raw = getattr(stream.buffer, "raw", None)
    buffer: Any = kind(stream.buffer) if raw is None else io.BufferedWriter(kind(raw))  # python -u: no buffer
    return io.TextIOWrapper(
        buffer,
        encoding=stream.encoding,
        errors="backslashreplace",
        line_buffering=stream.line_buffering,
        write_through=stream.write_through,
    )


@contextlib.contextmanager
def hushed() -> Iterator[None]:
    """Keep what C libraries write to descriptor 2 off the person's terminal; one thread at a time.

    What Python writes to standard error is shown all the same once :func:`guard_streams` has given it a
    descriptor of its own.
    """
    with _ONE_AT_A_TIME, contextlib.ExitStack() as tidy:
        try:
            kept = os.dup(2)
            tidy.callback(os.close, kept)
            nowhere = os.open(os.devnull, os.O_WRONLY)
            tidy.callback(os.close, nowhere)
            os.dup2(nowhere, 2)
            tidy.callback(os.dup2, kept, 2)
        except OSError:  # no descriptor 2, or none left: the picture is worth more than the silence
            pass
        yield
