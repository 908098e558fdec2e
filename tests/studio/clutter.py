"""What lies about: books, pens, mugs, notes in grids, keyboards, printed grids, tiles, frames, a person."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from . import textures
from .engine import Item
from .hand_mesh import SKINS, Bone, body_mesh
from .mesh import Mesh, joined, lathe, rounded_box, sheet, tube, turn_about
from .shades import srgb_to_linear

Array = NDArray[np.float64]
DESK = (
    "book",
    "pens",
    "mug",
    "notes",
    "page",
    "printed_grid",
    "keyboard",
    "box",
    "cable",
    "slab",
    "dice",
    "chocolate",
)
WALL = ("picture", "poster_grid", "window_grid", "shelf", "board")


def _random_colour(rng: np.random.Generator) -> Array:
    if rng.random() < 0.3:
        return srgb_to_linear(np.full(3, rng.uniform(15, 240)) / 255)
    return srgb_to_linear(np.clip(rng.uniform(5, 250, 3), 5, 245) / 255)


def _solid(mesh: Mesh, rng: np.random.Generator) -> Mesh:
    return mesh.painted(_random_colour(rng), float(rng.uniform(0.2, 0.8)))


def thing(rng: np.random.Generator, kind: str, number: int) -> tuple[list[Item], float]:
    """Items of one thing standing on z = 0 about the origin, and its radius on the desk in mm."""
    name = f"{kind}{number}"
    up = np.eye(3)
    if kind == "book":
        parts, z = [], 0.0
        for _ in range(int(rng.integers(1, 4))):
            w, d, t = rng.uniform(110, 200), rng.uniform(150, 250), rng.uniform(8, 35)
            turn = turn_about((0, 0, 1), rng.normal(0, 0.2))
            cover = _solid(rounded_box((w, d, t), 2.0), rng).moved(turn, (0, 0, z + t / 2))
            pages = rounded_box((w + 0.5, d - 8, t * 0.72), 1.0).painted((0.75, 0.7, 0.6), 0.8)
            parts += [cover, pages.moved(turn, turn @ np.array([1.5, 0, 0]) + np.array([0, 0, z + t / 2]))]
            z += t
        return [Item(name, joined(parts))], 150
    if kind == "pens":
        parts = []
        for _ in range(int(rng.integers(1, 5))):
            length, r = rng.uniform(110, 160), rng.uniform(3.5, 6)
            path = np.c_[
                np.linspace(-length / 2, length / 2, 6), np.full(6, rng.normal(0, 25)), np.full(6, r)
            ]
            parts.append(_solid(tube(path, r), rng).moved(turn_about((0, 0, 1), rng.uniform(0, 6.3))))
        return [Item(name, joined(parts))], 80
    if kind == "mug":
        r, h = rng.uniform(36, 46), rng.uniform(75, 110)
        outside = [[0, 0], [r * 0.9, 0], [r * 0.97, 4], [r, 12], [r, h - 2], [r - 1.5, h], [r - 4, h - 2]]
        body = lathe(np.array([*outside, [r - 4, h * 0.85]], dtype=float))
        a = np.linspace(-1.3, 1.3, 12)
        handle = tube(np.c_[r * 0.9 + 26 * np.cos(a), np.zeros(12), h / 2 + 30 * np.sin(a)], 5.5)
        colour = _random_colour(rng)
        drink = lathe(np.array([[r - 4, h * 0.85], [0.1, h * 0.85]])).painted((0.03, 0.015, 0.008), 0.1)
        mesh = joined([body.painted(colour, 0.2), handle.painted(colour, 0.2), drink])
        return [Item(name, mesh.moved(turn_about((0, 0, 1), rng.uniform(0, 6.3))))], 75
    if kind in ("notes", "dice", "chocolate"):
        rows, columns = int(rng.integers(1, 5)), int(rng.integers(2, 5))
        side = {"notes": rng.uniform(38, 76), "dice": rng.uniform(14, 20), "chocolate": rng.uniform(16, 26)}[
            kind
        ]
        gap = side * rng.uniform(0.02, 0.15)
        parts = []
        pool = [_random_colour(rng) for _ in range(int(rng.integers(1, 6)))]
        for r in range(rows):
            for c in range(columns):
                high = 0.4 if kind == "notes" else side if kind == "dice" else side * 0.35
                block = rounded_box((side, side, high), min(high / 2, side * 0.12), 2)
                jitter = turn_about((0, 0, 1), rng.normal(0, 0.05 if kind == "notes" else 0.01))
                at = ((c - columns / 2) * (side + gap), (r - rows / 2) * (side + gap), high / 2)
                parts.append(block.painted(pool[rng.integers(len(pool))], 0.6).moved(jitter, at))
        return [Item(name, joined(parts))], 0.75 * (side + gap) * max(rows, columns)
    if kind == "keyboard":
        cap = rng.uniform(14, 17)
        tone, back = _random_colour(rng), _random_colour(rng) * 0.5
        parts = [rounded_box((cap * 16.5, cap * 7.2, 8), 3).painted(back, 0.4).moved(up, (0, 0, 4))]
        key = rounded_box((cap, cap, 6), 1.6, 2)
        for r in range(5):
            for c in range(13):
                colour = tone if rng.random() < 0.93 else _random_colour(rng)
                at = ((c - 6) * cap * 1.17 + r * 2, (r - 2) * cap * 1.17, 10)
                parts.append(key.painted(colour, 0.5).moved(up, at))
        return [Item(name, joined(parts))], 150
    if kind == "box":
        size = rng.uniform(40, 130, 3)
        mesh = _solid(rounded_box(tuple(size), rng.uniform(1, 12)), rng).moved(up, (0, 0, size[2] / 2))
        return [Item(name, mesh)], float(np.hypot(size[0], size[1]) / 2)
    if kind == "cable":
        t = np.linspace(0, 1, 40)
        path = np.c_[300 * (t - 0.5), 60 * np.sin(6 * t + rng.uniform(0, 6)), np.full(40, 2.6)]
        return [Item(name, _solid(tube(path, 2.6), rng))], 150
    if kind == "slab":
        w, d = (72, 150) if rng.random() < 0.5 else (rng.uniform(150, 260), rng.uniform(110, 190))
        mesh = rounded_box((w, d, 8), 3.5).painted((0.012, 0.012, 0.014), 0.15).moved(up, (0, 0, 4))
        items = [Item(name, mesh, coat=0.5)]
        if rng.random() < 0.5:
            glass = sheet(w * 0.92, d * 0.94).painted((0.1, 0.1, 0.1), 0.1).moved(up, (0, 0, 8.1))
            items.append(Item(name + "s", glass, texture=textures.screen(rng)))
        return items, float(np.hypot(w, d) / 2)
    if kind == "page":
        mesh = sheet(148, 210).painted((0.8, 0.8, 0.8), 0.8).moved(up, (0, 0, 0.6))
        return [Item(name, mesh, texture=textures.printed_page(rng), specular=0.2)], 125
    if kind == "printed_grid":
        rows, columns = int(rng.integers(2, 7)), int(rng.integers(2, 7))
        side = rng.uniform(45, 200)
        mesh = sheet(side * columns / max(rows, columns), side * rows / max(rows, columns))
        mesh = mesh.painted((0.5, 0.5, 0.5), float(rng.uniform(0.2, 0.8))).moved(up, (0, 0, 0.8))
        return [Item(name, mesh, texture=textures.coloured_grid(rng, rows, columns))], side * 0.7
    raise ValueError(f"no thing of kind {kind!r}")


def wall_thing(rng: np.random.Generator, kind: str, number: int) -> list[Item]:
    """Something flat or shallow that hangs on a wall: drawn on z = 0 facing +z, about 300 to 700 mm wide."""
    name = f"{kind}{number}"
    up = np.eye(3)
    if kind == "picture":
        w, h = rng.uniform(200, 600, 2)
        frame = _solid(rounded_box((w, h, 20), 4), rng)
        inner = sheet(w * 0.85, h * 0.85).painted((0.5, 0.5, 0.5), 0.4).moved(up, (0, 0, 10.5))
        return [Item(name, frame), Item(name + "p", inner, texture=textures.screen(rng))]
    if kind in ("poster_grid", "window_grid", "board"):
        rows, columns = int(rng.integers(2, 6)), int(rng.integers(2, 6))
        side = rng.uniform(250, 650)
        picture = (
            textures.coloured_grid(rng, rows, columns) if kind != "board" else textures.printed_page(rng)
        )
        mesh = sheet(side, side * rows / columns if kind == "poster_grid" else side).painted(
            (0.5, 0.5, 0.5), 0.5
        )
        if kind == "window_grid":
            picture = np.clip(picture * 0.2 + 0.75, 0, 0.95)
        return [Item(name, mesh.moved(up, (0, 0, 3)), texture=picture)]
    parts = [rounded_box((700, 20, 180), 3).painted(_random_colour(rng), 0.5).moved(up, (0, -110, 90))]
    x = -330.0
    while x < 320:
        t, h = rng.uniform(12, 45), rng.uniform(120, 210)
        parts.append(_solid(rounded_box((t, h, 140), 2), rng).moved(up, (x + t / 2, -100 + h / 2, 80)))
        x += t + rng.uniform(0, 8)
    return [Item(name, joined(parts))]


def person(rng: np.random.Generator, number: int) -> list[Item]:
    """Head and shoulders, facing +y... of nobody: blended capsules; about the point between the eyes, z
    up."""
    skin = srgb_to_linear(np.array(SKINS[rng.integers(len(SKINS))]) / 255)
    head = [
        Bone(np.array([0, 0, 20.0]), np.array([0, 0, -40.0]), 88, 70),
        Bone(np.array([0, 0, -40.0]), np.array([0, 20, -160.0]), 55, 55),
        Bone(np.array([0, -85.0, -20]), np.array([0, -92.0, -40]), 10, 14),
    ]
    face = body_mesh(head, 12, 12).painted(skin, 0.5)
    hair_points = (face.points[:, 2] > 40) | ((face.points[:, 1] > 10) & (face.points[:, 2] > -60))
    face.colour[hair_points] = srgb_to_linear(rng.uniform(8, 120) / 255 * np.array([1.0, 0.75, 0.5]))
    torso = body_mesh(
        [
            Bone(np.array([-160, 30, -260.0]), np.array([160, 30, -260.0]), 75, 75),
            Bone(np.array([0, 30, -300.0]), np.array([0, 30, -600.0]), 150, 150),
        ],
        20,
        20,
    ).painted(_random_colour(rng), 0.9)
    if rng.random() < 0.4:
        check = np.floor(torso.points / rng.uniform(25, 60))[:, ::2].sum(axis=1) % 2 > 0
        torso.colour[check] = _random_colour(rng)
    return [Item(f"face{number}", face, specular=0.35), Item(f"shirt{number}", torso, specular=0.1)]
