"""Hands from blended capsules: a smooth distance field, meshed by surface nets, holding a cube from any side.

The grip is drawn in a frame of its own: the palm lies beyond +x, the thumb on the -y face, the fingers on
the +y face; a rotation brings it to any side of the cube, a mirror makes the other hand.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .mesh import Mesh, make_mesh
from .shades import srgb_to_linear

Array = NDArray[np.float64]
SKINS = ((244, 208, 180), (232, 184, 150), (206, 150, 112), (170, 112, 76), (120, 76, 50), (82, 52, 36))


@dataclass(frozen=True)
class Bone:
    """A capsule that may taper: from `a` to `b` with radii `ra`, `rb`, all mm."""

    a: Array
    b: Array
    ra: float
    rb: float


def blended_distance(points: Array, bones: list[Bone], blend_mm: float) -> Array:
    """Smooth union of capsules at points (N, 3): negative inside, at most 6 blends away outside."""
    total = np.full(len(points), np.exp(-6.0))
    for bone in bones:
        margin = max(bone.ra, bone.rb) + 6 * blend_mm
        low, high = np.minimum(bone.a, bone.b) - margin, np.maximum(bone.a, bone.b) + margin
        near = np.flatnonzero(((points > low) & (points < high)).all(axis=1))
        local = points[near] - bone.a
        axis = bone.b - bone.a
        t = np.clip(local @ axis / max(float(axis @ axis), 1e-9), 0, 1)
        radius = bone.ra + t * (bone.rb - bone.ra)
        away = local - t[:, None] * axis
        d = np.sqrt(np.einsum("ij,ij->i", away, away)) - radius
        total[near] += np.exp(-np.maximum(d, -60 * blend_mm) / blend_mm)
    return -blend_mm * np.log(total)


def surface_nets(field: Array, origin: Array, step: float) -> tuple[Array, NDArray[np.int64]]:
    """Mesh of the zero level of a field (X, Y, Z): vertices (V, 3) and triangles (F, 3), outward.

    Naive surface nets: one vertex in each cell that the surface crosses, at the mean of its edge crossings.
    """
    inside = field < 0
    cells = np.zeros(tuple(s - 1 for s in field.shape), dtype=np.int8)
    total = np.zeros((*cells.shape, 3))
    count = np.zeros(cells.shape)
    corners = [(i, j, k) for i in (0, 1) for j in (0, 1) for k in (0, 1)]
    nx, ny, nz = cells.shape
    at = {c: (slice(c[0], c[0] + nx), slice(c[1], c[1] + ny), slice(c[2], c[2] + nz)) for c in corners}
    for a in corners:
        for b in corners:
            if sum(abs(p - q) for p, q in zip(a, b, strict=True)) != 1 or a > b:
                continue
            fa, fb = field[at[a]], field[at[b]]
            cross = inside[at[a]] != inside[at[b]]
            t = np.where(cross, fa / np.where(cross, fa - fb, 1), 0)
            for axis in range(3):
                total[..., axis] += np.where(cross, a[axis] + t * (b[axis] - a[axis]), 0)
            count += cross
    hit = count > 0
    index = np.full(cells.shape, -1, dtype=np.int64)
    index[hit] = np.arange(int(hit.sum()))
    cell = np.argwhere(hit)
    vertices = origin + step * (cell + total[hit] / count[hit][:, None])
    triangles = []
    for axis in range(3):
        u, v = (axis + 1) % 3, (axis + 2) % 3
        lo = [slice(None)] * 3
        hi = [slice(None)] * 3
        lo[axis], hi[axis] = slice(0, -1), slice(1, None)
        cross = inside[tuple(lo)] != inside[tuple(hi)]
        first = inside[tuple(lo)]
        where = np.argwhere(cross)
        where = where[
            (where[:, u] > 0)
            & (where[:, v] > 0)
            & (where[:, u] < cells.shape[u])
            & (where[:, v] < cells.shape[v])
        ]
        du, dv = np.eye(3, dtype=np.int64)[u], np.eye(3, dtype=np.int64)[v]
        quad = np.stack([index[tuple((where - s).T)] for s in (du + dv, dv, 0 * du, du)], 1)
        out = first[tuple(where.T)]
        quad = np.where(out[:, None], quad, quad[:, ::-1])
        triangles += [quad[:, [0, 1, 2]], quad[:, [0, 2, 3]]]
    return vertices, np.concatenate(triangles)


def body_mesh(bones: list[Bone], step_mm: float, blend_mm: float) -> Mesh:
    """The blended capsules as a mesh with the field's own normals."""
    reach = [np.minimum(b.a - b.ra, b.b - b.rb) for b in bones]
    low = np.min(reach, axis=0) - 3 * step_mm - blend_mm
    high = np.max([np.maximum(b.a + b.ra, b.b + b.rb) for b in bones], axis=0) + 3 * step_mm + blend_mm
    shape = np.ceil((high - low) / step_mm).astype(int) + 1
    shape += -shape % 3  # first every third point, then only the points near the surface
    axes = [low[i] + step_mm * (1 + 3 * np.arange(shape[i] // 3)) for i in range(3)]
    coarse = blended_distance(np.stack(np.meshgrid(*axes, indexing="ij"), -1).reshape(-1, 3), bones, blend_mm)
    field = coarse.reshape(tuple(shape // 3)).repeat(3, 0).repeat(3, 1).repeat(3, 2)
    near = np.argwhere(np.abs(field) < 3.2 * step_mm)
    field[tuple(near.T)] = blended_distance(low + step_mm * near, bones, blend_mm)
    vertices, triangles = surface_nets(field, low, step_mm)
    for _ in range(2):
        d, normals = _with_gradient(vertices, bones, blend_mm)
        vertices = vertices - np.clip(d, -step_mm, step_mm)[:, None] * normals
    _, normals = _with_gradient(vertices, bones, blend_mm)
    return make_mesh(vertices, normals, triangles)


def _with_gradient(points: Array, bones: list[Bone], blend_mm: float) -> tuple[Array, Array]:
    h = 0.4
    d = blended_distance(points, bones, blend_mm)
    g = np.stack([blended_distance(points + h * e, bones, blend_mm) - d for e in np.eye(3)], axis=1)
    return d, g / np.maximum(np.linalg.norm(g, axis=1, keepdims=True), 1e-9)


@dataclass(frozen=True)
class Grip:
    """How a hand holds a cube of side `side_mm`.

    `reach`: how far thumb and fingers come over their faces, 0..1 of the side; `thumb_high`, `fingers_high`:
    where on their face, -0.5..0.5 of the side along z; `over_top`: the thumb lies on the top face instead
    (covers stickers).
    """

    side_mm: float
    reach: float
    thumb_high: float
    fingers_high: float
    over_top: bool
    spread: float
    scale: float
    arm: tuple[float, float, float] = (0.86, 0.10, -0.50)


def draw_grip(rng: np.random.Generator, side_mm: float, over_top: bool) -> Grip:
    """A grip as hands have it; the fingers mostly on the lower half so that the top stays free."""
    return Grip(
        side_mm,
        float(rng.uniform(0.25, 0.6)),
        float(rng.uniform(-0.3, 0.1)),
        float(rng.uniform(-0.25, 0.0)),
        over_top,
        float(rng.uniform(0.16, 0.26)),
        float(rng.uniform(0.85, 1.12)),
        (float(rng.uniform(0.7, 1.0)), float(rng.uniform(-0.35, 0.35)), float(rng.uniform(-0.8, 0.25))),
    )


def hand_bones(grip: Grip, arm_mm: float) -> tuple[list[Bone], list[tuple[Array, Array]]]:
    """Capsules of hand and forearm in the grip's frame, and nails as (centre, outward)."""
    s, h, k = grip.side_mm, grip.side_mm / 2, grip.scale
    bones: list[Bone] = []
    nails: list[tuple[Array, Array]] = []
    wrist = np.array([h + 88 * k, 0.12 * s, -0.55 * s])
    heel = np.array([h + 50 * k, -0.05 * s, -0.35 * s])
    knuckles = [
        np.array([h + 22 * k, h * 0.75, (0.30 - 0.235 * i) * s * 0.9 + grip.fingers_high * s * 0.6])
        for i in range(4)
    ]
    for i, knuckle in enumerate(knuckles):
        r = (9.2 - 0.7 * i) * k
        tip_x = h - s * grip.reach * (1.0, 1.1, 1.0, 0.8)[i]
        tip_z = (0.22 - grip.spread * i) * s + grip.fingers_high * s
        tip_z = float(np.clip(tip_z, -0.48 * s, 0.40 * s))
        tip = np.array([tip_x, h + r * 0.72, tip_z])
        middle = np.array([max(tip_x + 24 * k, h + 2 * k), h + 12 * k + r * 0.7, 0.5 * (knuckle[2] + tip_z)])
        end = tip + (middle - tip) * 0.45 + np.array([0, 3.5 * k, 0])
        bones += [
            Bone(wrist, knuckle, 19 * k, r * 1.22),
            Bone(knuckle, middle, r * 1.12, r),
            Bone(middle, end, r, r * 0.92),
            Bone(end, tip, r * 0.92, r * 0.80),
        ]
        nails.append((tip + np.array([0, r * 0.8, 0]) * 0.95, np.array([0.0, 1.0, 0.0])))
    r = 10.5 * k
    if grip.over_top:
        tip = np.array([h - s * grip.reach * 0.8, -0.2 * s, h + r * 0.72])
        middle = np.array([h + 12 * k, -0.3 * s, h * 0.7 + 9 * k])
        base = np.array([h + 40 * k, -0.42 * s, -0.1 * s])
        nails.append((tip + np.array([0, 0, r * 0.78]), np.array([0.0, 0.0, 1.0])))
    else:
        high = grip.thumb_high * s
        tip = np.array([h - s * grip.reach * 0.85, -h - r * 0.72, high])
        middle = np.array([h + 8 * k, -h - 13 * k, high - 8 * k])
        base = np.array([h + 42 * k, -h * 0.9, -0.25 * s])
        nails.append((tip + np.array([0, -r * 0.78, 0]), np.array([0.0, -1.0, 0.0])))
    end = tip + (middle - tip) * 0.42
    bones += [
        Bone(wrist, base, 18 * k, 14.5 * k),
        Bone(base, middle, 14.0 * k, r * 1.05),
        Bone(middle, end, r * 1.05, r),
        Bone(end, tip, r, r * 0.84),
        Bone(heel, wrist, 17 * k, 20 * k),
        Bone(heel, knuckles[0], 14 * k, 10 * k),
        Bone(heel, knuckles[3], 14 * k, 9 * k),
    ]
    elbow = wrist + arm_mm * np.array(grip.arm)
    bones.append(Bone(wrist, elbow, 22 * k, 36 * k))
    return bones, nails


def hand_mesh(
    rng: np.random.Generator, grip: Grip, *, left: bool, step_mm: float = 2.6, arm_mm: float = 430.0
) -> Mesh:
    """A hand with forearm and perhaps a sleeve, in the grip's frame (mirrored in y for the other hand)."""
    bones, nails = hand_bones(grip, arm_mm)
    mesh = body_mesh(bones, step_mm, 2.6)
    skin = srgb_to_linear(
        np.clip(np.array(SKINS[rng.integers(len(SKINS))]) + rng.normal(0, 6, 3), 10, 250) / 255
    )
    colour = np.tile(skin, (len(mesh.points), 1))
    freckle = np.sin(mesh.points @ rng.normal(0, 0.25, 3)) * np.sin(mesh.points @ rng.normal(0, 0.3, 3))
    colour *= 1 + 0.06 * freckle[:, None]
    rough = np.full(len(mesh.points), 0.5)
    for centre, outward in nails:
        off = mesh.points - centre
        near = (np.linalg.norm(off, axis=1) < 6.2) & (mesh.normals @ outward > 0.55)
        colour[near] = 0.6 * colour[near] + 0.4 * np.array([0.8, 0.55, 0.5])
        rough[near] = 0.2
    if rng.random() < 0.65:
        wrist = np.array([grip.side_mm / 2 + 88 * grip.scale, 0, -0.55 * grip.side_mm])
        along = (mesh.points - wrist) @ np.array(grip.arm)
        cuff = along > rng.uniform(20, 120)
        cloth = srgb_to_linear(rng.uniform(10, 235, 3) / 255)
        if rng.random() < 0.4:  # a checked sleeve
            check = (np.floor(mesh.points / rng.uniform(10, 25)).sum(axis=1) % 2)[:, None]
            cloth = np.where(check > 0, cloth, srgb_to_linear(rng.uniform(10, 235, 3) / 255))
            colour[cuff] = cloth[cuff]
        else:
            colour[cuff] = cloth
        rough[cuff] = 0.9
    finished = Mesh(mesh.points, mesh.normals, mesh.triangles, np.clip(colour, 0.005, 0.9), rough, mesh.uv)
    return finished.moved(np.diag([1.0, -1.0, 1.0])) if left else finished
