"""The bulk picture maker: its truth must be what its pictures show.

Outside truths: pinhole geometry, group laws, IEC 61966-2-1.
"""

from __future__ import annotations

import shutil
import sys
from argparse import Namespace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parent / "studio"))

import bulk_camera
import bulk_cube
import bulk_scene
from bulk_view import Views

W, H = 320, 180


@pytest.fixture(scope="module")
def tracer(tmp_path_factory: pytest.TempPathFactory) -> Any:
    if shutil.which("g++") is None:
        pytest.skip("needs g++ to build the tracer")
    return bulk_scene.load_library("cpu", tmp_path_factory.mktemp("bulk"))


@pytest.fixture(scope="module")
def traced(tracer: Any) -> tuple[bulk_scene.Scenes, dict[str, np.ndarray]]:
    scenes = bulk_scene.sample_scenes(14, 5, W, H)
    return scenes, bulk_scene.render(scenes, W, H, 0, tracer)


def plain_centre(face: int, row: int, col: int, n: int) -> np.ndarray:
    """Centre of a facelet, cube edge 1, from the printed net (x R, y U, z F)."""
    a, b = (col + 0.5) / n - 0.5, (row + 0.5) / n - 0.5
    return np.array(
        [[a, 0.5, b], [0.5, -b, -a], [a, -b, 0.5], [a, -0.5, -b], [-0.5, -b, a], [-a, -b, -0.5]][face]
    )


def test_same_seed_same_scenes() -> None:
    a, b = bulk_scene.sample_scenes(3, 9, W, H), bulk_scene.sample_scenes(3, 9, W, H)
    assert (
        np.array_equal(a.prims, b.prims) and np.array_equal(a.cubes, b.cubes) and np.array_equal(a.cam, b.cam)
    )


def test_pose_is_a_rotation_in_front_of_the_camera(traced: tuple) -> None:
    for t in traced[0].truth:
        for c in [t, *t["others"]] if t["has_cube"] else t["others"]:
            assert np.allclose(c["rotation"] @ c["rotation"].T, np.eye(3), atol=1e-6)
            assert np.linalg.det(c["rotation"]) == pytest.approx(1, abs=1e-6)
            assert c["translation"][2] > 1


def test_stickers_lie_where_pinhole_geometry_puts_them(traced: tuple) -> None:
    """Straight cubes: sticker centres by the tracer against plain projection of the net by the pose."""
    checked = 0
    for t in traced[0].truth:
        if t["has_cube"] and np.abs(t["misturn_deg"]).max() == 0:
            n = t["n"]
            for f, r, c in zip(*np.nonzero(t["seen"] > 0.9), strict=True):
                want = bulk_scene.project(t, plain_centre(f, r, c, n)[None])[0]
                ends = bulk_scene.project(t, bulk_scene.CORNERS)
                size = np.ptp(ends, axis=0).max()
                assert np.hypot(*(want - t["sticker_xy"][f, r, c])) < 0.012 * size  # half a gap
                checked += 1
    assert checked > 100


def test_pixels_show_the_sticker_the_truth_names(traced: tuple) -> None:
    """Where a sticker is at least 5 pixels thin and free, the pixel at its centre must carry its number."""
    scenes, out = traced
    good = total = 0
    for i, t in enumerate(scenes.truth):
        if not t["has_cube"]:
            assert not (out["sticker"][i] > 0).any()
            continue
        for f, r, c in zip(*np.nonzero(t["seen"] > 0.95), strict=True):
            number = 1 + f * 25 + r * 5 + c
            ys, xs = np.nonzero(out["sticker_clear"][i] == number)
            x, y = t["sticker_xy"][f, r, c]
            if len(ys) and min(np.ptp(ys), np.ptp(xs)) >= 5 and 1 < x < W - 1 and 1 < y < H - 1:
                total += 1
                good += out["sticker"][i, int(y), int(x)] == number
    assert total > 60 and good >= 0.99 * total


def test_shares_agree_with_pixel_counts(traced: tuple) -> None:
    """Share by 16 rays against share of pixels, over faces with many pixels, wholly inside the frame."""
    scenes, out = traced
    for i, t in enumerate(scenes.truth):
        clear = out["sticker_clear"][i]
        if not t["has_cube"] or not t["in_frame"]:
            continue
        for f in range(6):
            mask = (clear > 25 * f) & (clear <= 25 * f + 25)
            if mask.sum() > 400:
                share = (out["sticker"][i] == clear)[mask].mean()
                assert abs(share - t["seen"][f].mean()) < 0.15


@pytest.mark.parametrize("n", [2, 3, 4, 5])
def test_last_layers_hold_every_piece_once(n: int) -> None:
    """Each corner of the last layer appears exactly once; twists add up to a multiple of 3."""
    rng = np.random.default_rng(n)
    m = n - 1
    for _ in range(30):
        f = bulk_cube.last_layer_facelets(rng, n)
        assert (np.bincount(f.ravel(), minlength=6) == n * n).all()
        corners = [
            (f[0, m, m], f[1, 0, 0], f[2, 0, m]),
            (f[0, m, 0], f[2, 0, 0], f[4, 0, m]),
            (f[0, 0, 0], f[4, 0, 0], f[5, 0, m]),
            (f[0, 0, m], f[5, 0, 0], f[1, 0, m]),
        ]
        assert {frozenset(map(int, c)) for c in corners} == {
            frozenset(s) for s in ((0, 1, 2), (0, 2, 4), (0, 4, 5), (0, 1, 5))
        }
        assert sum([tuple(map(int, c)).index(0) for c in corners]) % 3 == 0
        assert (f[1:, 1:, :] == np.arange(1, 6)[:, None, None]).all()  # the lower rows stay solved


def test_grey_card_stays_grey_without_errors() -> None:
    """A neutral flat field through a camera without errors is neutral."""
    p = bulk_camera.sample_camera(np.random.default_rng(0), 1, 64)
    p = {k: np.zeros_like(v) for k, v in p.items()} | {
        "wb": np.ones((1, 3), np.float32),
        "target": np.full(1, 0.18, np.float32),
        "full_well": np.full(1, 1e9, np.float32),
        "saturation": np.ones(1, np.float32),
        "shoulder": np.full(1, 0.97, np.float32),
    }
    out = bulk_camera.photograph(np.full((1, 64, 64, 3), 3.0, np.float32), p)
    assert np.ptp(out) <= 1
    assert abs(int(out[0, 0, 0, 0]) - 118) <= 1  # linear 0.18 is sRGB 118 (IEC 61966-2-1)


@pytest.mark.slow
def test_a_clip_shows_what_its_truth_says_at_every_moment(tracer: Any) -> None:
    """Pinhole geometry while the cube sways; a layer on its way is alone; colours are only moved about."""
    import bulk_clips
    from shades import shade_named

    wanted = Namespace(width=W, height=H, motion="turning")
    body = bulk_clips.draw_body(np.random.default_rng(3), shade_named("standard"), 3)
    first, sway, show, scheme = bulk_clips.draw_clip(body, [3, 1], wanted, tracer)
    assert show is not None
    move = show.moves[1]
    times_s = (0.0, show.first_turn_s / 2, (move.start_s + move.end_s) / 2, show.moves[-1].end_s + 0.5)
    settings = [bulk_clips.frame_setting(first, sway, show, time_s, scheme) for time_s in times_s]
    scenes = bulk_scene.pack(settings, W, H)
    bulk_scene.render(scenes, W, H, 0, tracer)
    assert np.allclose(scenes.truth[0]["rotation"], first.truth["rotation"])
    assert not np.allclose(scenes.truth[1]["rotation"], first.truth["rotation"])
    for truth, time_s in zip(scenes.truth, times_s, strict=True):
        assert np.allclose(truth["rotation"] @ truth["rotation"].T, np.eye(3), atol=1e-6)
        assert (np.bincount(truth["facelets"].ravel(), minlength=6) == 9).all()
        off = truth["misturn_deg"][np.abs(truth["misturn_deg"]) > 0]
        turned_deg = show.at(time_s)[3]
        assert list(np.abs(off)) == ([abs(turned_deg)] if turned_deg else [])
        if len(off):
            continue
        size_px = np.ptp(bulk_scene.project(truth, bulk_scene.CORNERS), axis=0).max()
        for f, r, c in zip(*np.nonzero(truth["seen"] > 0.9), strict=True):
            want = bulk_scene.project(truth, plain_centre(f, r, c, 3)[None])[0]
            assert np.hypot(*(want - truth["sticker_xy"][f, r, c])) < 0.012 * size_px  # half a gap
    assert len(set(scenes.truth[-1]["facelets"][0].ravel().tolist())) == 1, "the sequence orients the top"


def test_of_a_side_out_of_view_only_what_stands_out_is_seen(tracer: Any) -> None:
    """Plane geometry: from behind a plane nothing painted on it is seen; what stands before it may be."""
    counts = []
    for thickness in (0.0, 0.05):
        scenes = bulk_scene.sample_scenes(8, 3, W, H, 0, False, Views(steep=1.0, sizes=(3, 4)))
        for cubes in scenes.cubes:
            n, half_edge = cubes[0, 0], cubes[0, 1]
            cubes[0, 4], cubes[0, 3] = 0, 0.01 * half_edge  # with stickers, hardly any bevel
            cubes[0, 5], cubes[0, 28:34] = 0.85, (1, 1, 0, n, 1, 0)  # no layer turned
            cubes[0, 87] = thickness * 2 * half_edge / max(n, 1)
        out = bulk_scene.render(scenes, W, H, 0, tracer)
        behind = 0
        for truth, sticker in zip(scenes.truth, out["sticker"], strict=True):
            if truth["has_cube"]:
                eye = -truth["rotation"].T @ truth["translation"]
                ahead = np.array([eye[1], eye[0], eye[2], -eye[1], -eye[0], -eye[2]]) - 0.5
                face = np.where(sticker > 0, (sticker.astype(int) - 1) // 25, -1)
                behind += int(np.isin(face, np.flatnonzero(ahead < -0.05)).sum())
        counts.append(behind)
    assert counts[0] == 0 and counts[1] > 30
