"""Damaged recordings: what can be decoded is read, on both sides of the damage, and its place is told."""

from __future__ import annotations

import os
import sys
from pathlib import Path

import cv2
import numpy as np
import pytest
from test_vision_recording import CODES, a_frame, read_squares

from vision.cli import run
from vision.damage import breaks_off, damage_words, merged
from vision.readers import StreamFaultError, open_reader
from vision.recording import index_recording
from vision.recording_frames import facts_of
from vision.stream_source import Source

RATE, SECONDS = 25, 6.0
COUNT = round(RATE * SECONDS)


@pytest.fixture(scope="module")
def recordings(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Whole recordings of two cases, one in each half, by several codecs in several containers."""
    folder = tmp_path_factory.mktemp("whole")
    for name, codec in (
        ("mp4v.mp4", "mp4v"),
        ("mjpg.avi", "MJPG"),
        ("vp8.webm", "VP80"),
        ("ffv1.mkv", "FFV1"),
    ):
        writer = cv2.VideoWriter(str(folder / name), cv2.VideoWriter_fourcc(*codec), RATE, (320, 180))
        if not writer.isOpened():
            continue  # a build of OpenCV without that codec
        rng = np.random.default_rng(3)
        for k in range(COUNT):
            writer.write(a_frame(1 + (k >= COUNT / 2), k / RATE, rng))
        writer.release()
    return folder


NAMES = ("mp4v.mp4", "mjpg.avi", "vp8.webm", "ffv1.mkv")


def damaged(folder: Path, name: str, target: Path, how: str) -> Path:
    """A copy that is cut in the middle, or of which a twentieth there is zeros or missing."""
    if not (folder / name).exists():
        pytest.skip("no such codec here")
    data = (folder / name).read_bytes()
    half, piece = len(data) // 2, len(data) // 20
    rest = {"cut": b"", "zeros": bytes(piece) + data[half + piece :], "short": data[half + piece :]}
    path = target / name
    path.write_bytes(data[:half] + rest[how])
    return path


def played(path: Path) -> tuple[list[float], list[str]]:
    """When the frames are shown that a watch gets, and what it is told."""
    reader, times_s, told = open_reader(Source("recording", str(path), "clip")), [], []
    try:
        while (got := reader.read()) is not None:
            told += reader.remarks()
            times_s.append(got[1])
    except StreamFaultError as fault:
        told.append(fault.text)
    reader.close()
    return times_s, told


@pytest.mark.parametrize("name", NAMES)
def test_a_whole_recording_is_not_said_to_be_damaged(name: str, recordings: Path, tmp_path: Path) -> None:
    path = recordings / name
    if not path.exists():
        pytest.skip("no such codec here")
    times_s, told = played(path)
    assert len(times_s) == COUNT and not told
    assert index_recording(path, read_squares).lost == ()


@pytest.mark.parametrize("name", NAMES[1:])  # an MP4 has its index at the end: cut short it cannot be opened
def test_where_a_recording_breaks_off_is_told_and_all_before_is_read(
    name: str, recordings: Path, tmp_path: Path
) -> None:
    path = damaged(recordings, name, tmp_path, "cut")
    times_s, told = played(path)
    assert 0.4 * COUNT < len(times_s) < 0.6 * COUNT
    assert told == [
        f"clip: breaks off after {len(times_s)} frames, at {times_s[-1] + 1 / RATE:.2f} s of 6.00 s;"
        " all before that was read"
    ]
    indexed = index_recording(path, read_squares)
    assert indexed.lost == ((pytest.approx(times_s[-1] + 1 / RATE), pytest.approx(SECONDS)),)
    assert indexed.shown[0].code == CODES[1] and indexed.shown[0].end_s > 2.3


@pytest.mark.parametrize(("name", "how"), [("mp4v.mp4", "zeros"), ("ffv1.mkv", "short")])
def test_what_comes_after_a_damaged_place_is_read_too(
    name: str, how: str, recordings: Path, tmp_path: Path
) -> None:
    path = damaged(recordings, name, tmp_path, how)
    times_s, told = played(path)
    assert times_s[-1] > SECONDS - 0.5 and len(times_s) > 0.85 * COUNT
    assert told and all("cannot be decoded; left out" in text for text in told)
    indexed = index_recording(path, read_squares)
    assert len(indexed.lost) == 1 and 2.5 < indexed.lost[0][0] < indexed.lost[0][1] < 4.0
    assert [one.code for one in indexed.shown] == [CODES[1], CODES[2]]
    assert indexed.shown[1].end_s > SECONDS - 0.5


@pytest.mark.parametrize(
    "name",
    [b"12:30.mp4", b"pipe:0.mp4", b"concat:mp4v.mp4", b"-x.mp4", b"%03d#?&.mp4", b"line\nbreak.mp4"]
    + [b"no \xff UTF-8.mp4"] * (sys.platform == "linux"),
)
@pytest.mark.skipif(os.name == "nt", reason="no such names there")
def test_a_recording_is_played_whatever_its_name(
    name: bytes, recordings: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """FFmpeg takes what stands before a colon for a protocol; OpenCV crashes on what is no UTF-8."""
    if not (recordings / "mp4v.mp4").exists():
        pytest.skip("no such codec here")
    path = Path(os.fsdecode(name))
    (tmp_path / path).write_bytes((recordings / "mp4v.mp4").read_bytes())
    monkeypatch.chdir(tmp_path)
    assert facts_of(path).seconds == pytest.approx(SECONDS, abs=0.1)
    assert len(played(path)[0]) == COUNT


def test_a_length_that_no_such_file_can_have_is_not_believed(recordings: Path, tmp_path: Path) -> None:
    """Ten hours in the header of a clip (AVI: dwTotalFrames of "avih", dwLength of "strh")."""
    if not (recordings / "mjpg.avi").exists():
        pytest.skip("no such codec here")
    data = bytearray((recordings / "mjpg.avi").read_bytes())
    for chunk, field in ((b"avih", 16), (b"strh", 32)):
        at = data.index(chunk) + 8 + field
        data[at : at + 4] = (36_000 * RATE).to_bytes(4, "little")
    path = tmp_path / "long.avi"
    path.write_bytes(data)
    assert cv2.VideoCapture(str(path)).get(cv2.CAP_PROP_FRAME_COUNT) == 36_000 * RATE
    indexed = index_recording(path, read_squares)
    assert indexed.lost == () and indexed.seconds == pytest.approx(SECONDS, abs=0.2)
    assert [one.code for one in indexed.shown] == [CODES[1], CODES[2]]
    assert played(path)[1] == []


class Faulty:
    """Stands in for ``cv2.VideoCapture``: a recording of 100 frames at 25 a second; 40 to 42 raise."""

    def __init__(self, *_: object) -> None:
        self.at = -1

    def isOpened(self) -> bool:  # noqa: N802
        return True

    def get(self, what: int) -> float:
        told = {
            cv2.CAP_PROP_FPS: 25.0,
            cv2.CAP_PROP_FRAME_COUNT: 100.0,
            cv2.CAP_PROP_POS_MSEC: 40.0 * self.at,
        }
        return told.get(what, 0.0)

    def release(self) -> None:
        pass

    def grab(self) -> bool:
        self.at += 1
        if 40 <= self.at < 43:
            raise cv2.error("the decoder is out of its mind")
        return self.at < 100

    def retrieve(self) -> tuple[bool, np.ndarray]:
        return True, np.full((90, 160, 3), self.at, np.uint8)

    def read(self) -> tuple[bool, np.ndarray | None]:
        return self.retrieve() if self.grab() else (False, None)


def test_an_error_in_the_middle_is_not_the_end(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setattr(cv2, "VideoCapture", Faulty)
    times_s, told = played(tmp_path)
    assert [round(25 * at_s) for at_s in times_s] == [k for k in range(100) if not 40 <= k < 43]
    assert told == ["clip: 3 frames before 1.72 s cannot be decoded; left out"]


@pytest.mark.slow
def test_a_watch_and_a_labelling_tell_of_it_and_keep_the_rest(
    recordings: Path, tmp_path: Path, capsys: pytest.CaptureFixture
) -> None:
    path, out = damaged(recordings, "mjpg.avi", tmp_path, "cut"), tmp_path / "a.jsonl"
    assert run(["watch", str(path), "--no-window", "--no-journal"]) in (3, 4)  # no case in it
    captured = capsys.readouterr()
    assert captured.err.count("\n") == 1 and "breaks off after" in captured.err and "frames, " in captured.out
    for resumed in ([], ["--resume"]):
        assert run(["label", str(path), "--out", str(out), "--jobs", "1", *resumed]) == 1
        assert "breaks off at" in capsys.readouterr().err


def test_places_are_told_in_order_and_the_end_as_such() -> None:
    lost = merged([(50.0, 60.0), (4.0, 5.0), (5.2, 7.0), (40.0, 50.0)])
    assert lost == ((4.0, 7.0), (40.0, 60.0))
    words = damage_words(lost, 60.0)
    assert (
        words == "cannot be decoded from 4.00 to 7.00 s; breaks off at 40.00 s of 60.00 s; the rest was read"
    )
    assert "7 places more" in damage_words([(float(k), k + 0.1) for k in range(0, 20, 2)], 60.0)
    assert not breaks_off(59.8, 60.0) and not breaks_off(3.0, 0.0)
