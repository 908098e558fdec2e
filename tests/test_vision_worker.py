"""The worker's promises: newest job wins, failures come out, it ends."""

from __future__ import annotations

import threading

import pytest

from vision.worker import Worker


def test_in_the_foreground_a_job_is_done_at_once() -> None:
    worker: Worker[int, int] = Worker(lambda n: n * n, name="test", background=False)
    worker.offer(7)
    assert worker.collect() == 49
    assert worker.collect() is None
    assert not worker.busy


def test_of_waiting_jobs_only_the_newest_is_done() -> None:
    begun, go_on = threading.Event(), threading.Event()
    seen: list[int] = []

    def work(n: int) -> int:
        seen.append(n)
        begun.set()
        assert go_on.wait(10)
        return n

    worker = Worker(work, name="test", background=True)
    worker.offer(1)
    assert begun.wait(10)
    for n in (2, 3, 4):
        worker.offer(n)
    assert worker.waiting and worker.busy
    go_on.set()
    while worker.busy:
        threading.Event().wait(0.005)
    worker.close()
    assert seen == [1, 4]
    assert worker.collect() == 4


def test_a_failure_is_raised_where_results_are_collected() -> None:
    def work(_: int) -> int:
        raise LookupError("no such frame")

    worker = Worker(work, name="test", background=True)
    worker.offer(1)
    while worker.busy:
        threading.Event().wait(0.005)
    with pytest.raises(LookupError, match="no such frame"):
        worker.collect()
    worker.close()
