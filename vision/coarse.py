"""The coarse motion of a tracked cube between two frames, from which the fine one begins."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache
from typing import Any, Final

import cv2
import numpy as np
from numpy.typing import NDArray

from models.turns import FACES
from vision.looks import lattice_points
from vision.motion import Lens, middle, motion_rows, moved, project
from vision.pose import VERTICES, CubePose
from vision.window import Image

FLOW_WINDOW: Final = (13, 13)


def flowed(pose: CubePose, lens: Lens, before_grey: Any, after_grey: Any) -> CubePose | None:
    """The pose after the motion that optical flow of the lattice's points speaks for, between two windows in
    grey; None where too few points are found again."""
    seen = [FACES.index(face) for face in pose.visible_faces(0.15)]
    points = np.concatenate([_lattice(pose.size)[face] for face in seen])
    flat = project(pose.rotation, pose.translation, points, lens)
    there, good, _ = cv2.calcOpticalFlowPyrLK(
        before_grey,
        after_grey,
        flat.astype(np.float32),
        flat.astype(np.float32),
        winSize=FLOW_WINDOW,
        maxLevel=2,
        criteria=(cv2.TERM_CRITERIA_COUNT | cv2.TERM_CRITERIA_EPS, 12, 0.03),
    )
    keep = good.ravel() == 1
    if keep.sum() < 6:
        return None
    points, target = points[keep], there[keep].astype(np.float64)
    rotation, translation = pose.rotation, pose.translation
    for _ in range(3):
        flat = project(rotation, translation, points, lens)
        off = target - flat
        lengths = np.sqrt((off * off).sum(1))
        spread = max(1.5 * middle(lengths), 0.3)
        weights = 1.0 / np.maximum(lengths / spread, 1.0)
        weights[lengths > 4 * spread] = 0.0
        jacobian = motion_rows(rotation, translation, points, lens)
        rows = (jacobian * weights[:, None, None]).reshape(-1, 6)
        normal = rows.T @ jacobian.reshape(-1, 6)
        normal[np.diag_indices(6)] += 1e-6 * np.trace(normal) + 1e-9
        step = np.linalg.solve(normal, rows.T @ off.ravel())
        rotation, translation = moved(rotation, translation, step)
    return replace(pose, rotation=rotation, translation=translation)


def shifted(pose: CubePose, lens: Lens, before_bgr: Image, after_bgr: Image) -> CubePose:
    """The pose moved in the picture to where the cube's look of the frame before fits best: a last resort for
    jumps that are too large for optical flow."""
    outline = project(pose.rotation, pose.translation, VERTICES, lens) / 2
    before, after = (cv2.resize(one, None, fx=0.5, fy=0.5) for one in (before_bgr, after_bgr))
    low = np.clip(np.floor(outline.min(0)), 0, None).astype(int)
    high = np.minimum(np.ceil(outline.max(0)), (before.shape[1], before.shape[0])).astype(int)
    if (high - low < 6).any():
        return pose
    look = before[low[1] : high[1], low[0] : high[0]]
    at = cv2.minMaxLoc(cv2.matchTemplate(after, look, cv2.TM_CCOEFF_NORMED))[3]
    shift = (np.array(at) - low) * 2.0 * pose.translation[2] / lens.focal_px
    return replace(pose, translation=pose.translation + np.array([shift[0], shift[1], 0.0]))


@lru_cache(maxsize=8)
def _lattice(size: int) -> list[NDArray[np.float64]]:
    return lattice_points(size)
