"""How often a watch is right over whole clips with truth: what it settles on, takes for a turn, and times.

    python tests/bench_clips.py [--toy] [--jobs 2] [--passing] [FOLDER...]

Each FOLDER holds clips as tests/studio/TRUTH.md has them (``tests/studio/bulk_clips.py`` traces as many as
wanted); without one, the two of tests/data are watched. Every frame waits for its reading, at 30 frames a
second of the clip's own time. The outside truth are the renderer's state, poses and turning times. With
``--passing`` each clip is watched five times, with a bar, an arm, a cup, a sleeve before it.
"""

from __future__ import annotations

import argparse
import itertools
import json
import os
import sys
from collections import Counter
from dataclasses import dataclass
from multiprocessing import Pool
from pathlib import Path
from typing import Any

os.environ.setdefault("OMP_NUM_THREADS", "1")
sys.path.insert(0, str(Path(__file__).parent.parent))

import cv2
import numpy as np
from passing_by import PASSERS, Passer

from calibration.profile import default_profile
from models.cases import case_of
from models.layer import LastLayer
from vision.evidence import SOLVED
from vision.frame_report import FrameReport
from vision.stream import StreamFrame
from vision.timing import Timed
from vision.watcher import Watcher

FPS = 30.0
#: a settled case counts while the top's corners lie so near their truth, in stickers
NEAR_CELLS = 1.0
#: frames after the last turn in which the old verdict may still stand
GRACE = 2
PASSES_FROM = 12
PRINTED = (
    "clips",
    "clips that settled before a turn",
    "clips with a wrong settled frame",
    "clips with a turn where none was",
    "frames before a turn",
    "of these settled",
    "taken for a turn",
    "wrongly",
    "sequences",
    "timed",
    "as closely as said, to a frame",
)


@dataclass(frozen=True)
class Seen:
    """What one clip came to: counts, and the errors in seconds of an attempt that was timed."""

    counts: Counter[str]
    start_s: float | None = None
    execution_s: float | None = None


def last_layer(truth: dict[str, Any]) -> LastLayer:
    """The state at the beginning; truth files list edges clockwise, UF UL UB UR."""
    layer, size = truth["last_layer"], truth["n"]
    corners, twist = tuple(layer["corner_perm"]), tuple(layer["corner_orient"])
    if size == 2:
        return LastLayer(size, corners, twist, (), ())
    order = (0, 3, 2, 1)
    edges = tuple(order[layer["edge_perm"][slot]] for slot in order)
    return LastLayer(size, corners, twist, edges, tuple(layer["edge_flip"][slot] for slot in order))


def is_right(report: FrameReport, frame: dict[str, Any], state: LastLayer) -> bool:
    """Whether the settled case is that of ``state`` from the side that the report calls front."""
    quad, truth = report.quad_xy(), np.array(frame["top_quad"])
    if quad is None:
        return False
    cell_px = np.linalg.norm(truth - np.roll(truth, -1, 0), axis=1).mean() / state.size
    gaps = [np.linalg.norm(np.roll(quad, k, 0) - truth, axis=1).mean() / cell_px for k in range(4)]
    codes = {case_of(state.turned(quarters))[0].code for quarters in range(4)}
    return min(gaps) < NEAR_CELLS and report.case in codes


def watched(path: Path, passer: Passer | None = None) -> Seen:
    """Watch one clip, with something that passes before the cube from frame ``PASSES_FROM`` on."""
    truth = json.loads(path.read_text())
    state, turning = last_layer(truth), truth["motion"] == "turning"
    first = int(truth["first_turn_s"] * FPS) if turning else truth["frame_count"]
    solved = int(np.ceil(truth["solved_s"] * FPS)) if turning else truth["frame_count"]
    watcher, counts, timed = Watcher(default_profile()), Counter(clips=1), list[Timed]()
    for number, frame in enumerate(truth["frames"]):
        image = cv2.imread(str(path.with_suffix("") / f"f{number:03d}.jpg"))
        shown = np.asarray(image, np.uint8)
        if passer is not None:
            shown = passer.over(shown, np.array(frame["top_quad"]), number - PASSES_FROM)
        report = watcher.step(StreamFrame(shown, number, number / FPS, 0.0))
        if report.ended is not None:
            timed.append(report.ended)
        if number < first:
            counts["frames before a turn"] += 1
            counts["of these settled"] += report.settled
            counts["wrongly"] += report.settled and not is_right(report, frame, state)
            counts["taken for a turn"] += report.turning
        elif number >= solved + GRACE:
            counts["wrongly"] += report.settled and report.case != SOLVED
    watcher.close()
    counts["clips that settled before a turn"] = int(counts["of these settled"] > 0)
    counts["clips with a wrong settled frame"] = int(counts["wrongly"] > 0)
    counts["clips with a turn where none was"] = int(counts["taken for a turn"] > 0)
    if not turning:
        return Seen(counts)
    counts["sequences"] = 1
    if not timed or timed[0].execution is None:
        return Seen(counts)
    one = timed[0]
    start_s = one.settled_at.best_s + one.recognition.seconds - truth["first_turn_s"]
    execution_s = one.execution.seconds - (truth["solved_s"] - truth["first_turn_s"])
    counts["timed"] = 1
    counts["as closely as said, to a frame"] = int(abs(execution_s) <= one.execution.pm_s + 1 / FPS)
    return Seen(counts, start_s, execution_s)


def main() -> None:
    """See the module's docstring."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folders", nargs="*", type=Path)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--toy", action="store_true", help="one clip of each folder")
    parser.add_argument("--passing", action="store_true", help="things pass before the cube")
    options = parser.parse_args()
    cv2.setNumThreads(1)
    folders = options.folders or [Path(__file__).parent / "data"]
    clips = [path for folder in folders for path in _clips(folder)[: 1 if options.toy else None]]
    with Pool(options.jobs) as pool:
        passers = PASSERS.values() if options.passing else (None,)
        results = pool.starmap(watched, itertools.product(clips, passers), chunksize=1)
    total = sum((one.counts for one in results), Counter[str]())
    for name in PRINTED:
        print(f"{name:36} {total[name]:6}")
    for name, errors_s in (
        ("first turn", [one.start_s for one in results if one.start_s is not None]),
        ("turning time", [one.execution_s for one in results if one.execution_s is not None]),
    ):
        if errors_s:
            off_s = np.abs(errors_s)
            middle_s, most_s = float(np.median(off_s)), float(off_s.max())
            print(f"{name + ' off by, seconds':36} {middle_s:6.3f} in the middle, {most_s:.3f} at most")


def _clips(folder: Path) -> list[Path]:
    """Truth files of clips in a folder."""
    return [path for path in sorted(folder.glob("*.json")) if path.with_suffix("").is_dir()]


if __name__ == "__main__":
    main()
