"""Attempts are timed to the frame: the states of the timer by themselves, and whole clips with known truth.

Truth: the times that the tests make up (timer), and the studio's clip of an executed sequence
(tests/data/clip_turning: rendered with ``turn_times_s``; tests/data/clip_tilting and its state).
"""

from __future__ import annotations

import json
import re
import shutil
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, cast

import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from calibration.profile import default_profile
from models.attempt import Row
from models.cases import case_of
from models.journal import Journal
from models.layer import LastLayer
from vision.cli_journal import _cells
from vision.cli_watch import watch
from vision.frame_report import FrameReport
from vision.moments import save_moment
from vision.session import Session, _Begun, attempt_words, frame_json
from vision.stream import FrameStream
from vision.stream_source import source_named
from vision.timing import AttemptTimer, Instant, Seen, Timed
from vision.watch import _last_words
from vision.watcher import Watcher
from vision.worker import Worker

DATA = Path(__file__).parent / "data"
KEYS = ["frame", "time", "tracked", "settled", "case", "probability", "quad", "size", "next_view"]


@dataclass(frozen=True)
class Named:
    """A settled state known by a word."""

    word: str

    def same_as(self, other: object) -> bool:
        return self == other


CASE, SOLVED = Named("case"), Named("solved")


def run(frames: list[Seen]) -> list[Timed]:
    timer = AttemptTimer()
    return [ended for frame in frames if (ended := timer.see(frame)) is not None]


def attempt(
    times: list[float], settled_s: float, turn_s: float, done_s: float, lost: frozenset[int] = frozenset()
) -> list[Seen]:
    """What a watcher would say at ``times`` of an attempt with these three moments."""
    frames = []
    settled_at = began = rested = None
    for number, now in enumerate(times):
        if number in lost:
            frames.append(Seen(now, tracked=False))
            continue
        earlier = [t for k, t in enumerate(times[:number]) if k not in lost]
        before = earlier[-1] if earlier else now
        if settled_at is None and now >= settled_s:
            settled_at = Instant(before, now)
        if began is None and now > turn_s:
            began = Instant(before, now)
        turning = turn_s < now < done_s
        if rested is None and now >= done_s:
            rested = Instant(before, now)
        state = CASE if settled_s <= now <= turn_s else SOLVED if now >= done_s else None
        frames.append(
            Seen(
                now, True, turning, began if turning else None, state, settled_at if state else None, rested,
                now >= done_s,
            )
        )  # fmt: skip
    return frames


def test_a_slip_before_the_first_turn_is_not_the_first_turn() -> None:
    """A glint is taken for a turn; the case stands there as before for 0.4 s, and then a layer turns."""
    frames = []
    for now in (round(0.1 * k, 1) for k in range(20)):
        slip, turning = 0.5 <= now <= 0.6, 1.1 <= now <= 1.5
        began = Instant(0.4, 0.5) if slip else Instant(1.0, 1.1) if turning else None
        rested = Instant(0.6, 0.7) if 0.7 <= now < 1.1 else Instant(1.5, 1.6) if now >= 1.6 else None
        state = None if slip or turning or now < 0.2 else SOLVED if now >= 1.6 else CASE
        settled_at = Instant(0.1, 0.2) if state is not None else None
        frames.append(
            Seen(now, True, slip or turning, began, state, settled_at, rested, one_colour=now >= 1.6)
        )
    (ended,) = run(frames)
    assert ended.result == "done" and ended.execution is not None
    assert ended.recognition.seconds == pytest.approx(1.05 - 0.15)
    assert ended.execution.seconds == pytest.approx(1.55 - 1.05)


@given(
    gaps=st.lists(st.floats(0.005, 0.09), min_size=120, max_size=200),
    recognition=st.floats(0.3, 1.5),
    execution=st.floats(0.3, 1.2),
    lost=st.sets(st.integers(0, 199), max_size=6),
)
def test_true_durations_lie_within_the_uncertainty_that_is_told(
    gaps: list[float], recognition: float, execution: float, lost: set[int]
) -> None:
    """Any frame times, dropped and untracked frames included."""
    times = np.cumsum(gaps).tolist()
    settled_s = 0.2
    turn_s, done_s = settled_s + recognition, settled_s + recognition + execution
    frames = attempt(times, settled_s, turn_s, done_s, frozenset(lost - {0}))
    inside = [f for f in frames if f.turning]
    if times[-1] < done_s + 0.1 or not inside or not any(f.settled == CASE for f in frames):
        return
    if not any(f.tracked and f.time_s >= done_s for f in frames):
        return
    (ended,) = run(frames)
    assert ended.result == "done" and ended.execution is not None
    assert abs(ended.recognition.seconds - recognition) <= ended.recognition.pm_s + 1e-9
    assert abs(ended.execution.seconds - execution) <= ended.execution.pm_s + 1e-9


def steady(frames: int, rate: float = 30.0) -> list[float]:
    return [k / rate for k in range(frames)]


def test_at_30_frames_a_second_the_uncertainty_is_one_frame() -> None:
    (ended,) = run(attempt(steady(120), 0.5, 1.5, 3.0))
    assert ended.recognition.pm_s == pytest.approx(1 / 30)
    assert ended.execution is not None and ended.execution.pm_s == pytest.approx(1 / 30)


def test_a_cube_put_away_after_its_first_turn_is_lost_and_before_it_no_attempt() -> None:
    frames = attempt(steady(60), 0.5, 1.5, 9.0)
    away = [Seen(2.0 + k / 10, tracked=False) for k in range(60)]
    assert [ended.result for ended in run(frames + away)] == ["lost"]
    assert run(frames[:40] + away) == []


def test_a_hand_that_looked_like_a_turn_is_taken_back() -> None:
    """The same state stands again, unturned: the clock of the recognition goes on from where it began."""
    frames = attempt(steady(40), 0.5, 99.0, 100.0)
    alarm = Seen(frames[-1].time_s + 0.03, True, turning=True)
    begun = next(f.settled_at for f in frames if f.settled_at)
    calm = [Seen(alarm.time_s + 0.1 + k / 30, True, False, None, CASE, begun) for k in range(60)]
    turn_s = calm[-1].time_s + 0.01
    rest = attempt([turn_s + 0.02 + k / 30 for k in range(60)], 0.0, turn_s, turn_s + 1.0)
    (ended,) = run([*frames, alarm, *calm, *rest])
    assert ended.recognition.seconds == pytest.approx(turn_s - 0.5, abs=0.07)


def test_another_case_before_the_end_and_time_running_backwards() -> None:
    timer = AttemptTimer()
    for frame in attempt(steady(60), 0.5, 1.5, 9.0):
        assert timer.see(frame) is None
    assert timer.phase == "running"
    assert timer.see(Seen(0.0, True)) is None and timer.phase == "idle", "a recording that began anew"
    assert timer.stop() is None
    for frame in attempt(steady(60), 0.5, 1.5, 9.0):
        timer.see(frame)
    ended = timer.stop()
    assert ended is not None and ended.result == "unfinished" and ended.execution is None


def test_a_solved_cube_starts_no_clock() -> None:
    frames = [Seen(k / 30, True, False, None, SOLVED, Instant(0, 0.1), None, True) for k in range(60)]
    assert run(frames) == []


# whole clips


def watched(
    source: Path, tmp_path: Path | None = None, **options: object
) -> tuple[list[FrameReport], Session]:
    watcher = Watcher(default_profile(), **options)  # type: ignore[arg-type]
    journal = Journal(tmp_path / "journal.db") if tmp_path else None
    reports = []
    with FrameStream(source_named(str(source)), pace="every") as stream:
        session = Session(stream, watcher, journal=journal)
        while True:
            report, _ = session.advance(2.0)
            if report is not None:
                reports.append(report)
            elif stream.ended:
                break
    session.finish()
    watcher.close()
    if journal is not None:
        journal.close()
    return reports, session


def truth_of(name: str) -> dict:
    return json.loads((DATA / f"{name}.json").read_text(encoding="utf-8"))


def test_an_attempt_is_told_at_once_as_later_from_the_journal() -> None:
    """Also where a duration lies half way between two hundredths, as often at 30 frames a second."""
    ended = []
    for frame in range(40, 120):
        settled, turned, rested = (
            Instant((at - 1) / 30, at / 30, share) for at, share in ((11, 0.5), (frame, 0.25), (150, 0.75))
        )
        ended.append(Timed(CASE, settled, settled.until(turned), turned.until(rested), "done"))
    for one in ended:
        session = Session(cast(Any, None), cast(Any, None))
        session._begun = _Begun("e0-sune", 0, 4, None, 1.0)
        session._keep(one, 4.0)
        journal = _cells(Row(1, session.attempts[0]))
        seen, turned = (re.findall(r"\d+\.\d\d", cell) for cell in journal[4:6])
        assert re.findall(r"\d+\.\d\d", attempt_words(one)) == seen + turned
        assert re.findall(r"\d+\.\d\d", _last_words(one)) == [seen[0], turned[0]]


def code_of(truth: dict) -> str:
    """The studio lists edges clockwise [UF, UL, UB, UR]; ours are [UF, UR, UB, UL]."""
    layer, place = truth["last_layer"], (0, 3, 2, 1)
    state = LastLayer(
        truth["n"],
        tuple(layer["corner_perm"]),
        tuple(layer["corner_orient"]),
        tuple(place[layer["edge_perm"][k]] for k in place),
        tuple(layer["edge_flip"][k] for k in place),
    )
    return case_of(state)[0].code


@pytest.fixture(scope="module")
def turning(tmp_path_factory: pytest.TempPathFactory) -> tuple[list[FrameReport], Session, Path]:
    folder = tmp_path_factory.mktemp("turning")
    reports, session = watched(DATA / "clip_turning", folder)
    return reports, session, folder


def test_an_executed_sequence_is_timed_to_the_frame(
    turning: tuple[list[FrameReport], Session, Path],
) -> None:
    reports, session, folder = turning
    truth = truth_of("clip_turning")
    interval_s = 1 / truth["fps"]
    (attempt,) = session.attempts
    assert attempt.case == code_of(truth) and attempt.result == "done"
    settled_s = next(report.time_s for report in reports if report.settled)
    assert attempt.recognition_s == pytest.approx(truth["first_turn_s"] - settled_s, abs=interval_s)
    assert attempt.execution_s == pytest.approx(truth["solved_s"] - truth["first_turn_s"], abs=interval_s)
    assert attempt.execution_pm_s is not None and 0 < attempt.execution_pm_s <= 2 * interval_s
    with Journal(folder / "journal.db") as journal:
        assert [row.attempt for row in journal.rows()] == [attempt]


def test_while_layers_turn_nothing_wrong_is_shown_as_settled(
    turning: tuple[list[FrameReport], Session, Path],
) -> None:
    truth = truth_of("clip_turning")
    for report, frame in zip(turning[0], truth["frames"], strict=True):
        if report.settled:
            wanted = "e0-solved" if frame["top_one_colour"] else code_of(truth)
            assert report.case == wanted, frame["frame"]
            # a layer that has only just set out may not be told from one at rest
            assert frame["turning"] is None or abs(frame["turning"]["degrees"]) < 10, frame["frame"]
    assert all(report.pose is not None for report in turning[0]), "followed through every turn"


def test_a_tilted_cube_settles_on_its_case_and_stays_there() -> None:
    truth = truth_of("clip_tilting")
    reports, _ = watched(DATA / "clip_tilting")
    tracked = sum(report.pose is not None for report in reports)
    assert tracked >= 0.99 * len(reports)
    assert {report.case for report in reports if report.settled} == {code_of(truth)}
    first = next(report.number for report in reports if report.settled)
    assert first <= 5 and all(report.settled for report in reports[first:])
    for report, frame in zip(reports, truth["frames"], strict=True):
        quad = report.quad_xy()
        assert quad is not None
        wanted = np.array(frame["top_quad"])
        off = min(np.abs(np.roll(quad, k, axis=0) - wanted).max() for k in range(4))
        assert off < 0.35 * np.linalg.norm(wanted[1] - wanted[0]) / truth["n"], frame["frame"]


def test_a_squeezed_source_is_watched_as_what_it_shows(tmp_path: Path) -> None:
    """Pixels three quarters as fine across as down: drawn out once, and told in pixels of the source."""
    truth, narrow = truth_of("clip_tilting"), tmp_path / "narrow"
    narrow.mkdir()
    for path in sorted((DATA / "clip_tilting").glob("*.jpg")):
        wide_high = round(0.75 * truth["width"]), truth["height"]
        cv2.imwrite(str(narrow / f"{path.stem}.png"), cv2.resize(cv2.imread(str(path)), wide_high))
    reports, _ = watched(narrow)
    assert [report.reshaped for report in reports].count(True) == 1
    assert reports[-1].settled and reports[-1].case == code_of(truth)
    quad, wanted = reports[-1].quad_xy(), np.array(truth["frames"][-1]["top_quad"]) * (0.75, 1.0)
    assert quad is not None
    off = min(np.abs(np.roll(quad, k, axis=0) - wanted).max() for k in range(4))
    assert off < 0.35 * np.linalg.norm(wanted[1] - wanted[0]) / truth["n"]
    kept = cv2.imread(str(save_moment(reports[-1], tmp_path / "moments")))
    assert kept.shape[:2] == (truth["height"], round(0.75 * truth["width"])), "as the camera gave it"


def test_a_frame_as_json_has_the_documented_keys() -> None:
    reports, session = watched(DATA / "clip_tilting")
    for report in (reports[0], reports[-1]):
        data = json.loads(json.dumps(frame_json(report)))
        assert list(data) == KEYS
    assert data["settled"] is True and data["size"] == 4 and len(data["quad"]) == 4
    assert session.summary_json()["summary"]["frames"] == len(reports)


def test_a_short_clip_is_answered_before_it_ends_however_slow_the_answers(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Without a window a clip waits for the finder and the reader: their speed changes no line."""
    for picture in sorted((DATA / "clip_tilting").glob("*.jpg"))[:5]:
        shutil.copy(picture, tmp_path)

    def lines() -> list[str]:
        assert watch(str(tmp_path), no_window=True, as_json=True, keep=False) == 0
        return capsys.readouterr().out.splitlines()

    begin = Worker.__init__

    def slowly(worker: Worker, work: Callable[[object], object], **options: object) -> None:
        def late(job: object) -> object:
            time.sleep(0.15)
            return work(job)

        begin(worker, late, **options)  # type: ignore[arg-type]

    at_once = lines()
    monkeypatch.setattr(Worker, "__init__", slowly)
    assert lines() == at_once
    (case,) = json.loads(at_once[-1])["summary"]["cases"]
    assert case == {"code": code_of(truth_of("clip_tilting")), "times": 1}


def test_the_same_clip_as_a_recording(tmp_path: Path) -> None:
    path = tmp_path / "clip.avi"
    writer = cv2.VideoWriter(str(path), cv2.VideoWriter_fourcc(*"MJPG"), 30.0, (320, 240))
    for picture in sorted((DATA / "clip_tilting").glob("*.jpg")):
        writer.write(cv2.imread(str(picture)))
    writer.release()
    reports, _ = watched(path)
    assert {report.case for report in reports if report.settled} == {code_of(truth_of("clip_tilting"))}


def test_turned_over_by_hand_a_mirrored_source_reads_right(tmp_path: Path) -> None:
    for picture in sorted((DATA / "clip_tilting").glob("*.jpg"))[:12]:
        cv2.imwrite(str(tmp_path / f"{picture.stem}.png"), cv2.flip(cv2.imread(str(picture)), 1))
    watcher = Watcher(default_profile())
    watcher.turn_over()
    with FrameStream(source_named(str(tmp_path)), pace="every") as stream:
        session = Session(stream, watcher)
        seen = []
        while not stream.ended or not seen:
            report, _ = session.advance(2.0)
            if report is not None and report.settled:
                seen.append(report)
    watcher.close()
    assert {report.case for report in seen} == {code_of(truth_of("clip_tilting"))}
    truth = truth_of("clip_tilting")["frames"][seen[-1].number]["top_quad"]
    quad = seen[-1].quad_xy()
    assert quad is not None
    wanted = np.array(truth) * [-1, 1] + [320, 0]
    assert np.abs(np.sort(quad, 0) - np.sort(wanted, 0)).max() < 8, (
        "pixels of the picture as the source gave it"
    )


@pytest.mark.parametrize("gains", [(1.0, 1.0, 1.0), (1.3, 0.85, 0.45)], ids=["daylight", "warm lamp"])
def test_a_mirrored_source_is_put_right_by_itself(gains: tuple[float, float, float], tmp_path: Path) -> None:
    """The mirror image of a case is another case: while it is not sure which, none is shown as settled.

    The gains are of linear red, green and blue: invented, about as far from daylight as a 2900 K lamp.
    """
    for picture in sorted((DATA / "clip_tilting").glob("*.jpg")):
        linear = (cv2.imread(str(picture)) / 255.0) ** 2.2 * gains[::-1]
        image_bgr = (np.clip(linear, 0, 1) ** (1 / 2.2) * 255).astype(np.uint8)
        cv2.imwrite(str(tmp_path / f"{picture.stem}.png"), cv2.flip(image_bgr, 1))
    reports, session = watched(tmp_path)
    assert session.watcher.mirrored
    assert {report.case for report in reports if report.settled} == {code_of(truth_of("clip_tilting"))}
