"""Writing whole files: what is there before, after and in between, and with which permissions."""

from __future__ import annotations

import os
import stat
import threading
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

import pytest

from calibration.profile import default_profile, load_profile
from models.errors import LastlookError
from models.files import replacing, write_atomically
from models.library import load_library
from models.library_build import write_part
from models.sequences import write_block
from vision.ledger import AnswerLog
from vision.page import write_page


def one_file(folder: Path, way: str) -> Path:
    """A file written in one of the ways in which this project writes files."""
    path = folder / "written"
    if way == "bytes":
        write_atomically(path, b"x")
    elif way == "profile":
        default_profile().save(path)
    elif way == "page":
        write_page([], path)
    elif way == "part":
        path = write_part(folder, "odd", {})
    elif way == "answers":
        AnswerLog(path).close()
    else:
        (folder / "own.toml").write_text(write_block("e0-sune", "R U R' U R U2 R'"))
        load_library([folder / "own.toml"], built_in=False, cache_folder=folder / "cache")
        (path,) = (folder / "cache").iterdir()
    return path


@pytest.fixture
def usual_umask() -> Iterator[int]:
    before = os.umask(0o027)
    yield 0o027
    os.umask(before)


@pytest.mark.skipif(os.name == "nt", reason="POSIX permissions")
@pytest.mark.parametrize("way", ["bytes", "profile", "page", "part", "answers", "cache"])
def test_a_new_file_has_the_permissions_of_any_new_file(
    way: str, tmp_path: Path, usual_umask: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """POSIX open(2): 0666 without the bits of the umask, which belongs to all threads and is left alone."""
    monkeypatch.setattr(os, "umask", None)
    path = one_file(tmp_path, way)
    monkeypatch.undo()
    assert stat.S_IMODE(path.stat().st_mode) == 0o666 & ~usual_umask


@pytest.mark.skipif(os.name == "nt", reason="POSIX permissions and links")
@pytest.mark.parametrize("mode", [0o600, 0o664, 0o400])
def test_a_file_that_is_there_keeps_its_permissions_and_its_links(mode: int, tmp_path: Path) -> None:
    """Before the first byte is written as well: what is nobody else's business never lies open."""
    real, link = tmp_path / "elsewhere" / "real", tmp_path / "link"
    real.parent.mkdir()
    link.symlink_to(Path("elsewhere") / "real")
    write_atomically(link, b"new, where there was nothing")
    real.chmod(mode)
    with replacing(link) as stream:
        assert stat.S_IMODE(os.fstat(stream.fileno()).st_mode) == mode
        stream.write(b"new")
    assert link.is_symlink() and real.read_bytes() == b"new" and stat.S_IMODE(real.stat().st_mode) == mode
    assert set(tmp_path.rglob("*")) == {real.parent, real, link}


@pytest.mark.parametrize("reason", [OSError(28, "No space left on device"), KeyboardInterrupt()])
def test_what_fails_half_way_changes_nothing(reason: BaseException, tmp_path: Path) -> None:
    path = tmp_path / "kept"
    write_atomically(path, b"old")

    def half() -> None:
        with replacing(path) as stream:
            stream.write(b"new, but only h")
            raise reason

    with pytest.raises(type(reason)):
        half()
    assert path.read_bytes() == b"old" and list(tmp_path.iterdir()) == [path]


def test_a_reader_meets_the_old_file_until_the_new_one_is_whole(tmp_path: Path) -> None:
    path = tmp_path / "kept"
    write_atomically(path, b"old")
    with path.open("rb") as before, replacing(path) as stream:
        stream.write(b"new")
        stream.flush()
        assert path.read_bytes() == b"old" and stream.name != str(path)
    assert path.read_bytes() == b"new" and before.closed


def test_a_name_as_long_as_the_file_system_takes_can_be_written(tmp_path: Path) -> None:
    path = tmp_path / ("x" * 255)
    try:
        path.write_bytes(b"")
    except OSError:
        pytest.skip("shorter names only")
    write_atomically(path, b"new")
    assert path.read_bytes() == b"new"


def test_what_cannot_be_written_is_one_line(tmp_path: Path) -> None:
    (tmp_path / "folder").mkdir()
    for path in (tmp_path / "gone" / "x", tmp_path / "folder"):
        with pytest.raises(LastlookError) as caught:
            write_atomically(path, b"x")
        assert str(path) in str(caught.value) and "\n" not in str(caught.value)
    assert [one.name for one in tmp_path.iterdir()] == ["folder"]


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no named pipes here")
@pytest.mark.parametrize("what", ["sequences", "profile"])
def test_of_what_tells_no_size_no_more_than_the_limit_is_read(what: str, tmp_path: Path) -> None:
    """A pipe has the length 0 and may never end."""
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)

    def fill() -> None:
        with suppress(BrokenPipeError), pipe.open("wb") as stream:
            for _ in range(64):
                stream.write(b"# " * (1 << 17) + b"\n")

    writer = threading.Thread(target=fill)
    writer.start()
    if what == "sequences":
        (bad,) = load_library([pipe], built_in=False).bad
        assert "larger than 8 MiB" in bad.reason
    else:
        with pytest.raises(LastlookError, match="too large"):
            load_profile(pipe)
    writer.join()
