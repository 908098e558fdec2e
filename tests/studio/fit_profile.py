"""Fit the built-in profile: calibration/data/default_profile.json.

    python tests/studio/fit_profile.py STICKERS.npz PHOTOS OUT.json [--bulk 250] [--steps 10] [--scatter OLD]

STICKERS.npz comes from bulk_stickers.py; PHOTOS is a folder of pictures with truth beside each (TRUTH.md),
sampled where the finder puts the cube. Every third photo by the hash of its name, and every third bulk
picture, is left out: tests/bench_reading.py reports on those. The covariances are fitted (see
calibration/learning.py); the shares of glare and outliers and the temperature below were chosen by the
likelihood of the true case on the other two thirds. With --scatter only the colours' means and how they vary
between pictures are taken from the fit, the scatter of faces, cells and stickers from another profile.
"""

from __future__ import annotations

import argparse
import hashlib
import json
from dataclasses import replace
from pathlib import Path

import numpy as np

from calibration.colour import log_light, srgb_to_linear
from calibration.learning import LabelledPicture, fit_model
from calibration.modes import PIXEL_NOISE, SPREAD_SHARE
from calibration.profile import COLOURS, ColourModel, Profile, load_profile

FLOOR = 0.02
LEVELS = np.array([0.0, 0.1, 0.35, 1.2, 0.0, -0.06, -0.2])
GLARE_SHARE, OUTLIER_SHARE, TEMPERATURE = 0.03, 0.03, 1.1
#: How far a cube may lie beyond what the shade sets at hand span: brightness, the rest; log units.
NOVELTY = (0.05, 0.03)
#: Least thickness of a sticker of the top face, in pixels, for a bulk picture to teach.
LEAST_PX = 8.0
LOWER_ROWS = 0.15
NOTE = (
    "The six usual colours, from path-traced pictures of many shades of them under lamps from 2700 to 7500 K."
)


def spread(brightness: float, rest: float) -> np.ndarray:
    """Covariance (3, 3) of log light: standard deviations of a common shift and of each channel."""
    return brightness**2 * np.ones((3, 3)) + rest**2 * np.eye(3)


def start_model() -> ColourModel:
    """Where the fit starts: rough albedos of the usual colours and wide guesses (no source)."""
    usual = [[245, 244, 240], [240, 210, 25], [195, 25, 40], [243, 105, 25], [16, 80, 185], [15, 150, 75]]
    light = spread(0.5, 0.0) + np.diag([0.015, 0.002, 0.02])
    bright_tail = spread(0.12, 0.08)
    return ColourModel(
        floor=FLOOR,
        mean=np.log(srgb_to_linear(np.array(usual) / 255.0) * 0.9 + FLOOR),
        picture_cov=np.kron(np.ones((6, 6)), light) + np.kron(np.eye(6), spread(0.25, 0.25)),
        face_cov=spread(0.4, 0.1),
        cell_cov=np.repeat(spread(0.08, 0.1)[None], 6, 0),
        sticker_cov=np.repeat(spread(0.05, 0.04)[None], 6, 0),
        glare_level=LEVELS,
        glare_share=np.array([0.79, 0.04, 0.04, 0.03, 0.05, 0.03, 0.02]),
        # clean, three glares, a shadow or a print, and twice clear of haze
        variant_cov=np.array([np.zeros((3, 3)), *[bright_tail] * 3, spread(0.4, 0.12), *[bright_tail] * 2]),
        outlier_share=0.03,
        outlier_volume=80.0,
        # skin against white, from its usual albedos (from memory, no source)
        cover_share=0.03,
        cover_mean=np.array([-1.0, -1.55, -1.9]),
        cover_cov=spread(0.8, 0.2),
        temperature=1.0,
    )


def labelled(
    linear: np.ndarray, deviation: np.ndarray, seen: np.ndarray, labels: np.ndarray, top: int = 0
) -> LabelledPicture:
    """Stickers more than half seen; those below the top layer count little, being many and alike."""
    clear = (seen > 0.5) & (labels >= 0)
    places = np.argwhere(clear)
    faces = np.unique(places[:, 0])
    light = linear[clear].astype(np.float64)
    in_top_layer = (places[:, 0] == top) | (places[:, 1] == 0)
    noise = PIXEL_NOISE**2 + (SPREAD_SHARE * deviation[clear].astype(np.float64)) ** 2
    return LabelledPicture(
        features=log_light(light, FLOOR),
        face_of=np.searchsorted(faces, places[:, 0]),
        labels=labels[clear].astype(np.intp),
        measure_var=noise / (light + FLOOR) ** 2,
        weight=np.where(in_top_layer, 1.0, LOWER_ROWS),
    )


def from_bulk(path: Path, count: int) -> list[LabelledPicture]:
    """Bulk cubes with at most the last layer unsolved, of the six usual colours, large and open enough."""
    out = []
    with np.load(path) as bulk:
        data = {key: bulk[key] for key in bulk.files}
    for i in range(len(data["n"])):
        n = int(data["n"][i])
        usable = (
            data["state"][i] != "scrambled" and data["family"][i] != "free" and data["thin"][i, 0] > LEAST_PX
        )
        if i % 3 == 0 or not usable or data["seen"][i, 0, :n, :n].mean() < 0.5:
            continue
        cut = (slice(None), slice(0, n), slice(0, n))
        seen = np.where(data["seen"][i] > 0.7, data["cov"][i, 0], 0)[cut]
        out.append(labelled(data["lin"][i, 0][cut], data["spr"][i, 0][cut], seen, data["truth"][i][cut]))
        if len(out) == count:
            break
    return out


def from_photos(folder: Path) -> list[LabelledPicture]:
    """Photos in which the finder's cube has the true size and its stickers lie on the true ones."""
    import cv2

    from models.cube import rotation_permutations
    from models.turns import FACES
    from vision.pipeline import read_whole
    from vision.pose import face_points
    from vision.truth import truths_in

    out = []
    for truth in truths_in(folder):
        stem = truth.picture.stem
        held = int(hashlib.sha256(stem.encode()).hexdigest(), 16) % 3 == 0
        if held or truth.size is None or truth.code is None or truth.top_quad_xy is None:
            continue
        read = read_whole(cv2.imread(str(truth.picture)))
        n = truth.size
        if read.cube is None or read.samples is None or read.samples.size != n:
            continue
        # the whole-cube turn under which the found top face is the true one, corner by corner
        quad = np.array(truth.top_quad_xy)
        best = (np.inf, 0)
        turns = rotation_permutations(n)
        corners = [[0, 0, 0], [0, 0, n - 1], [0, n - 1, n - 1], [0, n - 1, 0]]
        flat = [(f * n + r) * n + c for f, r, c in corners]
        share = (np.arange(n) + 0.5) / n
        columns, rows = np.meshgrid(share, share)
        own = np.concatenate(
            [read.cube.pose.project(face_points(f, columns, rows).reshape(-1, 3)) for f in range(6)]
        )
        middle = quad.mean(0)
        wanted = middle + (quad - middle) * (1 - 1 / n)
        for index, turn in enumerate(turns):
            place = np.argsort(turn)[flat]  # where the true top corners' stickers lie in the found labelling
            best = min(best, (float(np.abs(own[place] - wanted).max()), index))
        if best[0] > 0.35 * np.linalg.norm(quad[0] - quad[1]) / n:
            continue
        facelets = json.loads(truth.picture.with_suffix(".json").read_text())["facelets"]
        true = np.array([[[COLOURS.index(c) for c in row] for row in facelets[f]] for f in FACES])
        labels = true.ravel()[turns[best[1]]].reshape(6, n, n)
        top = int(np.argsort(turns[best[1]])[0]) // (n * n)
        if top == 0:
            s = read.samples
            out.append(labelled(s.linear_rgb, s.spread_rgb, s.coverage, labels))
    return out


def main() -> None:
    """See the module's docstring."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("stickers", type=Path)
    parser.add_argument("photos", type=Path)
    parser.add_argument("out", type=Path)
    parser.add_argument("--bulk", type=int, default=250)
    parser.add_argument("--steps", type=int, default=10)
    parser.add_argument("--scatter", type=Path, help="profile whose scatter within pictures is kept")
    o = parser.parse_args()
    bulk, photos = from_bulk(o.stickers, o.bulk), from_photos(o.photos)
    print(f"{len(bulk)} bulk pictures, {len(photos)} photos")
    model = fit_model(start_model(), [*photos, *bulk], steps=o.steps)
    model = replace(
        model,
        picture_cov=model.picture_cov + np.kron(np.eye(6), spread(*NOVELTY)),
        glare_share=np.array([1.0 - 6 * GLARE_SHARE, *[GLARE_SHARE] * 6]),
        outlier_share=OUTLIER_SHARE,
        temperature=TEMPERATURE,
    )
    if o.scatter is not None:
        kept = load_profile(o.scatter).model
        model = replace(kept, mean=model.mean, picture_cov=model.picture_cov)
    Profile("default", model, note=NOTE).save(o.out)


if __name__ == "__main__":
    main()
