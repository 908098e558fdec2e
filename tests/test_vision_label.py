"""Labelling runs: what is written, and what a run that goes on takes as done."""

from __future__ import annotations

import csv
import io
import json
import os
from dataclasses import replace
from functools import partial
from pathlib import Path

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import vision.label_run
from calibration.learn import LEARNED
from calibration.profile import ColourSample, default_profile
from models.errors import LastlookError, UsageError
from vision.answer import Answer, Candidate, NamedCase, TopFace
from vision.answer_json import answer_from_json, answer_to_json
from vision.gather import Item, gather
from vision.json_lines import read_lines
from vision.label import UnwrittenError, label, read_one
from vision.label_run import Progress, Settings, write_recording
from vision.label_run import run as label_run
from vision.ledger import AnswerLog
from vision.photo_reader import PhotoReader
from vision.profiles import profile_path
from vision.recording import Indexed
from vision.shown import Reading, Shown
from vision.table import answers_csv

CODES = ("e1-sune-front", "e3-pi-left", "e0-sune", "e4-t")


def a_picture(path: Path, shade: int, wh: tuple[int, int] = (64, 48)) -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    cv2.imwrite(str(path), np.full((wh[1], wh[0], 3), shade, np.uint8))
    return path


def read_shade(image_bgr, *, profile=None, size=None, front=None, library=None, image="") -> Answer:
    """A reader that knows pictures of one grey: the grey is the case, white has no cube."""
    shade = int(image_bgr.mean().round())
    if shade > 200:
        return Answer(image=image, ok=False, reason="no-cube")
    code = CODES[shade % len(CODES)]
    return Answer(
        image=image,
        ok=True,
        size=4,
        top=TopFace("yellow", ((0, 0), (image_bgr.shape[1], 0), (9, 9), (0, 9))),
        case=NamedCase(code, code, "", 0.97),
        candidates=(Candidate(code, 0.97),),
    )


SHADES = PhotoReader(read=read_shade)


def items_of(*paths: Path) -> tuple[Item, ...]:
    return gather(paths).items


def test_gather_walks_folders_in_name_order_and_takes_each_file_once(tmp_path: Path) -> None:
    for name in ("b/2.jpg", "b/1.png", "a.JPG", "b/.hidden.jpg", ".git/x.jpg", "c/clip.mp4"):
        a_picture(tmp_path / name, 10) if not name.endswith("mp4") else (tmp_path / "c").mkdir()
    (tmp_path / "c/clip.mp4").write_bytes(b"-")
    (tmp_path / "b/notes.txt").write_text("-")
    (tmp_path / "b/loop").symlink_to(tmp_path)
    found = gather([tmp_path, tmp_path / "a.JPG", tmp_path / "gone.jpg"])
    names = [str(Path(item.path).relative_to(tmp_path)) for item in found.items]
    assert names == ["a.JPG", "b/1.png", "b/2.jpg", "c/clip.mp4"]
    assert [item.kind for item in found.items] == ["picture"] * 3 + ["recording"]
    assert [Path(problem.path).name for problem in found.problems] == ["gone.jpg"]
    by_name = [Path(item.path).name for item in found.ordered("name")]
    assert by_name == sorted(by_name)
    assert gather([tmp_path], skip=[tmp_path / "b"]).items[-1].path.endswith("clip.mp4")


@pytest.mark.parametrize("jobs", [1, pytest.param(2, marks=pytest.mark.slow)])
def test_answers_are_written_in_order_and_broken_files_are_named(tmp_path: Path, jobs: int) -> None:
    for shade in range(6):
        a_picture(tmp_path / f"{shade}.png", shade)
    (tmp_path / "2.png").write_bytes((tmp_path / "2.png").read_bytes()[:40])
    (tmp_path / "4.png").write_text("no picture at all")
    items = items_of(tmp_path)
    out = tmp_path / "answers.jsonl"
    with AnswerLog(out) as log:
        tally = label(items, SHADES, log=log, jobs=jobs)
    lines = list(read_lines(out))
    assert [Path(line["image"]).name for line in lines] == [f"{i}.png" for i in range(6)]
    assert {Path(p.path).name for p in tally.problems} == {"2.png", "4.png"}
    assert all("\n" not in p.reason and p.reason for p in tally.problems)
    for i, line in enumerate(lines):
        if i in (2, 4):
            assert line["ok"] is False and line["reason"] == "unreadable"
        else:
            assert line["case"]["code"] == CODES[i % 4]
    # the documented keys and no others: the inverse of answer_to_json takes the line
    assert all(answer_to_json(answer_from_json(line)) == line for line in lines)


def test_a_reduced_picture_is_answered_in_pixels_of_the_whole(tmp_path: Path) -> None:
    big = a_picture(tmp_path / "big.jpg", 40, (4000, 3000))
    (answer,) = read_one(items_of(big)[0], SHADES).answers
    right = answer["top"]["quad"][1][0]
    # a corner at the right end of the picture that was read, within a pixel of it
    assert right == pytest.approx(4000, abs=4)


@settings(max_examples=60, deadline=None)
@given(cut_answers=st.integers(0, 10**6), cut_ledger=st.integers(0, 10**6))
def test_files_cut_anywhere_give_each_answer_once_after_resuming(
    tmp_path_factory: pytest.TempPathFactory, cut_answers: int, cut_ledger: int
) -> None:
    folder = tmp_path_factory.mktemp("cut")
    items = [Item(f"{i}.png", "picture", 10 + i, i) for i in range(5)]
    out = folder / "answers.jsonl"

    def reader(item: Item) -> list[dict]:
        return [{"image": item.path, "ok": True, "n": k} for k in range(1 + item.bytes % 2)]

    def run() -> int:
        with AnswerLog(out, resume=True) as log:
            todo = log.remaining(items)
            for item in todo:
                log.write(item, reader(item))
        return len(todo)

    assert run() == 5 and run() == 0
    whole = sorted(out.read_text().splitlines())
    for path, cut in ((out, cut_answers), (out.with_name("answers.jsonl.ledger"), cut_ledger)):
        data = path.read_bytes()
        path.write_bytes(data[: cut % (len(data) + 1)])
    if not (out.stat().st_size and not out.with_name("answers.jsonl.ledger").exists()):
        run()
    assert sorted(out.read_text().splitlines()) == whole


@pytest.mark.parametrize(
    ("key", "value"), [("image", ["0.png"]), ("image", None), ("bytes", {}), ("bytes", "10")]
)
def test_a_ledger_with_values_of_another_kind_counts_for_nothing(
    tmp_path: Path, key: str, value: object
) -> None:
    items = [Item(f"{i}.png", "picture", 10 + i, i) for i in range(2)]
    out = tmp_path / "answers.jsonl"
    with AnswerLog(out) as log:
        for item in items:
            log.write(item, [{"image": item.path, "ok": True}])
    ledger = out.with_name("answers.jsonl.ledger")
    first, second = ledger.read_text().splitlines()
    ledger.write_text(json.dumps({**json.loads(first), key: value}) + f"\n{second}\n")
    with AnswerLog(out, resume=True) as log:
        assert log.remaining(items) == items[:1]


def test_resume_reads_again_what_changed_and_nothing_else(tmp_path: Path) -> None:
    pictures = tmp_path / "p"
    for shade in range(5):
        a_picture(pictures / f"{shade}.png", shade)
    out = tmp_path / "a.jsonl"

    def run(options: str = "") -> int:
        with AnswerLog(out, options=options, resume=out.exists()) as log:
            return label(items_of(pictures), SHADES, log=log).files

    assert run() == 5
    assert run() == 0
    os.utime(pictures / "1.png", (1, 1))  # touched, same content
    assert run() == 0
    a_picture(pictures / "2.png", 23)  # other content
    assert run() == 1
    (pictures / "3.png").rename(pictures / "renamed.png")
    assert run() == 0
    assert run("size 5") == 5  # read under other options
    codes = {Path(line["image"]).name: line["case"]["code"] for line in read_lines(out)}
    assert codes == {"0.png": CODES[0], "1.png": CODES[1], "2.png": CODES[3], "renamed.png": CODES[3],
                     "4.png": CODES[0]}  # fmt: skip


def test_answers_read_with_other_files_of_the_user_are_not_kept(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Files under the names they had before: a profile made anew, other sequences, other weights."""
    monkeypatch.setenv("LASTLOOK_PROFILES", str(tmp_path / "profiles"))
    monkeypatch.setenv("LASTLOOK_DATA", str(tmp_path / "data"))
    model = default_profile().model
    sample = ColourSample(0, (0.5, 0.5, 0.5), None, "shot#U")

    def profile(*samples: ColourSample, mean: float = 0.0) -> None:
        made = replace(default_profile(), name="desk", samples=samples)
        made.with_model(replace(model, mean=model.mean + mean)).save(profile_path("desk"))

    def own_file(name: str) -> None:
        (tmp_path / "data").mkdir(exist_ok=True)
        (tmp_path / "data" / name).write_text("# mine\n")

    def learns() -> None:
        profile(replace(sample, colour=1), replace(sample, picture=f"{LEARNED}x#U"), mean=0.1)

    def marks() -> list[str]:
        return [Settings(PhotoReader(profile=name)).marks for name in ("desk", None)]

    profile()
    old = marks()
    changes = [
        (partial(profile, mean=0.5), True),
        (partial(profile, sample), True),
        (partial(profile, replace(sample, colour=1)), True),
        (learns, False),
        *((partial(own_file, name), True) for name in ("library.toml", "hidden.toml", "effort.toml")),
        (partial(own_file, "notes.txt"), False),
    ]
    for change, tells in changes:
        change()
        new = marks()
        assert [one != other for one, other in zip(old, new, strict=True)] == [tells, tells], change
        old = new
    assert Settings(PhotoReader(profile="default")).marks != old[1]
    assert Settings(PhotoReader(mirrored=True)).marks != old[1]
    assert "mirrored" not in old[1], "answers from before there was a choice count as done"


def test_a_file_counts_once_however_its_path_is_spelled(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A file is what the system says it is: links, ``..`` and where one stands change nothing about it."""
    pictures, linked = tmp_path / "p", tmp_path / "linked"
    for shade in range(3):
        a_picture(pictures / f"{shade}.png", shade)
    linked.symlink_to(pictures)
    (tmp_path / "a link.jsonl").symlink_to(tmp_path / "a.jsonl")
    monkeypatch.chdir(tmp_path)
    drawing = Settings(replace(SHADES, annotate_to="drawn"))
    todo = 3
    for folder in ("p", "./p", pictures, linked, "p/../linked", pictures):
        for out in (Path("a.jsonl"), Path("a link.jsonl")):
            items = items_of(Path(folder) / "0.png", folder)
            with AnswerLog(out, resume=out.exists(), lacking=drawing.lacks) as log:
                assert label(items, drawing.photos, log=log).files == todo
            answers = {line["image"]: line["case"]["code"] for line in read_lines(out)}
            assert answers == {item.path: CODES[k] for k, item in enumerate(items)}
            assert len(list(read_lines(out))) == len(list(Path("drawn").iterdir())) == 3
            todo = 0


def test_what_was_noted_twice_is_kept_once_and_a_link_led_elsewhere_is_read_again(tmp_path: Path) -> None:
    one, other = (a_picture(tmp_path / f"{shade}.png", shade) for shade in range(2))
    out, link = tmp_path / "a.jsonl", tmp_path / "link.png"
    link.symlink_to(one)
    with AnswerLog(out) as log:
        for path in (one, link):
            log.write(items_of(path)[0], SHADES(items_of(path)[0]))
    with AnswerLog(out, resume=True) as log:
        assert label(items_of(one), SHADES, log=log).files == 0
        assert [line["image"] for line in read_lines(out)] == [str(one)]
        assert label(items_of(link), SHADES, log=log).files == 0
    link.unlink()
    link.symlink_to(other)
    with AnswerLog(out, resume=True) as log:
        assert label(items_of(other), SHADES, log=log).files == 1
    assert [(line["image"], line["case"]["code"]) for line in read_lines(out)] == [(str(other), CODES[1])]


def test_files_alike_that_moved_are_taken_up_one_to_one(tmp_path: Path) -> None:
    pictures, out = tmp_path / "p", tmp_path / "a.jsonl"
    for name in ("x.png", "y.png", "z.png"):
        a_picture(pictures / name, 3)
    for expected in (3, 0):
        with AnswerLog(out, resume=out.exists()) as log:
            assert label(items_of(pictures), SHADES, log=log).files == expected
        assert sorted(line["image"] for line in read_lines(out)) == [one.path for one in items_of(pictures)]
        for path in list(pictures.iterdir()):
            path.rename(path.with_name(f"e3__{path.name}"))


def test_answers_are_utf_8_whatever_bytes_a_name_has(tmp_path: Path) -> None:
    name = os.fsdecode(b"b\xff\xc3\xa9.png")
    out = tmp_path / "a.jsonl"
    with AnswerLog(out) as log:
        log.write(Item(name, "picture", 1, 1), [{"image": name}])
    assert json.loads(out.read_bytes().decode("utf-8")) == {"image": name}


def test_what_a_resumed_run_lacks_is_made(tmp_path: Path) -> None:
    picture, out, drawn = a_picture(tmp_path / "p" / "1.png", 1), tmp_path / "a.jsonl", tmp_path / "drawn"
    items = items_of(picture.parent)
    plain, drawing = Settings(SHADES), Settings(replace(SHADES, annotate_to=str(drawn)))
    for wanted, expected in ((plain, 1), (plain, 0), (drawing, 1), (drawing, 0), (plain, 0)):
        with AnswerLog(out, resume=out.exists(), lacking=wanted.lacks) as log:
            assert label(items, wanted.photos, log=log).files == expected
        assert [line["image"] for line in read_lines(out)] == [str(picture)]
    assert len(list(drawn.iterdir())) == 1


def test_chapters_and_stills_asked_for_later_are_lacking(tmp_path: Path) -> None:
    item = Item("a/lesson.mp4", "recording", 1, 1)
    for settings_ in (
        Settings(SHADES, chapters_to=tmp_path / "c"),
        Settings(SHADES, stills_to=tmp_path / "s"),
    ):
        assert settings_.lacks(item, 1)
        answer = {"code": "e0-h", "start_s": 1.0, "end_s": 2.0, "confidence": 1.0}
        write_recording(item, (Shown(**answer, best=Reading(1.5, {"e0-h": 1.0}, True, {}, b"x")),), settings_)
        assert not settings_.lacks(item, 1)
    assert not Settings(SHADES, stills_to=tmp_path / "t").lacks(item, 0)  # nothing shown, no still


def test_recordings_of_one_name_keep_their_chapters_and_stills_apart(tmp_path: Path) -> None:
    items = [Item(f"{folder}/lesson.mp4", "recording", 1, 1) for folder in "ab"]
    wanted = Settings(
        SHADES, chapters_to=tmp_path, stills_to=tmp_path, shared_names=frozenset({"lesson.mp4"})
    )
    best = Reading(1.5, {"e0-h": 1.0}, True, {}, b"x")
    written = [write_recording(item, (Shown("e0-h", 1.0, 2.0, 1.0, best),), wanted) for item in items]
    assert len(list(tmp_path.iterdir())) == 2 * 5  # four kinds of chapters and one still of each
    assert written[0][0]["still"] != written[1][0]["still"]


def test_chapters_name_the_stills_as_the_answers_do(tmp_path: Path) -> None:
    """One case has a picture, one has none; the pictures are where the paths say."""
    shown = tuple(
        Shown(code, at_s, at_s + 1.0, 1.0, Reading(at_s, {code: 1.0}, True, {}, jpeg))
        for code, at_s, jpeg in (("e0-h", 1.0, b"x"), ("e0-sune", 3.0, None))
    )
    wanted = Settings(SHADES, chapters_to=tmp_path / "c", stills_to=tmp_path / "s")
    answers = write_recording(Item("lesson.mp4", "recording", 1, 1), shown, wanted)
    assert json.loads((tmp_path / "c" / "lesson.mp4.chapters.json").read_bytes()) == answers
    assert Path(answers[0]["still"]).read_bytes() == b"x" and answers[1]["still"] is None


def test_chapters_that_cannot_be_written_cost_no_still(tmp_path: Path) -> None:
    (tmp_path / "in-the-way").write_bytes(b"-")
    shown = (Shown("e0-h", 1.0, 2.0, 1.0, Reading(1.5, {"e0-h": 1.0}, True, {}, b"x")),)
    for chapters, stills in (("in-the-way", "s"), ("c", "in-the-way")):
        wanted = Settings(SHADES, chapters_to=tmp_path / chapters / "c", stills_to=tmp_path / stills / "s")
        with pytest.raises(UnwrittenError, match="in-the-way") as told:
            write_recording(Item("a.mp4", "recording", 1, 1), shown, wanted)
        still = told.value.answers[0]["still"]
        assert (still is not None) == (stills == "s") and (still is None or Path(still).is_file())
    assert (tmp_path / "c" / "c" / "a.mp4.chapters.vtt").is_file()


def test_a_folder_of_stills_that_cannot_be_made_is_told_as_one_line(tmp_path: Path) -> None:
    """Not as an error of the recording, whose answers are good."""
    (tmp_path / "in-the-way").write_bytes(b"-")
    best = Reading(1.5, {"e0-h": 1.0}, True, {}, b"x")
    wanted = Settings(SHADES, stills_to=tmp_path / "in-the-way" / "stills")
    with pytest.raises(LastlookError, match="in-the-way"):
        write_recording(Item("a.mp4", "recording", 1, 1), (Shown("e0-h", 1.0, 2.0, 1.0, best),), wanted)


def test_chapters_that_cannot_be_written_cost_no_answer_and_are_made_later(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    clip, out, chapters = tmp_path / "lesson.mp4", tmp_path / "a.jsonl", tmp_path / "chapters"
    clip.write_bytes(b"-")
    shown = (Shown("e0-h", 1.0, 2.0, 1.0, Reading(1.5, {"e0-h": 1.0}, True, {}, b"x")),)
    monkeypatch.setattr(vision.label_run, "index_recording", lambda *_, **__: Indexed(shown, 3.0, 30, 3))
    in_the_way = chapters / "lesson.mp4.chapters.vtt"
    in_the_way.mkdir(parents=True)
    wanted = Settings(SHADES, out=out, chapters_to=chapters)
    for resume, unwritten in (False, 1), (True, 1), (True, 0):
        tally, answers = label_run(gather([clip]), replace(wanted, resume=resume), Progress(lambda _: None))
        assert len(tally.unwritten) == unwritten and not tally.problems
        assert [one["start"] for one in answers] == [1.0]
        if resume and unwritten:
            in_the_way.rmdir()
    assert in_the_way.is_file()


def test_an_output_that_is_there_is_never_overwritten(tmp_path: Path) -> None:
    out = tmp_path / "notes.jsonl"
    out.write_text('{"mine": 1}\n')
    for resume in (False, True):
        with pytest.raises(UsageError):
            AnswerLog(out, resume=resume)
        assert out.read_text() == '{"mine": 1}\n'
    with pytest.raises(UsageError):
        AnswerLog(tmp_path)


def test_the_table_reads_back(tmp_path: Path) -> None:
    answers = [
        answer_to_json(read_shade(np.full((4, 4, 3), s, np.uint8), image=f'a "b", {s}\n.jpg'))
        for s in (1, 250)
    ]
    rows = list(csv.DictReader(io.StringIO(answers_csv(answers), newline="")))
    assert [row["image"] for row in rows] == [answer["image"] for answer in answers]
    assert [(row["ok"], row["code"], row["reason"]) for row in rows] == [
        ("yes", CODES[1], ""),
        ("no", "", "no-cube"),
    ]
