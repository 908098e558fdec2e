"""Draws how a cube is made: size, stickers or coloured plastic, proportions, wear, misturn."""

from __future__ import annotations

import numpy as np

from .cube_mesh import GLYPHS, CubeBody, Twist
from .shades import PLASTICS, draw_albedo_srgb, draw_shade, srgb_to_linear

SIZE_WEIGHTS = {2: 0.07, 3: 0.20, 4: 0.60, 5: 0.13}
#: side lengths in mm (common practice, no source)
SIDE_MM = {2: (48, 52), 3: (54, 58), 4: (58, 63), 5: (60, 66)}


def draw_body(rng: np.random.Generator, shades: str, sizes: tuple[int, ...]) -> CubeBody:
    """A cube as a maker or its owner might have made it. A mark's place is settled once the state is
    known."""
    weights = np.array([SIZE_WEIGHTS[n] for n in sizes])
    size = int(rng.choice(sizes, p=weights / weights.sum()))
    shade = draw_shade(rng, shades)
    stickered = bool(rng.random() < 0.58 or shade.name in ("home_made", "vinyl"))
    side = float(rng.uniform(*SIDE_MM[size]))
    unit = side / size
    plastic = "black"
    if stickered and (shade.name == "black_for_white" or rng.random() < 0.42):
        choices = [p for p in PLASTICS if p != "black"]
        plastic = str(rng.choice(choices, p=[0.5, 0.15, 0.15, 0.1, 0.1]))
    srgb = draw_albedo_srgb(rng, shade)
    return CubeBody(
        size=size,
        stickered=stickered,
        side_mm=side,
        gap_mm=float(rng.uniform(0.15, 0.7)),
        fillet_mm=float(rng.uniform(0.04, 0.11) * unit if stickered else rng.uniform(0.05, 0.15) * unit),
        plastic_name=plastic,
        plastic=tuple(srgb_to_linear(np.array(PLASTICS[plastic]) / 255)),
        albedo=srgb_to_linear(srgb / 255),
        sticker_share=float(rng.uniform(0.80, 0.93)),
        sticker_height_mm=float(rng.uniform(0.12, 0.6)),
        sticker_round=float(rng.uniform(0.06, 0.34)),
        roughness=float(rng.uniform(*shade.roughness)),
        plastic_roughness=float(rng.uniform(0.15, 0.5)),
        wear=float(rng.choice([0.0, 0.0, 0.1, 0.3])) if stickered else 0.0,
        glyph=("U", 0, 0) if rng.random() < 0.5 else None,
        glyph_kind=str(rng.choice(GLYPHS)),
        seed=int(rng.integers(2**31)),
        shade_name=shade.name,
        albedo_srgb=tuple(tuple(int(v) for v in row) for row in srgb),
    )


def draw_twist(rng: np.random.Generator, size: int) -> Twist:
    """Layers out of line: mostly none or a little, sometimes the top layer by several degrees."""
    part = rng.random()
    if part < 0.45:
        return Twist()
    axis = 2 if rng.random() < 0.8 else int(rng.integers(2))
    degrees = rng.normal(0, 0.5, size)
    if part > 0.78:
        degrees[-1 if axis == 2 else rng.integers(size)] = rng.uniform(2, 7) * rng.choice([-1, 1])
    if axis == 2:
        degrees[0] = 0.0
    return Twist(axis, tuple(float(d) for d in degrees))
