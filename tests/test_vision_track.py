"""A found cube is followed, put back on its seams, told lost when it is gone, and its turning layers noticed.

Truth: the poses from which tests/drawn_clip.py draws each frame.
"""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest
from drawn_clip import SCHEME, DrawnCube, Layers, about, desk, draw_frame, held_pose, play, turn_layers
from hypothesis import given, settings
from hypothesis import strategies as st

from models.cube import moves_permutation
from models.turns import FACES
from vision.holding import front_face, labelled, nearest_labelling
from vision.pose import FACE_NORMALS, VERTICES, CubePose, cube_rotations
from vision.seams import seat
from vision.track import Tracked, Tracker
from vision.turning import TurnWatch, slices
from vision.window import Window

WH = (640, 480)


def cube_after(moves: str, n: int) -> DrawnCube:
    home = np.repeat(np.arange(6, dtype=np.int8), n * n)
    facelets = np.array(SCHEME, dtype=np.int8)[home[moves_permutation(moves, n)]].reshape(6, n, n)
    return DrawnCube(facelets)


def error_cells(found: CubePose, truth: CubePose) -> float:
    """Largest distance of a corner of the cube in the picture, in stickers."""
    edge_px = truth.focal_px / np.linalg.norm(truth.translation)
    off = found.project(VERTICES) - truth.project(VERTICES)
    return float(np.sqrt((off**2).sum(1)).max() / edge_px * truth.size)


def see(watch: TurnWatch, tracked: Tracked) -> str:
    return watch.see(tracked.misfit, tracked.slice_turns_rad, tracked.slice_explained, tracked.fit)


def swaying(n: int, frames: int, wh: tuple[int, int] = WH) -> list[CubePose]:
    """A hand that tilts and turns the cube by 70 degrees in all, up to 4 degrees a frame."""
    return [
        held_pose(
            n,
            wh,
            azimuth_deg=30 + 35 * np.sin(k / 9),
            elevation_deg=48 + 14 * np.sin(k / 7),
            roll_deg=5 * np.sin(k / 5),
            distance=4.5 + 0.4 * np.sin(k / 6),
            at_xy=(0.5 + 0.05 * np.sin(k / 8), 0.5 + 0.03 * np.sin(k / 6)),
        )
        for k in range(frames)
    ]


@pytest.mark.parametrize("turn", ["R", "U'", "F2", "Lw", "B", "D'"])
def test_drawn_turns_agree_with_the_engine(turn: str) -> None:
    """The boxes carried round in space and the engine's permutation tables are two roads to one cube."""
    assert (
        cube_after("R U2 F'", 4).turned(turn_layers(turn, 4)).facelets
        == cube_after(f"R U2 F' {turn}", 4).facelets
    ).all()


@pytest.mark.parametrize("n", [2, 3, 4, 5])
def test_a_swaying_cube_is_followed_in_every_frame(n: int) -> None:
    clip = list(play(cube_after("R U R' U R U2 R'", n), swaying(n, 28), [], WH, finger=True))
    tracker = Tracker(clip[0].image_bgr, clip[0].pose)
    errors = []
    for frame in clip[1:]:
        tracked = tracker.follow(frame.image_bgr)
        assert tracked is not None
        errors.append(error_cells(tracked.pose, frame.pose))
        turn = tracked.pose.rotation
        assert np.allclose(turn @ turn.T, np.eye(3), rtol=0, atol=1e-9), "rounding errors add up"
    # a twentieth of the cube's edge; a 2x2x2 has two seams a face, and the finger lies on one of them
    assert max(errors) < 0.05 * n * (2 if n == 2 else 1), errors


def test_a_jump_of_a_third_of_the_cube_is_followed() -> None:
    cube = cube_after("R U2 F'", 4)
    first, second = (held_pose(4, WH, azimuth_deg=30, elevation_deg=45, at_xy=(x, 0.5)) for x in (0.45, 0.52))
    tracker = Tracker(draw_frame(cube, first, desk(WH)), first)
    tracked = tracker.follow(draw_frame(cube, second, desk(WH), seed=1))
    assert tracked is not None and error_cells(tracked.pose, second) < 0.15


def test_a_cube_that_is_gone_is_lost_at_once_and_found_again_where_it_was() -> None:
    cube = cube_after("R U2 F'", 4)
    pose = held_pose(4, WH, azimuth_deg=30, elevation_deg=45)
    there, gone = draw_frame(cube, pose, desk(WH)), desk(WH)
    tracker = Tracker(there, pose)
    assert tracker.follow(gone) is None
    tracked = tracker.follow(there)
    assert tracked is not None and error_cells(tracked.pose, pose) < 0.1


def test_another_picture_size_is_no_reason_to_fail() -> None:
    pose = held_pose(3, WH, azimuth_deg=30, elevation_deg=45)
    tracker = Tracker(draw_frame(cube_after("", 3), pose, desk(WH)), pose)
    assert tracker.follow(np.zeros((100, 100, 3), np.uint8)) is None


@settings(max_examples=12, deadline=None)
@given(
    n=st.integers(3, 5),
    tilt=st.lists(st.floats(-0.02, 0.02), min_size=3, max_size=3),
    shift=st.lists(st.floats(-0.02, 0.02), min_size=3, max_size=3),
    azimuth=st.floats(15, 75),
)
def test_a_pose_that_is_a_little_off_is_put_on_the_seams(
    n: int, tilt: list[float], shift: list[float], azimuth: float
) -> None:
    truth = held_pose(n, WH, azimuth_deg=azimuth, elevation_deg=42)
    image = draw_frame(cube_after("R U R' F2", n), truth, desk(WH))
    off = replace(
        truth,
        rotation=cv2.Rodrigues(np.array(tilt))[0] @ truth.rotation,
        translation=truth.translation + np.array(shift),
    )
    window = Window(off, image.shape)
    seated = seat(window.cut(image), window.lens(off), off)
    assert seated is not None and seated.support > 0.9
    assert error_cells(seated.pose, truth) < max(0.08, 0.5 * error_cells(off, truth))


def test_no_cube_gives_no_seams() -> None:
    pose = held_pose(4, WH, azimuth_deg=30, elevation_deg=45)
    plain = np.full((WH[1], WH[0], 3), 128, np.uint8)
    window = Window(pose, plain.shape)
    assert seat(window.cut(plain), window.lens(pose), pose) is None


@pytest.mark.parametrize("turn", ["R", "U", "F"])
@pytest.mark.parametrize("degrees", [5.0, -5.0])
def test_a_small_turn_is_measured_with_its_axis_layer_and_sign(turn: str, degrees: float) -> None:
    n, pose = 4, held_pose(4, WH, azimuth_deg=40, elevation_deg=40)
    cube, layers = cube_after("R U R' F2", n), turn_layers(turn, n)
    tracker = Tracker(draw_frame(cube, pose, desk(WH)), pose)
    moved = Layers(layers.axis, layers.layers, np.radians(degrees))
    tracked = tracker.follow(draw_frame(cube, pose, desk(WH), turning=moved, seed=1))
    assert tracked is not None
    angles = np.degrees(tracked.slice_turns_rad[layers.axis])
    assert np.argmax(np.abs(angles)) == layers.layers[0]
    assert angles[layers.layers[0]] == pytest.approx(degrees, abs=2.5)


def test_a_turn_is_noticed_in_its_first_frames_and_its_end_when_it_rests() -> None:
    n = 4
    clip = list(play(cube_after("R U R' F2", n), swaying(n, 30), [("R", 8, 6)], WH))
    tracker, watch = Tracker(clip[0].image_bgr, clip[0].pose), TurnWatch(n)
    states = ["still"]
    began = None
    for number, frame in enumerate(clip[1:], 1):
        tracked = tracker.follow(frame.image_bgr)
        assert tracked is not None
        before = watch.turning
        states.append(
            watch.see(tracked.misfit, tracked.slice_turns_rad, tracked.slice_explained, tracked.fit)
        )
        if watch.turning and not before:
            began = number - watch.frames_back
        if states[-1] == "rested":
            tracker.fluid = False
            tracker.renew()
            assert tracker.seams_straight()
        tracker.fluid = watch.turning
    assert began in (8, 9, 10), "frame 8 is the last one at rest"
    assert states.index("rested") in (15, 16, 17), "frame 14 is the first one at rest again"
    assert set(states[:8]) == {"still"} and set(states[18:]) == {"still"}


@pytest.mark.parametrize(
    "axes, turns", [([2], False), ([2, None, 2], False), ([2, 1, 0], False), ([2, 2], True)]
)
def test_a_small_turn_counts_when_it_goes_on(axes: list[int | None], turns: bool) -> None:
    """A slip of the track looks like a small turn of some layer, but not of the same one frame by frame."""
    watch, n = TurnWatch(4), 4
    misfit, none = np.full((6, n, n), 0.05), np.zeros((3, n))
    for axis in [None] * 4 + axes:
        angles, explained = none.copy(), none.copy()
        if axis is not None:
            angles[axis, 3], explained[axis, 3] = np.radians(4.0), 0.5
        state = watch.see(misfit, angles, explained, 0.97)
    assert (state == "turning") is turns


@pytest.mark.parametrize("stands", [False, True])
def test_a_layer_that_looks_different_but_stands_is_in_another_light(stands: bool) -> None:
    watch, n = TurnWatch(4), 4
    misfit, none = np.full((6, n, n), 0.05), np.zeros((3, n))
    for _ in range(5):
        watch.see(misfit, none, none, 0.97)
    misfit[slices(n)[..., 1] == n - 1] = 0.9
    asked = []
    state = watch.see(
        misfit, none, none, 0.9, lambda axis, layer: bool(asked.append((axis, layer))) or stands
    )
    assert asked == [(1, n - 1)]
    assert (state == "turning") is not stands


@pytest.mark.parametrize("fits, turns", [((0.97, 0.6), True), ((0.97, 0.9), False), ((0.8, 0.7), False)])
def test_a_cube_whose_look_falls_apart_at_once_is_turned(fits: tuple[float, float], turns: bool) -> None:
    """Where most of what is seen turns, the track goes with it, and no layer stands out."""
    watch, n = TurnWatch(3), 3
    misfit, none = np.full((6, n, n), 0.05), np.zeros((3, n))
    for _ in range(5):
        watch.see(misfit, none, none, fits[0])
    assert (watch.see(misfit + 0.2, none, none, fits[1]) == "turning") is turns


@pytest.mark.parametrize("n", [3, 4, 5])
def test_the_seams_of_a_turned_layer_lie_beside_the_others(n: int) -> None:
    pose = held_pose(n, WH, azimuth_deg=40, elevation_deg=40)
    cube = cube_after("R U R' F2", n)
    still = Tracker(draw_frame(cube, pose, desk(WH)), pose)
    assert all(still.layer_stands(axis, layer) for axis in range(3) for layer in range(n))
    for turn in ("U", "R", "F"):
        layers = turn_layers(turn, n)
        turned = Layers(layers.axis, layers.layers, np.radians(9.0))
        tracker = Tracker(draw_frame(cube, pose, desk(WH)), pose)
        tracker.pose, tracker._work = (
            pose,
            tracker._window.cut(draw_frame(cube, pose, desk(WH), turning=turned)),
        )
        stands = [tracker.layer_stands(layers.axis, layer) for layer in range(n)]
        assert stands == [layer not in layers.layers for layer in range(n)]


def test_a_finger_that_comes_and_goes_is_no_turn() -> None:
    n, pose = 4, held_pose(4, WH, azimuth_deg=40, elevation_deg=45)
    cube = cube_after("R U R' F2", n)
    tracker, watch = Tracker(draw_frame(cube, pose, desk(WH)), pose), TurnWatch(n)
    for number in range(14):
        image = draw_frame(cube, pose, desk(WH), finger=number % 6 > 2, seed=number)
        tracked = tracker.follow(image)
        assert tracked is not None
        assert (
            watch.see(tracked.misfit, tracked.slice_turns_rad, tracked.slice_explained, tracked.fit)
            == "still"
        )


def test_a_layer_that_stands_off_is_not_straight() -> None:
    n, pose = 4, held_pose(4, WH, azimuth_deg=40, elevation_deg=40)
    cube = cube_after("R U R' F2", n)
    for degrees, straight in ((0, True), (2, True), (25, False), (45, False)):
        layers = turn_layers("U", n)
        image = draw_frame(
            cube, pose, desk(WH), turning=Layers(layers.axis, layers.layers, np.radians(degrees))
        )
        assert Tracker(image, pose).seams_straight() is straight, degrees


@pytest.mark.parametrize("n", [2, 3, 4, 5])
def test_every_slice_has_its_stickers(n: int) -> None:
    """A cube's outer slices carry n*n + 4n stickers, its inner ones 4n (counted by hand)."""
    where = slices(n).reshape(-1, 3)
    for axis in range(3):
        counts = np.bincount(where[:, axis], minlength=n).tolist()
        assert counts == [n * n + 4 * n, *[4 * n] * (n - 2), n * n + 4 * n]


@given(st.integers(0, 23), st.floats(-0.3, 0.3), st.integers(0, 2))
def test_the_nearest_labelling_undoes_a_relabelling(index: int, angle: float, axis: int) -> None:
    pose = held_pose(4, WH, azimuth_deg=30, elevation_deg=45)
    turned = replace(pose, rotation=pose.rotation @ about(axis, angle))
    named, apart = nearest_labelling(turned.relabelled(cube_rotations()[index]), pose)
    assert np.allclose(named.rotation, turned.rotation)
    assert apart == pytest.approx(abs(angle), abs=1e-6)


def test_the_holders_front() -> None:
    """Seen from azimuth 20 the side F is near; far is B; seen from outside F, R is right and L is left."""
    pose = held_pose(4, WH, azimuth_deg=20, elevation_deg=45)
    fronts = {wanted: FACES[front_face(pose, 0, wanted)] for wanted in ("near", "far", "left", "right")}
    assert fronts == {"near": "F", "far": "B", "left": "L", "right": "R"}
    over = held_pose(4, WH, azimuth_deg=47, elevation_deg=45)
    assert FACES[front_face(over, 0, None)] == "R"
    for wanted in ("near", "far", "left", "right"):
        before = FACES.index(fronts[wanted])
        assert front_face(over, 0, wanted, before) == before, "near 45 degrees the front stays what it was"


def test_a_relabelled_pose_has_top_and_front_where_they_were_asked() -> None:
    pose = held_pose(4, WH, azimuth_deg=20, elevation_deg=45)
    for top in range(6):
        for front in range(6):
            if top % 3 == front % 3:
                continue
            named = labelled(pose, top, front)
            assert np.linalg.det(named.rotation) == pytest.approx(1)
            assert np.allclose(named.rotation @ FACE_NORMALS[0], pose.rotation @ FACE_NORMALS[top])
            assert np.allclose(named.rotation @ FACE_NORMALS[2], pose.rotation @ FACE_NORMALS[front])
