"""Closed, full and oddly encoded standard streams, and Ctrl-C: one line, the right status, valid JSON."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import threading
from pathlib import Path

import pytest

import vision.library_files
import vision.report
import vision.sources
from vision.cli import run
from vision.json_lines import json_line
from vision.streams import hushed

ROOT = Path(__file__).parent.parent
LINUX = pytest.mark.skipif(sys.platform != "linux", reason="needs a shell and /dev/full")


def in_shell(command: str, **environment: str) -> subprocess.CompletedProcess[bytes]:
    """Run ``lastlook COMMAND`` in a shell."""
    return subprocess.run(
        f"{sys.executable} -m vision {command}", shell=True, cwd=ROOT,
        env={**os.environ, "PYTHONUNBUFFERED": "", **environment}, capture_output=True, check=False,
    )  # fmt: skip


@LINUX
@pytest.mark.parametrize("command", ["cases", "cases --json", "--help", "--version", "check U --json"])
@pytest.mark.parametrize(("where", "reason"), [(">&-", "closed"), (">/dev/full", "No space left on device")])
def test_standard_output_that_takes_nothing_is_one_line(command: str, where: str, reason: str) -> None:
    done = in_shell(f"{command} {where}")
    told = [line for line in done.stderr.decode().splitlines() if line.startswith("lastlook:")]
    assert done.returncode == 1 and len(told) == 1, done.stderr
    assert "standard output" in told[0] and reason in told[0] and "should not" not in told[0]
    assert b"Traceback" not in done.stderr and b"ignored" not in done.stderr


@LINUX
def test_it_is_one_line_without_buffers_too() -> None:
    done = in_shell("cases --json >/dev/full", PYTHONUNBUFFERED="1")
    assert done.returncode == 1 and done.stderr.count(b"\n") == 1
    assert in_shell("cases", PYTHONUNBUFFERED="1").stdout == in_shell("cases").stdout


@LINUX
@pytest.mark.parametrize("command", ["read -", "sequence import -"])
def test_closed_standard_input_is_one_line(command: str) -> None:
    done = in_shell(f"{command} <&-")
    assert done.returncode == 1 and done.stdout == b""
    assert done.stderr.count(b"\n") == 1 and b"standard input is closed" in done.stderr


@LINUX
def test_with_standard_error_closed_the_work_is_done_all_the_same() -> None:
    done = in_shell("cases 2>&-")
    assert done.returncode == 0 and b"e1-sune-left" in done.stdout
    assert in_shell("cases 2>/dev/full").stdout == done.stdout
    assert in_shell("read missing.jpg 2>/dev/full").returncode == 2


@LINUX
def test_a_file_is_never_written_in_the_place_of_a_closed_stream(tmp_path: Path) -> None:
    """A file opened while descriptor 1 is free would get that number, and all that is printed."""
    plain, odd = tmp_path / "a.svg", tmp_path / "b.svg"
    assert in_shell(f"case e1-sune-left --save {plain}").returncode == 0
    in_shell(f"case e1-sune-left --save {odd} <&- >&- 2>&-")
    assert odd.read_bytes() == plain.read_bytes()


@LINUX
@pytest.mark.parametrize("encoding", ["utf-8", "cp1252", "latin-1", "ascii"])
def test_json_is_utf_8_and_names_the_picture_as_given(encoding: str, tmp_path: Path) -> None:
    names = [os.fsencode("😀.jpg"), b"caf\xe9.jpg", os.fsencode("é.jpg")]
    for name in names:
        (tmp_path / os.fsdecode(name)).write_bytes(b"P5 64 64 255\n" + bytes(64 * 64))
    done = subprocess.run(
        [sys.executable, "-m", "vision", "read", "--json", *names], cwd=tmp_path, capture_output=True,
        env={**os.environ, "PYTHONPATH": str(ROOT), "PYTHONIOENCODING": encoding, "PYTHONUTF8": "0"},
    )  # fmt: skip
    lines = done.stdout.decode("utf-8").splitlines()
    assert [os.fsencode(json.loads(line)["image"]) for line in lines] == names


def test_json_comes_back_as_it_was() -> None:
    value = {"image": os.fsdecode(b"\xff \xf0\x9f\x98\x80.jpg"), "n": [1, None, "é\u2028\n"]}
    line = json_line(value)
    assert json.loads(line) == value and b"\n" not in line


@pytest.mark.parametrize(
    ("arguments", "module", "name"),
    [
        (["read", "x.jpg"], vision.sources, "pictures_named"),
        (["cases"], vision.library_files, "open_library"),
        (["find", "e1-sune-left"], vision.library_files, "open_effort"),
        (["score", "."], vision.report, "truths_in"),
    ],
)
def test_ctrl_c_is_told_and_1(
    arguments: list[str], module: object, name: str, monkeypatch: pytest.MonkeyPatch, capsys
) -> None:
    def stop(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(module, name, stop)
    assert run(arguments) == 1
    captured = capsys.readouterr()
    assert captured.err == "lastlook: stopped\n" and captured.out == ""


@pytest.mark.skipif(sys.platform == "win32", reason="there is no such signal")
@pytest.mark.parametrize("package", ["typer", "numpy"])
def test_ctrl_c_while_packages_load_is_told_too(package: str, tmp_path: Path) -> None:
    """A stand-in for the package gets the signal in the middle of its import."""
    (tmp_path / f"{package}.py").write_text(
        "import os, signal, time\nos.kill(os.getpid(), signal.SIGINT)\ntime.sleep(9)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", "from vision.cli import main; main()", "read", "x.jpg"],
        env={**os.environ, "PYTHONPATH": os.pathsep.join([str(tmp_path), str(ROOT)])},
        capture_output=True, text=True,
    )  # fmt: skip
    assert (done.returncode, done.stderr) == (1, "lastlook: stopped\n")


def test_the_command_line_itself_loads_next_to_nothing() -> None:
    """So that Ctrl-C right after the start meets a guard that stands already."""
    code = (
        "import sys; import vision.cli;"
        "heavy = {'typer', 'typing', 'json', 'numpy'} & set(sys.modules);"
        "sys.exit(f'loaded {heavy}' if heavy else 0)"
    )
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr


@pytest.mark.parametrize("arguments", [["read", "a\nb.jpg"], ["label", "a\nb.jpg", "-j", "1"]])
def test_a_line_break_in_a_name_makes_no_second_line(arguments: list[str], capsys) -> None:
    run(arguments)
    lines = capsys.readouterr().err.splitlines()
    assert [line for line in lines if "a b.jpg" in line] and not any(
        line.startswith("b.jpg") for line in lines
    )


def test_c_libraries_are_hushed_and_only_they(capfd: pytest.CaptureFixture[str]) -> None:
    """Several threads at once leave descriptor 2 as it was."""

    def chatter() -> None:
        for _ in range(50):
            with hushed():
                os.write(2, b"from a C library\n")

    threads = [threading.Thread(target=chatter) for _ in range(4)]
    for one in threads:
        one.start()
    for one in threads:
        one.join()
    os.write(2, b"after\n")
    assert capfd.readouterr().err == "after\n"
