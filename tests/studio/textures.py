"""Pictures for surfaces, all drawn from noise and rules: wood, cloth, paper, tiles, printed grids, text."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from .shades import srgb_to_linear

Array = NDArray[np.float64]
SURFACES = ("wood", "laminate", "cloth", "mat", "paper", "tiles", "stone", "weave")


def noise(rng: np.random.Generator, height: int, width: int, cells: tuple[int, int]) -> Array:
    """(H, W) smooth noise about 0, deviation about 1, with so many cells down and across."""
    small = rng.normal(0, 1, (cells[0] + 2, cells[1] + 2)).astype(np.float32)
    return np.asarray(cv2.resize(small, (width, height), interpolation=cv2.INTER_CUBIC), dtype=float)


def surface(rng: np.random.Generator, kind: str, px: int = 512) -> Array:
    """(px, px, 3) linear albedo of a desk or floor."""
    base = _colour(rng, kind)
    grain = 0.02 * rng.normal(0, 1, (px, px))
    if kind == "wood":
        lines = noise(rng, px, px, (int(rng.integers(30, 90)), 4))
        value = 0.16 * lines + 0.07 * noise(rng, px, px, (160, 8))
        planks = np.floor(np.arange(px) / (px / rng.integers(2, 6)))
        value = value + 0.08 * rng.normal(0, 1, 8)[planks.astype(int) % 8][:, None]
    elif kind == "cloth":
        x = np.arange(px)
        value = 0.06 * np.sin(x * 2.1)[None] * np.sin(x * 2.1)[:, None] + 0.06 * noise(rng, px, px, (20, 20))
    elif kind == "weave":
        step = int(rng.integers(14, 40))
        over = ((np.arange(px)[:, None] // step) + (np.arange(px)[None] // step)) % 2
        value = 0.22 * (over - 0.5) + 0.03 * noise(rng, px, px, (90, 90))
    elif kind == "tiles":
        step = px // int(rng.integers(4, 14))
        y, x = np.arange(px)[:, None] % step, np.arange(px)[None] % step
        joint = (y < max(2, step // 14)) | (x < max(2, step // 14))
        tone = rng.normal(0, 0.12, (px // step + 1, px // step + 1))
        value = np.where(joint, -0.5, tone[np.arange(px)[:, None] // step, np.arange(px)[None] // step])
    elif kind == "stone":
        value = 0.15 * noise(rng, px, px, (40, 40)) + 0.15 * noise(rng, px, px, (150, 150))
    else:
        value = 0.02 * noise(rng, px, px, (10, 10))
    out = base[None, None] * np.exp(np.clip(value + grain, -1.2, 0.8))[..., None]
    return np.clip(out, 0.005, 0.92)


def _colour(rng: np.random.Generator, kind: str) -> Array:
    if kind == "wood":
        srgb = np.array([150, 105, 66]) * rng.uniform(0.5, 1.35) + rng.normal(0, 10, 3)
    elif kind in ("paper", "laminate", "tiles") and rng.random() < 0.7:
        srgb = np.full(3, rng.uniform(120, 238)) + rng.normal(0, 8, 3)
    else:
        srgb = rng.uniform(20, 215, 3) if rng.random() < 0.5 else np.full(3, rng.uniform(15, 230))
    return srgb_to_linear(np.clip(srgb, 8, 242) / 255)


def coloured_grid(rng: np.random.Generator, rows: int, columns: int, px: int = 256) -> Array:
    """(px, px, 3) a printed grid of coloured squares: the sort of thing that looks like a cube's face and is
    none."""
    pool = rng.uniform(10, 250, (int(rng.integers(2, 8)), 3))
    if rng.random() < 0.5:
        strong = np.array(
            [[240, 240, 240], [240, 210, 20], [190, 20, 40], [240, 110, 20], [20, 60, 170], [20, 150, 60]]
        )
        pool = strong + rng.normal(0, 12, strong.shape)
    margin = rng.uniform(0.0, 0.14)
    back = np.full(3, rng.choice([12, 30, 235, 250]))
    out = np.tile(back, (px, px, 1)).astype(float)
    for r in range(rows):
        for c in range(columns):
            y0, y1 = (r + margin / 2) * px / rows, (r + 1 - margin / 2) * px / rows
            x0, x1 = (c + margin / 2) * px / columns, (c + 1 - margin / 2) * px / columns
            out[int(y0) : int(y1), int(x0) : int(x1)] = pool[rng.integers(len(pool))]
    return srgb_to_linear(np.clip(out, 4, 250) / 255)


def printed_page(rng: np.random.Generator, px: int = 320) -> Array:
    """(px, px, 3) a page with lines of greeked text and perhaps a ruled table."""
    out = np.full((px, px, 3), rng.uniform(200, 248))
    ink = rng.uniform(15, 90, 3)
    y = int(px * 0.08)
    while y < px * 0.92:
        if rng.random() < 0.16:
            rows, columns = int(rng.integers(2, 6)), int(rng.integers(2, 7))
            w, h = int(px * rng.uniform(0.3, 0.8) / columns), int(px * rng.uniform(0.1, 0.25) / rows)
            for r in range(rows + 1):
                cv2.line(out, (30, y + r * h), (30 + w * columns, y + r * h), ink.tolist(), 1)
            for c in range(columns + 1):
                cv2.line(out, (30 + c * w, y), (30 + c * w, y + rows * h), ink.tolist(), 1)
            y += rows * h + 12
            continue
        x = 28
        while x < px - 40:
            word = int(rng.integers(6, 34))
            cv2.rectangle(out, (x, y), (min(x + word, px - 28), y + 3), ink.tolist(), -1)
            x += word + 6
        y += 9
    return srgb_to_linear(np.clip(out, 5, 250) / 255)


def screen(rng: np.random.Generator, px: int = 256) -> Array:
    """(px, px, 3) what a screen or a poster shows: blocks, gradients, a grid of icons."""
    out = np.tile(rng.uniform(5, 120, 3), (px, px, 1)) * np.linspace(0.6, 1.4, px)[:, None, None]
    if rng.random() < 0.5:
        n = int(rng.integers(3, 8))
        for r in range(n):
            for c in range(n):
                y, x = int((r + 0.25) * px / n), int((c + 0.25) * px / n)
                out[y : y + px // (2 * n), x : x + px // (2 * n)] = rng.uniform(0, 255, 3)
    else:
        for _ in range(12):
            y, x, h, w = rng.integers(0, px, 4)
            out[y : y + h // 2, x : x + w // 2] = rng.uniform(0, 255, 3)
    return srgb_to_linear(np.clip(out, 3, 250) / 255)
