"""Which files a labelling run takes: pictures and recordings out of files and folders, in a fixed order."""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final, Literal

from models.errors import LastlookError
from vision.paths import is_file, kind_at
from vision.sources import SUFFIXES as PICTURE_SUFFIXES

RECORDING_SUFFIXES: Final = frozenset(
    {".mp4", ".m4v", ".mov", ".mkv", ".webm", ".avi", ".mpg", ".mpeg", ".mts", ".m2ts", ".3gp", ".wmv"}
    | {".ogv", ".mjpeg"}
)
Kind = Literal["picture", "recording"]
Order = Literal["input", "name"]


@dataclass(frozen=True, slots=True)
class Item:
    """One file to label: ``path`` as it is printed, its length in bytes and time of change in ns."""

    path: str
    kind: Kind
    bytes: int
    mtime_ns: int


@dataclass(frozen=True, slots=True)
class Problem:
    """A file that gave no answer, with the one line that says why.

    ``exit_status`` is 2 where nothing is at a path that somebody named, or what cannot be read.
    """

    path: str
    reason: str
    exit_status: int = 1


@dataclass(frozen=True, slots=True)
class Gathered:
    """The items of a run and the arguments that are none, in the order in which they came."""

    items: tuple[Item, ...]
    problems: tuple[Problem, ...]

    def ordered(self, order: Order) -> tuple[Item, ...]:
        """The items as given, or by file name."""
        if order == "name":
            return tuple(sorted(self.items, key=lambda item: (Path(item.path).name, item.path)))
        return self.items


def gather(paths: Sequence[str | Path], *, skip: Iterable[Path] = ()) -> Gathered:
    """Collect every picture and recording under ``paths``.

    Folders are walked to the bottom, each in name order; names that start with a dot and files with
    other endings are passed over. A file named outright is taken whatever its ending is. ``skip`` are
    folders to leave out (the run's own outputs). A file reached twice is taken once. Links to folders
    are not followed, so a loop cannot occur.
    """
    items: list[Item] = []
    problems: list[Problem] = []
    taken: set[str] = set()
    left_out = {folder.resolve() for folder in skip}

    def take(path: Path) -> None:
        try:
            real, facts = os.path.realpath(path), path.stat()
        except OSError as error:
            problems.append(Problem(str(path), f"cannot be looked at: {error.strerror or error}"))
            return
        if real in taken:
            return
        taken.add(real)
        kind: Kind = "recording" if path.suffix.lower() in RECORDING_SUFFIXES else "picture"
        items.append(Item(str(path), kind, facts.st_size, facts.st_mtime_ns))

    for given in paths:
        path = Path(given)
        try:
            kind = kind_at(given)
        except LastlookError as error:
            problems.append(Problem(str(given) or "''", str(error).removeprefix(f"{given}: "), 2))
            continue
        if kind == "folder":
            for found in _walk(path, left_out, problems):
                take(found)
        elif kind == "file":
            take(path)
        elif kind == "other":
            problems.append(Problem(str(path), "is neither a file nor a folder", 2))
        else:
            problems.append(Problem(str(path), "does not exist; check the name", 2))
    return Gathered(tuple(items), tuple(problems))


def _walk(folder: Path, left_out: set[Path], problems: list[Problem]) -> Iterator[Path]:
    def cannot(error: OSError) -> None:
        problems.append(Problem(str(error.filename), f"cannot be opened: {error.strerror or error}"))

    for root, folders, names in os.walk(folder, onerror=cannot):
        here = Path(root)
        folders[:] = sorted(
            name for name in folders if not name.startswith(".") and (here / name).resolve() not in left_out
        )
        for name in sorted(names):
            path = here / name
            suffix = path.suffix.lower()
            if not name.startswith(".") and suffix in PICTURE_SUFFIXES | RECORDING_SUFFIXES:
                if is_file(path):
                    yield path
                elif path.is_symlink():
                    problems.append(Problem(str(path), "is a link that leads nowhere"))
