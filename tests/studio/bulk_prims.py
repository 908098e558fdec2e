"""What things of the bulk pictures are made of: prims, colours, surfaces (numpy only).

World: centimetres, z up, origin at the main cube's centre. `rows` are an object's own axes as rows (world
    -> own).
"""

from __future__ import annotations

import colorsys
from typing import Any

import numpy as np
from bulk_cube import to_linear

PRIM_FLOATS = 40
MAX_PRIMS = 112
PLANE, BOX, CONE, BALL, TUBE = 0, 1, 2, 3, 4
(
    PLAIN,
    WOOD,
    CLOTH,
    CHECKER,
    STRIPES,
    RULED,
    GRID,
    SCREEN,
    SPECKLE,
    SKIN,
    TEXT,
    BLOBS,
    KEYS,
    BRICKS,
    PLAID,
    CUP,
) = range(16)
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
    kind = kind or str(
        rng.choice(
            ["wood", "cloth", "plain", "checker", "stripes", "speckle", "blobs", "plaid", "tiles"],
            p=[0.34, 0.17, 0.20, 0.04, 0.05, 0.08, 0.04, 0.04, 0.04],
        )
    )
    seed, rough, f0 = int(rng.integers(1, 9999)), float(rng.uniform(0.2, 0.9)), float(rng.uniform(0.02, 0.05))
    base = colour(rng, (0.0, 0.75), (0.1, 0.95)) if rng.random() < 0.6 else grey(rng)
    m: dict[str, Any] = {"seed": seed, "rough": rough, "f0": f0, "a": base}
    if kind == "wood":
        h, s, v = rng.uniform(0.04, 0.11), rng.uniform(0.25, 0.75), rng.uniform(0.18, 0.85)
        a = to_linear(np.array(colorsys.hsv_to_rgb(h, s, v)))
        b = to_linear(
            np.array(
                colorsys.hsv_to_rgb(h + rng.normal(0, 0.01), min(1, s * 1.1), v * rng.uniform(0.5, 0.85))
            )
        )
        m |= {
            "tex": WOOD,
            "a": a,
            "b": b,
            "scale": rng.uniform(0.4, 1.6),
            "p": rng.choice([0, rng.uniform(6, 18)]),
        }
    elif kind == "cloth":
        m |= {
            "tex": CLOTH,
            "b": base * rng.uniform(0.5, 0.85),
            "scale": rng.uniform(0.3, 1.3),
            "rough": 0.95,
            "f0": 0.01,
        }
    elif kind == "checker":
        m |= {"tex": CHECKER, "b": colour(rng), "scale": 1 / rng.uniform(1.0, 12)}
    elif kind == "stripes":
        m |= {
            "tex": STRIPES,
            "b": colour(rng),
            "scale": 1 / rng.uniform(0.8, 12),
            "p": rng.uniform(0, 3.14),
            "p2": rng.uniform(0.2, 0.7),
        }
    elif kind == "speckle":
        m |= {"tex": SPECKLE, "b": base * rng.uniform(0.3, 1.3), "scale": rng.uniform(0.2, 1.2)}
    elif kind == "blobs":
        m |= {"tex": BLOBS, "b": colour(rng), "c": colour(rng), "scale": rng.uniform(0.05, 0.4)}
    elif kind == "plaid":
        m |= {
            "tex": PLAID,
            "b": colour(rng),
            "c": colour(rng),
            "scale": 1 / rng.uniform(2, 15),
            "p": rng.uniform(0.3, 0.6),
            "p2": rng.uniform(0.1, 0.9),
        }
    elif kind == "tiles":
        m |= {
            "tex": BRICKS,
            "b": grey(rng),
            "c": colour(rng),
            "scale": 1 / rng.uniform(3, 20),
            "p": float(rng.integers(2)),
            "p2": rng.uniform(0, 0.5),
        }
    return m


def any_material(rng: Rng) -> dict[str, Any]:
    m = surface(
        rng,
        str(rng.choice(["plain", "plain", "plain", "cloth", "stripes", "checker", "blobs", "wood", "plaid"])),
    )
    if rng.random() < 0.5:
        m["a"] = colour(rng, (0.5, 1.0), (0.3, 0.95))
    return m
