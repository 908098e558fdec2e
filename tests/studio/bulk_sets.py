"""One cube under many lights: what a profile made from two pictures is tested on.

    python tests/studio/bulk_sets.py OUT cpu|cuda [--sets NAME,...] [--sizes 3,4] [--pictures 60] [--seed 1]
                                     [--width 640] [--height 360] [--spp 64] [--cameras any|plain]

For each shade set (shades.py) and size one cube is drawn, with its plastic, its gloss and its own shades, and
OUT/SET-N is filled: solved-1.jpg and solved-2.jpg show it solved from two opposite corners in one ordinary
light, taken by one camera; 001.jpg and so on show last-layer states of the same cube in other scenes under
other lamps, by other cameras: of any kind, or in focus, held still and metered on the cube (``plain``), which
leaves the light to tell the pictures apart. Truth stands beside each (TRUTH.md). cuda needs PyTorch; 62
pictures of 640x360 at 64 rays a pixel take some 5 s on one H100, 10 of 320x180 at 16 half a minute on two
CPU cores.
"""

from __future__ import annotations

import argparse
import itertools
import json
from dataclasses import dataclass
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import bulk_camera
import bulk_cube
import bulk_lamps
import bulk_scene
import numpy as np
from bulk_setting import sample_setting
from bulk_truth import truth_file
from bulk_view import Setting, World
from shades import COLOURS, SCHEME, SHADES, Shade, draw_albedo_srgb, shade_named, srgb_to_linear
from state import FACES, NORMALS, Layer, layer_facelets, random_layer, solved_facelets

USUAL = np.array([COLOURS.index(name) for name in SCHEME])
#: numbers of a cube's block (bulk_tracer.h) that belong to the cube, not to where and how it stands
BODY = [*range(4, 14), 15, 50, 51, *range(64, 88)]
#: least share of the top face that is in view in a picture that is to be read
TOP_SEEN = 0.42
#: least light on a face of the solved cube, beside the one lit most
DARKEST = 0.2


@dataclass(frozen=True)
class Body:
    """One cube: its block of numbers at an edge of 6 cm, its shades (6, 3) as sRGB bytes."""

    shade: Shade
    n: int
    block: np.ndarray
    stickerless: bool
    albedo_srgb: np.ndarray


def draw_body(rng: np.random.Generator, shade: Shade, n: int) -> Body:
    """A cube of these shades, without prints on its stickers."""
    block, truth = bulk_cube.cube_block(rng, n, 6.0, np.zeros(3), np.eye(3), 1)
    albedo = draw_albedo_srgb(rng, shade)
    block[8], block[51] = rng.uniform(*shade.roughness), 0
    block[64:82] = srgb_to_linear(albedo / 255.0).ravel()
    return Body(shade, n, block, truth["stickerless"], albedo)


def whole_turns() -> list[np.ndarray]:
    """The 24 turns of the whole cube: which of its faces URFDLB comes to stand where each stood."""
    out = []
    for order in itertools.permutations(range(3)):
        for signs in itertools.product((1, -1), repeat=3):
            turn = np.eye(3)[list(order)] * np.array(signs)[:, None]
            if np.linalg.det(turn) > 0:
                moved = NORMALS @ turn.T
                out.append(np.array([int((NORMALS @ m).argmax()) for m in moved]))
    return out


def put(
    setting: Setting, body: Body, facelets: np.ndarray, scheme: np.ndarray, rng: Any, turn: float
) -> None:
    """Puts the body where the setting's own cube stood; ``turn``: chance that its layers stand off a bit."""
    old, n = setting.cubes[0], body.n
    side = 2 * float(old[1])
    while True:
        block, truth = bulk_cube.cube_block(rng, n, side, old[16:19], old[19:28].reshape(3, 3), 1, turn)
        if np.abs(truth["misturn_deg"]).max() <= 6:
            break
    block[BODY] = body.block[BODY]
    block[2:4] = body.block[2:4] * side / 6.0
    block[87] = body.block[87] * side / 6.0
    grid = np.zeros((6, 5, 5), np.float32)
    grid[:, :n, :n] = facelets
    block[96:246] = grid.ravel()
    setting.cubes[0] = block
    setting.truth |= truth | {
        "facelets": facelets,
        "scheme": scheme,
        "palette_linear": body.block[64:82].reshape(6, 3),
        "stickerless": body.stickerless,
        "shade": body.shade.name,
        "albedo_srgb": body.albedo_srgb.tolist(),
        "sticker_side": 0.95 if body.stickerless else float(body.block[5]),
    }


def world_of(setting: Setting) -> World:
    """The axes in which the setting's lamps were placed."""
    truth, rows = setting.truth, setting.cubes[0][19:28].reshape(3, 3)
    side = 2 * float(setting.cubes[0][1])
    view: Any = SimpleNamespace(rotation=truth["rotation"], t_cm=truth["translation"] * side)
    return World(view, rows[:, 2].astype(float))


def solved_layer(n: int) -> Layer:
    """The last layer of a solved cube."""
    edges = n > 2
    return Layer(n, (0, 1, 2, 3), (0,) * 4, (0, 1, 2, 3) if edges else (), (0,) * 4 if edges else ())


def shows_itself(setting: Setting, faces: list[int], lib: Any) -> bool:
    """Whether the three faces are in full view and none of them lies in the dark."""
    scenes = bulk_scene.pack([setting], 160, 90)
    scenes.cubes[:, 0, 64:82], scenes.cubes[:, 0, 8:10] = 0.7, (1.0, 0.0)
    traced = bulk_scene.render(scenes, 160, 90, 16, lib)
    if setting.truth["seen"][faces].mean((1, 2)).min() < 0.97:
        return False
    number = traced["sticker"][0]
    light = [traced["rgb"][0][(number > 25 * f) & (number <= 25 * f + 25)].mean() for f in faces]
    return bool(min(light) > DARKEST * max(light))


def solved_settings(body: Body, seed: list[int], width: int, height: int, lib: Any) -> list[Setting]:
    """Two pictures of the solved cube that together show all six faces, under the same lamps."""
    for lamps in itertools.count():
        out: list[Setting] = []
        for attempt in range(400):
            rng = np.random.default_rng([*seed, 0, lamps, attempt])
            setting = sample_setting(rng, width, height)
            truth = setting.truth
            if not truth["has_cube"] or truth["kind"] != "desk" or truth["grip"] or truth["others"]:
                continue
            away = abs(truth["azimuth_deg"])
            if not (25 < truth["elevation_deg"] < 50 and 20 < away < 45 and truth["translation"][2] < 8):
                continue
            # the lamps of both are drawn from one seed; lamps that mirror in the top are not what one chooses
            setting.lights.clear()
            world, top = world_of(setting), setting.cubes[0][19:28].reshape(3, 3)[1].astype(float)
            truth["tags"] = bulk_lamps.lights(np.random.default_rng([*seed, 1, lamps]), setting, world, top)
            if "glare" in truth["tags"]:
                break
            seen = [FACES.index(f) for f in ("U", "F", "R" if truth["azimuth_deg"] > 0 else "L")]
            turns = whole_turns()
            if out:  # the faces that the first picture did not show
                shown = set(out[0].truth["scheme"][out[0].truth["faces_seen"]])
                turns = [t for t in turns if not shown & set(USUAL[t][seen])]
            scheme = USUAL[turns[int(rng.integers(len(turns)))]]
            put(setting, body, scheme[solved_facelets(body.n)], scheme, rng, 0.0)
            if not shows_itself(setting, seen, lib):
                continue
            truth |= {
                "faces_seen": seen,
                "seed": [*seed, 0, lamps, attempt],
                "last_layer": solved_layer(body.n).to_truth(),
            }
            out.append(setting)
            if len(out) == 2:
                return out
    raise AssertionError


def other_settings(
    body: Body, seed: list[int], count: int, width: int, height: int, lib: Any
) -> list[Setting]:
    """``count`` pictures of last-layer states of the cube, each in a scene of its own, its top in view."""
    out: list[Setting] = []
    turns = whole_turns()
    for attempt in itertools.count():
        if len(out) >= count:
            return out[:count]
        batch = []
        for k in range(16):
            rng = np.random.default_rng([*seed, 2, attempt, k])
            setting = sample_setting(rng, width, height)
            truth = setting.truth
            if not truth["has_cube"] or truth["covered"] or truth["elevation_deg"] < 18:
                continue
            scheme = USUAL[turns[int(rng.integers(24))]]
            layer = random_layer(rng, body.n)
            put(setting, body, scheme[layer_facelets(layer)], scheme, rng, 0.3)
            truth |= {"seed": [*seed, 2, attempt, k], "last_layer": layer.to_truth()}
            batch.append(setting)
        scenes = bulk_scene.pack(batch, width, height)
        bulk_scene.render(scenes, width, height, 0, lib)
        out += [one for one in batch if one.truth["top_visible"] >= TOP_SEEN]
    raise AssertionError


def cameras(rng: np.random.Generator, count: int, height: int, kind: str = "any") -> dict[str, np.ndarray]:
    """One good camera for the first two pictures, ``count`` others: of any kind, or ``plain``."""
    while True:
        good = bulk_camera.sample_camera(rng, 1, height)
        sharp = not good["motion"][0] and not good["focus"][0] and good["jpeg"][0] > 75
        if sharp and abs(good["ev"][0]) < 0.4 and good["read"][0] < 0.008:
            break
    others = bulk_camera.sample_camera(rng, count, height)
    if kind == "plain":
        others["focus"][:] = others["motion"][:] = 0.0
        others["ev"] = np.clip(others["ev"], -0.5, 0.5)
        others["meter_cube"] = rng.uniform(0.6, 1.0, count).astype(np.float32)
    return {key: np.concatenate([good[key], good[key], others[key]]) for key in good}


def photographed(
    rgb: Any, camera: dict[str, np.ndarray], seed: int, mask: np.ndarray, kind: str
) -> np.ndarray:
    """BGR bytes (B, H, W, 3) without JPEG's losses."""
    if kind == "cpu":
        return bulk_camera.photograph(rgb, camera, seed, mask)
    import torch

    on_cube = torch.from_numpy(mask).to(rgb.device)
    return np.asarray(bulk_camera.photograph_torch(rgb, camera, seed, on_cube, jpeg=False).cpu().numpy())


def save_jpeg(path: Path, bgr: np.ndarray, quality: int) -> None:
    """Through whichever encoder is there: OpenCV's, Pillow's or torchvision's."""
    try:
        import cv2

        path.write_bytes(cv2.imencode(".jpg", bgr, [cv2.IMWRITE_JPEG_QUALITY, quality])[1].tobytes())
        return
    except ImportError:
        pass
    rgb = np.ascontiguousarray(bgr[..., ::-1])
    try:
        from PIL import Image

        Image.fromarray(rgb).save(path, quality=quality)
    except ImportError:
        import torch
        from torchvision.io import write_jpeg

        write_jpeg(torch.from_numpy(rgb).permute(2, 0, 1).contiguous(), str(path), quality)


def make_set(body: Body, seed: list[int], o: argparse.Namespace, lib: Any) -> None:
    """Draw, trace, photograph and write one cube's folder."""
    settings = solved_settings(body, seed, o.width, o.height, lib)
    settings += other_settings(body, seed, o.pictures, o.width, o.height, lib)
    scenes = bulk_scene.pack(settings, o.width, o.height)
    rgb: Any = None
    if o.device == "cuda":
        import torch

        rgb = torch.zeros(len(scenes), o.height, o.width, 3, device="cuda")
    # first without any shine, for the share of each sticker's light that is reflection
    shine = scenes.cubes[:, 0, 8:10].copy()
    scenes.cubes[:, 0, 8:10] = 1.0, 0.0
    matt = bulk_scene.render(scenes, o.width, o.height, max(o.spp // 4, 4), lib, seed=seed[-1])["rgb"]
    scenes.cubes[:, 0, 8:10] = shine
    traced = bulk_scene.render(scenes, o.width, o.height, o.spp, lib, seed=seed[-1], rgb=rgb)
    camera = cameras(np.random.default_rng([*seed, 3]), o.pictures, o.height, o.cameras)
    bgr = photographed(traced["rgb"], camera, seed[-1], traced["ids"] == 1, o.device)
    if rgb is not None:
        traced["rgb"] = rgb.cpu().numpy()
    folder = o.out / f"{body.shade.name}-{body.n}"
    folder.mkdir(parents=True, exist_ok=True)
    for i, truth in enumerate(scenes.truth):
        name = f"solved-{i + 1}" if i < 2 else f"{i - 1:03d}"
        own = {key: float(v[i]) for key, v in camera.items() if v.ndim == 1}
        content = truth_file(truth, traced, matt[i], i, own)
        save_jpeg(folder / f"{name}.jpg", bgr[i], int(own["jpeg"] or 97))
        (folder / f"{name}.json").write_text(json.dumps(content) + "\n")


def main() -> None:
    """See the module's docstring."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("out", type=Path)
    parser.add_argument("device", choices=("cpu", "cuda"))
    held_out = ",".join(s.name for s in SHADES if s.held_out)
    parser.add_argument("--sets", default=f"standard,bright,{held_out}")
    parser.add_argument("--sizes", default="3,4")
    for name, value in (("pictures", 60), ("seed", 1), ("width", 640), ("height", 360), ("spp", 64)):
        parser.add_argument(f"--{name}", type=int, default=value)
    parser.add_argument("--cameras", choices=("any", "plain"), default="any")
    o = parser.parse_args()
    lib = bulk_scene.load_library(o.device, o.out / "build")
    for name in o.sets.split(","):
        shade = shade_named(name)
        for n in (int(v) for v in o.sizes.split(",")):
            seed = [o.seed, [s.name for s in SHADES].index(name), n]
            body = draw_body(np.random.default_rng([*seed, 4]), shade, n)
            make_set(body, seed, o, lib)
            print(f"{name}-{n}: {o.pictures} pictures and 2 of it solved", flush=True)


if __name__ == "__main__":
    main()
