"""Writing files so that a reader never meets a half of one: the old file is there, or the whole new one."""

from __future__ import annotations

import os
import secrets
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import BinaryIO

from models.errors import LastlookError


@contextmanager
def replacing(path: Path) -> Iterator[BinaryIO]:
    """A file to write bytes to that takes the place of ``path`` when the block ends, on the disk by then.

    When the block raises, ``path`` stays as it was. The file gets the permissions that any new file gets.
    Raises OSError when it cannot be written.
    """
    draft = path.parent / f".{secrets.token_hex(8)}.part"
    try:
        with draft.open("xb") as stream:
            yield stream
            stream.flush()
            os.fsync(stream.fileno())
        draft.replace(path)
    except BaseException:
        draft.unlink(missing_ok=True)
        raise


def write_atomically(path: Path, data: bytes) -> None:
    """Write ``data`` in the place of ``path`` (:func:`replacing`); raises LastlookError with one line."""
    try:
        with replacing(path) as stream:
            stream.write(data)
    except OSError as error:
        raise LastlookError(f"{path}: cannot be written ({error.strerror}); check the folder") from None
