"""The studio's truth, held against OpenCV's projection, colour-science's black bodies and the engine.

Nothing here renders but the one test marked slow, which is left out where Mitsuba is not installed.
"""

from __future__ import annotations

import importlib.util
import json
from dataclasses import replace
from functools import lru_cache
from pathlib import Path

import cv2
import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from models.cube import moves_permutation
from models.errors import LastlookError
from models.layer import LastLayer
from tests.studio import camera_model, clips, hand_mesh, light, mesh, motion, render, shades, state, truth
from tests.studio.camera import Camera, front_face, look_at, undistort_scale
from tests.studio.cube_mesh import CubeBody, Twist, cube_mesh, sticker_frames
from tests.studio.scene import NEGATIVES, Shot, Wish, draw_shot

SIZES = (2, 3, 4, 5)
SHOTS = range(6)
seeds = st.integers(0, 2**32 - 1)
EDGE_ORDER = (0, 3, 2, 1)  # truth files list UF UL UB UR, models.layer UF UR UB UL


def all_seen(points: np.ndarray) -> np.ndarray:
    """A sight that nothing blocks."""
    return np.ones(len(points), dtype=bool)


@lru_cache(maxsize=64)
def shot_of(seed: int, negatives: float = 0.0) -> Shot:
    return draw_shot((seed,), Wish(width=640, height=480, negatives=negatives, shades="all"))


def as_model(layer: state.Layer) -> LastLayer:
    if layer.size == 2:
        return LastLayer(2, layer.corners, layer.twist, (), ())
    edges = tuple(EDGE_ORDER[layer.edges[i]] for i in EDGE_ORDER)
    return LastLayer(layer.size, layer.corners, layer.twist, edges, tuple(layer.flip[i] for i in EDGE_ORDER))


@given(seeds, st.sampled_from(SIZES))
@settings(max_examples=60, deadline=None)
def test_a_drawn_layer_is_the_engines_layer(seed: int, size: int) -> None:
    layer = state.random_layer(np.random.default_rng(seed), size)
    facelets = state.layer_facelets(layer)
    assert layer.is_legal()
    assert state.is_last_layer(facelets)
    assert np.array_equal(facelets, as_model(layer).facelets())
    assert state.layer_from_facelets(facelets) == layer


def test_size_4_reaches_every_last_layer_and_size_3_half_of_each_law() -> None:
    """4! 27 x 4! 16 states on size 4; parity and flips leave a quarter of them on sizes 3 and 5."""
    import itertools

    def count(size: int) -> int:
        total = 0
        for flip in itertools.product((0, 1), repeat=4):
            for edges in itertools.permutations(range(4)):
                for corners in itertools.permutations(range(4)):
                    total += state.Layer(size, corners, (0, 0, 0, 0), edges, flip).is_legal()
        return total

    assert count(4) == 24 * 24 * 16
    assert count(3) == count(5) == 24 * 24 * 16 // 4


@given(
    st.sampled_from(SIZES),
    st.lists(st.tuples(st.sampled_from("URFDLB"), st.sampled_from([1, 2, -1])), max_size=12),
)
@settings(max_examples=50, deadline=None)
def test_turning_places_in_space_agrees_with_the_engine(size: int, turns: list[tuple[str, int]]) -> None:
    ours = np.arange(6 * size * size).reshape(6, size, size)
    for face, quarters in turns:
        ours = state.turned(ours, face, (1, 1), quarters)
    words = " ".join(face + {1: "", 2: "2", -1: "'"}[quarters] for face, quarters in turns)
    assert np.array_equal(ours.ravel(), moves_permutation(words, size))


@given(seeds, st.floats(-0.09, 0.05))
@settings(max_examples=40, deadline=None)
def test_projection_is_that_of_opencv(seed: int, k1: float) -> None:
    """Source: cv2.projectPoints with one radial coefficient (OpenCV's pinhole model)."""
    rng = np.random.default_rng(seed)
    eye = rng.normal(0, 300, 3) + np.array([0, -600, 300])
    assume(np.linalg.norm(eye) > 120)  # the points lie within 104 of the middle: all before the camera
    camera = Camera(
        1280, 720, float(rng.uniform(700, 1500)), look_at(eye, np.zeros(3), np.eye(3)[2], 0.3), eye, k1
    )
    points = rng.uniform(-60, 60, (20, 3))
    matrix = np.array([[camera.focal_px, 0, 640.0], [0, camera.focal_px, 360.0], [0, 0, 1]])
    turn, _ = cv2.Rodrigues(camera.rotation)
    theirs, _ = cv2.projectPoints(points, turn, -camera.rotation @ eye, matrix, np.array([k1, 0, 0, 0]))
    ours, depth = camera.project(points)
    assert (depth > 0).all()
    assert np.allclose(ours, theirs.reshape(-1, 2), atol=1e-6)
    assert np.isclose(np.linalg.det(camera.rotation), 1)


@given(st.floats(0.0, 0.9), st.floats(-0.09, 0.05))
def test_undistorting_undoes_distorting(radius: float, k1: float) -> None:
    bent = radius * (1 + k1 * radius**2)
    assert np.isclose(bent * undistort_scale(np.array(bent), k1), radius, atol=1e-6)


@pytest.mark.parametrize("seed", SHOTS)
def test_f_is_the_side_most_turned_to_the_camera(seed: int) -> None:
    shot = shot_of(seed)
    assert shot.cube is not None
    camera = shot.stage.camera
    pose = (shot.cube.rotation, shot.cube.centre)
    quarters, azimuth, elevation = front_face(camera, pose, shot.cube.body.side_mm)
    assert quarters == 0
    assert np.isclose(azimuth, shot.azimuth_deg) and np.isclose(elevation, shot.elevation_deg)
    local = shot.cube.rotation.T @ (camera.eye - shot.cube.centre)
    if max(abs(local[0]), abs(local[1])) > shot.cube.body.side_mm / 2:
        assert -local[1] >= max(abs(local[0]), local[1])


def facing(outline: np.ndarray) -> bool:
    """Whether a face's outline (columns first, seen from outside) runs clockwise in the picture."""
    x, y = outline[:, 0], outline[:, 1]
    return float(np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1))) > 0


@pytest.mark.parametrize("seed", SHOTS)
def test_the_truth_of_a_picture_holds_together(seed: int) -> None:
    shot = shot_of(seed)
    told = json.loads(json.dumps(truth.truth_of(shot, (seed, 0, seed), all_seen)))
    assert shot.cube is not None
    n = told["n"]
    assert len(told["stickers"]) == n * n + 4 * n
    assert {c for face in told["facelets"].values() for row in face for c in row} == set(shades.COLOURS)
    counted = [c for face in told["facelets"].values() for row in face for c in row]
    assert all(counted.count(c) == n * n for c in shades.COLOURS)
    layer = told["last_layer"]
    again = state.Layer(
        n,
        tuple(layer["corner_perm"]),
        tuple(layer["corner_orient"]),
        tuple(layer["edge_perm"] or ()),
        tuple(layer["edge_flip"] or ()),
    )
    assert again.is_legal()
    names = [told["scheme"][f] for f in state.FACES]
    for f, rows in zip(state.FACES, state.layer_facelets(again), strict=True):
        assert told["facelets"][f] == [[names[v] for v in row] for row in rows.tolist()]
    assert told["top_colour"] == told["scheme"]["U"]
    camera = shot.stage.camera
    centres, frames = truth.world_frames(shot.cube)
    square = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]])
    for sticker in told["stickers"]:
        at = state.FACES.index(sticker["face"]), sticker["row"], sticker["col"]
        assert sticker["colour"] == told["facelets"][sticker["face"]][sticker["row"]][sticker["col"]]
        assert (sticker["xy"] is None) == (sticker["visible"] == 0)
        outline, _ = camera.project(centres[at] + square @ frames[at][:2])
        if sticker["visible"] > 0:
            assert facing(outline)
            assert sticker["thin_px"] >= 0
        elif camera.inside(outline).all():
            assert not facing(outline)
    quad = np.array(told["top_quad"], dtype=np.float32)
    for sticker in told["stickers"]:
        if sticker["face"] == "U" and sticker["xy"] is not None:
            assert cv2.pointPolygonTest(quad, sticker["xy"], True) > -1.5


def test_the_camera_fields_tell_the_whole_pose() -> None:
    """From the file alone, cv2.projectPoints finds the stickers again."""
    shot = next(s for s in map(shot_of, SHOTS) if s.cube is not None and not s.cube.twist.degrees)
    told = truth.truth_of(replace(shot, mirrored=False), (0,), all_seen)
    camera = told["camera"]
    f, w, h = camera["focal_px"], told["width"], told["height"]
    matrix = np.array([[f, 0, w / 2], [0, f, h / 2], [0, 0, 1]])
    turn, _ = cv2.Rodrigues(np.array(camera["cube_to_camera"]))
    assert shot.cube is not None
    centres, _ = sticker_frames(shot.cube.body, shot.cube.twist)
    for sticker in told["stickers"]:
        if sticker["xy"] is not None:
            at = centres[state.FACES.index(sticker["face"]), sticker["row"], sticker["col"]]
            shift = np.array(camera["cube_centre_mm"])
            xy, _ = cv2.projectPoints(at[None], turn, shift, matrix, np.array([camera["k1"], 0, 0, 0]))
            assert np.allclose(xy.ravel(), sticker["xy"], atol=0.1)


def test_a_mirrored_picture_mirrors_places_and_nothing_else() -> None:
    shot = shot_of(3)
    plain = truth.truth_of(replace(shot, mirrored=False), (3,), all_seen)
    turned = truth.truth_of(replace(shot, mirrored=True), (3,), all_seen)
    assert turned["facelets"] == plain["facelets"] and turned["last_layer"] == plain["last_layer"]
    for a, b in zip(plain["stickers"], turned["stickers"], strict=True):
        if a["xy"] is not None:
            assert np.isclose(a["xy"][0] + b["xy"][0], plain["width"]) and a["xy"][1] == b["xy"][1]


def test_negatives_are_what_they_say() -> None:
    kinds = set()
    for seed in range(7):
        shot = shot_of(seed, 1.0)
        kinds.add(shot.negative)
        if shot.negative in ("no_cube", "grids_only"):
            assert shot.cube is None and not shot.others
        if shot.negative == "not_last_layer":
            assert shot.cube is not None and shot.layer is None
            whole = state.is_last_layer(shot.cube.facelets)
            assert whole == (shot.negative_detail == "edge_split")
    assert kinds <= set(NEGATIVES) and len(kinds) > 1


@given(seeds, st.sampled_from(SIZES))
@settings(max_examples=40, deadline=None)
def test_cubes_not_at_their_last_layer_are_not_and_proofs_of_it_are_proofs(seed: int, size: int) -> None:
    """What is called evident from the top layer must hold of no last layer at all."""
    rng = np.random.default_rng(seed)
    seen = rng.random((6, size, size)) < 0.7
    assert not state.is_last_layer(state.one_slot_out(rng, size))
    assert not state.evident_from_top(state.layer_facelets(state.random_layer(rng, size)), seen)
    if size > 3:
        split = state.edge_split(rng, size)
        assert state.is_last_layer(split) and state.evident_from_top(split, np.ones_like(seen))
        with pytest.raises(ValueError, match="edge"):
            state.layer_from_facelets(split)
        with pytest.raises(LastlookError):
            LastLayer.from_facelets(split)
    scrambled = state.random_scramble(rng, size)
    counts = np.bincount(scrambled.ravel(), minlength=6)
    assert (counts == size * size).all()


def test_shades_kept_apart_never_come_by_default() -> None:
    rng = np.random.default_rng(0)
    drawn = {shades.draw_shade(rng, "default").name for _ in range(300)}
    held = {s.name for s in shades.SHADES if s.held_out}
    assert held == {"pastel2", "home_made", "black_for_white", "two_oranges"}
    assert drawn == {s.name for s in shades.SHADES} - held


@pytest.mark.parametrize("kelvin", [2700, 3200, 4000, 5000, 6500, 7500])
def test_lamps_have_the_colour_of_black_bodies(kelvin: int) -> None:
    """Source: Planck's law summed with the CIE 1931 observer by colour-science."""
    colour = pytest.importorskip("colour")
    body = colour.sd_blackbody(kelvin, colour.SpectralShape(380, 780, 5))
    xy = colour.XYZ_to_xy(colour.sd_to_XYZ(body, method="Integration"))
    assert np.allclose(light.planck_xy(kelvin), xy, atol=0.002)


def test_linear_light_and_bytes_are_those_of_srgb() -> None:
    """Source: colour-science's sRGB transfer functions (IEC 61966-2-1)."""
    colour = pytest.importorskip("colour")
    values = np.linspace(0, 1, 33)
    assert np.allclose(shades.srgb_to_linear(values), colour.models.eotf_sRGB(values), atol=1e-4)
    assert np.allclose(shades.linear_to_srgb(values), colour.models.eotf_inverse_sRGB(values), atol=1e-4)


def volume_and_edges(m: mesh.Mesh) -> tuple[float, dict[tuple[int, int], int]]:
    a, b, c = (m.points[m.triangles[:, k]] for k in range(3))
    edges: dict[tuple[int, int], int] = {}
    for t in m.triangles.tolist():
        for i in range(3):
            key = (min(t[i], t[i - 1]), max(t[i], t[i - 1]))
            edges[key] = edges.get(key, 0) + 1
    return float((a * np.cross(b, c)).sum() / 6), edges


def test_a_ball_of_flesh_is_a_closed_ball() -> None:
    """Source: a sphere's volume, and Euler's formula V - E + F = 2 for a closed surface without holes."""
    bone = hand_mesh.Bone(np.zeros(3), np.array([1e-6, 0, 0]), 20.0, 20.0)
    ball = hand_mesh.body_mesh([bone], 2.0, 2.0)
    volume, edges = volume_and_edges(ball)
    assert set(edges.values()) == {2}
    assert len(ball.points) - len(edges) + len(ball.triangles) == 2
    assert volume == pytest.approx(4 / 3 * np.pi * 20**3, rel=0.02)
    outward = ball.points / np.linalg.norm(ball.points, axis=1, keepdims=True)
    assert ((ball.normals * outward).sum(axis=1) > 0.95).all()


def test_a_sticker_has_no_hole() -> None:
    """Seen from above, the triangles of a plate cover its outline once (source: the shoelace formula)."""
    outline = mesh.rounded_square(12.0, 2.0)
    part = mesh.plate(outline, 0.4, 0.3)
    a, b, c = (part.points[part.triangles[:, k], :2] for k in range(3))
    x, y = outline.T
    whole = 0.5 * float(np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1)))
    covered = 0.5 * ((b - a)[:, 0] * (c - a)[:, 1] - (b - a)[:, 1] * (c - a)[:, 0])
    assert (covered > -1e-9).all()
    assert covered.sum() == pytest.approx(whole, rel=1e-9)


@pytest.mark.parametrize("stickered", [True, False])
@pytest.mark.parametrize("size", SIZES)
def test_a_cube_stays_within_its_size_and_faces_outward(size: int, stickered: bool) -> None:
    body = CubeBody(
        size, stickered, 60.0, 0.4, 1.0, "black", (0.02, 0.02, 0.02), np.full((6, 3), 0.5), wear=0.3
    )
    for part in cube_mesh(body, state.solved_facelets(size), shades.SCHEME, Twist()):
        assert np.abs(part.points).max() <= 30 + body.sticker_height_mm + 1e-6
        assert part.triangles.max() < len(part.points)
        a, b, c = (part.points[part.triangles[:, k]] for k in range(3))
        flat = np.cross(b - a, c - a)
        size_of = np.linalg.norm(flat, axis=1)
        sound = size_of > 1e-6
        along = (flat * part.normals[part.triangles[:, 0]]).sum(axis=1)[sound] / size_of[sound]
        assert (along > -1e-6).mean() > 0.999


@given(seeds, st.sampled_from(motion.SEQUENCES), st.sampled_from(SIZES))
@settings(max_examples=25, deadline=None)
def test_a_sequence_done_starts_at_a_last_layer_and_ends_with_one_colour(
    seed: int, text: str, size: int
) -> None:
    rng = np.random.default_rng(seed)
    rest = state.random_layer(rng, size)
    oriented = replace(rest, twist=(0, 0, 0, 0), flip=tuple(0 for _ in rest.flip))
    last = state.layer_facelets(oriented)
    show = motion.perform(rng, size, last, motion.parsed(text))
    assert state.is_last_layer(show.states[0])
    assert len(set(show.states[0][0].ravel().tolist())) > 1
    assert np.array_equal(show.states[-1], last)
    assert clips.layer_of(show).is_legal()
    times = [t for m in show.moves for t in (m.start_s, m.end_s)]
    assert times == sorted(times)
    assert show.at(show.first_turn_s - 1e-3)[3] == 0
    assert show.at(show.first_turn_s + 1e-2)[3] != 0
    before = show.at(show.solved_s - 1e-3)
    assert before[3] != 0
    after, twist, _, moved = show.at(show.solved_s + 1e-6)
    assert moved == 0 and not twist.degrees and len(set(after[0].ravel().tolist())) == 1


@given(st.sampled_from("URFDLB"), st.sampled_from(SIZES))
@settings(max_examples=30, deadline=None)
def test_a_layer_turned_all_the_way_lies_where_the_next_state_says(face: str, size: int) -> None:
    """Stickers carried by a quarter turn come to rest on the places to which the turn takes their values."""
    body = CubeBody(size, True, 60.0, 0.4, 1.0, "black", (0.02, 0.02, 0.02), np.full((6, 3), 0.5))
    moved, _ = sticker_frames(body, motion.layer_twist(size, face, 90.0))
    still, _ = sticker_frames(body, Twist())
    names = np.arange(6 * size * size).reshape(6, size, size)
    after = state.turned(names, face, (1, 1), 1).ravel()
    assert np.allclose(still.reshape(-1, 3), moved.reshape(-1, 3)[after], atol=1e-9)


@pytest.mark.parametrize("blur", ["none", "focus", "motion"])
def test_the_camera_does_not_move_what_it_sees(blur: str) -> None:
    rng = np.random.default_rng(4)
    linear = np.full((120, 160, 3), 0.05, dtype=np.float32)
    linear[56:65, 76:85] = 0.9
    pipeline = camera_model.draw_pipeline(rng, np.ones(3), height=480, dim=False, blur=blur)
    picture = camera_model.photograph(linear, pipeline, 1).astype(float).sum(axis=2)
    picture = np.maximum(picture - np.median(picture) - 0.3 * np.ptp(picture), 0)
    y, x = np.mgrid[0:120, 0:160]
    assert abs((picture * x).sum() / picture.sum() - 80) < 0.6
    assert abs((picture * y).sum() / picture.sum() - 60) < 0.6


def test_the_same_seed_gives_the_same_scene() -> None:
    a, b = (draw_shot((7, 0, 1), Wish(width=320, height=240)) for _ in range(2))
    first, second = (truth.truth_of(s, (7, 0, 1), all_seen) for s in (a, b))
    assert json.dumps(first) == json.dumps(second)
    assert all(
        np.array_equal(p.mesh.points, q.mesh.points)
        for p, q in zip(a.stage.items, b.stage.items, strict=True)
    )


def test_what_is_rendered_already_is_not_asked_for_again(tmp_path: Path) -> None:
    arguments = render.parser().parse_args(["--count", "3", "--out", str(tmp_path)])
    assert [job.index for job in render.jobs_of(arguments)] == [0, 1, 2]
    (tmp_path / "n00001.json").write_text("{}")
    assert [job.index for job in render.jobs_of(arguments)] == [0, 2]


@pytest.mark.slow
@pytest.mark.skipif(
    importlib.util.find_spec("mitsuba") is None, reason="needs Mitsuba 3: pip install 'lastlook[studio]'"
)
def test_a_rendered_picture_shows_the_colours_that_its_truth_names(tmp_path: Path) -> None:
    command = ["--count", "1", "--seed", "5", "--start", "2", "--negatives", "0", "--mirrored", "0"]
    status = render.main([*command, "--size", "64x48", "--spp", "4", "--out", str(tmp_path)])
    assert status == 0
    (told_file,) = tmp_path.glob("p*.json")
    told = json.loads(told_file.read_text())
    picture = cv2.imread(str(told_file.with_suffix(".jpg")))
    assert picture is not None and picture.shape == (48, 64, 3)
    assert picture.std() > 5
    assert told["albedo_check"]["bad"] == []


CLIPS = Path(__file__).parent / "data"


def projected(frame: dict, told: dict, points: np.ndarray) -> np.ndarray:
    """Pixels of points of the cube's frame, by cv2.projectPoints from what the truth says of the camera."""
    camera = told["camera"]
    matrix = np.array(
        [[camera["focal_px"], 0, told["width"] / 2], [0, camera["focal_px"], told["height"] / 2], [0, 0, 1]]
    )
    turn, _ = cv2.Rodrigues(np.array(frame["cube_to_camera"]))
    bend = np.array([camera["k1"], 0.0, 0.0, 0.0])
    xy, _ = cv2.projectPoints(points, turn, np.array(frame["cube_centre_mm"]), matrix, bend)
    return xy.reshape(-1, 2)


@pytest.mark.parametrize("name", ["clip_tilting", "clip_turning"])
def test_a_kept_clip_and_its_truth_belong_together(name: str) -> None:
    told = json.loads((CLIPS / f"{name}.json").read_text())
    pictures = sorted((CLIPS / name).glob("f*.jpg"))
    assert len(pictures) == len(told["frames"]) == told["frame_count"]
    first = cv2.imread(str(pictures[0]))
    assert first is not None and first.shape == (told["height"], told["width"], 3)
    half = told["side_length_mm"] / 2
    corners = np.array([[-half, half, half], [half, half, half], [half, -half, half], [-half, -half, half]])
    for i, frame in enumerate(told["frames"]):
        assert frame["frame"] == i and np.isclose(frame["time_s"], i / told["fps"], atol=1e-4)
        if told["misturn"]["axis"] is None:
            assert np.allclose(projected(frame, told, corners), frame["top_quad"], atol=0.6)
        shown = {s[0] for s in frame["stickers"] if s[3] > 0} - {"U"}
        if frame.get("turning") is None:
            assert shown <= set(frame["side_faces_visible"])


def test_the_kept_sequence_does_what_its_truth_says() -> None:
    """The project's engine, from the first frame's layer through the turns, meets every frame's facelets."""
    told = json.loads((CLIPS / "clip_turning.json").read_text())
    layer = told["last_layer"]
    start = state.Layer(
        told["n"],
        tuple(layer["corner_perm"]),
        tuple(layer["corner_orient"]),
        tuple(layer["edge_perm"] or ()),
        tuple(layer["edge_flip"] or ()),
    )
    home = as_model(start).facelets()
    turns = told["sequence"].split()
    names = [told["scheme"][f] for f in state.FACES]
    for frame in told["frames"]:
        way = moves_permutation(" ".join(turns[: frame["turns_complete"]]), told["n"])
        now = home.reshape(-1)[way].reshape(home.shape)
        assert frame["facelets"] == {
            f: [[names[v] for v in row] for row in rows.tolist()]
            for f, rows in zip(state.FACES, now, strict=True)
        }
        one = len(set(now[0].ravel().tolist())) == 1
        assert frame["top_one_colour"] == (one and frame["turning"] is None)
    moving = [f["frame"] for f in told["frames"] if f["turning"] is not None]
    assert moving[0] == told["first_turn_frame"]
    assert told["top_one_colour_frame"] / told["fps"] >= told["solved_s"]
    assert (told["top_one_colour_frame"] - 1) / told["fps"] < told["solved_s"]
    assert all(f["top_one_colour"] for f in told["frames"][told["top_one_colour_frame"] :])
    assert not told["frames"][told["top_one_colour_frame"] - 1]["top_one_colour"]
