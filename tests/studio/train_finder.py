"""Train the finder's two networks on pictures from the bulk tracer; needs a CUDA card and PyTorch.

Recipe: pictures of 640x360 are traced for as long as training runs (scene seeds count up from ``--seed``),
kept in linear light on the card, and each step draws a batch, gives every picture a camera of its own
(exposure, white balance, noise, blur, sharpening, compression), a crop, a turn and a mirror image.
Every 16th scene is held out of training; the numbers printed at the end are theirs.

    python tests/studio/train_finder.py --minutes 18 --out OUT

leaves finder.onnx and poser.onnx in OUT. The product runs them with OpenCV's own network module.
"""

from __future__ import annotations

import argparse
import json
import time
from pathlib import Path

import numpy as np
import torch
import torch.nn.functional as functional
from bulk_view import Views
from finder_feed import Feed
from finder_nets import CROP_EDGES, FINDER_STRIDE, POSER_INPUT, SIZES, Finder, Poser, take_up
from finder_targets import (
    apply,
    finder_targets,
    poser_targets,
    pyramid,
    similarity,
    warp,
)
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


class Average:
    """Running mean of weights: what is exported."""

    def __init__(self, net: torch.nn.Module, keep: float = 0.998) -> None:
        self.keep = keep
        self.state = {k: v.detach().clone() for k, v in net.state_dict().items()}

    def update(self, net: torch.nn.Module, step: int) -> None:
        """Blend the present weights in."""
        keep = min(self.keep, (1 + step) / (10 + step))
        for k, v in net.state_dict().items():
            if v.dtype.is_floating_point:
                self.state[k].mul_(keep).add_(v.detach(), alpha=1 - keep)
            else:
                self.state[k].copy_(v)


@torch.no_grad()
def mine(feed: Feed, finder: Finder, pick: Tensor, small: Tensor, picture_hw: tuple[int, int]) -> None:
    """Remember where the finder sees a cube in pictures that have none."""
    bare = ~feed.states[pick].bool().any(1)
    if not bool(bare.any()):
        return
    out = finder(small[bare])
    heat = torch.sigmoid(out[:, 0]).flatten(1)
    peak, at = heat.max(1)
    wide = out.shape[-1]
    index = torch.arange(out.shape[0], device=out.device)
    x, y = at % wide, at // wide
    numbers = out[:, 1:].flatten(2)[index, :, at]
    fit = picture_hw[1] / 256
    place = torch.stack([x + 0.5 + numbers[:, 0], y + 0.5 + numbers[:, 1]], 1) * FINDER_STRIDE * fit
    edge = torch.exp(numbers[:, 2]) * 32 * fit
    feed.lures[pick[bare]] = torch.cat([place, torch.where(peak > 0.02, edge, 0.0)[:, None]], 1)


@torch.no_grad()
def go_on(feed: Feed, finder: Finder, poser: Poser, start: Path) -> None:
    """Take up exported networks where they were left."""
    pick, picture = feed.draw(96)
    small = finder_batch(feed, pick, picture, SMALL["wide"], True)[0]
    crop, _ = poser_batch(feed, pick, feed.draw_cube(pick), picture, feed.masks(pick), True)
    take_up(finder, start / "finder.onnx", small)
    take_up(poser, start / "poser.onnx", crop)


def export(finder: Finder, poser: Poser, out: Path) -> None:
    """Write both networks as ONNX."""
    out.mkdir(parents=True, exist_ok=True)
    for name, net, size in (("finder", finder, (160, 256)), ("poser", poser, (POSER_INPUT, POSER_INPUT))):
        net = net.cpu().eval()
        torch.onnx.export(
            net,
            (torch.zeros(1, 3, *size),),
            str(out / f"{name}.onnx"),
            opset_version=13,
            dynamo=False,
            input_names=["picture"],
            dynamic_axes={"picture": {2: "h", 3: "w"}} if name == "finder" else None,
        )


def main() -> None:
    """Trace, train, measure, export."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--minutes", type=float, default=18)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--scenes", type=int, default=24000)
    parser.add_argument("--first", type=int, default=1500, help="scenes to wait for before training starts")
    parser.add_argument("--batch", type=int, default=192)
    parser.add_argument("--spp", type=int, default=32)
    parser.add_argument("--height", type=int, default=360, help="of the traced pictures, 16:9")
    parser.add_argument("--device", default="cuda", help="cpu: to try the script, not to train with")
    parser.add_argument("--fresh", type=int, default=24, help="new photographs a step")
    parser.add_argument("--rate", type=float, default=2e-3, help="highest learning rate")
    parser.add_argument("--renew", type=float, default=0.0, help="share of time for new scenes in the end")
    parser.add_argument("--shadows", type=float, default=0.12, help="share of pictures with a shadow's edge")
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--start", type=Path, help="folder with finder.onnx and poser.onnx to go on from")
    args = parser.parse_args()
    begin = time.time()
    torch.manual_seed(args.seed)
    torch.backends.cudnn.benchmark = True
    device = torch.device(args.device)
    args.out.mkdir(parents=True, exist_ok=True)
    wide = args.height * 16 // 9
    feed = Feed(
        args.scenes,
        args.height,
        wide,
        args.spp,
        args.seed,
        device,
        args.out / "build",
        views=Views(steep=0.08, partly_out=0.12),
        renew=args.renew,
        shadows=args.shadows,
    )
    tracing = feed.begin(args.first)
    print(f"{feed.ready} scenes after {time.time() - begin:.0f} s {feed.error or ''}", flush=True)
    finder, poser = Finder().to(device), Poser().to(device)
    nets: list[torch.nn.Module] = [finder, poser]
    fused = device.type == "cuda"
    optimisers = [
        torch.optim.AdamW(net.parameters(), args.rate, weight_decay=1e-3, fused=fused) for net in nets
    ]
    with torch.no_grad():
        while feed.filled < min(args.first, feed.ready) // 2:
            feed.photograph_some(min(args.fresh, feed.ready), -feed.filled % 2**31)
    if args.start:
        go_on(feed, finder, poser, args.start)
    averages = [Average(net) for net in nets]
    step = 0
    log = (args.out / "log.txt").open("a")
    while (done := (time.time() - begin) / (args.minutes * 60)) < 1:
        warm = min(1.0, (step + 1) / 200)
        rate = args.rate * warm * max(0.01, 0.5 * (1 + np.cos(np.pi * done)))
        for optimiser in optimisers:
            optimiser.param_groups[0]["lr"] = rate
        with torch.no_grad(), feed.lock:
            feed.photograph_some(args.fresh, step)
            pick, picture = feed.draw(args.batch)
            mask = feed.masks(pick)
            shape = list(SMALL.values())[int(np.random.choice(4, p=(0.5, 0.3, 0.1, 0.1)))]  # noqa: NPY002
            small, heat, numbers, weight, ignore = finder_batch(feed, pick, picture, shape, True)
            which = feed.draw_cube(pick)
            crop, target = poser_batch(feed, pick, which, picture, mask, True)
        with torch.autocast(device.type, torch.bfloat16):
            out = finder(small)
            maps, values = poser(crop)
        first = finder_loss(out.float(), heat, numbers, weight, ignore)
        second, parts = poser_loss(maps.float(), values.float(), target)
        for net, loss, optimiser, average in zip(nets, (first, second), optimisers, averages, strict=True):
            optimiser.zero_grad(set_to_none=True)
            loss.backward()
            torch.nn.utils.clip_grad_norm_(net.parameters(), 5.0)
            optimiser.step()
            average.update(net, step)
        if shape == SMALL["wide"] and step % 4 == 0 and step > 500:
            finder.eval()
            with feed.lock:
                plain = finder_batch(feed, pick, picture, shape, False)[0]
                mine(feed, finder, pick, plain, (args.height, wide))
            finder.train()
        if step % 250 == 0:
            line = {
                "step": step,
                "s": round(time.time() - begin),
                "scenes": feed.traced,
                "finder": round(float(first), 3),
            }
            line |= {k: round(float(v), 4) for k, v in parts.items()}
            log.write(json.dumps(line) + "\n")
            log.flush()
            if step % 1000 == 0:
                print(line, flush=True)
        step += 1
    feed.is_over = True
    tracing.join()
    for net, average in zip(nets, averages, strict=True):
        net.load_state_dict(average.state)
        net.eval()
    print(json.dumps({"steps": step, "scenes": feed.traced, **held_out(feed, finder, poser)}), flush=True)
    export(finder, poser, args.out)


@torch.no_grad()
def held_out(feed: Feed, finder: Finder, poser: Poser) -> dict[str, float]:
    """What the nets do on scenes that training never drew."""
    totals: dict[str, list[float]] = {}
    for pick in feed.held_out().split(64):
        mask = feed.masks(pick)
        picture = feed.photograph(pick, int(pick[0])).float() / 255 - 0.5
        small, heat, _, _, _ = finder_batch(feed, pick, picture, SMALL["wide"], False)
        out = finder(small)
        peak = torch.sigmoid(out[:, 0]).flatten(1).amax(1)
        has = heat.flatten(1).amax(1) > 0.5
        bare = ~feed.states[pick].bool().any(1)
        totals.setdefault("peak_on_cubes_over_0.3", []).extend((peak[has] > 0.3).float().tolist())
        totals.setdefault("peak_on_bare_over_0.3", []).extend((peak[bare] > 0.3).float().tolist())
        which = torch.where(feed.states[pick][:, 0] == 1, 0, -1)
        crop, target = poser_batch(feed, pick, which, picture, mask, False)
        _, values = poser(crop)
        cube = target["cube"] > 0
        totals.setdefault("size_right", []).extend(
            (values[cube, 19:23].argmax(1) == target["size"][cube]).float().tolist()
        )
        totals.setdefault("orientation_gap", []).extend(
            (values[cube, :15] - target["orientation"][cube]).norm(dim=1).tolist()
        )
        totals.setdefault("at_gap_crops", []).extend(
            (values[cube, 15:17] - target["at"][cube]).norm(dim=1).tolist()
        )
        totals.setdefault("cube_logit_right", []).extend(((values[:, 23] > 0) == cube).float().tolist())
    return {k: round(float(np.mean(v)), 4) for k, v in totals.items() if v}


if __name__ == "__main__":
    main()
