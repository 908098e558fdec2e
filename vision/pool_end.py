"""The end of a pool of processes: on Ctrl-C the person reads the run's own lines and nothing else."""

from __future__ import annotations

import contextlib
import signal
import threading
from collections.abc import Callable, Generator, Iterator
from typing import Any, Final, TypeVar

Result = TypeVar("Result")
MANAGER: Final = "ExecutorManagerThread"
"""Name of the thread with which the pool hands out work; a pool ended early may leave it with a KeyError."""


def in_pool(work: Callable[..., Result], *arguments: Any) -> Result:
    """Do ``work`` in a process of a pool, which leaves Ctrl-C to the process that made the pool."""
    with contextlib.suppress(ValueError):  # not the main thread: a pool of threads
        signal.signal(signal.SIGINT, signal.SIG_IGN)
    return work(*arguments)


@contextlib.contextmanager
def ended_quietly(results: Generator[Any, None, None]) -> Iterator[None]:
    """Close ``results`` (what a pool yields) at the end of the block.

    When the block ends early, the pool is taken down under its own manager thread; what that thread then
    raises concerns nobody and is not printed. Errors of all other threads are told at once, those of the
    manager when the block did not end early.
    """
    told, kept = threading.excepthook, list[threading.ExceptHookArgs]()

    def hook(one: threading.ExceptHookArgs) -> None:
        if one.thread is not None and one.thread.name.startswith(MANAGER):
            kept.append(one)
        else:
            told(one)

    threading.excepthook = hook
    try:
        yield
    except BaseException:
        results.close()
        for thread in threading.enumerate():
            if thread.name.startswith(MANAGER):
                thread.join(timeout=5.0)
        kept.clear()
        raise
    else:
        results.close()
    finally:
        threading.excepthook = told
        for one in kept:
            told(one)
