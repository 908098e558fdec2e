"""A square crop round one cube and the maps that the network draws of it, read between their pixels."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float32]

#: side of the square crop in cube edges, of the network's input and of its maps in pixels
CROP_EDGES = 2.4
INPUT_PX = 128
MAP_PX = 64
#: numbers of layers that it knows
SIZES = (2, 3, 4, 5)
#: from a map's pixel, flat, to it and its neighbours to the right, below and both, (4, 1)
_CORNERS = np.array([[0], [1], [MAP_PX], [MAP_PX + 1]])


@dataclass(frozen=True, eq=False)
class Crop:
    """A square piece of the picture and what the network says of it.

    ``maps`` (4, 64, 64) are probabilities of edge, seam, corner and visible surface; a pixel (x, y) of the
    picture lies at ``((x - left) * scale, (y - top) * scale)`` of them. ``numbers`` (24,) are as the network
    gives them; the properties say what they are.
    """

    left: float
    top: float
    scale: float
    maps: Floats
    numbers: Floats

    @property
    def side_px(self) -> float:
        """The side of the square, in pixels of the picture."""
        return MAP_PX / self.scale

    @property
    def orientation(self) -> Floats:
        """The name (15,) of the cube's orientation (:mod:`vision.orientation`)."""
        return self.numbers[:15]

    @property
    def off_middle(self) -> Floats:
        """How far the cube's middle (x, y) is from the crop's, in sides of the crop."""
        return self.numbers[15:17]

    @property
    def log_edge(self) -> float:
        """The log of the cube's edge, as a multiple of the one for which the crop would be cut like this."""
        return float(self.numbers[17])

    @property
    def log_perspective(self) -> float:
        """The log of 1 / the cube's distance in edges."""
        return float(self.numbers[18])

    @property
    def size_logits(self) -> Floats:
        """A logit (4,) for each of SIZES."""
        return self.numbers[19:23]

    @property
    def size_log_shares(self) -> Floats:
        """The logarithm of the probability (4,) of each of SIZES."""
        logits = self.size_logits
        return np.asarray(logits - logits.max() - np.log(np.exp(logits - logits.max()).sum()))

    @property
    def cube_logit(self) -> float:
        """The network's word on a cube being here, as a logit."""
        return float(self.numbers[23])

    @property
    def cube_probability(self) -> float:
        """The same, 0..1."""
        return float(1 / (1 + np.exp(-self.numbers[23])))

    def at(self, xy: NDArray[np.float64]) -> NDArray[np.float64]:
        """Pixels (..., 2) of the picture in the map's."""
        return np.asarray((xy - np.array([self.left, self.top])) * self.scale)


def sample(field: Floats, which: NDArray[np.int64], xy: NDArray[np.float64]) -> Floats:
    """Bilinear values (C, N) at map pixels (2, N) (corner of the first pixel at 0, 0).

    ``field`` (C, K * 64 * 64) holds K maps one after the other, ``which`` (N,) says which each point is read
    from.
    """
    at = np.minimum(np.maximum(xy - 0.5, 0), MAP_PX - 1.001)
    low = at.astype(np.int64)
    fx, fy = (at - low).astype(np.float32)
    index = (which * MAP_PX + low[1]) * MAP_PX + low[0]
    corners = field.take(_CORNERS + index, axis=1)
    across = corners[:, ::2] * (1 - fx) + corners[:, 1::2] * fx
    return np.asarray(across[:, 0] * (1 - fy) + across[:, 1] * fy)


def field_of(line_map: Floats, blur: float) -> Floats:
    """A map (64, 64) of lines with its gradient, (3, 64 * 64): value, d/dx, d/dy, a pixel of the map each.

    It is blurred by ``blur`` pixels (standard deviation, 0 for not at all) and scaled to a highest value of
    1, 20-fold at most.
    """
    v = cv2.GaussianBlur(line_map, (0, 0), blur) if blur else line_map
    out = np.zeros((3, *v.shape), np.float32)
    out[0] = v
    out[1, :, 1:-1] = (v[:, 2:] - v[:, :-2]) / 2
    out[2, 1:-1] = (v[2:] - v[:-2]) / 2
    out /= max(float(v.max()), 0.05)
    return out.reshape(3, -1)
