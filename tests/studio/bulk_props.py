# ruff: noqa: RUF005 (adding arrays, not joining lists)
"""Things on desks and walls for the bulk pictures (numpy only).

World: centimetres, z up, cube at the origin.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from bulk_cube import jitter_hsv, to_linear
from bulk_prims import (
    BALL,
    BLOBS,
    CUP,
    GRID,
    KEYS,
    PLAIN,
    RULED,
    SCREEN,
    STRIPES,
    TEXT,
    TUBE,
    Builder,
    Rng,
    V,
    any_material,
    colour,
    grey,
    surface,
    yaw_rows,
)


# ---- things on a desk: every maker takes the point on the surface it stands on ----
def books(b: Builder, rng: Rng, at: V, yaw: float) -> None:
    z = at[2]
    for _ in range(int(rng.integers(1, 5))):
        w, d, t = rng.uniform(6, 11), rng.uniform(8, 14), rng.uniform(0.6, 2.2)
        r = yaw_rows(yaw + rng.normal(0, 0.12))
        c = np.array([at[0] + rng.normal(0, 0.6), at[1] + rng.normal(0, 0.6), z + t])
        cover = any_material(rng) | {"rough": rng.uniform(0.2, 0.7)}
        paper = {
            "a": to_linear([0.93, 0.9, 0.8]),
            "tex": STRIPES,
            "b": to_linear([0.75, 0.7, 0.6]),
            "scale": 6.0,
            "p": 1.57,
            "p2": 0.35,
        }
        b.box(c + [0, 0, t - 0.1], r, (w, d, 0.12), cover)
        b.box(c - [0, 0, t - 0.1], r, (w, d, 0.12), cover)
        b.box(c, r, (w - 0.3, d - 0.4, t - 0.2), paper)
        b.box(c - r[0] * (w - 0.1), r, (0.12, d, t), cover)
        z += 2 * t
    if rng.random() < 0.3:
        b.box([at[0], at[1], z + 0.03], yaw_rows(yaw), (3, 4, 0.03), any_material(rng))


def mug(b: Builder, rng: Rng, at: V, yaw: float) -> None:
    r, h = rng.uniform(3.2, 4.8), rng.uniform(3.5, 6.0)
    a = colour(rng, (0.0, 0.9), (0.15, 0.95))
    m = {
        "tex": CUP,
        "a": a,
        "b": a * 0.9 if rng.random() < 0.5 else grey(rng, 0.8, 0.95),
        "c": colour(rng, (0.3, 0.8), (0.08, 0.5)),
        "rough": rng.uniform(0.08, 0.4),
    }
    c = np.asarray(at) + [0, 0, h]
    b.solid(
        TUBE,
        c,
        yaw_rows(yaw),
        (r, rng.choice([r - 0.35, 0.0], p=[0.85, 0.15]), h),
        0,
        m | {"p2": rng.uniform(-0.4, 0.85)},
    )
    if rng.random() < 0.8:
        side = np.array([np.cos(yaw), np.sin(yaw), 0])
        pts = [
            c + side * (r - 0.1 + x) + [0, 0, z * h]
            for x, z in ((0, 0.6), (1.9, 0.5), (2.6, 0.05), (1.9, -0.4), (0, -0.55))
        ]
        for p, q in pairwise(pts):
            b.cone(p, 0.5, q, 0.5, m | {"tex": PLAIN})


def pen(b: Builder, rng: Rng, at: V, yaw: float) -> None:
    r, half = rng.uniform(0.3, 0.6), rng.uniform(5, 8)
    d = np.array([np.cos(yaw), np.sin(yaw), 0])
    c = np.asarray(at) + [0, 0, r]
    a = colour(rng, (0.4, 1), (0.2, 0.95)) if rng.random() < 0.7 else grey(rng)
    b.cone(c - d * half, r, c + d * half * 0.8, r, {"a": a, "rough": 0.3})
    b.cone(c + d * half * 0.8, r * 0.95, c + d * half, 0.1, {"a": colour(rng), "rough": 0.4})


def paper(b: Builder, rng: Rng, at: V, yaw: float) -> None:
    tex = int(rng.choice([PLAIN, RULED, TEXT, TEXT, BLOBS, GRID]))
    white = grey(rng, 0.8, 0.97) if rng.random() < 0.75 else colour(rng, (0.1, 0.5), (0.7, 0.97))
    m = {
        "a": white,
        "tex": tex,
        "seed": int(rng.integers(1, 9999)),
        "b": colour(rng),
        "c": grey(rng, 0.05, 0.5),
        "scale": 1 / rng.uniform(0.5, 1.6),
        "p": rng.uniform(0.06, 0.3),
        "p2": float(rng.integers(2)),
    }
    if tex == BLOBS:
        m["scale"] = rng.uniform(0.08, 0.3)
    if tex == GRID:
        m |= {
            "p": float(rng.integers(2, 10)),
            "p2": float(rng.integers(2, 12)),
            "scale": rng.uniform(0.6, 0.97),
        }
    b.box(
        np.asarray(at) + [0, 0, 0.02 + rng.uniform(0, 0.05)],
        yaw_rows(yaw),
        (rng.uniform(7, 11), rng.uniform(10, 15), 0.02),
        m,
        0.0,
    )


def notes(b: Builder, rng: Rng, at: V, yaw: float, rows: V | None = None) -> None:
    """Coloured squares laid out in a grid, or one flat printed grid."""
    r = yaw_rows(yaw) if rows is None else rows
    at = np.asarray(at)
    n, m = int(rng.integers(1, 6)), int(rng.integers(1, 6))
    w = rng.uniform(1.2, 4.5)
    if n * m > 16 or rng.random() < 0.6:
        n, m = max(2, n), max(2, m)
        mat = {
            "tex": GRID,
            "a": grey(rng) if rng.random() < 0.8 else colour(rng),
            "seed": int(rng.integers(1, 9999)),
            "p": float(n),
            "p2": float(m),
            "scale": rng.uniform(0.7, 0.99),
            "rough": rng.uniform(0.1, 0.9),
        }
        b.box(at + r[2] * 0.06, r, (n * w * 0.6, m * w * 0.6, rng.choice([0.03, 0.06, 0.3])), mat, 0.0)
        return
    g, seed = rng.uniform(1.0, 1.15), int(rng.integers(1, 5))
    few = [colour(rng, (0.4, 1), (0.4, 0.98)) for _ in range(seed)] + [
        to_linear(jitter_hsv(rng, np.array(c), 0.03, 0.1, 0.1))
        for c in ((0.95, 0.85, 0.1), (0.1, 0.6, 0.2), (0.1, 0.25, 0.8), (0.9, 0.1, 0.1), (0.95, 0.95, 0.95))
    ]
    for i in range(n):
        for j in range(m):
            if rng.random() < 0.93:
                o = r[0] * ((i - n / 2 + 0.5) * 2 * w * g) + r[1] * ((j - m / 2 + 0.5) * 2 * w * g)
                twist = yaw_rows(rng.normal(0, 0.03)) @ r
                b.box(
                    at + o + r[2] * 0.05,
                    twist,
                    (w, w, 0.04),
                    {"a": few[rng.integers(len(few))], "rough": 0.8},
                    0.0,
                )


def screen(b: Builder, rng: Rng, at: V, yaw: float, rows: V | None = None, big: bool = False) -> None:
    r = yaw_rows(yaw) if rows is None else rows
    w, h = (rng.uniform(20, 35), rng.uniform(12, 20)) if big else (rng.uniform(3.2, 9), rng.uniform(6.5, 13))
    off = rng.random() < 0.3
    m = {
        "tex": SCREEN,
        "a": grey(rng, 0.02, 0.2),
        "b": colour(rng),
        "c": colour(rng),
        "seed": int(rng.integers(1, 9999)),
        "p": float(rng.integers(2, 7)),
        "p2": float(rng.integers(2, 9)),
        "emit": 0.0 if off else rng.uniform(0.3, 1.6),
        "rough": 0.1,
    }
    b.box(np.asarray(at) + r[2] * 0.4, r, (w, h, 0.4), m, 0.25)


def crate(b: Builder, rng: Rng, at: V, yaw: float) -> None:
    half = np.array([rng.uniform(2, 9), rng.uniform(2, 9), rng.uniform(1, 7)])
    if rng.random() < 0.35:
        half[:] = rng.uniform(2, 4)  # about the cube's size
    b.box(
        np.asarray(at) + [0, 0, half[2]], yaw_rows(yaw), half, any_material(rng), rng.choice([0.05, 0.4, 1.0])
    )


def bricks(b: Builder, rng: Rng, at: V, yaw: float) -> None:
    """Loose or stacked coloured blocks."""
    w, r = rng.uniform(0.8, 1.8), yaw_rows(yaw)
    n, m, k = int(rng.integers(1, 4)), int(rng.integers(1, 4)), int(rng.integers(1, 3))
    few = [colour(rng, (0.5, 1), (0.4, 0.95)) for _ in range(5)]
    for i in range(n):
        for j in range(m):
            for z in range(k):
                if rng.random() < 0.8 - 0.2 * z:
                    o = (
                        r[0] * ((i - n / 2) * 2.08 * w)
                        + r[1] * ((j - m / 2) * 2.08 * w)
                        + [0, 0, (2 * z + 1) * w]
                    )
                    b.box(
                        np.asarray(at) + o,
                        yaw_rows(rng.normal(0, 0.06)) @ r,
                        (w, w, w),
                        {"a": few[rng.integers(5)], "rough": 0.3},
                        0.15 * w,
                    )


def keyboard(b: Builder, rng: Rng, at: V, yaw: float) -> None:
    a = grey(rng, 0.03, 0.9)
    b.box(
        np.asarray(at) + [0, 0, 0.8],
        yaw_rows(yaw),
        (rng.uniform(14, 22), 6.5, 0.8),
        {"tex": KEYS, "a": a * 0.6, "b": a, "c": grey(rng), "scale": 0.55},
        0.3,
    )


def cable(b: Builder, rng: Rng, at: V, yaw: float) -> None:
    p, ang, r = np.asarray(at) + [0, 0, 0.3], yaw, rng.uniform(0.15, 0.35)
    m = {"a": grey(rng), "rough": 0.5}
    for _ in range(int(rng.integers(4, 9))):
        q = p + np.array([np.cos(ang), np.sin(ang), 0]) * rng.uniform(2, 5)
        b.cone(p, r, q, r, m)
        p, ang = q, ang + rng.normal(0, 0.7)


def can(b: Builder, rng: Rng, at: V, yaw: float) -> None:
    r, h = rng.uniform(1.5, 4), rng.uniform(2, 9)
    b.solid(
        TUBE,
        np.asarray(at) + [0, 0, h],
        yaw_rows(yaw),
        (r, 0, h),
        0,
        any_material(rng) | {"rough": rng.uniform(0.1, 0.6), "f0": rng.choice([0.04, 0.4])},
    )


def ball(b: Builder, rng: Rng, at: V, yaw: float) -> None:
    r = rng.uniform(1.5, 4.5)
    b.solid(
        BALL,
        np.asarray(at) + [0, 0, r],
        yaw_rows(yaw),
        np.array([r, r, r]) * rng.uniform(0.8, 1, 3),
        0,
        any_material(rng),
    )


def mat(b: Builder, rng: Rng, at: V, yaw: float) -> None:
    m = surface(rng, str(rng.choice(["plain", "cloth", "cloth", "stripes"])))
    r = yaw_rows(yaw)
    w, d = rng.uniform(12, 30), rng.uniform(10, 22)
    if rng.random() < 0.4:
        b.box(np.asarray(at) + [0, 0, 0.02], r, (w + 0.6, d + 0.6, 0.03), {"a": colour(rng)}, 0.0)
    b.box(np.asarray(at) + [0, 0, 0.05], r, (w, d, 0.03), m, 0.0)


DESK_THINGS = [
    (books, 0.7, 14.0),
    (mug, 0.7, 8.0),
    (pen, 1.0, 7.0),
    (paper, 1.1, 2.0),
    (notes, 1.3, 2.0),
    (screen, 0.8, 3.0),
    (crate, 0.8, 9.0),
    (bricks, 0.5, 5.0),
    (keyboard, 0.3, 3.0),
    (cable, 0.5, 1.0),
    (can, 0.4, 8.0),
    (ball, 0.4, 6.0),
    (mat, 0.5, 1.0),
]


def wall_things(b: Builder, rng: Rng, at: V, right: V, up: V, out: V, spread: float) -> None:
    """Pictures, shelves, a window, a cupboard on a wall whose point `at` lies in view; `out` faces the
    room."""
    rows = np.stack([right, up, out])
    for _ in range(int(rng.integers(0, 5))):
        p = at + right * rng.normal(0, spread) + up * rng.normal(0, spread * 0.5)
        kind = rng.choice(
            ["picture", "grid", "shelf", "window", "cupboard", "screen"], p=[0.25, 0.15, 0.22, 0.1, 0.2, 0.08]
        )
        s = spread * rng.uniform(0.08, 0.3)
        if kind in ("picture", "grid"):
            b.box(p + out * 0.5, rows, (s + 1.5, s * 1.2 + 1.5, 1.0), {"a": grey(rng), "rough": 0.4}, 0.1)
            m = {
                "tex": BLOBS,
                "a": colour(rng),
                "b": colour(rng),
                "c": colour(rng),
                "scale": 2 / s,
                "seed": int(rng.integers(999)),
            }
            if kind == "grid":
                m = {
                    "tex": GRID,
                    "a": grey(rng),
                    "seed": int(rng.integers(1, 9999)),
                    "p": float(rng.integers(2, 6)),
                    "p2": float(rng.integers(2, 6)),
                    "scale": rng.uniform(0.7, 0.98),
                }
            b.box(p + out * 1.3, rows, (s, s * 1.2, 0.4), m, 0.0)
        elif kind == "shelf":
            w = spread * rng.uniform(0.3, 0.6)
            b.box(p + out * 8, rows, (w, 1.0, 8), surface(rng, "wood"), 0.1)
            x = -w + 2
            while x < w - 3 and b.room_left > 40:
                t, hgt = rng.uniform(1.2, 3.2), rng.uniform(7, 13)
                if rng.random() < 0.85:
                    b.box(
                        p + out * 8 + right * (x + t) + up * (1 + hgt),
                        rows,
                        (t, hgt, rng.uniform(5, 7)),
                        any_material(rng),
                        0.1,
                    )
                x += 2 * t + 0.2
        elif kind == "window":
            b.box(p + out * 0.5, rows, (s * 1.4 + 3, s * 2 + 3, 1), {"a": grey(rng, 0.6, 0.95)}, 0.1)
            b.box(
                p + out * 1.0,
                rows,
                (s * 1.4, s * 2, 0.8),
                {
                    "tex": BLOBS,
                    "a": to_linear([0.8, 0.9, 1]),
                    "b": to_linear([0.6, 0.75, 0.7]),
                    "c": to_linear([0.9, 0.95, 1]),
                    "scale": 1 / s,
                    "emit": rng.uniform(0.5, 4),
                },
                0.0,
            )
        elif kind == "screen":
            screen(b, rng, p, 0, rows, big=True)
        else:
            b.box(p + out * 15 - up * s, rows, (s * 1.5, s * 1.8, 15), any_material(rng), 1.0)
