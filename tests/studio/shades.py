"""Sets of six sticker colours. All values are invented for these pictures (no cube was measured).

The sets marked held out must never be seen by whatever builds the project's default profile: reading them is
the test.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

COLOURS = ("white", "yellow", "red", "orange", "blue", "green")
#: the colours of the solved cube for URFDLB (common practice: white opposite yellow, red opposite orange,
#: blue opposite green; with white up and green in front, red is on the right)
SCHEME = ("white", "red", "green", "yellow", "orange", "blue")


@dataclass(frozen=True)
class Shade:
    """Six albedos as sRGB bytes in the order of COLOURS, with the roughness of the surface and its spread."""

    name: str
    srgb: tuple[tuple[int, int, int], ...]
    held_out: bool = False
    roughness: tuple[float, float] = (0.15, 0.4)
    spread_lab: float = 2.5


SHADES = (
    Shade(
        "standard",
        ((232, 232, 228), (238, 208, 20), (178, 22, 36), (238, 98, 18), (16, 62, 158), (12, 140, 62)),
    ),
    Shade(
        "bright",
        ((242, 242, 244), (240, 236, 40), (232, 38, 62), (248, 138, 40), (24, 112, 222), (52, 206, 78)),
        roughness=(0.1, 0.3),
    ),
    Shade(
        "deep", ((226, 224, 216), (226, 184, 12), (140, 14, 26), (218, 76, 20), (14, 40, 108), (8, 94, 48))
    ),
    Shade(
        "vinyl",
        ((214, 212, 202), (214, 182, 40), (150, 30, 38), (208, 92, 34), (26, 58, 120), (30, 108, 60)),
        roughness=(0.35, 0.6),
    ),
    Shade(
        "pastel",
        ((228, 226, 220), (240, 224, 128), (214, 96, 102), (238, 164, 110), (98, 138, 196), (122, 190, 140)),
    ),
    Shade(
        "pastel2",
        (
            (236, 232, 226),
            (246, 238, 164),
            (232, 138, 150),
            (246, 190, 150),
            (150, 184, 222),
            (168, 214, 172),
        ),
        held_out=True,
    ),
    Shade(
        "home_made",
        ((218, 214, 196), (228, 196, 74), (170, 40, 70), (206, 110, 62), (52, 72, 140), (84, 124, 62)),
        held_out=True,
        roughness=(0.55, 0.85),
        spread_lab=4.0,
    ),
    Shade(
        "black_for_white",
        ((24, 24, 26), (238, 210, 24), (186, 24, 40), (240, 110, 24), (20, 70, 170), (16, 146, 66)),
        held_out=True,
    ),
    Shade(
        "two_oranges",
        ((234, 232, 226), (240, 206, 30), (222, 72, 30), (242, 122, 28), (22, 72, 164), (20, 142, 70)),
        held_out=True,
        spread_lab=1.0,
    ),
)
PLASTICS = {  # linear-light albedos are made from these sRGB bytes
    "black": (22, 22, 24),
    "white": (226, 226, 222),
    "cream": (226, 214, 180),
    "grey": (150, 152, 154),
    "pink": (226, 150, 172),
    "sky": (120, 170, 206),
}


def shade_named(name: str) -> Shade:
    """The set of that name; KeyError when there is none."""
    return {s.name: s for s in SHADES}[name]


def srgb_to_linear(srgb: NDArray[np.float64]) -> NDArray[np.float64]:
    """sRGB 0..1 to linear light 0..1 (IEC 61966-2-1)."""
    return np.where(srgb <= 0.04045, srgb / 12.92, ((srgb + 0.055) / 1.055) ** 2.4)


def linear_to_srgb(linear: NDArray[np.float64]) -> NDArray[np.float64]:
    """Linear light 0..1 to sRGB 0..1 (IEC 61966-2-1); clips."""
    x = np.clip(linear, 0.0, 1.0)
    return np.where(x <= 0.0031308, 12.92 * x, 1.055 * x ** (1 / 2.4) - 0.055)


def draw_shade(rng: np.random.Generator, which: str) -> Shade:
    """A set: `which` is `default` (none held out), `held-out` (only those), `all` or a set's own name."""
    if which in ("default", "held-out", "all"):
        pool = [s for s in SHADES if which == "all" or s.held_out == (which == "held-out")]
        return pool[rng.integers(len(pool))]
    return shade_named(which)


def draw_albedo_srgb(rng: np.random.Generator, shade: Shade) -> NDArray[np.int64]:
    """(6, 3) sRGB bytes of one cube: the set with a spread as between makers' batches."""
    base = np.array(shade.srgb, dtype=float)
    common = rng.normal(0, shade.spread_lab * 0.8, (1, 3))
    own = rng.normal(0, shade.spread_lab * 1.6, (6, 3))
    return np.clip(np.round(base + common + own), 6, 250).astype(np.int64)
