"""Writing files so that a reader never meets a half of one."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path

from models.errors import LastlookError


def write_atomically(path: Path, data: bytes) -> None:
    """Write ``data`` beside ``path`` first and move it into place; raises LastlookError with one line."""
    try:
        handle, beside = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.")
        try:
            with os.fdopen(handle, "wb") as file:
                file.write(data)
                file.flush()
                os.fsync(file.fileno())
            umask = os.umask(0)
            os.umask(umask)
            Path(beside).chmod(0o666 & ~umask)
            Path(beside).replace(path)
        except BaseException:
            Path(beside).unlink(missing_ok=True)
            raise
    except OSError as error:
        raise LastlookError(f"{path}: cannot be written ({error.strerror}); check the folder") from None
