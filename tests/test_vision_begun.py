"""Recordings that a run was stopped in: it goes on inside them, to what an unbroken run says."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest

import vision.recording
from models.errors import UsageError
from vision.answer import Answer, Candidate, NamedCase
from vision.begun import Begun, begun_of
from vision.gather import Item, gather
from vision.json_lines import read_lines
from vision.label_run import Progress, Settings, run
from vision.photo_reader import PhotoReader
from vision.scan import Stretch
from vision.shown import reading_of

CODES = ("", "e1-sune-front", "e1-antisune-left", "e3-pi-front", "e0-sune")
RATE = 10
PLAN = ((1, 4), (0, 2), (2, 4), (3, 6), (0, 2), (4, 5), (1, 3))
STRETCH_S = 6.0
READ = "LASTLOOK_TEST_READ"


def a_frame(number: int, k: int) -> np.ndarray:
    """A grey field that tells ``number``, under a bar that moves on with each frame ``k``."""
    frame = np.full((96, 160, 3), 20 + 50 * number, np.uint8)
    at = 7 * k % 150
    frame[:24, at : at + 20] = 255
    return frame


def a_recording(path: Path, codec: str = "mp4v", *, dies: bool = False) -> Path:
    """Write one by PLAN; one whose writer dies lacks its end and does not tell its length."""
    code = (
        f"import os, sys; sys.path[:0] = {[str(Path(__file__).parent), str(Path(__file__).parents[1])]};"
        f"import test_vision_begun as t; writer = t.write_frames({str(path)!r}, {codec!r}, dies=True);"
    )
    if dies:
        subprocess.run([sys.executable, "-c", code + "os._exit(0)"], check=True)
    else:
        write_frames(str(path), codec, dies=False).release()
    return path


def write_frames(path: str, codec: str, *, dies: bool) -> cv2.VideoWriter:
    writer = cv2.VideoWriter(path, cv2.VideoWriter_fourcc(*codec), RATE, (160, 96))
    if not writer.isOpened():
        pytest.skip("no such codec here")
    numbers = [number for number, seconds in PLAN for _ in range(seconds * RATE)]
    for k, number in enumerate(numbers):
        writer.write(a_frame(number, k))
    noise = np.random.default_rng(0).integers(0, 40, (96, 160, 3), np.uint8)
    for _ in range(200 if dies else 0):  # more than is still unwritten when it dies
        writer.write(noise)
    return writer


def read_grey(image_bgr, *, profile=None, size=None, front=None, library=None, image="") -> Answer:
    """A reader of those frames that notes each call."""
    with Path(os.environ[READ]).open("a") as file:
        file.write(".")
    level = float(image_bgr[40:90].mean())
    number = min(range(len(CODES)), key=lambda one: abs(20 + 50 * one - level))
    if not number:
        return Answer(image=image, ok=False, reason="no-cube")
    code, chance = CODES[number], 0.9 + 0.09 * float(image_bgr[:24].mean() % 1)
    named = NamedCase(code, code, "", chance)
    return Answer(image=image, ok=True, size=4, case=named, candidates=(Candidate(code, chance),))


@pytest.fixture
def frames_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    """How often the reader was called since the last time that this was asked."""
    noted = tmp_path / "read"
    monkeypatch.setenv(READ, str(noted))
    monkeypatch.setattr(vision.recording, "STRETCH_S", STRETCH_S)

    def count() -> int:
        times = noted.stat().st_size if noted.exists() else 0
        noted.unlink(missing_ok=True)
        return times

    return count


def told(out: Path) -> list[dict]:
    """The answers, without what tells the time that reading took and where a still was put."""
    return [{key: one[key] for key in one if key not in ("seconds", "still")} for one in read_lines(out)]


def stops_after(stretches: int) -> Progress:
    """The person presses Ctrl-C when so many stretches are there, those of a run before among them."""
    left = [stretches]

    def on_recording(item: Item, done_s: float, total_s: float) -> None:
        left[0] -= 1
        if left[0] == 0:
            raise KeyboardInterrupt

    return Progress(lambda outcome: None, on_recording)


@pytest.mark.parametrize(
    ("name", "codec", "dies", "jobs"),
    [
        ("whole.mp4", "mp4v", False, 1),
        pytest.param("whole.mp4", "mp4v", False, 2, marks=pytest.mark.slow),
        ("told-no-length.mkv", "MJPG", True, 1),
    ],
)
def test_a_run_goes_on_inside_a_recording_to_what_an_unbroken_one_says(
    name: str, codec: str, dies: bool, jobs: int, tmp_path: Path, frames_read
) -> None:
    path = a_recording(tmp_path / name, codec, dies=dies)
    assert (cv2.VideoCapture(str(path)).get(cv2.CAP_PROP_FRAME_COUNT) <= 0) is dies
    found = gather([path])
    unbroken, broken = tmp_path / "unbroken.jsonl", tmp_path / "broken.jsonl"
    stills, asked = tmp_path / "stills", Settings(PhotoReader(read=read_grey), jobs=jobs)
    run(found, replace(asked, out=unbroken, stills_to=stills / "u"), Progress(lambda outcome: None))
    whole = frames_read()
    assert [one["case"]["code"] for one in read_lines(unbroken)] == [CODES[n] for n, _ in PLAN if n]

    asked = replace(asked, out=broken, stills_to=stills / "b")
    tally, answers = run(found, asked, stops_after(1))
    assert tally.stopped and not answers
    frames_read()
    with pytest.raises(UsageError, match="--resume"):
        run(found, asked, Progress(lambda outcome: None))
    again, kept = replace(asked, resume=True), begun_of(broken)
    known = len(kept.read_bytes().splitlines())
    assert run(found, again, stops_after(known + 1))[0].stopped
    assert 0 < frames_read() < whole
    kept.write_bytes(kept.read_bytes()[:-1000])  # as if it had been killed while it wrote
    tally, _ = run(found, again, Progress(lambda outcome: None))
    assert 0 < frames_read() < whole
    assert not tally.stopped and not kept.exists()
    assert told(broken) == told(unbroken)
    pictures = [sorted(one.read_bytes() for one in (stills / side).iterdir()) for side in "ub"]
    assert pictures[0] == pictures[1] and len(pictures[0]) == len(told(unbroken))
    run(found, again, Progress(lambda outcome: None))
    assert not frames_read() and told(broken) == told(unbroken)


def test_a_run_that_is_killed_loses_no_stretch_that_it_had_scanned(tmp_path: Path, frames_read) -> None:
    path, out = a_recording(tmp_path / "a.mp4"), tmp_path / "a.jsonl"
    code = (
        f"import sys; sys.path[:0] = {[str(Path(__file__).parent), str(Path(__file__).parents[1])]};"
        "from pathlib import Path; import test_vision_begun as t;"
        "t.vision.recording.STRETCH_S = t.STRETCH_S;"
        "asked = t.Settings(t.PhotoReader(read=t.read_grey), out=Path(sys.argv[2]));"
        "t.run(t.gather([sys.argv[1]]), asked, t.Progress(lambda outcome: None))"
    )
    killed = subprocess.Popen([sys.executable, "-c", code, str(path), str(out)])
    kept, until_s = begun_of(out), time.monotonic() + 60
    while killed.poll() is None and time.monotonic() < until_s:
        if kept.exists() and kept.read_bytes().count(b"\n") >= 2:
            killed.send_signal(signal.SIGKILL)
        time.sleep(0.01)
    killed.wait()
    frames_read()
    asked = Settings(PhotoReader(read=read_grey), out=out, resume=True)
    run(gather([path]), asked, Progress(lambda outcome: None))
    rest = frames_read()
    run(gather([path]), replace(asked, out=tmp_path / "b.jsonl"), Progress(lambda outcome: None))
    assert rest < frames_read() and told(out) == told(tmp_path / "b.jsonl")


def a_stretch(number: int) -> Stretch:
    answer = {"ok": True, "candidates": [], "case": {"code": CODES[1], "probability": 0.1 + number / 7}}
    return Stretch(
        [reading_of(answer, number / 3, b"jpeg"), reading_of({"ok": False}, number / 3 + 0.1)],
        number + 7,
        number,
        number / 3 + 0.1,
        [(0.1, number / 9)],
        number + 1e-7,
    )


def test_of_a_file_cut_anywhere_each_whole_line_counts_and_more_can_be_kept(tmp_path: Path) -> None:
    item, path = Item("a.mp4", "recording", 5, 6), tmp_path / "a.begun"
    all_of_them = {(30.0 * k, 30.0 * k + 30): a_stretch(k) for k in range(3)}
    for resume in (False, True):
        begun = Begun(path, options="-", with_stills=True, resume=resume)
        for span, stretch in all_of_them.items():
            begun.keep(item, span, stretch)
        assert begun.known(item) == all_of_them
    data = path.read_bytes()[: path.stat().st_size // 2]
    first, second = [k + 1 for k, byte in enumerate(data) if byte == ord("\n")][:2]
    for cut in (0, 1, first - 1, first, first + 1, second - 1, second):
        path.write_bytes(data[:cut])
        begun = Begun(path, options="-", with_stills=True, resume=True)
        left = begun.known(item)
        assert left == dict(list(all_of_them.items())[: data[: cut + 1].count(b"\n")])
        for span in all_of_them.keys() - left.keys():
            begun.keep(item, span, all_of_them[span])
        assert begun.known(item) == all_of_them


def test_stretches_of_another_file_or_read_otherwise_do_not_count(tmp_path: Path) -> None:
    item, path = Item("a.mp4", "recording", 5, 6), tmp_path / "a.begun"
    plain = Begun(path, options="-", with_stills=False, resume=False)
    plain.keep(item, (0.0, 30.0), a_stretch(1))
    (kept,) = plain.known(item).values()
    assert kept.readings[0].still_jpeg == b"" and kept.readings[1].still_jpeg is None
    for other in (replace(item, bytes=7), replace(item, mtime_ns=7), replace(item, path="b.mp4")):
        assert not plain.known(other)
    for how in ({"options": "other"}, {"with_stills": True}):
        assert not Begun(path, **{"options": "-", "with_stills": False, "resume": True, **how}).known(item)
    plain.keep(replace(item, path="b.mp4"), (0.0, 30.0), a_stretch(2))
    plain.let_go(item)
    assert not plain.known(item) and plain.known(replace(item, path="b.mp4"))
    plain.let_go(replace(item, path="b.mp4"))
    assert not path.exists()


def test_what_is_no_stretch_is_passed_over(tmp_path: Path) -> None:
    item, path = Item("a.mp4", "recording", 5, 6), tmp_path / "a.begun"
    begun = Begun(path, options="-", with_stills=False, resume=False)
    begun.keep(item, (0.0, 30.0), a_stretch(1))
    line = json.loads(path.read_bytes())
    for wrong in ({"span": 3}, {"span": [[], 1]}, {"stretch": None}, {"stretch": {}}, {"stretch": []}):
        path.write_text(json.dumps({**line, **wrong}) + "\n")
        assert begun.known(item) == {}
    reading, *_ = line["stretch"]["readings"]
    spoilt = ({"at_s": "soon"}, {"answer": {**reading["answer"], "case": {"code": "none", "probability": 1}}})
    for stretch in (
        {"last_s": "late"}, {"lost": [["x", 1]]}, {"frames_read": []}, {"next_s": "never"},
        *({"readings": [{**reading, **one}]} for one in spoilt),
    ):  # fmt: skip
        path.write_text(json.dumps({**line, "stretch": {**line["stretch"], **stretch}}) + "\n")
        assert begun.known(item) == {}
