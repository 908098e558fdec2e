"""Pose against OpenCV's own camera model, and against what a cube is."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from models.turns import FACES
from vision.pose import (
    FACE_COLUMNS,
    FACE_NORMALS,
    FACE_ORIGINS,
    FACE_ROWS,
    CubePose,
    cosines_from,
    cube_rotations,
    face_cosines,
    face_points,
)


def pose_of(seed: int, k1: float = 0.0, size: int = 4, across: float = 1.0) -> CubePose:
    rng = np.random.default_rng(seed)
    rotation = cv2.Rodrigues(rng.normal(size=3) * 2)[0]
    translation = np.array([*rng.uniform(-1, 1, 2), rng.uniform(3, 12)])
    focal_px = float(rng.uniform(500, 1500))
    return CubePose(size, focal_px, (640.0, 360.0), rotation, translation, k1, across=across)


@settings(deadline=None)
@given(st.integers(0, 10_000), st.sampled_from([0.0, -0.05, 0.08]), st.sampled_from([1.0, 0.75, 1.2]))
def test_projection_is_that_of_opencv(seed: int, k1: float, across: float) -> None:
    """Source: cv2.projectPoints, the camera model in OpenCV's documentation of calib3d."""
    pose = pose_of(seed, k1, across=across)
    points = np.random.default_rng(seed + 1).uniform(-0.5, 0.5, (20, 3))
    camera = np.array([[across * pose.focal_px, 0, 640.0], [0, pose.focal_px, 360.0], [0, 0, 1]])
    expected, _ = cv2.projectPoints(
        points, cv2.Rodrigues(pose.rotation)[0], pose.translation, camera, np.array([k1, 0, 0, 0, 0])
    )
    assert pose.project(points) == pytest.approx(expected[:, 0], abs=1e-6)


@settings(deadline=None)
@given(st.integers(0, 10_000), st.sampled_from([0.0, -0.05, 0.08]), st.sampled_from([1.0, 0.75, 1.2]))
def test_a_grid_is_projected_point_by_point(seed: int, k1: float, across: float) -> None:
    pose = pose_of(seed, k1, across=across).relabelled(cube_rotations()[seed % 24])
    rng = np.random.default_rng(seed)
    columns, rows = rng.uniform(0, 1, 3), rng.uniform(0, 1, 4)
    planes = pose.project_planes(FACE_ORIGINS, FACE_COLUMNS, FACE_ROWS, columns, rows)
    for face in range(6):
        points = face_points(face, *np.meshgrid(columns, rows)).reshape(-1, 3)
        expected = pose.project(points).T.reshape(2, 4, 3)
        assert planes[:, face] == pytest.approx(expected, abs=1e-6)


@given(st.integers(0, 10_000), st.integers(0, 5))
def test_the_near_side_is_the_one_most_turned_to_the_camera(seed: int, top: int) -> None:
    pose = pose_of(seed)
    turned = pose.turned_to(top, None)
    sides = turned.facing()[[1, 2, 4, 5]]
    assert turned.facing()[0] == pytest.approx(pose.facing()[top])
    assert sides.max() <= max(turned.facing()[2], 0.0) + 1e-9


def test_a_cube_has_24_labellings() -> None:
    """Source: the rotation group of the cube has 24 elements (any text on point groups, there named O)."""
    rotations = cube_rotations()
    assert len({tuple(r.astype(int).ravel()) for r in rotations}) == 24
    assert all(np.linalg.det(r) == pytest.approx(1) for r in rotations)


def test_printed_faces_are_seen_from_outside() -> None:
    """Columns run right and rows down for somebody in front of the face: rows x columns points outwards."""
    for i, face in enumerate(FACES):
        centre = face_points(i, np.array(0.5), np.array(0.5))
        assert centre == pytest.approx(FACE_NORMALS[i] / 2), face


@given(st.integers(0, 10_000))
def test_visible_faces_are_those_in_front_of_whose_plane_the_eye_stands(seed: int) -> None:
    pose = pose_of(seed)
    facing = pose.facing()
    visible = pose.visible_faces(0.0)
    assert 1 <= len(visible) <= 3
    assert {FACES[i] for i in range(6) if facing[i] > 1e-9} == set(visible)


@given(st.integers(0, 10_000))
def test_how_squarely_a_face_is_seen_is_an_angle_at_its_centre(seed: int) -> None:
    """The same angle measured in the camera's axes, where the eye is the origin."""
    pose = pose_of(seed)
    normals = FACE_NORMALS @ pose.rotation.T
    rays = -(FACE_NORMALS / 2 @ pose.rotation.T + pose.translation)
    expected = [float(n @ r / np.sqrt(r @ r)) for n, r in zip(normals, rays, strict=True)]
    assert face_cosines(pose) == pytest.approx(expected)
    assert cosines_from(np.array([0.0, 5.0, 0.0]))[[FACES.index("U"), FACES.index("D")]] == pytest.approx(
        [1, -1]
    )


@given(st.integers(0, 10_000))
def test_relabelling_moves_no_corner_of_the_picture(seed: int) -> None:
    pose = pose_of(seed)

    def corners(one: CubePose) -> list[tuple[float, ...]]:
        points = np.concatenate([one.face_quad_xy(f) for f in FACES]).round(3)
        return sorted({tuple(p) for p in points})

    upright = pose.upright()
    assert np.array(corners(upright)) == pytest.approx(np.array(corners(pose)), abs=2e-3)
    ups = [-(pose.rotation @ FACE_NORMALS[FACES.index(face)])[1] for face in pose.visible_faces()]
    assert -(upright.rotation[:, 1])[1] == pytest.approx(max(ups))
