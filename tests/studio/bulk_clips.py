"""Clips of one cube before the camera in bulk: tilted and swung, or a sequence done on it.

    python tests/studio/bulk_clips.py OUT cpu|cuda [--sets NAME,...] [--sizes 2,3,4,5] [--clips 2] [--spp 32]
                                      [--motion tilting|turning] [--seconds 3] [--width 640] [--height 480]
                                      [--seed 1]

Each clip is a folder of frames with its truth beside it, as TRUTH.md has it. The camera is moved about the
cube, hands and room stand still: what a tracker sees of the cube is the same as when the cube is moved. In
turning clips a layer turns while no hand follows it. cuda needs PyTorch; 90 frames of 640x480 at 32 rays a
pixel take some 3 s on one H100.
"""

from __future__ import annotations

import argparse
import itertools
import json
import sys
from pathlib import Path
from typing import Any

import bulk_camera
import bulk_scene
import numpy as np
from bulk_prims import V
from bulk_sets import USUAL, draw_body, photographed, put, save_jpeg, whole_turns, world_of
from bulk_setting import sample_setting
from bulk_truth import TOP, truth_file
from bulk_view import Setting
from shades import COLOURS, SHADES, shade_named
from state import FACES, layer_facelets, layer_from_facelets, random_layer

sys.path.insert(0, str(Path(__file__).parent.parent))
from studio.mesh import turn_about
from studio.motion import SEQUENCES, Performance, Sway, draw_sway, parsed, perform

FPS = 30.0
#: how much of the top is in view in the first frame at least; shares of the picture's height a cube has there
TOP_SEEN, HEIGHTS = 0.8, (0.18, 0.7)
#: the tracer's axis (x R, y U, z F) on which each face lies, and its side of it
AXIS_OF = {"U": (1, 1), "R": (0, 1), "F": (2, 1), "D": (1, -1), "L": (0, -1), "B": (2, -1)}
FRAMES_AT_ONCE = 45


def swayed(sway: Sway, time_s: float, rotation: V, translation: V, side_cm: float) -> tuple[V, V]:
    """Cube to camera rotation and place (in cube edges) at a moment, from those at time 0."""
    tilt, swing, roll, *drift_mm = sway.at(time_s)
    to_camera = -translation / np.linalg.norm(translation)
    hinge = np.cross(to_camera, rotation[:, 1])
    if np.linalg.norm(hinge) < 0.05:
        hinge = rotation[:, 0]
    away = turn_about(hinge, tilt) @ turn_about(to_camera, roll)
    return away @ rotation @ turn_about((0, 1, 0), swing), translation + np.asarray(drift_mm) / 10 / side_cm


def frame_setting(first: Setting, sway: Sway, show: Performance | None, time_s: float, scheme: V) -> Setting:
    """The scene of ``first`` at a moment."""
    truth, block = dict(first.truth), first.cubes[0].copy()
    n, side = truth["n"], truth["side_cm"]
    rotation, translation = swayed(sway, time_s, truth["rotation"], truth["translation"], side)
    cam = first.cam.copy()
    to_camera = rotation @ block[19:28].reshape(3, 3).astype(float)  # from the world's axes
    cam[4:13] = to_camera.ravel()
    cam[13:16] = block[16:19] - to_camera.T @ (translation * side)
    truth |= {"rotation": rotation, "translation": translation, "others": []}
    if show is not None:
        facelets, _, complete, degrees = show.at(time_s)
        grid = np.zeros((6, 5, 5), np.float32)
        grid[:, :n, :n] = scheme[facelets]
        block[96:246] = grid.ravel()
        axis, angles = 1, np.zeros(n)
        if degrees:
            axis, way = AXIS_OF[show.moves[complete].face]
            angles[-1 if way > 0 else 0] = -way * degrees
        edges = [0, *(np.flatnonzero(np.diff(angles)) + 1).tolist(), n]
        block[28:50] = 0.0
        block[28], block[29] = len(edges) - 1, axis
        for g, (low, high) in enumerate(itertools.pairwise(edges)):
            angle = np.radians(angles[low])
            block[30 + 4 * g : 34 + 4 * g] = low, high, np.cos(angle), np.sin(angle)
        truth |= {"misturn_axis": axis, "misturn_deg": angles, "facelets": scheme[facelets]}
    return Setting(cam, first.builder, [block, *first.cubes[1:]], first.lights, truth)


def draw_clip(
    body: Any, seed: list[int], o: argparse.Namespace, lib: Any
) -> tuple[Setting, Sway, Performance | None, V]:
    """The first frame's scene, how the cube moves, what is done on it, and its scheme."""
    turning = o.motion == "turning"
    for attempt in itertools.count():
        rng = np.random.default_rng([*seed, attempt])
        setting = sample_setting(rng, o.width, o.height)
        truth = setting.truth
        low = 25 if turning else 38
        if not truth["has_cube"] or truth["covered"] or truth["grip"] in ("arm", "rods"):
            continue
        if not low < truth["elevation_deg"] < 80:
            continue
        if world_of(setting).right[2] ** 2 > 0.5:  # lies on its side in the picture
            continue
        scheme = USUAL[whole_turns()[int(rng.integers(24))]]
        layer = random_layer(rng, body.n)
        show = None
        if turning:
            oriented = type(layer)(body.n, layer.corners, (0,) * 4, layer.edges, tuple(0 for _ in layer.flip))
            turns = parsed(SEQUENCES[int(rng.integers(len(SEQUENCES)))])
            if rng.random() < 0.5:
                turns = [("U", int(rng.choice([1, -1, 2]))), *turns]
            show = perform(rng, body.n, layer_facelets(oriented), turns)
        facelets = layer_facelets(layer) if show is None else show.states[0]
        put(setting, body, scheme[facelets], scheme, rng, 0.0 if turning else 0.3)
        truth |= {"seed": [*seed, attempt], "side_cm": 2 * float(setting.cubes[0][1])}
        truth |= {"last_layer": None if turning else layer.to_truth()}
        bulk_scene.render(bulk_scene.pack([setting], o.width, o.height), o.width, o.height, 0, lib)
        tall = np.ptp(bulk_scene.project(truth, bulk_scene.CORNERS)[:, 1]) / o.height
        upright = truth["rotation"][1, 1] < -0.12
        if truth["top_visible"] < TOP_SEEN or not truth["in_frame"] or not upright:
            continue
        if HEIGHTS[0] < tall < HEIGHTS[1]:
            return setting, draw_sway(rng, truth["elevation_deg"], calm=turning), show, scheme
    raise AssertionError


def one_camera(rng: np.random.Generator, height: int, count: int) -> dict[str, np.ndarray]:
    """One camera held still, for ``count`` frames."""
    camera = bulk_camera.sample_camera(rng, 1, height)
    camera["motion"][:] = 0.0
    camera["focus"] = np.minimum(camera["focus"], 1.2 * height / 720)
    return {key: np.repeat(value, count, axis=0) for key, value in camera.items()}


def frame_truth(
    whole: dict[str, Any], setting: Setting, index: int, show: Performance | None, scheme: V
) -> Any:
    """One entry of the clip's ``frames``, from the truth of a still."""
    truth = setting.truth
    eye = -truth["rotation"].T @ truth["translation"]
    ahead = {"F": eye[2], "R": eye[0], "B": -eye[2], "L": -eye[0]}
    out = {
        "frame": index,
        "time_s": round(index / FPS, 5),
        "elevation_deg": round(float(np.degrees(np.arctan2(eye[1] - 0.5, np.hypot(eye[0], eye[2])))), 2),
        "azimuth_deg": round(float(np.degrees(np.arctan2(eye[0], eye[2]))), 2),
        "top_quad": np.round(bulk_scene.project(truth, TOP), 2).tolist(),
        "stickers": [[s["face"], s["row"], s["col"], s["visible"], s["xy"]] for s in whole["stickers"]],
        "side_faces_visible": [f for f in "FRBL" if ahead[f] > 0.5],
        "cube_to_camera": whole["camera"]["cube_to_camera"],
        "cube_centre_mm": whole["camera"]["cube_centre_mm"],
    }
    if show is not None:
        facelets, _, complete, degrees = show.at(index / FPS)
        out |= {
            "turns_complete": complete,
            "turning": {"turn": str(show.moves[complete]), "degrees": round(degrees, 2)} if degrees else None,
            "facelets": {
                FACES[f]: [[COLOURS[int(scheme[v])] for v in row] for row in facelets[f]] for f in range(6)
            },
            "top_one_colour": bool(not degrees and len(set(facelets[0].ravel().tolist())) == 1),
        }
    return out


def make_clip(body: Any, seed: list[int], folder: Path, o: argparse.Namespace, lib: Any) -> int:
    """Draw, trace, photograph and write one clip; returns the number of its frames."""
    first, sway, show, scheme = draw_clip(body, seed, o, lib)
    count = round(o.seconds * FPS) if show is None else int(np.ceil((show.moves[-1].end_s + 0.7) * FPS))
    camera = one_camera(np.random.default_rng([*seed, 3, 1]), o.height, count)
    folder.mkdir(parents=True, exist_ok=True)
    header: dict[str, Any] = {}
    frames = []
    for start in range(0, count, FRAMES_AT_ONCE):
        indices = range(start, min(start + FRAMES_AT_ONCE, count))
        settings = [frame_setting(first, sway, show, i / FPS, scheme) for i in indices]
        scenes = bulk_scene.pack(settings, o.width, o.height)
        rgb: Any = None
        if o.device == "cuda":
            import torch

            rgb = torch.zeros(len(scenes), o.height, o.width, 3, device="cuda")
        traced = bulk_scene.render(
            scenes, o.width, o.height, o.spp, lib, seed=seed[-1] * 997 + start, rgb=rgb
        )
        own = {key: value[start : start + len(scenes)] for key, value in camera.items()}
        bgr = photographed(traced["rgb"], own, seed[-1] * 997 + start, traced["ids"] == 1, o.device)
        if rgb is not None:
            traced["rgb"] = rgb.cpu().numpy()
        numbers = {key: float(v[0]) for key, v in camera.items() if v.ndim == 1}
        for k, i in enumerate(indices):
            whole = truth_file(settings[k].truth, traced, traced["rgb"][k], k, numbers)
            header = header or whole
            frames.append(frame_truth(whole, settings[k], i, show, scheme))
            save_jpeg(folder / f"f{i:03d}.jpg", bgr[k], int(numbers["jpeg"] or 97))
    for key in ("stickers", "top_quad", "top_visible_mean"):
        header.pop(key)
    header |= {"kind": "clip", "fps": FPS, "frame_count": count, "motion": o.motion}
    if show is not None:
        header["last_layer"] = layer_from_facelets(show.states[0]).to_truth()
        header |= show.to_truth(FPS)
    text = json.dumps(header | {"frames": frames}, separators=(",", ":"))
    folder.with_suffix(".json").write_text(text + "\n")
    return count


def main() -> None:
    """See the module's docstring."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("out", type=Path)
    parser.add_argument("device", choices=("cpu", "cuda"))
    parser.add_argument("--sets", default="standard,bright,deep,vinyl,pastel")
    parser.add_argument("--sizes", default="2,3,4,5")
    parser.add_argument("--motion", choices=("tilting", "turning"), default="tilting")
    parser.add_argument("--seconds", type=float, default=3.0, help="of a tilting clip")
    for name, value in (("clips", 2), ("seed", 1), ("width", 640), ("height", 480), ("spp", 32)):
        parser.add_argument(f"--{name}", type=int, default=value)
    o = parser.parse_args()
    lib = bulk_scene.load_library(o.device, o.out / "build")
    number = 0
    for name in o.sets.split(","):
        for n in (int(v) for v in o.sizes.split(",")):
            seed = [o.seed, 7, [s.name for s in SHADES].index(name), n]
            for k in range(o.clips):
                body = draw_body(np.random.default_rng([*seed, k, 4]), shade_named(name), n)
                count = make_clip(body, [*seed, k], o.out / f"c{number:05d}", o, lib)
                number += 1
                print(f"{name}-{n}: clip of {count} frames", flush=True)


if __name__ == "__main__":
    main()
