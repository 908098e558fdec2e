"""One run at a time for a file: an empty file beside it is locked for as long as the run lives."""

from __future__ import annotations

import os
import sys
from pathlib import Path

from models.errors import LastlookError

if sys.platform != "win32":
    import fcntl


class InUse:
    """Keeps other runs off ``path`` until :meth:`release`, or until this process ends in whatever way.

    Raises LastlookError when another run has it, OSError when nothing can be written beside it. Where the
    system has no locks that end with the process, the file that stands for the lock outlives a kill.
    """

    def __init__(self, path: Path) -> None:
        real = Path(os.path.realpath(path))  # by a link it is the same file
        self._beside = real.with_name(f"{real.name}.lock")
        taken = f"{path}: another run is writing it; wait until it has ended, or name another file"
        if sys.platform == "win32":
            try:
                self._fd = os.open(self._beside, os.O_RDWR | os.O_CREAT | os.O_EXCL)
            except FileExistsError:
                raise LastlookError(f"{taken}; if none is, delete {self._beside}") from None
            return
        while True:
            self._fd = os.open(self._beside, os.O_RDWR | os.O_CREAT, 0o666)
            try:
                fcntl.flock(self._fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except BlockingIOError:
                os.close(self._fd)
                raise LastlookError(taken) from None
            except OSError:  # a file system without locks
                return
            try:
                if os.path.samestat(os.fstat(self._fd), self._beside.stat()):
                    return
            except FileNotFoundError:
                pass
            os.close(self._fd)  # the run before has just taken its own away: lock a new one

    def release(self) -> None:
        """Let other runs have the file."""
        if sys.platform == "win32":
            os.close(self._fd)
            self._beside.unlink(missing_ok=True)
            return
        if os.fstat(self._fd).st_size == 0:  # else it is a file of somebody's that bears the name
            self._beside.unlink(missing_ok=True)
        os.close(self._fd)
