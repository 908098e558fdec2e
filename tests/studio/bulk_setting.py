# ruff: noqa: RUF005 (adding arrays, not joining lists)
"""One random scene for the bulk pictures: camera, main cube, surroundings, hands and lamps (numpy only)."""

from __future__ import annotations

import bulk_people as people
import bulk_prims as prims
import bulk_props as props
import numpy as np
from bulk_cube import cube_block
from bulk_lamps import lights
from bulk_prims import Builder, Rng, V, unit
from bulk_view import PLAIN, UP_OF, Setting, View, Views, World, frame


def blocks_view(w: World, c: V, radius: float, half: float) -> bool:
    a, b = w.eye, np.zeros(3)
    s = float(np.clip((c - a) @ (b - a) / ((b - a) @ (b - a)), 0, 1))
    return bool(np.linalg.norm(c - a - (b - a) * s) < radius + half * 1.7 * s)


def litter(
    rng: Rng,
    s: Setting,
    w: World,
    view: View,
    level: float,
    half: float,
    cube_on_desk: bool,
    count: int,
    negative: bool,
) -> None:
    names, weights, sizes = zip(*props.DESK_THINGS, strict=True)
    p = np.array(weights)
    if negative:
        p = p * np.array([3.0 if n in (props.notes, props.screen, props.bricks) else 1.0 for n in names])
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


def other_cubes(
    rng: Rng, s: Setting, w: World, view: View, level: float, half: float, count: int, whole_ok: bool
) -> None:
    for _ in range(count):
        for _try in range(8):
            x, y = rng.uniform(0.02, 0.98, 2)
            oh = half * rng.uniform(0.55, 1.15)
            on_desk = rng.random() < 0.75
            at = (
                w.hit_level(view.ray(x, y), level + oh)
                if on_desk
                else w.eye + w.cam_rows.T @ unit(view.ray(x, y)) * rng.uniform(20, 120)
            )
            if at is None:
                continue
            d, d0 = np.linalg.norm(at - w.eye), np.linalg.norm(w.eye)
            near = 4 * half if whole_ok else d0 * rng.uniform(1.08, 1.3) * oh / half
            if (
                d > 220
                or d < near
                or np.linalg.norm(at) < 2.1 * (oh + half)
                or blocks_view(w, at, oh * 1.75, half)
            ):
                continue
            if on_desk:
                rows = prims.yaw_rows(rng.uniform(0, 6.28)) @ np.array([[1, 0, 0], [0, 0, 1], [0, -1, 0]])
                rows = np.array([[1, 0, 0], [0, 0, 1], [0, -1, 0]]) @ prims.yaw_rows(rng.uniform(0, 6.28))
            else:
                q, _r = np.linalg.qr(rng.normal(size=(3, 3)))
                rows = q * np.sign(np.linalg.det(q))
            n = int(rng.choice([2, 3, 4, 5], p=[0.15, 0.4, 0.3, 0.15]))
            block, truth = cube_block(rng, n, 2 * oh, at, rows, 2)
            s.cubes.append(block)
            truth |= {
                "rotation": w.cam_rows @ rows.T,
                "translation": (w.cam_rows @ (at - w.eye)) / (2 * oh),
                "k1": view.k1,
            }
            s.truth["others"].append(truth)
            break


def grip(rng: Rng, s: Setting, w: World, half: float, held: bool, face_on: bool) -> str:
    """Hands, an arm or a gripper at the cube."""
    axes = [w.m @ np.array(UP_OF[f], float) for f in "URFDLB"]
    eye = unit(w.eye)
    if rng.random() < (0.5 if face_on else 0.08):
        away = [i for i in range(6) if axes[i] @ eye < 0.5 and (held or axes[i][2] > -0.5)]
        side = int(rng.choice(away))
        across = [i for i in range(6) if i % 3 != side % 3]
        people.arm(s.builder, rng, half, axes[side], axes[int(rng.choice(across))])
        return "arm"
    if rng.random() < 0.10:
        a = axes[int(rng.choice([1, 2, 4, 5]))]
        people.rods(s.builder, rng, half, a, axes[0])
        return "rods"
    tone = people.skin(rng)
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
        sides = [
            i
            for i in range(6)
            if i % 3 != pi % 3 and (i != 0 or rng.random() < 0.25) and (held or axes[i][2] > -0.5)
        ]
        sc = [rng.normal(0, 0.6) - 0.5 * (axes[i] @ eye) for i in sides]
        si = sides[int(np.argmax(sc))] if sides else (pi + 1) % 6
        sf = axes[si]
        arm = unit(
            p * 0.7
            + w.down * rng.uniform(0.2, 1.2)
            + w.right * rng.normal(0, 0.6)
            - w.fwd * rng.uniform(-0.7, 0.7)
        )
        if not held and arm[2] < 0.05:
            arm = unit(np.array([arm[0], arm[1], rng.uniform(0.05, 0.4)]))
        people.hand(
            s.builder,
            rng,
            half,
            p,
            sf,
            int(rng.choice([0, 1, 2, 3, 4], p=[0.08, 0.1, 0.2, 0.25, 0.37])),
            arm,
            float(rng.uniform(0.25, 1.05)),
            bool(rng.random() < 0.8),
            tone,
        )
    return "hand"


def desk(rng: Rng, s: Setting, w: World, level: float) -> str:
    b = s.builder
    m = prims.surface(rng)
    yaw = rng.normal(0, 0.5)
    rows = prims.yaw_rows(np.arctan2(w.aside[1], w.aside[0]) + yaw)
    if rng.random() < 0.55:
        half = np.array([rng.uniform(60, 150), rng.uniform(35, 90), 1.5])
        c = w.aside * rng.normal(0, 15) + w.ahead * rng.normal(5, 15)
    else:
        half, c = np.array([260.0, 260.0, 1.5]), np.zeros(3)
    b.box([c[0], c[1], level - 1.5], rows, half, m, 0.2)
    b.box([0, 0, level - 76], prims.yaw_rows(yaw), (700, 700, 1), prims.surface(rng), 0.0)
    return {
        1: "wood",
        2: "cloth",
        3: "checker",
        4: "stripes",
        8: "speckle",
        11: "blobs",
        13: "tiles",
        14: "plaid",
    }.get(int(m.get("tex", 0)), "plain")


def walls(rng: Rng, s: Setting, w: World, dist: float, spread: float, things: bool) -> None:
    turn = rng.normal(0, 0.3)
    c, n = np.cos(turn), np.sin(turn)
    out = -(w.ahead * c + w.aside * n)
    right = np.cross([0, 0, 1.0], out)
    up = np.array([0.0, 0, 1])
    at = -out * dist
    m = prims.surface(
        rng, str(rng.choice(["plain", "plain", "plain", "stripes", "tiles", "blobs", "wood"]))
    ) | {"rough": 0.9}
    s.builder.box(at - out * 3, np.stack([right, up, out]), (900, 320, 3), m, 0.0)
    if things:
        gaze = w.eye + w.fwd * (dist + abs(float(w.eye @ out))) if w.fwd @ out < -0.2 else at
        p = at + right * float((gaze - at) @ right) * 0.8 + up * np.clip(float((gaze - at) @ up), -60, 90)
        props.wall_things(s.builder, rng, p, right, up, out, spread)


def sample_setting(rng: Rng, width: int, height: int, loose: bool = False, views: Views = PLAIN) -> Setting:
    """Draw one scene; ``loose``: see :func:`bulk_cube.loose_facelets`."""
    half = rng.uniform(2.5, 3.5)
    view, elev, azim, _, up = frame(rng, half, width, height, views)
    face_on = elev < np.radians(15)
    kind = str(
        rng.choice(["desk", "held_desk", "held_room"], p=[0.2, 0.2, 0.6] if face_on else [0.52, 0.24, 0.24])
    )
    has_cube = rng.random() >= 0.12
    covered = has_cube and rng.random() < 0.03
    if kind != "desk":  # gravity follows the camera, the cube does not
        pitch = np.radians(rng.uniform(15, 80) if kind == "held_desk" else rng.uniform(-20, 28))
        r = np.radians(rng.normal(0, 5))
        up = view.rotation.T @ np.array(
            [np.sin(r) * np.cos(pitch), -np.cos(r) * np.cos(pitch), -np.sin(pitch)]
        )
    w = World(view, up)
    s = Setting(np.zeros(64, np.float32), Builder())
    s.cam[:4] = view.focal, view.cx, view.cy, view.k1
    s.cam[4:13], s.cam[13:16] = w.cam_rows.ravel(), w.eye
    s.cam[41] = rng.integers(1, 1 << 20)
    dist = float(np.linalg.norm(view.t_cm))
    if rng.random() < 0.35:
        s.cam[16] = rng.uniform(0.01, 0.25)
        s.cam[17] = view.t_cm[2] * (rng.uniform(0.9, 1.15) if rng.random() < 0.8 else rng.uniform(0.6, 1.8))
    s.truth = {
        "has_cube": has_cube,
        "others": [],
        "kind": kind,
        "n": 0,
        "k1": view.k1,
        "focal_px": view.focal * width,
        "centre_xy": np.array([view.cx * width, view.cy * height]),
    }
    if has_cube:
        if views.sizes:
            n = int(rng.choice(views.sizes))
        else:
            n = int(rng.choice([4, 3, 2, 5], p=[0.25] * 4 if face_on else [0.5, 0.25, 0.1, 0.15]))
        solved = 0.5 if face_on else 0.15
        block, truth = cube_block(rng, n, 2 * half, np.zeros(3), w.m.T, 1, solved=solved, loose=loose)
        s.cubes.append(block)
        s.truth |= truth | {
            "rotation": view.rotation,
            "translation": view.t_cm / (2 * half),
            "elevation_deg": np.degrees(elev),
            "azimuth_deg": np.degrees(azim),
        }
    things = int(rng.integers(0, 9))
    level = -half
    if kind == "desk":
        if has_cube and rng.random() < 0.1:
            lift = rng.uniform(0.5, 4)
            s.builder.box(
                [0, 0, -half - lift / 2],
                prims.yaw_rows(rng.uniform(0, 6)),
                (rng.uniform(4, 12), rng.uniform(4, 12), lift / 2),
                prims.any_material(rng),
            )
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
            people.person(s.builder, rng, w.eye + ray * gap, facing, np.cross(facing, [0, 0, 1.0]))
    grabbed = ""
    if has_cube and (kind != "desk" or rng.random() < 0.22) and rng.random() < 0.93:
        grabbed = grip(rng, s, w, half, kind != "desk", face_on)
    if not has_cube and rng.random() < 0.25:
        people.hand(
            s.builder,
            rng,
            half * rng.uniform(0.2, 1),
            -w.m[:, 1],
            w.m[:, int(rng.choice([0, 2]))],
            int(rng.integers(0, 5)),
            unit(w.down + w.right * rng.normal(0, 0.5)),
            0.7,
            True,
            people.skin(rng),
        )
    if covered:
        people.cover(s.builder, rng, np.zeros(3), w.eye, half, w.right, w.down, 1.15)
    elif has_cube and rng.random() < 0.13:
        people.cover(s.builder, rng, np.zeros(3), w.eye, half, w.right, w.down, float(rng.uniform(0.1, 0.7)))
    if kind != "held_room" or level > -70:
        litter(rng, s, w, view, level, half, kind == "desk" and has_cube, things, not has_cube)
    for _ in range(
        int(rng.integers(1, 4)) if not has_cube else int(rng.random() < 0.12)
    ):  # a printed grid turned to the camera
        ray = w.cam_rows.T @ unit(view.ray(*rng.uniform(0.05, 0.95, 2)))
        c = w.eye + ray * dist * rng.uniform(1.2, 2.2)
        if c[2] > level + 1 and not blocks_view(w, c, 6, half) and s.builder.room_left > 40:
            z = unit(-ray + rng.normal(0, 0.4, 3))
            x = unit(np.cross(z, -w.down + 0.3 * rng.normal(size=3)))
            props.notes(s.builder, rng, c, 0, np.stack([x, np.cross(z, x), z]))
    k = int(rng.choice([0, 1, 2, 3], p=[0.72, 0.18, 0.07, 0.03]))
    if has_cube:
        other_cubes(rng, s, w, view, level, half, k, False)
    top = w.m @ np.array([0.0, 1, 0]) if has_cube else np.array([0.0, 0, 1])
    s.truth["tags"] = lights(rng, s, w, top)
    s.truth["grip"], s.truth["covered"] = grabbed, covered
    return s
