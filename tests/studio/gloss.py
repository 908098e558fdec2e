"""How much of a sticker's light is reflection: the scene once more with the cube's own colours taken away."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from .camera import undistort_scale
from .truth import with_gloss

if TYPE_CHECKING:
    from .engine import Set
    from .scene import Shot

GREY = np.array([0.2126, 0.7152, 0.0722])


def measure_gloss(
    truth: dict[str, Any], shot: Shot, stage: Set, light: NDArray[np.float32], seed: int, samples: int = 8
) -> dict[str, Any]:
    """Truth with `gloss_share` of every visible sticker (0..1) and the glare tags."""
    from .engine import wide_view

    camera = stage.stage.camera
    _, (wide, high) = wide_view(camera)
    middle = np.array([camera.width, camera.height]) / 2

    def undistorted(xy: list[float]) -> NDArray[np.float64]:
        x = camera.width - xy[0] if shot.mirrored else xy[0]
        away = np.array([x, xy[1]]) - middle
        radius = np.array(float(np.linalg.norm(away)) / camera.focal_px)
        return away * float(undistort_scale(radius, camera.k1)) + np.array([wide, high]) / 2

    shown = [undistorted(s["xy"]) for s in truth["stickers"] if s["xy"] is not None]
    if not shown:
        return truth
    low = np.floor(np.min(shown, axis=0) - 6).astype(int).clip(0)
    far = np.ceil(np.max(shown, axis=0) + 6).astype(int).clip(None, [wide, high])
    crop = (int(low[0]), int(low[1]), int(max(far[0] - low[0], 4)), int(max(far[1] - low[1], 4)))
    mirror = stage.gloss(samples, seed, ("cube_colours",), crop)

    def share(xy: list[float], radius: float) -> float:
        x = camera.width - xy[0] if shot.mirrored else xy[0]
        full = _mean(light, x, xy[1], radius)
        u, v = undistorted(xy) - low
        return float(np.clip(_mean(mirror, u, v, radius) / max(full, 1e-6), 0, 1))

    return with_gloss(truth, share)


def _mean(picture: NDArray[np.float32], x: float, y: float, radius: float) -> float:
    """Mean luminance in a square about a pixel."""
    r = max(radius, 1.0)
    h, w = picture.shape[:2]
    x0, x1 = int(np.clip(x - r, 0, w - 1)), int(np.clip(x + r, 0, w - 1)) + 1
    y0, y1 = int(np.clip(y - r, 0, h - 1)), int(np.clip(y + r, 0, h - 1)) + 1
    return float((picture[y0:y1, x0:x1, :3] @ GREY).mean())
