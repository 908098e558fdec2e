"""The steps of a filing done and taken back.

Each stands in the log, on the disk, before it is done, so :func:`undo` can take back a run that was killed
half way.
"""

from __future__ import annotations

import contextlib
import errno
import filecmp
import json
import os
import shutil
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from models.errors import LastlookError, UsageError
from models.json_text import parse_json
from vision.filing import Action, Step, truth_beside
from vision.paths import digest_of, is_file
from vision.truth_file import new_truth_path
from vision.wording import counted

_NO_NOTE: Final = (ValueError, KeyError, TypeError, AttributeError)
"""What :func:`_note` raises for what is no line of a log."""


def carry_out(steps: Iterable[Step], log: Path, on_step: Callable[[Step], None] | None = None) -> int:
    """Do the steps; each is noted in ``log`` first. Returns how many were done.

    ``log`` is a file of JSON lines and must be new or such a log (it is appended to). Raises LastlookError
    at the first step that cannot be done; what was done stays and can be undone.
    """
    done, at = 0, log.parent
    try:
        _make_folder(log.parent)
        _end_last_line(log)
        with log.open("a", encoding="utf-8") as notes:
            for step in steps:
                at = step.target.parent
                _make_folder(at)
                note: dict[str, Any] = {
                    "action": step.action,
                    "from": str(step.source.absolute()),
                    "to": str(step.target.absolute()),
                    "bytes": step.source.stat().st_size,
                }
                if step.action == "copy":
                    note["digest"] = digest_of(step.source)
                notes.write(json.dumps(note) + "\n")
                notes.flush()
                os.fsync(notes.fileno())
                (_copy if step.action == "copy" else _move)(step.source, step.target)
                done += 1
                if on_step is not None:
                    on_step(step)
    except FileExistsError as error:
        raise LastlookError(
            f"{error.filename2 or error.filename}: came up meanwhile and is not overwritten; run it again"
        ) from error
    except OSError as error:
        is_full = error.errno in (errno.ENOSPC, errno.EDQUOT)  # told of the source, and of a draft
        where = at if is_full else error.filename or log
        mend = "make room and run it again" if is_full else "check the path and its permissions"
        how = f"{counted(done, 'file')} filed; 'lastlook label --undo {log}' takes that back"
        raise LastlookError(
            f"{where}: {error.strerror or error}; " + (how if done else f"nothing was filed: {mend}")
        ) from error
    return done


def _end_last_line(log: Path) -> None:
    """End the last line, so that nothing is joined to it. One that a kill or a full disk cut short goes: its
    step was not begun."""
    with log.open("ab+") as notes:
        length = notes.tell()
        notes.seek(0)
        last = notes.read().rpartition(b"\n")[2]
        if not last:
            return
        try:
            _note(parse_json(last))
        except _NO_NOTE:
            notes.truncate(length - len(last))
        else:
            notes.write(b"\n")


def _make_folder(folder: Path) -> None:
    """Raises NotADirectoryError where a file stands in its place, which did not come up meanwhile."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except FileExistsError as error:
        raise NotADirectoryError(errno.ENOTDIR, "is there and is no folder", str(folder)) from error


def undo(log: Path) -> tuple[int, list[tuple[Path, str]]]:
    """Take back what ``log`` says, the last step first; the log itself is then set aside.

    Returns how many files were taken back, and those that were left alone with the reason: they are gone,
    have changed, or their old name is taken. A truth that came since beside a renamed picture goes back with
    it; a copy that has one stays. A step that a kill left undone needs nothing.
    Raises UsageError when the file is no such log, and then touches nothing.
    """
    steps = _read_log(log)
    filed = {note.new for note in steps}
    undone = 0
    left: list[tuple[Path, str]] = []
    for note in reversed(steps):
        old, new = note.old, note.new
        try:
            if not is_file(new):
                if note.action == "rename" and not is_file(old):
                    left.append((new, "is gone"))
                continue
            came = [one for one in truth_beside(new, "rename") if one not in filed]
            if not _is_as_filed(note):
                left.append((new, "has changed since"))
            elif came and note.action == "copy":
                left.append((new, f"{came[0].name} came beside it since"))
            elif note.action == "copy":
                new.unlink()
                undone += 1
                with contextlib.suppress(OSError):
                    new.parent.rmdir()  # only when this leaves it empty
            else:
                if old.exists() and old.samefile(new):  # killed between the new name and the old one's end
                    new.unlink()
                else:
                    _move(new, old)
                undone += 1
                for one in came:
                    new, old = one, new_truth_path(old)
                    _move(new, old)
                    undone += 1
        except FileExistsError:
            left.append((new, f"its old name {old.name} is taken"))
        except OSError as error:
            left.append((new, error.strerror or str(error)))
    if not left:
        log.replace(log.with_name(log.name + ".undone"))
    return undone, left


@dataclass(frozen=True, slots=True)
class _Note:
    """One line of a log; ``digest`` of the content for a copy, None for a rename and in logs without it."""

    action: Action
    old: Path
    new: Path
    length: int
    digest: str | None


def _is_as_filed(note: _Note) -> bool:
    """Whether what was filed may be taken back; a copy is deleted, so it must still hold what was copied."""
    if note.new.stat().st_size != note.length:
        return False
    if note.action == "rename":
        return True
    if note.digest is not None:
        return digest_of(note.new) == note.digest
    return not is_file(note.old) or filecmp.cmp(note.old, note.new, shallow=False)


def _read_log(log: Path) -> list[_Note]:
    mend = "name the log that --rename or --copy-to wrote"
    try:
        lines = log.read_text(encoding="utf-8").splitlines()
    except (OSError, UnicodeDecodeError) as error:
        reason = getattr(error, "strerror", None) or "is no text"
        raise UsageError(f"{log}: {reason}; {mend}") from error
    steps = []
    for number, line in enumerate(lines, 1):
        try:
            steps.append(_note(parse_json(line)))
        except _NO_NOTE as error:
            if number == len(lines):  # cut short by a kill: its step was not begun
                break
            raise UsageError(
                f"{log}: line {number} is no step of a filing log; nothing was undone"
            ) from error
    if not steps:
        raise UsageError(f"{log}: holds no step of a filing log; {mend}")
    return steps


def _note(line: Any) -> _Note:
    if line["action"] not in ("copy", "rename"):
        raise ValueError(line["action"])
    digest = line.get("digest")
    return _Note(
        line["action"],
        Path(line["from"]),
        Path(line["to"]),
        int(line["bytes"]),
        None if digest is None else str(digest),
    )


def _copy(source: Path, target: Path) -> None:
    """Copy with times; complete or not there at all, and never over a file that is there."""
    draft = target.with_name(f".{os.getpid()}.part")  # short: the target's name may be the longest
    try:
        shutil.copy2(source, draft)
        _move(draft, target)
    finally:
        draft.unlink(missing_ok=True)


def _move(source: Path, target: Path) -> None:
    """Give a file a new name unless that name is taken (then FileExistsError), in one step where it can be.

    A hard link fails on a name that is taken, which a plain rename would overwrite. Where the file system
    has no links (FAT), the name is first claimed with an empty file.
    """
    try:
        os.link(source, target, follow_symlinks=False)
    except FileExistsError:
        raise
    except (OSError, NotImplementedError):  # the latter where a link cannot be told from what it points to
        with target.open("xb"):
            pass
        source.replace(target)
        return
    source.unlink()
