"""What a profile from two pictures is worth: `python -m tests.bench_calibration [FOLDER...]`.

Each FOLDER holds pictures of one cube with truth beside them, as tests/studio/bulk_sets.py makes them:
solved-1.jpg and solved-2.jpg calibrate, the others are read with the built-in profile and with the cube's
own. Where there are no such two, two pictures drawn at random calibrate (up to four where they do not show
all colours), over several draws. Pictures that are dim, blurred by motion, heavily glaring or half hidden
are left out. The side of the last layer is told, as finding it is not what a profile is for; --any-side
leaves it open. Where it is told, pictures are read as the product does, with the network's second opinion
(vision/whose_colour.py) weighed in on both sides alike; --alone reads by the profile alone. Without a folder,
and with --toy, invented stickers under invented lights (tests/sticker_maker.py) stand in. Printed: share of
stickers read wrong, one by one ("raw", light fitted to the picture) and after decoding; the sum for usual and
unusual sets beside what is wanted; then what fitting 20 pictures, and loading and preparing a profile, cost.
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))

from sticker_maker import LIGHTS, SETS, albedo, make_samples, random_layer

from calibration.collect import CollectError, collect
from calibration.labelling import Shot, fit, label_shot
from calibration.light import prepare
from calibration.own import read_by_profile
from calibration.profile import SCHEME, Profile, default_profile, load_profile
from calibration.samples import SEEN_FROM, StickerSamples
from models.cube import rotation_permutations

if TYPE_CHECKING:
    from vision.pose import CubePose

#: beginnings of the names of sets with other colours than the usual six
UNUSUAL = ("pastel", "black", "two")


@dataclass(frozen=True)
class Seen:
    """One picture: its samples, the true colours (6, n, n) where they are known, -1 elsewhere, the side of
    the last layer, and a second opinion (6, n, n, 6) on whose colours they are."""

    name: str
    samples: StickerSamples
    truth: np.ndarray
    hard: bool
    top: int | None = None
    second: np.ndarray | None = None


def pictures_in(folder: Path, least_px: float, alone: bool) -> list[Seen]:
    """Find and sample every picture of a folder; truth is laid on by where its stickers lie."""
    from vision.locate import find_cubes
    from vision.one_cube import sampled
    from vision.sources import load_photo

    out = []
    for path in sorted(folder.glob("*.jpg")):
        truth = json.loads(path.with_suffix(".json").read_text())
        photo = load_photo(str(path))
        cubes = find_cubes(photo.image_bgr, size=truth["n"]).cubes
        if not cubes:
            print(f"  {path.name}: no cube found")
            continue
        # the cube that the truth is about, as `calibrate` takes the one of the size that is told
        cube = max(cubes, key=lambda one: int((laid_on(one.pose, truth, 0.0)[0] >= 0).sum()))
        pose = cube.pose.turned_to(0, None)
        labels, on_top = laid_on(pose, truth, least_px)
        top = int(on_top.argmax()) if on_top.any() else None
        if top:  # relabelled, so that the top is U, as when the product reads
            pose = pose.turned_to(top, None)
            labels, _ = laid_on(pose, truth, least_px)
        samples, second = sampled(photo.image_bgr, cube, pose)
        tags = set(truth["tags"]) & {"glare_heavy", "dim", "motion_blur", "top_occluded_part"}
        told = None if alone or top is None else second
        out.append(Seen(path.name, samples, labels, bool(tags), None if top is None else 0, told))
    return out


def laid_on(pose: CubePose, truth: dict[str, Any], least_px: float) -> tuple[np.ndarray, np.ndarray]:
    """The true colours (6, n, n) of the stickers of a pose, -1 where they are not known, and how many of each
    face (6,) lie on the true top."""
    from calibration.profile import COLOURS
    from models.turns import FACES
    from vision.patches import middles

    n = pose.size
    labels, on_top = np.full((6, n, n), -1), np.zeros(6)
    for face in pose.visible_faces():
        f = FACES.index(face)
        centres = pose.project(middles(f, n).reshape(-1, 3))
        for one in truth["stickers"]:
            if not one["xy"] or one["visible"] < 0.6 or not one["centre_visible"]:
                continue
            if one["thin_px"] < least_px:
                continue
            apart = np.hypot(*(centres - one["xy"]).T)
            k = int(apart.argmin())
            if apart[k] < 0.3 * one["thin_px"]:
                labels[f, k // n, k % n] = COLOURS.index(one["colour"])
                on_top[f] += one["face"] == "U"
    return labels, on_top


def invented(name: str, count: int, seed: int) -> list[Seen]:
    rng = np.random.default_rng(seed)
    lights = list(LIGHTS)
    homes = rotation_permutations(4).reshape(24, 6, 16)[:, :, 0] // 16
    in_view = [turn for turn in range(24) if 0 in homes[turn, :3]]  # the last layer's side is one of three
    out = []
    for i in range(count):
        samples, labels = make_samples(
            albedo(name),
            lights[i % len(lights)],
            rng,
            layer=random_layer(rng, 4),
            turn=int(rng.choice(in_view)),
        )
        out.append(Seen(f"{name} {i}", samples, np.where(samples.coverage > 0, labels, -1), False))
    return out


def errors(profile: Profile, pictures: list[Seen], any_side: bool = False) -> np.ndarray:
    """Stickers counted, wrong one by one, wrong after decoding; the latter two of those sampled alone."""
    out = np.zeros(5, int)
    for one in pictures:
        known = one.truth >= 0
        if not known.any():
            continue
        tops = None if any_side or one.top is None else (one.top,)
        second = None if any_side else one.second
        reading = read_by_profile(one.samples, profile, mirror=False, tops=tops, second=second)
        wrong_raw = reading.loglik.argmax(-1)[known] != one.truth[known]
        wrong = reading.posterior.marginals.argmax(-1)[known] != one.truth[known]
        sampled = one.samples.coverage[known] >= SEEN_FROM
        out += np.array([part.sum() for part in (known, wrong_raw, wrong, sampled, wrong & sampled)])
    return out


def chosen_draws(pictures: list[Seen], draws: int) -> list[list[int]]:
    """Which pictures calibrate, in the order in which they are added until every colour was seen."""
    solved = [i for i, one in enumerate(pictures) if one.name.startswith("solved-")]
    if len(solved) >= 2:
        return [solved[:2]]
    rng = np.random.default_rng(1)
    easy = [i for i, one in enumerate(pictures) if not one.hard]
    return [rng.permutation(easy).tolist()[:4] for _ in range(draws)]


def compare(name: str, pictures: list[Seen], draws: int, any_side: bool) -> np.ndarray:
    """Prints a set's line; (2, 5) errors with the built-in and with its own profile."""
    total, failed = np.zeros((2, 5), int), 0
    orders = chosen_draws(pictures, draws)
    for order in orders:
        made, used = None, order
        for count in range(2, len(order) + 1):
            used = order[:count]
            shots = [Shot(pictures[i].name, pictures[i].samples) for i in used]
            try:
                made = collect(shots, name, scheme=SCHEME)
            except CollectError:
                continue
            if not any("never seen" in warning for warning in made.warnings):
                break
        failed += made is None
        own = made.profile if made else default_profile()  # as it goes for who gets none
        rest = [one for i, one in enumerate(pictures) if i not in used and not one.hard]
        total += np.array([errors(profile, rest, any_side) for profile in (default_profile(), own)])
    print(f"{name:22s} {line_of(total)}   {failed} of {len(orders)}", flush=True)
    return total


def line_of(total: np.ndarray) -> str:
    """Count and shares of wrong stickers: built-in raw, decoded; own raw, decoded."""
    count = max(int(total[0, 0]), 1)
    share = [f"{100 * wrong / count:6.2f}" for row in total for wrong in row[1:3]]
    return f"{int(total[0, 0]):6d}  {share[0]} {share[1]}      {share[2]} {share[3]}"


def summary(totals: list[tuple[str, np.ndarray]]) -> None:
    """The sums beside what is wanted of them: at most this share wrong, at most a third of the built-in's.

    "Sampled" are stickers of which the program took pixels: the others hang on what the rest leaves open.
    """
    for kind, wanted in (("usual", 0.3), ("unusual", 1.0)):
        rows = [total for name, total in totals if name.startswith(UNUSUAL) == (kind == "unusual")]
        if not rows:
            continue
        total = np.sum(rows, axis=0)
        print(f"{kind + ' sets':22s} {line_of(total)}   wanted: own at most {wanted} %", flush=True)
        for what, of, i in (("raw", 0, 1), ("decoded", 0, 2), ("decoded, sampled", 3, 4)):
            before, own = int(total[0, i]), int(total[1, i])
            share = 100 * own / max(int(total[1, of]), 1)
            times = f"{own / before:.2f} of the built-in's" if before else f"{own} against none"
            third = "" if kind == "unusual" else ", wanted 0.33"
            print(f"    {what}: {share:.2f} % ({'reached' if share <= wanted else 'missed'}), {times}{third}")


def costs(pictures: list[Seen]) -> None:
    base = default_profile()
    labelled = [label_shot(Shot(one.name, one.samples), base) for one in (pictures * 20)[:20]]
    began = time.perf_counter()
    model = fit(labelled, base.model)
    print(f"fitting 20 pictures: {time.perf_counter() - began:.2f} s")
    made = default_profile()
    for used in chosen_draws(pictures, 1):
        shots = [Shot(pictures[i].name, pictures[i].samples) for i in used[:2]]
        made = collect(shots, "bench", scheme=SCHEME).profile.with_model(model)
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
    parser.add_argument("--any-side", action="store_true", help="do not tell the side of the last layer")
    parser.add_argument("--least-px", type=float, default=0.0, help="leave out stickers thinner than this")
    parser.add_argument("--alone", action="store_true", help="without the network's second opinion")
    options = parser.parse_args()
    print("wrong stickers, %                built-in          own profile")
    print("set                  stickers     raw decoded       raw decoded   not made")
    names = list(SETS)[:2] if options.toy else list(SETS)
    totals, first = [], None
    for source in options.folders or names:
        if isinstance(source, Path):
            name, pictures = source.name, pictures_in(source, options.least_px, options.alone)
        else:
            name, pictures = source, invented(source, 6 if options.toy else 24, 5)
        draws = 1 if options.toy else options.draws
        totals.append((name, compare(name, pictures, draws, options.any_side)))
        first = first or pictures
    summary(totals)
    costs(first)


if __name__ == "__main__":
    main()
