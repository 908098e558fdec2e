"""A contact sheet of a folder of pictures with their truth drawn on: to look at, as every truth must be.

`python -m tests.studio.sheet FOLDER SHEET.png [first [count]]`, or `... CLIP.json SHEET.png [first [every]]`
"""

from __future__ import annotations

import json
import sys
from pathlib import Path

import cv2
import numpy as np

INK = {
    "white": (255, 255, 255),
    "yellow": (0, 230, 255),
    "red": (40, 40, 230),
    "orange": (0, 140, 255),
    "blue": (230, 90, 20),
    "green": (60, 190, 40),
}


def drawn(folder: Path, name: str, width: int = 640) -> np.ndarray:
    """One picture with sticker centres in the truth's colours, the top quad, F marked, and its tags."""
    truth = json.loads((folder / f"{name}.json").read_text())
    picture = cv2.imread(str(folder / f"{name}.jpg"))
    k = width / picture.shape[1]
    picture = cv2.resize(picture, (width, round(picture.shape[0] * k)), interpolation=cv2.INTER_AREA)
    if "top_quad" in truth:
        quad = (np.array(truth["top_quad"]) * k).astype(np.int32)
        cv2.polylines(picture, [quad], True, (255, 0, 255), 1, cv2.LINE_AA)
        cv2.line(picture, tuple(map(int, quad[2])), tuple(map(int, quad[3])), (255, 255, 0), 2, cv2.LINE_AA)
        for s in truth["stickers"]:
            if s["xy"] is not None:
                at = (round(s["xy"][0] * k), round(s["xy"][1] * k))
                cv2.circle(picture, at, 4, (0, 0, 0), -1, cv2.LINE_AA)
                cv2.circle(picture, at, 3, INK[s["colour"]], -1, cv2.LINE_AA)
                if s["visible"] < 0.5:
                    cv2.circle(picture, at, 6, (0, 0, 255), 1, cv2.LINE_AA)
    words = f"{name} {truth.get('n', '')} {truth.get('negative') or ''} {' '.join(truth['tags'])}"
    cv2.putText(picture, words, (6, 16), cv2.FONT_HERSHEY_SIMPLEX, 0.42, (0, 0, 0), 3, cv2.LINE_AA)
    cv2.putText(picture, words, (6, 16), cv2.FONT_HERSHEY_SIMPLEX, 0.42, (255, 255, 255), 1, cv2.LINE_AA)
    return picture


def drawn_frame(folder: Path, truth: dict, index: int, width: int = 480) -> np.ndarray:
    """One frame of a clip with its truth on it."""
    frame = truth["frames"][index]
    picture = cv2.imread(str(folder / f"f{index:03d}.jpg"))
    k = width / picture.shape[1]
    picture = cv2.resize(picture, (width, round(picture.shape[0] * k)), interpolation=cv2.INTER_LINEAR)
    facelets = frame.get("facelets", truth["facelets"])
    quad = (np.array(frame["top_quad"]) * k).astype(np.int32)
    cv2.polylines(picture, [quad], True, (255, 0, 255), 1, cv2.LINE_AA)
    cv2.line(picture, tuple(map(int, quad[2])), tuple(map(int, quad[3])), (255, 255, 0), 2, cv2.LINE_AA)
    for face, row, col, visible, xy in frame["stickers"]:
        if xy is not None and visible > 0.4:
            at = (round(xy[0] * k), round(xy[1] * k))
            cv2.circle(picture, at, 4, (0, 0, 0), -1, cv2.LINE_AA)
            cv2.circle(picture, at, 3, INK[facelets[face][row][col]], -1, cv2.LINE_AA)
    told = [frame.get(key) for key in ("turning", "turns_complete", "top_one_colour")]
    words = " ".join([str(index), *(str(v) for v in told if v is not None)])
    cv2.putText(picture, words, (6, 16), cv2.FONT_HERSHEY_SIMPLEX, 0.42, (0, 0, 0), 3, cv2.LINE_AA)
    cv2.putText(picture, words, (6, 16), cv2.FONT_HERSHEY_SIMPLEX, 0.42, (255, 255, 255), 1, cv2.LINE_AA)
    return picture


def main(argv: list[str]) -> int:
    """Writes the sheet: of a folder of pictures, or of a clip (its .json) from frame `first` on, every
    `count`th."""
    folder, out = Path(argv[0]), Path(argv[1])
    first, count = (int(argv[2]) if len(argv) > 2 else 0), (int(argv[3]) if len(argv) > 3 else 12)
    if folder.suffix == ".json":
        truth = json.loads(folder.read_text())
        tiles = [
            drawn_frame(folder.with_suffix(""), truth, i) for i in range(first, len(truth["frames"]), count)
        ]
    else:
        names = sorted(p.stem for p in folder.glob("[pn]*.json"))[first : first + count]
        tiles = [drawn(folder, n) for n in names]
    high = max(t.shape[0] for t in tiles)
    tiles = [cv2.copyMakeBorder(t, 0, high - t.shape[0], 0, 0, cv2.BORDER_CONSTANT) for t in tiles]
    across = 3 if len(tiles) < 13 else 4
    while len(tiles) % across:
        tiles.append(np.zeros_like(tiles[0]))
    rows = [np.hstack(tiles[i : i + across]) for i in range(0, len(tiles), across)]
    cv2.imwrite(str(out), np.vstack(rows))
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
