"""The command line: one line for every mistake, the documented exit statuses, light and documented help."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
from dataclasses import replace
from io import BytesIO
from itertools import pairwise
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from truth_answers import answer_of_truth

import models.files
import vision.pipeline
from models.errors import LastlookError
from vision.answer import Answer
from vision.app import COMMANDS, command_line
from vision.cli import explain_import_error, run

ROOT = Path(__file__).parent.parent
SAMPLES = ROOT / "sample_images"


def options_of(command: Any) -> set[str]:
    """The long options of a command, and of its own commands if it has some."""
    own = {option for parameter in command.params for option in parameter.opts if option.startswith("--")}
    return own.union(*(options_of(inner) for inner in getattr(command, "commands", {}).values()))


def commands() -> dict[str, Any]:
    """Command name -> command, out of the application itself."""
    return dict(command_line().commands)


def documented() -> list[tuple[str, str, str, set[str]]]:
    """(file, command, next word, options) of every ``lastlook COMMAND ...`` in the documents' code."""
    found = []
    for name in ("README.md", "DEVELOPERS.md"):
        text = (ROOT / name).read_text()
        code = re.findall(r"```.*?```|`[^`\n]+`", text, re.DOTALL)
        for line in "\n".join(code).splitlines():
            for used in re.finditer(r"\blastlook ([a-z]+)(?: ([a-z]+)\b)?([^|;&`]*)", line):
                found.append((name, used[1], used[2] or "", set(re.findall(r"(--[a-z][a-z-]*)", used[3]))))
    return found


def test_what_the_documents_show_exists() -> None:
    have = commands()
    shown = documented()
    assert shown
    for where, command, word, options in shown:
        assert command in have, f"{where} shows 'lastlook {command}'"
        unknown = options - options_of(have[command]) - {"--help"}
        assert not unknown, f"{where}: 'lastlook {command}' has no {unknown}"
        inner = getattr(have[command], "commands", None)
        assert not (inner and word) or word in inner, f"{where} shows 'lastlook {command} {word}'"


def test_every_command_is_in_the_readme() -> None:
    shown = {command for where, command, *_ in documented() if where == "README.md"}
    assert set(commands()) <= shown


def test_a_command_alone_is_that_of_the_whole_application() -> None:
    for name, command in commands().items():
        alone = command_line(name).commands
        assert any(set(alone) == set(names) for names in COMMANDS.values())
        assert options_of(alone[name]) == options_of(command)


@pytest.mark.parametrize("arguments", [["--help"], ["read", "--help"], ["score", "--help"], ["--version"]])
def test_help_loads_nothing_heavy(arguments: list[str]) -> None:
    code = (
        "import sys; from vision.cli import run; status = run(sys.argv[1:]);"
        "heavy = {'cv2', 'sklearn', 'scipy', 'joblib'} & set(sys.modules);"
        "sys.exit(f'loaded {heavy}' if heavy else status)"
    )
    done = subprocess.run([sys.executable, "-c", code, *arguments], cwd=ROOT, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    assert done.stdout


def one_line(capsys: pytest.CaptureFixture[str]) -> str:
    captured = capsys.readouterr()
    assert captured.out == ""
    assert captured.err.count("\n") == 1 and captured.err.startswith("lastlook: ")
    return captured.err


@pytest.mark.parametrize(
    "arguments",
    [
        ["nonsense"],
        ["read"],
        ["read", "x.jpg", "--nonsense"],
        ["read", "x.jpg", "--size", "9"],
        ["read", "x.jpg", "--front", "upside"],
        ["read", "x.jpg", "--save", "x.txt"],
        ["read", "x.jpg", "y.jpg", "--save", "z.png"],
        ["score"],
        ["score", ".", "--sheet", "page.txt"],
    ],
)
def test_wrong_usage_is_one_line_and_2(arguments: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    assert run(arguments) == 2
    one_line(capsys)


@pytest.mark.parametrize(
    ("arguments", "commands"),
    [([], "read, score"), (["sequence"], "add, list, remove"), (["profile"], "list, show, remove")],
)
def test_a_command_left_out_is_named(
    arguments: list[str], commands: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """The help is shown, and what is missing said."""
    assert run(arguments) == 2
    captured = capsys.readouterr()
    assert f"missing: {commands}" in captured.err and captured.err.count("\n") == 1


def by_name(image_bgr: np.ndarray, *, image: str, **options: object) -> Answer:
    """Stands in for the pipeline: answers by the picture's name."""
    assert image_bgr.ndim == 3 and options["library"] is not None
    name = Path(image).stem
    if name == "open":
        return Answer(image=image, ok=False, reason="ambiguous", size=4)
    if name == "nothing":
        return Answer(image=image, ok=False, reason="no-cube")
    return replace(answer_of_truth(SAMPLES / "01-large-on-desk.jpg"), image=image)


@pytest.fixture
def pictures(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setattr(vision.pipeline, "read_picture", by_name)
    monkeypatch.chdir(tmp_path)
    data = (SAMPLES / "01-large-on-desk.jpg").read_bytes()
    for name in ("named", "open", "nothing"):
        (tmp_path / f"{name}.jpg").write_bytes(data)
    (tmp_path / "cut.jpg").write_bytes(data[:9000])
    return tmp_path


@pytest.mark.parametrize(
    ("names", "status"),
    [("named", 0), ("open", 3), ("nothing", 4), ("cut", 1), ("missing", 2), ("named open", 3),
     ("open nothing named", 4), ("named cut nothing", 1), ("cut missing named", 2)],
)  # fmt: skip
def test_exit_status_and_the_other_pictures_still_answered(
    names: str, status: int, pictures: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    paths = [f"{name}.jpg" for name in names.split()]
    assert run(["read", *paths, "--json"]) == status
    captured = capsys.readouterr()
    answered = [json.loads(line)["image"] for line in captured.out.splitlines()]
    broken = [path for path in paths if path in ("cut.jpg", "missing.jpg")]
    assert answered == [path for path in paths if path != "missing.jpg"]
    assert [line.split(":")[1].strip() for line in captured.err.splitlines()] == broken


def test_a_picture_that_cannot_be_read_has_the_object_that_label_gives_it(
    pictures: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (pictures / "words.jpg").write_text("no picture")
    assert run(["read", "cut.jpg", "missing.jpg", "words.jpg", "--json"]) == 2
    read = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    assert [(one["image"], one["ok"], one["reason"]) for one in read] == [
        ("cut.jpg", False, "unreadable"),
        ("words.jpg", False, "unreadable"),
    ]
    assert run(["label", "cut.jpg", "missing.jpg", "words.jpg", "--out", "-", "--jobs", "1"]) == 2
    assert [json.loads(line) for line in capsys.readouterr().out.splitlines()] == read


def test_told_to_be_a_mirror_image_a_picture_whose_colours_show_none_says_so(
    own_folders: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The sample is none, and its colours are legal in no mirror; turned over it is one."""
    straight = SAMPLES / "01-large-on-desk.jpg"
    turned = own_folders / "turned.png"
    cv2.imwrite(str(turned), cv2.flip(cv2.imread(str(straight)), 1))
    told = {}
    for picture in (straight, turned):
        assert run(["read", str(picture), "--mirrored"]) == 0
        told[picture] = " ".join(capsys.readouterr().out.split())
    assert "show no mirror image" in told[straight] and "read as a mirror image" not in told[straight]
    assert "read as a mirror image" in told[turned] and "no mirror image" not in told[turned]
    assert run(["read", str(straight)]) == 0 and "mirror image" not in capsys.readouterr().out
    arguments = ["label", str(straight), str(turned), "--jobs", "1", "--out", str(own_folders / "a.jsonl")]
    assert run([*arguments, "--mirrored"]) == 0
    assert "the colours of 1 of these show no mirror image" in capsys.readouterr().err


def test_a_picture_that_cannot_be_saved_is_answered_and_so_are_the_next(
    pictures: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def full(path: Path, data: bytes) -> None:
        raise LastlookError(f"{path}: cannot be written (No space left on device); check the folder")

    monkeypatch.setattr(models.files, "write_atomically", full)
    (pictures / "drawn").mkdir()
    assert run(["read", "named.jpg", "open.jpg", "--save", "drawn/", "--json"]) == 1
    captured = capsys.readouterr()
    answered = [json.loads(line)["image"] for line in captured.out.splitlines()]
    assert answered == ["named.jpg", "open.jpg"] and captured.err.count("No space left on device") == 2


def test_text_for_a_person_ends_with_the_caution(pictures: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["read", "named.jpg", "open.jpg"]) == 3
    out = capsys.readouterr().out
    assert "named.jpg" in out and "e1-antisune-left" in out and "Several cases fit" in out
    assert out.strip().split("\n\n")[-1].startswith("Wrists and fingers tire")


@pytest.mark.parametrize("width", [40, 60, 80])
def test_text_keeps_to_the_width_of_the_terminal(
    width: int, pictures: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("COLUMNS", str(width))
    assert run(["read", "named.jpg", "open.jpg"]) == 3
    assert max(map(len, capsys.readouterr().out.splitlines())) <= width


@pytest.mark.parametrize("width", [60, 80, 97])
@pytest.mark.parametrize("command", ["read", "label", "find", "calibrate", "sequence import", "apply"])
def test_the_lines_of_a_help_text_end_where_the_terminal_does(
    width: int, command: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("COLUMNS", str(width))
    assert run([*command.split(), "--help"]) == 0
    prose = re.split("╭|Arguments:", capsys.readouterr().out.split("Usage:")[1])[0].split("\n")[1:]
    pairs = [(one.rstrip(), other.split()) for one, other in pairwise(prose) if one.split() and other.split()]
    assert pairs
    for line, following in pairs:
        assert len(line) + 1 + len(following[0]) > width - 1


def every_command() -> list[str]:
    inner = {name: getattr(command, "commands", {}) for name, command in commands().items()}
    return ["", *inner, *(f"{name} {word}" for name, words in inner.items() for word in words)]


@pytest.mark.parametrize("width", [40, 60, 80])
@pytest.mark.parametrize("command", every_command())
def test_help_speaks_of_values_in_plain_words_and_fits(
    command: str, width: int, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """No type of the language it is written in, and -h for all."""
    monkeypatch.setenv("COLUMNS", str(width))
    assert run([*command.split(), "-h"]) == 0
    out = capsys.readouterr().out
    assert not re.search(r"<(bool|str|int|float|path|list)\b", out) and "..." * 2 not in out
    assert max(map(len, out.splitlines())) <= width
    assert re.search(r"--help +-h |-h, --help ", out)


@pytest.mark.parametrize("width", [40, 55, 69, 70])
@pytest.mark.parametrize("command", every_command())
def test_help_cuts_no_name_short_in_a_narrow_terminal(
    command: str, width: int, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("COLUMNS", str(width))
    assert run([*command.split(), "--help"]) == 0
    out = capsys.readouterr().out
    assert "\u2026" not in out and max(map(len, out.splitlines())) <= width
    named: Any = command_line()
    for word in command.split():
        named = named.commands[word]
    own = {option for parameter in named.params for option in parameter.opts if option.startswith("--")}
    shown = set(re.findall(r"(?<![\w-])--?[a-z][a-z-]*|\b[a-z]+\b", out))
    assert own | set(getattr(named, "commands", {})) <= shown


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ("read a.jpg --size 9", "'--size' / '-n': give 5 at most; see 'lastlook read --help'"),
        ("read a.jpg --size 1", "'--size' / '-n': give 2 at least;"),
        ("read a.jpg --size four", "'--size' / '-n': give a whole number;"),
        ("watch --frame-rate fast", "'--frame-rate': give a number;"),
        ("journal forget last", "'NUMBER': give a whole number;"),
    ],
)
def test_a_wrong_number_is_told_in_plain_words(
    arguments: str, words: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(arguments.split()) == 2
    err = capsys.readouterr().err
    assert words in err and "Input" not in err and err.count("\n") == 1


def test_a_wrong_choice_is_told_in_plain_words(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["read", "a.jpg", "--front", "north"]) == 2
    err = capsys.readouterr().err
    assert "'north' is not one of 'near', 'right', 'far', 'left'" in err and "error" not in err


def test_standard_input(
    pictures: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    class Input:
        buffer = BytesIO((pictures / "named.jpg").read_bytes())

    monkeypatch.setattr(sys, "stdin", Input)
    assert run(["read", "-", "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["image"] == "-"


def test_saved_pictures(pictures: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["read", "named.jpg", "--save", "out.png"]) == 0
    photo = cv2.imread("named.jpg")
    saved = cv2.imread("out.png")
    assert saved.shape[0] == photo.shape[0] and saved.shape[1] > photo.shape[1]
    (pictures / "many").mkdir()
    (pictures / "again").mkdir()
    (pictures / "again" / "named.jpg").write_bytes((pictures / "named.jpg").read_bytes())
    assert run(["read", "named.jpg", "open.jpg", "again/named.jpg", "--save", "many"]) == 3
    assert len(list((pictures / "many").iterdir())) == 3  # two of one name do not overwrite each other
    assert not [path for path in pictures.iterdir() if path.name.startswith(".")]  # no half-written file
    assert run(["read", "named.jpg", "open.jpg", "--save", "new/deep/"]) == 3  # made on the way
    assert len(list((pictures / "new" / "deep").iterdir())) == 2
    capsys.readouterr()
    assert run(["read", "named.jpg", "--save", "named.jpg/"]) == 2
    assert "cannot be made" in one_line(capsys)
    assert run(["read", "named.jpg", "--save", "nowhere/out.png"]) == 2
    told = capsys.readouterr()
    assert "nowhere/out.png: there is no folder nowhere" in told.err and told.err.count("\n") == 1
    assert told.out == ""  # told before a picture is read


def test_large_pictures_are_answered_in_their_own_pixels(
    pictures: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """A 4800 pixel wide picture may be read smaller; the quad must still be in its own pixels."""
    small = cv2.imread("named.jpg")
    cv2.imwrite("large.jpg", cv2.resize(small, None, fx=4, fy=4))
    sizes = []

    def in_proportion(image_bgr: np.ndarray, *, image: str, **_: object) -> Answer:
        sizes.append(image_bgr.shape[1])
        return answer_of_truth(SAMPLES / "01-large-on-desk.jpg").scaled(image_bgr.shape[1] / small.shape[1])

    monkeypatch.setattr(vision.pipeline, "read_picture", in_proportion)
    quads = []
    for name in ("named.jpg", "large.jpg"):
        assert run(["read", name, "--json"]) == 0
        quads.append(np.array(json.loads(capsys.readouterr().out)["top"]["quad"]))
    assert np.abs(4 * quads[0] - quads[1]).max() < 0.1
    assert sizes[1] < 4 * sizes[0]


def test_a_bug_is_one_line_too(pictures: Path, monkeypatch, capsys: pytest.CaptureFixture[str]) -> None:
    def breaks(*_: object, **__: object) -> Answer:
        raise ZeroDivisionError("1/0\nand more")

    monkeypatch.setattr(vision.pipeline, "read_picture", breaks)
    monkeypatch.delenv("LASTLOOK_DEBUG", raising=False)
    assert run(["read", "named.jpg"]) == 1
    assert "ZeroDivisionError" in one_line(capsys)


def test_a_missing_system_library_is_one_line_naming_the_package(tmp_path: Path) -> None:
    """What import cv2 says on a bare Linux, given by a stand-in for the module."""
    text = "libGL.so.1: cannot open shared object file: No such file or directory"
    (tmp_path / "cv2.py").write_text(f"raise ImportError({text!r})\n")
    path = os.pathsep.join([str(tmp_path), str(ROOT)])
    done = subprocess.run(
        [sys.executable, "-m", "vision", "read", str(SAMPLES / "01-large-on-desk.jpg")],
        env={**os.environ, "PYTHONPATH": path}, capture_output=True, text=True,
    )  # fmt: skip
    assert done.returncode == 1 and done.stdout == ""
    assert done.stderr.count("\n") == 1 and "libgl1" in done.stderr and "libGL.so.1" in done.stderr


def test_a_missing_package_is_named() -> None:
    line = explain_import_error(ModuleNotFoundError("No module named 'sklearn'", name="sklearn"))
    assert "sklearn" in line and "pip install" in line


@pytest.mark.skipif(sys.platform != "linux", reason="file names are bytes there")
def test_names_and_drawings_that_a_terminal_cannot_show(tmp_path: Path) -> None:
    name = os.fsdecode(bytes(tmp_path) + b"/caf\xe9 \xff.jpg")
    Path(name).write_bytes(b"no picture")
    plain = {**os.environ, "PYTHONIOENCODING": "ascii", "PYTHONUTF8": "0"}
    for command, status in (["read", name], 1), (["case", "e1-sune-left"], 0):
        done = subprocess.run(
            [sys.executable, "-m", "vision", *command], cwd=ROOT, env=plain, capture_output=True
        )
        assert done.returncode == status and done.stderr.count(b"\n") == status
        assert b"Error" not in done.stderr


def test_a_pipe_that_closes_early_is_quiet() -> None:
    done = subprocess.run(
        f"{sys.executable} -m vision read --help | head -c 1",
        shell=True,
        cwd=ROOT,
        capture_output=True,
        text=True,
    )
    assert done.stderr == ""
