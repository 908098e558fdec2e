"""The network that tells whose colour each sticker carries, and its input (PyTorch, training only).

A sticker is a token: 8 x 8 pixels across its cell and a few numbers on where it lies. All stickers of the top
face and of up to two sides are looked at together, so that one light, one haze and one patch of glare can be
told from colour. The product computes the same in numpy (``vision/whose_colour.py``).
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import torch
import torch.nn.functional as functional
from finder_targets import PRINTED, Cubes, pyramid
from torch import Tensor, nn

PATCH, MARGIN, CELLS, SLOTS = 8, 0.1, 5, 3
NUMBERS = 12
COLOURS = 4
LEAST_COSINE = 0.03
WIDTH, LAYERS, HEADS = 96, 5, 4


class Layer(nn.Module):
    """Attention among the stickers, then two linear steps; both beside a straight path."""

    def __init__(self) -> None:
        super().__init__()
        self.norm_a, self.norm_b = nn.LayerNorm(WIDTH), nn.LayerNorm(WIDTH)
        self.to_qkv, self.to_out = nn.Linear(WIDTH, 3 * WIDTH), nn.Linear(WIDTH, WIDTH)
        self.wide, self.narrow = nn.Linear(WIDTH, 2 * WIDTH), nn.Linear(2 * WIDTH, WIDTH)

    def forward(self, x: Tensor, shown: Tensor) -> Tensor:
        b, t, _ = x.shape
        q, k, v = self.to_qkv(self.norm_a(x)).view(b, t, 3, HEADS, -1).permute(2, 0, 3, 1, 4)
        seen = functional.scaled_dot_product_attention(q, k, v, attn_mask=shown[:, None, None, :])
        x = x + self.to_out(seen.transpose(1, 2).reshape(b, t, WIDTH))
        return x + self.narrow(functional.relu(self.wide(self.norm_b(x))))


class ColourNet(nn.Module):
    """Tokens (B, T, 204) and which are there (B, T) to (B, T, 5): logits of the colour of the top, of the
    side seen best, of the other side in view and of neither, then the logit of being seen."""

    def __init__(self) -> None:
        super().__init__()
        self.first = nn.Linear(PATCH * PATCH * 3 + NUMBERS, 128)
        self.second = nn.Linear(128, WIDTH)
        self.layers = nn.ModuleList(Layer() for _ in range(LAYERS))
        self.norm = nn.LayerNorm(WIDTH)
        self.out = nn.Linear(WIDTH, COLOURS + 1)

    def forward(self, tokens: Tensor, shown: Tensor) -> Tensor:
        x = self.second(functional.relu(self.first(tokens)))
        for layer in self.layers:
            x = layer(x, shown)
        return self.out(self.norm(x))


def jittered(cubes: Cubes, sticker: Tensor) -> Cubes:
    """The poses a finder would give: off by some hundredths of a sticker (``sticker`` (B,): one over n)."""
    b, device = len(sticker), sticker.device
    size = torch.where(torch.rand(b, device=device) < 0.8, 1.0, 3.0)[:, None] * sticker[:, None]
    turn = torch.randn(b, 3, device=device) * 0.03 * size
    zero = torch.zeros(b, device=device)
    x, y, z = turn.T
    skew = torch.stack([zero, -z, y, z, zero, -x, -y, x, zero], 1).view(b, 3, 3)
    shift = torch.randn(b, 3, device=device) * torch.tensor([0.04, 0.04, 0.15], device=device) * size
    rotation = torch.linalg.matrix_exp(skew) @ cubes.rotation
    return Cubes(rotation, cubes.translation + shift, cubes.focal, cubes.centre, cubes.size, cubes.k1)


def tokens_of(
    picture: Tensor, cubes: Cubes, level_jitter: float = 0.0
) -> tuple[Tensor, Tensor, Tensor, Tensor]:
    """Tokens (B, 75, 204), whether there is one (B, 75), its face (B, 3), and its sticker is of known colour
    (B, 75), from pictures (B, 3, H, W) BGR in -0.5..0.5."""
    device, b = picture.device, len(cubes.size)
    printed = PRINTED.to(device)
    origin, column, row = printed[:, 0] / 2, printed[:, 1], printed[:, 2]
    normal = torch.cross(row, column, dim=1)
    eye = -torch.einsum("bji,bj->bi", cubes.rotation, cubes.translation)
    to_eye = eye[:, None] - normal[None] / 2
    cosine = (to_eye * normal).sum(-1) / to_eye.norm(dim=-1)  # (B, 6)
    sides = cosine.clone()
    sides[:, [0, 3]] = -9
    face = torch.cat([torch.zeros(b, 1, dtype=torch.long, device=device), sides.topk(2, 1).indices], 1)
    cos = cosine.gather(1, face)
    n = cubes.size.float()[:, None, None]
    k = torch.arange(CELLS, device=device, dtype=torch.float32)
    inner = -MARGIN + (1 + 2 * MARGIN) * (torch.arange(PATCH, device=device) + 0.5) / PATCH
    at = (k[None, :, None] + inner) / n  # (B, 5, 8)
    # (B, 3, row, column, y, x, 3)
    o, c, r = origin[face], column[face], row[face]
    points = (
        o[:, :, None, None, None, None]
        + at[:, None, :, None, :, None, None] * r[:, :, None, None, None, None]
        + at[:, None, None, :, None, :, None] * c[:, :, None, None, None, None]
    )
    flat = cubes.project(points.reshape(b, -1, 3))
    _, edge_px, _ = cubes.place()
    sticker_px = edge_px / cubes.size
    # a face seen at a slant keeps pixels enough across its stickers
    level = torch.log2(sticker_px[:, None] * (2 * cos.clamp(min=LEAST_COSINE)).clamp(max=1) / PATCH)  # (B, 3)
    if level_jitter:
        level = level + (torch.rand(b, 1, device=device) - 0.5) * level_jitter
    h, w = picture.shape[-2:]
    grid = (flat / torch.tensor([w, h], device=device) * 2 - 1).view(b, SLOTS, -1, 2)
    levels = pyramid(picture)
    pick = level.round().long().clamp(0, len(levels) - 1)
    patch = torch.zeros(b, SLOTS, 3, grid.shape[2], device=device)
    for i, one in enumerate(levels):
        row, slot = (pick == i).nonzero(as_tuple=True)
        if len(row):
            patch[row, slot] = functional.grid_sample(
                one[row].float(), grid[row, slot][:, None], mode="bilinear", align_corners=False
            )[:, :, 0]
    patch = patch.transpose(1, 2)
    t = SLOTS * CELLS * CELLS
    patch = patch.reshape(b, 3, t, PATCH * PATCH).permute(0, 2, 3, 1).reshape(b, t, -1)
    turned = cubes.in_ray_frame()
    middle = (k + 0.5) / n.view(b, 1)  # (B, 5)
    centre = (
        o[:, :, None, None]
        + middle[:, None, :, None, None] * r[:, :, None, None]
        + middle[:, None, None, :, None] * c[:, :, None, None]
    )
    place = torch.einsum("bij,bfrcj->bfrci", turned, centre)
    facing = torch.einsum("bij,bfj->bfi", turned, normal[face])[:, :, None, None].expand_as(place)
    size = cubes.size.view(b, 1, 1, 1)
    rows, columns = k.view(1, 1, CELLS, 1), k.view(1, 1, 1, CELLS)
    is_top = torch.tensor([True, False, False], device=device).view(1, 3, 1, 1)
    inside = (rows > 0) & (rows < size - 1) & (columns > 0) & (columns < size - 1)
    known = torch.where(is_top, inside, (rows > 0).expand_as(inside))
    shape = known.shape
    numbers = torch.stack(
        [
            is_top.expand(shape).float(),
            known.float(),
            cos[:, :, None, None].expand(shape),
            torch.log2(sticker_px / 16).view(b, 1, 1, 1).expand(shape),
            (4 / size - 1).expand(shape),
            torch.tensor([0.0, 0, 1], device=device).view(1, 3, 1, 1).expand(shape),
        ],
        -1,
    )
    tokens = torch.cat([patch, torch.cat([place, facing, numbers], -1).reshape(b, t, NUMBERS)], -1)
    shown = (rows < size) & (columns < size) & (cos > LEAST_COSINE)[:, :, None, None]
    return tokens, shown.reshape(b, t), face, known.reshape(b, t)


def going_on(net: ColourNet, path: Path) -> None:
    """Take the weights of an .npz file; one made before there were four colours tells the top's alone."""
    with np.load(path, allow_pickle=False) as stored:
        state = {k: torch.from_numpy(stored[k].astype(np.float32)) for k in stored.files}
    if len(state["out.bias"]) == 2:
        none = torch.zeros(1, WIDTH)
        state["out.weight"] = torch.cat([state["out.weight"][:1], none, none, none, state["out.weight"][1:]])
        even = torch.full((3,), -float(np.log(3)))
        state["out.bias"] = torch.cat([state["out.bias"][:1], even, state["out.bias"][1:]])
        state["first.weight"] = torch.cat([state["first.weight"], torch.zeros(128, 1)], 1)
    net.load_state_dict(state)


def export(net: ColourNet, path: Path) -> None:
    """Weights as half-precision arrays of an .npz file."""
    np.savez(path, **{k: v.detach().cpu().numpy().astype(np.float16) for k, v in net.state_dict().items()})
