"""Fit the two weights of calibration/second_opinion.py.

    python tests/studio/fit_second.py FOLDER [FOLDER...]

Each FOLDER holds pictures with truth beside them (TRUTH.md), traced by bulk_sets.py: never those that are
scored. Over the stickers of the top layers the truth (top's colour or not) is regressed on the vote of the
colours and on the network's log odds, alone and together; what is printed is nats a sticker, the share of
wrong signs, and the coefficients. OWN_VOTE and SECOND_VOTE are the coefficients of both together over that of
the colours alone, for the decoder's temperature is made for the colours alone.
"""

from __future__ import annotations

import sys
from pathlib import Path

import cv2
import numpy as np
from scipy.optimize import minimize

from vision.pipeline import read_whole, turned_to
from vision.pose import FACES
from vision.scoring import turn_between
from vision.top_colour import look_at
from vision.truth import Truth, truths_in

AROUND = "BRFL"
FAR = 0.15
LIMIT_NATS = 12.0


def votes(truth: Truth) -> np.ndarray | None:
    """(N, 3): the colours' vote and the network's for the top's colour, nats, and the truth, 0 or 1."""
    image_bgr = cv2.imread(str(truth.picture))
    read = read_whole(image_bgr)
    if read.reading is None or truth.code is None or truth.top_quad_xy is None or read.cube is None:
        return None
    pose, n = turned_to(read.cube.pose, 0, None), read.reading.loglik.shape[1]
    off = np.subtract(np.mean(truth.top_quad_xy, axis=0), pose.face_quad_xy("U").mean(0))
    look = look_at(image_bgr, pose)
    edge_px = pose.focal_px / float(np.linalg.norm(pose.translation))
    if n != truth.size or look is None or read.samples is None or np.hypot(*off) > FAR * edge_px:
        return None
    turn = turn_between(read.answer, truth)
    is_top = np.full((6, n, n), -1)
    colour = truth.facelets["U"][1][1]
    own_top = np.array([[c == colour for c in row] for row in truth.facelets["U"]])
    is_top[0] = np.rot90(own_top, -turn)
    for i, side in enumerate(AROUND):
        is_top[FACES.index(AROUND[(i + turn) % 4]), 0] = [c == colour for c in truth.facelets[side][0]]
    loglik = read.reading.loglik
    middle = loglik[0, 1:-1, 1:-1].reshape(-1, 6).sum(0).argmax()
    others = np.delete(loglik, middle, axis=-1)
    own = loglik[..., middle] - np.logaddexp.reduce(others, axis=-1) + np.log(5.0)
    asked = (look.log_odds != 0) & (is_top >= 0) & (read.samples.coverage > 0.05)
    own = np.clip(own, -LIMIT_NATS, LIMIT_NATS)
    return np.stack([own[asked], look.log_odds[asked], is_top[asked]], axis=1)


def main() -> None:
    """Print the three regressions."""
    rows = [votes(truth) for folder in sys.argv[1:] for truth in truths_in(Path(folder))]
    found = np.concatenate([row for row in rows if row is not None])
    sign = 2 * found[:, 2] - 1
    for name, use in (("colours", [1, 0]), ("network", [0, 1]), ("both", [1, 1])):

        def loss(p: np.ndarray, use: list[int] = use) -> float:
            return float(np.logaddexp(0, -sign * (found[:, :2] @ (p[:2] * use) + p[2])).mean())

        fitted = minimize(loss, (0.5, 0.5, 0.0))
        told = found[:, :2] @ (fitted.x[:2] * use) + fitted.x[2]
        wrong = float((np.sign(told) != sign).mean())
        print(
            f"{name:8s} {fitted.fun:.4f} nats, {100 * wrong:.2f} % wrong of {len(found)}, {fitted.x.round(3)}"
        )


if __name__ == "__main__":
    main()
