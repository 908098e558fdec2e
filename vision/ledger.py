"""The file of answers and the ledger beside it: a run can be killed at any moment and continued.

``answers.jsonl`` holds nothing but answers, one JSON object a line. ``answers.jsonl.ledger`` says for
each file that is done what it was (length, time of change, BLAKE2b digest), under which options it was
read, and how many lines it gave. An answer counts when the ledger names it; its lines are written first,
the ledger's line after them, each with one call. What a kill leaves half done is dropped on resuming.
"""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Collection, Mapping, Sequence
from contextlib import ExitStack
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

from models.errors import LastlookError, UsageError
from models.files import write_atomically
from models.json_text import parse_json
from vision.gather import Item, Problem
from vision.in_use import InUse
from vision.json_lines import json_line, parsed, read_lines
from vision.paths import digest_of, is_file, kind_at


@dataclass(frozen=True, slots=True)
class Done:
    """What the ledger knows of one file; ``retry`` when its error may not lie with the file, ``partly`` what
    could not be read of one that was read otherwise."""

    image: str
    bytes: int
    mtime_ns: int
    digest: str
    options: str
    lines: int
    error: str | None = None
    retry: bool = False
    partly: str | None = None


def ledger_of(out: Path) -> Path:
    """The ledger beside a file of answers; beside the file itself where ``out`` is a link to it."""
    real = Path(os.path.realpath(out))
    return real.with_name(real.name + ".ledger")


class AnswerLog:
    """Appends answers to ``out``; ``resume`` keeps the answers of files that are done and unchanged.

    ``options`` is a short text of all that changes an answer (size, front, what it was read with): answers
    read under other options do not count as done. Nor do files that could be read and of which ``lacking``
    (given the item and its number of answers) says that something else that the run is to write is missing.
    ``fault`` says in words what is wrong with an answer that was kept, None for nothing. Raises UsageError
    when ``out`` is there and ``resume`` is not asked for, or a line of it is no answer, as where a person has
    been at it: then nothing is touched. LastlookError when it cannot be written or another run is writing it.
    Use it as a context manager.
    """

    def __init__(
        self,
        out: Path,
        *,
        options: str = "",
        resume: bool = False,
        lacking: Callable[[Item, int], bool] = lambda item, lines: False,
        fault: Callable[[Any], str | None] = lambda answer: None,
    ) -> None:
        self.out = out
        self.ledger = ledger_of(out)
        self.options = options
        self._lacking = lacking
        self._fault = fault
        self._done: dict[str, Done] = {}
        self._by_bytes: dict[int, list[Done]] = {}
        self._answers_fd: int | None = None
        self._ledger_fd: int | None = None
        if kind_at(out) == "folder":
            raise UsageError(
                f"{out} is a folder; name a file for the answers, such as {out / 'answers.jsonl'}"
            )
        with ExitStack() as undo:
            try:
                out.parent.mkdir(parents=True, exist_ok=True)
                self._in_use = InUse(out)
                undo.callback(self._in_use.release)
                if resume:
                    self._take_up()
                elif out.exists() and out.stat().st_size:
                    raise UsageError(
                        f"{out} holds answers already; go on with --resume, or name another file"
                    )
                self._answers_fd = _opened(out, os.O_CREAT)
                undo.callback(os.close, self._answers_fd)
                self._ledger_fd = _opened(self.ledger, os.O_CREAT | (0 if resume else os.O_TRUNC))
            except OSError as error:
                raise LastlookError(f"{out}: cannot be written: {error.strerror or error}") from error
            undo.pop_all()

    def __enter__(self) -> AnswerLog:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Put both files on the disk and let go of them."""
        try:
            self._let_go()
        except OSError as error:
            raise LastlookError(f"{self.out}: cannot be written: {error.strerror or error}") from error
        finally:
            self._in_use.release()

    def remaining(self, items: Sequence[Item]) -> list[Item]:
        """The items that still have to be read; drops the lines of items that have changed.

        A file whose length and time of change are as noted is unchanged; one whose time alone differs is
        compared by its digest. A file under a new name with the content of one that is gone has moved: its
        answers get the new name. So do those of a file that is named by another path than before.
        """
        self._respell(items)
        moved: dict[str, str] = {}
        for item in items:
            old = self._moved_from(item, taken=moved.values())
            if old is not None:
                moved[item.path] = old
        if moved:
            self._adopt(moved, items)
        todo = [item for item in items if not self._unchanged(item)]
        stale = {item.path for item in todo} & self._done.keys()
        if stale:
            self._drop(stale)
        return todo

    def known_problems(self, items: Sequence[Item]) -> list[Problem]:
        """Files of ``items`` that an earlier run could not read and that have not changed since."""
        notes = (self._done.get(item.path) for item in items)
        return [Problem(done.image, done.error) for done in notes if done and done.error]

    def known_damage(self, items: Sequence[Item]) -> list[Problem]:
        """Files of ``items`` of which an earlier run could read a part only."""
        notes = (self._done.get(item.path) for item in items)
        return [Problem(done.image, done.partly) for done in notes if done and done.partly]

    def write(
        self,
        item: Item,
        answers: Sequence[Mapping[str, Any]],
        *,
        digest: str = "",
        error: str | None = None,
        retry: bool = False,
        partly: str | None = None,
    ) -> None:
        """Append the answers of one file, then note that it is done."""
        lines = b"".join(json_line(one) + b"\n" for one in answers)
        facts = (item.path, item.bytes, item.mtime_ns, digest, self.options)
        done = Done(*facts, len(answers), error, retry, partly)
        assert self._answers_fd is not None and self._ledger_fd is not None
        try:
            _append(self._answers_fd, lines)
            _append(self._ledger_fd, (json.dumps(asdict(done)) + "\n").encode("ascii"))
        except OSError as fault:
            raise LastlookError(
                f"{self.out}: cannot be written: {fault.strerror or fault}; what is there is kept: make room"
                " and go on with --resume"
            ) from fault

    def _unchanged(self, item: Item) -> bool:
        done = self._done.get(item.path)
        if done is None or done.retry or done.options != self.options or done.bytes != item.bytes:
            return False
        if done.error is None and self._lacking(item, done.lines):
            return False
        if done.mtime_ns == item.mtime_ns:
            return True
        try:
            return bool(done.digest) and digest_of(item.path) == done.digest
        except OSError:
            return False

    def _respell(self, items: Sequence[Item]) -> None:
        """Let what is noted about a file by other paths than an item's count as that item's, once."""
        before = len(self._done)
        names = {item.path for item in items}
        others = [image for image in self._done if image not in names]
        here = {os.path.realpath(item.path): item.path for item in items} if others else {}
        new_name: dict[str, str] = {}
        for old in others:
            new = here.get(os.path.realpath(old))
            if new is None:
                continue
            done = self._done.pop(old)
            if new not in self._done:
                self._done[new] = replace(done, image=new)
                new_name[old] = new
        if len(self._done) < before or new_name:
            self._rewrite(new_name)

    def _moved_from(self, item: Item, taken: Collection[str]) -> str | None:
        if item.path in self._done:
            return None
        for done in self._by_bytes.get(item.bytes, ()):
            if done.image not in self._done or done.image in taken:  # files alike moved one to one
                continue
            if done.digest and not is_file(done.image):
                try:
                    if digest_of(item.path) == done.digest:
                        return done.image
                except OSError:
                    return None
        return None

    def _adopt(self, moved: Mapping[str, str], items: Sequence[Item]) -> None:
        """Write the new names of moved files into both files."""
        facts = {item.path: item for item in items}
        new_name = {old: new for new, old in moved.items()}
        for old, new in new_name.items():
            self._done[new] = replace(self._done.pop(old), image=new, mtime_ns=facts[new].mtime_ns)
        self._rewrite(new_name)

    def _take_up(self) -> None:
        """Read the ledger, and drop from both files what a kill left half done."""
        if not self.out.exists():
            self.ledger.unlink(missing_ok=True)
            return
        if not self.ledger.exists():
            if self.out.stat().st_size:
                raise UsageError(
                    f"{self.out} has no {self.ledger.name} beside it, so nothing tells which files are done;"
                    " name another file for the answers"
                )
            return
        for line in read_lines(self.ledger):
            try:
                done = Done(**line)
            except TypeError:
                continue
            if not (isinstance(done.image, str) and isinstance(done.bytes, int)):
                continue
            self._done[done.image] = done
        for done in self._done.values():
            self._by_bytes.setdefault(done.bytes, []).append(done)
        counted: dict[str, int] = {}
        for answer in self._kept():
            image = str(answer.get("image"))
            counted[image] = counted.get(image, 0) + 1
        broken = {image for image, done in self._done.items() if counted.get(image, 0) != done.lines}
        self._drop(broken | (counted.keys() - self._done.keys()))

    def _kept(self) -> list[dict[str, Any]]:
        """The answers of the file. One that a kill cut short, at its end, is left out; of any other line that
        is no answer UsageError tells. A last line that lacks no more than its end is given one."""
        kept, last = [], b"\n"
        with self.out.open("rb") as stream:
            for number, line in enumerate(stream, 1):
                last = line
                try:
                    one = parse_json(line)
                    why = "no JSON object" if not isinstance(one, dict) else self._fault(one)
                except ValueError as error:
                    why = str(error)
                if why is None:
                    kept.append(one)
                elif line.endswith(b"\n") and line.strip():
                    raise UsageError(
                        f"{self.out}: line {number} is no answer ({why}); mend the line, or delete it to have"
                        " its file read again"
                    )
        if not last.endswith(b"\n") and parsed(last + b"\n") is not None:
            with self.out.open("ab") as stream:
                stream.write(b"\n")
        return kept

    def _drop(self, images: set[str] | frozenset[str]) -> None:
        """Rewrite both files without the lines of ``images`` (and without lines cut short)."""
        for image in images:
            self._done.pop(image, None)
        self._rewrite({})

    def _rewrite(self, new_name: Mapping[str, str]) -> None:
        kept = bytearray()
        with self.out.open("rb") as stream:
            for line in stream:
                one = parsed(line)
                if one is None:
                    continue
                image = str(one.get("image"))
                if image in new_name:
                    one["image"] = image = new_name[image]
                    line = json_line(one) + b"\n"
                if image in self._done:
                    kept += line
        was_open = self._let_go()  # Windows replaces no file that is open
        # ledger first: between the two, an answer without a note is dropped again by the next resume
        notes = "".join(json.dumps(asdict(done)) + "\n" for done in self._done.values())
        try:
            write_atomically(self.ledger, notes.encode("ascii"))
            write_atomically(self.out, bytes(kept))
        finally:
            if was_open:
                self._answers_fd, self._ledger_fd = _opened(self.out), _opened(self.ledger)

    def _let_go(self) -> bool:
        """Close both files, what was written on the disk. False when none was open."""
        fds = [fd for fd in (self._answers_fd, self._ledger_fd) if fd is not None]
        self._answers_fd = self._ledger_fd = None
        with ExitStack() as closing:
            for fd in fds:
                closing.callback(os.close, fd)
            for fd in fds:
                os.fsync(fd)
        return bool(fds)


def _opened(path: Path, more: int = 0) -> int:
    """A descriptor that appends bytes as they are; ``more``: further flags of ``os.open``."""
    as_they_are = getattr(os, "O_BINARY", 0)  # Windows makes two characters of a line break without it
    return os.open(path, os.O_WRONLY | os.O_APPEND | as_they_are | more, 0o666)


def _append(fd: int, data: bytes) -> None:
    """One call to the system for all of it; a disk that takes less gets the rest in further calls."""
    view = memoryview(data)
    while view:
        view = view[os.write(fd, view) :]
