"""Choose the five weights of calibration/second_opinion.py.

    python tests/studio/fit_second.py [--sides | --of-2] FOLDER [FOLDER...]

for the top face of cubes that have a middle there, for their sides, or for 2x2x2.

Each FOLDER holds pictures with truth beside them (TRUTH.md), traced by bulk_sets.py: never those that are
scored. One weight after the other is moved a step up or down as long as a mark rises, over the pictures whose
visible stickers settle the case: the mean log probability of the true case (at least that of one in a
thousand), and the share that is named rightly, less ten times the share that is named wrongly. The first
alone favours saying little, the second alone is decided by a few pictures. Cubes are found once.
"""

from __future__ import annotations

import argparse
from dataclasses import asdict
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration import second_opinion
from vision.found import Found
from vision.locate import find_cubes
from vision.pipeline import read_whole
from vision.scoring import marked
from vision.truth import Truth, truths_in

STEPS = {"own_top": 0.1, "second_top": 0.1, "own_side": 0.3, "second_side": 0.1, "lean": 0.35}
DIVIDED_BY = ("second_top", "second_side")
LEAST = 1e-3
PRICE = 10
Seen = tuple[Truth, NDArray[np.uint8], Found]


def scored(seen: list[Seen], name_of: str, weights: dict[str, float]) -> float:
    """The mark of these weights, printed with what it is made of."""
    setattr(second_opinion, name_of, second_opinion.Weights(**weights))
    log_shares, right, wrong = [], 0, 0
    for truth, image_bgr, found in seen:
        answer = read_whole(image_bgr, find=lambda image_bgr, size=None, found=found: found).answer
        told = {one.code: one.probability for one in answer.candidates}
        log_shares.append(np.log(max(told.get(truth.code or "", 0.0), LEAST)))
        outcome = marked(answer, truth).outcome
        right, wrong = right + (outcome == "right"), wrong + (outcome == "wrong")
    mean = float(np.mean(log_shares))
    shown = ", ".join(f"{name} {value:.2f}" for name, value in weights.items())
    print(f"{mean:.4f} nats, {right} right, {wrong} wrong of {len(seen)}: {shown}", flush=True)
    return mean + (right - PRICE * wrong) / len(seen)


def main() -> None:
    """Search, printing every step."""
    seen: list[Seen] = []
    parser = argparse.ArgumentParser()
    parser.add_argument("--sides", action="store_true", help="weights for sides")
    parser.add_argument("--of-2", action="store_true", help="weights for 2x2x2")
    parser.add_argument("folders", nargs="+", type=Path)
    args = parser.parse_args()
    name_of = "OF_2" if args.of_2 else "ON_SIDES" if args.sides else "ON_TOP"
    for folder in args.folders:
        for truth in truths_in(folder):
            if truth.is_settled and (truth.size == 2) == args.of_2:
                image_bgr = np.asarray(cv2.imread(str(truth.picture)), np.uint8)
                seen.append((truth, image_bgr, find_cubes(image_bgr)))
    weights = asdict(getattr(second_opinion, name_of))
    best = scored(seen, name_of, weights)
    moved = True
    while moved:
        moved = False
        for name, step in STEPS.items():
            for sign in (1, -1):
                # an opinion that stands alone is divided by some of them
                least = step if name in DIVIDED_BY else 0.0
                tried = weights | {name: max(least, weights[name] + sign * step)}
                value = scored(seen, name_of, tried)
                if value > best:
                    best, weights, moved = value, tried, True
                    break


if __name__ == "__main__":
    main()
