"""How long one picture takes, beside a detector of printed markers on the same picture; one thread each.

    python tests/bench_read.py [--toy] [PICTURE...]

cv2.aruco.ArucoDetector.detectMarkers is the bar: a marker is made to be found, a cube is not. Both run in
turn on the same pixels in the same process, the median counts. Then the whole command is timed as a user
runs it, with where its time goes.
"""

from __future__ import annotations

import argparse
import os
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

ROOT = Path(__file__).parent.parent
STAGES = ("locate", "sample", "classify", "decode")


def milliseconds(work: Callable[[], object]) -> float:
    began = time.perf_counter()
    work()
    return 1e3 * (time.perf_counter() - began)


def beside_markers(pictures: list[Path], rounds: int) -> None:
    import cv2

    from models.library import load_library
    from vision.pipeline import read_picture
    from vision.sources import load_photo

    def fitted(path: Path) -> cv2.typing.MatLike:
        """The picture at 1280 x 720 or 720 x 1280 pixels, cut in the middle where its shape differs."""
        image = load_photo(str(path)).image_bgr
        high, wide = image.shape[:2]
        width, height = (1280, 720) if wide >= high else (720, 1280)
        scale = max(width / wide, height / high)
        larger = cv2.resize(image, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
        y, x = (larger.shape[0] - height) // 2, (larger.shape[1] - width) // 2
        return larger[y : y + height, x : x + width].copy()

    cv2.setNumThreads(1)
    library = load_library()
    detector = cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50))
    print(f"{'picture':28} {'markers':>9} {'read':>9} {'ratio':>6}   " + "".join(f"{s:>9}" for s in STAGES))
    ratios = []
    for path in pictures:
        image = fitted(path)
        read_picture(image, library=library)  # loads the networks once
        markers, reads, stages = [], [], []
        for _ in range(rounds):
            markers.append(milliseconds(lambda image=image: detector.detectMarkers(image)))
            began = time.perf_counter()
            answer = read_picture(image, library=library)
            reads.append(1e3 * (time.perf_counter() - began))
            stages.append([1e3 * answer.seconds.get(stage, 0.0) for stage in STAGES])
        ratio = statistics.median(reads) / statistics.median(markers)
        ratios.append(ratio)
        split = "".join(f"{statistics.median(row[i] for row in stages):9.1f}" for i in range(len(STAGES)))
        both = f"{statistics.median(markers):9.1f} {statistics.median(reads):9.1f}"
        print(f"{path.stem[:28]:28} {both} {ratio:6.2f}   {split}")
    print(f"{'median ratio (bar: 1.5)':48} {statistics.median(ratios):6.2f}   milliseconds\n")


def whole_command(picture: Path, rounds: int) -> None:
    """The process as a user runs it, and what its parts cost alone."""
    parts = {
        "python alone": ["-c", "pass"],
        "and numpy": ["-c", "import numpy"],
        "and OpenCV": ["-c", "import numpy, cv2"],
        "and lastlook's modules": [
            "-c",
            "import vision.cli_read, vision.pipeline, vision.sources, models.library",
        ],
        "lastlook read PICTURE": ["-m", "vision", "read", str(picture)],
    }
    print(f"whole process, {picture.name}, milliseconds (median of {rounds}, bytecode cached as usual)")
    with tempfile.TemporaryDirectory() as cache:
        env = {key: value for key, value in os.environ.items() if key != "PYTHONDONTWRITEBYTECODE"}
        env["PYTHONPYCACHEPREFIX"] = cache
        for name, arguments in parts.items():

            def once(command: tuple[str, ...] = (sys.executable, *arguments)) -> None:
                subprocess.run(command, cwd=ROOT, env=env, capture_output=True, check=False)

            once()  # fills the bytecode cache
            print(f"  {name:28} {statistics.median(milliseconds(once) for _ in range(rounds)):9.0f}")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("pictures", nargs="*", type=Path)
    parser.add_argument("--toy", action="store_true", help="two pictures, three rounds")
    options = parser.parse_args()
    os.environ.setdefault("OMP_NUM_THREADS", "1")  # before anything loads numpy
    pictures = options.pictures or sorted((ROOT / "sample_images").glob("*.jpg"))
    beside_markers(pictures[:2] if options.toy else pictures, 3 if options.toy else 15)
    whole_command(pictures[0], 1 if options.toy else 5)


if __name__ == "__main__":
    main()
