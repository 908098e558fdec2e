"""By how much the learned finder beats a classical one; both on the same pictures, one thread.

    python tests/bench_finder.py [--toy] [FOLDER...]

FOLDER holds pictures with truth beside them (``top_quad``, ``n``); sample_images by default. The learned
side is vision/locate.py, the classical one tests/classical_finder.py. A face counts as found when its
corners, taken round from any of them, lie within half a sticker of the true top face's. Neither side is asked
which face is the top: any face in view of the first cube counts for the learned one, any face that it reports
for the classical one. Pictures without a cube are there for the false alarms; those whose top face is covered
are left out. The time is that of finding alone, the picture decoded.
"""

from __future__ import annotations

import argparse
import os
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

os.environ.setdefault("OMP_NUM_THREADS", "1")  # before anything loads numpy

import cv2
import numpy as np
from classical_finder import find_faces
from numpy.typing import NDArray

from vision.locate import find_cubes
from vision.sources import load_photo
from vision.truth import Truth, truths_in

ROOT = Path(__file__).parent.parent
WITHIN_STICKERS = 0.5
#: (corners (4, 2) in pixels, layers) of each face in view
Faces = list[tuple[NDArray[np.float64], int]]


def learned(image_bgr: Any) -> Faces:
    """Faces in view of the first cube, the one turned most upwards first."""
    cubes = find_cubes(image_bgr).cubes
    if not cubes:
        return []
    pose = cubes[0].pose
    faces = sorted(pose.visible_faces(), key="UFRLBD".index)
    return [(pose.face_quad_xy(face), pose.size) for face in faces]


def classical(image_bgr: Any) -> Faces:
    """Faces of the classical finder, the uppermost first."""
    return [(face.quad_xy, face.size) for face in find_faces(image_bgr)]


SIDES: dict[str, Callable[[Any], Faces]] = {"learned": learned, "classical": classical}


def off_stickers(quad_xy: NDArray[np.float64], truth: Truth) -> float:
    """The largest corner distance from the true top face, in its stickers' mean width."""
    assert truth.top_quad_xy is not None and truth.size is not None
    true = np.array(truth.top_quad_xy)
    width = np.hypot(*(true - np.roll(true, 1, 0)).T).mean() / truth.size
    rounds = [np.roll(way, k, 0) for way in (quad_xy, quad_xy[::-1]) for k in range(4)]
    return float(min(np.hypot(*(corners - true).T).max() for corners in rounds) / width)


@dataclass
class Tally:
    """What one side did: by picture whether the face was found and n right with it, false alarms, seconds."""

    found: list[bool] = field(default_factory=list)
    sized: list[bool] = field(default_factory=list)
    alarms: list[bool] = field(default_factory=list)
    seconds: list[float] = field(default_factory=list)

    def add(self, faces: Faces, truth: Truth, seconds: float) -> None:
        self.seconds.append(seconds)
        if truth.reason == "no-cube":
            self.alarms.append(bool(faces))
        elif truth.top_quad_xy is not None and truth.reason != "top-hidden":
            near = [n for quad, n in faces if off_stickers(quad, truth) <= WITHIN_STICKERS]
            self.found.append(bool(near))
            self.sized.append(truth.size in near)


def table(title: str, tallies: dict[str, Tally]) -> None:
    """Shares of both sides and the margin in percentage points; time in milliseconds."""
    a, b = tallies["learned"], tallies["classical"]
    print(f"{title:34} {'pictures':>8} {'learned':>9} {'classical':>9} {'margin':>8}")
    rows: list[tuple[str, Sequence[bool], Sequence[bool]]] = [
        ("top face found", a.found, b.found),
        ("found and n right", a.sized, b.sized),
        ("reported where no cube is", a.alarms, b.alarms),
    ]
    for name, mine, theirs in rows:
        if mine:
            one, other = 100 * np.mean(mine), 100 * np.mean(theirs)
            print(f"  {name:32} {len(mine):8} {one:7.1f} % {other:7.1f} % {one - other:+8.1f}")
    if a.sized:
        only = sum(x and not y for x, y in zip(a.sized, b.sized, strict=True))
        only_other = sum(y and not x for x, y in zip(a.sized, b.sized, strict=True))
        print(f"  {'right on this side alone':32} {len(a.sized):8} {only:9} {only_other:9}")
    mine_ms, theirs_ms = 1e3 * np.median(a.seconds), 1e3 * np.median(b.seconds)
    print(f"  {'median milliseconds':32} {len(a.seconds):8} {mine_ms:9.1f} {theirs_ms:9.1f}\n")


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("folders", nargs="*", type=Path, metavar="FOLDER")
    parser.add_argument("--toy", action="store_true", help="four pictures of each folder")
    options = parser.parse_args()
    cv2.setNumThreads(1)
    everything = {side: Tally() for side in SIDES}
    folders = options.folders or [ROOT / "sample_images"]
    for folder in folders:
        tallies = {side: Tally() for side in SIDES}
        truths = truths_in(folder)
        for truth in truths[::-4][:4] if options.toy else truths:
            image = load_photo(str(truth.picture)).image_bgr
            for side, find in SIDES.items():
                began = time.perf_counter()
                faces = find(image)
                seconds = time.perf_counter() - began
                for tally in (tallies[side], everything[side]):
                    tally.add(faces, truth, seconds)
        table(folder.name, tallies)
    if len(folders) > 1:
        table("all folders", everything)


if __name__ == "__main__":
    main()
