"""Lamps and sky for the bulk pictures (numpy only)."""

from __future__ import annotations

import numpy as np
from bulk_prims import Rng, V, unit
from bulk_view import Setting, World


def blackbody(cct: float) -> V:
    """Linear sRGB of a Planckian lamp, luminance 1 (locus: Kim et al. 2002 cubic, from memory; matrix IEC
    61966-2-1)."""
    t = 1e3 / cct
    x = (
        -0.2661239 * t**3 - 0.2343589 * t**2 + 0.8776956 * t + 0.179910
        if cct < 4000
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


def lamp(
    pos: V, rgb: V, irradiance: float, radius: float, rect: tuple[V, V] | None = None
) -> tuple[V, float]:
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


def in_the_way(w: World, pos: V, size: float) -> bool:
    """Whether a lamp of this size stands in the picture nearer than about the cube."""
    v = pos - w.eye
    d, cube = float(np.linalg.norm(v)), float(np.linalg.norm(w.eye))
    aim = float(v @ w.fwd) / max(d, 1e-6)
    spread = np.radians(50) + np.arctan2(size, d)
    return d < size + 5 or (d < cube + 15 and aim > np.cos(spread))


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
        for _try in range(8):
            az, el, d = rng.uniform(-2.6, 2.6), np.radians(rng.uniform(25, 88)), rng.uniform(50, 240)
            hor = -w.ahead * np.cos(az) + w.aside * np.sin(az)
            pos = (hor * np.cos(el) + np.array([0, 0, np.sin(el)])) * d
            if not in_the_way(w, pos, 20):
                break
        else:
            continue
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
            d = rng.uniform(60, 200)
            if not in_the_way(w, m * d, 0.15 * d):
                tags.append("glare")
                a = unit(np.cross(m, [0.3, 0.1, 1]))
                rect = (
                    (a * d * rng.uniform(0.05, 0.3), np.cross(m, a) * d * rng.uniform(0.05, 0.25))
                    if rng.random() < 0.6
                    else None
                )
                made.append(
                    lamp(
                        m * d,
                        blackbody(rng.uniform(2800, 7500)),
                        rng.uniform(0.3, 2.5),
                        d * rng.uniform(0.02, 0.12),
                        rect,
                    )
                )
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
        s.cam[27 + 7 * k : 30 + 7 * k] = np.cos(el) * np.cos(az), np.cos(el) * np.sin(az), np.sin(el)
        s.cam[30 + 7 * k] = np.cos(rng.uniform(0.15, 0.6))
        s.cam[31 + 7 * k : 34 + 7 * k] = (
            blackbody(rng.uniform(3000, 7500)) * ambient * rng.choice([0.0, rng.uniform(1, 8)])
        )
    return tags
