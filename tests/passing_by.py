"""Things that pass before a cube, drawn over the frames of clips: a bar, a bare arm, a cup, a sleeve."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

Image = NDArray[np.uint8]


@dataclass(frozen=True)
class Passer:
    """``wide`` in sizes of the cube, its colour as BGR, ``lean`` from the upright (a slope); it goes from one
    side of the cube to the other, or comes up from below and goes again, in ``frames``."""

    kind: str
    wide: float
    colour: tuple[int, int, int]
    lean: float
    frames: int

    def over(self, image_bgr: Image, top_quad: NDArray[np.float64], k: int) -> Image:
        """A frame with it before the cube, the ``k``-th of its way; as it is before and after that."""
        if not 0 <= k <= self.frames:
            return image_bgr
        size = 1.4 * float(np.linalg.norm(top_quad - np.roll(top_quad, -1, 0), axis=1).mean())
        x, y = top_quad.mean(0) + np.array([0, 0.25 * size])
        way = k / self.frames
        if self.kind == "arm":
            x, y = x + 0.25 * size * np.sin(3 * way), y + size * (1.3 * abs(2 * way - 1) - 0.2)
        else:
            x += (2 * way - 1) * size * (1 + self.wide / 2)
        mask, shade = self._drawn(image_bgr.shape[:2], float(x), float(y), size)
        noise = np.random.default_rng(k).normal(0, 4, image_bgr.shape)
        own = np.array(self.colour) * shade[..., None] + noise
        return np.asarray((image_bgr * (1 - mask) + own * mask).clip(0, 255), np.uint8)

    def _drawn(
        self, shape: tuple[int, int], x: float, y: float, size: float
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """How much of each pixel it covers, (H, W, 1), and how bright it is there, (H, W)."""
        mask, half = np.zeros(shape, np.uint8), self.wide * size / 2
        rows, columns = np.mgrid[: shape[0], : shape[1]].astype(float)
        across = (columns - x - self.lean * (rows - y)) / half
        shade = 1.1 - 0.5 * across.clip(-1, 1) ** 2  # round, but for the bar
        if self.kind == "bar":
            mask[np.abs(across) < 1], shade = 255, 1 + 0.1 * np.sin(columns / 9)
        elif self.kind == "cup":
            low, high = (round(x - half), round(y - half)), (round(x + half), round(y + half))
            cv2.rectangle(mask, low, high, 255, -1)
            cv2.ellipse(mask, (high[0], round(y)), (round(half / 2), round(half / 2)), 0, 0, 360, 255, 5)
        else:
            tip, far = (round(x), round(y)), (round(x + self.lean * 3 * size), round(y + 3 * size))
            cv2.line(mask, tip, far, 255, max(3, round(2 * half)), cv2.LINE_AA)
        if self.kind == "sleeve":
            shade = np.where((columns + rows) // 9 % 2 > 0, 0.3, 1.0)
        return cv2.GaussianBlur(mask, (7, 7), 0)[..., None] / 255.0, shade


PASSERS = {
    "thin bar": Passer("bar", 0.15, (40, 40, 190), 0.3, 20),
    "wide bar": Passer("bar", 0.7, (180, 175, 170), 0.1, 24),
    "arm": Passer("arm", 0.3, (120, 145, 200), -0.5, 24),
    "cup": Passer("cup", 0.6, (230, 225, 225), 0.0, 22),
    "sleeve": Passer("sleeve", 0.4, (210, 200, 190), 0.5, 20),
}
