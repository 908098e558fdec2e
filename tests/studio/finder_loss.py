"""What the finder's networks are shown, cut out of the feed's pictures, and how far off they are."""

from __future__ import annotations

import torch
import torch.nn.functional as functional
from finder_feed import Feed
from finder_nets import CROP_EDGES, FINDER_STRIDE, POSER_INPUT, SIZES
from finder_targets import apply, finder_targets, poser_targets, pyramid, similarity, warp
from torch import Tensor

SMALL = {"wide": (160, 256), "full": (192, 256), "tall": (256, 160), "portrait": (256, 192)}


def soft_focal(logit: Tensor, target: Tensor, ignore: Tensor) -> Tensor:
    """Binary cross-entropy weighed by the squared gap, summed over the map, per positive."""
    gap = (torch.sigmoid(logit) - target).abs().square()
    loss = functional.binary_cross_entropy_with_logits(logit, target, reduction="none") * gap
    return (loss * ~ignore).sum() / (target > 0.9).sum().clamp_min(1) * 0.5


def finder_batch(
    feed: Feed, pick: Tensor, picture: Tensor, shape: tuple[int, int], train: bool
) -> tuple[Tensor, ...]:
    """Small pictures and targets for the finder."""
    device = picture.device
    b = pick.shape[0]
    high, wide = shape
    source_h, source_w = picture.shape[-2:]
    fit = wide / source_w if (high, wide) == SMALL["wide"] else high / source_h
    scale = torch.full((b,), fit, device=device)
    angle = torch.zeros(b, device=device)
    centre = torch.tensor([source_w / 2, source_h / 2], device=device).expand(b, 2).clone()
    flip = torch.zeros(b, dtype=torch.bool, device=device)
    if train:
        scale = scale * torch.exp(torch.empty(b, device=device).uniform_(-0.35, 0.5))
        angle = torch.where(
            torch.rand(b, device=device) < 0.8,
            torch.randn(b, device=device) * 0.12,
            torch.rand(b, device=device) * 6.283,
        )
        centre = (
            centre
            + torch.randn(b, 2, device=device) * torch.tensor([source_w, source_h], device=device) * 0.08
        )
        flip = torch.rand(b, device=device) < 0.5
    target = torch.tensor(
        [wide / 2, (high if high != 160 or wide != 256 else 144) / 2], device=device
    ).expand(b, 2)
    matrix = similarity(centre, scale, angle, flip, target)
    small = warp(pyramid(picture), matrix, scale, high, wide)
    if not train and high == 160:
        small[:, :, 144:] = 0
    places = apply(matrix, feed.places[pick])
    edges = feed.edges_px[pick] * scale[:, None]
    state = feed.states[pick].clone()
    margin = edges * 0.3
    inside = (
        (places[..., 0] > -margin)
        & (places[..., 0] < wide + margin)
        & (places[..., 1] > -margin)
        & (places[..., 1] < high + margin)
    )
    whole = (places[..., 0] > 0) & (places[..., 0] < wide) & (places[..., 1] > 0) & (places[..., 1] < high)
    state = torch.where((state == 1) & ~whole, -1, state)
    state = torch.where(inside, state, 0)
    state = torch.where((state == 1) & (edges < 8), -1, state)
    targets = finder_targets(places, edges, state, high // FINDER_STRIDE, wide // FINDER_STRIDE)
    return small, *targets


def finder_loss(out: Tensor, heat: Tensor, numbers: Tensor, weight: Tensor, ignore: Tensor) -> Tensor:
    """Heat plus place and size where a cube is."""
    at = ((out[:, 1:] - numbers).abs() * weight[:, None]).sum() / weight.sum().clamp_min(1)
    return soft_focal(out[:, 0], heat, ignore) + 0.5 * at


def poser_batch(
    feed: Feed, pick: Tensor, which: Tensor, picture: Tensor, mask: Tensor, train: bool
) -> tuple[Tensor, dict[str, Tensor]]:
    """Crops and targets; ``which`` (B,) the cube of the scene, -1 for a place without one."""
    device = picture.device
    b = pick.shape[0]
    source_h, source_w = picture.shape[-2:]
    slot = which.clamp_min(0)
    cubes = feed.cubes(pick, slot)
    centre, edge_px, _ = cubes.place()
    empty = which < 0
    random_at = torch.rand(b, 2, device=device) * torch.tensor([source_w, source_h], device=device)
    lure = feed.lures[pick]
    lured = (lure[:, 2] > 0) & (torch.rand(b, device=device) < 0.8)
    random_at = torch.where(lured[:, None], lure[:, :2], random_at)
    random_px = torch.where(lured, lure[:, 2], torch.exp(torch.empty(b, device=device).uniform_(2.8, 5.0)))
    centre = torch.where(empty[:, None], random_at, centre)
    edge_px = torch.where(empty, random_px, edge_px)
    jitter = 1.0 if train else 0.5
    centre = centre + torch.randn(b, 2, device=device) * edge_px[:, None] * 0.11 * jitter
    scale = POSER_INPUT / (CROP_EDGES * edge_px) * torch.exp(torch.randn(b, device=device) * 0.12 * jitter)
    angle = torch.zeros(b, device=device)
    flip = torch.zeros(b, dtype=torch.bool, device=device)
    if train:
        angle = torch.where(
            torch.rand(b, device=device) < 0.6,
            torch.rand(b, device=device) * 6.2832,
            torch.randn(b, device=device) * 0.1,
        )
        flip = torch.rand(b, device=device) < 0.5
    middle = torch.full((b, 2), POSER_INPUT / 2, device=device)
    matrix = similarity(centre, scale, angle, flip, middle)
    crop = warp(pyramid(picture), matrix, scale, POSER_INPUT, POSER_INPUT)
    target = poser_targets(cubes, matrix, angle, flip)
    shown = warp(pyramid(mask), matrix, scale, POSER_INPUT, POSER_INPUT)
    target["surface"] = functional.avg_pool2d(shown, 2)[:, 0]
    for name in ("edge", "seam", "corner", "surface"):
        target[name] = torch.where(empty[:, None, None], 0.0, target[name])
    target["size"] = cubes.size - SIZES[0]
    target["cube"] = (~empty).float()
    return crop, target


def poser_loss(maps: Tensor, numbers: Tensor, target: dict[str, Tensor]) -> tuple[Tensor, dict[str, Tensor]]:
    """The sum and its parts."""
    cube = target["cube"]
    count = cube.sum().clamp_min(1)
    bce = functional.binary_cross_entropy_with_logits
    parts = {}
    for i, (name, weight) in enumerate((("edge", 2.0), ("seam", 2.0), ("corner", 1.0), ("surface", 0.5))):
        each = bce(maps[:, i], target[name], reduction="none")
        heavy = 1 + 3 * target[name] if name != "surface" else torch.ones_like(each)
        parts[name] = weight * (each * heavy).mean()

    def mean(x: Tensor) -> Tensor:
        return (x * cube).sum() / count

    parts["orientation"] = 2.0 * mean((numbers[:, :15] - target["orientation"]).square().sum(1))
    parts["at"] = 10 * mean((numbers[:, 15:17] - target["at"]).abs().sum(1))
    parts["scale"] = 4 * mean((numbers[:, 17] - target["scale"]).abs())
    parts["perspective"] = 0.3 * mean((numbers[:, 18] - target["perspective"]).abs())
    parts["size"] = 0.4 * mean(functional.cross_entropy(numbers[:, 19:23], target["size"], reduction="none"))
    parts["cube"] = 0.5 * bce(numbers[:, 23], cube)
    return torch.stack(list(parts.values())).sum(), parts
