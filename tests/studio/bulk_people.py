"""People, hands, grippers and covers for the bulk pictures (numpy only).

World: centimetres, z up, cube at the origin.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from bulk_cube import to_linear
from bulk_prims import (
    BALL,
    BLOBS,
    GRID,
    PLAIN,
    SKIN,
    SPECKLE,
    TEXT,
    Builder,
    Rng,
    V,
    any_material,
    colour,
    grey,
    unit,
)

SKIN_TONES = np.array(
    [
        [0.96, 0.82, 0.72],
        [0.90, 0.70, 0.57],
        [0.80, 0.58, 0.43],
        [0.66, 0.44, 0.30],
        [0.47, 0.30, 0.20],
        [0.30, 0.19, 0.13],
    ]
)


def skin(rng: Rng, ident: int = 3) -> dict[str, Any]:
    i = rng.uniform(0, len(SKIN_TONES) - 1.001)
    k = int(i)
    a = SKIN_TONES[k] * (1 - i + k) + SKIN_TONES[k + 1] * (i - k) + rng.normal(0, 0.02, 3)
    red = np.clip(a * [1.0, 0.8, 0.76], 0, 1)
    return {
        "id": ident,
        "tex": SKIN,
        "a": to_linear(a),
        "b": to_linear(red),
        "seed": int(rng.integers(1, 999)),
        "rough": rng.uniform(0.35, 0.65),
        "f0": 0.03,
        "bump": rng.choice([0.0, 0.03]),
    }


def person(b: Builder, rng: Rng, at: V, facing: V, right: V) -> None:
    """Head and trunk; `at` is the head's centre, `facing` looks to the camera."""
    up = np.array([0.0, 0, 1])
    s = skin(rng, 0)
    rows = np.stack([right, facing, up])
    hr = np.array([7.5, 9.5, 11.5]) * rng.uniform(0.9, 1.1)
    b.solid(BALL, at, rows, hr, 0, s)
    hair = {
        "a": colour(rng, (0.1, 0.6), (0.03, 0.5)),
        "rough": 0.7,
        "tex": SPECKLE,
        "b": grey(rng, 0.02, 0.2),
        "scale": 0.6,
    }
    if rng.random() < 0.85:
        b.solid(BALL, at + up * 2.5 - facing * 1.8, rows, hr * [1.06, 1.0, 0.97], 0, hair)
        if rng.random() < 0.4:
            b.solid(BALL, at - up * 6 - facing * 5, rows, (10, 5, 15), 0, hair)
    for e in (-1, 1):
        eye = at + facing * 8.1 + right * (e * 3.0) + up * 1.2
        b.solid(BALL, eye, rows, (1.5, 1.0, 0.9), 0, {"a": (0.8, 0.8, 0.78), "rough": 0.1})
        b.solid(
            BALL,
            eye + facing * 0.6,
            rows,
            (0.7, 0.5, 0.7),
            0,
            {"a": colour(rng, (0.2, 0.7), (0.02, 0.3)), "rough": 0.1},
        )
    b.cone(at + facing * 9 + up * 0.5, 0.8, at + facing * 10.2 - up * 2.2, 1.2, s)
    b.solid(
        BALL,
        at + facing * 8.0 - up * 5.2,
        rows,
        (2.6, 1.2, 0.8),
        0,
        s | {"a": s["a"] * [0.75, 0.45, 0.45], "tex": PLAIN},
    )
    b.cone(at - up * 9, 5.5, at - up * 19, 6.2, s)
    shirt = any_material(rng) | {"rough": 0.9, "f0": 0.01}
    if shirt.get("scale", 1) > 3:
        shirt["scale"] = 0.3
    b.solid(BALL, at - up * 42, rows, (rng.uniform(19, 25), 12, 27), 0, shirt)
    b.cone(at - up * 23 - right * 13, 7, at - up * 23 + right * 13, 7, shirt)
    for e in (-1, 1):
        b.cone(at - up * 25 + right * (e * 17), 6.2, at - up * 52 + right * (e * 24) + facing * 4, 5, shirt)


def hand(
    b: Builder,
    rng: Rng,
    half: float,
    p: V,
    s: V,
    fingers: int,
    arm: V,
    reach: float,
    thumb: bool,
    tone: dict[str, Any],
) -> None:
    """A hand round a cube at the origin: palm outside face `p`, fingers along the neighbouring face `s`.

    p, s: unit vectors, world. half: half edge, cm. arm: direction of the forearm.
    reach: how far the fingers go over face s, 0..1.3 of the edge.
    """
    w = np.cross(p, s)
    k = rng.uniform(0.85, 1.15)
    spacing, slide = 1.75 * k, rng.uniform(-0.35, 0.35) * half
    lift = 1.9 * k
    if rng.random() < 0.5:
        w = -w
    order = list(rng.permutation(4)[:fingers])
    wrist = (
        p * (half + rng.uniform(5.5, 7.5) * k)
        - s * rng.uniform(0, 2.5)
        + unit(arm) * 1.5
        + w * (slide + rng.normal(0, 0.7))
    )
    for i in range(4):
        r = (0.88, 0.94, 0.9, 0.78)[i] * k * rng.uniform(0.92, 1.06)
        lat = w * ((i - 1.5) * spacing + slide + rng.normal(0, 0.12))
        length = (0.85, 1.0, 0.94, 0.74)[i]
        knuckle = p * (half + lift) + s * (half * rng.uniform(0.35, 0.6)) + lat
        b.cone(wrist + w * ((i - 1.5) * 0.8 * k), 1.75 * k, knuckle, 1.15 * k, tone)
        if i in order:
            d = float(np.clip(reach * length + rng.normal(0, 0.07), 0.12, 1.3)) * 2 * half
            out = half + r * 1.02
            bend = p * (half * rng.uniform(0.75, 1.05)) + s * (out + rng.uniform(0.15, 0.6)) + lat
            mid = (
                p * (half - 0.5 * d)
                + s * (out + rng.uniform(0.05, 0.35))
                + lat * 1.0
                + w * rng.normal(0, 0.15)
            )
            tip = p * (half - d) + s * (out - 0.06) + lat + w * rng.normal(0, 0.25)
            b.cone(knuckle, 1.12 * k, bend, r, tone)
            b.cone(bend, r, mid, r * 0.95, tone)
            b.cone(mid, r * 0.95, tip, r * 0.82, tone)
            if rng.random() < 0.7:
                nail = tone | {
                    "tex": PLAIN,
                    "a": np.clip(np.asarray(tone["a"]) * 1.15 + 0.05, 0, 1) * (1, 0.85, 0.83),
                    "rough": 0.2,
                }
                b.solid(
                    BALL,
                    tip + s * r * 0.62 - p * 0.1,
                    np.stack([w, p, s]),
                    (r * 0.52, r * 0.62, r * 0.25),
                    0,
                    nail,
                )
        else:  # curled under the palm's face
            q = p * (half + 0.95 * k) - s * (half * rng.uniform(-0.3, 0.5)) + lat * 0.9
            b.cone(knuckle, 1.1 * k, q, r, tone)
    b.cone(
        p * (half + 2.0 * k) + s * half * 0.2 - w * 2.4 * k + w * slide,
        1.55 * k,
        p * (half + 2.0 * k) + s * half * 0.2 + w * 2.4 * k + w * slide,
        1.55 * k,
        tone,
    )
    b.solid(
        BALL,
        p * (half + 2.6 * k) - s * 0.3 * half + w * slide,
        np.stack([w, s, p]),
        (4.0 * k, 3.2 * k, 1.9 * k),
        0,
        tone,
    )
    base = p * (half + 3.2 * k) - s * half * 0.3 + w * (slide + 3.0 * k)
    if thumb:
        t_face = -s if rng.random() < 0.75 else w
        side = w if abs(float(np.dot(t_face, w))) < 0.5 else -s
        r = 1.05 * k
        off = side * rng.uniform(-0.4, 0.6) * half
        j1 = p * (half + 0.6) + t_face * (half + r + 0.7) + off
        tip = (
            p * (half - rng.uniform(0.2, 1.1) * half) + t_face * (half + r * 0.95) + off * rng.uniform(0.4, 1)
        )
        b.cone(base, 1.5 * k, j1, 1.15 * k, tone)
        b.cone(j1, 1.15 * k, tip, r * 0.85, tone)
    else:
        b.cone(base, 1.4 * k, p * (half + 1.2 * k) + w * (slide + 3.4 * k), 1.0 * k, tone)
    elbow = wrist + unit(arm) * rng.uniform(22, 32)
    b.cone(wrist, 2.5 * k, elbow, 3.8 * k, tone)
    shoulder = (
        elbow
        + unit(unit(arm) * rng.uniform(0.4, 1.2) + [0, 0, -rng.uniform(0.0, 0.8)] + rng.normal(0, 0.15, 3))
        * 45
    )
    b.cone(elbow, 3.8 * k, shoulder, 5.2 * k, tone)
    if rng.random() < 0.6:
        cloth = any_material(rng) | {"id": 3, "rough": 0.9, "f0": 0.01}
        start = wrist + unit(arm) * rng.uniform(4, 14)
        b.cone(start, 3.6 * k, elbow, 5.2 * k, cloth)
        b.cone(elbow, 5.2 * k, shoulder, 6.5 * k, cloth)


def rods(b: Builder, rng: Rng, half: float, axis: V, up: V) -> None:
    """A machine's gripper: pads on two opposite faces, or a stem on one, held by rods."""
    m = {"id": 3, "a": grey(rng, 0.05, 0.8), "rough": rng.uniform(0.15, 0.5), "f0": rng.choice([0.04, 0.5])}
    other = np.cross(axis, up)
    rows = np.stack([axis, other, up])
    for e in (1, -1) if rng.random() < 0.75 else (1,):
        w, h = rng.uniform(0.3, 0.9) * half, rng.uniform(0.3, 0.9) * half
        b.box(
            axis * e * (half + 0.45),
            rows,
            (0.42, w, h),
            {"id": 3, "a": colour(rng, (0, 0.6), (0.05, 0.6)), "rough": 0.7},
            0.1,
        )
        b.box(axis * e * (half + 1.6), rows, (0.8, w * 0.8, h * 0.8), m, 0.1)
        p = axis * e * (half + 2)
        d = unit(axis * e + up * rng.normal(0, 0.3) + other * rng.normal(0, 0.3))
        b.cone(p, rng.uniform(0.6, 1.6), p + d * 30, rng.uniform(0.8, 2.5), m)


def arm(b: Builder, rng: Rng, half: float, axis: V, across: V) -> None:
    """A machine's arm on face ``axis``: beams straight with the cube and about as wide."""
    a = grey(rng, 0.55, 0.97) if rng.random() < 0.6 else grey(rng, 0.03, 0.6)
    m = {"id": 3, "a": a, "rough": rng.uniform(0.1, 0.7), "f0": rng.choice([0.04, 0.04, 0.4])}
    depth = np.cross(axis, across)
    rows = np.stack([axis, across, depth])
    wide, deep = half * rng.uniform(0.45, 1.05), half * rng.uniform(0.3, 1.05)
    long, gap = rng.uniform(8, 30), rng.choice([0.0, rng.uniform(0.02, 0.12), rng.uniform(0.1, 0.3)]) * half
    off = across * rng.normal(0, 0.06) * half + depth * rng.normal(0, 0.3) * half
    start = axis * (half + rng.uniform(0.0, 0.5))
    if gap == 0:
        b.box(start + axis * long + off, rows, (long, wide, deep), m, rng.choice([0.05, 0.3, 1.0]))
        return
    beam = (wide - gap / 2) / 2
    for side in (-1, 1):
        at = start + axis * long + off + across * side * (beam + gap / 2)
        b.box(at, rows, (long, beam, deep), m, rng.choice([0.05, 0.2]))
    if rng.random() < 0.8:
        groove = m | {"a": np.asarray(a) * rng.uniform(0.1, 0.8)}
        b.box(start + axis * long + off - depth * 0.2 * deep, rows, (long, gap, deep * 0.7), groove, 0.0)


def cover(b: Builder, rng: Rng, cube: V, cam: V, half: float, right: V, down: V, share: float) -> None:
    """Something held between the camera and the cube that hides about `share` of it."""
    t = rng.uniform(0.12, 0.45)
    d = float(np.linalg.norm(cam - cube))
    if d * t < 2.2 * half:
        t = min(0.6, 2.2 * half / d)
    view = unit(cam - cube)
    size = half * (1 - t) * (0.5 + 1.3 * share)
    ang = rng.uniform(0, 2 * np.pi)
    off = (right * np.cos(ang) + down * np.sin(ang)) * (
        half * (1 - t) * 1.7 * (1.15 - share) * rng.uniform(0.75, 1.1)
    )
    c = cube + (cam - cube) * t + off
    tilt = unit(view + right * rng.normal(0, 0.35) + down * rng.normal(0, 0.35))
    x = unit(np.cross(down + right * rng.normal(0, 0.5), tilt))
    rows = np.stack([x, np.cross(tilt, x), tilt])
    m = any_material(rng) | {"id": 3}
    kind = rng.choice(["card", "block", "bar", "slab"], p=[0.38, 0.27, 0.2, 0.15])
    if kind == "card":
        if rng.random() < 0.4:
            m |= {
                "tex": int(rng.choice([TEXT, GRID, BLOBS])),
                "p": float(rng.integers(2, 6)),
                "p2": float(rng.integers(2, 6)),
                "scale": 0.8,
            }
        b.box(c, rows, (size * rng.uniform(0.8, 1.6), size * rng.uniform(0.8, 1.6), 0.05), m, 0.0)
    elif kind == "block":
        b.box(
            c,
            rows,
            (size * rng.uniform(0.7, 1.4), size * rng.uniform(0.7, 1.4), size * rng.uniform(0.3, 0.7)),
            m,
            0.3,
        )
    elif kind == "bar":
        b.cone(
            c - x * 25,
            rng.uniform(0.3, 1.2) * half * (1 - t) * (0.4 + share),
            c + x * 25,
            rng.uniform(0.2, 0.8) * half * (1 - t),
            m,
        )
    else:  # a flat hand
        tone = skin(rng)
        y = rows[1]
        for i in range(4):
            o = y * ((i - 1.5) * 1.75)
            b.cone(c + o - x * 3, 0.95, c + o + x * rng.uniform(3, 5), 0.8, tone)
        b.solid(BALL, c - x * 6, rows, (5, 4, 1.5), 0, tone)
        b.cone(c - x * 8, 2.6, c - x * 35 + down * 8, 3.6, tone)
