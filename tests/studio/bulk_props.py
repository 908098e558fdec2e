"""Things round the cube for the bulk pictures: desk clutter, rooms, people, hands, covers (numpy only).

World: centimetres, z up, origin at the main cube's centre. `rows` are an object's own axes as rows (world -> own).
"""

from __future__ import annotations

import colorsys
from typing import Any

import numpy as np
from bulk_cube import jitter_hsv, to_linear

PRIM_FLOATS = 40
MAX_PRIMS = 112
PLANE, BOX, CONE, BALL, TUBE = 0, 1, 2, 3, 4
PLAIN, WOOD, CLOTH, CHECKER, STRIPES, RULED, GRID, SCREEN, SPECKLE, SKIN, TEXT, BLOBS, KEYS, BRICKS, PLAID, CUP = range(16)
Rng = np.random.Generator
V = np.ndarray


def unit(v: Any) -> V:
    v = np.asarray(v, float)
    return v / max(float(np.linalg.norm(v)), 1e-12)


def yaw_rows(angle: float, tilt: float = 0.0) -> V:
    c, s = np.cos(angle), np.sin(angle)
    ct, st = np.cos(tilt), np.sin(tilt)
    return np.array([[1, 0, 0], [0, ct, st], [0, -st, ct]]) @ np.array([[c, s, 0], [-s, c, 0], [0, 0, 1]])


def colour(rng: Rng, s: tuple[float, float] = (0.0, 1.0), v: tuple[float, float] = (0.1, 0.95)) -> V:
    return to_linear(np.array(colorsys.hsv_to_rgb(rng.random(), rng.uniform(*s), rng.uniform(*v))))


def grey(rng: Rng, lo: float = 0.05, hi: float = 0.95) -> V:
    return to_linear(np.clip(np.full(3, rng.uniform(lo, hi)) + rng.normal(0, 0.02, 3), 0, 1))


class Builder:
    """Collects prims and their bounding boxes."""

    def __init__(self) -> None:
        self.prims: list[V] = []
        self.boxes: list[V] = []
        self.people: list[V] = []

    @property
    def room_left(self) -> int:
        return MAX_PRIMS - len(self.prims)

    def _add(self, q: V, lo: V, hi: V) -> None:
        if self.room_left > 0:
            self.prims.append(q)
            self.boxes.append(np.concatenate([lo - 1e-3, hi + 1e-3]).astype(np.float32))

    @staticmethod
    def _paint(q: V, mat: dict[str, Any]) -> None:
        q[1], q[2], q[3] = mat.get("id", 0), mat.get("tex", 0), mat.get("seed", 1)
        a = np.asarray(mat.get("a", (0.5, 0.5, 0.5)))
        q[20:23], q[23:26], q[26:29] = a, mat.get("b", a), mat.get("c", a)
        q[29], q[30], q[31] = mat.get("scale", 1.0), mat.get("p", 0.0), mat.get("p2", 0.0)
        q[32], q[33] = mat.get("rough", 0.6), mat.get("f0", 0.04)
        q[34], q[35] = mat.get("emit", 0.0), mat.get("bump", 0.0)

    def solid(self, kind: int, centre: Any, rows: V, half: Any, rounding: float, mat: dict[str, Any]) -> None:
        q = np.zeros(PRIM_FLOATS, np.float32)
        c, half = np.asarray(centre, float), np.asarray(half, float)
        self._paint(q, mat)
        q[0] = kind
        q[4:7], q[7], q[8:17], q[17:20] = c, min(rounding, float(half.min()) * 0.98), rows.ravel(), half
        ext = np.array([half[0], half[0], half[2]]) if kind == TUBE else half
        reach = np.sqrt(((rows.T * ext) ** 2).sum(1)) if kind == BALL else np.abs(rows.T) @ ext
        self._add(q, c - reach, c + reach)

    def box(self, centre: Any, rows: V, half: Any, mat: dict[str, Any], rounding: float = 0.05) -> None:
        self.solid(BOX, centre, rows, half, rounding, mat)

    def cone(self, a: Any, ra: float, b: Any, rb: float, mat: dict[str, Any]) -> None:
        a, b = np.asarray(a, float), np.asarray(b, float)
        length = float(np.linalg.norm(b - a))
        if length < abs(ra - rb) + 1e-3:  # one ball inside the other
            if rb > ra:
                a, ra = b, rb
            self.solid(BALL, a, np.eye(3), np.full(3, ra), 0, mat)
            return
        q = np.zeros(PRIM_FLOATS, np.float32)
        self._paint(q, mat)
        q[0] = CONE
        q[4:7], q[7], q[8:11], q[11] = a, ra, b, rb
        self._add(q, np.minimum(a - ra, b - rb), np.maximum(a + ra, b + rb))


def surface(rng: Rng, kind: str | None = None) -> dict[str, Any]:
    """Material of a desk, floor or wall."""
    kind = kind or str(rng.choice(["wood", "cloth", "plain", "checker", "stripes", "speckle", "blobs", "plaid", "tiles"],
                                  p=[0.34, 0.17, 0.20, 0.04, 0.05, 0.08, 0.04, 0.04, 0.04]))
    seed, rough, f0 = int(rng.integers(1, 9999)), float(rng.uniform(0.2, 0.9)), float(rng.uniform(0.02, 0.05))
    base = colour(rng, (0.0, 0.75), (0.1, 0.95)) if rng.random() < 0.6 else grey(rng)
    m: dict[str, Any] = {"seed": seed, "rough": rough, "f0": f0, "a": base}
    if kind == "wood":
        h, s, v = rng.uniform(0.04, 0.11), rng.uniform(0.25, 0.75), rng.uniform(0.18, 0.85)
        a = to_linear(np.array(colorsys.hsv_to_rgb(h, s, v)))
        b = to_linear(np.array(colorsys.hsv_to_rgb(h + rng.normal(0, 0.01), min(1, s * 1.1), v * rng.uniform(0.5, 0.85))))
        m |= {"tex": WOOD, "a": a, "b": b, "scale": rng.uniform(0.4, 1.6), "p": rng.choice([0, rng.uniform(6, 18)])}
    elif kind == "cloth":
        m |= {"tex": CLOTH, "b": base * rng.uniform(0.5, 0.85), "scale": rng.uniform(0.3, 1.3), "rough": 0.95, "f0": 0.01}
    elif kind == "checker":
        m |= {"tex": CHECKER, "b": colour(rng), "scale": 1 / rng.uniform(1.0, 12)}
    elif kind == "stripes":
        m |= {"tex": STRIPES, "b": colour(rng), "scale": 1 / rng.uniform(0.8, 12), "p": rng.uniform(0, 3.14), "p2": rng.uniform(0.2, 0.7)}
    elif kind == "speckle":
        m |= {"tex": SPECKLE, "b": base * rng.uniform(0.3, 1.3), "scale": rng.uniform(0.2, 1.2)}
    elif kind == "blobs":
        m |= {"tex": BLOBS, "b": colour(rng), "c": colour(rng), "scale": rng.uniform(0.05, 0.4)}
    elif kind == "plaid":
        m |= {"tex": PLAID, "b": colour(rng), "c": colour(rng), "scale": 1 / rng.uniform(2, 15), "p": rng.uniform(0.3, 0.6), "p2": rng.uniform(0.1, 0.9)}
    elif kind == "tiles":
        m |= {"tex": BRICKS, "b": grey(rng), "c": colour(rng), "scale": 1 / rng.uniform(3, 20), "p": float(rng.integers(2)), "p2": rng.uniform(0, 0.5)}
    return m


def any_material(rng: Rng) -> dict[str, Any]:
    m = surface(rng, str(rng.choice(["plain", "plain", "plain", "cloth", "stripes", "checker", "blobs", "wood", "plaid"])))
    if rng.random() < 0.5:
        m["a"] = colour(rng, (0.5, 1.0), (0.3, 0.95))
    return m


# ---- things on a desk; every maker takes the point on the surface and keeps within `size` ----------------------------
def books(b: Builder, rng: Rng, at: V, yaw: float) -> None:
    z = at[2]
    for _ in range(int(rng.integers(1, 5))):
        w, d, t = rng.uniform(6, 11), rng.uniform(8, 14), rng.uniform(0.6, 2.2)
        r = yaw_rows(yaw + rng.normal(0, 0.12))
        c = np.array([at[0] + rng.normal(0, 0.6), at[1] + rng.normal(0, 0.6), z + t])
        cover = any_material(rng) | {"rough": rng.uniform(0.2, 0.7)}
        paper = {"a": to_linear([0.93, 0.9, 0.8]), "tex": STRIPES, "b": to_linear([0.75, 0.7, 0.6]), "scale": 6.0, "p": 1.57, "p2": 0.35}
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
    m = {"tex": CUP, "a": a, "b": a * 0.9 if rng.random() < 0.5 else grey(rng, 0.8, 0.95), "c": colour(rng, (0.3, 0.8), (0.08, 0.5)), "rough": rng.uniform(0.08, 0.4)}
    c = np.asarray(at) + [0, 0, h]
    b.solid(TUBE, c, yaw_rows(yaw), (r, rng.choice([r - 0.35, 0.0], p=[0.85, 0.15]), h), 0, m | {"p2": rng.uniform(-0.4, 0.85)})
    if rng.random() < 0.8:
        side = np.array([np.cos(yaw), np.sin(yaw), 0])
        pts = [c + side * (r - 0.1 + x) + [0, 0, z * h] for x, z in ((0, 0.6), (1.9, 0.5), (2.6, 0.05), (1.9, -0.4), (0, -0.55))]
        for p, q in zip(pts[:-1], pts[1:], strict=True):
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
    m = {"a": white, "tex": tex, "seed": int(rng.integers(1, 9999)), "b": colour(rng), "c": grey(rng, 0.05, 0.5), "scale": 1 / rng.uniform(0.5, 1.6), "p": rng.uniform(0.06, 0.3), "p2": float(rng.integers(2))}
    if tex == BLOBS:
        m["scale"] = rng.uniform(0.08, 0.3)
    if tex == GRID:
        m |= {"p": float(rng.integers(2, 10)), "p2": float(rng.integers(2, 12)), "scale": rng.uniform(0.6, 0.97)}
    b.box(np.asarray(at) + [0, 0, 0.02 + rng.uniform(0, 0.05)], yaw_rows(yaw), (rng.uniform(7, 11), rng.uniform(10, 15), 0.02), m, 0.0)


def notes(b: Builder, rng: Rng, at: V, yaw: float, rows: V | None = None) -> None:
    """Coloured squares laid out in a grid, or one flat printed grid."""
    r = yaw_rows(yaw) if rows is None else rows
    at = np.asarray(at)
    n, m = int(rng.integers(1, 6)), int(rng.integers(1, 6))
    w = rng.uniform(1.2, 4.5)
    if n * m > 16 or rng.random() < 0.6:
        n, m = max(2, n), max(2, m)
        mat = {"tex": GRID, "a": grey(rng) if rng.random() < 0.8 else colour(rng), "seed": int(rng.integers(1, 9999)), "p": float(n), "p2": float(m), "scale": rng.uniform(0.7, 0.99), "rough": rng.uniform(0.1, 0.9)}
        b.box(at + r[2] * 0.06, r, (n * w * 0.6, m * w * 0.6, rng.choice([0.03, 0.06, 0.3])), mat, 0.0)
        return
    g, seed = rng.uniform(1.0, 1.15), int(rng.integers(1, 5))
    few = [colour(rng, (0.4, 1), (0.4, 0.98)) for _ in range(seed)] + [to_linear(jitter_hsv(rng, np.array(c), 0.03, 0.1, 0.1)) for c in ((0.95, 0.85, 0.1), (0.1, 0.6, 0.2), (0.1, 0.25, 0.8), (0.9, 0.1, 0.1), (0.95, 0.95, 0.95))]
    for i in range(n):
        for j in range(m):
            if rng.random() < 0.93:
                o = r[0] * ((i - n / 2 + 0.5) * 2 * w * g) + r[1] * ((j - m / 2 + 0.5) * 2 * w * g)
                twist = yaw_rows(rng.normal(0, 0.03)) @ r
                b.box(at + o + r[2] * 0.05, twist, (w, w, 0.04), {"a": few[rng.integers(len(few))], "rough": 0.8}, 0.0)


def screen(b: Builder, rng: Rng, at: V, yaw: float, rows: V | None = None, big: bool = False) -> None:
    r = yaw_rows(yaw) if rows is None else rows
    w, h = (rng.uniform(20, 35), rng.uniform(12, 20)) if big else (rng.uniform(3.2, 9), rng.uniform(6.5, 13))
    off = rng.random() < 0.3
    m = {"tex": SCREEN, "a": grey(rng, 0.02, 0.2), "b": colour(rng), "c": colour(rng), "seed": int(rng.integers(1, 9999)), "p": float(rng.integers(2, 7)), "p2": float(rng.integers(2, 9)), "emit": 0.0 if off else rng.uniform(0.3, 1.6), "rough": 0.1}
    b.box(np.asarray(at) + r[2] * 0.4, r, (w, h, 0.4), m, 0.25)


def crate(b: Builder, rng: Rng, at: V, yaw: float) -> None:
    half = np.array([rng.uniform(2, 9), rng.uniform(2, 9), rng.uniform(1, 7)])
    if rng.random() < 0.35:
        half[:] = rng.uniform(2, 4)  # about the cube's size
    b.box(np.asarray(at) + [0, 0, half[2]], yaw_rows(yaw), half, any_material(rng), rng.choice([0.05, 0.4, 1.0]))


def bricks(b: Builder, rng: Rng, at: V, yaw: float) -> None:
    """Loose or stacked coloured blocks."""
    w, r = rng.uniform(0.8, 1.8), yaw_rows(yaw)
    n, m, k = int(rng.integers(1, 4)), int(rng.integers(1, 4)), int(rng.integers(1, 3))
    few = [colour(rng, (0.5, 1), (0.4, 0.95)) for _ in range(5)]
    for i in range(n):
        for j in range(m):
            for z in range(k):
                if rng.random() < 0.8 - 0.2 * z:
                    o = r[0] * ((i - n / 2) * 2.08 * w) + r[1] * ((j - m / 2) * 2.08 * w) + [0, 0, (2 * z + 1) * w]
                    b.box(np.asarray(at) + o, yaw_rows(rng.normal(0, 0.06)) @ r, (w, w, w), {"a": few[rng.integers(5)], "rough": 0.3}, 0.15 * w)


def keyboard(b: Builder, rng: Rng, at: V, yaw: float) -> None:
    a = grey(rng, 0.03, 0.9)
    b.box(np.asarray(at) + [0, 0, 0.8], yaw_rows(yaw), (rng.uniform(14, 22), 6.5, 0.8), {"tex": KEYS, "a": a * 0.6, "b": a, "c": grey(rng), "scale": 0.55}, 0.3)


def cable(b: Builder, rng: Rng, at: V, yaw: float) -> None:
    p, ang, r = np.asarray(at) + [0, 0, 0.3], yaw, rng.uniform(0.15, 0.35)
    m = {"a": grey(rng), "rough": 0.5}
    for _ in range(int(rng.integers(4, 9))):
        q = p + np.array([np.cos(ang), np.sin(ang), 0]) * rng.uniform(2, 5)
        b.cone(p, r, q, r, m)
        p, ang = q, ang + rng.normal(0, 0.7)


def can(b: Builder, rng: Rng, at: V, yaw: float) -> None:
    r, h = rng.uniform(1.5, 4), rng.uniform(2, 9)
    b.solid(TUBE, np.asarray(at) + [0, 0, h], yaw_rows(yaw), (r, 0, h), 0, any_material(rng) | {"rough": rng.uniform(0.1, 0.6), "f0": rng.choice([0.04, 0.4])})


def ball(b: Builder, rng: Rng, at: V, yaw: float) -> None:
    r = rng.uniform(1.5, 4.5)
    b.solid(BALL, np.asarray(at) + [0, 0, r], yaw_rows(yaw), np.array([r, r, r]) * rng.uniform(0.8, 1, 3), 0, any_material(rng))


def mat(b: Builder, rng: Rng, at: V, yaw: float) -> None:
    m = surface(rng, str(rng.choice(["plain", "cloth", "cloth", "stripes"])))
    r = yaw_rows(yaw)
    w, d = rng.uniform(12, 30), rng.uniform(10, 22)
    if rng.random() < 0.4:
        b.box(np.asarray(at) + [0, 0, 0.02], r, (w + 0.6, d + 0.6, 0.03), {"a": colour(rng)}, 0.0)
    b.box(np.asarray(at) + [0, 0, 0.05], r, (w, d, 0.03), m, 0.0)


DESK_THINGS = [(books, 0.7, 14.0), (mug, 0.7, 8.0), (pen, 1.0, 7.0), (paper, 1.1, 2.0), (notes, 1.3, 2.0), (screen, 0.8, 3.0), (crate, 0.8, 9.0),
               (bricks, 0.5, 5.0), (keyboard, 0.3, 3.0), (cable, 0.5, 1.0), (can, 0.4, 8.0), (ball, 0.4, 6.0), (mat, 0.5, 1.0)]


def wall_things(b: Builder, rng: Rng, at: V, right: V, up: V, out: V, spread: float) -> None:
    """Pictures, shelves, a window, a cupboard on a wall whose point `at` lies in view; `out` faces the room."""
    rows = np.stack([right, up, out])
    for _ in range(int(rng.integers(0, 5))):
        p = at + right * rng.normal(0, spread) + up * rng.normal(0, spread * 0.5)
        kind = rng.choice(["picture", "grid", "shelf", "window", "cupboard", "screen"], p=[0.25, 0.15, 0.22, 0.1, 0.2, 0.08])
        s = spread * rng.uniform(0.08, 0.3)
        if kind in ("picture", "grid"):
            b.box(p + out * 0.5, rows, (s + 1.5, s * 1.2 + 1.5, 1.0), {"a": grey(rng), "rough": 0.4}, 0.1)
            m = {"tex": BLOBS, "a": colour(rng), "b": colour(rng), "c": colour(rng), "scale": 2 / s, "seed": int(rng.integers(999))}
            if kind == "grid":
                m = {"tex": GRID, "a": grey(rng), "seed": int(rng.integers(1, 9999)), "p": float(rng.integers(2, 6)), "p2": float(rng.integers(2, 6)), "scale": rng.uniform(0.7, 0.98)}
            b.box(p + out * 1.3, rows, (s, s * 1.2, 0.4), m, 0.0)
        elif kind == "shelf":
            w = spread * rng.uniform(0.3, 0.6)
            b.box(p + out * 8, rows, (w, 1.0, 8), surface(rng, "wood"), 0.1)
            x = -w + 2
            while x < w - 3 and b.room_left > 40:
                t, hgt = rng.uniform(1.2, 3.2), rng.uniform(7, 13)
                if rng.random() < 0.85:
                    b.box(p + out * 8 + right * (x + t) + up * (1 + hgt), rows, (t, hgt, rng.uniform(5, 7)), any_material(rng), 0.1)
                x += 2 * t + 0.2
        elif kind == "window":
            b.box(p + out * 0.5, rows, (s * 1.4 + 3, s * 2 + 3, 1), {"a": grey(rng, 0.6, 0.95)}, 0.1)
            b.box(p + out * 1.0, rows, (s * 1.4, s * 2, 0.8), {"tex": BLOBS, "a": to_linear([0.8, 0.9, 1]), "b": to_linear([0.6, 0.75, 0.7]), "c": to_linear([0.9, 0.95, 1]), "scale": 1 / s, "emit": rng.uniform(0.5, 4)}, 0.0)
        elif kind == "screen":
            screen(b, rng, p, 0, rows, big=True)
        else:
            b.box(p + out * 15 - up * s, rows, (s * 1.5, s * 1.8, 15), any_material(rng), 1.0)


SKIN_TONES = np.array([[0.96, 0.82, 0.72], [0.90, 0.70, 0.57], [0.80, 0.58, 0.43], [0.66, 0.44, 0.30], [0.47, 0.30, 0.20], [0.30, 0.19, 0.13]])


def skin(rng: Rng, ident: int = 3) -> dict[str, Any]:
    i = rng.uniform(0, len(SKIN_TONES) - 1.001)
    k = int(i)
    a = SKIN_TONES[k] * (1 - i + k) + SKIN_TONES[k + 1] * (i - k) + rng.normal(0, 0.02, 3)
    red = np.clip(a * [1.0, 0.8, 0.76], 0, 1)
    return {"id": ident, "tex": SKIN, "a": to_linear(a), "b": to_linear(red), "seed": int(rng.integers(1, 999)), "rough": rng.uniform(0.35, 0.65), "f0": 0.03, "bump": rng.choice([0.0, 0.03])}


def person(b: Builder, rng: Rng, at: V, facing: V, right: V) -> None:
    """Head and trunk; `at` is the head's centre, `facing` looks to the camera."""
    up = np.array([0.0, 0, 1])
    s = skin(rng, 0)
    rows = np.stack([right, facing, up])
    hr = np.array([7.5, 9.5, 11.5]) * rng.uniform(0.9, 1.1)
    b.solid(BALL, at, rows, hr, 0, s)
    hair = {"a": colour(rng, (0.1, 0.6), (0.03, 0.5)), "rough": 0.7, "tex": SPECKLE, "b": grey(rng, 0.02, 0.2), "scale": 0.6}
    if rng.random() < 0.85:
        b.solid(BALL, at + up * 2.5 - facing * 1.8, rows, hr * [1.06, 1.0, 0.97], 0, hair)
        if rng.random() < 0.4:
            b.solid(BALL, at - up * 6 - facing * 5, rows, (10, 5, 15), 0, hair)
    for e in (-1, 1):
        eye = at + facing * 8.1 + right * (e * 3.0) + up * 1.2
        b.solid(BALL, eye, rows, (1.5, 1.0, 0.9), 0, {"a": (0.8, 0.8, 0.78), "rough": 0.1})
        b.solid(BALL, eye + facing * 0.6, rows, (0.7, 0.5, 0.7), 0, {"a": colour(rng, (0.2, 0.7), (0.02, 0.3)), "rough": 0.1})
    b.cone(at + facing * 9 + up * 0.5, 0.8, at + facing * 10.2 - up * 2.2, 1.2, s)
    b.solid(BALL, at + facing * 8.0 - up * 5.2, rows, (2.6, 1.2, 0.8), 0, s | {"a": s["a"] * [0.75, 0.45, 0.45], "tex": PLAIN})
    b.cone(at - up * 9, 5.5, at - up * 19, 6.2, s)
    shirt = any_material(rng) | {"rough": 0.9, "f0": 0.01}
    if shirt.get("scale", 1) > 3:
        shirt["scale"] = 0.3
    b.solid(BALL, at - up * 42, rows, (rng.uniform(19, 25), 12, 27), 0, shirt)
    b.cone(at - up * 23 - right * 13, 7, at - up * 23 + right * 13, 7, shirt)
    for e in (-1, 1):
        b.cone(at - up * 25 + right * (e * 17), 6.2, at - up * 52 + right * (e * 24) + facing * 4, 5, shirt)


def hand(b: Builder, rng: Rng, half: float, p: V, s: V, fingers: int, arm: V, reach: float, thumb: bool, tone: dict[str, Any]) -> None:
    """A hand round a cube at the origin: palm outside face `p`, fingers along the neighbouring face `s` (world unit vectors).

    half: half edge, cm. reach: how far the fingers go over face s, 0..1.3 of the edge. arm: direction of the forearm.
    """
    w = np.cross(p, s)
    k = rng.uniform(0.85, 1.15)
    spacing, slide = 1.75 * k, rng.uniform(-0.35, 0.35) * half
    lift = 1.9 * k
    if rng.random() < 0.5:
        w = -w
    order = list(rng.permutation(4)[:fingers])
    wrist = p * (half + rng.uniform(5.5, 7.5) * k) - s * rng.uniform(0, 2.5) + unit(arm) * 1.5 + w * (slide + rng.normal(0, 0.7))
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
            mid = p * (half - 0.5 * d) + s * (out + rng.uniform(0.05, 0.35)) + lat * 1.0 + w * rng.normal(0, 0.15)
            tip = p * (half - d) + s * (out - 0.06) + lat + w * rng.normal(0, 0.25)
            b.cone(knuckle, 1.12 * k, bend, r, tone)
            b.cone(bend, r, mid, r * 0.95, tone)
            b.cone(mid, r * 0.95, tip, r * 0.82, tone)
            if rng.random() < 0.7:
                nail = tone | {"tex": PLAIN, "a": np.clip(np.asarray(tone["a"]) * 1.15 + 0.05, 0, 1) * (1, 0.85, 0.83), "rough": 0.2}
                b.solid(BALL, tip + s * r * 0.62 - p * 0.1, np.stack([w, p, s]), (r * 0.52, r * 0.62, r * 0.25), 0, nail)
        else:  # curled under the palm's face
            q = p * (half + 0.95 * k) - s * (half * rng.uniform(-0.3, 0.5)) + lat * 0.9
            b.cone(knuckle, 1.1 * k, q, r, tone)
    b.cone(p * (half + 2.0 * k) + s * half * 0.2 - w * 2.4 * k + w * slide, 1.55 * k, p * (half + 2.0 * k) + s * half * 0.2 + w * 2.4 * k + w * slide, 1.55 * k, tone)
    b.solid(BALL, p * (half + 2.6 * k) - s * 0.3 * half + w * slide, np.stack([w, s, p]), (4.0 * k, 3.2 * k, 1.9 * k), 0, tone)
    base = p * (half + 3.2 * k) - s * half * 0.3 + w * (slide + 3.0 * k)
    if thumb:
        t_face = -s if rng.random() < 0.75 else w
        side = w if abs(float(np.dot(t_face, w))) < 0.5 else -s
        r = 1.05 * k
        off = side * rng.uniform(-0.4, 0.6) * half
        j1 = p * (half + 0.6) + t_face * (half + r + 0.7) + off
        tip = p * (half - rng.uniform(0.2, 1.1) * half) + t_face * (half + r * 0.95) + off * rng.uniform(0.4, 1)
        b.cone(base, 1.5 * k, j1, 1.15 * k, tone)
        b.cone(j1, 1.15 * k, tip, r * 0.85, tone)
    else:
        b.cone(base, 1.4 * k, p * (half + 1.2 * k) + w * (slide + 3.4 * k), 1.0 * k, tone)
    elbow = wrist + unit(arm) * rng.uniform(22, 32)
    b.cone(wrist, 2.5 * k, elbow, 3.8 * k, tone)
    shoulder = elbow + unit(unit(arm) * rng.uniform(0.4, 1.2) + [0, 0, -rng.uniform(0.0, 0.8)] + rng.normal(0, 0.15, 3)) * 45
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
        b.box(axis * e * (half + 0.45), rows, (0.42, w, h), {"id": 3, "a": colour(rng, (0, 0.6), (0.05, 0.6)), "rough": 0.7}, 0.1)
        b.box(axis * e * (half + 1.6), rows, (0.8, w * 0.8, h * 0.8), m, 0.1)
        p = axis * e * (half + 2)
        d = unit(axis * e + up * rng.normal(0, 0.3) + other * rng.normal(0, 0.3))
        b.cone(p, rng.uniform(0.6, 1.6), p + d * 30, rng.uniform(0.8, 2.5), m)


def cover(b: Builder, rng: Rng, cube: V, cam: V, half: float, right: V, down: V, share: float) -> None:
    """Something held between the camera and the cube that hides about `share` of it."""
    t = rng.uniform(0.12, 0.45)
    d = float(np.linalg.norm(cam - cube))
    if d * t < 2.2 * half:
        t = min(0.6, 2.2 * half / d)
    view = unit(cam - cube)
    size = half * (1 - t) * (0.5 + 1.3 * share)
    ang = rng.uniform(0, 2 * np.pi)
    off = (right * np.cos(ang) + down * np.sin(ang)) * (half * (1 - t) * 1.7 * (1.15 - share) * rng.uniform(0.75, 1.1))
    c = cube + (cam - cube) * t + off
    tilt = unit(view + right * rng.normal(0, 0.35) + down * rng.normal(0, 0.35))
    x = unit(np.cross(down + right * rng.normal(0, 0.5), tilt))
    rows = np.stack([x, np.cross(tilt, x), tilt])
    m = any_material(rng) | {"id": 3}
    kind = rng.choice(["card", "block", "bar", "slab"], p=[0.38, 0.27, 0.2, 0.15])
    if kind == "card":
        if rng.random() < 0.4:
            m |= {"tex": int(rng.choice([TEXT, GRID, BLOBS])), "p": float(rng.integers(2, 6)), "p2": float(rng.integers(2, 6)), "scale": 0.8}
        b.box(c, rows, (size * rng.uniform(0.8, 1.6), size * rng.uniform(0.8, 1.6), 0.05), m, 0.0)
    elif kind == "block":
        b.box(c, rows, (size * rng.uniform(0.7, 1.4), size * rng.uniform(0.7, 1.4), size * rng.uniform(0.3, 0.7)), m, 0.3)
    elif kind == "bar":
        b.cone(c - x * 25, rng.uniform(0.3, 1.2) * half * (1 - t) * (0.4 + share), c + x * 25, rng.uniform(0.2, 0.8) * half * (1 - t), m)
    else:  # a flat hand
        tone = skin(rng)
        y = rows[1]
        for i in range(4):
            o = y * ((i - 1.5) * 1.75)
            b.cone(c + o - x * 3, 0.95, c + o + x * rng.uniform(3, 5), 0.8, tone)
        b.solid(BALL, c - x * 6, rows, (5, 4, 1.5), 0, tone)
        b.cone(c - x * 8, 2.6, c - x * 35 + down * 8, 3.6, tone)
