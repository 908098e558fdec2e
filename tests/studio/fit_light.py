"""Fit how light and camera move a cube's colours: writes calibration/data/light.json.

    python tests/studio/fit_light.py FOLDER... [--out FILE]

Each FOLDER is one that bulk_sets.py filled: one cube a folder in it, under many lights. The numbers kept here
come from 5 shade sets (none of those held out) in two sizes, 18 pictures a cube and its 2 solved ones:

    bulk_sets.py OUT cuda --sets standard,bright,deep,vinyl,pastel --sizes 3,4 --pictures 18 --width 512
                          --height 288 --spp 48 --seed S --cameras plain (S = 11, 12, 13) or any (S = 14, 15)

Every picture is found and sampled as the program does it, labelled by its truth, and says its 18 class means
(calibration.adapt.words_of). Expectation-maximisation over the moves of calibration.lamps, each cube's own
means integrated out.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from calibration.adapt import PictureWord, cube_posterior, words_of
from calibration.labelling import labelled_picture
from calibration.lamps import MOVES, light_moves
from calibration.light import prepare
from calibration.profile import COLOURS, Profile, default_profile
from models.cube import rotation_permutations

FACES = "URFDLB"
HARD = {"glare_heavy", "dim", "motion_blur", "top_occluded_part"}
#: standard deviations, log units, by which a cube may be lighter or of another hue than the general model's
WIDE = (0.35, 0.25)


def true_labels(truth: dict, grids: dict, coverage: np.ndarray) -> np.ndarray | None:
    """Colour index (6, n, n) of every sticker well in view, in the frame the cube was found in, -1 elsewhere.

    None where the grid does not lie on the cube.
    """
    n = truth["n"]
    told = np.full((6, n, n), -1)
    for face, grid in grids.items():
        nodes = np.array(grid)
        centres = (nodes[1:, 1:] + nodes[:-1, :-1] + nodes[1:, :-1] + nodes[:-1, 1:]).reshape(-1, 2) / 4
        for one in truth["stickers"]:
            if not one["xy"] or one["visible"] < 0.6:
                continue
            apart = np.hypot(*(centres - one["xy"]).T)
            k = int(apart.argmin())
            if apart[k] < 0.3 * one["thin_px"]:
                told[FACES.index(face), k // n, k % n] = COLOURS.index(one["colour"])
    known = told >= 0
    if known.sum() < 6:
        return None
    colours = np.array([[[COLOURS.index(c) for c in row] for row in truth["facelets"][f]] for f in FACES])
    turned = [colours.ravel()[turn].reshape(colours.shape) for turn in rotation_permutations(n)]
    best = max(turned, key=lambda one: int((one[known] == told[known]).sum()))
    if (best[known] == told[known]).mean() < 0.95:
        return None
    return np.where(coverage > 0.5, best, -1)


def words_in(folder: Path) -> list[PictureWord]:
    """What each picture of one cube says of its class means."""
    from vision.pipeline import read_whole
    from vision.sources import load_photo

    model = default_profile().model
    prepared, out = prepare(Profile("fitting", model)), []
    for path in sorted(folder.glob("*.jpg")):
        truth = json.loads(path.with_suffix(".json").read_text())
        whole = read_whole(load_photo(str(path)).image_bgr, size=truth["n"])
        if whole.samples is None or HARD & set(truth["tags"]):
            continue
        labels = true_labels(truth, whole.answer.grids, whole.samples.coverage)
        if labels is None or (labels >= 0).sum() < 8:
            continue
        out += words_of(model, prepared, [labelled_picture(whole.samples, labels, model)])
    return out


def fit_moves(cubes: Sequence[Sequence[PictureWord]], steps: int = 25) -> tuple[np.ndarray, float]:
    """Covariance (13, 13) of the moves and the variance left, from the pictures of each cube."""
    model = default_profile().model
    own = WIDE[0] ** 2 * np.ones((3, 3)) + WIDE[1] ** 2 * np.eye(3)
    cube_cov = model.picture_cov + np.kron(np.eye(6), own)
    means = [model.mean.reshape(18)] * len(cubes)
    moves_cov, rest = 0.1 * np.eye(MOVES), 0.02
    for _ in range(steps):
        moments, left, count = np.zeros((MOVES, MOVES)), 0.0, 0
        for i, words in enumerate(cubes):
            moves = light_moves(means[i], model.floor)
            light_cov = moves @ moves_cov @ moves.T + rest * np.eye(18)
            means[i], cov = cube_posterior(words, model.mean.reshape(18), cube_cov, light_cov)
            moves = light_moves(means[i], model.floor)
            inverse = np.linalg.inv(moves @ moves_cov @ moves.T + rest * np.eye(18))
            for word in words:
                within = np.linalg.inv(inverse + word.precision)
                off = within @ (inverse @ means[i] + word.pull) - means[i]
                lost = within @ inverse - np.eye(18)
                moment = np.outer(off, off) + within + lost @ cov @ lost.T
                gain = moves_cov @ moves.T @ inverse
                moments += gain @ moment @ gain.T + moves_cov - gain @ moves @ moves_cov
                left += rest**2 * np.trace(inverse @ moment @ inverse)
                left += 18.0 * rest - rest**2 * np.trace(inverse)
                count += 1
        moves_cov, rest = (moments + moments.T) / 2.0 / count, left / count / 18.0
    return moves_cov, rest


def main() -> None:
    """See the module's docstring."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folders", nargs="+", type=Path)
    parser.add_argument("--out", type=Path, default=Path("calibration/data/light.json"))
    options = parser.parse_args()
    cubes = []
    for folder in options.folders:
        for cube in sorted(one for one in folder.iterdir() if list(one.glob("*.jpg"))):
            cubes.append(words_in(cube))
            print(f"{cube}: {len(cubes[-1])} pictures", flush=True)
    moves_cov, rest = fit_moves([words for words in cubes if words])
    rows = [[float(f"{value:.5g}") for value in row] for row in moves_cov]
    content = {"moves_cov": rows, "rest_var": float(f"{rest:.5g}")}
    options.out.write_text(json.dumps(content, indent=1) + "\n")
    print("standard deviations of the moves:", np.sqrt(np.diag(moves_cov)).round(3), "left:", rest**0.5)


if __name__ == "__main__":
    main()
