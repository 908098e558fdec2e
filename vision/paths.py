"""What is at a path that somebody gave: names may be too long, empty, or under a folder that is shut."""

from __future__ import annotations

import os
import stat
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Literal

from models.errors import LastlookError

Kind = Literal["file", "folder", "other", "nothing"]


class NothingThereError(LastlookError):
    """A folder or a list holds nothing of what was asked for; exit status 4."""

    exit_status = 4


def kind_at(path: str | Path) -> Kind:
    """What is at ``path``, behind links; "other" is a pipe, a device or a socket.

    Raises LastlookError, one line, where it cannot be told: no permission, a name too long, an empty path.
    """
    if not str(path):
        raise LastlookError("an empty path; name a file or a folder")
    try:
        mode = Path(path).stat().st_mode
    except (FileNotFoundError, NotADirectoryError):
        return "nothing"
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or error
        raise LastlookError(f"{path}: cannot be looked at ({reason}); check the path") from None
    return "file" if stat.S_ISREG(mode) else "folder" if stat.S_ISDIR(mode) else "other"


def folder_in(variable: str) -> Path | None:
    """The folder that an environment variable names, None where it names none; it need not exist yet.

    Raises LastlookError, one line, where something else is there.
    """
    chosen = os.environ.get(variable)
    if not chosen:
        return None
    if kind_at(chosen) in ("file", "other"):
        raise LastlookError(f"{variable} names {chosen}, which is no folder; name a folder, or unset it")
    return Path(chosen)


def data_folder() -> Path:
    """Where all that is the user's lies: sequences, profiles, journal, moments; it need not exist yet.

    Raises LastlookError where LASTLOOK_DATA names what is no folder.
    """
    chosen = folder_in("LASTLOOK_DATA")
    if chosen is not None:
        return chosen
    from platformdirs import user_data_path

    return user_data_path("lastlook", appauthor=False)


def is_file(path: str | Path) -> bool:
    """Whether a file is there and can be looked at; unlike ``Path.is_file`` it never raises."""
    return os.path.isfile(path)  # noqa: PTH113


def is_folder(path: str | Path) -> bool:
    """Whether a folder is there and can be looked at; unlike ``Path.is_dir`` it never raises."""
    return str(path) != "" and os.path.isdir(path)  # noqa: PTH112


def make_folder(folder: Path) -> None:
    """Make a folder, and those above it, where there is none. Raises LastlookError, one line."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise LastlookError(
            f"{folder}: this folder cannot be made ({error.strerror}); name another"
        ) from error


def is_pipe(path: str | Path) -> bool:
    """Whether a pipe is there: opening it waits until something is written into it."""
    try:
        return stat.S_ISFIFO(Path(path).stat().st_mode)
    except (OSError, ValueError):
        return False


def digest_of(path: str | Path) -> str:
    """BLAKE2b (RFC 7693) of a file's bytes, 16 bytes as hex. Raises OSError where it cannot be read."""
    import hashlib

    with Path(path).open("rb") as stream:
        return hashlib.file_digest(stream, lambda: hashlib.blake2b(digest_size=16)).hexdigest()


@contextmanager
def for_ffmpeg(path: str | Path) -> Iterator[str]:
    """What OpenCV and FFmpeg take for the file at ``path``, whatever its name, while the block lasts.

    That is its whole path, since a name such as "12:30.mp4" would be taken for an address. On a name that is
    no UTF-8 OpenCV crashes, so that such a file is named by a descriptor. Raises OSError where that cannot be
    had.
    """
    whole = os.path.abspath(path)  # noqa: PTH100
    try:
        whole.encode("utf-8")
    except UnicodeEncodeError:
        descriptor = os.open(whole, os.O_RDONLY)
        try:
            yield f"/dev/fd/{descriptor}"
        finally:
            os.close(descriptor)
    else:
        yield whole
