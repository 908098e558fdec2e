"""Choose the five weights of calibration/second_opinion.py.

    python tests/studio/fit_second.py FOLDER [FOLDER...]

Each FOLDER holds pictures with truth beside them (TRUTH.md), traced by bulk_sets.py: never those that are
scored. One weight after the other is moved a step up or down as long as a mark rises, over the pictures whose
visible stickers settle the case: the mean log probability of the true case (at least that of one in a
thousand), and the share that is named rightly, less ten times the share that is named wrongly. The first
alone favours saying little, the second alone is decided by a few pictures. Cubes are found once.
"""

from __future__ import annotations

import sys
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration import second_opinion
from vision.locate import Found, find_cubes
from vision.pipeline import read_whole
from vision.scoring import marked
from vision.truth import Truth, truths_in

STEPS = {"OWN_TOP": 0.1, "SECOND_TOP": 0.1, "OWN_SIDE": 0.3, "SECOND_SIDE": 0.1, "LEAN": 0.35}
LEAST = 1e-3
PRICE = 10
Seen = tuple[Truth, NDArray[np.uint8], Found]


def scored(seen: list[Seen], weights: dict[str, float]) -> float:
    """The mark of these weights, printed with what it is made of."""
    for name, value in weights.items():
        setattr(second_opinion, name, value)
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
    for folder in sys.argv[1:]:
        for truth in truths_in(Path(folder)):
            if truth.is_settled:
                image_bgr = np.asarray(cv2.imread(str(truth.picture)), np.uint8)
                seen.append((truth, image_bgr, find_cubes(image_bgr)))
    weights = {name: float(getattr(second_opinion, name)) for name in STEPS}
    best = scored(seen, weights)
    moved = True
    while moved:
        moved = False
        for name, step in STEPS.items():
            for sign in (1, -1):
                tried = weights | {name: max(0.0, weights[name] + sign * step)}
                value = scored(seen, tried)
                if value > best:
                    best, weights, moved = value, tried, True
                    break


if __name__ == "__main__":
    main()
