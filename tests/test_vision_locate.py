"""The finder on pictures whose truth is known, and the fit on maps drawn from known poses."""

from __future__ import annotations

import json
from pathlib import Path

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from vision.locate import _from_farther, find_cubes
from vision.networks import Place, apart, crop_square, propose
from vision.pose import CubePose, cube_rotations
from vision.sample import sample_stickers
from vision.shrink import Halved

SAMPLES = Path(__file__).parent.parent / "sample_images"


@pytest.mark.parametrize("truth_file", sorted(SAMPLES.glob("*.json")), ids=lambda p: p.stem)
def test_cube_is_found_where_the_truth_says(truth_file: Path) -> None:
    """Source: the truth beside each sample picture, from its renderer."""
    truth = json.loads(truth_file.read_text())
    picture = cv2.imread(str(truth_file.with_suffix(".jpg")))
    found = find_cubes(picture)
    if "top_quad" not in truth or truth.get("negative") in ("no_cube", "grids_only", "occluded_top"):
        return
    pose = found.cubes[0].pose
    assert pose.size == truth["n"]
    quad = np.array(truth["top_quad"])
    edge_px = np.linalg.norm(quad - np.roll(quad, 1, 0), axis=1).mean()
    gaps = [np.abs(pose.relabelled(t).face_quad_xy("U") - quad).max() for t in cube_rotations()]
    assert min(gaps) < 0.35 * edge_px / truth["n"]


@pytest.mark.parametrize("truth_file", sorted(SAMPLES.glob("*.json")), ids=lambda p: p.stem)
def test_layers_are_those_of_the_truth_when_all_numbers_are_asked_for(
    truth_file: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Source: the truth beside each sample picture, from its renderer."""
    truth = json.loads(truth_file.read_text())
    if "top_quad" not in truth:
        return
    picture = cv2.imread(str(truth_file.with_suffix(".jpg")))
    monkeypatch.setattr("vision.locate.OPEN_SHARE", 0.0)
    cube = find_cubes(picture).cubes[0]
    shares = cube.pose.size_probabilities
    assert cube.pose.size == truth["n"] == max(shares, key=lambda n: shares[n])
    assert [other.pose.size for other in cube.otherwise] == sorted(
        set(shares) - {truth["n"]}, key=lambda n: -shares[n]
    )
    assert sum(shares.values()) == pytest.approx(1)
    assert find_cubes(picture, size=truth["n"]).cubes[0].otherwise == ()


def test_blank_pictures_hold_no_cube() -> None:
    for shade in (0, 127, 255):
        found = find_cubes(np.full((300, 400, 3), shade, np.uint8))
        assert not found.cubes
        assert found.reason == "no-cube"


@given(st.floats(-50, 450), st.floats(-50, 350), st.floats(10, 500))
@settings(deadline=None, max_examples=30)
def test_crop_square_takes_the_square_it_reports(x: float, y: float, side: float) -> None:
    ramp = np.zeros((300, 400, 3), np.uint8)
    ramp[..., 0] = np.arange(400)[None, :] // 2
    ramp[..., 1] = np.arange(300)[:, None] // 2
    crop, left, top, taken = crop_square(ramp, x, y, side)
    assert crop.shape == (128, 128, 3)
    middle_x, middle_y = left + taken / 2, top + taken / 2
    if left > 0 and left + taken < 400 and top > 0 and top + taken < 300:
        assert crop[..., 0].mean() == pytest.approx(middle_x / 2, abs=1.5)
        assert crop[..., 1].mean() == pytest.approx(middle_y / 2, abs=1.5)


@given(st.integers(0, 100_000))
@settings(deadline=None, max_examples=20)
def test_samples_of_a_painted_face_are_its_colour_in_linear_light(seed: int) -> None:
    """A face painted in one sRGB colour is read back in linear light (IEC 61966-2-1: 188/255 is 0.5029)."""
    rng = np.random.default_rng(seed)
    tilt = cv2.Rodrigues(np.array([np.radians(90 + rng.uniform(-20, 20)), 0, 0]))[0]
    pose = CubePose(4, 900.0, (320.0, 240.0), tilt, np.array([0.0, 0.0, 4.0]))
    picture = np.zeros((480, 640, 3), np.uint8)
    face = pose.visible_faces()[0]
    cv2.fillPoly(picture, [pose.face_quad_xy(face).round().astype(np.int32)], (188, 188, 188))
    samples = sample_stickers(picture, pose)
    seen = samples.linear_rgb["URFDLB".index(face)]
    assert seen[1:3, 1:3] == pytest.approx(0.5029, abs=0.002)
    assert (samples.coverage["URFDLB".index(face)] > 0.9).all()


@pytest.mark.parametrize("name", ["01-large-on-desk", "04-size-3", "11-dim-room"])
def test_from_farther_off_cubes_lie_where_they_are(name: str) -> None:
    """Grey round a picture moves nothing in it."""
    image_bgr = cv2.imread(str(SAMPLES / f"{name}.jpg"))
    cube = find_cubes(image_bgr).cubes[0]
    centre = cube.pose.project(np.zeros((1, 3)))[0]
    places = _from_farther(image_bgr, 3)
    assert places and min(np.hypot(*(centre - place[1:3])) for place in places) < 0.3 * cube.edge_px
    high, wide = image_bgr.shape[:2]
    assert all(0 <= x < wide and 0 <= y < high for _, x, y, _ in places)


def test_a_cube_seen_only_from_farther_off_is_found_there(monkeypatch: pytest.MonkeyPatch) -> None:
    """Whatever the first look at the whole picture misses, the second, with grey round it, may find."""
    image_bgr = cv2.imread(str(SAMPLES / "01-large-on-desk.jpg"))
    expected = find_cubes(image_bgr).cubes[0]

    def blind_to_this_size(picture: Halved, most: int = 4) -> list[tuple[float, float, float, float]]:
        return [] if picture.whole.shape == image_bgr.shape else propose(picture, most)

    monkeypatch.setattr("vision.locate.propose", blind_to_this_size)
    found = find_cubes(image_bgr)
    assert found.cubes and found.cubes[0].pose.size == expected.pose.size
    quads = found.cubes[0].pose.face_quad_xy("U"), expected.pose.face_quad_xy("U")
    assert np.hypot(*(quads[0] - quads[1]).T).max() < 0.1 * expected.edge_px


@pytest.mark.parametrize("name", ["01-large-on-desk", "03-pastel-shades", "04-size-3", "08-far-away"])
def test_a_cube_of_a_fortieth_of_the_picture_is_found(name: str) -> None:
    """A sample picture as it would look from far away, laid into one that holds no cube."""
    image_bgr = cv2.imread(str(SAMPLES / f"{name}.jpg"))
    cube = find_cubes(image_bgr).cubes[0]
    whole = cv2.imread(str(SAMPLES / "15-no-cube.jpg"))
    edge_px = max(whole.shape) / 40
    scale = edge_px / cube.edge_px
    small = cv2.resize(image_bgr, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    whole[300 : 300 + small.shape[0], 300 : 300 + small.shape[1]] = small
    found = find_cubes(whole)
    assert found.cubes and found.cubes[0].pose.size == cube.pose.size
    gap = (
        found.cubes[0].pose.project(np.zeros((1, 3)))[0]
        - 300
        - scale * cube.pose.project(np.zeros((1, 3)))[0]
    )
    assert np.hypot(*gap) < 0.15 * edge_px


@given(st.permutations([(0.5, 100.0, 100.0, 100.0), (0.98, 122.0, 100.0, 100.0), (0.7, 300.0, 100.0, 80.0)]))
def test_the_brightest_of_near_places_is_kept_in_whatever_order_they_come(places: list[Place]) -> None:
    assert apart(places) == [(0.98, 122.0, 100.0, 100.0), (0.7, 300.0, 100.0, 80.0)]
