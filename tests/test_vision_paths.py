"""Paths that are empty, too long, under a shut folder, or no files: one line each, and the work goes on."""

from __future__ import annotations

import json
import os
import shutil
import sys
import threading
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from models.errors import LastlookError
from vision.cli import run
from vision.cli_journal import journal_path
from vision.library_files import library_path
from vision.moments import moments_folder
from vision.paths import is_file, is_folder, kind_at
from vision.profiles import profiles_folder

PHOTO = Path(__file__).parent.parent / "sample_images" / "15-no-cube.jpg"
TOO_LONG = "n" * 5000


@given(st.text(max_size=400))
def test_whatever_the_path_it_is_told_or_an_error_of_one_line(path: str) -> None:
    assert isinstance(is_file(path), bool) and isinstance(is_folder(path), bool)
    try:
        kind = kind_at(path)
    except LastlookError as error:
        assert str(error)
        assert not is_file(path) and not is_folder(path)
    else:
        assert (kind == "file", kind == "folder") == (is_file(path), is_folder(path))


def told(capsys: pytest.CaptureFixture[str]) -> str:
    captured = capsys.readouterr()
    assert "should not have happened" not in captured.err and "Traceback" not in captured.err
    return captured.err


@pytest.mark.parametrize(
    "arguments",
    [
        ["read"],
        ["read", str(PHOTO), "--save"],
        ["score"],
        ["score", str(PHOTO.parent), "--answers"],
        ["watch", "--no-window"],
        ["review"],
        ["label", str(PHOTO), "-j", "1", "--out"],
        ["label", str(PHOTO), "-j", "1", "--annotate"],
        ["label", "--undo"],
        ["calibrate", "mine", "--pick"],
        ["calibrate", "mine", "--photos"],
        ["profile", "show"],
        ["sequence", "import"],
        ["sequence", "export"],
    ],
)
@pytest.mark.parametrize("name", [TOO_LONG, f"{TOO_LONG}.json", f"{TOO_LONG}.png"])
def test_a_path_that_is_too_long_is_one_line(arguments: list[str], name: str, capsys) -> None:
    assert run([*arguments, name]) in (1, 2)
    assert told(capsys).count("\n") == 1


def test_a_path_that_is_too_long_does_not_keep_others_from_being_labelled(tmp_path: Path, capsys) -> None:
    out = tmp_path / "a.jsonl"
    assert run(["label", TOO_LONG, "", str(PHOTO), "-j", "1", "--out", str(out)]) == 2
    assert [json.loads(line)["image"] for line in out.read_text().splitlines()] == [str(PHOTO)]
    assert "File name too long" in told(capsys)


def test_review_leaves_out_what_can_be_no_picture(tmp_path: Path, capsys) -> None:
    answers = tmp_path / "a.jsonl"
    images = [TOO_LONG, "a\0b.jpg", str(tmp_path / ("n" * 251 + ".jpg"))]
    shutil.copy(PHOTO, images[2])  # its truth would have a name of 256 bytes
    sure = {"ok": True, "case": {"code": "e0-sune", "probability": 0.99}}
    answers.write_text("".join(json.dumps({"image": one, **sure}) + "\n" for one in images))
    assert run(["review", str(answers)]) == 0
    told(capsys)


def test_the_longest_name_that_a_file_can_have_is_read(tmp_path: Path, capsys) -> None:
    shutil.copy(PHOTO, tmp_path / ("n" * 251 + ".jpg"))
    assert run(["label", str(tmp_path), "-j", "1", "--rename"]) == 0
    assert run(["score", str(tmp_path)]) == 4
    assert "no picture with its truth" in told(capsys)


@pytest.mark.parametrize(
    "command", [["read"], ["label"], ["watch", "--no-window"], ["calibrate", "n", "--photos"]]
)
def test_an_empty_path_is_not_the_current_folder(
    command: list[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys
) -> None:
    shutil.copy(PHOTO, tmp_path / "a.jpg")
    monkeypatch.chdir(tmp_path)
    assert run([*command, ""]) != 0
    assert "empty path" in told(capsys)


@pytest.mark.skipif(sys.platform == "win32", reason="no pipes in folders there")
@pytest.mark.parametrize("command", [["read"], ["label"], ["review"], ["profile", "show"]])
def test_a_pipe_is_refused_and_not_waited_for(command: list[str], tmp_path: Path, capsys) -> None:
    pipe = tmp_path / "x.json"
    os.mkfifo(pipe)
    assert run([*command, str(pipe)]) != 0
    assert "neither a file nor a folder" in told(capsys)


@pytest.mark.parametrize(
    "command",
    [
        ["read"],
        ["score"],
        ["label"],
        ["watch", "--no-window", "--no-journal"],
        ["calibrate", "n", "--photos"],
    ],
    ids=lambda command: command[0],
)
def test_nothing_at_a_path_is_wrong_usage_and_nothing_in_a_folder_nothing_found(
    command: list[str], tmp_path: Path, capsys
) -> None:
    assert run([*command, str(tmp_path / "missing")]) == 2
    assert "missing" in told(capsys)
    (tmp_path / "empty").mkdir()
    assert run([*command, str(tmp_path / "empty")]) == 4
    assert "no picture" in told(capsys)


@pytest.mark.parametrize("command", [["read"], ["label", "-j", "1"]])
def test_a_wrong_path_among_others_is_told_by_the_exit_status_too(
    command: list[str], tmp_path: Path, capsys
) -> None:
    assert run([*command, str(PHOTO), str(tmp_path / "missing.jpg")]) == 2
    assert PHOTO.name in capsys.readouterr().out  # and the others are answered


@pytest.mark.parametrize(
    ("command", "status"),
    [
        ("cases --edges e1 --size 3", 4),  # a 3x3x3 never has an odd number of flipped edges
        ("cases --edges e1 --size 3 --json", 4),
        ("cases --edges e1 --size 4", 0),
        ("find --all --edges e1 --size 3", 4),
        ("journal", 4),
        ("journal --case e1-solved --json", 4),
        ("journal --by-case", 4),
        ("journal forget --case e1-solved", 4),
        ("journal forget --all", 4),
        ("journal forget 99", 2),
        ("profile import missing.json", 2),
        ("profile show missing.json", 2),
        ("profile show missing", 2),
    ],
)
def test_a_list_without_what_was_asked_for_is_nothing_found(
    command: str, status: int, own_folders: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(own_folders)
    assert run(command.split()) == status


@pytest.mark.parametrize(
    "command", [["cases"], ["find", "e1-sune-left"], ["check", "U"], ["sequence", "list"]]
)
def test_a_data_folder_that_may_not_be_entered_is_one_line(
    command: list[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys
) -> None:
    shut = tmp_path / "shut"
    monkeypatch.setenv("LASTLOOK_DATA", str(shut / "data"))
    look = os.stat

    def stat(path: Any, *arguments: Any, **options: Any) -> os.stat_result:
        if not isinstance(path, int) and os.fspath(path).startswith(str(shut)):
            raise PermissionError(13, "Permission denied", os.fspath(path))
        return look(path, *arguments, **options)

    monkeypatch.setattr(os, "stat", stat)
    assert run(command) == 1
    line = told(capsys)
    assert line.count("\n") == 1 and "Permission denied" in line and str(shut) in line


@pytest.mark.skipif(sys.platform == "win32", reason="no pipes in folders there")
def test_a_pipe_is_waited_for_aloud_and_one_frame_is_one(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Nothing tells a person why nothing happens until somebody writes into it."""
    clip, pipe = tmp_path / "clip.avi", tmp_path / "pipe"
    writer = cv2.VideoWriter(str(clip), cv2.VideoWriter_fourcc(*"MJPG"), 5, (64, 48))
    writer.write(np.zeros((48, 64, 3), np.uint8))
    writer.release()
    os.mkfifo(pipe)
    feeder = threading.Thread(target=lambda: pipe.write_bytes(clip.read_bytes()), daemon=True)
    feeder.start()
    assert run(["watch", str(pipe), "--no-window", "--no-journal"]) == 4
    told = capsys.readouterr()
    assert told.err == f"lastlook: {pipe}: a pipe; waiting for what is written into it\n"
    assert told.out.startswith("1 frame, cube followed in 0 of them")
    assert run(["watch", str(clip), "--no-window", "--no-journal"]) == 4
    assert "pipe" not in capsys.readouterr().err


def test_all_that_is_the_users_lies_in_the_folder_he_names(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Each may still be put elsewhere by itself."""
    monkeypatch.setenv("LASTLOOK_DATA", str(tmp_path / "mine"))
    for path in (library_path(), profiles_folder(), journal_path(), moments_folder()):
        assert path.is_relative_to(tmp_path / "mine")
    monkeypatch.setenv("LASTLOOK_PROFILES", str(tmp_path / "cubes"))
    monkeypatch.setenv("LASTLOOK_JOURNAL", str(tmp_path / "j.db"))
    assert (profiles_folder(), journal_path()) == (tmp_path / "cubes", tmp_path / "j.db")


def test_a_file_whose_name_begins_like_an_option_is_told_how_to_name(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    shutil.copy(PHOTO, "-x.jpg")
    assert run(["read", "-x.jpg"]) == 2
    told = capsys.readouterr().err
    assert "./-x.jpg" in told and told.count("\n") == 1
    assert run(["read", "./-x.jpg"]) in (0, 3, 4)
    assert run(["read", "-y.jpg"]) == 2 and "./-y" not in capsys.readouterr().err
