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
from bulk_view import Views
from finder_feed import Feed
from finder_loss import SMALL, finder_batch, finder_loss, poser_batch, poser_loss
from finder_nets import FINDER_STRIDE, POSER_INPUT, Finder, Poser, take_up
from torch import Tensor


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
    parser.add_argument(
        "--only", choices=("finder", "poser"), help="train this network, leave the other alone"
    )
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
    nets: list[torch.nn.Module] = [
        net for net, name in ((finder, "finder"), (poser, "poser")) if args.only in (None, name)
    ]
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
        losses: list[Tensor] = []
        if finder in nets:
            with torch.autocast(device.type, torch.bfloat16):
                out = finder(small)
            losses.append(finder_loss(out.float(), heat, numbers, weight, ignore))
        if poser in nets:
            with torch.autocast(device.type, torch.bfloat16):
                maps, values = poser(crop)
            loss, parts = poser_loss(maps.float(), values.float(), target)
            losses.append(loss)
        for net, loss, optimiser, average in zip(nets, losses, optimisers, averages, strict=True):
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
            line = {"step": step, "s": round(time.time() - begin), "scenes": feed.traced}
            if finder in nets:
                line["finder"] = round(float(losses[0]), 3)
            if poser in nets:
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
    finder.eval()
    poser.eval()
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
