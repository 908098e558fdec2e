"""Patches of stickers on a picture painted from a known pose."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from models.turns import FACES
from vision.patches import (
    JUST_HIDDEN,
    LEAST_TOP,
    OPENED,
    cell_patches,
    middles,
    opened_rows,
    ray_frame,
)
from vision.pose import FACE_COLUMNS, FACE_NORMALS, FACE_ORIGINS, CubePose, face_cosines, face_points


def a_pose(seed: int, n: int) -> CubePose:
    """A cube near the middle of a picture of 640 x 480 pixels, turned at random."""
    rng = np.random.default_rng(seed)
    rotation = cv2.Rodrigues(rng.normal(size=3) * 2)[0]
    place = np.array([*rng.uniform(-0.3, 0.3, 2), rng.uniform(3, 5)])
    return CubePose(n, 700.0, (320.0, 240.0), rotation, place)


def painted(pose: CubePose, colours_bgr: np.ndarray) -> np.ndarray:
    """A picture of the cube with each sticker's whole cell in one colour of (6, n, n, 3), four times as fine
    as asked and averaged down."""
    n, fine = pose.size, 4
    picture = np.full((480 * fine, 640 * fine, 3), 127, np.uint8)
    corners = np.array([(0, 0), (1, 0), (1, 1), (0, 1)])
    for face in pose.visible_faces(0.0)[::-1]:
        f = FACES.index(face)
        for row in range(n):
            for column in range(n):
                at = (corners + np.array([column, row])) / n
                quad = pose.project(face_points(f, at[:, 0], at[:, 1])) * fine - 0.5
                colour = [int(v) for v in colours_bgr[f, row, column]]
                cv2.fillConvexPoly(picture, np.round(quad * 16).astype(np.int32), colour, shift=4)
    return cv2.resize(picture, (640, 480), interpolation=cv2.INTER_AREA)


@settings(max_examples=20, deadline=None)
@given(st.integers(0, 100_000), st.sampled_from([2, 3, 4, 5]))
@example(1519, 4)  # a corner of its top lies beyond the picture
def test_the_middle_of_a_patch_shows_its_own_sticker(seed: int, n: int) -> None:
    pose = a_pose(seed, n)
    colours = np.random.default_rng(seed).integers(30, 226, (6, n, n, 3))
    image_bgr = painted(pose, colours)
    cosines = face_cosines(pose)
    for face in np.flatnonzero(cosines > 0.35):
        patches = cell_patches(image_bgr, pose, [int(face)], [float(cosines[face])], 8, 0.1)[0]
        assert patches.shape == (n, n, 8, 8, 3)
        middle = (patches[:, :, 3:5, 3:5].mean((2, 3)) + 0.5) * 255
        corners = pose.project(face_points(int(face), *np.indices((n + 1, n + 1))[::-1] / n).reshape(-1, 3))
        inside = ((corners >= 0) & (corners <= (640, 480))).all(1).reshape(n + 1, n + 1)
        whole = inside[:-1, :-1] & inside[1:, :-1] & inside[:-1, 1:] & inside[1:, 1:]
        assert whole.any()
        assert middle[whole] == pytest.approx(colours[face][whole], abs=3)


@settings(max_examples=20, deadline=None)
@given(st.integers(0, 100_000))
def test_a_wide_patch_shows_its_neighbours_where_they_lie(seed: int) -> None:
    """Columns run right and rows run down in a patch as on the printed face."""
    pose = a_pose(seed, 3)
    colours = np.random.default_rng(seed).integers(30, 226, (6, 3, 3, 3))
    image_bgr = painted(pose, colours)
    cosines = face_cosines(pose)
    face = int(cosines.argmax())
    middle = cell_patches(image_bgr, pose, [face], [float(cosines[face])], 32, 0.8)[0, 1, 1]
    shown = (middle + 0.5) * 255
    # 2.6 cells across: a neighbour's middle is one cell off, beyond the patch's half of 1.3 by 0.3
    edge, centre = 32 * 0.15, 16
    for (y, x), (row, column) in {
        (centre, edge): (1, 0),
        (centre, 31 - edge): (1, 2),
        (edge, centre): (0, 1),
        (31 - edge, centre): (2, 1),
        (centre, centre): (1, 1),
    }.items():
        assert shown[int(y), int(x)] == pytest.approx(colours[face, row, column], abs=4)


def test_beyond_the_picture_it_is_grey() -> None:
    pose = CubePose(3, 700.0, (320.0, 240.0), np.eye(3), np.array([50.0, 0.0, 4.0]))
    face = int(face_cosines(pose).argmax())
    patches = cell_patches(np.zeros((480, 640, 3), np.uint8), pose, [face], [1.0], 8, 0.1)
    assert np.abs(patches).max() < 0.01


@given(st.integers(0, 100_000))
def test_the_ray_frame_is_level_and_looks_at_the_cube(seed: int) -> None:
    pose = a_pose(seed, 3)
    frame = ray_frame(pose)
    assert frame @ frame.T == pytest.approx(np.eye(3), abs=1e-9)
    distance = np.linalg.norm(pose.translation)
    assert frame @ pose.translation == pytest.approx([0, 0, distance], abs=1e-9)
    assert frame[0, 1] == 0 and frame[1, 1] > 0


def test_middles_lie_on_their_face() -> None:
    for face in range(6):
        points = middles(face, 4).reshape(-1, 3)
        assert np.abs(points).max(1) == pytest.approx(np.full(16, 0.5))


def from_above(tilt_deg: float, n: int) -> CubePose:
    """A cube seen from above, its side F turned ``tilt_deg`` out of the line of sight towards the camera."""
    squarely = np.array([[1.0, 0, 0], [0, 0, 1], [0, -1, 0]])
    rotation = cv2.Rodrigues(np.array([-np.radians(tilt_deg), 0, 0]))[0] @ squarely
    return CubePose(n, 700.0, (320.0, 240.0), rotation, np.array([0.0, 0.0, 4.0]))


@given(st.floats(-8, 20), st.sampled_from([3, 4, 5]))
def test_a_side_hardly_seen_is_opened_until_it_is_seen_well_enough(tilt_deg: float, n: int) -> None:
    pose = from_above(tilt_deg, n)
    side, cosine = FACES.index("F"), float(face_cosines(pose)[FACES.index("F")])
    rows = opened_rows(pose, side, cosine)
    if rows is None:
        assert cosine >= OPENED or cosine <= JUST_HIDDEN
        return
    assert np.linalg.norm(rows) == pytest.approx(1)
    assert rows @ FACE_COLUMNS[side] == pytest.approx(0)
    assert rows @ FACE_NORMALS[side] >= 0  # outwards, never in under the top
    to_eye = pose.eye_xyz - (FACE_ORIGINS[side] + FACE_COLUMNS[side] / 2)
    seen = np.cross(rows, FACE_COLUMNS[side]) @ to_eye / np.linalg.norm(to_eye)
    plain = FACE_NORMALS[side] @ to_eye / np.linalg.norm(to_eye)
    assert seen == pytest.approx(max(OPENED, plain))


def test_no_side_is_opened_beside_a_top_that_is_hardly_seen() -> None:
    pose = from_above(80.0, 3)
    cosines = face_cosines(pose)
    assert 0 < cosines[0] < LEAST_TOP
    assert all(opened_rows(pose, side, float(cosines[side])) is None for side in (1, 2, 4, 5))


def test_an_opened_side_shows_its_stickers_where_the_pose_has_it_out_of_view() -> None:
    """The picture shows a sliver of F; a pose that is off by five degrees about the edge has F hidden."""
    n, side = 3, FACES.index("F")
    true = from_above(11.0, n)
    colours = np.full((6, n, n, 3), 60)
    colours[side, 0] = [(200, 40, 40), (40, 200, 40), (40, 40, 200)]
    image_bgr = painted(true, colours)
    edge = np.array([0.0, 0.5, 0.5])
    turn = cv2.Rodrigues(np.array([np.radians(5.0), 0, 0]))[0] @ true.rotation
    off = CubePose(n, 700.0, (320.0, 240.0), turn, true.translation + (true.rotation - turn) @ edge)
    cosine = float(face_cosines(off)[side])
    assert JUST_HIDDEN < cosine < 0.03 and float(face_cosines(true)[side]) > 0.03
    rows = opened_rows(off, side, cosine)
    assert rows is not None
    patches = cell_patches(image_bgr, off, [side], [OPENED], 8, 0.1, rows[None])[0]
    shown = (patches[0, :, 1:3, 3:5].mean((1, 2)) + 0.5) * 255
    assert (shown.argmax(-1) == [0, 1, 2]).all() and (shown.max(-1) > 120).all()
    flat = cell_patches(image_bgr, off, [side], [max(cosine, 0.03)], 8, 0.1)[0]
    assert ((flat[0, :, 1:3, 3:5].mean((1, 2)) + 0.5) * 255).max() < 120
