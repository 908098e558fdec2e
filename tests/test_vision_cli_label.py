"""The label command from end to end, on sample pictures."""

from __future__ import annotations

import json
import re
import shutil
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from truth_answers import answer_of_truth

import vision.filing_steps
import vision.label_run
import vision.pipeline
from calibration.profile import ColourSample, default_profile
from models.cases import CASES
from models.errors import LastlookError
from vision.answer import Answer
from vision.answer_json import answer_to_json
from vision.cli import run
from vision.gather import gather
from vision.label_bar import answer_line
from vision.ledger import AnswerLog
from vision.one_cube import Read
from vision.photo_reader import PhotoReader, annotated_path
from vision.pipeline import read_whole
from vision.profiles import profile_path

SAMPLES = Path(__file__).parent.parent / "sample_images"


@pytest.fixture
def pictures(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("LASTLOOK_PROFILES", str(tmp_path / "profiles"))
    folder = tmp_path / "phone"
    folder.mkdir()
    for name in ("01-large-on-desk.jpg", "15-no-cube.jpg"):
        shutil.copy(SAMPLES / name, folder / name)
    return folder


def test_a_folder_is_labelled_filed_and_put_back(pictures: Path, capsys: pytest.CaptureFixture) -> None:
    out, page = pictures.parent / "a.jsonl", pictures.parent / "page.html"
    table, drawn = pictures.parent / "a.csv", pictures.parent / "drawn"
    arguments = ["label", str(pictures), "--out", str(out), "-j", "1"]
    before = sorted(path.name for path in pictures.iterdir())
    assert (
        run([*arguments, "--page", str(page), "--csv", str(table), "--annotate", str(drawn), "--rename"]) == 0
    )
    first, second = (json.loads(line) for line in out.read_text().splitlines())
    truth = json.loads((SAMPLES / "01-large-on-desk.json").read_text())
    assert first["ok"] and first["case"]["code"] and second["reason"] == "no-cube" and not second["ok"]
    assert first["size"] == truth["n"] and first["sequences"]
    code = first["case"]["code"]
    told = capsys.readouterr()
    assert f"-> {pictures / f'{code}__01-large-on-desk.jpg'}" in told.err and "add --yes" in told.err
    assert sorted(path.name for path in pictures.iterdir()) == before
    assert code in page.read_text() and code in table.read_text() and len(list(drawn.iterdir())) == 2
    # done for real, resumed under the new name, and taken back
    assert run([*arguments, "--resume", "--rename", "--yes"]) == 0
    assert (pictures / f"{code}__01-large-on-desk.jpg").is_file()
    capsys.readouterr()
    assert run([*arguments, "--resume"]) == 0
    assert capsys.readouterr().err == "nothing new: 2 files done before\n"
    assert run(["label", "--undo", str(pictures / "lastlook-filing.jsonl")]) == 0
    assert sorted(path.name for path in pictures.iterdir() if path.suffix == ".jpg") == before


def test_standard_output_holds_json_lines_alone(pictures: Path, capsys: pytest.CaptureFixture) -> None:
    assert run(["label", str(pictures), "-j", "1", "--out", "-", "--rename"]) == 0
    told = capsys.readouterr()
    names = [Path(json.loads(line)["image"]).name for line in told.out.splitlines()]
    assert names == ["01-large-on-desk.jpg", "15-no-cube.jpg"] and "would rename" in told.err


def test_what_was_announced_is_done_by_adding_what_it_says(
    pictures: Path, capsys: pytest.CaptureFixture
) -> None:
    """With a file of answers and without one; who follows the words gets what they promise."""
    for out in ([], ["--out", str(pictures.parent / "a.jsonl")]):
        command = ["label", str(pictures / "01-large-on-desk.jpg"), "-j", "1", "--rename", *out]
        assert run(command) == 0
        told = capsys.readouterr()
        (new,) = re.findall(r"^would rename .* -> (.*)$", told.err, re.MULTILINE)
        (add,) = re.findall(r"1 file; .* add (.*) to do it", told.err)
        assert run([*command, *add.split()]) == 0
        assert Path(new).is_file() and "1 file filed" in capsys.readouterr().err
        assert run(["label", "--undo", str(pictures / "lastlook-filing.jsonl")]) == 0
        assert "1 file taken back" in capsys.readouterr().err


def test_a_recording_counts_its_cases(tmp_path: Path, capsys: pytest.CaptureFixture) -> None:
    """Two cases shown in one file are two cases and one file."""
    path = tmp_path / "two.mp4"
    writer = cv2.VideoWriter(str(path), cv2.VideoWriter_fourcc(*"mp4v"), 5, (640, 480))
    for name in ("01-large-on-desk.jpg", "11-dim-room.jpg"):
        still = cv2.resize(cv2.imread(str(SAMPLES / name)), (640, 480))
        for _ in range(20):
            writer.write(still)
    writer.release()
    assert run(["label", str(path), "-j", "1"]) == 0
    told = capsys.readouterr()
    cases = "1 case" if len(told.out.splitlines()) == 1 else f"{len(told.out.splitlines())} cases"
    assert told.err.splitlines()[-1] == f"1 file: {cases} shown in 1 recording"


@pytest.mark.slow
def test_that_recordings_are_not_annotated_is_told(
    pictures: Path, tmp_path: Path, capsys: pytest.CaptureFixture
) -> None:
    """In one line, with what shows their cases instead; a folder is made for pictures alone."""
    path, drawn = tmp_path / "grey.mp4", tmp_path / "drawn"
    writer = cv2.VideoWriter(str(path), cv2.VideoWriter_fourcc(*"mp4v"), 5, (320, 240))
    for _ in range(10):
        writer.write(np.full((240, 320, 3), 90, np.uint8))
    writer.release()
    picture = str(pictures / "15-no-cube.jpg")
    stills = ["--stills", str(tmp_path / "stills")]
    for more in ([], [picture], stills):
        assert run(["label", str(path), *more, "--annotate", str(drawn), "-j", "1"]) == 0
        told = capsys.readouterr().err
        assert told.count("recordings are not annotated") == 1
        assert ("--stills" in told) == (more != stills)
        assert drawn.exists() == (more == [picture])
        shutil.rmtree(drawn, ignore_errors=True)
    assert run(["label", picture, "--annotate", str(drawn), "-j", "1"]) == 0
    assert "annotated" not in capsys.readouterr().err and len(list(drawn.iterdir())) == 1


def test_what_teaches_is_read_as_it_was_labelled(
    pictures: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture
) -> None:
    """A size that was told holds for the second look too: another one would teach other stickers."""
    calibrated = replace(default_profile(), name="desk", samples=(ColourSample(0, (0.5,) * 3, None, "a#U"),))
    calibrated.save(profile_path("desk"))
    looks = []

    def looked(image_bgr: np.ndarray, **options: object) -> Read:
        looks.append(options)
        return read_whole(image_bgr, **options)

    monkeypatch.setattr(vision.pipeline, "read_whole", looked)
    command = ["label", str(pictures), "-j", "1", "--profile", "desk", "--size", "4", "--front", "right"]
    for learn, word in (([], ""), (["--learn"], "1 picture added")):
        looks.clear()
        assert run([*command, *learn]) == 0
        assert [(one["size"], one["front"]) for one in looks] == [(4, "right")]
        assert word in capsys.readouterr().err


def test_broken_files_do_not_stop_the_run(pictures: Path, capsys: pytest.CaptureFixture) -> None:
    (pictures / "00-cut.jpg").write_bytes((SAMPLES / "15-no-cube.jpg").read_bytes()[:900])
    assert (
        run(
            ["label", str(pictures / "00-cut.jpg"), str(pictures / "15-no-cube.jpg"), "-j", "1", "--out", "-"]
        )
        == 1
    )
    told = capsys.readouterr()
    assert [json.loads(line)["reason"] for line in told.out.splitlines()] == ["unreadable", "no-cube"]
    assert "00-cut.jpg" in told.err and "Traceback" not in told.err


@pytest.mark.slow
def test_a_copy_that_cannot_be_written_costs_no_answer_and_is_made_later(
    pictures: Path, capsys: pytest.CaptureFixture
) -> None:
    out, drawn = pictures.parent / "a.jsonl", pictures.parent / "drawn"
    plain, picture = pictures.parent / "plain.jsonl", pictures / "15-no-cube.jpg"
    assert run(["label", str(picture), "-j", "1", "--out", str(plain)]) == 0
    (item,) = gather([picture]).items
    in_the_way = annotated_path(drawn, item)
    in_the_way.mkdir(parents=True)
    arguments = ["label", str(picture), "-j", "1", "--out", str(out), "--annotate", str(drawn)]
    capsys.readouterr()
    assert run(arguments) == 1
    told = capsys.readouterr().err
    assert without_times(out) == without_times(plain)
    assert sum(str(in_the_way) in line for line in told.splitlines()) == 1 and "could not be read" not in told
    assert run([*arguments, "--resume"]) == 1
    in_the_way.rmdir()
    assert run([*arguments, "--resume"]) == 0
    assert in_the_way.is_file() and without_times(out) == without_times(plain)


def without_times(out: Path) -> list[dict]:
    return [{**json.loads(line), "seconds": None} for line in out.read_text().splitlines()]


@pytest.mark.parametrize("name", ["n" * 245 + ".jpg", "n" * 251 + ".jpg", "é" * 122 + ".jpg", "n.jpg"])
def test_a_picture_of_any_name_has_its_annotated_copy(name: str, tmp_path: Path) -> None:
    drawn, paths = tmp_path / "drawn", [tmp_path / folder / name for folder in "ab"]
    for path in paths:
        path.parent.mkdir()
        shutil.copy(SAMPLES / "15-no-cube.jpg", path)
    arguments = ["label", *map(str, paths), "-j", "1", "--out", str(tmp_path / "o"), "--annotate", str(drawn)]
    assert run(arguments) == 0
    assert len(list(drawn.iterdir())) == 2
    assert all(one.name.encode().decode() and one.name.startswith(name[0]) for one in drawn.iterdir())


def test_heic_is_read_once_the_extra_is_there(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture
) -> None:
    heif = pytest.importorskip("pillow_heif")
    path, out = tmp_path / "x.heic", tmp_path / "a.jsonl"
    grey = np.full((64, 64, 3), 128, np.uint8)
    heif.from_bytes("RGB", (64, 64), grey.tobytes()).save(path)
    arguments = ["label", str(path), "-j", "1", "--out", str(out)]
    (tmp_path / "without").mkdir()
    (tmp_path / "without" / "pillow_heif.py").write_text("raise ImportError('not there')\n")
    with monkeypatch.context() as without:
        without.syspath_prepend(tmp_path / "without")  # pictures are read in another process
        assert run(arguments) == 1
        assert "run: pip install" in capsys.readouterr().err
    assert run([*arguments, "--resume"]) == 0
    assert [json.loads(line)["reason"] for line in out.read_text().splitlines()] == ["no-cube"]


def test_pictures_beside_which_chapters_go_are_read(pictures: Path, tmp_path: Path) -> None:
    out = tmp_path / "a.jsonl"
    assert run(["label", str(tmp_path), "-j1", "-o", str(out), "--chapters", str(pictures)]) == 0
    assert len(out.read_text().splitlines()) == 2


@pytest.mark.parametrize("option", ["--page", "--csv", "--annotate", "--chapters", "--stills"])
def test_a_folder_that_cannot_be_made_is_told_before_the_work(
    option: str, pictures: Path, capsys: pytest.CaptureFixture
) -> None:
    (pictures / "file").write_text("")
    assert run(["label", str(pictures), option, str(pictures / "file" / "sub" / "x")]) == 1
    told = capsys.readouterr()
    assert told.out == "" and "cannot be made" in told.err and len(told.err.splitlines()) == 1


@pytest.mark.parametrize(
    ("arguments", "status"),
    [
        (["label"], 2),
        (["label", "x.jpg", "--resume"], 2),
        (["label", "gone.jpg"], 2),
        (["label", "x.jpg", "--undo", "log"], 2),
        (["label", "--undo", "gone.log"], 2),
        (["label", "x.jpg", "--learn"], 2),
        (["label", "x.jpg", "--profile", "gone"], 2),
        (["label", "x.jpg", "--front", "top"], 2),
        (["review", "gone.jsonl"], 2),
    ],
)
def test_wrong_usage_says_what_to_do(
    arguments: list[str],
    status: int,
    capsys: pytest.CaptureFixture,
    monkeypatch: pytest.MonkeyPatch,
    tmp_path: Path,
) -> None:
    monkeypatch.chdir(tmp_path)
    assert run(arguments) == status
    told = capsys.readouterr().err
    assert told and "Traceback" not in told


def test_a_line_says_what_read_says(tmp_path: Path, capsys: pytest.CaptureFixture) -> None:
    """No certainty that is not there, candidates where they mean something, one line whatever the name."""
    for name in ("01-large-on-desk", "12-straight-down", "13-not-last-layer", "14-top-hidden"):
        shutil.copy(SAMPLES / f"{name}.jpg", tmp_path / f"{name}\nagain.jpg")
    assert run(["label", str(tmp_path), "-j", "1", "--rename"]) == 0
    told = capsys.readouterr()
    lines = told.out.splitlines()
    assert len(lines) == 4 and "100 %" not in told.out
    assert [line for line in told.err.splitlines() if "again.jpg" in line and "01-large" not in line] == [
        f"left alone: {tmp_path / name} again.jpg ({reason})"
        for name, reason in (
            ("12-straight-down", "ambiguous"),
            ("13-not-last-layer", "not-last-layer"),
            ("14-top-hidden", "top-hidden"),
        )
    ]
    run(["read", *sorted(map(str, tmp_path.glob("*.jpg")))])
    for line, block in zip(lines, capsys.readouterr().out.split("\n\n"), strict=False):
        assert ("one of" in line) == ("Fits" in block)
        for code in line.partition("one of ")[2].split():
            assert code in block


def test_of_many_candidates_a_line_says_that_there_are_more() -> None:
    codes = sorted(CASES)[:9]
    answer = {
        "image": "x.jpg",
        "ok": False,
        "reason": "ambiguous",
        "candidates": [{"code": code, "probability": 0.1} for code in codes],
    }
    named = [code for code in codes if code in answer_line(answer).split()]
    assert answer_line(answer).endswith(f" and {len(codes) - len(named)} more")
    answer["candidates"] = answer["candidates"][: len(named)]
    assert answer_line(answer).endswith(named[-1])


def test_what_cannot_be_written_at_the_end_hides_nothing_else(
    pictures: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture
) -> None:
    (pictures / "torn.jpg").write_bytes(b"\xff\xd8\xff")
    page, table = pictures.parent / "page.html", pictures.parent / "a.csv"

    def full(path: Path, data: bytes) -> None:
        raise LastlookError(f"{path}: cannot be written (No space left on device); check the folder")

    monkeypatch.setattr(vision.label_run, "write_atomically", full)
    monkeypatch.setattr(vision.filing_steps, "_copy", lambda source, target: full(target, b""))
    filed = pictures.parent / "filed"
    assert run(["label", str(pictures), "--csv", str(table), "--page", str(page), "-j", "1"]) == 1
    told = capsys.readouterr().err
    assert f"  {table}: cannot be written (No space left on device)" in told and not table.exists()
    assert f"  {pictures / 'torn.jpg'}: " in told and "3 files: 1 named" in told
    assert "e1-antisune-left" in page.read_text()
    assert run(["label", str(pictures), "--copy-to", str(filed), "--yes", "-j", "1"]) == 1
    told = capsys.readouterr().err
    assert f"  {pictures / 'torn.jpg'}: " in told and "3 files: 1 named" in told
    assert told.splitlines()[-1].startswith("lastlook: ") and "No space left on device" in told


def without(key: str):
    return lambda answer: answer.pop(key)


def with_(**changes: object):
    return lambda answer: answer.update(changes)


def within(key: str, **changes: object):
    return lambda answer: answer[key].update(changes)


EDITS = {
    "image: is missing": without("image"),
    "case is missing": without("case"),
    "case.probability": within("case", probability="over 99 %"),
    "case.code: 'e9-none' is no case": within("case", code="e9-none"),
    "case.code: '../../away' is no case": within("case", code="../../away"),
    "case: ": with_(case="e0-sune"),
    "ok": with_(ok="yes"),
    "size": with_(size="4"),
    "top.quad": within("top", quad=[[1, 2]] * 3),
    "top: ": with_(top="yellow"),
    "state.twist": within("state", twist=[0, 1, 9, 0]),
    "state.flip": within("state", flip=["0", "0", "0", "0"]),
    "candidates": with_(candidates=None),
    "candidates.0": with_(candidates=["e0-sune"]),
    "permutation": with_(permutation="T"),
    "sequences.0.turns": with_(sequences=[{"first": "U"}]),
    "sequences": with_(sequences={"turns": "R U R'"}),
    "start and end go together": with_(start=1.0),
    "NaN is no number": within("case", probability=float("nan")),
}


@pytest.mark.parametrize("told", EDITS)
def test_an_answer_that_a_person_spoilt_is_told_with_its_line_and_nothing_is_lost(
    told: str, pictures: Path, capsys: pytest.CaptureFixture
) -> None:
    """Whatever a resumed run is to make of its answers; the file stays as that person left it."""
    out, drafts, copies = (pictures.parent / name for name in ("a.jsonl", "t", "copies"))
    ask = ["label", str(pictures), "--out", str(out), "-j", "1"]
    whole = kept_by(out, pictures)
    (spoilt,) = (one for one in whole if one["ok"])
    EDITS[told](spoilt)
    whole.sort(key=lambda one: one is spoilt)  # in the second line
    out.write_text("".join(json.dumps(one) + "\n" for one in whole))
    before = {path: path.read_bytes() for path in pictures.parent.rglob("*") if path.is_file()}
    more = ["--csv", f"{drafts}.csv", "--page", f"{drafts}.html", "--copy-to", str(copies), "--yes"]
    assert run([*ask, "--resume", *more]) == 2
    line = capsys.readouterr().err
    assert line.startswith(f"lastlook: {out}: line 2 is no answer (") and told in line
    assert line.count("\n") == 1 and "delete" in line
    assert {path: path.read_bytes() for path in pictures.parent.rglob("*") if path.is_file()} == before


def kept_by(out: Path, pictures: Path) -> list[dict]:
    """What a run keeps of a named picture and one without a cube, without a run: answers and ledger."""
    found = gather([str(pictures)]).items
    named = replace(answer_of_truth(SAMPLES / "01-large-on-desk.jpg"), sequences=())
    marks = vision.label_run.Settings(PhotoReader(None, None, None, None)).marks
    with AnswerLog(out, options=marks) as log:
        for item in found:
            answer = named if "desk" in item.path else Answer("x", ok=False, reason="no-cube")
            log.write(item, [answer_to_json(replace(answer, image=item.path))])
    return [json.loads(line) for line in out.read_text().splitlines()]


@pytest.mark.parametrize("broken", [b'{"image": "half a li\n', b"a note\n", b"[1, 2]\n", b"\xff\xfe\n"])
def test_a_broken_line_is_told_and_deleting_it_reads_its_picture_again(
    broken: bytes, pictures: Path, capsys: pytest.CaptureFixture
) -> None:
    out = pictures.parent / "a.jsonl"
    ask = ["label", str(pictures), "--out", str(out), "-j", "1", "--resume"]
    kept_by(out, pictures)
    first, second = out.read_bytes().splitlines(keepends=True)
    out.write_bytes(first + broken + second)
    assert run(ask) == 2 and f"{out}: line 2 is no answer" in capsys.readouterr().err
    assert out.read_bytes() == first + broken + second
    out.write_bytes(second)
    assert run(ask) == 0 and "1 done before" in capsys.readouterr().err
    images = [json.loads(line)["image"] for line in out.read_text().splitlines()]
    assert sorted(images) == sorted(str(path) for path in pictures.iterdir())


def test_what_an_editor_does_to_the_ends_of_lines_costs_no_answer(
    pictures: Path, capsys: pytest.CaptureFixture
) -> None:
    """Some leave out the last end of a line, some write others, and a person leaves an empty line."""
    out = pictures.parent / "a.jsonl"
    ask = ["label", str(pictures), "--out", str(out), "-j", "1", "--resume"]
    kept = kept_by(out, pictures)
    for edited in (
        out.read_bytes().rstrip(b"\n"),
        out.read_bytes().replace(b"\n", b"\r\n"),
        b"\xef\xbb\xbf" + out.read_bytes().replace(b"\n", b"\n\n"),
    ):
        out.write_bytes(edited)
        assert run([*ask, "--csv", str(pictures.parent / "a.csv")]) == 0
        assert capsys.readouterr().err.startswith("nothing new: 2 files done before\n")
        table = (pictures.parent / "a.csv").read_text().splitlines()
        assert len(table) == 3 and [line.split(",")[0] for line in table[1:]] == [
            one["image"] for one in kept
        ]
