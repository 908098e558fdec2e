"""What a person has is never written over: photos, answers, files of another kind; nothing is done then."""

from __future__ import annotations

import json
import os
import shlex
import shutil
from pathlib import Path

import cv2
import numpy as np
import pytest

from models.errors import UsageError
from vision.cli import run
from vision.outputs import check_outputs

SAMPLES = Path(__file__).parent.parent / "sample_images"
FACE = "white 600,400 900,400 900,700 600,700"


@pytest.fixture
def here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with photos and some files of the person's own."""
    monkeypatch.setenv("LASTLOOK_PROFILES", str(tmp_path.parent / f"{tmp_path.name}-profiles"))
    monkeypatch.chdir(tmp_path)
    for folder in ("in", "scored"):
        Path(folder).mkdir()
    shutil.copy(SAMPLES / "15-no-cube.jpg", "v.jpg")
    shutil.copy("v.jpg", "in/v.jpg")
    shutil.copy("v.jpg", "other.jpg")
    os.link("v.jpg", "linked.jpg")
    Path("pointing.png").symlink_to("v.jpg")
    for name in ("15-no-cube.jpg", "15-no-cube.json"):
        shutil.copy(SAMPLES / name, Path("scored") / name)
    Path("letter.txt").write_text("Dear all,\n")
    Path("accounts.csv").write_text("date,sum\n2026-01-01,3\n")
    shutil.copy("accounts.csv", "accounts.png")
    Path("notes.svg").write_text("my notes")
    Path("mine.toml").write_text("[[sequence]]\n")
    Path("old.jsonl").write_text('{"image": "v.jpg", "ok": false}\n')
    return tmp_path


def contents(folder: Path) -> dict[str, bytes]:
    return {str(path.relative_to(folder)): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


@pytest.mark.parametrize(
    "command",
    [
        "read v.jpg --save v.jpg",
        "read v.jpg --save linked.jpg",
        "read v.jpg --save pointing.png",
        "read in --save in/v.jpg",
        "read other.jpg --save accounts.png",
        "label v.jpg -j1 --csv v.jpg",
        "label v.jpg -j1 --page v.jpg",
        "label v.jpg -j1 --csv other.jpg",
        "label v.jpg -j1 --page letter.txt",
        "label v.jpg -j1 --csv accounts.csv",
        "label v.jpg -j1 --csv in",
        "label v.jpg -j1 --csv -",
        "label v.jpg -j1 --page -",
        "score scored --answers -",
        "profile export default -",
        "label v.jpg -j1 --out v.jpg",
        "label v.jpg -j1 --resume --out letter.txt",
        "label in -j1 -o new.jsonl --csv new.jsonl",
        "label in -j1 -o new.jsonl --page ./new.jsonl",
        "label in -j1 -o new.jsonl --csv new.jsonl.ledger",
        "label in -j1 -o new.jsonl --csv new.jsonl.begun",
        "label in -j1 -o old.jsonl --resume --csv old.jsonl",
        "label in -j1 --csv q --page q",
        "label in -j1 --csv in/../q --page q",
        f"calibrate n --pick v.jpg --face '{FACE}' --picture v.jpg",
        f"calibrate n --pick v.jpg --face '{FACE}' --picture letter.txt",
        "calibrate n --photos in --picture in/v.jpg",
        "profile show default --picture letter.txt",
        "score scored --sheet scored/15-no-cube.jpg",
        "score scored --answers scored/15-no-cube.json",
        "score scored --answers scored/15-no-cube.jpg",
        "score scored --sheet s.png --answers s.png",
        "sequence export v.jpg",
        "sequence export letter.txt",
        "sequence export mine.toml",
        "case e0-sune --save notes.svg",
        "case e0-sune --save accounts.png",
    ],
)
def test_nothing_that_is_there_is_lost(command: str, here: Path, capsys) -> None:
    before = contents(here)
    assert run(shlex.split(command)) == 2
    captured = capsys.readouterr()
    assert captured.out == "" and captured.err.count("\n") == 1
    last = shlex.split(command)[-1]
    assert last in captured.err or Path(last).name in captured.err
    assert contents(here) == before


@pytest.mark.parametrize(
    "command",
    [
        f"calibrate n --pick v.jpg --face '{FACE}' --picture gone/x.png",
        "calibrate n --photos in --picture gone/x.png",
        "profile show --picture gone/x.png",
        "score scored --sheet gone/x.png",
        "score scored --answers gone/x.jsonl",
        "read v.jpg --save gone/x.png",
        "case e0-sune --save gone/x.svg",
        "profile export default gone/x.json",
        "sequence export gone/x.txt",
    ],
)
def test_a_folder_that_is_not_there_is_told_before_the_work(command: str, here: Path, capsys) -> None:
    assert run(shlex.split(command)) == 2
    captured = capsys.readouterr()
    assert captured.out == "" and captured.err.count("\n") == 1 and "folder gone;" in captured.err
    assert not list(here.parent.glob(f"{here.name}-profiles/*")) and not Path("gone").exists()


@pytest.mark.parametrize("folder", ["letter.txt", "letter.txt/x/y"])
def test_a_file_in_the_place_of_a_folder_is_told_before_the_work(folder: str, here: Path, capsys) -> None:
    before = contents(here)
    for command in (["label", "in", "-j1", "--yes", "--copy-to"], ["watch", "in", "--json", "--moments"]):
        assert run([*command, folder]) == 2
        captured = capsys.readouterr()
        assert captured.out == "" and captured.err.count("\n") == 1
        assert f"{command[-1]} {folder}: " in captured.err
        assert "letter.txt is there and is no folder" in captured.err
    assert contents(here) == before


@pytest.mark.parametrize("option", ["--annotate", "--copy-to", "--stills"])
def test_what_a_run_writes_is_not_read_by_the_next(option: str, here: Path, capsys) -> None:
    before = contents(here)
    for given in (["in"], ["v.jpg", "in/../in"]):
        assert run(["label", *given, "-j1", option, "in", "-o", "new.jsonl"]) == 2
        captured = capsys.readouterr()
        assert captured.out == "" and captured.err.count("\n") == 1
        assert f"{option} in: is one of the folders to read" in captured.err
    assert contents(here) == before


def test_what_was_written_before_may_be_written_again(here: Path, capsys) -> None:
    for _ in range(2):
        assert run(["read", "v.jpg", "--save", "answer.png"]) == 4
        assert run(["read", "v.jpg", "--save", "in"]) == 4
        assert run(["label", "in/v.jpg", "-j1", "--csv", "t.csv", "--page", "p.html"]) == 0
        assert run(["score", "scored", "--sheet", "s.webp", "--answers", "a.jsonl"]) == 0
        assert run(["profile", "show", "default", "--picture", "d.png"]) == 0
        assert run(["sequence", "export", "s.txt", "--all"]) == 0
        Path("empty.csv").write_bytes(b"")
        assert run(["label", "in/v.jpg", "-j1", "--csv", "empty.csv"]) == 0
    assert cv2.imread("answer.png") is not None and json.loads(Path("a.jsonl").read_text())["image"]
    assert Path("empty.csv").read_bytes() == Path("t.csv").read_bytes()


def test_a_photo_made_by_another_run_is_not_taken_for_an_output(here: Path, capsys) -> None:
    """In a folder of annotated pictures, one of them may itself be among those that are read."""
    shutil.copy("v.jpg", "in/v-answer.png")  # a JPEG whatever its name says
    before = contents(here)
    assert run(["read", "in/v.jpg", "in/v-answer.png", "--save", "in"]) == 2
    assert run(["read", "in/v.jpg", "--save", "in"]) == 2
    assert contents(here) == before


def test_any_beginning_of_a_line_of_answers_is_one(tmp_path: Path) -> None:
    """A kill may leave the first line cut short; --resume has to go on with it."""
    out, line = tmp_path / "a.jsonl", b'{"image": "v.jpg", "ok": false}\n'
    for length in range(len(line) + 1):
        out.write_bytes(line[:length])
        check_outputs([("--out", out, "answers")])
    out.write_bytes(b"[" + line)
    with pytest.raises(UsageError, match="no file of answers"):
        check_outputs([("--out", out, "answers")])


def test_each_kind_of_picture_replaces_only_its_own(tmp_path: Path) -> None:
    image = np.full((40, 40, 3), 90, np.uint8)
    for made in (".png", ".jpg", ".webp", ".bmp"):
        data = cv2.imencode(made, image)[1].tobytes()
        for named in (".png", ".jpg", ".JPEG", ".webp"):
            target = tmp_path / f"x{named}"
            target.write_bytes(data)
            if named.lower().replace("e", "").startswith(made.replace("e", "")):
                check_outputs([("--save", target, "picture")])
            else:
                with pytest.raises(UsageError):
                    check_outputs([("--save", target, "picture")])


@pytest.mark.parametrize(
    "command",
    [
        f"calibrate n --photos in --face '{FACE}'",
        "calibrate n --photos in --size 3",
        f"calibrate n --pick v.jpg --face '{FACE}' --scheme 'white red green yellow orange blue'",
        "label in -j1 --yes",
    ],
)
def test_an_option_that_would_do_nothing_is_told(command: str, here: Path, capsys) -> None:
    before = contents(here)
    assert run(shlex.split(command)) == 2
    captured = capsys.readouterr()
    assert captured.out == "" and captured.err.count("\n") == 1 and " goes with -" in captured.err
    assert contents(here) == before and not list(here.parent.glob(f"{here.name}-profiles/*"))
