"""Sticker samples of invented cubes under invented lights, for tests and benches: no picture, no renderer.

Linear light of a sticker = albedo x the face's irradiance x the light's colour, gains of a camera's white
balance, then pixel noise and now and then a reflection; values clip at 1 as a sensor does.
"""

from __future__ import annotations

import numpy as np

from calibration.colour import srgb_to_linear
from calibration.profile import SCHEME
from calibration.samples import StickerSamples
from models.layer import LastLayer
from models.layer_tables import CORNER_STATES, EDGE_STATES, legal_mask

# Albedos as sRGB bytes, in the order white yellow red orange blue green. Invented.
SETS = {
    "usual": ((232, 232, 228), (238, 208, 20), (178, 22, 36), (238, 98, 18), (16, 62, 158), (12, 140, 62)),
    "pastel": (
        (230, 228, 222),
        (244, 232, 150),
        (226, 120, 130),
        (244, 182, 130),
        (120, 160, 210),
        (150, 204, 160),
    ),
    "black for white": (
        (26, 26, 28),
        (236, 206, 26),
        (184, 26, 40),
        (238, 108, 26),
        (22, 72, 168),
        (18, 144, 68),
    ),
    "two oranges": (
        (232, 230, 224),
        (238, 204, 32),
        (220, 74, 32),
        (242, 124, 30),
        (24, 74, 162),
        (22, 140, 72),
    ),
}
LIGHTS = {  # linear colour of the picture's white after an imperfect white balance
    "lamp": (1.12, 1.0, 0.72),
    "evening": (1.05, 1.0, 0.85),
    "noon": (1.0, 1.0, 1.0),
    "window": (0.93, 1.0, 1.1),
    "sky": (0.86, 1.0, 1.25),
    "tubes": (0.97, 1.06, 0.92),
}


def albedo(name: str) -> np.ndarray:
    """Linear albedo (6, 3) of a set."""
    return srgb_to_linear(np.array(SETS[name]) / 255.0)


def random_layer(rng: np.random.Generator, size: int) -> LastLayer:
    """Any legal last-layer state."""
    while True:
        corner, edge = int(rng.integers(CORNER_STATES)), int(rng.integers(EDGE_STATES))
        edge = edge if size > 2 else 0
        if legal_mask(size)[corner, edge]:
            return LastLayer.from_indices(size, corner, edge)


def make_samples(
    colours: np.ndarray,
    light: str,
    rng: np.random.Generator,
    *,
    layer: LastLayer | None = None,
    size: int = 4,
    scheme: tuple[int, ...] = SCHEME,
    turn: int = 0,
    faces: str = "URF",
    noise: float = 0.006,
    glare: float = 0.04,
) -> tuple[StickerSamples, np.ndarray]:
    """Samples of one cube and the true colour index (6, n, n) of each sticker, in the picture's own frame.

    ``turn`` (0..23) turns the whole cube, so that other faces are seen; ``faces`` are in view.
    """
    from models.cube import rotation_permutations

    layer = layer or LastLayer.solved(size)
    homes = layer.facelets().ravel()[rotation_permutations(size)[turn]].reshape(6, size, size).astype(int)
    labels = np.array(scheme)[homes]
    samples = StickerSamples.empty(size)
    white = np.array(LIGHTS[light]) * rng.uniform(0.45, 0.85)
    for face in ("URFDLB".index(f) for f in faces):
        shade = rng.uniform(0.55, 1.0) * np.exp(rng.normal(0, 0.03, 3))
        own = np.exp(rng.normal(0, 0.03, (size, size, 3)))
        linear = colours[labels[face]] * white * shade * own
        reflection = (rng.random((size, size, 1)) < glare) * rng.uniform(0.05, 0.4, (size, size, 1)) * white
        linear = linear + reflection + rng.normal(0, noise, linear.shape)
        samples.linear_rgb[face] = np.clip(linear, 0, 1)
        samples.spread_rgb[face] = noise
        samples.coverage[face] = 1.0
        samples.clipped[face] = (linear.max(axis=-1) >= 1).astype(np.float32)
    return samples, labels
