"""Recordings: the cases shown, where they begin and end, and the list in the formats of others."""

from __future__ import annotations

import csv
import io
import itertools
import os
import re
from pathlib import Path

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from models.cases import CASE_LIST
from models.errors import LastlookError
from vision.readers import StreamFaultError, open_reader
from vision.recording import index_recording
from vision.recording_frames import facts_of, frame_at
from vision.scan import _Scanner
from vision.shown import (
    Reading,
    Shown,
    _likeliest_path,
    _log_steps,
    _smoothed,
    chapter_lines,
    clock,
    reading_of,
    shown_cases,
    shown_csv,
    webvtt_chapters,
)
from vision.stream_source import Source

CODES = ("", "e1-sune-front", "e1-antisune-left", "e3-pi-front", "e0-sune")


def a_frame(
    number: int, at_s: float, rng: np.random.Generator, wh: tuple[int, int] = (320, 180)
) -> np.ndarray:
    """A wavering scene with ``number`` told by three squares under a red bar that drifts about."""
    width, height = wh
    frame = np.full((height, width, 3), 60, np.uint8)
    frame[:, :, 1] = (60 + 40 * np.sin(np.arange(width) / 50 + at_s)).astype(np.uint8)
    if number:
        x = int(100 + 15 * np.sin(at_s * 1.3))
        for bit in range(3):
            frame[60:110, x + bit * 30 : x + bit * 30 + 26] = 230 if number >> bit & 1 else 10
        frame[46:58, x : x + 86] = (0, 0, 255)
    return cv2.add(frame, rng.integers(0, 6, frame.shape, dtype=np.uint8))


def read_squares(frame: np.ndarray) -> dict:
    blue, green, red = (frame[:, :, k].astype(int) for k in range(3))
    bar = (red - green > 100) & (blue < 90)
    columns = np.flatnonzero(bar[46:58].mean(axis=0) > 0.6)
    if len(columns) < 60:
        return {"ok": False, "reason": "no-cube", "candidates": [], "case": None}
    x = int(columns[0])
    bits = [frame[70:100, x + b * 30 + 6 : x + b * 30 + 20].mean() > 128 for b in range(3)]
    code = CODES[sum(int(bit) << b for b, bit in enumerate(bits)) % len(CODES)]
    if not code:
        return {"ok": False, "reason": "unreadable", "candidates": [], "case": None}
    told = {"code": code, "probability": 0.97}
    return {"ok": True, "reason": None, "candidates": [told], "case": told, "top": None, "image": ""}


def a_recording(path: Path, plan: list[tuple[int, float]], rate: int = 25) -> list[tuple[str, float, float]]:
    """Write frames by ``plan`` of (number, seconds); returns the truth as (code, start, end)."""
    rng = np.random.default_rng(7)
    writer = cv2.VideoWriter(str(path), cv2.VideoWriter_fourcc(*"mp4v"), rate, (320, 180))
    truth, count = [], 0
    for number, seconds in plan:
        start = count / rate
        for _ in range(round(seconds * rate)):
            writer.write(a_frame(number, count / rate, rng))
            count += 1
        if number:
            truth.append((CODES[number], start, count / rate))
    writer.release()
    return truth


def test_all_cases_are_found_none_invented_and_boundaries_hold(tmp_path: Path) -> None:
    path = tmp_path / "session.mp4"
    truth = a_recording(
        path, [(0, 2.0), (1, 3.3), (0, 1.0), (2, 3.1), (3, 4.0), (0, 0.8), (1, 2.5), (4, 20), (0, 2)]
    )
    indexed = index_recording(path, read_squares)
    assert [one.code for one in indexed.shown] == [code for code, _, _ in truth]
    for one, (_, start_s, end_s) in zip(indexed.shown, truth, strict=True):
        assert abs(one.start_s - start_s) < 0.25 and abs(one.end_s - end_s) < 0.25
        assert one.confidence > 0.8
        assert one.best.still_jpeg is not None
        still = cv2.imdecode(np.frombuffer(one.best.still_jpeg, np.uint8), cv2.IMREAD_COLOR)
        assert read_squares(still)["case"]["code"] == one.code
    assert indexed.frames_read < indexed.frames_looked_at / 3
    assert indexed.seconds == pytest.approx(38.7, abs=0.1)
    frame = frame_at(path, truth[2][1] + 1)
    assert frame is not None and read_squares(frame)["case"]["code"] == truth[2][0]


@given(st.integers(20, 60), st.integers(30, 33))
def test_a_case_shown_for_three_seconds_is_found_whenever_it_comes(first: int, frames: int) -> None:
    """Wherever it falls between two readings, and with every case of a long session possible at any time."""
    others = [{"code": case.code, "probability": 0.0003} for case in CASE_LIST[:100]]
    told = {"code": CODES[1], "probability": 0.97}

    def read(frame: np.ndarray) -> dict:
        number = int(frame[0, 0, 0]) + 256 * int(frame[0, 0, 1])
        if not first <= number < first + frames:
            return {"ok": False, "reason": "no-cube", "candidates": [], "case": None}
        return {"ok": True, "reason": None, "candidates": [told, *others], "case": told, "top": None}

    scanner = _Scanner(read)
    for number in range(first + frames + 50):
        frame = np.full((180, 320, 3), number * 37 % 256, np.uint8)  # never like the one before
        frame[0, 0, :2] = number % 256, number // 256
        scanner.look(number / 10, frame)
    scanner.finish()
    assert [one.code for one in shown_cases(scanner.stretch.readings)] == [CODES[1]]


def test_a_still_view_is_read_once(tmp_path: Path) -> None:
    writer = cv2.VideoWriter(str(tmp_path / "s.mp4"), cv2.VideoWriter_fourcc(*"mp4v"), 25, (320, 180))
    frame = a_frame(3, 0.0, np.random.default_rng(1))
    for _ in range(250):
        writer.write(frame)
    writer.release()
    indexed = index_recording(tmp_path / "s.mp4", read_squares)
    assert indexed.frames_read <= 3
    assert [(one.code, one.start_s < 0.1, one.end_s > 9.7) for one in indexed.shown] == [
        (CODES[3], True, True)
    ]


def test_what_is_no_recording_is_told_in_one_line(tmp_path: Path) -> None:
    path = tmp_path / "x.mp4"
    for content in (b"", b"not a recording", b"\0" * 5000):
        path.write_bytes(content)
        with pytest.raises(LastlookError) as caught:
            facts_of(path)
        assert "\n" not in str(caught.value) and str(path) in str(caught.value)


@pytest.mark.parametrize(("width", "height", "refused"), [(7680, 4320, False), (10000, 5000, True)])
def test_a_frame_too_large_is_refused_before_it_is_decoded_labelled_or_watched(
    width: int, height: int, refused: bool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """7680 x 4320 is the larger picture of ITU-R BT.2020."""
    facts = {cv2.CAP_PROP_FRAME_WIDTH: width, cv2.CAP_PROP_FRAME_HEIGHT: height, cv2.CAP_PROP_FPS: 30}

    class Capture:
        def __init__(self, *_: object) -> None: ...

        def isOpened(self) -> bool:  # noqa: N802
            return True

        def get(self, what: int) -> float:
            return facts.get(what, 0.0)

        def grab(self) -> bool:
            return not refused

        def release(self) -> None: ...

    monkeypatch.setattr(cv2, "VideoCapture", Capture)
    path = tmp_path / "large.mp4"
    for opens in (lambda: facts_of(path), lambda: open_reader(Source("recording", str(path), "large.mp4"))):
        if not refused:
            opens()
            continue
        with pytest.raises((LastlookError, StreamFaultError), match=f"{width} x {height}"):
            opens()


def dies(frame: np.ndarray) -> dict:
    """A reader in whose process something goes wrong beyond Python."""
    os._exit(11)


def test_a_recording_that_kills_its_process_is_told_in_one_line(tmp_path: Path) -> None:
    path = tmp_path / "s.mp4"
    a_recording(path, [(1, 1.0)])
    with pytest.raises(LastlookError, match="brings the process that reads it down") as caught:
        index_recording(path, dies)
    assert str(caught.value).startswith(str(path)) and "\n" not in str(caught.value)
    assert [one.code for one in index_recording(path, read_squares).shown] == [CODES[1]]


def reading(at_s: float, code: str, chance: float = 0.95) -> Reading:
    weights = {code: chance} if code else {}
    return Reading(at_s, weights, bool(code) and chance >= 0.9, {"ok": bool(code)})


def test_a_single_misread_frame_invents_nothing_and_a_gap_of_a_frame_splits_nothing() -> None:
    run = [reading(t * 0.5, "e0-sune") for t in range(12)]
    run[5] = reading(2.5, "e1-t-left")
    run[8] = reading(4.0, "")
    assert [(one.code, one.start_s, one.end_s) for one in shown_cases(run)] == [("e0-sune", 0.0, 5.5)]
    quiet = [reading(t * 0.5, "") for t in range(12)]
    quiet[4] = reading(2.0, "e0-sune")
    assert shown_cases(quiet) == [] and shown_cases([]) == []
    unsure = [reading(t * 0.5, "e0-sune", 0.6) for t in range(12)]
    assert shown_cases(unsure) == []


@settings(max_examples=50, deadline=None)
@given(
    st.integers(1, 6).flatmap(
        lambda n: st.tuples(
            st.lists(st.lists(st.floats(0.01, 1), min_size=3, max_size=3), min_size=n, max_size=n),
            st.lists(st.floats(0.05, 3), min_size=n, max_size=n),
        )
    )
)
def test_path_and_smoothing_are_those_of_trying_every_path(drawn: tuple) -> None:
    """Against the definition: every one of 3^n paths is scored by itself."""
    emission, gaps = np.log(np.array(drawn[0])), np.cumsum(drawn[1])
    stay, go = _log_steps(gaps, 3)
    paths = list(itertools.product(range(3), repeat=len(gaps)))
    scores = np.array(
        [
            sum(emission[i, s] for i, s in enumerate(path))
            + sum(stay[i] if path[i] == path[i + 1] else go[i] for i in range(len(path) - 1))
            for path in paths
        ]
    )
    found = tuple(_likeliest_path(emission, gaps).tolist())
    assert scores[paths.index(found)] == pytest.approx(scores.max(), abs=1e-9)
    weight = np.exp(scores - scores.max())
    for i in range(len(gaps)):
        exact = [weight[[path[i] == s for path in paths]].sum() / weight.sum() for s in range(3)]
        assert _smoothed(emission, gaps)[i] == pytest.approx(exact, abs=1e-9)


def test_candidates_of_an_open_answer_count_and_a_refusal_counts_as_none() -> None:
    candidates = [{"code": "e0-t", "probability": 0.6}, {"code": "e0-pi", "probability": 0.4}]
    answer = {"ok": False, "reason": "ambiguous", "case": None, "candidates": candidates}
    assert reading_of(answer, 1.0).weights == {"e0-t": 0.6, "e0-pi": 0.4}
    assert reading_of({**answer, "reason": "not-last-layer"}, 1.0).weights == {}


SHOWN = [
    Shown("e1-headlights-left", 102.4, 105.0, 0.97, reading(103, "e1-headlights-left")),
    Shown("e0-h", 3723.9999, 3730.25, 0.9, reading(3725, "e0-h")),
]

# W3C, WebVTT: The Web Video Text Tracks Format, Candidate Recommendation, 4 April 2019, 4.1 (from memory):
# "WEBVTT" + line end, blank line, cue blocks parted by blank lines; an optional identifier without "-->";
# timings [hh+:]mm:ss.ttt with minutes and seconds below 60 and the end after the start.
_TIME = r"(?:(\d{2,}):)?([0-5]\d):([0-5]\d)\.(\d{3})"


def parse_webvtt(text: str) -> list[tuple[float, float, str]]:
    head, *blocks = text.strip("\n").split("\n\n")
    assert head == "WEBVTT"
    cues = []
    for block in blocks:
        lines = [line for line in block.split("\n") if line]
        if "-->" not in lines[0]:
            lines = lines[1:]
        match = re.fullmatch(rf"{_TIME} --> {_TIME}", lines[0])
        assert match is not None, lines[0]
        parts = [int(g or 0) for g in match.groups()]
        start, end = (h * 3600 + m * 60 + s + ms / 1000 for h, m, s, ms in (parts[:4], parts[4:]))
        assert start < end
        body = "\n".join(lines[1:])
        assert "<" not in body and not re.search(r"&(?!amp;|lt;|gt;)", body)
        cues.append((start, end, body))
    return cues


def test_webvtt_follows_the_standard() -> None:
    text = webvtt_chapters(SHOWN, {"e0-h": "H <double> & more"})
    cues = parse_webvtt(text)
    assert [cue[2] for cue in cues] == ["e1-headlights-left", "e0-h · H &lt;double&gt; &amp; more"]
    assert [cue[:2] for cue in cues] == [(102.4, 105.0), (3724.0, 3730.25)]
    assert parse_webvtt(webvtt_chapters([])) == []


@given(st.floats(0, 400_000), st.floats(0, 100))
def test_webvtt_times_are_valid_for_any_length(start_s: float, length_s: float) -> None:
    ((start, end, _),) = parse_webvtt(
        webvtt_chapters([Shown("e0-h", start_s, start_s + length_s, 1.0, reading(0, "e0-h"))])
    )
    assert start == pytest.approx(start_s, abs=0.001) and end == pytest.approx(start_s + length_s, abs=0.003)


def test_chapter_lines_and_table() -> None:
    assert chapter_lines(SHOWN) == "1:42 e1-headlights-left\n1:02:03 e0-h\n"
    assert [clock(s) for s in (0, 59.99, 60, 3600)] == ["0:00", "0:59", "1:00", "1:00:00"]
    rows = list(csv.DictReader(io.StringIO(shown_csv('a, "b".mp4', SHOWN), newline="")))
    assert rows[0] == {"image": 'a, "b".mp4', "start_s": "102.400", "end_s": "105.000",
                       "code": "e1-headlights-left", "confidence": "0.9700"}  # fmt: skip
