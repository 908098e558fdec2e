"""What a profile from two pictures is worth: `python -m tests.bench_calibration [FOLDER...]`.

Each FOLDER holds pictures of one cube with truth beside them. Two pictures calibrate (up to four where two do
not show all colours), the others are read with the built-in profile and with the cube's own, side by side,
over several draws. Pictures that are dim, blurred by motion, heavily glaring or half hidden are left out.
Without a folder, and with --toy, invented stickers under invented lights (tests/sticker_maker.py) stand in.
Printed: share of stickers read wrong, one by one ("raw", light fitted to the picture) and after decoding;
then what fitting 20 pictures, and loading and preparing a profile, cost.
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))

from sticker_maker import LIGHTS, SETS, albedo, make_samples, random_layer

from calibration.collect import CollectError, Shot, collect, fit, label_shot
from calibration.light import prepare
from calibration.profile import SCHEME, Profile, default_profile, load_profile
from calibration.reading import read_stickers
from calibration.samples import StickerSamples


@dataclass(frozen=True)
class Seen:
    """One picture: its samples, and the true colours (6, n, n) where they are known, -1 elsewhere."""

    name: str
    samples: StickerSamples
    truth: np.ndarray
    hard: bool


def pictures_in(folder: Path) -> list[Seen]:
    """Find and sample every picture of a folder; truth is laid on by where its stickers lie."""
    from vision.answer import COLOURS, FACES
    from vision.pipeline import read_whole
    from vision.sources import load_photo

    out = []
    for path in sorted(folder.glob("*.jpg")):
        truth = json.loads(path.with_suffix(".json").read_text())
        photo = load_photo(str(path))
        whole = read_whole(photo.image_bgr, size=truth["n"])
        if whole.samples is None:
            print(f"  {path.name}: no cube found")
            continue
        n = truth["n"]
        labels = np.full((6, n, n), -1)
        for face, grid in whole.answer.grids.items():
            f = FACES.index(face)
            nodes = np.array(grid)
            centres = (nodes[1:, 1:] + nodes[:-1, :-1] + nodes[1:, :-1] + nodes[:-1, 1:]).reshape(-1, 2) / 4
            for one in truth["stickers"]:
                if not one["xy"] or one["visible"] < 0.6 or not one["centre_visible"]:
                    continue
                apart = np.hypot(*(centres - one["xy"]).T)
                k = int(apart.argmin())
                if apart[k] < 0.3 * one["thin_px"]:
                    labels[f, k // n, k % n] = COLOURS.index(one["colour"])
        tags = set(truth["tags"]) & {"glare_heavy", "dim", "motion_blur", "top_occluded_part"}
        out.append(Seen(path.name, whole.samples, labels, bool(tags)))
    return out


def invented(name: str, count: int, seed: int) -> list[Seen]:
    rng = np.random.default_rng(seed)
    lights = list(LIGHTS)
    out = []
    for i in range(count):
        samples, labels = make_samples(
            albedo(name), lights[i % len(lights)], rng, layer=random_layer(rng, 4), turn=int(rng.integers(24))
        )
        out.append(Seen(f"{name} {i}", samples, np.where(samples.coverage > 0, labels, -1), False))
    return out


def errors(profile: Profile, pictures: list[Seen]) -> tuple[int, int, int]:
    """Stickers counted, wrong one by one, wrong after decoding."""
    total = raw = decoded = 0
    for one in pictures:
        reading = read_stickers(one.samples, profile, mirror=False)
        known = one.truth >= 0
        total += int(known.sum())
        raw += int((reading.loglik.argmax(-1)[known] != one.truth[known]).sum())
        decoded += int((reading.posterior.marginals.argmax(-1)[known] != one.truth[known]).sum())
    return total, raw, decoded


def compare(name: str, pictures: list[Seen], draws: int) -> None:
    rng = np.random.default_rng(1)
    easy = [i for i, one in enumerate(pictures) if not one.hard]
    before, after = np.zeros(3, int), np.zeros(3, int)
    failed = 0
    for _ in range(draws):
        order = rng.permutation(easy).tolist()
        made = None
        for count in (2, 3, 4):  # until every colour was seen, as the person is told to go on
            chosen = order[:count]
            try:
                made = collect(
                    [Shot(pictures[i].name, pictures[i].samples) for i in chosen], name, scheme=SCHEME
                )
            except CollectError:
                continue
            if not any("never seen" in warning for warning in made.warnings):
                break
        if made is None:
            failed += 1
            continue
        rest = [one for i, one in enumerate(pictures) if i not in chosen and not one.hard]
        before += errors(default_profile(), rest)
        after += errors(made.profile, rest)
    if not before[0]:
        print(f"{name:18s} nothing left to read with a profile of its own")
        return
    share = [f"{100 * wrong / total[0]:6.2f}" for total in (before, after) for wrong in total[1:]]
    print(
        f"{name:18s} {before[0]:9d} {share[0]} {share[1]}      {share[2]} {share[3]}   {failed} of {draws}",
        flush=True,
    )


def costs(pictures: list[Seen]) -> None:
    base = default_profile()
    labelled = [label_shot(Shot(one.name, one.samples), base) for one in (pictures * 20)[:20]]
    began = time.perf_counter()
    model = fit(labelled, base.model)
    print(f"fitting 20 pictures: {time.perf_counter() - began:.2f} s")
    made = collect([Shot(one.name, one.samples) for one in pictures[:2]], "bench").profile.with_model(model)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "bench.json"
        made.save(path)
        load_profile(path)
        spent = []
        for _ in range(5):
            began = time.perf_counter()
            prepare(load_profile(path))
            spent.append(time.perf_counter() - began)
    told = f"{len(made.samples)} samples: {1000 * min(spent):.1f} ms"
    print(f"loading, checking and preparing a profile of {told}")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folders", nargs="*", type=Path)
    parser.add_argument("--toy", action="store_true", help="two invented sets, one draw")
    parser.add_argument("--draws", type=int, default=3)
    options = parser.parse_args()
    print("wrong stickers, %                built-in            own profile")
    print("set                 stickers    raw decoded         raw decoded   not made")
    sets: list[tuple[str, list[Seen]]] = [(folder.name, pictures_in(folder)) for folder in options.folders]
    if not sets:
        names = list(SETS)[:2] if options.toy else list(SETS)
        sets = [(name, invented(name, 6 if options.toy else 24, 5)) for name in names]
    for name, pictures in sets:
        compare(name, pictures, 1 if options.toy else options.draws)
    costs(sets[0][1])


if __name__ == "__main__":
    main()
