"""Trace a few scenes with both builds of the tracer, print speed and agreement, and write a contact sheet.

python tests/studio/bulk_check.py OUT [cuda|cpu]
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

import bulk_camera
import bulk_scene
import cv2
import numpy as np


def main() -> None:
    """See the module's docstring."""
    out = Path(sys.argv[1])
    kind = sys.argv[2] if len(sys.argv) > 2 else "cuda"
    out.mkdir(parents=True, exist_ok=True)
    began = time.time()
    library = bulk_scene.load_library(kind, out / "build")
    print(f"built in {time.time() - began:.1f} s", flush=True)
    small = bulk_scene.sample_scenes(4, 7, 64, 36)
    shown = {}
    for name, lib in (("cpu", bulk_scene.load_library("cpu", out / "build")), (kind, library)):
        shown[name] = bulk_scene.render(small, 64, 36, 64, lib)
    a, b = shown["cpu"], shown[kind]
    print("same ids", float((a["ids"] == b["ids"]).mean()))
    print("mean light", a["rgb"].mean((1, 2, 3)), b["rgb"].mean((1, 2, 3)))
    began = time.time()
    scenes = bulk_scene.sample_scenes(48, 11, 640, 360)
    print(f"48 scenes sampled in {time.time() - began:.1f} s")
    for spp in (8, 32):
        began = time.time()
        traced = bulk_scene.render(scenes, 640, 360, spp, library)
        print(f"48 pictures of 640x360 at {spp} spp in {time.time() - began:.2f} s", flush=True)
    cameras = bulk_camera.sample_camera(np.random.default_rng(1), 48, 360)
    bgr = bulk_camera.photograph(traced["rgb"], cameras, 1, traced["ids"] == 1)
    rows = [np.hstack(list(bgr[i : i + 6])) for i in range(0, 48, 6)]
    sheet = cv2.resize(np.vstack(rows), None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
    cv2.imwrite(str(out / "sheet.jpg"), sheet)


if __name__ == "__main__":
    main()
