"""Reading one picture's stickers: how long beside cv2.aruco's detector, and how often right.

    python tests/bench_reading.py [--toy] [--photos FOLDER]

Time: `read_stickers` on invented cubes (three faces, size 4) beside `ArucoDetector.detectMarkers` on a
1280x720 picture with one marker, in turns in one run, each on one thread; the ratio is what counts.
Quality: invented cubes of several shade sets under several lights, built-in profile; with `--photos`
(pictures with truth, see tests/studio/TRUTH.md) stickers are sampled where the finder puts the cube.
"""

from __future__ import annotations

import argparse
import os
import sys
import time
from pathlib import Path

os.environ.setdefault("OMP_NUM_THREADS", "1")
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))
from sticker_maker import LIGHTS, SETS, albedo, make_samples, random_layer

from calibration.profile import default_profile
from calibration.reading import read_stickers
from models.cases import case_of
from models.decode import decode


def marker_picture() -> np.ndarray:
    """A grey 1280x720 picture with noise and one marker of the detector's 4x4 dictionary."""
    import cv2

    rng = np.random.default_rng(1)
    picture = rng.normal(128, 12, (720, 1280)).clip(0, 255).astype(np.uint8)
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50)
    marker = cv2.aruco.generateImageMarker(dictionary, 7, 300)
    picture[180:540, 450:810] = 255
    picture[210:510, 480:780] = marker
    return picture


def times(rounds: int) -> None:
    """Print both medians and their ratio."""
    import cv2

    cv2.setNumThreads(1)
    picture = marker_picture()
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50)
    detector = cv2.aruco.ArucoDetector(dictionary, cv2.aruco.DetectorParameters())
    rng = np.random.default_rng(2)
    cubes = [
        make_samples(albedo("usual"), light, rng, layer=random_layer(rng, 4))[0]
        for light in sorted(LIGHTS) * 3
    ]
    for samples in cubes:
        read_stickers(samples)
    ours, theirs = [], []
    for turn in range(rounds):
        began = time.perf_counter()
        read_stickers(cubes[turn % len(cubes)], tops=(0,))
        ours.append(time.perf_counter() - began)
        began = time.perf_counter()
        _, ids, _ = detector.detectMarkers(picture)
        theirs.append(time.perf_counter() - began)
        assert ids is not None and int(np.ravel(ids)[0]) == 7
    a, b = np.median(ours) * 1e3, np.median(theirs) * 1e3
    print(f"read_stickers {a:6.2f} ms   detectMarkers {b:6.2f} ms   ratio {a / b:.2f}   ({rounds} rounds)")


def quality(count: int) -> None:
    """Right, claimed and honest, by shade set, where the stickers in view settle the case."""
    scheme = default_profile().scheme
    print("shade set         settled  right  named>=0.9  wrong>=0.9  true among candidates")
    for name in SETS:
        rng = np.random.default_rng(3)
        rows = []
        while len(rows) < count:
            layer = random_layer(rng, 4)
            light = sorted(LIGHTS)[int(rng.integers(len(LIGHTS)))]
            samples, labels = make_samples(albedo(name), light, rng, layer=layer)
            code = case_of(layer)[0].code
            loglik = np.where(labels[..., None] == np.arange(6), 0.0, -30.0) * (
                samples.coverage[..., None] > 0
            )
            if decode(loglik, scheme=scheme, tops=(0,)).case_probabilities[code] < 0.98:
                continue
            posterior = read_stickers(samples).posterior
            sure = posterior.probability >= 0.9
            right = posterior.code == code
            rows.append((right, right and sure, sure and not right, code in dict(posterior.candidates)))
        share = 100.0 * np.array(rows, float).mean(axis=0)
        right, named, wrong, listed = (f"{one:.1f} %" for one in share)
        print(f"{name:18s}{len(rows):6d}  {right:>7s}  {named:>8s}  {wrong:>9s}  {listed:>12s}")


def photos(folder: Path) -> None:
    """Settled photographs with truth, through the finder; a third by the names' hash is held out."""
    import hashlib

    import cv2

    from vision.pipeline import read_whole
    from vision.truth import truths_in

    groups: dict[str, list[tuple[bool, float]]] = {"tuning thirds": [], "held out": []}
    for truth in truths_in(folder):
        if not truth.is_settled:
            continue
        reading = read_whole(cv2.imread(str(truth.picture))).reading
        posterior = reading.posterior if reading else None
        found = (False, 0.0) if posterior is None else (posterior.code == truth.code, posterior.probability)
        held = int(hashlib.sha256(truth.picture.stem.encode()).hexdigest(), 16) % 3 == 0
        groups["held out" if held else "tuning thirds"].append(found)
    for name, rows in groups.items():
        right, sure = np.array([r for r, _ in rows]), np.array([p >= 0.9 for _, p in rows])
        print(
            f"{name}: {len(rows)} settled, right {100 * right.mean():.1f} %, "
            f"right and >= 0.9 {100 * (right & sure).mean():.1f} %, "
            f"wrong and >= 0.9 {100 * (~right & sure).mean():.1f} %"
        )


def main() -> None:
    """Parse the command line and run."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--toy", action="store_true", help="a few rounds, to see that it runs")
    parser.add_argument("--photos", type=Path, help="folder of pictures with truth")
    options = parser.parse_args()
    times(6 if options.toy else 200)
    quality(5 if options.toy else 200)
    if options.photos:
        photos(options.photos)


if __name__ == "__main__":
    main()
