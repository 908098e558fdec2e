"""Triangle meshes with a colour and a roughness at each vertex, and the solids that scenes are made of."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Mesh:
    """`points`, `normals` (V, 3) mm; `triangles` (F, 3); `colour` (V, 3) linear light; `rough` (V,); `uv`
    (V, 2)."""

    points: Array
    normals: Array
    triangles: NDArray[np.int64]
    colour: Array
    rough: Array
    uv: Array

    def moved(self, matrix: Array, shift: Array | tuple[float, float, float] = (0.0, 0.0, 0.0)) -> Mesh:
        """The mesh turned (or mirrored, its outside kept outside) by an orthogonal matrix, then shifted."""
        triangles = self.triangles if np.linalg.det(matrix) > 0 else self.triangles[:, ::-1]
        points, normals = self.points @ matrix.T + np.asarray(shift), self.normals @ matrix.T
        return replace(self, points=points, normals=normals, triangles=triangles)

    def painted(self, linear_rgb: Array | tuple[float, float, float], rough: float | None = None) -> Mesh:
        """The same mesh in one colour."""
        colour = np.broadcast_to(np.asarray(linear_rgb, dtype=float), self.points.shape).copy()
        roughness = self.rough if rough is None else np.full(len(self.points), rough)
        return replace(self, colour=colour, rough=roughness)


def make_mesh(
    points: Array,
    normals: Array,
    triangles: NDArray[np.int64],
    colour: Array | tuple[float, float, float] = (0.5, 0.5, 0.5),
    rough: float = 0.4,
    uv: Array | None = None,
) -> Mesh:
    """A mesh of one colour and roughness (or of a colour per vertex)."""
    n = len(points)
    length = np.linalg.norm(normals, axis=1, keepdims=True)
    return Mesh(
        np.asarray(points, dtype=float),
        normals / np.where(length > 0, length, 1),
        np.asarray(triangles, dtype=np.int64),
        np.broadcast_to(np.asarray(colour, dtype=float), (n, 3)).copy(),
        np.full(n, float(rough)),
        np.zeros((n, 2)) if uv is None else uv,
    )


def joined(meshes: Iterable[Mesh]) -> Mesh:
    """One mesh of several."""
    parts = list(meshes)
    starts = np.cumsum([0] + [len(m.points) for m in parts[:-1]])
    return Mesh(
        np.concatenate([m.points for m in parts]),
        np.concatenate([m.normals for m in parts]),
        np.concatenate([m.triangles + s for m, s in zip(parts, starts, strict=True)]),
        np.concatenate([m.colour for m in parts]),
        np.concatenate([m.rough for m in parts]),
        np.concatenate([m.uv for m in parts]),
    )


def grid_triangles(rows: int, columns: int, closed: bool = False) -> NDArray[np.int64]:
    """Triangles of a grid of rows x columns vertices; `closed` joins the last column to the first."""
    r = np.arange(rows - 1)[:, None]
    c = np.arange(columns if closed else columns - 1)[None, :]
    a, b = r * columns + c, r * columns + (c + 1) % columns
    d, e = a + columns, b + columns
    return np.concatenate([np.stack([a, b, e], -1).reshape(-1, 3), np.stack([a, e, d], -1).reshape(-1, 3)])


def rounded_box(size: tuple[float, float, float], radius: float, steps: int = 3) -> Mesh:
    """A box centred at the origin with filleted edges; each of its six faces keeps its own vertices.

    Vertices come face by face (+x -x +y -y +z -z); normals are those of the true rounded solid.
    """
    half = np.asarray(size, dtype=float) / 2
    radius = min(radius, float(half.min()) * 0.999)
    core = half - radius
    bend = radius * np.tan(np.linspace(0, np.pi / 4, steps + 1))
    points, triangles, uvs = [], [], []
    for axis in range(3):
        for sign in (1, -1):
            u, v = (axis + 1) % 3, (axis + 2) % 3
            lu = np.concatenate([-core[u] - bend[::-1], core[u] + bend])
            lv = np.concatenate([-core[v] - bend[::-1], core[v] + bend])
            gu, gv = np.meshgrid(lu, lv)
            p = np.zeros((gu.size, 3))
            p[:, axis], p[:, u], p[:, v] = sign * half[axis], gu.ravel(), gv.ravel()
            t = grid_triangles(len(lv), len(lu))
            triangles.append((t if sign > 0 else t[:, ::-1]) + sum(len(q) for q in points))
            points.append(p)
            uvs.append(np.stack([gu.ravel() / (2 * half[u]) + 0.5, gv.ravel() / (2 * half[v]) + 0.5], 1))
    flat = np.concatenate(points)
    inside = np.clip(flat, -core, core)
    away = flat - inside
    normal = away / np.linalg.norm(away, axis=1, keepdims=True)
    return make_mesh(inside + radius * normal, normal, np.concatenate(triangles), uv=np.concatenate(uvs))


def plate(outline_xy: Array, height: float, bevel: float) -> Mesh:
    """A thin plate on z = 0: a closed convex outline (K, 2) about the origin, risen to `height` with a
    bevel."""
    k = len(outline_xy)
    radius = np.linalg.norm(outline_xy, axis=1, keepdims=True)
    shrink = outline_xy * np.clip(1 - bevel / radius, 0.2, 1)
    outward = np.concatenate([outline_xy / radius, np.zeros((k, 1))], 1)
    up = np.array([0.0, 0.0, 1.0])
    rings = [
        (np.c_[outline_xy, np.zeros(k)], outward),
        (np.c_[outline_xy * 0.5 + shrink * 0.5, np.full(k, height * 0.75)], outward + up),
        (np.c_[shrink, np.full(k, height)], 0.25 * outward + up),
        (np.c_[shrink * 0.93, np.full(k, height)], np.tile(up, (k, 1))),
        (np.c_[shrink * 0.5, np.full(k, height)], np.tile(up, (k, 1))),
        (np.c_[shrink * 0.0, np.full(k, height)], np.tile(up, (k, 1))),
    ]
    points = np.concatenate([r[0] for r in rings])
    normals = np.concatenate([r[1] for r in rings])
    span = 2 * np.abs(outline_xy).max()
    return make_mesh(
        points, normals, grid_triangles(len(rings), k, closed=True), uv=points[:, :2] / span + 0.5
    )


def rounded_square(side: float, radius: float, steps: int = 4) -> Array:
    """(K, 2) outline of a square with round corners, counter-clockwise about the origin."""
    half = side / 2 - radius
    angles = np.linspace(0, np.pi / 2, steps + 1)
    out = []
    for q, (sx, sy) in enumerate(((1, 1), (-1, 1), (-1, -1), (1, -1))):
        a = angles + q * np.pi / 2
        out.append(np.c_[sx * half + radius * np.cos(a), sy * half + radius * np.sin(a)])
    return np.concatenate(out)


def lathe(profile_rz: Array, around: int = 40) -> Mesh:
    """A solid of revolution about z: profile (K, 2) of radius and height, from the bottom up outside."""
    angle = 2 * np.pi * np.arange(around) / around
    r, z = profile_rz[:, 0], profile_rz[:, 1]
    slope = np.gradient(profile_rz, axis=0)
    nr, nz = slope[:, 1], -slope[:, 0]
    points = np.stack(
        [np.outer(r, np.cos(angle)), np.outer(r, np.sin(angle)), np.outer(z, np.ones(around))], -1
    )
    normals = np.stack(
        [np.outer(nr, np.cos(angle)), np.outer(nr, np.sin(angle)), np.outer(nz, np.ones(around))], -1
    )
    return make_mesh(
        points.reshape(-1, 3), normals.reshape(-1, 3) + 1e-12, grid_triangles(len(r), around, closed=True)
    )


def tube(path: Array, radius: float, around: int = 12) -> Mesh:
    """A round bar along a path (K, 3), with flat ends left open."""
    direction = np.gradient(path, axis=0)
    direction /= np.linalg.norm(direction, axis=1, keepdims=True)
    helper = np.where(np.abs(direction[:, 2:]) < 0.9, np.array([[0.0, 0, 1]]), np.array([[1.0, 0, 0]]))
    u = np.cross(direction, helper)
    u /= np.linalg.norm(u, axis=1, keepdims=True)
    v = np.cross(direction, u)
    angle = 2 * np.pi * np.arange(around) / around
    normals = u[:, None] * np.cos(angle)[None, :, None] + v[:, None] * np.sin(angle)[None, :, None]
    points = path[:, None] + radius * normals
    return make_mesh(
        points.reshape(-1, 3), normals.reshape(-1, 3), grid_triangles(len(path), around, closed=True)
    )


def sheet(width: float, depth: float) -> Mesh:
    """A flat rectangle on z = 0 facing up, uv running 0..1 along x and y."""
    p = np.array([[-1, -1, 0], [1, -1, 0], [1, 1, 0], [-1, 1, 0]]) * np.array([width / 2, depth / 2, 0])
    normals = np.tile([0.0, 0.0, 1.0], (4, 1))
    uv = np.array([[0, 0], [1, 0], [1, 1], [0, 1]], dtype=float)
    return make_mesh(p, normals, np.array([[0, 1, 2], [0, 2, 3]]), uv=uv)


def turn_about(axis: Array | tuple[float, float, float], angle_rad: float) -> Array:
    """3x3 rotation about an axis (Rodrigues)."""
    a = np.asarray(axis, dtype=float)
    a = a / np.linalg.norm(a)
    k = np.array([[0, -a[2], a[1]], [a[2], 0, -a[0]], [-a[1], a[0], 0]])
    return np.eye(3) + np.sin(angle_rad) * k + (1 - np.cos(angle_rad)) * (k @ k)
