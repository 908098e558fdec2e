"""The classical finder that the networks are held against is no straw man: what is plain to see it finds."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from classical_finder import find_faces
from drawn_clip import DrawnCube, desk, draw_frame, held_pose

WH = (960, 720)


@pytest.mark.slow
@pytest.mark.parametrize("n", [2, 3, 4, 5])
def test_a_face_seen_squarely_is_found_with_its_layers(n: int) -> None:
    """Truth: the pose from which the cube is drawn, its colours at random."""
    colours = np.random.default_rng(n).integers(0, 6, (6, n, n)).astype(np.int8)
    pose = held_pose(n, WH, azimuth_deg=25, elevation_deg=70)
    faces = find_faces(draw_frame(DrawnCube(colours), pose, desk(WH)))
    true = pose.face_quad_xy("U")
    sticker_px = np.hypot(*(true - np.roll(true, 1, 0)).T).mean() / n
    offs = [
        np.hypot(*(np.roll(way, k, 0) - true).T).max() / sticker_px
        for face in faces
        if face.size == n
        for way in (face.quad_xy, face.quad_xy[::-1])
        for k in range(4)
    ]
    assert offs and min(offs) < 0.5


@pytest.mark.slow
def test_nothing_is_found_on_an_empty_desk() -> None:
    assert not find_faces(desk(WH))
    assert not find_faces(cv2.GaussianBlur(desk(WH), (0, 0), 3))
