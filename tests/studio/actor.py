"""A cube as it stands in a scene: body, state, colours, pose."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from .cube_mesh import CubeBody, Twist, cube_mesh
from .engine import Item
from .shades import SCHEME
from .state import FACES, Facelets, turned

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Actor:
    """A cube in the scene: body, state (home faces), colours of its faces, misturn, pose (cube to world)."""

    body: CubeBody
    facelets: Facelets
    scheme: tuple[str, ...]
    twist: Twist
    rotation: Array
    centre: Array

    def items(self, name: str) -> list[Item]:
        """The cube's meshes in the world."""
        plastic, coloured = cube_mesh(self.body, self.facelets, self.scheme, self.twist)
        return [
            Item(f"{name}_plastic", plastic.moved(self.rotation, self.centre)),
            Item(f"{name}_colours", coloured.moved(self.rotation, self.centre)),
        ]


def marked(rng: np.random.Generator, body: CubeBody, facelets: Facelets, scheme: tuple[str, ...]) -> CubeBody:
    """A printed mark goes on one of the white stickers, if the cube has a mark at all; of the top layer if
    it can."""
    if body.glyph is None:
        return body
    white = np.argwhere(facelets == scheme.index("white"))
    on_top = white[(white[:, 0] == 0) | ((white[:, 1] == 0) & (white[:, 0] != 3))]
    pool = on_top if len(on_top) else white
    face, row, col = pool[rng.integers(len(pool))]
    return replace(body, glyph=(FACES[face], int(row), int(col)))


def random_scheme(rng: np.random.Generator) -> tuple[str, ...]:
    """The six face colours after turning the whole cube at random."""
    faces = np.arange(6, dtype=np.int8)[:, None, None] * np.ones((1, 1, 1), dtype=np.int8)
    for face, quarters in zip("URF", rng.integers(0, 4, 3), strict=True):
        faces = turned(faces, face, (1, 1), int(quarters))
    return tuple(SCHEME[int(v)] for v in faces.ravel())
