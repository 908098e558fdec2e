"""The network that tells whose colour each sticker carries, and its input (PyTorch, training only).

A sticker is a token: 8 x 8 pixels across its cell, 8 x 8 coarser ones that show half of its neighbours (and
how far off the pose is), and a few numbers on where it lies. All stickers of the top face and of up to two
sides are looked at together, so that one light, one haze and one patch of glare can be told from colour. The
product computes the same in numpy (``vision/whose_colour.py``).
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import torch
import torch.nn.functional as functional
from finder_targets import PRINTED, Cubes, pyramid
from torch import Tensor, nn

PATCH, MARGINS, CELLS, SLOTS = 8, (0.1, 0.6), 5, 3
PIXELS = len(MARGINS) * PATCH * PATCH * 3
NUMBERS = 12
COLOURS = 4
LEAST_COSINE = 0.03
#: sides seen at more of a slant are opened about the top's edge so far; so far out of view they are looked
#: at; not where the top is seen at such a slant (as vision/patches.py has them)
OPENED, JUST_HIDDEN, LEAST_TOP = 0.12, -0.3, 0.35
WIDTH, LAYERS, HEADS = 96, 6, 4


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
    """Tokens (B, T, 396) and which are there (B, T) to (B, T, 5): logits of the colour of the top, of the
    side seen best, of the other side in view and of neither, then the logit of being seen."""

    def __init__(self) -> None:
        super().__init__()
        self.first = nn.Linear(PIXELS + NUMBERS, 128)
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
    luck = torch.rand(b, 1, device=device)
    factor = torch.where(luck < 0.7, 1.0, torch.where(luck < 0.95, 3.0, 6.0))
    size = factor * sticker[:, None]
    turn = torch.randn(b, 3, device=device) * 0.03 * size
    zero = torch.zeros(b, device=device)
    x, y, z = turn.T
    skew = torch.stack([zero, -z, y, z, zero, -x, -y, x, zero], 1).view(b, 3, 3)
    shift = torch.randn(b, 3, device=device) * torch.tensor([0.04, 0.04, 0.15], device=device) * size
    rotation = torch.linalg.matrix_exp(skew) @ cubes.rotation
    # a tilt about the middle of the top: what is hardest to see in a picture from above
    luck = torch.rand(b, 1, device=device)
    tilt = torch.where(luck < 0.7, 0.015, torch.where(luck < 0.95, 0.03, 0.07)) * torch.randn(
        b, 2, device=device
    )
    x, y = tilt.T
    skew = torch.stack([zero, zero, y, zero, zero, -x, -y, x, zero], 1).view(b, 3, 3)
    tilted = torch.linalg.matrix_exp(skew)
    top = rotation[:, :, 1] / 2
    rotation = tilted @ rotation
    shift = shift + top - rotation[:, :, 1] / 2
    # another lens with the cube as much farther off: its place and size in the picture stay
    zoom = torch.exp(0.05 * factor[:, 0].clamp(max=3) * torch.randn(b, device=device))
    place = (cubes.translation + shift) * torch.stack([torch.ones_like(zoom)] * 2 + [zoom], 1)
    return Cubes(rotation, place, cubes.focal * zoom, cubes.centre, cubes.size, cubes.k1)


def tokens_of(
    picture: Tensor, cubes: Cubes, level_jitter: float = 0.0, farther: float = 0.0
) -> tuple[Tensor, Tensor, Tensor, Tensor]:
    """Tokens (B, 75, 396), whether there is one (B, 75), its face (B, 3), and its sticker is of known colour
    (B, 75), from pictures (B, 3, H, W) BGR in -0.5..0.5. ``farther``: share of pictures whose top is looked
    at with the two sides that are seen least."""
    device, b = picture.device, len(cubes.size)
    printed = PRINTED.to(device)
    origin, column, row = printed[:, 0] / 2, printed[:, 1], printed[:, 2]
    normal = torch.cross(row, column, dim=1)
    eye = -torch.einsum("bji,bj->bi", cubes.rotation, cubes.translation)
    to_eye = eye[:, None] - normal[None] / 2
    cosine = (to_eye * normal).sum(-1) / to_eye.norm(dim=-1)  # (B, 6)
    sides = cosine.clone()
    sides[:, [0, 3]] = -9
    ranked = sides.topk(4, 1).indices
    least = torch.rand(b, 1, device=device) < farther
    pair = torch.where(least, ranked[:, 2:], ranked[:, :2])
    face = torch.cat([torch.zeros(b, 1, dtype=torch.long, device=device), pair], 1)
    cos = cosine.gather(1, face)
    opened, slant, is_shown = opened_rows(face, cos, eye)
    n = cubes.size.float()[:, None, None]
    k = torch.arange(CELLS, device=device, dtype=torch.float32)
    _, edge_px, _ = cubes.place()
    sticker_px = edge_px / cubes.size
    # a face seen at a slant keeps pixels enough across its stickers
    level = torch.log2(
        sticker_px[:, None] * (2 * slant.clamp(min=LEAST_COSINE)).clamp(max=1) / PATCH
    )  # (B, 3)
    if level_jitter:
        level = level + (torch.rand(b, 1, device=device) - 0.5) * level_jitter
    o, c, r = origin[face], column[face], row[face]
    levels = pyramid(picture)
    coarser = [float(np.log2((1 + 2 * margin) / (1 + 2 * MARGINS[0]))) for margin in MARGINS]
    patch = torch.cat(
        [
            patches(levels, cubes, (o, c, opened), level + more, margin, PATCH)
            for margin, more in zip(MARGINS, coarser, strict=True)
        ],
        -1,
    )
    t = SLOTS * CELLS * CELLS
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
    shown = (rows < size) & (columns < size) & is_shown[:, :, None, None]
    return tokens, shown.reshape(b, t), face, known.reshape(b, t)


def opened_rows(face: Tensor, cos: Tensor, eye: Tensor) -> tuple[Tensor, Tensor, Tensor]:
    """Direction of the rows (B, 3, 3) along which the faces of each slot (B, 3) are looked at, the cosine
    (B, 3) under which they are seen then, and whether they are looked at; as ``vision/patches.py`` has it."""
    printed = PRINTED.to(face.device)
    origin, column, row = printed[:, 0] / 2, printed[:, 1], printed[:, 2]
    normal = torch.cross(row, column, dim=1)
    to_eye = functional.normalize(
        eye[:, None] - (origin + column / 2)[face], dim=-1
    )  # from the edge's middle
    a, b = (to_eye * normal[face]).sum(-1), -(to_eye * row[face]).sum(-1)
    is_side = torch.tensor([False, True, True], device=face.device)
    may_open = is_side & (b > LEAST_TOP) & (cos < OPENED)
    far = torch.hypot(a, b).clamp_min(OPENED)
    angle = torch.where(may_open, torch.asin(OPENED / far) - torch.atan2(a, b), 0.0).clamp_min(0.0)
    rows = torch.cos(angle)[..., None] * row[face] + torch.sin(angle)[..., None] * normal[face]
    shown = (cos > LEAST_COSINE) | (may_open & (cos > JUST_HIDDEN))
    return rows, torch.where(may_open, OPENED, cos), shown


def patches(
    levels: list[Tensor],
    cubes: Cubes,
    faces: tuple[Tensor, Tensor, Tensor],
    level: Tensor,
    margin: float,
    side: int,
) -> Tensor:
    """Pixels (B, 75, side * side * 3) across each cell and ``margin`` cells beyond it.

    ``levels`` is a pyramid of pictures, ``level`` (B, 3) which of them to look at; ``faces`` are origin,
    columns and rows of the slots' faces (B, 3, 3) each.
    """
    device, b = level.device, len(level)
    n = cubes.size.float()[:, None, None]
    k = torch.arange(CELLS, device=device, dtype=torch.float32)
    inner = -margin + (1 + 2 * margin) * (torch.arange(side, device=device) + 0.5) / side
    at = (k[None, :, None] + inner) / n  # (B, 5, side)
    # (B, 3, row, column, y, x, 3)
    o, c, r = faces
    points = (
        o[:, :, None, None, None, None]
        + at[:, None, :, None, :, None, None] * r[:, :, None, None, None, None]
        + at[:, None, None, :, None, :, None] * c[:, :, None, None, None, None]
    )
    flat = cubes.project(points.reshape(b, -1, 3))
    h, w = levels[0].shape[-2:]
    grid = (flat / torch.tensor([w, h], device=device) * 2 - 1).view(b, SLOTS, -1, 2)
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
    return patch.reshape(b, 3, t, side * side).permute(0, 2, 3, 1).reshape(b, t, -1)


def going_on(net: ColourNet, path: Path) -> None:
    """Take the weights of an .npz file; what the net has beyond them starts unheard."""
    with np.load(path, allow_pickle=False) as stored:
        state = {k: torch.from_numpy(stored[k].astype(np.float32)) for k in stored.files}
    first = state["first.weight"]
    if first.shape[1] < PIXELS + NUMBERS:
        old = first.shape[1] - NUMBERS
        none = torch.zeros(len(first), PIXELS - old)
        state["first.weight"] = torch.cat([first[:, :old], none, first[:, old:]], 1)
    for name, value in net.state_dict().items():
        if name not in state:
            state[name] = torch.zeros_like(value) if ".to_out." in name or ".narrow." in name else value
    net.load_state_dict(state)


def export(state: dict[str, Tensor], path: Path) -> None:
    """Weights as half-precision arrays of an .npz file."""
    np.savez(path, **{k: v.detach().cpu().numpy().astype(np.float16) for k, v in state.items()})
