"""The piece of a frame round a cube, scaled down: the small picture in which a track works."""

from __future__ import annotations

from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.motion import Lens
from vision.pose import VERTICES, CubePose

Image = NDArray[np.uint8]

WORK_EDGE_PX: Final = 64.0
"""About so many pixels along the cube's edge."""
MARGIN: Final = 0.25


class Window:
    """The piece of a frame round the cube, scaled; turns pixels of the one into pixels of the other."""

    def __init__(self, pose: CubePose, shape: tuple[int, ...]) -> None:
        low, high = _extent(pose)
        margin = MARGIN * float((high - low).max())
        self.left, self.top = (int(v) for v in np.floor(np.maximum(low - margin, 0)))
        self.right = int(min(np.ceil(high[0] + margin), shape[1]))
        self.bottom = int(min(np.ceil(high[1] + margin), shape[0]))
        self._wh = shape[1], shape[0]
        # halved so many times: averaging two by two is what the resizing does fastest
        self.halvings = max(0, round(np.log2(max(pose.edge_px, 1.0) / WORK_EDGE_PX)))
        shrink = 1 << self.halvings
        self.right -= (self.right - self.left) % shrink
        self.bottom -= (self.bottom - self.top) % shrink
        self.scale = 1.0 / shrink

    @property
    def usable(self) -> bool:
        """Whether enough of the frame lies inside to work with."""
        return self.right - self.left >= 16 and self.bottom - self.top >= 16

    def holds(self, pose: CubePose) -> bool:
        """Whether the cube still lies well inside, at about the same scale."""
        if not 0.6 < pose.edge_px * self.scale / WORK_EDGE_PX < 1.7 and self.halvings:
            return False
        low, high = _extent(pose)
        room = 0.4 * MARGIN * float((high - low).max())
        return bool(
            (self.left == 0 or low[0] - self.left > room)
            and (self.top == 0 or low[1] - self.top > room)
            and (self.right >= self._wh[0] - 8 or self.right - high[0] > room)
            and (self.bottom >= self._wh[1] - 8 or self.bottom - high[1] > room)
        )

    def cut(self, image_bgr: Image) -> Image:
        """The window's pixels of a frame."""
        part = image_bgr[self.top : self.bottom, self.left : self.right]
        halvings = self.halvings
        if halvings > 1:  # so large a picture is smooth enough to leave out every other pixel
            half = part.shape[1] // 2, part.shape[0] // 2
            part = np.asarray(cv2.resize(part, half, interpolation=cv2.INTER_NEAREST), np.uint8)
            halvings -= 1
        for _ in range(halvings):
            wh = part.shape[1] // 2, part.shape[0] // 2
            part = np.asarray(cv2.resize(part, wh, interpolation=cv2.INTER_AREA), np.uint8)
        return part

    def lens(self, pose: CubePose) -> Lens:
        """Focal length and principal point in the window, for pixels whose centres are whole numbers."""
        # the pixels left out move the centres of those that stay by half a pixel of the frame
        half = 0.5 - (0.5 * self.scale if self.halvings > 1 else 0.0)
        x = (pose.centre_xy[0] - self.left) * self.scale - half
        y = (pose.centre_xy[1] - self.top) * self.scale - half
        return Lens(pose.focal_px * self.scale, x, y, pose.k1)


def _extent(pose: CubePose) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Least and greatest x, y of the cube in the picture."""
    outline = pose.project(VERTICES)
    return outline.min(0), outline.max(0)
