"""Hands on a cube, and cards or books held over it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from .actor import Actor
from .camera import Camera
from .engine import Item
from .hand_mesh import Grip, draw_grip, hand_mesh
from .mesh import rounded_box, turn_about


def hands_on(rng: np.random.Generator, actor: Actor, camera: Camera, kind: str) -> list[Item]:
    """One or two hands on the cube, the palms turned away from the camera."""
    view = actor.rotation.T @ (camera.eye - actor.centre)
    view = view / np.linalg.norm(view)
    sides = [turn_about((0, 0, 1), q * np.pi / 2) for q in range(4)]
    ways = [(m, m @ np.array([1.0, 0, 0])) for m in sides]
    below = turn_about((0, 1, 0), np.pi / 2)  # palm beyond -z
    ways += [(m @ below, np.array([0, 0, -1.0])) for m in sides]
    if kind == "desk":
        ways = ways[:4]
    weights = np.array(
        [np.exp(-5.0 * max(float(w @ view), -0.2)) * (0.35 if abs(w[2]) > 0.5 else 1.0) for _, w in ways]
    )
    count = 1 if rng.random() < 0.75 or kind == "desk" else 2
    picked = rng.choice(len(ways), size=count, replace=False, p=weights / weights.sum())
    if count == 2 and float(ways[picked[0]][1] @ ways[picked[1]][1]) > -0.5:
        opposite = [i for i, (_, w) in enumerate(ways) if float(w @ ways[picked[0]][1]) < -0.5]
        picked = np.array([picked[0], opposite[0]]) if opposite else picked[:1]
    items = []
    for i, which in enumerate(picked):
        side_grip = which < 4
        grip: Grip = draw_grip(rng, actor.body.side_mm, over_top=bool(side_grip and rng.random() < 0.22))
        if kind == "desk":
            grip = replace(grip, arm=(0.9, grip.arm[1], 0.35), thumb_high=0.1, fingers_high=0.02, reach=0.3)
        mesh = hand_mesh(rng, grip, left=bool(rng.random() < 0.5))
        mesh = mesh.moved(actor.rotation @ ways[which][0], actor.centre)
        items.append(Item(f"hand{i}", mesh, specular=0.35))
    return items


def cover_over(rng: np.random.Generator, actor: Actor, camera: Camera, whole: bool) -> Item:
    """A card, book or sheet held between the camera and the top face: over most of it, or over an edge of
    it."""
    side = actor.body.side_mm
    top = actor.centre + actor.rotation @ np.array([0, 0, side / 2])
    way = (camera.eye - top) / np.linalg.norm(camera.eye - top)
    size = side * (rng.uniform(1.0, 1.7) if whole else rng.uniform(0.5, 1.0))
    mesh = rounded_box((size, size * rng.uniform(0.9, 1.5), rng.uniform(1.5, 12)), 0.7)
    mesh = mesh.painted(rng.uniform(0.02, 0.8, 3), 0.6)
    normal = way + 0.35 * rng.normal(0, 1, 3)
    across = np.cross(normal, rng.normal(0, 1, 3))
    across /= np.linalg.norm(across)
    normal /= np.linalg.norm(normal)
    pose = np.stack([across, np.cross(normal, across), normal], 1)
    aside = rng.normal(0, 1, 3)
    aside -= way * float(aside @ way)
    aside /= np.linalg.norm(aside)
    off = side * rng.uniform(0.0, 0.18) if whole else size / 2 + side * rng.uniform(0.05, 0.3)
    at = top + way * rng.uniform(0.75, 1.0) * side + aside * off
    return Item("cover", mesh.moved(pose, at))
