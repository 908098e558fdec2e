"""The piece of a frame round a cube, scaled down: the small picture in which a track works."""

from __future__ import annotations

from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.motion import Lens
from vision.pose import CubePose

Image = NDArray[np.uint8]

WORK_EDGE_PX: Final = 64.0
"""About so many pixels along the cube's edge."""
MARGIN: Final = 0.25


class Window:
    """The piece of a frame round the cube, scaled; turns pixels of the one into pixels of the other."""

    def __init__(self, pose: CubePose, shape: tuple[int, ...], scale: float | None = None) -> None:
        outline = np.concatenate([pose.face_quad_xy(face) for face in pose.visible_faces(0.0)])
        low, high = outline.min(0), outline.max(0)
        margin = MARGIN * float((high - low).max())
        self.left, self.top = (int(v) for v in np.floor(np.maximum(low - margin, 0)))
        self.right = int(min(np.ceil(high[0] + margin), shape[1]))
        self.bottom = int(min(np.ceil(high[1] + margin), shape[0]))
        edge_px = pose.focal_px / float(np.linalg.norm(pose.translation))
        self.shrink = max(1, round(edge_px / WORK_EDGE_PX))
        self.right -= (self.right - self.left) % self.shrink
        self.bottom -= (self.bottom - self.top) % self.shrink
        self.scale = 1.0 / self.shrink

    @property
    def usable(self) -> bool:
        return self.right - self.left >= 16 and self.bottom - self.top >= 16

    def holds(self, pose: CubePose, shape: tuple[int, ...]) -> bool:
        """Whether the cube still lies well inside, at about the same scale."""
        edge_px = pose.focal_px / float(np.linalg.norm(pose.translation))
        if abs(edge_px / WORK_EDGE_PX - self.shrink) > 0.7 and (self.shrink > 1 or edge_px > WORK_EDGE_PX):
            return False
        fresh = Window(pose, shape)
        third = 0.6 * MARGIN * (fresh.right - fresh.left)
        return (
            abs(fresh.left - self.left) < third
            and abs(fresh.right - self.right) < third
            and abs(fresh.top - self.top) < third
            and abs(fresh.bottom - self.bottom) < third
        )

    def cut(self, image_bgr: Image) -> Image:
        part = image_bgr[self.top : self.bottom, self.left : self.right]
        if self.shrink == 1:
            return part
        size = (part.shape[1] // self.shrink, part.shape[0] // self.shrink)
        return np.asarray(cv2.resize(part, size, interpolation=cv2.INTER_AREA), np.uint8)

    def lens(self, pose: CubePose) -> Lens:
        """Focal length and principal point in the window, for pixels whose centres are whole numbers."""
        x = (pose.centre_xy[0] - self.left) * self.scale - 0.5
        y = (pose.centre_xy[1] - self.top) * self.scale - 0.5
        return Lens(pose.focal_px * self.scale, x, y, pose.k1)
