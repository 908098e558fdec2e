"""Sticker samples of bulk pictures, for fitting the built-in profile: traced, photographed, sampled, packed.

    python tests/studio/bulk_stickers.py OUT [--seed 41] [--scenes 5760] [--width 640] [--height 360]

Needs PyTorch and a CUDA card (5,760 scenes took 85 s on one H100). Each cube is sampled as vision/sample.py
does it, in its true pose put off by a little, once where its surface is seen (row 0) and once all over
the frame (row 1). Writes OUT/stickers.npz, one row a cube:
n, truth, seen, lin, spr, cov, thin, state, family.
"""

from __future__ import annotations

import argparse
import time
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import Any

import bulk_camera
import bulk_cube
import bulk_scene
import numpy as np

POINTS, INSET, CHUNK = 6, 0.24, 96
LINEAR = bulk_cube.to_linear(np.arange(256) / 255.0).astype(np.float32)


def face_points(face: int, u: Any, w: Any) -> np.ndarray:
    """Points on a printed face, column u and row w in 0..1; cube of edge 1, x R, y U, z F."""
    a, b = u - 0.5, w - 0.5
    o = np.full_like(a, 0.5)
    return np.stack(
        [(a, o, b), (o, -b, -a), (a, -b, o), (a, -o, -b), (-o, -b, a), (-a, -b, -o)][face], axis=-1
    )


def masked_median(values: np.ndarray, keep: np.ndarray) -> np.ndarray:
    """Median over the second last axis where ``keep``."""
    ordered = np.sort(np.where(keep[..., None], values, np.inf), axis=-2)
    index = (keep.sum(-1).clip(1) - 1) // 2
    return np.take_along_axis(ordered, index[..., None, None], axis=-2)[..., 0, :]


def pixels_at(bgr: np.ndarray, xy: np.ndarray) -> np.ndarray:
    """Bilinear RGB bytes at pixel positions (N, 2)."""
    high, wide = bgr.shape[:2]
    at = np.clip(xy - 0.5, 0, [wide - 1.001, high - 1.001])
    x, y = np.floor(at).astype(int).T
    fx, fy = (at - np.floor(at)).astype(np.float32).T[..., None]
    x1, y1 = np.minimum(x + 1, wide - 1), np.minimum(y + 1, high - 1)
    upper, lower = (1 - fx) * bgr[y, x] + fx * bgr[y, x1], (1 - fx) * bgr[y1, x] + fx * bgr[y1, x1]
    return ((1 - fy) * upper + fy * lower)[:, ::-1].astype(np.uint8)


def sample_cube(args: tuple[np.ndarray, np.ndarray, dict[str, Any], int]) -> dict[str, Any]:
    """Samples of the main cube of one picture: (bgr, ids, truth, seed)."""
    bgr, ids, truth, seed = args
    rng = np.random.default_rng(seed)
    n, (high, wide) = truth["n"], ids.shape
    eye = -truth["rotation"].T @ truth["translation"]
    inner = INSET + (1 - 2 * INSET) * (np.arange(POINTS) + 0.5) / POINTS
    at = (np.arange(n)[:, None] + inner).ravel() / n
    rows, columns = np.meshgrid(at, at, indexing="ij")
    edge_px = truth["focal_px"] / np.linalg.norm(truth["translation"])
    off, scale = rng.normal(0, 0.05 * edge_px / n, 2), 1 + rng.normal(0, 0.01)
    lin, spr = np.zeros((2, 6, 5, 5, 3), np.float16), np.zeros((2, 6, 5, 5, 3), np.float16)
    cov, thin = np.zeros((2, 6, 5, 5), np.float16), np.zeros(6, np.float16)

    def by_sticker(a: np.ndarray) -> np.ndarray:
        split = a.reshape(n, POINTS, n, POINTS, *a.shape[1:])
        return np.moveaxis(split, 2, 1).reshape(n, n, POINTS**2, *a.shape[1:])

    for face in range(6):
        centre = face_points(face, np.array(0.5), np.array(0.5))
        ray = eye - centre
        cosine = float(ray @ (2 * centre) / np.linalg.norm(ray))
        if cosine < 0.08:
            continue
        thin[face] = edge_px / n * cosine
        xy = bulk_scene.project(truth, face_points(face, columns, rows).reshape(-1, 3))
        xy = (xy - truth["centre_xy"]) * scale + truth["centre_xy"] + off
        inside = ((xy >= 0) & (xy < [wide, high])).all(1)
        x, y = np.clip(np.floor(xy).astype(int), 0, [wide - 1, high - 1]).T
        light = LINEAR[by_sticker(pixels_at(bgr, xy))]
        for row, seen in enumerate((by_sticker(inside & (ids[y, x] == 1)), by_sticker(inside))):
            keep = np.where(seen.any(-1, keepdims=True), seen, True)
            gap = np.abs(light - masked_median(light, keep)[..., None, :]).sum(-1)
            near = keep & (gap <= np.maximum(2.5 * masked_median(gap[..., None], keep), 0.02))
            weight = near.astype(np.float32)[..., None]
            total = np.maximum(weight.sum(-2), 1)
            mean = (light * weight).sum(-2) / total
            share = seen.mean(-1) * np.clip((float(thin[face]) - 1.2) / 2.5, 0, 1)
            some = (share > 0)[..., None]
            lin[row, face, :n, :n] = mean * some
            variance = ((light - mean[..., None, :]) ** 2 * weight).sum(-2) / total
            spr[row, face, :n, :n] = np.sqrt(variance) * some
            cov[row, face, :n, :n] = share
    labels, seen_share = np.zeros((6, 5, 5), np.int8), np.zeros((6, 5, 5), np.float16)
    labels[:, :n, :n], seen_share[:, :n, :n] = truth["facelets"], truth["seen"]
    return {
        "n": n, "truth": labels, "seen": seen_share, "lin": lin, "spr": spr, "cov": cov, "thin": thin,
        "state": truth["state"], "family": truth["family"],
    }  # fmt: skip


def main() -> None:
    """See the module's docstring."""
    import torch

    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("out", type=Path)
    for name, value in (("seed", 41), ("scenes", 5760), ("width", 640), ("height", 360), ("spp", 40)):
        parser.add_argument(f"--{name}", type=int, default=value)
    o = parser.parse_args()
    o.out.mkdir(parents=True, exist_ok=True)
    library, began, device = (
        bulk_scene.load_library("cuda", o.out / "build"),
        time.time(),
        torch.device("cuda"),
    )
    with ProcessPoolExecutor() as pool:
        chunks = -(-o.scenes // CHUNK)
        waiting = [
            pool.submit(bulk_scene.sample_scenes, CHUNK, o.seed * 100_000 + i, o.width, o.height)
            for i in range(chunks)
        ]
        jobs = []
        for k, job in enumerate(waiting):
            scenes = job.result()
            rgb = torch.zeros(len(scenes), o.height, o.width, 3, device=device)
            traced = bulk_scene.render(scenes, o.width, o.height, o.spp, library, seed=k + o.seed, rgb=rgb)
            camera = bulk_camera.sample_camera(
                np.random.default_rng(o.seed * 7777 + k), len(scenes), o.height
            )
            main_cube = torch.from_numpy(traced["ids"] == 1).to(device)
            bgr = bulk_camera.photograph_torch(rgb, camera, k, main_cube).cpu().numpy()
            jobs += [
                pool.submit(sample_cube, (bgr[i], traced["ids"][i], truth, k * 1000 + i))
                for i, truth in enumerate(scenes.truth)
                if truth["has_cube"]
            ]
            print(f"{k + 1} of {chunks} chunks, {time.time() - began:.0f} s", flush=True)
        rows = [job.result() for job in jobs]
    np.savez_compressed(o.out / "stickers.npz", **{key: np.stack([r[key] for r in rows]) for key in rows[0]})


if __name__ == "__main__":
    main()
