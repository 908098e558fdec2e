"""Draws a cube with turning layers in perspective: clips whose truth is known to the frame.

Every piece is a box with stickers of its own; a turn carries the boxes round, so nothing here leans on the
engine's tables. Flat colours, dark plastic, a patterned desk, a little blur and noise: made to test
tracking and timing, not colour reading.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.pose import FACE_COLUMNS, FACE_NORMALS, FACE_ORIGINS, FACE_ROWS, CubePose

COLOURS_BGR = {
    "white": (232, 235, 235),
    "yellow": (40, 210, 235),
    "red": (40, 35, 190),
    "orange": (30, 120, 245),
    "blue": (170, 80, 25),
    "green": (70, 160, 40),
}
NAMES = tuple(COLOURS_BGR)
#: colour index of URFDLB of a solved cube with yellow on top and green in front
SCHEME = (1, 3, 5, 0, 2, 4)
PLASTIC_BGR = (24, 24, 24)
_AXES = {"R": (0, 1), "L": (0, -1), "U": (1, 1), "D": (1, -1), "F": (2, 1), "B": (2, -1)}


def about(axis: int, angle_rad: float) -> NDArray[np.float64]:
    """Rotation matrix about a positive axis, right-handed."""
    vector = np.zeros(3)
    vector[axis] = angle_rad
    return np.asarray(cv2.Rodrigues(vector)[0])


@dataclass(frozen=True)
class Layers:
    """The layers that one turn moves: axis 0..2, which layers counted from the negative side, the
    right-handed angle of the whole turn."""

    axis: int
    layers: tuple[int, ...]
    angle_rad: float


def turn_layers(turn: str, n: int) -> Layers:
    """Layers of a turn: a face letter, an optional w for two layers, an optional 2 or '."""
    axis, sign = _AXES[turn[0]]
    depth = 2 if "w" in turn else 1
    layers = tuple(range(n - depth, n)) if sign > 0 else tuple(range(depth))
    quarters = 2 if "2" in turn else -1 if "'" in turn else 1
    return Layers(axis, layers, -sign * quarters * np.pi / 2)


@dataclass
class DrawnCube:
    """``facelets`` (6, n, n) colour indices as printed."""

    facelets: NDArray[np.int8]
    boxes: list[tuple[NDArray[np.float64], list[tuple[NDArray[np.float64], int]]]] = field(init=False)

    def __post_init__(self) -> None:
        n = self.facelets.shape[1]
        self.n = n
        by_place: dict[tuple[int, ...], list[tuple[NDArray[np.float64], int]]] = {}
        for face in range(6):
            for row in range(n):
                for col in range(n):
                    centre = FACE_ORIGINS[face] + (col + 0.5) / n * FACE_COLUMNS[face]
                    centre = centre + (row + 0.5) / n * FACE_ROWS[face] - FACE_NORMALS[face] / (2 * n)
                    place = tuple(int(v) for v in np.round((centre + 0.5) * n - 0.5))
                    by_place.setdefault(place, []).append(
                        (FACE_NORMALS[face].copy(), int(self.facelets[face, row, col]))
                    )
        self.boxes = [((np.array(p) + 0.5) / n - 0.5, stickers) for p, stickers in by_place.items()]

    def turned(self, layers: Layers) -> DrawnCube:
        """The cube after a whole turn."""
        turn = np.round(about(layers.axis, layers.angle_rad))
        out = np.full_like(self.facelets, -1)
        for centre, stickers in self.boxes:
            moves = self.layer(centre, layers.axis) in layers.layers
            rotation = turn if moves else np.eye(3)
            for normal, colour in stickers:
                at, out_normal = rotation @ centre, rotation @ normal
                face = int(np.argmax(FACE_NORMALS @ out_normal))
                flat = at + out_normal / (2 * self.n) - FACE_ORIGINS[face]
                col = round(float(flat @ FACE_COLUMNS[face]) * self.n - 0.5)
                row = round(float(flat @ FACE_ROWS[face]) * self.n - 0.5)
                out[face, row, col] = colour
        return DrawnCube(out)

    def draw(self, canvas: NDArray[np.uint8], pose: CubePose, turning: Layers | None, scale: int) -> None:
        """Paint the cube on ``canvas``, which is ``scale`` times as large as the pose's picture."""
        eye = pose.eye_xyz
        turn = about(turning.axis, turning.angle_rad) if turning else np.eye(3)
        half = 0.5 / self.n
        distances, colours, corners = [], [], []
        for centre, stickers in self.boxes:
            moves = turning is not None and self.layer(centre, turning.axis) in turning.layers
            rotation = turn if moves else np.eye(3)
            colour_of = {tuple(np.round(normal)): colour for normal, colour in stickers}
            for normal, across, down in _SIDES:
                middle = rotation @ (centre + normal * half)
                if (eye - middle) @ (rotation @ normal) <= 0:
                    continue
                flat = np.array([u * across + v * down for u, v in ((-1, -1), (1, -1), (1, 1), (-1, 1))])
                for size in (1.0, 0.84):
                    corners.append((centre + (normal + size * flat) * half) @ rotation.T)
                distances.append(float(np.linalg.norm(eye - rotation @ centre)))
                colours.append(colour_of.get(tuple(normal)))
        flat_xy = pose.project(np.concatenate(corners)) * scale * 16
        quads = flat_xy.round().astype(np.int32).reshape(-1, 2, 4, 2)
        for k in np.argsort(-np.array(distances), kind="stable"):
            cv2.fillConvexPoly(canvas, quads[k, 0], PLASTIC_BGR, cv2.LINE_8, 4)
            if (colour := colours[k]) is not None:
                cv2.fillConvexPoly(canvas, quads[k, 1], COLOURS_BGR[NAMES[colour]], cv2.LINE_8, 4)

    def layer(self, centre: NDArray[np.float64], axis: int) -> int:
        """The layer 0..n-1 along an axis in which a box lies."""
        return round(float(centre[axis] + 0.5) * self.n - 0.5)


_SIDES = [
    (normal, across, np.cross(normal, across))
    for normal in FACE_NORMALS
    for across in [np.array([[0.0, 1, 0], [0, 0, 1], [1, 0, 0]])[int(np.argmax(np.abs(normal)))]]
]


def held_pose(
    n: int,
    wh: tuple[int, int],
    *,
    azimuth_deg: float,
    elevation_deg: float,
    roll_deg: float = 0.0,
    distance: float = 4.5,
    at_xy: tuple[float, float] = (0.5, 0.5),
) -> CubePose:
    """The camera looks down at the cube by ``elevation_deg``, from ``azimuth_deg`` (0 F, 90 R);
    ``at_xy`` is the cube's place in the picture as a share of its width and height."""
    focal = 0.9 * max(wh)
    to_camera = np.diag([1.0, -1.0, -1.0])
    turn = about(2, np.radians(roll_deg)) @ to_camera
    turn = turn @ about(0, np.radians(elevation_deg)) @ about(1, -np.radians(azimuth_deg))
    centre = (wh[0] / 2, wh[1] / 2)
    aside, below = (at_xy[0] * wh[0] - centre[0]) / focal, (at_xy[1] * wh[1] - centre[1]) / focal
    place = np.array([aside * distance, below * distance, distance])
    return CubePose(n, focal, centre, turn, place)


@dataclass
class DrawnFrame:
    """One frame with its truth: ``pose``, the ``cube`` before the turn under way, the turn so far
    (``turning``), and whether a layer stands off its rest."""

    image_bgr: NDArray[np.uint8]
    pose: CubePose
    cube: DrawnCube
    turning: Layers | None


def desk(wh: tuple[int, int], seed: int = 7) -> NDArray[np.uint8]:
    """A patterned background."""
    rng = np.random.default_rng(seed)
    grey = rng.integers(90, 170, (wh[1] // 24 + 1, wh[0] // 24 + 1, 1))
    small = np.clip(grey + rng.integers(-9, 10, (*grey.shape[:2], 3)), 0, 255).astype(np.uint8)
    return np.asarray(cv2.resize(small, wh, interpolation=cv2.INTER_CUBIC), np.uint8)


def draw_frame(
    cube: DrawnCube,
    pose: CubePose,
    background: NDArray[np.uint8],
    *,
    turning: Layers | None = None,
    noise: float = 2.0,
    seed: int = 0,
    finger: bool = False,
) -> NDArray[np.uint8]:
    """One picture: drawn twice as large and averaged down, then camera noise."""
    height, width = background.shape[:2]
    canvas = cv2.resize(background, (2 * width, 2 * height), interpolation=cv2.INTER_NEAREST)
    cube.draw(canvas, pose, turning, 2)
    if finger:
        low, right = pose.project(np.array([[0.1, -0.2, 0.5], [0.45, -0.6, 0.5]])) * 2
        cv2.line(canvas, tuple(low.astype(int)), tuple(right.astype(int)), (120, 150, 205), int(width / 16))
    image = cv2.resize(canvas, (width, height), interpolation=cv2.INTER_AREA)
    grain = np.random.default_rng(seed).normal(0, noise, image.shape) if noise else 0.0
    return np.clip(image + grain, 0, 255).astype(np.uint8)


def play(
    cube: DrawnCube,
    poses: Sequence[CubePose],
    turns: Sequence[tuple[str, int, int]],
    wh: tuple[int, int],
    *,
    noise: float = 2.0,
    finger: bool = False,
) -> Iterator[DrawnFrame]:
    """A clip over ``poses``; each of ``turns`` is (turn, frame at which it begins, frames it takes): in its
    first frame the layer stands still, in frame begin + frames it has arrived; in between the speed rises
    and falls."""
    background = desk(wh)
    plan = sorted(turns, key=lambda turn: turn[1])
    for number, pose in enumerate(poses):
        turning = None
        while plan and number >= plan[0][1] + plan[0][2]:
            cube = cube.turned(turn_layers(plan.pop(0)[0], cube.n))
        if plan and number > plan[0][1]:
            name, begin, frames = plan[0]
            whole = turn_layers(name, cube.n)
            share = 0.5 - 0.5 * np.cos(np.pi * (number - begin) / frames)
            turning = Layers(whole.axis, whole.layers, whole.angle_rad * share)
        image = draw_frame(cube, pose, background, turning=turning, noise=noise, seed=number, finger=finger)
        yield DrawnFrame(image, pose, cube, turning)
