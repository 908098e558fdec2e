"""How much that is read stays right in altered pictures: `python tests/bench_altered.py [FOLDER...]`.

Each FOLDER holds pictures with truth beside them (tests/studio/TRUTH.md); without one, and with --toy, those
of sample_images. Every picture is read as it is and altered in many ways that leave its truth alone: turned,
made larger and smaller, darker and brighter, in a warmer and a cooler light, noisy, blurred, compressed, drab
and vivid. Printed by alteration: of the pictures whose visible stickers settle the case how many are named
rightly, otherwise or left open, and how many without a case are named. Then the pictures of which the outcome
hangs on the alteration: there what changed is known, so these are the ones to look at.
"""

from __future__ import annotations

import argparse
import os
import sys
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import Final

os.environ.setdefault("OMP_NUM_THREADS", "1")
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import cv2
import numpy as np
from joblib import Parallel, delayed
from numpy.typing import NDArray

from calibration.colour import srgb_to_linear
from vision.pipeline import read_picture
from vision.sources import load_photo
from vision.truth import Truth, truths_in

Image = NDArray[np.uint8]
SAMPLES: Final = Path(__file__).parents[1] / "sample_images"


def levels(values: NDArray[np.floating]) -> Image:
    """Pixels as bytes."""
    return np.asarray(np.clip(np.rint(values), 0, 255), np.uint8)


def turned(degrees: float) -> Callable[[Image], Image]:
    """Turned about its middle and made a little smaller; the edges are filled with their mirror image."""

    def alter(bgr: Image) -> Image:
        high, wide = bgr.shape[:2]
        matrix = cv2.getRotationMatrix2D((wide / 2, high / 2), degrees, 0.95)
        return np.asarray(cv2.warpAffine(bgr, matrix, (wide, high), borderMode=cv2.BORDER_REFLECT), np.uint8)

    return alter


def sized(scale: float) -> Callable[[Image], Image]:
    """So many times as large."""
    way = cv2.INTER_AREA if scale < 1 else cv2.INTER_CUBIC
    return lambda bgr: np.asarray(cv2.resize(bgr, None, fx=scale, fy=scale, interpolation=way), np.uint8)


def lit(blue: float, green: float, red: float) -> Callable[[Image], Image]:
    """In linear light times so much; what is over white is lost."""

    def alter(bgr: Image) -> Image:
        linear = np.clip(srgb_to_linear(bgr / 255.0) * (blue, green, red), 0.0, 1.0)
        shown = np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * linear ** (1 / 2.4) - 0.055)
        return levels(255.0 * shown)

    return alter


def coloured(share: float) -> Callable[[Image], Image]:
    """With so much of the distance of each pixel from its own grey."""

    def alter(bgr: Image) -> Image:
        grey = bgr.mean(axis=2, keepdims=True)
        return levels(grey + share * (bgr - grey))

    return alter


def noisy(deviation: float) -> Callable[[Image], Image]:
    """With Gaussian noise of so many levels."""
    return lambda bgr: levels(bgr + np.random.default_rng(1).normal(0, deviation, bgr.shape))


def blurred(sigma_px: float) -> Callable[[Image], Image]:
    """Out of focus."""
    return lambda bgr: np.asarray(cv2.GaussianBlur(bgr, (0, 0), sigma_px), np.uint8)


def moved(length_px: int) -> Callable[[Image], Image]:
    """Moved sideways while it was taken."""
    kernel = np.full((1, length_px), 1.0 / length_px)
    return lambda bgr: np.asarray(cv2.filter2D(bgr, -1, kernel), np.uint8)


def compressed(quality: int) -> Callable[[Image], Image]:
    """As a JPEG of that quality."""

    def alter(bgr: Image) -> Image:
        written = cv2.imencode(".jpg", bgr, [cv2.IMWRITE_JPEG_QUALITY, quality])[1]
        return np.asarray(cv2.imdecode(written, cv2.IMREAD_COLOR), np.uint8)

    return alter


WAYS: Final[dict[str, Callable[[Image], Image]]] = {
    "as it is": lambda bgr: bgr,
    "turned by 5 degrees": turned(5),
    "turned by -5 degrees": turned(-5),
    "turned by 20 degrees": turned(20),
    "turned by -20 degrees": turned(-20),
    "half as large": sized(0.5),
    "0.6 times as large": sized(0.6),
    "0.8 times as large": sized(0.8),
    "1.5 times as large": sized(1.5),
    "twice as large": sized(2.0),
    "0.3 times the light": lit(0.3, 0.3, 0.3),
    "0.6 times the light": lit(0.6, 0.6, 0.6),
    "1.3 times the light": lit(1.3, 1.3, 1.3),
    "1.8 times the light": lit(1.8, 1.8, 1.8),
    "warm": lit(0.75, 1.0, 1.2),
    "very warm": lit(0.5, 1.0, 1.35),
    "cool": lit(1.2, 1.0, 0.8),
    "very cool": lit(1.5, 1.0, 0.7),
    "drab": coloured(0.7),
    "very drab": coloured(0.5),
    "vivid": coloured(1.4),
    "noise of 8 levels": noisy(8.0),
    "noise of 16 levels": noisy(16.0),
    "blurred by 1.2 pixels": blurred(1.2),
    "blurred by 2.2 pixels": blurred(2.2),
    "moved by 9 pixels": moved(9),
    "JPEG of quality 35": compressed(35),
    "JPEG of quality 15": compressed(15),
}


def outcomes(truth: Truth, ways: list[str]) -> dict[str, str]:
    """What becomes of one picture, by alteration; "" where nothing is asked of it."""
    cv2.setNumThreads(1)
    bgr = load_photo(truth.picture).image_bgr
    out = {}
    for way in ways:
        answer = read_picture(WAYS[way](bgr))
        if truth.code is None:
            out[way] = "no case, named" if answer.ok else "no case, refused"
        elif not truth.is_settled:
            out[way] = ""
        elif answer.case is None:
            out[way] = "open"
        else:
            out[way] = "right" if answer.case.code == truth.code and not answer.mirrored else "otherwise"
    return out


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folders", nargs="*", type=Path)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--toy", action="store_true", help="two samples, four alterations")
    options = parser.parse_args()
    truths = [truth for folder in options.folders or [SAMPLES] for truth in truths_in(folder)]
    ways = list(WAYS)
    if options.toy:
        truths, ways = truths[:2], ways[:4]
    if not truths:
        sys.exit("no picture with truth beside it in these folders")
    read = Parallel(n_jobs=options.jobs)(delayed(outcomes)(truth, ways) for truth in truths)
    columns = ("right", "otherwise", "open", "no case, refused", "no case, named")
    print(f"{'':24s}" + "".join(f"{name:>18s}" for name in columns))
    for way in ways:
        count = Counter(one[way] for one in read)
        print(f"{way:24s}" + "".join(f"{count[name]:18d}" for name in columns))
    for truth, one in zip(truths, read, strict=True):
        odd = [way for way in ways if one[way] not in ("", one[ways[0]])]
        if odd:
            print(f"{truth.picture.name}: {one[ways[0]]} as it is, not so: {', '.join(odd)}")


if __name__ == "__main__":
    main()
