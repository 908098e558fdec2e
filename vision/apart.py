"""Work that may bring its process down (a damaged file, too little memory), done in a process of its own."""

from __future__ import annotations

import contextlib
import os
import signal
import threading
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import active_children, get_context, parent_process
from multiprocessing.process import BaseProcess
from typing import Any, Final

from vision.pool_end import held_back

KILLS_ITS_PROCESS: Final = (
    "brings the process that reads it down; the file is damaged or too large for this machine"
)


@contextlib.contextmanager
def own_process() -> Iterator[Callable[..., Any]]:
    """What does work (a function and its arguments, all picklable) in one further process, piece by piece.

    The process starts with the first piece. One that takes it down raises BrokenProcessPool, and so does all
    work after that. When the block ends with an error, Ctrl-C among them, the process is ended at once.
    """
    started: set[BaseProcess] = set()
    with ProcessPoolExecutor(1, get_context("spawn"), initializer=_begin) as executor:

        def run(work: Callable[..., Any], *arguments: Any) -> Any:
            if started:
                return executor.submit(work, *arguments).result()
            before = set(active_children())
            with held_back():  # the process never hears of Ctrl-C
                first = executor.submit(work, *arguments)
            started.update(set(active_children()) - before)
            return first.result()

        try:
            yield run
        except BaseException:
            for process in started:
                process.terminate()
            raise


def _begin() -> None:
    """In the further process: leave Ctrl-C to the one that started it, and end when that has ended."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    threading.Thread(target=_end_with_parent, daemon=True).start()


def _end_with_parent() -> None:
    parent = parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)
