"""What a small motion does to a fit's numbers, against the motion itself carried out."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from vision.motion import Lens, moved
from vision.placement import NONE, Placement, marks_of
from vision.seams import _across_rows, _lines

SMALL = 1e-6


def seen_cube(seed: int) -> tuple[np.ndarray, np.ndarray, tuple[int, ...]]:
    """A rotation, a translation and the faces seen well."""
    rng = np.random.default_rng(seed)
    rotation = cv2.Rodrigues(rng.normal(size=3) * 2)[0]
    translation = np.array([*rng.uniform(-1, 1, 2), rng.uniform(4, 9)])
    normals = np.concatenate([np.eye(3)[[1, 0, 2]], -np.eye(3)[[1, 0, 2]]])
    eye = -rotation.T @ translation
    cosines = ((eye - normals / 2) * normals).sum(1) / np.linalg.norm(eye - normals / 2, axis=1)
    return rotation, translation, tuple(np.flatnonzero(cosines > 0.25).tolist())


@settings(deadline=None, max_examples=40)
@given(st.integers(0, 10_000), st.integers(0, 6))
def test_a_seam_moves_across_itself_as_the_rows_say(seed: int, number: int) -> None:
    """The ray through a seam's pixel after a motion is met with the face as it was before."""
    rotation, translation, faces = seen_cube(seed)
    lines, lens = _lines(4, faces), Lens(1000.0, 640.0, 360.0, 0.0)
    rows = _across_rows(rotation, translation, lines, lens)
    turned, away, longer = rotation, translation, 1.0
    if number < 6:
        turned, away = moved(rotation, translation, SMALL * np.eye(6)[number])
    else:  # a longer lens with the cube as much farther off
        longer = 1.0 + SMALL
        away = translation * longer
    after = turned @ lines.middles.T + away[:, None]
    rays = after / after[2] * np.array([[longer], [longer], [1.0]])
    before = rotation @ lines.middles.T + translation[:, None]
    across, along = rotation @ lines.across, rotation @ lines.along
    normals = np.cross(across.T, along.T).T
    met = rays * (before * normals).sum(0) / (rays * normals).sum(0)
    assert ((met - before) * across).sum(0) / SMALL == pytest.approx(rows[number], abs=1e-3)


@settings(deadline=None, max_examples=40)
@given(st.integers(0, 10_000), st.integers(0, 6))
def test_points_of_a_placement_move_as_its_rows_say(seed: int, number: int) -> None:
    """Of x and of y, focal length included, for each of the seven numbers of a fit."""
    rng = np.random.default_rng(seed)
    base = cv2.Rodrigues(rng.normal(size=3))[0]

    def placed() -> Placement:
        middle = np.random.default_rng(seed).uniform(300, 700, 2)
        return Placement(base, middle, 5.0, -1.8, np.array([640.0, 360.0]))

    points = marks_of(3, (True,) * 6, True, NONE).points
    place, other = placed(), placed()
    turned, flat, z = place.camera_points(points)
    other.move(SMALL * np.eye(7)[number])
    _, flat_after, _ = other.camera_points(points)
    for axis in (0, 1):
        pulls = np.zeros_like(flat)
        pulls[axis] = place.focal
        told = place.rows(turned, flat, z, pulls)[number]
        change = (flat_after[axis] * other.focal - flat[axis] * place.focal) / SMALL
        assert change == pytest.approx(told, abs=1e-3 * max(1.0, float(np.abs(told).max())))
