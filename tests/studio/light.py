"""Lamps from 2700 to 7500 K: their colours, where they hang, and what a room throws back."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .engine import Light

Array = NDArray[np.float64]
#: linear sRGB from CIE XYZ (IEC 61966-2-1)
XYZ_TO_RGB = np.array([[3.2406, -1.5372, -0.4986], [-0.9689, 1.8758, 0.0415], [0.0557, -0.2040, 1.0570]])
KINDS = ("ceiling", "lamp", "window", "window_lamp", "sky", "monitor_lamp", "two_lamps")


def planck_xy(kelvin: float) -> tuple[float, float]:
    """CIE 1931 chromaticity of a black body, 1667..25000 K (cubic fit by Kim et al., US patent 7024034,
    2006)."""
    t = float(np.clip(kelvin, 1667, 25000))
    if t <= 4000:
        x = -0.2661239e9 / t**3 - 0.2343589e6 / t**2 + 0.8776956e3 / t + 0.179910
    else:
        x = -3.0258469e9 / t**3 + 2.1070379e6 / t**2 + 0.2226347e3 / t + 0.240390
    if t <= 2222:
        y = -1.1063814 * x**3 - 1.34811020 * x**2 + 2.18555832 * x - 0.20219683
    elif t <= 4000:
        y = -0.9549476 * x**3 - 1.37418593 * x**2 + 2.09137015 * x - 0.16748867
    else:
        y = 3.0817580 * x**3 - 5.87338670 * x**2 + 3.75112997 * x - 0.37001483
    return x, y


def planck_rgb(kelvin: float, tint: float = 0.0) -> Array:
    """Linear sRGB of a black body at luminance 1; `tint` > 0 shifts towards green as fluorescent tubes do."""
    x, y = planck_xy(kelvin)
    y += tint
    rgb = XYZ_TO_RGB @ np.array([x / y, 1.0, (1 - x - y) / y])
    return np.maximum(rgb, 0.01)


@dataclass(frozen=True)
class Lighting:
    """The lights of one scene, what lies around, and what the truth says of them."""

    kind: str
    lights: tuple[Light, ...]
    surroundings: Array
    listing: tuple[dict[str, object], ...]
    mean_rgb: Array


def _panorama(rng: np.random.Generator, ambient: Array) -> Array:
    """(64, 128, 3) a room of our own: ceiling, walls, floor, furniture; mean luminance about 1 in
    `ambient`."""
    h, w = 64, 128
    out = np.zeros((h, w, 3))
    wall = rng.uniform(0.35, 0.9) * (1 + rng.normal(0, 0.08, 3))
    ceiling, floor = wall * rng.uniform(1.0, 1.6), wall * rng.uniform(0.2, 0.7)
    for row in range(h):
        height = 1 - row / (h / 2)  # 1 zenith .. -1 nadir
        out[row] = ceiling if height > 0.45 else wall if height > -0.3 else floor
    for _ in range(int(rng.integers(3, 9))):  # furniture: dark and light blocks on the walls
        c, r = rng.integers(w), rng.integers(20, 42)
        dw, dh = rng.integers(4, 20), rng.integers(4, 14)
        block = rng.uniform(0.05, 1.1) * (1 + rng.normal(0, 0.2, 3))
        out[r : r + dh, np.arange(c, c + dw) % w] = np.clip(block, 0.02, 2)
    out *= np.linspace(1.15, 0.85, h)[:, None, None]
    return out * ambient


def _window(rng: np.random.Generator, panorama: Array, rgb: Array, strength: float) -> None:
    """A bright window with panes into the panorama, in place."""
    w = panorama.shape[1]
    c, r = int(rng.integers(w)), int(rng.integers(12, 22))
    dw, dh = int(rng.integers(10, 22)), int(rng.integers(9, 15))
    for y in range(dh):
        for x in range(dw):
            if (x * 2) // dw != ((x + 1) * 2 - 1) // dw and dw > 8 and x == dw // 2:
                continue  # the bar between panes
            panorama[r + y, (c + x) % w] = rgb * strength * (1.2 - 0.4 * y / dh)


def draw_lighting(rng: np.random.Generator, kind: str, mirror_at: Array, target: Array) -> Lighting:
    """Lights of one kind. `mirror_at`: direction in which the top face mirrors the camera (for glare);
    `target` mm."""
    tint = float(rng.normal(0, 0.004))
    warm, cool = rng.uniform(2700, 3600), rng.uniform(4800, 7500)
    middle = rng.uniform(3000, 6000)
    ambient_k = {"ceiling": middle, "lamp": warm, "window": cool, "window_lamp": cool, "sky": cool}.get(
        kind, middle
    )
    ambient = planck_rgb(ambient_k, tint)
    panorama = _panorama(rng, ambient * (rng.uniform(0.35, 0.8) if kind != "sky" else 1.0))
    lights: list[Light] = []
    listing: list[dict[str, object]] = []
    total = ambient * 0.6

    def add(kind_of: str, kelvin: float, strength: float, light: Light) -> None:
        nonlocal total
        lights.append(light)
        total = total + planck_rgb(kelvin, tint) * strength
        listing.append({"type": kind_of, "cct": round(kelvin), "strength": round(strength, 3)})

    if kind == "ceiling":
        listing.append({"type": "ceiling", "cct": round(middle), "strength": 1.0})
        side = (rng.uniform(500, 1500), rng.uniform(300, 1200))
        at = target + np.array([rng.normal(0, 900), rng.normal(0, 900), rng.uniform(1500, 2300)])
        power = 1.0 * 2000**2 / (side[0] * side[1]) * 3
        rgb = planck_rgb(middle, tint) * power
        lights.append(Light("panel", tuple(rgb), tuple(at), (0.0, 0.0, -1.0), side))
        total = total + planck_rgb(middle, tint)
    if kind in ("window", "window_lamp", "sky"):
        strength = rng.uniform(6, 20)
        listing.append({"type": "window" if kind != "sky" else "sky", "cct": round(cool), "strength": 1.0})
        for _ in range(int(rng.integers(1, 3))):
            _window(rng, panorama, planck_rgb(cool, tint), strength)
        total = total + planck_rgb(cool, tint)
        if kind == "sky":
            panorama[:30] = np.maximum(
                panorama[:30], planck_rgb(rng.uniform(6000, 7500)) * rng.uniform(0.8, 1.6)
            )
    lamps = {"lamp": 1, "window_lamp": 1, "monitor_lamp": 1, "two_lamps": 2}.get(kind, 0)
    for i in range(lamps):
        kelvin = warm if i == 0 else cool
        strength = rng.uniform(0.7, 2.2)
        add(
            "lamp",
            kelvin,
            strength,
            _lamp(rng, target, planck_rgb(kelvin, tint), strength, rng.uniform(50, 220)),
        )
    if kind == "monitor_lamp":
        way = _side(rng)
        at = target + way * rng.uniform(350, 650) + np.array([0, 0, rng.uniform(0, 200)])
        rgb = planck_rgb(7000) * rng.uniform(0.8, 2.0) * (1 + rng.normal(0, 0.15, 3))
        lights.append(
            Light("panel", tuple(np.maximum(rgb, 0.05)), tuple(at), tuple(target - at), (540.0, 320.0))
        )
        listing.append({"type": "monitor", "cct": 7000, "strength": 1.0})
    if rng.random() < 0.2:  # a small bare lamp: hard shadows
        kelvin = float(rng.uniform(2700, 6500))
        strength = rng.uniform(1.0, 3.0)
        add("hard_lamp", kelvin, strength, _lamp(rng, target, planck_rgb(kelvin, tint), strength, 12.0))
    if kind in ("window", "sky") and rng.random() < 0.3:
        way = _side(rng) * rng.uniform(0.5, 1.2) + np.array([0, 0, 1.0])
        rgb = planck_rgb(5400) * rng.uniform(2.0, 5.0)
        lights.append(Light("sun", tuple(rgb), (0, 0, 0), tuple(-way / np.linalg.norm(way))))
        listing.append({"type": "sun", "cct": 5400, "strength": 3.0})
        total = total + rgb / 3
    if rng.random() < 0.22:  # a lamp where the top face mirrors it into the camera
        kelvin = float(rng.uniform(2700, 6500))
        way = mirror_at + rng.normal(0, 0.10, 3)
        way = way / np.linalg.norm(way)
        at = target + way * rng.uniform(450, 900)
        size = rng.uniform(60, 260)
        rgb = planck_rgb(kelvin, tint) * rng.uniform(8, 40)
        lights.append(Light("panel", tuple(rgb), tuple(at), tuple(-way), (size, size)))
        listing.append({"type": "glare", "cct": round(kelvin), "strength": 1.0})
    return Lighting(kind, tuple(lights), panorama, tuple(listing), total / total[1])


def _side(rng: np.random.Generator) -> Array:
    angle = rng.uniform(0, 2 * np.pi)
    return np.array([np.cos(angle), np.sin(angle), 0.0])


def _lamp(rng: np.random.Generator, target: Array, rgb: Array, strength: float, size: float) -> Light:
    """A ball above the scene, as bright on white paper as `strength` times the room."""
    distance = rng.uniform(500, 1200)
    rise = rng.uniform(0.5, 1.2)
    way = _side(rng) * np.cos(rise) + np.array([0, 0, np.sin(rise)])
    radiance = strength * distance**2 / (np.pi * (size / 2) ** 2) * np.pi / 2
    at = target + way * distance
    return Light("bulb", tuple(rgb * radiance), tuple(at), size_mm=(size, size))


HARD = ("hard_lamp", "sun")
