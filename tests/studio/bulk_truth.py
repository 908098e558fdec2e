"""Truth files (TRUTH.md) for bulk pictures whose cube stands at its last layer (numpy only)."""

from __future__ import annotations

from typing import Any

import bulk_scene
import numpy as np
from bulk_stickers import face_points
from shades import COLOURS
from state import FACES

LUMA = np.array([0.2126, 0.7152, 0.0722])
#: the cube's axes of a truth file (x R, y B, z U) in those of the tracer (x R, y U, z F), as columns
AXES = np.array([[1.0, 0, 0], [0, 0, 1], [0, -1, 0]])
#: outer corners of the top face: back-left, back-right, front-right, front-left
TOP = np.array([[-0.5, 0.5, -0.5], [0.5, 0.5, -0.5], [0.5, 0.5, 0.5], [-0.5, 0.5, 0.5]])


def misturned(truth: dict[str, Any], points: np.ndarray, at: np.ndarray) -> np.ndarray:
    """Points (N, 3) in the cube's frame, turned as the layer turns that holds the place ``at`` (3,)."""
    axis, n = truth["misturn_axis"], truth["n"]
    layer = int(np.clip(np.floor((at[axis] + 0.5) * n), 0, n - 1))
    angle = np.radians(truth["misturn_deg"][layer])
    i, j = (axis + 1) % 3, (axis + 2) % 3
    out = points.copy()
    out[:, i] = np.cos(angle) * points[:, i] - np.sin(angle) * points[:, j]
    out[:, j] = np.sin(angle) * points[:, i] + np.cos(angle) * points[:, j]
    return out


def gloss_shares(sticker: np.ndarray, rgb: np.ndarray, matt: np.ndarray) -> np.ndarray:
    """Share of light that is reflection, by the tracer's number of a sticker (151,), 0 where none is seen.

    sticker (H, W) numbers; rgb and matt (H, W, 3): the picture, and the same with a cube that does not shine.
    """
    number = sticker.ravel().astype(np.intp)
    whole, dull = (np.bincount(number, (x @ LUMA).ravel(), minlength=151) for x in (rgb, matt))
    return np.clip(1.0 - dull / np.maximum(whole, 1e-9), 0.0, 1.0) * (whole > 0)


def sticker_entries(
    truth: dict[str, Any], sticker: np.ndarray, gloss: np.ndarray, side: float
) -> list[dict[str, Any]]:
    """The object ``stickers``; ``side`` is the edge of a sticker as a share of its cell."""
    n = truth["n"]
    high, wide = sticker.shape
    places = [(0, r, c) for r in range(n) for c in range(n)]
    places += [(FACES.index(f), 0, c) for f in "FRBL" for c in range(n)]
    out = []
    for face, row, col in places:
        share = float(truth["seen"][face, row, col])
        x, y = (float(v) for v in truth["sticker_xy"][face, row, col])
        number = 1 + face * 25 + row * 5 + col
        inside = 0 <= x < wide and 0 <= y < high
        entry: dict[str, Any] = {
            "face": FACES[face],
            "row": row,
            "col": col,
            "colour": COLOURS[truth["facelets"][face, row, col]],
            "visible": round(share, 3),
            "centre_visible": bool(inside and sticker[int(y), int(x)] == number),
            "thin_px": 0.0,
            "xy": None,
        }
        if share > 0:
            u = (col + 0.5 + side * np.array([-0.5, 0.5, 0.5, -0.5])) / n
            v = (row + 0.5 + side * np.array([-0.5, -0.5, 0.5, 0.5])) / n
            square = face_points(face, u, v)
            outline = bulk_scene.project(truth, misturned(truth, square, square.mean(0)))
            entry["thin_px"] = round(thinness(outline), 1)
            entry["xy"] = [round(x, 2), round(y, 2)]
            entry["gloss_share"] = round(float(gloss[number]), 2)
        out.append(entry)
    return out


def thinness(outline: np.ndarray) -> float:
    """Area of a quadrilateral (4, 2) over its longest side, pixels."""
    x, y = outline.T
    area = 0.5 * abs(float(x @ np.roll(y, -1) - y @ np.roll(x, -1)))
    longest = float(np.linalg.norm(outline - np.roll(outline, -1, axis=0), axis=1).max())
    return area / max(longest, 1e-9)


def tags_of(truth: dict[str, Any], stickers: list[dict[str, Any]], camera: dict[str, float]) -> list[str]:
    """The tags of TRUTH.md; blur and exposure as drawn for the camera, for pictures ``high`` pixels high."""
    top = [s for s in stickers if s["face"] == "U"]
    gloss = np.array([s["gloss_share"] for s in top if s["xy"]] or [0.0])
    scale, elevation = truth["height_px"] / 720, truth["elevation_deg"]
    named = {
        "hard_shadow": "hard_shadow" in truth["tags"],
        "glare": gloss.max() > 0.5,
        "glare_heavy": (gloss > 0.6).mean() > 0.3,
        "dim": camera["ev"] < -0.75,
        "motion_blur": camera["motion"] > 3 * scale,
        "focus_blur": camera["focus"] > 1.3 * scale,
        "fingers": bool(truth["grip"]),
        "second_cube": bool(truth["others"]),
        "top_occluded_part": truth["in_frame"] and np.mean([s["visible"] for s in top]) < 0.93,
        "partly_out": not truth["in_frame"],
        "grazing": elevation < 25,
        "top_down": elevation > 75,
        "small": truth["height_frac"] < 0.2,
        "misturned": np.abs(truth["misturn_deg"]).max() > 1.5,
        f"shade_{truth['shade']}": truth["shade"] != "standard",
    }
    return sorted(name for name, holds in named.items() if holds)


def truth_file(
    truth: dict[str, Any],
    traced: dict[str, np.ndarray],
    matt: np.ndarray,
    i: int,
    camera: dict[str, float],
) -> dict[str, Any]:
    """The object of picture ``i`` of ``traced``, as tests/studio/TRUTH.md describes it."""
    sticker = traced["sticker"][i]
    gloss = gloss_shares(sticker, traced["rgb"][i], matt)
    ends = bulk_scene.project(truth, bulk_scene.CORNERS)
    truth |= {"height_px": sticker.shape[0], "height_frac": float(np.ptp(ends[:, 1])) / sticker.shape[0]}
    stickers = sticker_entries(truth, sticker, gloss, truth["sticker_side"])
    top = bulk_scene.project(truth, misturned(truth, TOP, np.array([0.0, 0.49, 0.0])))
    facelets = {FACES[f]: [[COLOURS[int(v)] for v in row] for row in truth["facelets"][f]] for f in range(6)}
    scheme = {FACES[f]: COLOURS[int(k)] for f, k in enumerate(truth["scheme"])}
    return {
        "kind": "photo",
        "profile": "bulk",
        "seed": truth["seed"],
        "width": sticker.shape[1],
        "height": sticker.shape[0],
        "n": truth["n"],
        "build": "stickerless" if truth["stickerless"] else "stickered",
        "shade": truth["shade"],
        "top_colour": scheme["U"],
        "scheme": scheme,
        "facelets": facelets,
        "last_layer": truth["last_layer"],
        "albedo_srgb": dict(zip(COLOURS, truth["albedo_srgb"], strict=True)),
        "stickers": stickers,
        "top_quad": np.round(top, 2).tolist(),
        "cube_height_frac": round(truth["height_frac"], 3),
        "top_visible_mean": round(truth["top_visible"], 3),
        "mirrored": False,
        "others": [{"n": one["n"]} for one in truth["others"]],
        "camera": {
            "focal_px": round(float(truth["focal_px"]), 3),
            "k1": round(float(truth["k1"]), 4),
            "elevation_deg": round(float(truth["elevation_deg"]), 2),
            "azimuth_deg": round(float(truth["azimuth_deg"]), 2),
            "cube_to_camera": np.round(truth["rotation"] @ AXES, 6).tolist(),
            "cube_centre_mm": np.round(10 * truth["side_cm"] * truth["translation"], 3).tolist(),
        },
        "scene": truth["kind"],
        "surface": truth["surface"],
        "pipeline": {name: round(value, 4) for name, value in camera.items()},
        "tags": tags_of(truth, stickers, camera),
    }
