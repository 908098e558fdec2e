"""A cube as a solid: cubies with filleted edges, stickers with bevels or caps of coloured plastic, layers
out of line."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from .mesh import Mesh, joined, make_mesh, plate, rounded_box, rounded_square, turn_about
from .shades import COLOURS, srgb_to_linear
from .state import COLUMN_STEPS, FACES, NORMALS, ROW_STEPS, Facelets, places

Array = NDArray[np.float64]
GLYPHS = ("ring", "triangle", "bar", "dot", "cross")


@dataclass(frozen=True)
class CubeBody:
    """How one cube is built. Lengths in mm; `albedo` (6, 3) linear light in the order of COLOURS."""

    size: int
    stickered: bool
    side_mm: float
    gap_mm: float
    fillet_mm: float
    plastic_name: str
    plastic: tuple[float, float, float]
    albedo: Array
    sticker_share: float = 0.86
    sticker_height_mm: float = 0.35
    sticker_round: float = 0.18
    roughness: float = 0.3
    plastic_roughness: float = 0.3
    wear: float = 0.0
    glyph: tuple[str, int, int] | None = None
    glyph_kind: str = "ring"
    seed: int = 0
    shade_name: str = "standard"
    albedo_srgb: tuple[tuple[int, ...], ...] = ()


@dataclass(frozen=True)
class Twist:
    """Layers turned away from square: degrees for each layer along an axis (0 x, 1 y, 2 z),
    counter-clockwise."""

    axis: int = 2
    degrees: tuple[float, ...] = field(default=())

    def matrix(self, layer: int) -> Array:
        """Rotation of one layer, counted from the negative end of the axis."""
        angle = self.degrees[layer] if layer < len(self.degrees) else 0.0
        return turn_about(np.eye(3)[self.axis], np.radians(angle))


def sticker_frames(body: CubeBody, twist: Twist) -> tuple[Array, Array]:
    """Centres (6, n, n, 3) of the stickers' outer faces and their frames (6, n, n, 3, 3): columns, rows,
    outward.

    Frame vectors are unit, rows of the last two axes; misturned layers are turned with them.
    """
    n = body.size
    unit = body.side_mm / n
    here = places(n) * (unit / 2.0)
    lift = body.sticker_height_mm if body.stickered else 0.0
    centres = here + lift * NORMALS[:, None, None, :]
    frames = np.zeros((6, n, n, 3, 3))
    for f in range(6):
        frames[f] = np.stack([COLUMN_STEPS[f], ROW_STEPS[f], NORMALS[f]])
    layers = _layer_of(places(n), n, twist.axis)
    for layer in range(n):
        m = twist.matrix(layer)
        at = layers == layer
        centres[at] = centres[at] @ m.T
        frames[at] = frames[at] @ m.T
    return centres, frames


def sticker_side(body: CubeBody) -> float:
    """Side of a sticker (or of the flat part of a cap) in mm."""
    unit = body.side_mm / body.size
    return unit * body.sticker_share if body.stickered else unit - body.gap_mm - 1.2 * body.fillet_mm


def cube_mesh(body: CubeBody, facelets: Facelets, scheme: tuple[str, ...], twist: Twist) -> tuple[Mesh, Mesh]:
    """(plastic, coloured): the dark or coloured body, and everything that carries one of the six colours."""
    rng = np.random.default_rng(body.seed)
    n = body.size
    unit = body.side_mm / n
    colour_of = body.albedo[[COLOURS.index(c) for c in scheme]]
    block = rounded_box((unit - body.gap_mm,) * 3, body.fillet_mm, 3 if n < 5 else 2)
    index = np.stack(np.meshgrid(range(n), range(n), range(n), indexing="ij"), -1).reshape(-1, 3)
    shown = ((index == 0) | (index == n - 1)).any(axis=1)
    at_place = {tuple(p): tuple(i) for i, p in _cells(n)}
    plastic, coloured = [], []
    for cell in index[shown]:
        centre = (cell - (n - 1) / 2) * unit
        matrix = twist.matrix(int(cell[twist.axis]))
        if body.stickered:
            plastic.append(block.painted(body.plastic, body.plastic_roughness).moved(matrix, matrix @ centre))
            continue
        coloured.append(
            _cap(block, body, cell, facelets, colour_of, at_place, rng).moved(matrix, matrix @ centre)
        )
    inner = body.side_mm - 2 * unit * 0.55
    dark = (0.01, 0.01, 0.011) if body.plastic_name != "white" else (0.3, 0.3, 0.3)
    plastic.append(rounded_box((inner,) * 3, unit * 0.3).painted(dark, 0.5))
    centres, frames = sticker_frames(body, twist)
    if body.stickered:
        for f, row, col in np.ndindex(6, n, n):
            coloured.append(
                _sticker(body, rng, colour_of[facelets[f, row, col]]).moved(
                    frames[f, row, col].T,
                    centres[f, row, col] - body.sticker_height_mm * frames[f, row, col, 2],
                )
            )
    if body.glyph is not None:
        f, row, col = FACES.index(body.glyph[0]), body.glyph[1], body.glyph[2]
        mark = glyph_mesh(body.glyph_kind, sticker_side(body) * rng.uniform(0.28, 0.42))
        coloured.append(
            mark.moved(frames[f, row, col].T, centres[f, row, col] + 0.03 * frames[f, row, col, 2])
        )
    return joined(plastic), joined(coloured)


def _cells(n: int) -> list[tuple[tuple[int, int, int], tuple[int, int, int, int]]]:
    """((face, row, col), (x, y, z, face)) for every sticker place: which cubie carries it."""
    out = []
    for f, row, col in np.ndindex(6, n, n):
        p = places(n)[f, row, col]
        cell = np.clip((p + n - 1) // 2, 0, n - 1)
        out.append(((f, row, col), (int(cell[0]), int(cell[1]), int(cell[2]), f)))
    return out


def _layer_of(at: NDArray[np.int64], n: int, axis: int) -> NDArray[np.int64]:
    return np.clip((at[..., axis] + n - 1) // 2, 0, n - 1)


def _cap(
    block: Mesh,
    body: CubeBody,
    cell: NDArray[np.int64],
    facelets: Facelets,
    colour_of: Array,
    at_place: dict[tuple[int, ...], tuple[int, ...]],
    rng: np.random.Generator,
) -> Mesh:
    """A cubie of coloured plastic: each vertex takes the colour of the outer face that it is nearest to."""
    n = body.size
    outer = []
    for f in range(6):
        axis = int(np.argmax(np.abs(NORMALS[f])))
        if cell[axis] == (n - 1 if NORMALS[f, axis] > 0 else 0):
            outer.append(f)
    reach = np.stack([block.points @ NORMALS[f] for f in outer])
    per_face = len(block.points) // 6
    own = {0: 1, 1: 4, 2: 5, 3: 2, 4: 0, 5: 3}  # rounded_box face order -> index in FACES
    colour = np.zeros_like(block.points)
    shade = np.array([colour_of[facelets[at_place[(*map(int, cell), f)]]] for f in outer])
    for k in range(6):
        part = slice(k * per_face, (k + 1) * per_face)
        if own[k] in outer:
            colour[part] = shade[outer.index(own[k])]
        else:
            colour[part] = shade[np.argmax(reach[:, part], axis=0)]
    tint = 1 + rng.normal(0, 0.012)
    rough = np.clip(body.roughness + rng.normal(0, 0.02), 0.06, 0.9)
    return Mesh(
        block.points,
        block.normals,
        block.triangles,
        np.clip(colour * tint, 0, 0.95),
        np.full(len(colour), rough),
        block.uv,
    )


def _sticker(body: CubeBody, rng: np.random.Generator, linear_rgb: Array) -> Mesh:
    side = sticker_side(body) * (1 + rng.normal(0, 0.006))
    outline = rounded_square(side, side * body.sticker_round)
    worn = body.wear > 0 and rng.random() < body.wear
    if worn:  # a chipped corner or a worn edge: the outline is pulled in there
        towards = rng.uniform(0, 2 * np.pi)
        angle = np.arctan2(outline[:, 1], outline[:, 0])
        pull = np.exp(-(((angle - towards + np.pi) % (2 * np.pi) - np.pi) ** 2) / 0.12)
        outline = outline * (1 - rng.uniform(0.05, 0.25) * pull)[:, None]
    mesh = plate(outline, body.sticker_height_mm, body.sticker_height_mm * 0.8)
    slip = rng.normal(0, 0.006 + 0.012 * body.wear, 2) * side
    mesh = mesh.moved(turn_about((0, 0, 1), rng.normal(0, 0.01 + 0.02 * body.wear)), (*slip, 0.0))
    colour = (
        linear_rgb
        * (1 + rng.normal(0, 0.02))
        * (1 + rng.normal(0, 0.015 + 0.04 * body.wear, (len(mesh.points), 1)))
    )
    if worn:
        colour = 0.85 * colour + 0.15 * rng.uniform(0.2, 0.5)
    rough = np.full(len(mesh.points), np.clip(body.roughness + rng.normal(0, 0.03), 0.06, 0.95))
    return Mesh(mesh.points, mesh.normals, mesh.triangles, np.clip(colour, 0.002, 0.95), rough, mesh.uv)


def glyph_mesh(kind: str, size_mm: float) -> Mesh:
    """A flat printed mark of our own, dark, on z = 0: one of GLYPHS."""
    r = size_mm / 2
    if kind == "ring":
        angle = np.linspace(0, 2 * np.pi, 25)[:-1]
        outline = np.c_[np.cos(angle), np.sin(angle)]
        points = np.concatenate([outline * r, outline * r * 0.68])
        k = len(angle)
        a = np.arange(k)
        b = (a + 1) % k
        triangles = np.concatenate([np.c_[a, b, b + k], np.c_[a, b + k, a + k]])
    elif kind == "triangle":
        angle = np.pi / 2 + 2 * np.pi * np.arange(3) / 3
        points, triangles = np.c_[np.cos(angle), np.sin(angle)] * r, np.array([[0, 1, 2]])
    elif kind == "dot":
        angle = np.linspace(0, 2 * np.pi, 17)[:-1]
        points = np.concatenate([[[0.0, 0.0]], np.c_[np.cos(angle), np.sin(angle)] * r * 0.7])
        a = np.arange(16)
        triangles = np.c_[np.zeros(16, dtype=np.int64), a + 1, (a + 1) % 16 + 1]
    else:
        bar = np.array([[-1, -0.28], [1, -0.28], [1, 0.28], [-1, 0.28]]) * r
        points, triangles = bar, np.array([[0, 1, 2], [0, 2, 3]])
        if kind == "cross":
            points = np.concatenate([bar, bar[:, ::-1] * [1, -1]])
            triangles = np.concatenate([triangles, triangles + 4])
    flat = np.c_[points, np.zeros(len(points))]
    mesh = make_mesh(flat, np.tile([0.0, 0, 1], (len(flat), 1)), triangles)
    return mesh.painted(tuple(srgb_to_linear(np.array([40, 42, 48]) / 255)), 0.5)


def top_corners(body: CubeBody, twist: Twist) -> Array:
    """(4, 3) sharp corners of the top face's outer plastic: back-left, back-right, front-right,
    front-left."""
    h = body.side_mm / 2
    corners = np.array([[-h, h, h], [h, h, h], [h, -h, h], [-h, -h, h]])
    if twist.axis == 2:
        return corners @ twist.matrix(body.size - 1).T
    out = corners.copy()
    for i, c in enumerate(corners):
        out[i] = twist.matrix(body.size - 1 if c[twist.axis] > 0 else 0) @ c
    return out
