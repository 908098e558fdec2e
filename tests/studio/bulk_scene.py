"""Bulk pictures of cubes with truth, for training a learned finder.

    import bulk_scene, bulk_camera                      # this folder on sys.path
    lib = bulk_scene.load_library("cuda", build_dir)    # or "cpu"; compiles once into build_dir
    scenes = bulk_scene.sample_scenes(64, seed=1, width=640, height=360)  # numpy only, picklable
    out = bulk_scene.render(scenes, 640, 360, spp=32, lib=lib, seed=1, rgb=None, device=0)
    cam = bulk_camera.sample_camera(rng, 64, 360)
    bgr_uint8 = bulk_camera.photograph_torch(out["rgb"], cam, seed=1)

render -> dict of numpy arrays (B pictures, H x W pixels):
    rgb (B,H,W,3) float32 linear, scene units. May be given (rgb=...): a C-contiguous float32 numpy array or
        torch tensor of that shape, also on the GPU; it is then written in place and returned.
    ids (B,H,W) uint8: 0 background, 1 main cube, 2 other cubes, 3 hands and covers. May be given likewise.
    sticker (B,H,W) uint16: 0 none, else 1 + face*25 + row*5 + col of the main cube's sticker at the pixel's
        centre.
    sticker_clear: the same with everything but the main cube taken away.
    seen (B,4,6,5,5) float32: share 0..1 of each sticker that is seen (16 rays; cubes, hands, clutter and
        the picture's edge hide). Slot 0 of the 4 is the main cube. Faces URFDLB, rows as printed on paper;
        0 past n.
    sticker_xy (B,4,6,5,5,2): pixel of each sticker's centre, misturn and distortion included (-1e4 behind
        the camera).
scenes.truth[i] (dict): has_cube, n, rotation (3,3) cube axes (x R, y U, z F) -> camera (x right, y down, z
    forward), translation (3,) the cube's centre in the camera frame in cube edges, focal_px, centre_xy, k1,
    elevation_deg, azimuth_deg, misturn_axis (0 x, 1 y, 2 z), misturn_deg (n,) right-handed about +axis,
    layers from the negative end, facelets (6,n,n) colour index, palette_linear (6,3), state, stickerless,
    family, kind, surface, tags, grip, covered, others (list of the same for the other cubes). render() adds
    seen (6,n,n), sticker_xy (6,n,n,2), top_visible, visible (0..1), in_frame. focal_px and centre_xy belong
    to the size given to sample_scenes, after render() to the size rendered (keep the shape).
truth_arrays(scenes) -> dict of stacked arrays: has_cube (B,), n (B,), rotation (B,3,3), translation (B,3),
    focal_px (B,), centre_xy (B,2), k1 (B,), top_visible (B,), visible (B,), misturn_axis (B,), misturn_deg
    (B,5), facelets (B,6,5,5), -1 past n.
project(truth, xyz) -> pixels: X = rotation @ xyz + translation; x, y = X[:2] / X[2]; r2 = x*x + y*y; pixel
    = centre_xy + focal_px * (1 + k1 * r2) * (x, y). (0,0) is the upper left corner of the upper left pixel.
Main cube: the nearest whole one. F is the side face most turned to the camera; U may stand sideways to
    gravity.
A cube that a cover hides wholly still has has_cube True, with visible near 0: leave such pictures out or
    call them empty.
sample_scenes(..., workers=k) samples in k processes.
"""

from __future__ import annotations

import ctypes
import hashlib
import subprocess
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from bulk_cube import CUBE_FLOATS
from bulk_prims import MAX_PRIMS, PRIM_FLOATS
from bulk_setting import sample_setting
from bulk_view import PLAIN, Setting, Views

HERE = Path(__file__).resolve().parent
CAM_FLOATS, LIGHT_FLOATS, MAX_CUBES, MAX_LIGHTS = 64, 16, 4, 4


@dataclass
class Scenes:
    """B scenes as flat arrays, and their truth."""

    width: int
    height: int
    cam: np.ndarray
    prims: np.ndarray
    boxes: np.ndarray
    cubes: np.ndarray
    lights: np.ndarray
    counts: np.ndarray
    truth: list[dict[str, Any]] = field(default_factory=list)

    def __len__(self) -> int:
        return len(self.cam)


def pack(settings: list[Setting], width: int, height: int) -> Scenes:
    b = len(settings)
    p = max([1] + [len(s.builder.prims) for s in settings])
    out = Scenes(
        width,
        height,
        np.zeros((b, CAM_FLOATS), np.float32),
        np.zeros((b, p, PRIM_FLOATS), np.float32),
        np.zeros((b, p, 6), np.float32),
        np.zeros((b, MAX_CUBES, CUBE_FLOATS), np.float32),
        np.zeros((b, MAX_LIGHTS, LIGHT_FLOATS), np.float32),
        np.zeros((b, 3), np.int32),
        [s.truth for s in settings],
    )
    for i, s in enumerate(settings):
        out.cam[i] = s.cam
        n = len(s.builder.prims)
        if n:
            out.prims[i, :n], out.boxes[i, :n] = np.stack(s.builder.prims), np.stack(s.builder.boxes)
        if s.cubes:
            out.cubes[i, : len(s.cubes)] = np.stack(s.cubes)
        if s.lights:
            out.lights[i, : len(s.lights)] = np.stack(s.lights)
        out.counts[i] = n, len(s.cubes), len(s.lights)
    assert p <= MAX_PRIMS
    return out


def _some(args: tuple[int, int, int, int, int, bool, Views]) -> list[Setting]:
    first, count, seed, width, height, loose, views = args
    return [
        sample_setting(np.random.default_rng([seed, first + i]), width, height, loose, views)
        for i in range(count)
    ]


def sample_scenes(
    count: int,
    seed: int,
    width: int = 640,
    height: int = 360,
    workers: int = 0,
    loose: bool = False,
    views: Views = PLAIN,
) -> Scenes:
    """Draw `count` scenes for pictures of width x height; the same seed gives the same scenes."""
    if workers < 2:
        return pack(_some((0, count, seed, width, height, loose, views)), width, height)
    step = -(-count // workers)
    jobs = [(k, min(step, count - k), seed, width, height, loose, views) for k in range(0, count, step)]
    with ProcessPoolExecutor(workers) as pool:
        return pack([s for part in pool.map(_some, jobs) for s in part], width, height)


def load_library(kind: str, build_dir: str | Path) -> ctypes.CDLL:
    """Compile (if the sources changed) and load the tracer: kind 'cpu' or 'cuda'."""
    src = HERE / ("bulk_tracer.cu" if kind == "cuda" else "bulk_tracer.cpp")
    digest = hashlib.sha256(
        b"".join(p.read_bytes() for p in [src, *sorted(HERE.glob("bulk_*.h"))])
    ).hexdigest()[:12]
    so = Path(build_dir) / f"bulk_{kind}_{digest}.so"
    if not so.exists():
        so.parent.mkdir(parents=True, exist_ok=True)
        if kind == "cuda":
            cmd = [
                "nvcc",
                "-O3",
                "-std=c++17",
                "-arch=sm_90",
                "-shared",
                "-Xcompiler",
                "-fPIC",
                "--use_fast_math",
            ]
        else:
            cmd = [
                "g++",
                "-O3",
                "-std=c++17",
                "-march=native",
                "-fno-math-errno",
                "-fno-trapping-math",
                "-fopenmp",
                "-shared",
                "-fPIC",
            ]
        tmp = so.with_suffix(".tmp")
        subprocess.run([*cmd, str(src), "-o", str(tmp)], check=True)
        tmp.replace(so)
    lib = ctypes.CDLL(str(so))
    lib.bt_render.restype = ctypes.c_int
    return lib


def _address(a: Any, dtype: str) -> ctypes.c_void_p:
    if hasattr(a, "data_ptr"):
        assert a.is_contiguous() and str(a.dtype) == f"torch.{dtype}"
        return ctypes.c_void_p(int(a.data_ptr()))
    assert a.flags.c_contiguous and a.dtype == np.dtype(dtype)
    return ctypes.c_void_p(int(a.ctypes.data))


def render(
    scenes: Scenes,
    width: int,
    height: int,
    spp: int = 32,
    lib: ctypes.CDLL | None = None,
    *,
    seed: int = 0,
    bounces: int = 4,
    rgb: Any = None,
    ids: Any = None,
    device: int = 0,
) -> dict[str, Any]:
    """Trace all scenes; see the module's docstring. spp=0: id pictures and shares alone (rgb untouched)."""
    assert lib is not None, "pass lib=load_library(...)"
    b = len(scenes)
    kinds = {
        "rgb": ((b, height, width, 3), "float32"),
        "ids": ((b, height, width), "uint8"),
        "sticker": ((b, height, width), "uint16"),
        "sticker_clear": ((b, height, width), "uint16"),
        "seen": ((b, MAX_CUBES, 6, 5, 5), "float32"),
        "sticker_xy": ((b, MAX_CUBES, 6, 5, 5, 2), "float32"),
    }
    given = {"rgb": rgb, "ids": ids}
    out: dict[str, Any] = {
        k: np.zeros(shape, dtype) if given.get(k) is None else given[k] for k, (shape, dtype) in kinds.items()
    }
    for k, (shape, _) in kinds.items():
        assert tuple(out[k].shape) == shape, k
    arrays = [
        np.ascontiguousarray(a)
        for a in (scenes.cam, scenes.prims, scenes.boxes, scenes.cubes, scenes.lights, scenes.counts)
    ]
    ptr = [ctypes.c_void_p(a.ctypes.data) for a in arrays]
    outs = [_address(out[k], dtype) for k, (_, dtype) in kinds.items()]
    rc = lib.bt_render(
        *ptr,
        b,
        arrays[1].shape[1],
        width,
        height,
        spp,
        bounces,
        ctypes.c_uint(seed & 0xFFFFFFFF),
        device,
        *outs,
    )
    if rc:
        raise RuntimeError(f"bulk tracer failed with status {rc}")
    finish_truth(scenes, out, width, height)
    return out


def finish_truth(scenes: Scenes, out: dict[str, Any], width: int, height: int) -> None:
    for i, t in enumerate(scenes.truth):
        for slot, c in enumerate([t, *t["others"]] if t["has_cube"] else t["others"]):
            c["focal_px"] = scenes.cam[i, 0] * width
            c["centre_xy"] = np.array([scenes.cam[i, 1] * width, scenes.cam[i, 2] * height])
            n = c["n"]
            c["seen"] = out["seen"][i, slot, :, :n, :n].copy()
            c["sticker_xy"] = out["sticker_xy"][i, slot, :, :n, :n].copy()
            eye = -c["rotation"].T @ c["translation"]
            dist = np.array([eye[1], eye[0], eye[2], -eye[1], -eye[0], -eye[2]]) - 0.5
            w = np.maximum(dist, 0)
            c["visible"] = float((w * c["seen"].mean((1, 2))).sum() / max(w.sum(), 1e-9))
            c["top_visible"] = float(c["seen"][0].mean()) if dist[0] > 0 else 0.0
            corners = project(c, CORNERS)
            c["in_frame"] = bool((corners > 0).all() and (corners < [width, height]).all())


CORNERS = np.array([[x, y, z] for x in (-0.5, 0.5) for y in (-0.5, 0.5) for z in (-0.5, 0.5)])


def project(truth: dict[str, Any], xyz: np.ndarray) -> np.ndarray:
    """Pixels (N, 2) of points (N, 3) in the cube's frame (edge 1, centre at the origin)."""
    p = np.asarray(xyz) @ truth["rotation"].T + truth["translation"]
    xy = p[:, :2] / p[:, 2:]
    g = 1 + truth["k1"] * (xy**2).sum(1, keepdims=True)
    return truth["centre_xy"] + truth["focal_px"] * g * xy


def truth_arrays(scenes: Scenes) -> dict[str, np.ndarray]:
    """The main cubes' truth as stacked arrays; rows without a cube are zero (rotation: identity)."""
    b = len(scenes)
    out = {
        "has_cube": np.zeros(b, bool),
        "n": np.zeros(b, np.int64),
        "rotation": np.tile(np.eye(3, dtype=np.float32), (b, 1, 1)),
        "translation": np.zeros((b, 3), np.float32),
        "focal_px": np.zeros(b, np.float32),
        "centre_xy": np.zeros((b, 2), np.float32),
        "k1": np.zeros(b, np.float32),
        "top_visible": np.zeros(b, np.float32),
        "visible": np.zeros(b, np.float32),
        "misturn_axis": np.ones(b, np.int64),
        "misturn_deg": np.zeros((b, 5), np.float32),
        "facelets": np.full((b, 6, 5, 5), -1, np.int8),
    }
    for i, t in enumerate(scenes.truth):
        out["has_cube"][i] = t["has_cube"]
        if not t["has_cube"]:
            continue
        n = t["n"]
        for k in ("n", "rotation", "translation", "focal_px", "centre_xy", "k1", "misturn_axis"):
            out[k][i] = t[k]
        for k in ("top_visible", "visible"):
            out[k][i] = t.get(k, 0)
        out["misturn_deg"][i, :n] = t["misturn_deg"]
        out["facelets"][i, :, :n, :n] = t["facelets"]
    return out
