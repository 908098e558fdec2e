"""Shadows with an edge and stray light, cast over traced pictures afterwards (PyTorch, training only).

What throws the shadow has a straight edge and the lamp is small, so the shadow's bounds are planes in space.
Each pixel's point is taken on the cube where its ray meets the cube, else on a plane through the cube's
middle: the edge runs on from face to face as it would. Within it the light is weaker and of another colour,
as where only the sky or a second lamp is left.
"""

from __future__ import annotations

import torch
from finder_targets import Cubes
from torch import Tensor

#: light left in a shadow; width of its edge and how far it lies from the cube's middle, in cube edges
LEFT, SOFT, OFF = (0.12, 0.7), (0.004, 0.1), 0.6


def shaded(linear_rgb: Tensor, cubes: Cubes, share: float) -> Tensor:
    """Pictures (B, H, W, 3), linear light, a ``share`` of them with a half, a bar or all but a bar in shadow.

    ``cubes`` are the main cubes' poses in those pictures' pixels.
    """
    device = linear_rgb.device
    b = len(linear_rgb)
    chosen = (torch.rand(b, device=device) < share).nonzero()[:, 0]
    if not len(chosen):
        return linear_rgb
    b, (high, wide) = len(chosen), linear_rgb.shape[1:3]
    points = surface_points(Cubes(*(part[chosen] for part in vars(cubes).values())), high, wide)
    normal = torch.randn(b, 3, device=device)
    normal = normal / normal.norm(dim=1, keepdim=True)
    off = (torch.rand(b, 1, device=device) * 2 - 1) * OFF
    soft = spread(SOFT, b, device)
    along = torch.einsum("bpi,bi->bp", points, normal) - off
    kind = torch.rand(b, 1, device=device)
    bar = 0.1 + 0.5 * torch.rand(b, 1, device=device)
    inside = torch.where(kind < 0.6, along, torch.where(kind < 0.8, bar - along.abs(), along.abs() - bar))
    dark = torch.sigmoid(inside / soft * 4)
    left = spread(LEFT, b, device) * torch.exp(0.12 * torch.randn(b, 3, device=device))
    gain = 1 - dark[..., None] * (1 - left[:, None].clamp(max=1))
    out = linear_rgb.clone()
    out[chosen] = linear_rgb[chosen] * gain.view(b, high, wide, 3).to(linear_rgb.dtype)
    return out


def veiled(linear_rgb: Tensor, share: float) -> Tensor:
    """Pictures (B, H, W, 3), a ``share`` of them with stray light all over, as from a lamp just out of view
    or a smeared lens: up to half of the mean light."""
    b, device = len(linear_rgb), linear_rgb.device
    much = 0.5 * torch.rand(b, 1, device=device) * (torch.rand(b, 1, device=device) < share)
    light = linear_rgb.clamp(max=4 * linear_rgb.mean((1, 2, 3), keepdim=True)).mean((1, 2))
    tint = torch.exp(0.15 * torch.randn(b, 3, device=device))
    return linear_rgb + (much * light.mean(1, keepdim=True) * tint)[:, None, None]


def spread(bounds: tuple[float, float], count: int, device: torch.device) -> Tensor:
    """Numbers (count, 1) between two bounds, even in their logarithm."""
    low, high = (float(torch.tensor(bound).log()) for bound in bounds)
    return torch.exp(torch.empty(count, 1, device=device).uniform_(low, high))


def surface_points(cubes: Cubes, high: int, wide: int) -> Tensor:
    """Where the rays of all pixels meet the cube, else the plane through its middle that faces the camera,
    (B, high * wide, 3) in cube axes; the lens is taken to be free of distortion."""
    device = cubes.rotation.device
    ys, xs = torch.meshgrid(
        torch.arange(high, device=device) + 0.5, torch.arange(wide, device=device) + 0.5, indexing="ij"
    )
    pixels = torch.stack([xs, ys], -1).view(1, -1, 2)
    flat = (pixels - cubes.centre[:, None]) / cubes.focal[:, None, None]
    rays = torch.cat([flat, torch.ones_like(flat[..., :1])], -1) @ cubes.rotation
    eye = -torch.einsum("bji,bj->bi", cubes.rotation, cubes.translation)[:, None]
    safe = torch.where(rays.abs() < 1e-6, 1e-6, rays)
    first, second = (-0.5 - eye) / safe, (0.5 - eye) / safe
    near, far = torch.minimum(first, second).amax(-1), torch.maximum(first, second).amin(-1)
    depth = torch.where(near < far, near, cubes.translation[:, None, 2])
    return eye + depth[..., None] * rays
