"""Label many files: other processes read them, the answers come back one by one, none stops the run.

The reader is an argument: a callable that takes an :class:`~vision.gather.Item` and gives the answers of
that file as JSON objects (one for a picture, one a shown case for a recording). It is sent to the
processes that read, so it must be picklable; what is heavy it loads there, once a process.
"""

from __future__ import annotations

import contextlib
from collections import deque
from collections.abc import Callable, Generator, Iterable, Iterator, Sequence
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass, field
from itertools import groupby
from typing import Any

from models.errors import LastlookError
from vision.apart import KILLS_ITS_PROCESS, own_process
from vision.gather import Item, Problem
from vision.ledger import AnswerLog
from vision.paths import digest_of
from vision.pool_end import pooled
from vision.sources import MissingExtraError

Json = dict[str, Any]
Reader = Callable[[Item], list[Json]]


@dataclass(frozen=True, slots=True)
class Outcome:
    """What came of one file: its answers, its digest, and for a broken file the reason."""

    item: Item
    answers: tuple[Json, ...] = ()
    digest: str = ""
    error: str | None = None
    retry: bool = False
    """The error may lie with the program or the machine: a resumed run tries the file again."""
    unwritten: str | None = None
    """What could not be written beside the answers, which are good, in one line."""
    partly: str | None = None
    """What could not be read of a file that was read otherwise, in one line."""


class _AnsweredError(LastlookError):
    """Something went wrong with a file that was read all the same; ``answers`` are what came of it."""

    def __init__(self, answers: Sequence[Json], text: str) -> None:
        super().__init__(text)
        self.answers = tuple(answers)


class UnwrittenError(_AnsweredError):
    """What was to be written beside the answers of a file could not be."""


class PartlyReadError(_AnsweredError):
    """A file is damaged; the answers are about what could be read of it."""


@dataclass(slots=True)
class Tally:
    """Counts of a run: files; pictures named, not settled and without a cube; recordings and the cases shown
    in them; files done before; the files that gave no answer, those read in part, and those beside which
    something was not written."""

    files: int = 0
    named: int = 0
    unsettled: int = 0
    nothing: int = 0
    recordings: int = 0
    shown: int = 0
    skipped: int = 0
    stopped: bool = False
    problems: list[Problem] = field(default_factory=list)
    partly: list[Problem] = field(default_factory=list)
    unwritten: list[Problem] = field(default_factory=list)

    def add(self, outcome: Outcome) -> None:
        """Count one file in."""
        self.files += 1
        if outcome.error is not None:
            self.problems.append(Problem(outcome.item.path, outcome.error))
            return
        if outcome.partly is not None:
            self.partly.append(Problem(outcome.item.path, outcome.partly))
        if outcome.unwritten is not None:
            self.unwritten.append(Problem(outcome.item.path, outcome.unwritten))
        if outcome.item.kind == "recording":
            self.recordings += 1
            self.shown += len(outcome.answers)
            return
        for answer in outcome.answers:
            if answer.get("ok"):
                self.named += 1
            elif answer.get("reason") == "no-cube":
                self.nothing += 1
            else:
                self.unsettled += 1


def unreadable_answer(item: Item) -> Json:
    """The answer for a picture that cannot be read: all fields there, reason ``unreadable``.

    What exactly is wrong stands in the ledger and in the list at the end; the answer has no field for it.
    """
    from vision.answer import unreadable
    from vision.answer_json import answer_to_json

    return answer_to_json(unreadable(item.path))


def read_one(item: Item, reader: Reader) -> Outcome:
    """Run the reader on one file; whatever goes wrong with it becomes part of the outcome."""
    digest, retry = "", True
    try:
        digest = digest_of(item.path)
        return Outcome(item, tuple(reader(item)), digest)
    except PartlyReadError as error:
        return Outcome(item, error.answers, digest, partly=" ".join(str(error).split()))
    except UnwrittenError as error:
        return Outcome(item, error.answers, digest, unwritten=" ".join(str(error).split()))
    except LastlookError as error:
        reason, retry = str(error), isinstance(error, MissingExtraError)
    except MemoryError:
        reason = "is too large for the memory of this machine"
    except OSError as error:
        where = "" if error.filename in (None, item.path) else f"{error.filename}: "
        reason = f"cannot be read: {where}{error.strerror or error}"
    except Exception as error:  # one broken file never stops the run: it is named at the end
        reason = f"could not be labelled ({type(error).__name__}: {error})"
    reason = reason.removeprefix(f"{item.path}: ")
    answers = (unreadable_answer(item),) if item.kind == "picture" else ()
    return Outcome(item, answers, digest, " ".join(reason.split()), retry)


def outcomes(
    items: Sequence[Item],
    reader: Reader,
    *,
    jobs: int = 1,
    backend: str = "loky",
    backend_options: dict[str, Any] | None = None,
) -> Generator[Outcome, None, None]:
    """Outcomes in the order of ``items``, each handed over as soon as those before it are done.

    ``jobs`` processes run at once, none of them this one; at most a few times as many files are under way, so
    memory does not grow with the number of files. ``backend`` is a joblib backend ("loky", or "dask" with a
    client made by the caller, or any that is registered). A file that takes its process down with it is found
    by reading the files under way one at a time in a process of its own; it becomes an outcome with an error.
    """
    if min(jobs, len(items)) == 1 and backend == "loky":
        yield from _one_by_one(items, reader)
        return
    queue = deque(items)
    while queue:
        finished = 0
        try:
            # the queue must not change under the pool, which reads ahead: it gets a copy
            for outcome in pooled(
                [(read_one, item, reader) for item in queue],
                jobs=jobs,
                ahead=_under_way(jobs),
                backend=backend,
                options=backend_options or {},
            ):
                finished += 1
                yield outcome
            return
        except BrokenProcessPool:
            pass
        for _ in range(finished):
            queue.popleft()
        # the culprit is among the files under way: those at the head of what is left
        suspects = [queue.popleft() for _ in range(min(len(queue), _under_way(jobs)))]
        yield from _one_by_one(suspects, reader)


def _under_way(jobs: int) -> int:
    return 4 * jobs


def _one_by_one(items: Sequence[Item], reader: Reader) -> Iterator[Outcome]:
    """Read files in a process that holds nothing else; a new one after each that takes it down."""
    waiting = deque(items)
    while waiting:
        with own_process() as apart:
            while waiting:
                item = waiting.popleft()
                try:
                    yield apart(read_one, item, reader)
                except BrokenProcessPool:
                    answers = (unreadable_answer(item),) if item.kind == "picture" else ()
                    yield Outcome(item, answers, "", KILLS_ITS_PROCESS)
                    break


def _here(items: Iterable[Item], reader: Reader) -> Generator[Outcome, None, None]:
    yield from (read_one(item, reader) for item in items)


def label(
    items: Sequence[Item],
    reader: Reader,
    *,
    recording_reader: Reader | None = None,
    log: AnswerLog | None = None,
    on_outcome: Callable[[Outcome], None] | None = None,
    jobs: int = 1,
    backend: str = "loky",
    backend_options: dict[str, Any] | None = None,
) -> Tally:
    """Read ``items`` and write each file's answers to ``log`` as they come.

    Pictures go to other processes, ``recording_reader`` is called here (it has its own). What the log
    knows already is skipped. Ctrl-C ends the run; ``Tally.stopped`` says so, and what was written stays.
    ``on_outcome`` is called once a file, after it is written.
    """
    todo = list(items) if log is None else log.remaining(items)
    tally = Tally(skipped=len(items) - len(todo))
    if log is not None:
        waiting = {item.path for item in todo}
        known = [item for item in items if item.path not in waiting]
        tally.problems += log.known_problems(known)
        tally.partly += log.known_damage(known)
    try:
        for kind, group in groupby(todo, key=lambda item: item.kind):
            if kind == "picture":
                running = outcomes(
                    list(group), reader, jobs=jobs, backend=backend, backend_options=backend_options
                )
            else:
                running = _here(group, recording_reader or reader)
            with contextlib.closing(running):
                for outcome in running:
                    if log is not None:
                        log.write(
                            outcome.item,
                            outcome.answers,
                            digest=outcome.digest,
                            error=outcome.error,
                            retry=outcome.retry,
                            partly=outcome.partly,
                        )
                    tally.add(outcome)
                    if on_outcome is not None:
                        on_outcome(outcome)
    except KeyboardInterrupt:
        tally.stopped = True
    return tally
