"""What the finder reports: cubes with their poses, and where they are covered."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.pose import CubePose


@dataclass(frozen=True, eq=False)
class Surface:
    """Where the cube's own surface is really seen: probabilities (64, 64) over a square of the picture.

    A pixel (x, y) of the picture lies at ``((x, y) - (left, top)) * scale_xy`` of the map.
    """

    left: float
    top: float
    scale_xy: tuple[float, float]
    probability: NDArray[np.float32]

    def at(self, points_xy: NDArray[np.floating]) -> NDArray[np.float32]:
        """Probabilities (...) at pixels (..., 2); 0 outside the square."""
        u = ((points_xy[..., 0] - self.left) * self.scale_xy[0] - 0.5).astype(np.float32)
        v = ((points_xy[..., 1] - self.top) * self.scale_xy[1] - 0.5).astype(np.float32)
        shape = u.shape
        values = cv2.remap(
            self.probability, u.reshape(1, -1), v.reshape(1, -1), cv2.INTER_LINEAR, borderValue=0
        )
        return np.asarray(values.reshape(shape), dtype=np.float32)


@dataclass(frozen=True, eq=False)
class FoundCube:
    """One cube: its pose, how sure the finder is (0..1), and where it is covered.

    ``otherwise`` is the same cube with other numbers of layers, the likeliest first, where that is open; how
    likely each is, ``pose.size_probabilities`` say.
    """

    pose: CubePose
    probability: float
    surface: Surface
    otherwise: tuple[FoundCube, ...] = ()

    @property
    def edge_px(self) -> float:
        """Pixels per cube edge at the cube's centre."""
        return self.pose.edge_px


@dataclass(frozen=True, eq=False)
class Found:
    """Cubes, the one to read first; ``reason`` is "no-cube" where there is none, ``stage`` who said so."""

    cubes: tuple[FoundCube, ...]
    reason: str | None = None
    stage: str | None = None
