"""The fit on maps drawn from known poses, names of orientations, and the rim of a drawn surface."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from drawn_clip import held_pose
from hypothesis import given, settings
from hypothesis import strategies as st

from models.turns import FACES
from vision.crop import CROP_EDGES, MAP_PX, SIZES, Crop
from vision.fit import fit_pose
from vision.orientation import orientation_monomials, told_tensor, turn_towards
from vision.placement import lattice
from vision.pose import FACE_NORMALS, CubePose, cube_rotations
from vision.rim import rim_gaps


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


@given(st.integers(0, 100_000), st.lists(st.floats(-0.05, 0.05), min_size=3, max_size=3))
def test_a_small_turn_is_told_from_the_name_it_leads_to(seed: int, turn: list[float]) -> None:
    """Source: Rodrigues' formula (OpenCV). The turn told is the first order's: off by its third power."""
    rotation = random_rotation(seed)
    there = cv2.Rodrigues(np.array(turn))[0] @ rotation
    told = turn_towards(rotation, told_tensor(orientation_monomials(there[None])[0]))
    assert told == pytest.approx(turn, abs=0.01)


@settings(max_examples=30, deadline=None)
@given(st.floats(-0.5, 3), st.floats(0, 6.28))
def test_the_rim_is_found_as_far_out_as_it_was_drawn(gap: float, angle: float) -> None:
    """A half-plane of surface whose rim runs ``gap`` pixels outside a line, at any angle."""
    side, middle = 64, np.array([32.0, 32.0])
    out = np.array([np.cos(angle), np.sin(angle)])
    ys, xs = np.mgrid[:side, :side] + 0.5
    beyond = (xs - middle[0]) * out[0] + (ys - middle[1]) * out[1] - 10
    surface = np.clip(gap + 0.5 - beyond, 0, 1).astype(np.float32)
    along = np.linspace(-8, 8, 8)[:, None] * np.array([-out[1], out[0]])
    found, gaps, counts = rim_gaps(surface, (middle + 10 * out + along)[None], middle)
    assert found == pytest.approx(np.repeat(out[None], 8, 0), abs=1e-6)
    assert gaps == pytest.approx(np.full(8, gap), abs=0.2)
    assert (counts > 0.9).all()
    assert not rim_gaps(np.zeros_like(surface), (middle + 10 * out + along)[None], middle)[2].any()


def drawn_crop(pose: CubePose, noise: float, rng: np.random.Generator) -> Crop:
    """The maps that a perfect network would draw, and numbers a little off."""
    edge_px = pose.focal_px / float(np.linalg.norm(pose.translation))
    centre = pose.project(np.zeros((1, 3)))[0]
    side = CROP_EDGES * edge_px
    left, top = centre - side / 2
    scale = MAP_PX / side
    to_eye = pose.eye_xyz - FACE_NORMALS / 2
    seen = (to_eye * FACE_NORMALS).sum(1) / np.linalg.norm(to_eye, axis=1) > 0.03
    points, faces, beside = lattice(pose.size)
    outer = beside >= 0
    maps = np.zeros((4, MAP_PX, MAP_PX), np.float32)
    ys, xs = np.mgrid[:MAP_PX, :MAP_PX] + 0.5
    for layer, wanted in ((0, outer), (1, ~outer)):
        at = (pose.project(points[seen[faces] & wanted].astype(float)) - (left, top)) * scale
        gap = ((xs[..., None] - at[:, 0]) ** 2 + (ys[..., None] - at[:, 1]) ** 2).min(-1)
        maps[layer] = np.exp(-gap / (2 * 1.2**2))
    for face in np.flatnonzero(seen):
        quad = (pose.face_quad_xy(FACES[face]) - (left, top)) * scale
        fine = np.zeros((4 * MAP_PX, 4 * MAP_PX), np.float32)
        cv2.fillConvexPoly(fine, (4 * quad - 0.5).round().astype(np.int32), 1.0)
        maps[3] = np.maximum(maps[3], cv2.resize(fine, (MAP_PX, MAP_PX), interpolation=cv2.INTER_AREA))
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


def sight_off_deg(true: CubePose, noise: float, rng: np.random.Generator) -> float:
    """How far a fitted pose's line of sight is off, up to relabelling, in degrees."""
    fitted = fit_pose(drawn_crop(true, noise, rng), (1280, 720)).pose
    eyes = [
        other.eye_xyz / np.linalg.norm(other.eye_xyz)
        for other in (fitted.relabelled(turn) for turn in cube_rotations())
    ]
    straight = true.eye_xyz / np.linalg.norm(true.eye_xyz)
    return float(np.degrees(np.arccos(np.clip(max(float(eye @ straight) for eye in eyes), -1, 1))))


@pytest.mark.parametrize("elevation_deg", [70, 75, 80])
def test_a_side_seen_as_a_sliver_tells_the_tilt(elevation_deg: int) -> None:
    """Seen nearly from above, the side shows by the cosine of the elevation."""
    offs = []
    for seed in range(12):
        rng = np.random.default_rng(seed)
        azimuth_deg = rng.uniform(0, 360)
        true = held_pose(4, (1280, 720), azimuth_deg=azimuth_deg, elevation_deg=elevation_deg, distance=9.0)
        offs.append(sight_off_deg(true, 0.06, rng))
    assert np.median(offs) < 1.5


def test_the_fit_comes_to_rest_where_the_maps_lead() -> None:
    """Maps drawn without a fault tell the line of sight to well under a degree: a fit that swings to and fro
    about it does not."""
    offs = []
    for seed in range(16):
        rng = np.random.default_rng(seed)
        angles = {"azimuth_deg": rng.uniform(0, 360), "elevation_deg": rng.uniform(30, 60)}
        true = held_pose(4, (1280, 720), **angles, distance=rng.uniform(5, 9))
        offs.append(sight_off_deg(true, 0.03, rng))
    assert np.median(offs) < 0.6


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
