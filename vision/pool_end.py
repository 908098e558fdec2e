"""Pools of processes and Ctrl-C: the person reads the run's own lines and nothing else."""

from __future__ import annotations

import contextlib
import os
import signal
import sys
import threading
import time
import warnings
from collections.abc import Callable, Generator, Iterable, Iterator, Mapping
from typing import Any, Final, TypeVar

Result = TypeVar("Result")
MANAGER: Final = "ExecutorManagerThread"
"""Name of the thread with which the pool hands out work; a pool ended early may leave it with a KeyError."""

PARENT_S: Final = 1.0
"""How often a process of a pool looks whether the one that made the pool is there."""


def in_pool(work: Callable[..., Result], *arguments: Any) -> Result:
    """Do ``work`` in a process of a pool, which leaves Ctrl-C to the process that made the pool."""
    with contextlib.suppress(ValueError):  # not the main thread: a pool of threads
        signal.signal(signal.SIGINT, signal.SIG_IGN)
    return work(*arguments)


def orphans_end(backend: str) -> dict[str, Any]:
    """Options for a joblib backend: its processes end when this one has ended in whatever way.

    Only those of "loky" are this process's own; on others, and on Windows, where an orphan keeps its parent's
    number, nothing is done.
    """
    is_ours = backend == "loky" and sys.platform != "win32"
    return {"initializer": _end_with, "initargs": (os.getpid(),)} if is_ours else {}


def _end_with(parent: int) -> None:
    """End this process when it is no longer the child of that one."""

    def watch() -> None:
        while os.getppid() == parent:
            time.sleep(PARENT_S)
        os._exit(1)

    threading.Thread(target=watch, daemon=True).start()


@contextlib.contextmanager
def held_back() -> Iterator[None]:
    """Let Ctrl-C wait until the end of the block; processes and threads begun in it never get it.

    They inherit the mask, so it cannot meet a process that is still loading and has no guard yet. In a
    process that has other threads already, one of these may take it in at once.
    """
    if not hasattr(signal, "pthread_sigmask"):  # Windows
        yield
        return
    from multiprocessing import resource_tracker

    resource_tracker.ensure_running()  # when begun in the block it would end the mask
    before = signal.pthread_sigmask(signal.SIG_BLOCK, [signal.SIGINT])
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


@contextlib.contextmanager
def running(start: Callable[[], Generator[Result, None, None]]) -> Iterator[Generator[Result, None, None]]:
    """Start a pool and close it at the end of the block; ``start`` gives what the pool yields.

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
    results = None
    try:
        with held_back():
            results = start()
        yield results
    except BaseException:
        if results is not None:
            with warnings.catch_warnings(action="ignore"):  # joblib counts what is left undone
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


def pooled(
    tasks: Iterable[tuple[Any, ...]], *, jobs: int, ahead: int, backend: str, options: Mapping[str, Any]
) -> Iterator[Any]:
    """What tasks give in a pool of ``jobs`` processes, in their order: each is a function and its arguments.

    ``ahead`` tasks at most are under way, so memory does not grow with their number. ``backend`` and
    ``options`` are joblib's. Raises BrokenProcessPool when a task takes its process down.
    """
    from joblib import Parallel, delayed, parallel_config

    with parallel_config(backend=backend, n_jobs=jobs, **orphans_end(backend), **options):
        pool = Parallel(n_jobs=jobs, return_as="generator", batch_size=1, pre_dispatch=ahead, max_nbytes=None)
        with running(lambda: pool(delayed(in_pool)(*task) for task in tasks)) as results:
            # yield from would close the pool past what ``running`` does about it
            for result in results:  # noqa: UP028
                yield result
