"""What Windows does otherwise, as far as another system can stand in for it."""

from __future__ import annotations

import errno
import os
import stat
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import pytest

import models.attempt
from models.errors import UsageError
from models.files import replacing
from vision.cli_journal import _date
from vision.filing import Step
from vision.filing_steps import carry_out, undo
from vision.gather import Item
from vision.ledger import AnswerLog
from vision.library_files import locked
from vision.profiles import profile_path

OPEN_HERE = Path("/proc/self/fd")


@pytest.fixture
def open_files_stay(monkeypatch: pytest.MonkeyPatch) -> None:
    """No file that is open can be replaced, by one that is open neither: a sharing violation."""
    if not OPEN_HERE.is_dir():
        pytest.skip("needs a list of the files that are open")
    replace: Callable[[Path, Path], Path] = Path.replace

    def checked(source: Path, target: Path) -> Path:
        names = {os.path.realpath(source), os.path.realpath(target)}
        if names & {os.path.realpath(one) for one in OPEN_HERE.iterdir()}:
            raise PermissionError(errno.EACCES, "The process cannot access the file", str(target))
        return replace(source, target)

    monkeypatch.setattr(Path, "replace", checked)


def item(path: Path, text: str) -> Item:
    path.write_text(text)
    facts = path.stat()
    return Item(str(path), "picture", facts.st_size, facts.st_mtime_ns)


@pytest.mark.usefixtures("open_files_stay")
def test_answers_are_rewritten_while_a_run_holds_them(tmp_path: Path) -> None:
    """One of two pictures has changed, so its answer goes, before the next one is appended."""
    first, second = item(tmp_path / "a.png", "one"), item(tmp_path / "b.png", "two")
    out = tmp_path / "answers.jsonl"
    with AnswerLog(out) as log:
        for one in (first, second):
            log.write(one, [{"image": one.path}])
    changed = item(tmp_path / "b.png", "three")
    with AnswerLog(out, resume=True) as log:
        assert log.remaining([first, changed]) == [changed]
        log.write(changed, [{"image": changed.path}, {"image": changed.path}])
    with AnswerLog(out, resume=True) as log:
        assert log.remaining([first, changed]) == []
    assert len(out.read_bytes().splitlines()) == 3


def test_answers_are_written_byte_by_byte(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Without this flag a line break becomes two characters there (Python's documentation of os.O_BINARY)."""
    opened, flags = os.open, list[int]()

    def noted(path: str | Path, flag: int, *more: int, **options: int) -> int:
        if str(path).endswith((".jsonl", ".ledger")):
            flags.append(flag)
        return opened(path, flag & ~os.O_BINARY, *more, **options)  # type: ignore[attr-defined]

    monkeypatch.setattr(os, "O_BINARY", 1 << 30, raising=False)
    monkeypatch.setattr(os, "open", noted)
    with AnswerLog(tmp_path / "a.jsonl"):
        pass
    assert len(flags) == 2 and all(flag & 1 << 30 for flag in flags)


def test_where_a_link_cannot_be_made_a_file_is_moved_all_the_same(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def link(*_: object, **options: object) -> None:
        raise NotImplementedError("link: follow_symlinks unavailable on this platform")

    monkeypatch.setattr(os, "link", link)
    source, target = tmp_path / "a.png", tmp_path / "named" / "b.png"
    source.write_text("picture")
    assert carry_out([Step("rename", source, target)], tmp_path / "log.jsonl") == 1
    assert target.read_text() == "picture" and not source.exists()
    assert undo(tmp_path / "log.jsonl") == (1, []) and source.read_text() == "picture"


def test_a_time_that_the_system_cannot_place_is_wrong_usage(monkeypatch: pytest.MonkeyPatch) -> None:
    """There a local time before 1970 is an OSError."""

    def refused(moment: datetime) -> str:
        raise OSError(errno.EINVAL, "Invalid argument")

    assert _date("1969-01-01") is not None
    monkeypatch.setattr(models.attempt, "utc_text", refused)
    with pytest.raises(UsageError, match="'1969-01-01'"):
        _date("1969-01-01")
    assert models.attempt.utc_text is refused and datetime.now(UTC)


def test_a_file_that_may_only_be_read_leaves_no_draft_behind(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """There such a file can neither be replaced nor deleted."""
    path, unlink = tmp_path / "library.toml", Path.unlink
    path.write_text("old")
    path.chmod(0o444)

    def refused(source: Path, target: Path) -> Path:
        raise PermissionError(errno.EACCES, "Access is denied", str(target))

    def checked(file: Path, missing_ok: bool = False) -> None:
        if not file.stat().st_mode & stat.S_IWUSR:
            raise PermissionError(errno.EACCES, "Access is denied", str(file))
        unlink(file, missing_ok)

    monkeypatch.setattr(Path, "replace", refused)
    monkeypatch.setattr(Path, "unlink", checked)
    with pytest.raises(PermissionError, match=r"library\.toml"), replacing(path) as stream:
        stream.write(b"new")
    assert [one.name for one in tmp_path.iterdir()] == ["library.toml"] and path.read_text() == "old"


def test_without_locks_the_library_is_written_all_the_same(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    import sys

    monkeypatch.setitem(sys.modules, "fcntl", None)
    monkeypatch.setenv("LASTLOOK_DATA", str(tmp_path / "data"))
    with locked():
        assert not (tmp_path / "data").exists()


@pytest.mark.parametrize("name", ["con", "NUL", "com1", "Aux.two"])
def test_no_profile_is_called_like_a_device(name: str) -> None:
    with pytest.raises(UsageError, match="device"):
        profile_path(name)
    assert profile_path(f"{name}x" if "." not in name else f"x{name}")
