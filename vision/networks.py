"""The two networks of the finder, run on a picture.

The first sees the whole picture at 256 pixels and gives places and sizes of cubes. The second sees a square
crop round each place and draws the lattice of the cube there. Both run in OpenCV's network module from ONNX
files in ``vision/data``; tests/studio/train_finder.py makes them.
"""

from __future__ import annotations

import math
import threading
from importlib import resources
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.crop import CROP_EDGES, INPUT_PX, MAP_PX, Crop
from vision.shrink import HANDY_PX, Halved, shrunk

Picture = NDArray[np.uint8]
#: a likely cube: peak 0..1, x, y and pixels per edge
Place = tuple[float, float, float, float]

#: the first network's cell and the length that its size numbers are relative to, both in its own pixels
STRIDE = 8
EDGE_UNIT = 32.0
#: a place is looked at closely from this height of the first network's map on
LEAST_PEAK = 0.12
#: places much fainter than the brightest are left out: a second cube stands out nearly as much as the first
FAINTER = 0.4
_local = threading.local()


def _net(name: str) -> Any:
    """One network a thread: OpenCV's are not made to be shared."""
    nets = _local.__dict__.setdefault("nets", {})
    if name not in nets:
        # from a file: OpenCV 5.0 takes no heed of the engine where it reads from memory, and its newer
        # engine has no Winograd convolutions (the two take 6.8 instead of 5.1 ms together)
        with resources.as_file(resources.files("vision") / "data" / f"{name}.onnx") as file:
            nets[name] = cv2.dnn.readNetFromONNX(str(file), cv2.dnn.ENGINE_CLASSIC)
    return nets[name]


def _blob(picture: Picture) -> NDArray[np.float32]:
    """(H, W, 3) BGR to (1, 3, H, W) in -0.5..0.5."""
    return np.asarray(cv2.dnn.blobFromImage(picture, 1 / 255.0, mean=(127.5, 127.5, 127.5)))


def propose(picture: Halved, most: int = 4) -> list[Place]:
    """Likely cubes as (peak 0..1, x, y, pixels per edge) in a BGR picture's pixels, best first."""
    high, wide = picture.whole.shape[:2]
    fit = 256.0 / max(high, wide)
    w, h = max(1, round(wide * fit)), max(1, round(high * fit))
    small = picture.shrunk(w, h) if fit < 1 else cv2.resize(picture.whole, (w, h))
    room_w = 256 if wide >= high else (160 if w <= 160 else 192 if w <= 192 else 256)
    room_h = 256 if high > wide else (160 if h <= 160 else 192 if h <= 192 else 256)
    canvas = np.full((room_h, room_w, 3), 127, np.uint8)
    canvas[:h, :w] = small
    net = _net("finder")
    net.setInput(_blob(canvas))
    out = net.forward()[0]
    heat = out[0]
    top = cv2.dilate(heat, np.ones((3, 3), np.uint8))
    rows, columns = np.nonzero((heat >= top) & (heat > np.log(LEAST_PEAK / (1 - LEAST_PEAK))))
    places: list[Place] = []
    for row, column in zip(rows.tolist(), columns.tolist(), strict=True):
        dx, dy, size = out[1:, row, column].tolist()
        x, y = (column + 0.5 + dx) * STRIDE * wide / w, (row + 0.5 + dy) * STRIDE * high / h
        edge = math.exp(min(max(size, -3.0), 3.0)) * EDGE_UNIT * wide / w
        peak = 1 / (1 + math.exp(-float(heat[row, column])))
        places.append((peak, x, y, edge))
    found = apart(places)[:most]
    return [place for place in found if place[0] >= FAINTER * found[0][0]]


def apart(places: list[Place]) -> list[Place]:
    """The brightest of places that lie within 0.4 edges of each other, the brightest of all first."""
    found: list[Place] = []
    for peak, x, y, edge in sorted(places, reverse=True):
        if all(math.hypot(x - o[1], y - o[2]) > 0.4 * max(edge, o[3]) for o in found):
            found.append((peak, x, y, edge))
    return found


def crop_square(image_bgr: Picture, x: float, y: float, side: float) -> tuple[Picture, float, float, float]:
    """A square of ``side`` pixels round (x, y), resized to the network's input.

    Returns the picture (128, 128, 3) and the square's left, top and side as really taken (whole pixels).
    """
    high, wide = image_bgr.shape[:2]
    whole = max(8, round(side / HANDY_PX) * HANDY_PX)
    left, top = round(x - whole / 2), round(y - whole / 2)
    x0, y0, x1, y1 = max(left, 0), max(top, 0), min(left + whole, wide), min(top + whole, high)
    if x0 >= x1 or y0 >= y1:
        return np.full((INPUT_PX, INPUT_PX, 3), 127, np.uint8), left, top, whole
    piece: Any = image_bgr[y0:y1, x0:x1]
    if (x1 - x0, y1 - y0) != (whole, whole):
        piece = cv2.copyMakeBorder(
            piece, y0 - top, top + whole - y1, x0 - left, left + whole - x1, cv2.BORDER_CONSTANT,
            value=(127, 127, 127),
        )  # fmt: skip
    if whole > INPUT_PX:
        return shrunk(piece, INPUT_PX, INPUT_PX), left, top, whole
    larger: Any = cv2.resize(piece, (INPUT_PX, INPUT_PX))
    return larger, left, top, whole


def look_closely(image_bgr: Picture, x: float, y: float, edge_px: float) -> Crop:
    """Run the second network on a crop round a likely cube."""
    crop, left, top, side = crop_square(image_bgr, x, y, edge_px * CROP_EDGES)
    net = _net("poser")
    net.setInput(_blob(crop))
    outs = net.forward(net.getUnconnectedOutLayersNames())
    maps, numbers = outs if outs[0].ndim == 4 else outs[::-1]
    shown = 1 / (1 + np.exp(-np.clip(maps[0], -30, 30)))
    return Crop(float(left), float(top), MAP_PX / side, shown.astype(np.float32), numbers[0])
