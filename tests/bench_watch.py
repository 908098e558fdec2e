"""How fast a watch is, beside OpenCV's marker detector in one run, and whether its memory stays flat.

    python tests/bench_watch.py [--toy] [--minutes 10] [--window]

1. A tracked frame at 1280x720 beside ``cv2.aruco.ArucoDetector.detectMarkers`` on the same frames, both on
   one thread, in CPU time.
2. Composing the window's picture at 1280x720.
3. From a frame's arrival to its answer composed (with ``--window``: shown in a real window), for so many
   minutes at 30 frames a second, with the growth of the resident memory (Linux).
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
import time
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
sys.path.insert(0, str(Path(__file__).parent))
sys.path.insert(0, str(Path(__file__).parent.parent))

import cv2
import numpy as np
from drawn_clip import SCHEME, DrawnCube, held_pose, play

from calibration.profile import default_profile
from models.cube import moves_permutation
from vision.live import Screen, Window, window_problem
from vision.live_words import shown_at
from vision.session import Session
from vision.stream import FrameStream
from vision.stream_source import source_named
from vision.track import Tracker
from vision.watcher import Watcher

WH = (1280, 720)
Image = np.ndarray


def drawn(frames: int) -> list[tuple[Image, object]]:
    """A 4x4x4 swaying in front of the camera, and the pose of each frame."""
    home = np.repeat(np.arange(6, dtype=np.int8), 16)
    facelets = np.array(SCHEME, dtype=np.int8)[home[moves_permutation("R U R' U R U2 R'", 4)]]
    sway = np.sin(2 * np.pi * np.arange(frames) / frames)
    nod = np.sin(4 * np.pi * np.arange(frames) / frames)
    poses = [
        held_pose(4, WH, azimuth_deg=30 + 30 * s, elevation_deg=48 + 10 * d, roll_deg=4 * s)
        for s, d in zip(sway, nod, strict=True)
    ]
    clip = play(DrawnCube(facelets.reshape(6, 4, 4)), poses, [], WH, finger=True)
    return [(frame.image_bgr, frame.pose) for frame in clip]


def rendered() -> list[Image]:
    """The studio's tilting clip, enlarged to the same size."""
    folder = Path(__file__).parent / "data" / "clip_tilting"
    pictures = [cv2.imread(str(path)) for path in sorted(folder.glob("*.jpg"))]
    return [cv2.resize(p, (1280, 960), interpolation=cv2.INTER_CUBIC)[120:840].copy() for p in pictures]


def quantiles(values_s: list[float]) -> str:
    ms = np.array(values_s) * 1000
    return f"median {np.median(ms):6.2f} ms   p99 {np.percentile(ms, 99):6.2f} ms   ({len(ms)} times)"


def tracking(frames: list[Image], pose: object, name: str) -> None:
    detector = cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50))
    tracker = Tracker(frames[0], pose)  # type: ignore[arg-type]
    tracker.follow(frames[0])
    detector.detectMarkers(frames[0])
    ours: list[float] = []
    theirs: list[float] = []
    lost = 0
    for frame in frames[1:]:
        begun = time.process_time()
        detector.detectMarkers(frame)
        middle = time.process_time()
        lost += tracker.follow(frame) is None
        theirs.append(middle - begun)
        ours.append(time.process_time() - middle)
    print(f"{name}: a tracked frame   {quantiles(ours)}, {lost} lost")
    print(f"{name}: detectMarkers     {quantiles(theirs)}")
    print(f"{name}: ratio of medians  {np.median(ours) / np.median(theirs):.2f}   (wanted: at most 0.5)")


def composing(frames: list[Image]) -> None:
    from vision.stream import StreamFrame

    watcher, screen = Watcher(default_profile()), Screen()
    spent: list[float] = []
    for number, frame in enumerate(frames):
        report = watcher.step(StreamFrame(frame, number, number / 30, 0.0))
        shown = shown_at(report, [])
        screen.compose(report, shown, WH)
        begun = time.perf_counter()
        screen.compose(report, shown, WH)
        spent.append(time.perf_counter() - begun)
    watcher.close()
    screen.painter.close()
    print(f"composing the window  {quantiles(spent)}   (wanted: at most 4 ms)")


def resident_mb() -> float:
    try:
        for line in Path("/proc/self/status").read_text().splitlines():
            if line.startswith("VmRSS"):
                return int(line.split()[1]) / 1024
    except OSError:
        pass
    return float("nan")


def endurance(frames: list[Image], minutes: float, in_window: bool) -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "clip.avi"
        writer = cv2.VideoWriter(str(path), cv2.VideoWriter_fourcc(*"MJPG"), 30.0, WH)
        for frame in frames:
            writer.write(frame)
        writer.release()
        watcher, screen = Watcher(default_profile(), live=True), Screen()
        window = Window(any_shape=True) if in_window else None
        spent: list[float] = []
        memory: list[float] = []
        next_look_s = 0.0
        with FrameStream(source_named(str(path)), pace="clock", repeat_s=60 * minutes) as stream:
            session = Session(stream, watcher)
            begun = time.monotonic()
            while not stream.ended:
                report, _ = session.advance(0.2)
                if report is None:
                    continue
                canvas = screen.compose(report, shown_at(report, []), WH)
                if window is not None:
                    window.show(canvas)
                spent.append(time.monotonic() - report.arrived_s)
                if time.monotonic() - begun >= next_look_s:
                    memory.append(resident_mb())
                    next_look_s += max(1.0, 60 * minutes / 40)
        watcher.close()
        screen.painter.close()
        if window is not None:
            window.__exit__(None, None, None)
    where = "shown" if in_window else "composed"
    print(f"arrival to answer {where}  {quantiles(spent)}   (wanted: 40 and 80 ms)")
    late = memory[len(memory) // 5 :]
    print(
        f"{session.frames} frames, {stream.dropped} dropped, "
        f"{100 * session.tracked / max(session.frames, 1):.1f} % tracked, "
        f"{100 * session.settled / max(session.frames, 1):.1f} % settled; memory after the first fifth "
        f"{late[0]:.1f} MB, at the end {late[-1]:.1f} MB: growth {late[-1] - late[0]:+.1f} MB"
    )


def main() -> None:
    raw = argparse.RawDescriptionHelpFormatter
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=raw)
    parser.add_argument("--toy", action="store_true", help="small sizes, seconds instead of minutes")
    parser.add_argument("--minutes", type=float, default=10.0)
    parser.add_argument("--window", action="store_true", help="show the frames in a real window")
    options = parser.parse_args()
    if options.window:
        problem = window_problem()
        if problem is not None:
            sys.exit(problem)
    minutes = 0.15 if options.toy else options.minutes
    cv2.setNumThreads(1)
    clip = drawn(40 if options.toy else 180)
    images = [image for image, _ in clip]
    tracking(images, clip[0][1], "drawn   ")
    pictures = rendered()
    from vision.locate import find_cubes

    tracking(pictures, find_cubes(pictures[0]).cubes[0].pose, "rendered")
    composing(images[:30])
    endurance(images, minutes, options.window)


if __name__ == "__main__":
    main()
