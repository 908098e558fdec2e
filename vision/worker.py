"""One thread that works on the newest job only: what waits too long is given up for what is fresh."""

from __future__ import annotations

import threading
from collections.abc import Callable
from typing import Generic, TypeVar

Job = TypeVar("Job")
Result = TypeVar("Result")


class Worker(Generic[Job, Result]):
    """Runs ``work`` on jobs, in a thread named ``name`` or, without ``background``, at once in the caller's.

    An exception of ``work`` ends the thread and is raised by the next :meth:`collect`.
    """

    def __init__(self, work: Callable[[Job], Result], *, name: str, background: bool) -> None:
        self._work = work
        self._waiting: list[Job] = []
        self._working = False
        self._done: list[Result] = []
        self._failure: BaseException | None = None
        self._stop = False
        self._changed = threading.Condition()
        self._thread: threading.Thread | None = None
        if background:
            self._thread = threading.Thread(target=self._run, name=name, daemon=True)
            self._thread.start()

    @property
    def waiting(self) -> bool:
        """Whether a job has not been begun."""
        return bool(self._waiting)

    @property
    def busy(self) -> bool:
        """Whether a job waits or is under way."""
        return bool(self._waiting) or self._working

    def offer(self, job: Job) -> None:
        """Hand over a job; an older one that still waits is given up."""
        if self._thread is None:
            self._done = [self._work(job)]
            return
        with self._changed:
            self._waiting = [job]
            self._changed.notify()

    def collect(self) -> Result | None:
        """The newest result not yet collected."""
        with self._changed:
            if self._failure is not None:
                raise self._failure
            done, self._done = self._done, []
        return done[-1] if done else None

    def close(self, patience_s: float = 3.0) -> None:
        """End the thread, waiting for the job under way at most ``patience_s``."""
        with self._changed:
            self._stop = True
            self._changed.notify()
        if self._thread is not None:
            self._thread.join(patience_s)

    def _run(self) -> None:
        while True:
            with self._changed:
                while not self._waiting and not self._stop:
                    self._changed.wait()
                if self._stop:
                    return
                job = self._waiting.pop()
                self._working = True
            try:
                result = self._work(job)
            except Exception as error:
                with self._changed:
                    self._failure, self._working = error, False
                return
            with self._changed:
                self._done, self._working = [result], False
