"""The user's own files round the engine: sequences, cores, effort weights, and the cache of checked files.

They lie in the data folder (:func:`vision.paths.data_folder`), the cache in its cache folder
(``LASTLOOK_CACHE``):

    library.toml   [[sequence]] blocks that add to the built-in ones
    cores.toml     [[core]] blocks: name, turns
    effort.toml    weights that take the place of the built-in ones
    hidden.toml    [[sequence]] blocks of built-in sequences that the user removed
    .lock          held by the command that changes one of them
"""

from __future__ import annotations

import os
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from models.errors import LastlookError
from vision.paths import data_folder, kind_at, make_folder
from vision.streams import complain

if TYPE_CHECKING:
    from models.effort import EffortModel
    from models.library import Library
    from models.sequences import BadEntry, StoredCore


def cache_folder() -> Path:
    """Where checked sequence files are remembered."""
    chosen = os.environ.get("LASTLOOK_CACHE")
    if chosen:
        return Path(chosen)
    from platformdirs import user_cache_path

    return user_cache_path("lastlook", appauthor=False)


def library_path() -> Path:
    """The user's own sequences."""
    return data_folder() / "library.toml"


def hidden_path() -> Path:
    """Built-in sequences that the user does not want to see."""
    return data_folder() / "hidden.toml"


def effort_path() -> Path:
    """The user's weights of the effort of turns."""
    return data_folder() / "effort.toml"


def open_effort(*, tell: bool = True) -> EffortModel:
    """The user's weights where there are any, else the built-in ones.

    Those in which something is wrong are passed over as a whole, for they do no more than put sequences in
    order; that is told in one line on standard error where ``tell`` is True.
    """
    from models.effort import load_effort

    path = effort_path()
    if kind_at(path) == "nothing":
        return load_effort()
    try:
        return load_effort(path)
    except LastlookError as error:
        if tell:
            complain(f"{error}; passed over, the built-in weights are used")
        return load_effort()


def open_library(*, tell: bool = True) -> Library:
    """The built-in library without what the user hid, and his own sequences on top.

    What is wrong in his files is passed over, and told in one line on standard error where ``tell`` is True.
    """
    from models.library import load_library
    from models.sequences import BadEntry
    from models.toml_files import FileError, read_blocks, read_text

    hidden: set[tuple[str, str]] = set()
    bad: list[BadEntry] = []
    path = hidden_path()
    if kind_at(path) != "nothing":
        try:
            blocks = list(read_blocks(read_text(path), "sequence"))
        except FileError as error:
            blocks = [(0, error.reason)]
        for line, table in blocks:
            if isinstance(table, dict):
                hidden.add((str(table.get("code")), str(table.get("turns"))))
            else:
                bad.append(BadEntry(str(path), line, table))
    weights = open_effort(tell=tell)
    library = load_library([library_path()], hidden=hidden, cache_folder=cache_folder(), effort=weights)
    library = replace(library, bad=(*library.bad, *bad))
    if tell:
        tell_passed_over(library.bad)
    return library


def tell_passed_over(bad: Sequence[BadEntry]) -> None:
    """Say in one line what is wrong in the user's files of sequences, and what goes on without it."""
    if not bad:
        return
    more = f" ({len(bad) - 1} more: `lastlook sequence list` names all)" if len(bad) > 1 else ""
    rest = "all other sequences are used" if bad[0].line else "the built-in sequences are used"
    complain(f"{bad[0]}{more}; passed over, {rest}")


def open_cores() -> dict[str, StoredCore]:
    """Named cores, the user's added to or in place of the built-in ones."""
    from models.sequences import stored_cores

    path = data_folder() / "cores.toml"
    return stored_cores(path if kind_at(path) != "nothing" else None)


@contextmanager
def locked() -> Iterator[None]:
    """Keep other commands from changing the user's files until the block ends, where the system can.

    What is read and written back within it loses nothing that another command adds meanwhile.
    """
    try:
        import fcntl
    except ImportError:  # not on Windows
        yield
        return
    make_folder(data_folder())
    path = data_folder() / ".lock"
    try:
        stream = path.open("ab")
    except OSError as error:
        raise LastlookError(f"{path}: cannot be written ({error.strerror}); check the folder") from error
    with stream:
        with suppress(OSError):  # some network folders know no locks
            fcntl.flock(stream, fcntl.LOCK_EX)
        yield


def save_text(path: Path, text: str) -> None:
    """Replace a file in the user's folder as a whole; raises LastlookError with one line."""
    from models.files import write_atomically

    make_folder(data_folder())
    write_atomically(path, text.encode("utf-8"))
