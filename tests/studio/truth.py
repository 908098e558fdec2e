"""The truth beside each picture: one JSON object, as tests/studio/TRUTH.md describes it."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .actor import Actor
from .camera import Camera
from .cube_mesh import sticker_frames, sticker_side, top_corners
from .light import HARD
from .scene import Shot
from .shades import COLOURS
from .state import FACES, evident_from_top

Array = NDArray[np.float64]
#: which points (N, 3) of the world the camera sees
Sight = Callable[[Array], NDArray[np.bool_]]


def top_layer_places(size: int) -> list[tuple[int, int, int]]:
    """(face, row, col) of every sticker of the last layer: the whole of U, then the top rows of F, R, B,
    L."""
    places = [(0, r, c) for r in range(size) for c in range(size)]
    return places + [(FACES.index(f), 0, c) for f in "FRBL" for c in range(size)]


def world_frames(actor: Actor) -> tuple[Array, Array]:
    """Centres (6, n, n, 3) and frames (6, n, n, 3, 3) of the stickers in the world."""
    centres, frames = sticker_frames(actor.body, actor.twist)
    return centres @ actor.rotation.T + actor.centre, frames @ actor.rotation.T


def sticker_truths(
    actor: Actor, camera: Camera, sight: Sight, places: list[tuple[int, int, int]]
) -> list[dict[str, Any]]:
    """One object per sticker: visible share (16 rays), whether its centre is seen, its pixel and its extent.

    `thin_px` is the height of the sticker's projected outline over its longest side; `xy` is null when
    nothing of it is visible (the centre's pixel otherwise, even where the centre itself is covered).
    """
    centres, frames = world_frames(actor)
    side = sticker_side(actor.body)
    steps = (np.arange(4) - 1.5) / 4 * 0.92
    offsets = np.array([(u, v) for v in steps for u in steps] + [(0.0, 0.0)]) * side
    points, facing = [], []
    for place in places:
        frame, centre = frames[place], centres[place]
        facing.append(float((camera.eye - centre) @ frame[2]) > 0)
        points.append(centre + offsets @ frame[:2] + 0.05 * frame[2])
    flat = np.concatenate(points)
    xy, depth = camera.project(flat)
    seen = camera.inside(np.nan_to_num(xy, nan=-1.0)) & (depth > 0)
    worth = np.flatnonzero(seen & np.repeat(facing, 17))
    seen[:] = False
    seen[worth] = sight(flat[worth])
    out = []
    for i, place in enumerate(places):
        mine = seen[17 * i : 17 * i + 17]
        visible = float(mine[:16].mean())
        colour = actor.scheme[actor.facelets[place]]
        entry: dict[str, Any] = {"face": FACES[place[0]], "row": place[1], "col": place[2], "colour": colour}
        entry |= {"visible": round(visible, 3), "centre_visible": bool(mine[16]), "thin_px": 0.0, "xy": None}
        if visible > 0:
            frame, centre = frames[place], centres[place]
            square = np.array([[-0.5, -0.5], [0.5, -0.5], [0.5, 0.5], [-0.5, 0.5]]) * side
            outline, _ = camera.project(centre + square @ frame[:2])
            entry["thin_px"] = round(thinness(outline), 1)
            entry["xy"] = [round(float(v), 2) for v in camera.project(centre)[0]]
        out.append(entry)
    return out


def thinness(outline: Array) -> float:
    """Area of a quadrilateral (4, 2) over its longest side: its smaller extent in pixels."""
    x, y = outline[:, 0], outline[:, 1]
    area = 0.5 * abs(float(np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1))))
    longest = float(np.linalg.norm(outline - np.roll(outline, -1, axis=0), axis=1).max())
    return area / max(longest, 1e-9)


def quad_of(actor: Actor, camera: Camera) -> list[list[float]]:
    """Pixels of the top face's outer corners: back-left, back-right, front-right, front-left."""
    corners = top_corners(actor.body, actor.twist) @ actor.rotation.T + actor.centre
    return [[round(float(v), 2) for v in p] for p in camera.project(corners)[0]]


def facelet_names(actor: Actor) -> dict[str, list[list[str]]]:
    """Face -> rows of colour names, URFDLB in the order of the shared truth files."""
    return {
        FACES[f]: [[actor.scheme[int(v)] for v in row] for row in actor.facelets[f]]
        for f in (0, 1, 2, 3, 4, 5)
    }


def hull_height(actor: Actor, camera: Camera) -> float:
    """The cube's projected height over the picture's height."""
    h = actor.body.side_mm / 2
    corners = np.array([[x, y, z] for x in (-h, h) for y in (-h, h) for z in (-h, h)])
    xy, _ = camera.project(corners @ actor.rotation.T + actor.centre)
    return float(np.ptp(xy[:, 1]) / camera.height)


def cube_fields(actor: Actor) -> dict[str, Any]:
    """What the truth says of the cube itself."""
    body = actor.body
    scheme = dict(zip(FACES, actor.scheme, strict=True))
    marked = body.glyph is not None
    return {
        "n": body.size,
        "build": "stickered" if body.stickered else "stickerless",
        "plastic": body.plastic_name,
        "shade": body.shade_name,
        "top_colour": scheme["U"],
        "scheme": scheme,
        "facelets": facelet_names(actor),
        "albedo_srgb": {c: list(v) for c, v in zip(COLOURS, body.albedo_srgb, strict=True)},
        "glyph_sticker": list(body.glyph) if marked and body.glyph is not None else None,
        "side_length_mm": round(body.side_mm, 1),
        "misturn": {
            "axis": "xyz"[actor.twist.axis] if actor.twist.degrees else None,
            "degrees_by_layer": [round(d, 2) for d in actor.twist.degrees] or [0.0] * body.size,
        },
    }


def camera_fields(shot: Shot) -> dict[str, Any]:
    """The object `camera`: as in TRUTH.md, and besides the whole pinhole (`focal_px`, pose of the
    cube)."""
    camera = shot.stage.camera
    out: dict[str, Any] = {
        "model": shot.camera_name,
        "hfov_deg": round(camera.hfov_deg, 2),
        "diag_fov_deg": round(camera.diag_fov_deg, 2),
        "k1": round(camera.k1, 4),
        "focal_px": round(camera.focal_px, 3),
        "roll_deg": round(shot.roll_deg, 2),
    }
    if shot.cube is not None:
        rotation = camera.rotation @ shot.cube.rotation
        shift = camera.rotation @ (shot.cube.centre - camera.eye)
        ahead = shot.cube.rotation.T @ (camera.eye - shot.cube.centre)
        h = shot.cube.body.side_mm / 2
        out |= {
            "elevation_deg": round(shot.elevation_deg, 2),
            "azimuth_deg": round(shot.azimuth_deg, 2),
            "distance_mm": round(float(np.linalg.norm(shift)), 1),
            "side_face_visible": bool(max(abs(ahead[0]), abs(ahead[1])) > h),
            "cube_to_camera": [[round(float(v), 6) for v in row] for row in rotation],
            "cube_centre_mm": [round(float(v), 3) for v in shift],
        }
    return out


def truth_of(shot: Shot, seed: tuple[int, ...], sight: Sight) -> dict[str, Any]:
    """Everything but gloss and the check against the picture, which need a rendering (see `with_gloss`)."""
    camera = shot.stage.camera
    out: dict[str, Any] = {
        "kind": "photo",
        "profile": "studio",
        "seed": list(seed),
        "split": "held" if seed[-1] % 3 == 2 else "tune",
        "width": camera.width,
        "height": camera.height,
    }
    if shot.negative is not None:
        out |= {"negative": shot.negative, "negative_detail": shot.negative_detail}
    tags = set(shot.tags)
    if shot.cube is not None:
        actor = shot.cube
        out |= cube_fields(actor)
        if shot.layer is not None:
            out["last_layer"] = shot.layer.to_truth()
        stickers = sticker_truths(actor, camera, sight, top_layer_places(actor.body.size))
        out |= {"top_quad": quad_of(actor, camera), "stickers": stickers}
        out["cube_height_frac"] = round(hull_height(actor, camera), 3)
        tops = [s["visible"] for s in stickers if s["face"] == "U"]
        out["top_visible_mean"] = round(float(np.mean(tops)), 3)
        if shot.negative == "not_last_layer":
            seen = np.zeros(actor.facelets.shape, dtype=bool)
            for s in stickers:
                seen[FACES.index(s["face"]), s["row"], s["col"]] = s["visible"] > 0.3
            out["evident_from_top_layer"] = evident_from_top(actor.facelets, seen)
        corners = np.array(out["top_quad"])
        tags |= {f"shade_{actor.body.shade_name}"} if actor.body.shade_name != "standard" else set()
        tags |= {"top_occluded_part"} if np.mean(tops) < 0.93 and camera.inside(corners).all() else set()
        tags |= {"partly_out"} if not camera.inside(corners).all() else set()
        tags |= {"grazing"} if shot.elevation_deg < 25 else {"top_down"} if shot.elevation_deg > 75 else set()
        tags |= {"small"} if out["cube_height_frac"] < 0.2 else set()
        tags |= {"misturned"} if max(map(abs, actor.twist.degrees), default=0.0) > 1.5 else set()
        tags |= {"mirrored"} if shot.mirrored else set()
    tags |= {"hard_shadow"} if any(entry["type"] in HARD for entry in shot.lighting.listing) else set()
    out["mirrored"] = shot.mirrored
    out["others"] = [
        {
            "n": o.body.size,
            "top_quad": quad_of(o, camera),
            "cube_height_frac": round(hull_height(o, camera), 3),
        }
        for o in shot.others
    ]
    out |= {
        "camera": camera_fields(shot),
        "lights": list(shot.lighting.listing),
        "light_kind": shot.lighting.kind,
        "scene": shot.kind,
        "surface": shot.surface,
        "clutter": list(shot.clutter),
        "pipeline": shot.pipeline.to_truth(),
        "tags": sorted(tags),
    }
    return mirrored(out) if shot.mirrored else out


def mirrored(truth: dict[str, Any]) -> dict[str, Any]:
    """The truth of a picture flipped left to right: pixels move; the cube and its labels stay what they
    are."""
    width = truth["width"]

    def flip(p: list[float]) -> list[float]:
        return [round(width - p[0], 2), p[1]]

    out = dict(truth)
    out["top_quad"] = [flip(p) for p in truth["top_quad"]]
    out["stickers"] = [s | {"xy": flip(s["xy"]) if s["xy"] else None} for s in truth["stickers"]]
    out["others"] = [o | {"top_quad": [flip(p) for p in o["top_quad"]]} for o in truth["others"]]
    return out


def with_gloss(truth: dict[str, Any], share: Callable[[list[float], float], float]) -> dict[str, Any]:
    """Adds each visible sticker's `gloss_share` and the glare tags. `share` takes a pixel and a radius in
    pixels.

    glare: over half of the light of a visible top sticker is reflection; glare_heavy: on more than 30 % of
    the visible top stickers over 60 % of the light is.
    """
    tops = []
    for sticker in truth.get("stickers", []):
        if sticker["xy"] is not None:
            sticker["gloss_share"] = round(share(sticker["xy"], sticker["thin_px"] * 0.3), 2)
            if sticker["face"] == "U":
                tops.append(sticker["gloss_share"])
    tags = set(truth["tags"])
    if tops:
        tags |= {"glare"} if max(tops) > 0.5 else set()
        tags |= {"glare_heavy"} if float(np.mean(np.array(tops) > 0.6)) > 0.3 else set()
    truth["tags"] = sorted(tags)
    return truth


def albedo_check(truth: dict[str, Any], albedo: NDArray[np.float32], linear_rgb: Array) -> dict[str, Any]:
    """Compares the albedo that the renderer saw at each sticker's pixel with the colour that the truth gives
    it.

    Only stickers whose centre is visible and that are at least 6 px thin; a mark's sticker is left out.
    """
    bad: list[list[Any]] = []
    total = 0
    for s in truth["stickers"]:
        if (
            not s["centre_visible"]
            or s["thin_px"] < 6
            or truth["glyph_sticker"] == [s["face"], s["row"], s["col"]]
        ):
            continue
        total += 1
        x, y = int(s["xy"][0]), int(s["xy"][1])
        found = albedo[y, x].astype(float)
        nearest = int(np.argmin(np.linalg.norm(np.sqrt(linear_rgb) - np.sqrt(np.maximum(found, 0)), axis=1)))
        if COLOURS[nearest] != s["colour"]:
            bad.append([s["face"], s["row"], s["col"], COLOURS[nearest]])
    return {"ok": total - len(bad), "total": total, "bad": bad}
