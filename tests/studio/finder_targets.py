"""What the finder's networks are asked for, drawn from truth on the graphics card (PyTorch, training only).

All pixel coordinates count from the upper left corner of the upper left pixel.
"""

from __future__ import annotations

from dataclasses import dataclass

import torch
import torch.nn.functional as functional
from finder_nets import CROP_EDGES, FINDER_STRIDE, POSER_INPUT, POSER_MAP, orientation_monomials
from torch import Tensor

#: face -> upper left corner, columns, rows (cube of edge 2), order URFDLB as in vision/pose.py
PRINTED = torch.tensor(
    [
        [(-1, 1, -1), (1, 0, 0), (0, 0, 1)],
        [(1, 1, 1), (0, 0, -1), (0, -1, 0)],
        [(-1, 1, 1), (1, 0, 0), (0, -1, 0)],
        [(-1, -1, 1), (1, 0, 0), (0, 0, -1)],
        [(-1, 1, -1), (0, 0, 1), (0, -1, 0)],
        [(1, 1, -1), (-1, 0, 0), (0, -1, 0)],
    ],
    dtype=torch.float32,
)
VERTICES = (
    torch.tensor([(x, y, z) for x in (-1, 1) for y in (-1, 1) for z in (-1, 1)], dtype=torch.float32) / 2
)


@dataclass
class Cubes:
    """A cube a picture: rotation (B,3,3), translation (B,3) in edges, focal, centre (B,2), size, k1 (B,)."""

    rotation: Tensor
    translation: Tensor
    focal: Tensor
    centre: Tensor
    size: Tensor
    k1: Tensor

    def project(self, points: Tensor) -> Tensor:
        """(B, N, 3) in cube axes to (B, N, 2) pixels."""
        camera = torch.einsum("bij,bnj->bni", self.rotation, points) + self.translation[:, None]
        flat = camera[..., :2] / camera[..., 2:].clamp_min(0.05)
        flat = flat * (1 + self.k1[:, None, None] * flat.square().sum(-1, keepdim=True))
        return flat * self.focal[:, None, None] + self.centre[:, None]

    def place(self) -> tuple[Tensor, Tensor, Tensor]:
        """Centre in pixels (B, 2), pixels per edge there (B,), perspective = 1 / distance in edges (B,)."""
        depth = self.translation[:, 2].clamp_min(0.05)
        centre = self.translation[:, :2] / depth[:, None] * self.focal[:, None] + self.centre
        distance = self.translation.norm(dim=1)
        return centre, self.focal / distance, 1 / distance

    def in_ray_frame(self) -> Tensor:
        """The rotation as seen along the ray to the cube's centre, (B, 3, 3)."""
        z = functional.normalize(self.translation, dim=1)
        x = functional.normalize(torch.stack([z[:, 2], torch.zeros_like(z[:, 0]), -z[:, 0]], 1), dim=1)
        y = torch.cross(z, x, dim=1)
        return torch.stack([x, y, z], 1) @ self.rotation


def segments(cubes: Cubes) -> tuple[Tensor, Tensor, Tensor]:
    """Lattice lines of the visible faces.

    Returns points (B, 6*2*6, 2, 2) in pixels, and two masks (B, 72): line is an edge, line is a seam.
    """
    device = cubes.rotation.device
    b = cubes.rotation.shape[0]
    printed = PRINTED.to(device)
    origin, column, row = printed[:, 0] / 2, printed[:, 1], printed[:, 2]
    normal = torch.cross(row, column, dim=1)
    eye = -torch.einsum("bji,bj->bi", cubes.rotation, cubes.translation)
    to_eye = eye[:, None] - normal[None] / 2
    cosine = (to_eye * normal).sum(-1) / to_eye.norm(dim=-1)
    visible = cosine > 0.03
    k = torch.arange(6, device=device, dtype=torch.float32)
    n = cubes.size.float()[:, None]
    at = (k[None] / n).clamp(max=1.0)
    used = k[None] <= n
    outer = (k[None] == 0) | (k[None] == n)
    start_c = origin[None, :, None] + at[:, None, :, None] * column[None, :, None]
    start_r = origin[None, :, None] + at[:, None, :, None] * row[None, :, None]
    lines_c = torch.stack([start_c, start_c + row[None, :, None]], -2)
    lines_r = torch.stack([start_r, start_r + column[None, :, None]], -2)
    points = torch.stack([lines_c, lines_r], 2).reshape(b, 72, 2, 3)
    mask = (visible[:, :, None, None] & used[:, None, None]).expand(b, 6, 2, 6)
    edge = (mask & outer[:, None, None]).reshape(b, 72)
    seam = (mask & ~outer[:, None, None]).reshape(b, 72)
    flat = cubes.project(points.reshape(b, 144, 3)).reshape(b, 72, 2, 2)
    return flat, edge, seam


def line_heat(lines: Tensor, use: Tensor, side: int, sigma: float) -> Tensor:
    """Gaussian of the distance to the nearest line, (B, side, side); ``lines`` in map pixels."""
    ys, xs = torch.meshgrid(
        torch.arange(side, device=lines.device) + 0.5,
        torch.arange(side, device=lines.device) + 0.5,
        indexing="ij",
    )
    grid = torch.stack([xs, ys], -1).reshape(1, -1, 2)
    best = torch.full((lines.shape[0], side * side), 1e6, device=lines.device)
    for first in range(0, lines.shape[1], 12):
        at = slice(first, first + 12)
        a = lines[:, at, 0, None]
        d = lines[:, at, 1, None] - a
        rel = grid[:, None] - a
        along = (rel * d).sum(-1) / (d * d).sum(-1).clamp_min(1e-6)
        gap = (rel - along.clamp(0, 1)[..., None] * d).square().sum(-1)
        best = torch.minimum(best, torch.where(use[:, at, None], gap, 1e6).amin(1))
    return torch.exp(-best / (2 * sigma * sigma)).reshape(-1, side, side)


def corner_heat(cubes: Cubes, to_map: Tensor, side: int, sigma: float) -> Tensor:
    """Gaussians at the corners of visible faces, (B, side, side); ``to_map`` (B, 2, 3): pixels to the map."""
    device = cubes.rotation.device
    vertices = VERTICES.to(device)
    eye = -torch.einsum("bji,bj->bi", cubes.rotation, cubes.translation)
    shown = ((eye[:, None] * vertices.sign()[None]) > 0.5).any(-1)
    points = apply(to_map, cubes.project(vertices[None].expand(eye.shape[0], 8, 3)))
    line = torch.stack([points, points + 1e-3], 2)
    return line_heat(line, shown, side, sigma)


def apply(matrix: Tensor, points: Tensor) -> Tensor:
    """Affine matrices (B, 2, 3) on points (B, ..., 2)."""
    shape = points.shape
    flat = points.reshape(shape[0], -1, 2)
    return (torch.einsum("bij,bnj->bni", matrix[:, :, :2], flat) + matrix[:, None, :, 2]).reshape(shape)


def similarity(centre: Tensor, scale: Tensor, angle: Tensor, flip: Tensor, target: Tensor) -> Tensor:
    """(B, 2, 3): pixel ``centre`` to ``target``, times ``scale``, turned by ``angle``, maybe mirrored."""
    cos, sin = torch.cos(angle) * scale, torch.sin(angle) * scale
    mirror = torch.where(flip, -1.0, 1.0)
    linear = torch.stack([torch.stack([cos * mirror, -sin], -1), torch.stack([sin * mirror, cos], -1)], 1)
    shift = target - torch.einsum("bij,bj->bi", linear, centre)
    return torch.cat([linear, shift[..., None]], 2)


def warp(levels: list[Tensor], matrix: Tensor, scale: Tensor, height: int, width: int) -> Tensor:
    """Sample pictures (B, C, H, W) given as a pyramid (each level half the one before) through ``matrix``.

    ``matrix`` takes full picture pixels to output pixels; ``scale`` picks the level that does not alias.
    """
    b = matrix.shape[0]
    device = matrix.device
    square = torch.cat([matrix, torch.tensor([[[0.0, 0, 1]]], device=device).expand(b, 1, 3)], 1)
    back = torch.linalg.inv(square)[:, :2]
    ys, xs = torch.meshgrid(
        torch.arange(height, device=device) + 0.5, torch.arange(width, device=device) + 0.5, indexing="ij"
    )
    grid = torch.stack([xs, ys], -1)[None].expand(b, -1, -1, -1)
    source = apply(back, grid)
    h, w = levels[0].shape[-2:]
    source = source / torch.tensor([w, h], device=device) * 2 - 1
    pick = (-torch.log2(scale.clamp(max=1.0))).round().long().clamp(0, len(levels) - 1)
    out = torch.zeros(b, levels[0].shape[1], height, width, device=device)
    for i, level in enumerate(levels):
        chosen = pick == i
        if bool(chosen.any()):
            out[chosen] = functional.grid_sample(
                level[chosen].float(),
                source[chosen],
                mode="bilinear",
                padding_mode="zeros",
                align_corners=False,
            )
    return out


def pyramid(picture: Tensor, levels: int = 4) -> list[Tensor]:
    """Halved pictures."""
    out = [picture]
    for _ in range(levels - 1):
        out.append(functional.avg_pool2d(out[-1], 2))
    return out


def poser_targets(cubes: Cubes, to_crop: Tensor, angle: Tensor, flip: Tensor) -> dict[str, Tensor]:
    """Maps and numbers of a crop whose pixels are ``to_crop`` (B, 2, 3) of the picture's."""
    side = POSER_MAP
    to_map = to_crop * (side / POSER_INPUT)
    lines, edge, seam = segments(cubes)
    lines = apply(to_map, lines)
    centre, edge_px, perspective = cubes.place()
    turned = cubes.in_ray_frame()
    mirror = torch.where(flip, -1.0, 1.0)
    turned = turned * torch.stack([mirror, torch.ones_like(mirror), torch.ones_like(mirror)], 1)[:, :, None]
    cos, sin = torch.cos(angle), torch.sin(angle)
    zero, one = torch.zeros_like(cos), torch.ones_like(cos)
    spin = torch.stack(
        [
            torch.stack([cos, -sin, zero], 1),
            torch.stack([sin, cos, zero], 1),
            torch.stack([zero, zero, one], 1),
        ],
        1,
    )
    turned = spin @ turned
    at = apply(to_crop, centre[:, None])[:, 0] / POSER_INPUT - 0.5
    factor = to_crop[:, :, :2].det().abs().sqrt()
    return {
        "edge": line_heat(lines, edge, side, 0.8),
        "seam": line_heat(lines, seam, side, 0.7),
        "corner": corner_heat(cubes, to_map, side, 1.0),
        "orientation": orientation_monomials(turned),
        "at": at,
        "scale": torch.log(edge_px * factor * CROP_EDGES / POSER_INPUT),
        "perspective": torch.log(perspective),
    }


def finder_targets(
    places: Tensor, edges_px: Tensor, state: Tensor, height: int, width: int
) -> tuple[Tensor, Tensor, Tensor, Tensor]:
    """Centre heat (B,H,W), numbers (B,3,H,W), their weight (B,H,W), and where heat does not count (B,H,W).

    ``places`` (B, K, 2) pixels of the small picture, ``edges_px`` (B, K), ``state`` (B, K): 1 a cube,
    0 nothing, -1 too hidden to ask for.
    """
    device = places.device
    ys, xs = torch.meshgrid(
        torch.arange(height, device=device) + 0.5, torch.arange(width, device=device) + 0.5, indexing="ij"
    )
    cells = places / FINDER_STRIDE
    gap_x = cells[..., 0, None, None] - xs
    gap_y = cells[..., 1, None, None] - ys
    square = gap_x.square() + gap_y.square()
    sigma = (edges_px / FINDER_STRIDE * 0.25).clamp(0.6, 3.0)[..., None, None]
    heat_each = torch.exp(-square / (2 * sigma * sigma))
    heat = torch.where((state == 1)[..., None, None], heat_each, 0.0).amax(1)
    ignore = torch.where((state == -1)[..., None, None], heat_each, 0.0).amax(1) > 0.1
    nearest = torch.where((state == 1)[..., None, None], square / sigma.square(), 1e6).argmin(1, keepdim=True)
    size = torch.log(edges_px / 32)[..., None, None].expand_as(square)
    numbers = torch.stack([g.gather(1, nearest)[:, 0] for g in (gap_x, gap_y, size)], 1)
    return heat, numbers, (heat > 0.4).float() * heat, ignore
