"""How things move in a clip: a hand that tilts the cube, and the turns of a sequence in time."""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .cube_mesh import Twist
from .mesh import turn_about
from .state import FACES, NORMALS, Facelets, turned

Array = NDArray[np.float64]
#: sequences that keep everything below the last layer (common practice, no source; tests run them through
#: the engine)
SEQUENCES = (
    "R U R' U R U2 R'",
    "R U2 R' U' R U' R'",
    "L' U' L U' L' U2 L",
    "L' U2 L U L' U L",
    "R U R' U R U' R' U R U2 R'",
    "R U2 R2 U' R2 U' R2 U2 R",
)


@dataclass(frozen=True)
class Move:
    """A turn of the outermost layer of a face: clockwise quarters (negative: counter-clockwise), from
    `start_s` on."""

    face: str
    quarters: int
    start_s: float
    length_s: float

    @property
    def end_s(self) -> float:
        """When the layer has come to rest."""
        return self.start_s + self.length_s

    def __str__(self) -> str:
        return self.face + {1: "", -1: "'", 2: "2", -2: "2'"}[self.quarters]


def parsed(text: str) -> list[tuple[str, int]]:
    """(face, quarters) of plain outer-layer turns in the notation of Article 12 (this room needs no more)."""
    out = []
    for token in text.split():
        found = re.fullmatch(r"([URFDLB])(2'|2|')?", token)
        if found is None:
            raise ValueError(f"not a plain turn: {token!r}")
        out.append((found[1], {None: 1, "'": -1, "2": 2, "2'": -2}[found[2]]))
    return out


def undone(facelets: Facelets, turns: list[tuple[str, int]]) -> Facelets:
    """The state from which these turns lead to `facelets`."""
    for face, quarters in reversed(turns):
        facelets = turned(facelets, face, (1, 1), -quarters)
    return facelets


@dataclass(frozen=True)
class Performance:
    """A sequence done in time: states before each move, and how far each layer is at any moment."""

    size: int
    moves: tuple[Move, ...]
    states: tuple[Facelets, ...]

    def at(self, time_s: float) -> tuple[Facelets, Twist, int, float]:
        """(state after the turns that are complete, layers on the way, turns complete, degrees turned
        clockwise)."""
        for k, move in enumerate(self.moves):
            if time_s < move.start_s:
                return self.states[k], Twist(), k, 0.0
            if time_s < move.end_s:
                part = (time_s - move.start_s) / move.length_s
                eased = part * part * (3 - 2 * part)
                degrees = 90.0 * move.quarters * eased
                return self.states[k], layer_twist(self.size, move.face, degrees), k, degrees
        return self.states[-1], Twist(), len(self.moves), 0.0

    @property
    def first_turn_s(self) -> float:
        """When the first layer starts to move."""
        return self.moves[0].start_s

    @property
    def solved_s(self) -> float:
        """When the top face shows one colour for good: the end of the last turn that was needed for that."""
        for k in range(len(self.states) - 1, -1, -1):
            if len(set(self.states[k][0].ravel().tolist())) > 1:
                return self.moves[k].end_s
        return 0.0

    def to_truth(self, fps: float) -> dict[str, object]:
        """What the truth of a clip says of the sequence done in it (TRUTH.md)."""
        return {
            "sequence": " ".join(str(m) for m in self.moves),
            "turn_times_s": [[round(m.start_s, 4), round(m.end_s, 4)] for m in self.moves],
            "first_turn_s": round(self.first_turn_s, 4),
            "solved_s": round(self.solved_s, 4),
            "first_turn_frame": int(np.floor(self.first_turn_s * fps)) + 1,
            "top_one_colour_frame": int(np.ceil(self.solved_s * fps)),
        }


def layer_twist(size: int, face: str, clockwise_deg: float) -> Twist:
    """The outermost layer of a face, turned clockwise as seen from outside it."""
    normal = NORMALS[FACES.index(face)]
    axis = int(np.argmax(np.abs(normal)))
    degrees = [0.0] * size
    degrees[-1 if normal[axis] > 0 else 0] = -clockwise_deg * float(normal[axis])
    return Twist(axis, tuple(degrees))


def perform(rng: np.random.Generator, size: int, last: Facelets, turns: list[tuple[str, int]]) -> Performance:
    """A sequence at a pace of about four to six turns a second after a while of looking; it ends in
    `last`."""
    state = undone(last, turns)
    time = float(rng.uniform(0.7, 1.6))
    moves, states = [], [state]
    for face, quarters in turns:
        length = float(rng.uniform(0.10, 0.20)) * (1.5 if abs(quarters) == 2 else 1.0)
        moves.append(Move(face, quarters, time, length))
        time += length + float(rng.uniform(0.01, 0.10))
        state = turned(state, face, (1, 1), quarters)
        states.append(state)
    return Performance(size, tuple(moves), tuple(states))


@dataclass(frozen=True)
class Sway:
    """Smooth movement of a held cube: tilt, swing about its own up, roll about the line of sight, drift of
    its centre."""

    amplitude: Array
    rate_hz: Array
    phase: Array

    def at(self, time_s: float) -> Array:
        """(6,) tilt, swing, roll in radians and drift x, y, z in mm, all 0 at time 0."""
        wave = np.sin(2 * np.pi * self.rate_hz * time_s + self.phase) - np.sin(self.phase)
        return self.amplitude * wave

    def pose(self, time_s: float, rotation: Array, centre: Array, to_camera: Array) -> tuple[Array, Array]:
        """Cube to world rotation and centre at that moment; `to_camera` is the unit direction from cube to
        camera.

        A positive tilt turns the top face away from the camera, so that the sides come into view.
        """
        tilt, swing, roll, *drift = self.at(time_s)
        hinge = np.cross(to_camera, rotation[:, 2])
        if np.linalg.norm(hinge) < 0.05:
            hinge = rotation[:, 0]
        away = turn_about(hinge, tilt) @ turn_about(to_camera, roll)
        return away @ rotation @ turn_about((0, 0, 1), swing), centre + np.asarray(drift)


def draw_sway(rng: np.random.Generator, elevation_deg: float, calm: bool) -> Sway:
    """A tilting that shows other sides, or (calm) the small tremble of a hand that turns layers."""
    if calm:
        amplitude = np.array([0.03, 0.03, 0.02, 2.5, 2.5, 2.5]) * rng.uniform(0.4, 1.2, 6)
        return Sway(amplitude, rng.uniform(0.3, 0.9, 6), rng.uniform(0, 2 * np.pi, 6))
    high = np.radians(elevation_deg)
    tilt = min(high - np.radians(20), np.radians(rng.uniform(20, 45))) / 2
    amplitude = np.array(
        [max(tilt, np.radians(6)), np.radians(rng.uniform(12, 45)), np.radians(rng.uniform(2, 9)), 14, 14, 10]
    )
    amplitude[1:] *= rng.choice([-1, 1], 5)
    phase = rng.uniform(-0.5, 0.5, 6)
    phase[0] = -np.pi / 2
    return Sway(amplitude, rng.uniform(0.5, 1.0, 6), phase)
