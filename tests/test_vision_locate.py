"""The finder on pictures whose truth is known, and the fit on maps drawn from known poses."""

from __future__ import annotations

import json
from pathlib import Path

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from vision.fit import CROP_EDGES, MAP_PX, SIZES, Crop, fit_pose, lattice, orientation_monomials
from vision.locate import _from_farther, crop_square, find_cubes, propose
from vision.pose import FACE_NORMALS, CubePose, cube_rotations
from vision.sample import sample_stickers

SAMPLES = Path(__file__).parent.parent / "sample_images"


def random_rotation(seed: int) -> np.ndarray:
    return cv2.Rodrigues(np.random.default_rng(seed).normal(size=3) * 2)[0]


@given(st.integers(0, 100_000))
def test_all_labellings_of_a_cube_share_one_name(seed: int) -> None:
    """Source: a sum of fourth tensor powers over three orthogonal axes is invariant under the cubic group."""
    rotation = random_rotation(seed)
    names = orientation_monomials(rotation[None] @ cube_rotations())
    assert names == pytest.approx(np.repeat(names[:1], 24, axis=0), abs=1e-4)


@given(st.integers(0, 100_000))
def test_different_orientations_have_different_names(seed: int) -> None:
    """A turn by 20 degrees about any axis is no labelling, so the name must change."""
    rng = np.random.default_rng(seed)
    axis = rng.normal(size=3)
    rotation = random_rotation(seed)
    other = cv2.Rodrigues(axis / np.linalg.norm(axis) * np.radians(20))[0] @ rotation
    a, b = orientation_monomials(np.stack([rotation, other]))
    assert np.linalg.norm(a - b) > 0.1


def drawn_crop(pose: CubePose, noise: float, rng: np.random.Generator) -> Crop:
    """The maps that a perfect network would draw, and numbers a little off."""
    edge_px = pose.focal_px / float(np.linalg.norm(pose.translation))
    centre = pose.project(np.zeros((1, 3)))[0]
    side = CROP_EDGES * edge_px
    left, top = centre - side / 2
    scale = MAP_PX / side
    to_eye = pose.eye_xyz - FACE_NORMALS / 2
    seen = (to_eye * FACE_NORMALS).sum(1) / np.linalg.norm(to_eye, axis=1) > 0.03
    points, faces, outer = lattice(pose.size)
    maps = np.zeros((4, MAP_PX, MAP_PX), np.float32)
    ys, xs = np.mgrid[:MAP_PX, :MAP_PX] + 0.5
    for layer, wanted in ((0, outer), (1, ~outer)):
        at = (pose.project(points[seen[faces] & wanted].astype(float)) - (left, top)) * scale
        gap = ((xs[..., None] - at[:, 0]) ** 2 + (ys[..., None] - at[:, 1]) ** 2).min(-1)
        maps[layer] = np.exp(-gap / (2 * 1.2**2))
    z = pose.translation / np.linalg.norm(pose.translation)
    x = np.array([z[2], 0, -z[0]]) / np.hypot(z[0], z[2])
    ray = np.stack([x, np.cross(z, x), z]) @ pose.rotation
    numbers = np.zeros(24, np.float32)
    numbers[:15] = orientation_monomials(ray[None])[0] + rng.normal(0, noise, 15)
    numbers[15:17] = rng.normal(0, noise / 3, 2)
    numbers[17] = rng.normal(0, noise)
    numbers[18] = -np.log(np.linalg.norm(pose.translation)) + rng.normal(0, 2 * noise)
    numbers[19 + SIZES.index(pose.size)] = numbers[23] = 8.0
    return Crop(float(left), float(top), float(scale), maps, numbers)


@pytest.mark.parametrize("size", SIZES)
def test_fit_finds_the_pose_that_the_maps_were_drawn_from(size: int) -> None:
    """Up to relabelling, every corner of every face in view lies within a quarter of a sticker; one in twenty
    poses may be off by more, since some look nearly alike."""
    offs = [off for seed in range(120) if (off := worst_off(seed, size)) is not None]
    assert len(offs) > 30
    assert np.mean(np.array(offs) < 0.25) >= 0.95


def worst_off(seed: int, size: int) -> float | None:
    """How far the worst corner of a fitted random pose is off, in stickers; None where a face is edge on."""
    rng = np.random.default_rng(seed)
    translation = np.array([*rng.uniform(-0.8, 0.8, 2), rng.uniform(4, 9)])
    true = CubePose(size, 1100.0, (640.0, 360.0), random_rotation(seed), translation)
    facing = np.sort(true.facing())[-3:]
    if facing[0] < 0.4:  # a face seen edge on can hardly be told from one that is not seen
        return None
    fitted = fit_pose(drawn_crop(true, 0.03, rng), (1280, 720)).pose
    assert fitted.size == size
    visible = true.visible_faces()
    worst = min(
        max(np.abs(other.face_quad_xy(f) - true.face_quad_xy(f)).max() for f in visible)
        for other in (fitted.relabelled(turn) for turn in cube_rotations())
    )
    cell_px = true.focal_px / float(np.linalg.norm(translation)) / size
    return float(worst / max(cell_px, 1100 / 6 / 4))


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

    def blind_to_this_size(picture: np.ndarray, most: int = 4) -> list[tuple[float, float, float, float]]:
        return [] if picture.shape == image_bgr.shape else propose(picture, most)

    monkeypatch.setattr("vision.locate.propose", blind_to_this_size)
    found = find_cubes(image_bgr)
    assert found.cubes and found.cubes[0].pose.size == expected.pose.size
    quads = found.cubes[0].pose.face_quad_xy("U"), expected.pose.face_quad_xy("U")
    assert np.hypot(*(quads[0] - quads[1]).T).max() < 0.1 * expected.edge_px
