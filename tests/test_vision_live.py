"""The window: what it shows, that it costs no display where there is none, and that it ends cleanly.

Pictures are judged by measure (text inside the panel, contrast, change); tests that open a real window need
an X server for themselves (Xvfb) and are left out where there is none.
"""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from dataclasses import replace
from functools import partial
from http.server import SimpleHTTPRequestHandler, ThreadingHTTPServer
from itertools import combinations
from pathlib import Path
from types import SimpleNamespace

import cv2
import numpy as np
import pytest

from calibration.profile import default_profile
from models.attempt import Attempt
from models.cases import CASES
from models.decode import decode
from models.errors import LastlookError
from models.journal import Journal
from models.layer import LastLayer
from models.library import load_library
from models.permutation import PERMUTATION_CASES, permutation_of
from vision.evidence import Verdict
from vision.frame_report import FrameReport
from vision.live import Screen, draw_cube, window_problem
from vision.live_words import shown_at
from vision.moments import save_moment
from vision.naming import USUAL
from vision.session import Session, frame_line
from vision.stream import FrameStream
from vision.stream_source import source_named
from vision.truth import truth_of
from vision.watcher import Watcher

DATA = Path(__file__).parent / "data"
CLIP = DATA / "clip_tilting"


@pytest.fixture(scope="module")
def settled() -> FrameReport:
    """A frame of the studio's clip in which the case is settled."""
    watcher = Watcher(default_profile())
    try:
        with FrameStream(source_named(str(CLIP)), pace="every") as stream:
            session = Session(stream, watcher)
            for _ in range(12):
                report, _ = session.advance(5.0)
                assert report is not None
                if report.settled:
                    return report
    finally:
        watcher.close()
    raise AssertionError("the clip did not settle")


def test_the_whole_picture_in_many_window_shapes(settled: FrameReport) -> None:
    screen = Screen(at_once=True)
    shown = shown_at(settled, [])
    for wh in ((1280, 720), (640, 480), (500, 900), (100, 50), (1920, 500), (600, 250), (200, 400)):
        canvas = screen.compose(settled, shown, wh)
        assert canvas.shape[0] >= wh[1] and canvas.shape[1] >= wh[0]
        if wh != (100, 50):  # the window stretches what it is given to its own shape
            assert canvas.shape[1] / canvas.shape[0] == pytest.approx(wh[0] / wh[1], rel=0.01)
    plain = screen.compose(replace(settled, pose=None), shown, (1280, 720)).copy()
    drawn = screen.compose(settled, shown, (1280, 720))
    assert (plain != drawn).any(), "the found grid is drawn"


def test_the_panel_says_what_is_known(settled: FrameReport) -> None:
    shown = shown_at(settled, [])
    assert (shown.status, shown.mood, shown.code) == ("Settled", "sure", settled.case)
    assert shown.name == CASES[shown.code].name and shown.cue
    assert shown_at(replace(settled, settled=False, next_view="right"), []).tilt == "right"
    assert shown_at(replace(settled, pose=None), []).status == "Looking for a cube"
    assert shown_at(replace(settled, turning=True), []).status == "Layer turning"
    assert shown_at(None, [], notice="camera 0: busy").notice == "camera 0: busy"
    for unsettled in (replace(settled, settled=False), replace(settled, turning=True), None):
        assert shown_at(unsettled, []).code == "", "no case is named that is not settled"


def test_a_saved_moment_is_a_picture_with_its_truth_guess(settled: FrameReport, tmp_path: Path) -> None:
    path = save_moment(settled, tmp_path / "moments")
    truth = truth_of(path)
    wanted = json.loads((DATA / "clip_tilting.json").read_text(encoding="utf-8"))
    assert truth.size == 4 and truth.code == settled.case
    assert (cv2.imread(str(path)) == settled.image_bgr).all()
    guess = json.loads(path.with_suffix(".json").read_text(encoding="utf-8"))
    assert guess["guess"] is True and guess["facelets"]["U"] in [
        np.rot90(np.array(wanted["facelets"]["U"]), k).tolist() for k in range(4)
    ]
    (tmp_path / "file").write_text("")
    with pytest.raises(LastlookError):
        save_moment(settled, tmp_path / "file" / "below")


@pytest.mark.parametrize("hidden", [(3, 4, 5), (3, 4)])
def test_no_sequence_is_suggested_for_a_guessed_permutation(hidden: tuple[int, ...]) -> None:
    """An oriented 4x4x4: two sides in view leave open how the other two edges are, three do not."""
    scheme = (0, 2, 5, 1, 3, 4)
    state = PERMUTATION_CASES["T"].state(4)
    true = np.array(scheme)[state.facelets()]
    loglik = np.where(true[..., None] == np.arange(6), 0.0, -20.0)
    loglik[list(hidden)] = 0.0
    posterior = decode(loglik, scheme=scheme, mirror=False)
    verdict = Verdict(posterior, None, True, "e0-solved", 1.0)
    report = SimpleNamespace(
        verdict=verdict,
        pose=SimpleNamespace(size=4),
        settled=True,
        turning=False,
        mirrored=False,
        front_side=None,
        naming=USUAL,
        begun=None,
        open_sizes=(),
    )
    session = Session(None, None, library=load_library())  # type: ignore[arg-type]
    found = session.suggestions(verdict)
    shown = shown_at(report, found)  # type: ignore[arg-type]
    if len(hidden) == 3:
        assert found == [] and ("show the back side" in shown.advice or "show the left side" in shown.advice)
        assert shown.left == ""
    else:
        assert found and shown.advice == "" and len(shown.doing) == len(found)
        assert shown.left == "Left: permutation T"
        # one whose class has no sequence in the library is not taken for solved
        bare = shown_at(report, [])  # type: ignore[arg-type]
        assert bare.advice == "No sequence is stored for this permutation yet."
        for one in found:
            assert state.then(LastLayer.after(f"{one.first} {one.turns}", 4)) == LastLayer.solved(4)


def test_what_it_may_be_is_shown_as_the_cube_lies(settled: FrameReport) -> None:
    scheme = (0, 2, 5, 1, 3, 4)
    true = np.array(scheme)[LastLayer.after("R U R' U R U2 R' U", 4).facelets()]
    loglik = np.zeros((6, 4, 4, 6))
    loglik[0] = np.where(true[0][..., None] == np.arange(6), 0.0, -20.0)
    posterior = decode(loglik, scheme=scheme, tops=(0,), mirror=False)
    verdict = Verdict(posterior, "ambiguous", False, posterior.code, posterior.probability)
    shown = shown_at(replace(settled, verdict=verdict, settled=False, next_view="right"), [])
    top = true[0] == scheme[0]
    corners = [top[-1, -1], top[-1, 0], top[0, 0], top[0, -1]]
    assert len(shown.candidates) > 1
    assert all([t == 0 for t in one.twist] == corners for one in shown.candidates)


def test_a_cube_in_question_has_its_front_marked(settled: FrameReport) -> None:
    """Which side is meant by "the right side" is to be seen before the case is settled, too."""
    fronts = []
    for front in (face for face in range(6) if face not in (settled.top, 3)):
        picture = settled.image_bgr.copy()
        assert settled.pose is not None
        draw_cube(picture, settled.pose, 1.0, replace(settled, settled=False, front=front))
        fronts.append(picture)
    assert all((one != other).any() for one, other in combinations(fronts, 2))


@pytest.mark.parametrize("turns", ["R U2 R' U' R U' R'", "U2 L' U R U' L U R'"])
def test_the_permutation_after_a_sequence_is_what_the_engine_finds_after_it(
    settled: FrameReport, turns: str
) -> None:
    scheme = (0, 2, 5, 1, 3, 4)
    state = LastLayer.solved(3).then(LastLayer.after("F R U R' U' F' R U R' U R U2 R'", 3))
    true = np.array(scheme)[state.facelets()]
    loglik = np.where(true[..., None] == np.arange(6), 0.0, -20.0)
    posterior = decode(loglik, scheme=scheme, mirror=False)
    assert settled.verdict is not None
    verdict = replace(settled.verdict, posterior=posterior, case=posterior.code)
    first = SimpleNamespace(turns=turns, first="", length=7, etm=7)
    shown = shown_at(replace(settled, verdict=verdict), [first])  # type: ignore[list-item]
    after = state.then(LastLayer.after(turns, 3))
    left = permutation_of(after)[0]
    assert shown.left == f"After it: permutation {left}"
    line = frame_line(replace(settled, newly_settled=True), turns, ("After it", f"permutation {left}"))
    assert line.endswith(f": {turns}; after it permutation {left}")


# the command


def command(*arguments: str) -> list[str]:
    return [sys.executable, "-m", "vision", *arguments]


def ran(tmp_path: Path, *arguments: str, **more: str) -> subprocess.CompletedProcess[str]:
    """The command's outcome, with a folder and a journal of its own; ``more`` goes into its environment."""
    return subprocess.run(
        command(*arguments), capture_output=True, text=True, env=environment(tmp_path, **more), cwd=tmp_path,
        timeout=120,
    )  # fmt: skip


def environment(tmp_path: Path, **more: str) -> dict[str, str]:
    plain = {k: v for k, v in os.environ.items() if k not in ("DISPLAY", "WAYLAND_DISPLAY")}
    root = str(Path(__file__).parent.parent)
    return {**plain, "LASTLOOK_JOURNAL": str(tmp_path / "journal.db"), "PYTHONPATH": root, **more}


@pytest.mark.parametrize("display", [None, ":987"])
def test_without_a_display_watch_says_why_and_prints_what_it_prints_without_a_window(
    display: str | None, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv("WAYLAND_DISPLAY", raising=False)
    monkeypatch.setenv("DISPLAY", display or "")
    why = window_problem()
    assert why is not None and ("DISPLAY" if display is None else display) in why
    more = {} if display is None else {"DISPLAY": display}
    asked = ran(tmp_path, "watch", str(CLIP), "--no-window", **more)
    done = ran(tmp_path, "watch", str(CLIP), **more)
    assert asked.stderr == "" and asked.stdout != ""
    assert (done.returncode, done.stdout) == (asked.returncode, asked.stdout)
    assert done.stderr.count("\n") == 1 and why in done.stderr


@pytest.mark.parametrize("source", ["979", "http://127.0.0.1:9/video"])
def test_without_a_display_a_camera_that_stays_away_is_given_up_as_without_a_window(
    source: str, tmp_path: Path
) -> None:
    done = ran(tmp_path, "watch", source, "--patience", "0")
    assert done.returncode == 1 and done.stdout == ""
    first, *others = done.stderr.splitlines()
    assert "DISPLAY" in first and "lines" in first and others
    assert not any("window" in line for line in others)


def test_a_sitting_before_the_camera_names_its_own_way_on_where_there_is_no_display(tmp_path: Path) -> None:
    done = ran(tmp_path, "calibrate", "desk", "--camera", "979")
    assert done.returncode == 1 and "DISPLAY" in done.stderr and "--no-window" in done.stderr


def test_json_without_a_window_and_the_journal_afterwards(tmp_path: Path) -> None:
    replace(default_profile(), name="desk").save(tmp_path / "handed-on.json")
    done = ran(tmp_path, "watch", str(DATA / "clip_turning"), "--json", "--profile", "handed-on.json")
    assert done.returncode == 0 and done.stderr == ""
    lines = [json.loads(line) for line in done.stdout.splitlines()]
    assert [line["frame"] for line in lines[:-1]] == list(range(111))
    (attempt,) = lines[-1]["summary"]["attempts"]
    assert attempt["result"] == "done" and attempt["cube"] == "desk"  # as if it were called by name
    assert json.loads(ran(tmp_path, "journal", "--json").stdout) == {"id": 1, **attempt}
    assert attempt["case"] in ran(tmp_path, "journal").stdout
    heading, row = ran(tmp_path, "journal", "--csv").stdout.splitlines()
    assert heading.startswith("id,at,cube,size,case,angle") and attempt["case"] in row.split(",")
    gone = ran(tmp_path, "journal", "forget", "1", "--yes")
    assert gone.returncode == 0 and "1 attempt forgotten" in gone.stdout
    with Journal(tmp_path / "journal.db") as journal:
        assert len(journal) == 0


def test_a_journal_that_cannot_be_kept_is_told_with_the_way_out(tmp_path: Path) -> None:
    (tmp_path / "journal.db").write_text("no journal")
    done = ran(tmp_path, "watch", str(CLIP), "--json")
    assert (done.returncode, done.stdout) == (1, "") and done.stderr.count("\n") == 1
    assert "journal.db" in done.stderr and "--no-journal" in done.stderr


def test_a_recording_behind_an_address_is_worked_off_like_a_file(tmp_path: Path) -> None:
    """Its end shows once it is opened: no frame is dropped while the cube is looked for."""
    paths = sorted(CLIP.glob("*.jpg"))
    high, wide = cv2.imread(str(paths[0])).shape[:2]
    clip = tmp_path / "clip.avi"
    writer = cv2.VideoWriter(str(clip), cv2.VideoWriter_fourcc(*"MJPG"), 20.0, (wide, high))
    assert writer.isOpened()
    for path in paths:
        writer.write(cv2.imread(str(path)))
    writer.release()
    handler = partial(QuietHandler, directory=str(tmp_path))
    with ThreadingHTTPServer(("127.0.0.1", 0), handler) as server:
        threading.Thread(target=server.serve_forever, args=(0.05,), daemon=True).start()
        address = f"http://127.0.0.1:{server.server_address[1]}/clip.avi"
        done = ran(tmp_path, "watch", address, "--json", "--no-journal")
        server.shutdown()
    assert done.returncode == 0
    lines = [json.loads(line) for line in done.stdout.splitlines()]
    assert [line["frame"] for line in lines[:-1]] == list(range(len(paths)))
    there = json.loads(ran(tmp_path, "watch", str(clip), "--json", "--no-journal").stdout.splitlines()[-1])
    assert lines[-1]["summary"]["settled"] == there["summary"]["settled"]


class QuietHandler(SimpleHTTPRequestHandler):
    def log_message(self, *_: object) -> None:
        pass


@pytest.mark.parametrize(
    "arguments, words",
    [
        (["watch", "no-such-clip.mp4", "--json"], "no such file"),
        (["watch", "ftp://host/x", "--json"], "http"),
        (["journal", "--json", "--csv"], "choose one"),
        (["journal", "--case", "e9-nothing"], "unknown case"),
        (["journal", "--since", "yesterday"], "no date"),
        (["journal", "--since", "0001-01-01T00:00+14:00"], "too far away"),
        (["journal", "forget", "--before", "9999-12-31T23:59-12:00"], "too far away"),
        (["journal", "forget"], "nothing chosen"),
        (["journal", "forget", "7"], "no attempt 7"),
    ],
)
def test_wrong_usage_is_one_line_and_status_2(tmp_path: Path, arguments: list[str], words: str) -> None:
    done = ran(tmp_path, *arguments)
    assert done.returncode == 2 and words in done.stderr and done.stderr.count("\n") == 1


def test_an_empty_answer_of_the_journal_says_which_it_is(tmp_path: Path) -> None:
    chosen = ("journal", "--case", "e1-solved")
    assert "no attempts in the journal yet" in ran(tmp_path, *chosen).stdout
    done = Attempt("2026-11-25T12:00:00.000Z", "", 4, "e0-sune", 0, None, 1.0, 0.1, None, None, "lost", 1.0)
    with Journal(tmp_path / "journal.db") as journal:
        journal.add(done)
    for arguments in (chosen, ("journal", "--since", "2026-11-26")):
        assert "no such attempts" in ran(tmp_path, *arguments).stdout


def test_ctrl_c_ends_a_camera_cleanly_and_keeps_the_journal(tmp_path: Path) -> None:
    done = Attempt("2026-11-25T12:00:00.000Z", "", 4, "e0-sune", 0, None, 1.0, 0.1, None, None, "lost", 1.0)
    with Journal(tmp_path / "journal.db") as journal:
        journal.add(done)
    child = subprocess.Popen(
        command("watch", "http://127.0.0.1:9/video", "--json"),
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=environment(tmp_path),
    )  # fmt: skip
    assert child.stderr is not None
    assert "trying again" in child.stderr.readline()
    child.send_signal(signal.SIGINT)
    out, rest = child.communicate(timeout=20)
    assert child.returncode == 0 and "Traceback" not in rest and out == ""
    with Journal(tmp_path / "journal.db") as journal:
        assert [row.attempt for row in journal.rows()] == [done]


# a real window


@pytest.fixture
def display() -> Iterator[str]:
    server = shutil.which("Xvfb")
    if server is None:
        pytest.skip("no Xvfb here: apt-get install xvfb runs the tests of the window")
    read, write = os.pipe()
    child = subprocess.Popen(
        [server, "-displayfd", str(write), "-screen", "0", "1400x900x24", "-nolisten", "tcp"],
        pass_fds=[write], stderr=subprocess.DEVNULL,
    )  # fmt: skip
    os.close(write)
    with os.fdopen(read) as told:
        number = told.readline().strip()
    assert number, "the X server did not start"
    yield f":{number}"
    child.terminate()
    child.wait(timeout=10)


DRIVER = """
import sys, time
import cv2
from pathlib import Path
from calibration.profile import default_profile
from vision.live import Window, window_problem
from vision.stream_source import source_named
from vision.session import Session, frame_line
from vision.stream import FrameStream
from vision.watch import WindowWatch
from vision.watcher import Watcher

assert window_problem() is None
watcher = Watcher(default_profile(), live=True)
source = source_named(sys.argv[1])
with FrameStream(source, pace="clock", frame_rate=8) as stream, Window(any_shape=True) as window:
    session = Session(stream, watcher)
    runner = WindowWatch(session, dark=True, moments=Path(sys.argv[2]))
    keys = iter(sys.argv[3].split(","))
    show = window.show
    state = {"settled": 0, "shown": 0}

    def pressed(canvas, arrived=None):
        key = show(canvas, arrived)
        state["shown"] += 1
        state["settled"] += session.settled > 0
        if state["settled"] and state["settled"] % 3 == 0:
            key = next(keys, "q")
            print("key", repr(key), canvas.shape, runner._panel().status, flush=True)
        return key

    window.show = pressed
    begun = time.monotonic()
    runner.run(window, stop=lambda: time.monotonic() - begun > 60)
watcher.close()
print("ended", session.settled > 0, watcher.mirrored, watcher.front_wanted)
"""


def test_a_real_window_takes_its_keys_and_ends(display: str, tmp_path: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-c", DRIVER, str(CLIP), str(tmp_path / "moments"), "f,n, , ,t,h,h,s,m,q"],
        capture_output=True, text=True, timeout=120, env=environment(tmp_path, DISPLAY=display),
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert "Traceback" not in done.stderr
    lines = done.stdout.splitlines()
    assert lines[-1] == "ended True True far"
    assert any("'Frozen'" in line or "Frozen" in line for line in lines)
    assert len(list((tmp_path / "moments").glob("*.png"))) == 1
    assert len(list((tmp_path / "moments").glob("*.json"))) == 1


RESIZED = """
import cv2, numpy as np, time
from vision.live import TITLE, Window

with Window(any_shape=True) as window:
    for wh in ((600, 850), (1200, 400), (600, 250)):
        window.show(np.zeros((720, 1280, 3), np.uint8))
        cv2.resizeWindow(TITLE, *wh)
        until = time.monotonic() + 10
        while window.wh != wh and time.monotonic() < until:
            window.show(np.zeros((720, 1280, 3), np.uint8))
        print(*window.wh)
"""


def test_the_window_gives_its_whole_room(display: str, tmp_path: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-c", RESIZED],
        capture_output=True, text=True, timeout=120, env=environment(tmp_path, DISPLAY=display),
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert done.stdout.splitlines() == ["600 850", "1200 400", "600 250"]


def test_the_command_in_a_window_draws_and_stops_on_ctrl_c(display: str, tmp_path: Path) -> None:
    child = subprocess.Popen(
        command("watch", str(CLIP), "--frame-rate", "5"),
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=environment(tmp_path, DISPLAY=display),
    )  # fmt: skip
    time.sleep(9)
    assert child.poll() is None, child.communicate()
    child.send_signal(signal.SIGINT)
    out, err = child.communicate(timeout=30)
    assert (child.returncode, out, err) == (0, "", "")
