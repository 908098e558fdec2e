"""One random scene for the bulk pictures: camera, main cube, surroundings, hands and lamps (numpy only)."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import bulk_props as bp
import numpy as np
from bulk_cube import cube_block
from bulk_props import Builder, unit

Rng = np.random.Generator
V = np.ndarray
UP_OF = {"U": [0, 1, 0], "F": [0, 0, 1], "R": [1, 0, 0], "L": [-1, 0, 0], "B": [0, 0, -1], "D": [0, -1, 0]}


@dataclass
class Setting:
    cam: V
    builder: Builder
    cubes: list[V] = field(default_factory=list)
    lights: list[V] = field(default_factory=list)
    truth: dict[str, Any] = field(default_factory=dict)


def blackbody(cct: float) -> V:
    """Linear sRGB of a Planckian lamp, luminance 1 (locus: Kim et al. 2002 cubic, from memory; matrix IEC 61966-2-1)."""
    t = 1e3 / cct
    x = (
        -0.2661239 * t**3 - 0.2343589 * t**2 + 0.8776956 * t + 0.179910 if cct < 4000
        else -3.0258469 * t**3 + 2.1070379 * t**2 + 0.2226347 * t + 0.240390
    )
    if cct < 2222:
        y = -1.1063814 * x**3 - 1.34811020 * x**2 + 2.18555832 * x - 0.20219683
    elif cct < 4000:
        y = -0.9549476 * x**3 - 1.37418593 * x**2 + 2.09137015 * x - 0.16748867
    else:
        y = 3.0817580 * x**3 - 5.87338670 * x**2 + 3.75112997 * x - 0.37001483
    xyz = np.array([x / y, 1, (1 - x - y) / y])
    m = np.array([[3.2406, -1.5372, -0.4986], [-0.9689, 1.8758, 0.0415], [0.0557, -0.2040, 1.0570]])
    return np.maximum(m @ xyz, 0.01)


def look(elev: float, azim: float, roll: float, up: V) -> tuple[V, V]:
    """Cube -> camera rotation looking at the cube's centre, and the unit vector cube -> camera (cube axes)."""
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
        p = np.array([[a, b, c] for a in (-half, half) for b in (-half, half) for c in (-half, half)]) @ self.rotation.T + self.t_cm
        xy = p[:, :2] / np.maximum(p[:, 2:], 0.5)
        xy = xy * (1 + self.k1 * (xy**2).sum(1, keepdims=True)) * self.focal + [self.cx, self.cy * self.aspect]
        return xy / [1, self.aspect]


def frame(rng: Rng, half: float, width: int, height: int) -> tuple[View, float, float, V, V]:
    """A camera whose picture holds the cube at a wanted size and place."""
    aspect = height / width
    fov = np.radians(rng.uniform(35, 80))
    focal = 0.5 * max(1.0, aspect) / np.tan(fov / 2)
    k1 = float(rng.choice([0.0, rng.uniform(-0.12, 0.06)], p=[0.5, 0.5]))
    cx, cy = (0.5, 0.5) if rng.random() < 0.6 else (0.5 + rng.normal(0, 0.012), 0.5 + rng.normal(0, 0.012))
    r = rng.random()
    elev = np.radians(rng.uniform(25, 65) if r < 0.6 else rng.uniform(20, 88) if r < 0.95 else 89.9)
    azim = np.radians(rng.uniform(-45, 45))
    up = np.array(UP_OF["U"], float)
    roll = np.radians(rng.uniform(-180, 180) if rng.random() < 0.15 else np.clip(rng.normal(0, 12), -28, 28))
    if rng.random() < 0.12 and elev < np.radians(72):  # lies on a side: gravity along another face
        sides = [s for s in "FRLB" if (np.array(UP_OF[s]) @ [np.cos(elev) * np.sin(azim), np.sin(elev), np.cos(elev) * np.cos(azim)]) > 0.2]
        if sides:
            up = np.array(UP_OF[str(rng.choice(sides))], float)
    rot, v = look(elev, azim, roll, up)
    frac = float(np.clip(np.exp(rng.normal(np.log(0.36), 0.5)), 0.10, 0.95))
    partly_out = rng.random() < 0.05
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


def blocks_view(w: World, c: V, radius: float, half: float) -> bool:
    a, b = w.eye, np.zeros(3)
    s = float(np.clip((c - a) @ (b - a) / ((b - a) @ (b - a)), 0, 1))
    return bool(np.linalg.norm(c - a - (b - a) * s) < radius + half * 1.7 * s)


def litter(rng: Rng, s: Setting, w: World, view: View, level: float, half: float, cube_on_desk: bool, count: int, negative: bool) -> None:
    names, weights, sizes = zip(*bp.DESK_THINGS, strict=True)
    p = np.array(weights)
    if negative:
        p = p * np.array([3.0 if n in (bp.notes, bp.screen, bp.bricks) else 1.0 for n in names])
    taken: list[tuple[V, float]] = [(np.array([0, 0, level]), half * 1.5)] if cube_on_desk else []
    for _ in range(count):
        if s.builder.room_left < 45:
            return
        k = int(rng.choice(len(names), p=p / p.sum()))
        for _try in range(5):
            at = w.hit_level(view.ray(rng.uniform(-0.1, 1.1), rng.uniform(-0.1, 1.1)), level)
            if at is None or np.linalg.norm(at - w.eye) > 200 or np.linalg.norm(at - w.eye) < 12:
                continue
            flat = sizes[k] <= 3
            if not flat and any(np.linalg.norm(at - c) < sizes[k] + r for c, r in taken):
                continue
            if not flat and blocks_view(w, at + [0, 0, 5], sizes[k] * 0.8, half) and rng.random() < 0.95:
                continue
            if not flat:
                taken.append((at, sizes[k]))
            names[k](s.builder, rng, at, rng.uniform(0, 2 * np.pi))
            break


def other_cubes(rng: Rng, s: Setting, w: World, view: View, level: float, half: float, count: int, whole_ok: bool) -> None:
    for _ in range(count):
        for _try in range(8):
            x, y = rng.uniform(0.02, 0.98, 2)
            oh = half * rng.uniform(0.55, 1.15)
            on_desk = rng.random() < 0.75
            at = w.hit_level(view.ray(x, y), level + oh) if on_desk else w.eye + w.cam_rows.T @ unit(view.ray(x, y)) * rng.uniform(20, 120)
            if at is None:
                continue
            d, d0 = np.linalg.norm(at - w.eye), np.linalg.norm(w.eye)
            near = 4 * half if whole_ok else d0 * rng.uniform(1.08, 1.3) * oh / half
            if d > 220 or d < near or np.linalg.norm(at) < 2.1 * (oh + half) or blocks_view(w, at, oh * 1.75, half):
                continue
            if on_desk:
                rows = bp.yaw_rows(rng.uniform(0, 6.28)) @ np.array([[1, 0, 0], [0, 0, 1], [0, -1, 0]])
                rows = np.array([[1, 0, 0], [0, 0, 1], [0, -1, 0]]) @ bp.yaw_rows(rng.uniform(0, 6.28))
            else:
                q, _r = np.linalg.qr(rng.normal(size=(3, 3)))
                rows = q * np.sign(np.linalg.det(q))
            n = int(rng.choice([2, 3, 4, 5], p=[0.15, 0.4, 0.3, 0.15]))
            block, truth = cube_block(rng, n, 2 * oh, at, rows, 2)
            s.cubes.append(block)
            truth |= {"rotation": w.cam_rows @ rows.T, "translation": (w.cam_rows @ (at - w.eye)) / (2 * oh), "k1": view.k1}
            s.truth["others"].append(truth)
            break


def lamp(pos: V, rgb: V, irradiance: float, radius: float, rect: tuple[V, V] | None = None) -> tuple[V, float]:
    """A lamp that gives about `irradiance` at the origin."""
    q = np.zeros(16, np.float32)
    d2 = float(pos @ pos)
    q[1:4], q[13] = pos, radius
    area = np.pi * radius**2
    if rect is not None:
        q[0], q[4:7], q[7:10] = 1, *rect
        n = np.cross(*rect)
        area = 4 * np.linalg.norm(n) * max(abs(float(unit(n) @ unit(pos))), 0.1)
    q[10:13] = rgb * (irradiance * d2 / area)
    return q, irradiance


def lights(rng: Rng, s: Setting, w: World, top: V) -> list[str]:
    tags: list[str] = []
    made: list[tuple[V, float]] = []
    base = rng.uniform(2500, 7500)
    ambient = float(np.exp(rng.uniform(np.log(0.08), np.log(1.1))))
    count = int(rng.choice([0, 1, 2, 3], p=[0.08, 0.47, 0.3, 0.15]))
    if count == 0:
        ambient = rng.uniform(0.5, 1.2)
    for _ in range(count):
        cct = base if rng.random() < 0.6 else rng.uniform(2500, 7500)
        az, el, d = rng.uniform(-2.6, 2.6), np.radians(rng.uniform(25, 88)), rng.uniform(50, 240)
        hor = -w.ahead * np.cos(az) + w.aside * np.sin(az)
        pos = (hor * np.cos(el) + np.array([0, 0, np.sin(el)])) * d
        e = rng.uniform(0.4, 3.2)
        r = rng.random()
        if r < 0.25:
            tags.append("hard_shadow")
            made.append(lamp(pos, blackbody(cct), e, rng.uniform(0.6, 2.0)))
        elif r < 0.6:
            made.append(lamp(pos, blackbody(cct), e, rng.uniform(3, 14)))
        else:
            a = unit(np.cross(pos, [0.1, 0.2, 1]))
            b2 = np.cross(unit(pos), a)
            made.append(lamp(pos, blackbody(cct), e, 1, (a * rng.uniform(6, 60), b2 * rng.uniform(4, 40))))
    if rng.random() < 0.22 and len(made) < 4:  # mirrored in the top face towards the camera
        v = unit(w.eye)
        m = unit(2 * top * (v @ top) - v + rng.normal(0, 0.05, 3))
        if m[2] > 0.1:
            tags.append("glare")
            d = rng.uniform(60, 200)
            a = unit(np.cross(m, [0.3, 0.1, 1]))
            rect = (a * d * rng.uniform(0.05, 0.3), np.cross(m, a) * d * rng.uniform(0.05, 0.25)) if rng.random() < 0.6 else None
            made.append(lamp(m * d, blackbody(rng.uniform(2800, 7500)), rng.uniform(0.3, 2.5), d * rng.uniform(0.02, 0.12), rect))
    total = sum(e for _, e in made)
    for q, e in made:
        q[14] = e / total
        s.lights.append(q)
    tint = blackbody(rng.uniform(4000, 7500) if rng.random() < 0.5 else base)
    s.cam[18:21] = tint * ambient * rng.uniform(0.6, 1.6)
    s.cam[21:24] = tint * ambient * rng.uniform(0.4, 1.2) * np.clip(1 + rng.normal(0, 0.1, 3), 0.5, 1.5)
    s.cam[24:27] = tint * ambient * rng.uniform(0.1, 0.6) * np.clip(1 + rng.normal(0, 0.2, 3), 0.4, 1.6)
    for k in range(2):
        el = rng.uniform(0.1, 1.4)
        az = rng.uniform(0, 6.28)
        s.cam[27 + 7 * k: 30 + 7 * k] = np.cos(el) * np.cos(az), np.cos(el) * np.sin(az), np.sin(el)
        s.cam[30 + 7 * k] = np.cos(rng.uniform(0.15, 0.6))
        s.cam[31 + 7 * k: 34 + 7 * k] = blackbody(rng.uniform(3000, 7500)) * ambient * rng.choice([0.0, rng.uniform(1, 8)])
    return tags


def grip(rng: Rng, s: Setting, w: World, view: View, half: float, held: bool) -> str:
    """Hands or a gripper at the cube."""
    axes = [w.m @ np.array(UP_OF[f], float) for f in "URFDLB"]
    eye = unit(w.eye)
    if rng.random() < 0.10:
        a = axes[int(rng.choice([1, 2, 4, 5]))]
        bp.rods(s.builder, rng, half, a, axes[0])
        return "rods"
    tone = bp.skin(rng)
    score = []
    for i, a in enumerate(axes):  # palm: away from the camera, low, not under the desk
        t = 1.2 - 1.6 * (a @ eye) + 0.9 * (a @ w.down) + rng.normal(0, 0.45) - (2.5 if i == 0 else 0)
        if not held and a[2] < -0.5:
            t = -9
        score.append(t)
    used = -1
    for hand_no in range(2 if rng.random() < 0.22 else 1):
        order = [int(i) for i in np.argsort(score)[::-1] if i % 3 != used % 3 or used < 0]
        pi = order[0] if hand_no == 0 else order[int(rng.integers(min(2, len(order))))]
        used = pi
        p = axes[pi]
        sides = [i for i in range(6) if i % 3 != pi % 3 and (i != 0 or rng.random() < 0.25) and (held or axes[i][2] > -0.5)]
        sc = [rng.normal(0, 0.6) - 0.5 * (axes[i] @ eye) for i in sides]
        si = sides[int(np.argmax(sc))] if sides else (pi + 1) % 6
        sf = axes[si]
        arm = unit(p * 0.7 + w.down * rng.uniform(0.2, 1.2) + w.right * rng.normal(0, 0.6) - w.fwd * rng.uniform(-0.7, 0.7))
        if not held and arm[2] < 0.05:
            arm = unit(np.array([arm[0], arm[1], rng.uniform(0.05, 0.4)]))
        bp.hand(s.builder, rng, half, p, sf, int(rng.choice([0, 1, 2, 3, 4], p=[0.08, 0.1, 0.2, 0.25, 0.37])), arm,
                float(rng.uniform(0.25, 1.05)), bool(rng.random() < 0.8), tone)
    return "hand"


def desk(rng: Rng, s: Setting, w: World, level: float) -> str:
    b = s.builder
    m = bp.surface(rng)
    yaw = rng.normal(0, 0.5)
    rows = bp.yaw_rows(np.arctan2(w.aside[1], w.aside[0]) + yaw)
    if rng.random() < 0.55:
        half = np.array([rng.uniform(60, 150), rng.uniform(35, 90), 1.5])
        c = w.aside * rng.normal(0, 15) + w.ahead * rng.normal(5, 15)
    else:
        half, c = np.array([260.0, 260.0, 1.5]), np.zeros(3)
    b.box([c[0], c[1], level - 1.5], rows, half, m, 0.2)
    b.box([0, 0, level - 76], bp.yaw_rows(yaw), (700, 700, 1), bp.surface(rng), 0.0)
    return {1: "wood", 2: "cloth", 3: "checker", 4: "stripes", 8: "speckle", 11: "blobs", 13: "tiles", 14: "plaid"}.get(int(m.get("tex", 0)), "plain")


def walls(rng: Rng, s: Setting, w: World, dist: float, spread: float, things: bool) -> None:
    turn = rng.normal(0, 0.3)
    c, n = np.cos(turn), np.sin(turn)
    out = -(w.ahead * c + w.aside * n)
    right = np.cross([0, 0, 1.0], out)
    up = np.array([0.0, 0, 1])
    at = -out * dist
    m = bp.surface(rng, str(rng.choice(["plain", "plain", "plain", "stripes", "tiles", "blobs", "wood"]))) | {"rough": 0.9}
    s.builder.box(at - out * 3, np.stack([right, up, out]), (900, 320, 3), m, 0.0)
    if things:
        gaze = w.eye + w.fwd * (dist + abs(float(w.eye @ out))) if w.fwd @ out < -0.2 else at
        p = at + right * float((gaze - at) @ right) * 0.8 + up * np.clip(float((gaze - at) @ up), -60, 90)
        bp.wall_things(s.builder, rng, p, right, up, out, spread)


def sample_setting(rng: Rng, width: int, height: int) -> Setting:
    """Draw one scene."""
    half = rng.uniform(2.5, 3.5)
    view, elev, azim, _, up = frame(rng, half, width, height)
    kind = str(rng.choice(["desk", "held_desk", "held_room"], p=[0.52, 0.24, 0.24]))
    has_cube = rng.random() >= 0.12
    covered = has_cube and rng.random() < 0.03
    if kind != "desk":  # gravity follows the camera, the cube does not
        pitch = np.radians(rng.uniform(15, 80) if kind == "held_desk" else rng.uniform(-20, 28))
        r = np.radians(rng.normal(0, 5))
        up = view.rotation.T @ np.array([np.sin(r) * np.cos(pitch), -np.cos(r) * np.cos(pitch), -np.sin(pitch)])
    w = World(view, up)
    s = Setting(np.zeros(64, np.float32), Builder())
    s.cam[:4] = view.focal, view.cx, view.cy, view.k1
    s.cam[4:13], s.cam[13:16] = w.cam_rows.ravel(), w.eye
    s.cam[41] = rng.integers(1, 1 << 20)
    dist = float(np.linalg.norm(view.t_cm))
    if rng.random() < 0.35:
        s.cam[16] = rng.uniform(0.01, 0.25)
        s.cam[17] = view.t_cm[2] * (rng.uniform(0.9, 1.15) if rng.random() < 0.8 else rng.uniform(0.6, 1.8))
    s.truth = {"has_cube": has_cube, "others": [], "kind": kind, "n": 0, "k1": view.k1,
               "focal_px": view.focal * width, "centre_xy": np.array([view.cx * width, view.cy * height])}
    if has_cube:
        n = int(rng.choice([4, 3, 2, 5], p=[0.5, 0.25, 0.1, 0.15]))
        block, truth = cube_block(rng, n, 2 * half, np.zeros(3), w.m.T, 1)
        s.cubes.append(block)
        s.truth |= truth | {"rotation": view.rotation, "translation": view.t_cm / (2 * half),
                            "elevation_deg": np.degrees(elev), "azimuth_deg": np.degrees(azim)}
    things = int(rng.integers(0, 9))
    level = -half
    if kind == "desk":
        if has_cube and rng.random() < 0.1:
            lift = rng.uniform(0.5, 4)
            s.builder.box([0, 0, -half - lift / 2], bp.yaw_rows(rng.uniform(0, 6)), (rng.uniform(4, 12), rng.uniform(4, 12), lift / 2), bp.any_material(rng))
            level -= lift
    elif kind == "held_desk":
        level = -half - rng.uniform(2, 35)
        need = (w.eye[2] + level) if w.eye[2] < level + 4 else 0
        level = min(level, w.eye[2] - 6) if need else level
    else:
        level = -rng.uniform(25, 60) if rng.random() < 0.3 else -rng.uniform(90, 150)
    s.truth["surface"] = desk(rng, s, w, level)
    far = rng.uniform(60, 330)
    if kind == "held_room":
        far = rng.uniform(110, 380)
    if rng.random() < (0.97 if kind == "held_room" else 0.65):
        walls(rng, s, w, far, far * 0.35 + 20, kind == "held_room" or rng.random() < 0.5)
    # people and hands before clutter: they matter more for the room left
    if kind == "held_room" and rng.random() < 0.6:
        ray = w.cam_rows.T @ unit(view.ray(rng.uniform(0.15, 0.85), rng.uniform(0.1, 0.6)))
        gap = dist + rng.uniform(22, 75)
        if gap < far + dist - 25:
            facing = unit(np.array([-w.ahead[0], -w.ahead[1], 0]) + w.aside * rng.normal(0, 0.3))
            bp.person(s.builder, rng, w.eye + ray * gap, facing, np.cross(facing, [0, 0, 1.0]))
    grabbed = ""
    if has_cube and (kind != "desk" or rng.random() < 0.22) and rng.random() < 0.93:
        grabbed = grip(rng, s, w, view, half, kind != "desk")
    if not has_cube and rng.random() < 0.25:
        bp.hand(s.builder, rng, half * rng.uniform(0.2, 1), -w.m[:, 1], w.m[:, int(rng.choice([0, 2]))], int(rng.integers(0, 5)), unit(w.down + w.right * rng.normal(0, 0.5)), 0.7, True, bp.skin(rng))
    if covered:
        bp.cover(s.builder, rng, np.zeros(3), w.eye, half, w.right, w.down, 1.15)
    elif has_cube and rng.random() < 0.13:
        bp.cover(s.builder, rng, np.zeros(3), w.eye, half, w.right, w.down, float(rng.uniform(0.1, 0.7)))
    if kind != "held_room" or level > -70:
        litter(rng, s, w, view, level, half, kind == "desk" and has_cube, things, not has_cube)
    for _ in range(int(rng.integers(1, 4)) if not has_cube else int(rng.random() < 0.12)):  # a printed grid turned to the camera
        ray = w.cam_rows.T @ unit(view.ray(*rng.uniform(0.05, 0.95, 2)))
        c = w.eye + ray * dist * rng.uniform(1.2, 2.2)
        if c[2] > level + 1 and not blocks_view(w, c, 6, half) and s.builder.room_left > 40:
            z = unit(-ray + rng.normal(0, 0.4, 3))
            x = unit(np.cross(z, -w.down + 0.3 * rng.normal(size=3)))
            bp.notes(s.builder, rng, c, 0, np.stack([x, np.cross(z, x), z]))
    k = int(rng.choice([0, 1, 2, 3], p=[0.72, 0.18, 0.07, 0.03]))
    if has_cube:
        other_cubes(rng, s, w, view, level, half, k, False)
    top = w.m @ np.array([0.0, 1, 0]) if has_cube else np.array([0.0, 0, 1])
    s.truth["tags"] = lights(rng, s, w, top)
    s.truth["grip"], s.truth["covered"] = grabbed, covered
    return s


