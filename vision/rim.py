"""Where the cube's own surface ends in the picture, beside where a pose has the cube end.

The network's map of the surface tells the rim apart from lines inside the cube, which its map of edges does
not: a side seen as a sliver is inside the rim, however it is drawn.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

Doubles = NDArray[np.float64]

#: how far inwards and outwards the rim is looked for, and the step, in pixels of the map
_INWARDS, _OUTWARDS, _STEP = 2.0, 4.0, 0.5
_STEPS = np.arange(-_INWARDS, _OUTWARDS + _STEP / 2, _STEP)
#: an outline shorter than this in the map has no direction to speak of
_SHORTEST = 2.0


def rim_gaps(
    surface: NDArray[np.float32], lines_xy: Doubles, middle_xy: Doubles
) -> tuple[Doubles, Doubles, Doubles]:
    """How much farther out than a pose's outline the surface reaches.

    ``surface`` (H, W) is the probability 0..1 of each map pixel to show the cube; ``lines_xy`` (L, P, 2) are
    points along the outline's L lines and ``middle_xy`` (2,) the cube's middle, in map pixels. Returns for
    each point the direction outwards (L P, 2), the gap in map pixels (L P,), below 0 where the surface ends
    inside the outline, and how much that counts, 0..1: not at all where something covers the cube there.
    """
    first, points = lines_xy[:, 0], lines_xy.shape[1]
    along_x, along_y = (lines_xy[:, -1] - first).T
    length = np.hypot(along_x, along_y)
    out = np.array([along_y, -along_x]) / np.maximum(length, 1e-3)
    out *= np.sign(((first - middle_xy).T * out).sum(0))
    out = np.repeat(out, points, axis=1)
    x, y = (lines_xy.reshape(-1, 2).T[:, :, None] + _STEPS * out[:, :, None] - 0.5).astype(np.float32)
    shares = cv2.remap(surface, x, y, cv2.INTER_LINEAR)
    # what lies beyond a gap in the surface is something else
    kept = np.minimum.accumulate(shares, axis=1)
    gaps = kept.sum(1, dtype=np.float64) * _STEP - _STEP / 2 - _INWARDS
    counts = np.maximum(2.0 * shares[:, 0] - 1, 0) * np.repeat(length > _SHORTEST, points)
    return out.T, gaps, counts
