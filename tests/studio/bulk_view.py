"""Cameras and world axes for the bulk pictures (numpy only)."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from bulk_prims import Builder, Rng, V, unit

#: share of pictures that look straight at a side face
FACE_ON = 0.1
UP_OF = {"U": [0, 1, 0], "F": [0, 0, 1], "R": [1, 0, 0], "L": [-1, 0, 0], "B": [0, 0, -1], "D": [0, -1, 0]}


@dataclass
class Setting:
    cam: V
    builder: Builder
    cubes: list[V] = field(default_factory=list)
    lights: list[V] = field(default_factory=list)
    truth: dict[str, Any] = field(default_factory=dict)


def look(elev: float, azim: float, roll: float, up: V) -> tuple[V, V]:
    """Cube -> camera rotation looking at the cube's centre, and the unit vector cube -> camera (cube
    axes)."""
    v = np.array([np.cos(elev) * np.sin(azim), np.sin(elev), np.cos(elev) * np.cos(azim)])
    f = -v
    away = np.array([-np.sin(azim), 0, -np.cos(azim)])
    hint = up + away if abs(up[1]) > 0.5 else up + 0.02 * np.array([0.3, 0.8, 0.1])
    r = unit(np.cross(f, hint))
    base = np.stack([r, np.cross(f, r), f])
    c, s = np.cos(roll), np.sin(roll)
    return np.array([[c, -s, 0], [s, c, 0], [0, 0, 1]]) @ base, v


def rotation_taking_z_to(q: V) -> V:
    z = np.array([0.0, 0, 1])
    v, c = np.cross(z, q), q[2]
    k = np.array([[0, -v[2], v[1]], [v[2], 0, -v[0]], [-v[1], v[0], 0]])
    return np.eye(3) + k + k @ k / (1 + c)


@dataclass(frozen=True)
class Views:
    """Shares of pictures: looking down so steeply that sides are slivers (beside those that do by chance),
    and with the cube's middle at the picture's edge; and the layers that a cube may have, each as often as
    the others (as usual where none are named)."""

    steep: float = 0.0
    partly_out: float = 0.05
    sizes: tuple[int, ...] = ()


PLAIN = Views()


@dataclass
class View:
    """Camera of a scene: relative focal, centre, k1 and the cube -> camera pose in cm."""

    focal: float
    cx: float
    cy: float
    k1: float
    rotation: V
    t_cm: V
    aspect: float  # height / width

    def ray(self, x: float, y: float) -> V:
        """Camera-frame ray of a picture point in units of width, height."""
        d = np.array([(x - self.cx), (y - self.cy) * self.aspect]) / self.focal
        u = d.copy()
        for _ in range(8):
            u = d / (1 + self.k1 * (u @ u))
        return np.array([u[0], u[1], 1.0])

    def corners(self, half: float) -> V:
        p = (
            np.array([[a, b, c] for a in (-half, half) for b in (-half, half) for c in (-half, half)])
            @ self.rotation.T
            + self.t_cm
        )
        xy = p[:, :2] / np.maximum(p[:, 2:], 0.5)
        xy = xy * (1 + self.k1 * (xy**2).sum(1, keepdims=True)) * self.focal + [
            self.cx,
            self.cy * self.aspect,
        ]
        return xy / [1, self.aspect]


def frame(
    rng: Rng, half: float, width: int, height: int, views: Views = PLAIN
) -> tuple[View, float, float, V, V]:
    """A camera whose picture holds the cube at a wanted size and place."""
    aspect = height / width
    fov = np.radians(rng.uniform(35, 80))
    focal = 0.5 * max(1.0, aspect) / np.tan(fov / 2)
    k1 = float(rng.choice([0.0, rng.uniform(-0.12, 0.06)], p=[0.5, 0.5]))
    cx, cy = (0.5, 0.5) if rng.random() < 0.6 else (0.5 + rng.normal(0, 0.012), 0.5 + rng.normal(0, 0.012))
    r = rng.random()
    elev = np.radians(rng.uniform(25, 65) if r < 0.6 else rng.uniform(20, 88) if r < 0.95 else 89.9)
    azim = np.radians(rng.uniform(-45, 45))
    if rng.random() < FACE_ON:  # one side face turned straight to the camera
        elev, azim = np.radians(rng.uniform(-8, 14)), np.radians(rng.normal(0, 7))
    if views.steep and rng.random() < views.steep:
        elev = np.radians(rng.uniform(72, 88))
    up = np.array(UP_OF["U"], float)
    roll = np.radians(rng.uniform(-180, 180) if rng.random() < 0.15 else np.clip(rng.normal(0, 12), -28, 28))
    if rng.random() < 0.12 and elev < np.radians(72):  # lies on a side: gravity along another face
        sides = [
            s
            for s in "FRLB"
            if (np.array(UP_OF[s]) @ [np.cos(elev) * np.sin(azim), np.sin(elev), np.cos(elev) * np.cos(azim)])
            > 0.2
        ]
        if sides:
            up = np.array(UP_OF[str(rng.choice(sides))], float)
    rot, v = look(elev, azim, roll, up)
    frac = float(np.clip(np.exp(rng.normal(np.log(0.36), 0.5)), 0.10, 0.95))
    partly_out = rng.random() < views.partly_out
    u = np.array([rng.normal(0.5, 0.17), rng.normal(0.5, 0.17)])
    if partly_out:
        u[int(rng.integers(2))] = rng.choice([0.02, 0.98])
    u = np.clip(u, 0.02, 0.98)
    d = 2 * half * 1.4 * focal / (frac * aspect)
    view = View(focal, cx, cy, k1, rot, np.zeros(3), aspect)
    for _ in range(7):
        q = unit(view.ray(*u))
        view.rotation = rotation_taking_z_to(q) @ rot
        view.t_cm = q * d
        box = view.corners(half)
        lo, hi = box.min(0), box.max(0)
        size = max((hi[1] - lo[1]) / frac, (hi[0] - lo[0]) / min(frac / aspect * 1.6, 0.95))
        d = float(np.clip(d * size, 4.0 * half, 260))
        if not partly_out:
            m = 0.01
            shift = np.maximum(0, m - lo) - np.maximum(0, hi - 1 + m)
            both = (hi - lo) > 1 - 2 * m
            u = np.clip(np.where(both, 0.5, u + shift), 0.02, 0.98)
    return view, float(elev), float(azim), v, up


class World:
    """World axes (z up, origin at the cube) of a scene."""

    def __init__(self, view: View, up_cube: V) -> None:
        z = unit(up_cube)
        x = view.rotation[0]
        x = x - z * (x @ z)
        if np.linalg.norm(x) < 0.2:
            x = view.rotation[1] - z * (view.rotation[1] @ z)
        x = unit(x)
        self.m = np.stack([x, np.cross(z, x), z])  # cube -> world
        self.cam_rows = view.rotation @ self.m.T  # world -> camera
        self.eye = -self.cam_rows.T @ view.t_cm
        self.right, self.down, self.fwd = self.cam_rows
        f = np.array([self.fwd[0], self.fwd[1], 0])
        if np.linalg.norm(f) < 0.25:  # looking straight down: away is up in the picture
            f = -np.array([self.down[0], self.down[1], 0])
        self.ahead = unit(f)
        self.aside = np.cross(self.ahead, [0, 0, 1.0])

    def hit_level(self, ray_cam: V, z: float) -> V | None:
        d = self.cam_rows.T @ ray_cam
        if abs(d[2]) < 1e-3:
            return None
        t = (z - self.eye[2]) / d[2]
        return self.eye + d * t if 0 < t < 400 else None
