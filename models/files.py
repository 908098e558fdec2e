"""Writing files so that a reader never meets a half of one: the old file is there, or the whole new one."""

from __future__ import annotations

import os
import secrets
import stat
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import BinaryIO

from models.errors import LastlookError


@contextmanager
def replacing(path: Path) -> Iterator[BinaryIO]:
    """A file to write bytes to that takes the place of ``path`` when the block ends, on the disk by then.

    When the block raises, ``path`` stays as it was. A file that is there keeps its permissions, a new one
    gets those of any new file. A symbolic link stays one: what it points to is replaced. Raises OSError when
    it cannot be written.
    """
    path = Path(os.path.realpath(path))
    draft = path.parent / f".{secrets.token_hex(8)}.part"
    try:
        with draft.open("xb") as stream:
            with suppress(FileNotFoundError):
                before = path.stat().st_mode
                if stat.S_ISREG(before):
                    draft.chmod(stat.S_IMODE(before))
            yield stream
            stream.flush()
            os.fsync(stream.fileno())
        draft.replace(path)
    except BaseException:
        with suppress(OSError):  # what went wrong is told, not this
            draft.chmod(stat.S_IRUSR | stat.S_IWUSR)  # Windows deletes no file that may only be read
            draft.unlink()
        raise


def write_atomically(path: Path, data: bytes) -> None:
    """Write ``data`` in the place of ``path`` (:func:`replacing`); raises LastlookError with one line."""
    try:
        with replacing(path) as stream:
            stream.write(data)
    except OSError as error:
        raise LastlookError(f"{path}: cannot be written ({error.strerror}); check the folder") from None
