"""What a person names as a source of moving pictures: a webcam, a recording, frames, an address."""

from __future__ import annotations

import os
import re
from dataclasses import dataclass
from pathlib import Path
from typing import Final, Literal
from urllib.parse import urlsplit, urlunsplit

from models.errors import UsageError
from vision.paths import NothingThereError, is_file, kind_at
from vision.sources import SUFFIXES

Kind = Literal["camera", "recording", "folder", "network"]

SCHEMES: Final = ("http", "https", "rtsp", "rtsps")
MAY_MOVE: Final = {".gif", ".webp", ".avif"}
"""Endings of pictures that may hold many."""


@dataclass(frozen=True, slots=True)
class Source:
    """Where frames come from. ``where`` is the camera's index or the path or address; ``name`` is the
    same for people, without any password in it."""

    kind: Kind
    where: int | str
    name: str

    @property
    def finite(self) -> bool:
        """True for recordings and folders: they end, and do not come back when they fail."""
        return self.kind in ("recording", "folder")


def source_named(text: str) -> Source:
    """The source that a user's argument means.

    Digits are a webcam's index, ``http(s)://`` and ``rtsp(s)://`` an address, anything else a file or a
    folder. Raises UsageError for what is none of these, NothingThereError for a folder without
    pictures.
    """
    if re.fullmatch(r"\d{1,3}", text):
        return Source("camera", int(text), f"camera {int(text)}")
    address = re.match(r"([A-Za-z][A-Za-z0-9+.-]*)://", text)
    if address:
        if address[1].lower() not in SCHEMES:
            raise UsageError(f"{text}: only {', '.join(SCHEMES)} addresses can be watched")
        try:
            parts = urlsplit(text)
            _ = parts.port
        except ValueError as error:
            raise UsageError(f"{text}: not an address ({error})") from error
        if not parts.hostname:
            raise UsageError(f"{text}: the address names no host")
        return Source("network", text, _without_password(text))
    path, kind = Path(text), kind_at(text)
    if kind == "folder":
        if not frame_paths(path):
            raise NothingThereError(f"{text}: no pictures in this folder; give one that holds the frames")
        return Source("folder", text, text)
    if kind == "nothing":
        raise UsageError(
            f"{text}: no such file; give a camera's number, a recording, a folder of frames or an address"
        )
    if kind == "file" and path.suffix.lower() in SUFFIXES - MAY_MOVE:
        raise UsageError(
            f"{text}: one picture; give a recording or a folder of frames ('lastlook read' takes pictures)"
        )
    if not os.access(path, os.R_OK):
        raise UsageError(f"{text}: may not be read; check its permissions")
    return Source("recording", text, text)


def frame_paths(folder: Path) -> list[Path]:
    """The pictures right inside a folder, numbers in their names counting as numbers (f2 before f10)."""

    def key(path: Path) -> list[tuple[int, int, str]]:
        pieces = re.split(r"(\d+)", path.name)
        return [(0, int(piece), "") if piece.isdecimal() else (1, 0, piece) for piece in pieces]

    return sorted((p for p in folder.iterdir() if p.suffix.lower() in SUFFIXES and is_file(p)), key=key)


def _without_password(address: str) -> str:
    parts = urlsplit(address)
    host = parts.netloc.rsplit("@", 1)[-1]
    query = "..." if parts.query else ""
    return urlunsplit((parts.scheme, host, parts.path, query, ""))
