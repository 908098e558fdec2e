"""Train the network that tells the top's colour, on pictures from the bulk tracer; needs a CUDA card.

Recipe: as ``train_finder.py``, but the top layer's stickers are coloured at random (``loose_facelets``), so
that the network learns looks and not which cases exist: that is the decoder's part. Every 16th scene is held
out; the numbers printed at the end are theirs.

    python tests/studio/train_top.py --minutes 9 --out OUT

leaves top_colour.npz in OUT.
"""

from __future__ import annotations

import argparse
import json
import threading
import time
from pathlib import Path

import numpy as np
import torch
import torch.nn.functional as functional
from finder_feed import Feed
from top_net import TopNet, export, jittered, tokens_of
from torch import Tensor
from train_finder import Average


def asked(feed: Feed, pick: Tensor, face: Tensor, known: Tensor, shown: Tensor) -> tuple[Tensor, ...]:
    """Whether each token has the top's colour (B, 75), whether that is asked for, and its share in view."""
    b = len(pick)
    colours = feed.facelets[pick].long()
    index = face[:, :, None, None].expand(b, 3, 5, 5)
    own = colours.gather(1, index).reshape(b, -1)
    seen = feed.seen[pick].gather(1, index).reshape(b, -1)
    top = colours[:, 0, 1, 1]
    return (own == top[:, None]).float(), shown & ~known & (seen > 0.08), seen


def usable(feed: Feed, pick: Tensor) -> Tensor:
    """Pictures of a cube with a middle on its top, the top in view."""
    return (
        (feed.facelets[pick, 0, 1, 1] >= 0)
        & (feed.size[pick, 0] > 2)
        & (feed.seen[pick, 0].mean((1, 2)) > 0.02)
    )


def losses(net: TopNet, feed: Feed, pick: Tensor, picture: Tensor, train: bool) -> tuple[Tensor, ...]:
    """Loss of the flags, loss of the cover, and flags, truth, use for measuring."""
    with torch.no_grad():
        cubes = feed.cubes(pick, torch.zeros_like(pick))
        cubes = jittered(cubes, 1.0 / cubes.size.float())
        tokens, shown, face, known = tokens_of(picture, cubes, 1.0 if train else 0.0)
        truth, use, seen = asked(feed, pick, face, known, shown)
        if train:  # sometimes a side is not looked at
            drop = (torch.rand(len(pick), 1, device=pick.device) < 0.05) & (
                torch.arange(75, device=pick.device) >= 50
            )
            shown = shown & ~drop
            use = use & shown
    out = net(tokens, shown).float()
    each = functional.binary_cross_entropy_with_logits(out[..., 0], truth, reduction="none")
    cover = functional.binary_cross_entropy_with_logits(out[..., 1], seen.clamp(0, 1), reduction="none")
    flag = (each * use).sum() / use.sum().clamp_min(1)
    return flag, (cover * shown).sum() / shown.sum().clamp_min(1), out[..., 0], truth, use


@torch.no_grad()
def held_out(net: TopNet, feed: Feed) -> dict[str, float]:
    """Numbers on scenes that training never drew."""
    net.eval()
    flags, truths = [], []
    rows = feed.held_out()
    for pick in rows[usable(feed, rows)].split(64):
        picture = feed.photograph(pick, int(pick[0])).float() / 255 - 0.5
        _, _, out, truth, use = losses(net, feed, pick, picture, False)
        flags.append(out[use])
        truths.append(truth[use])
    flag, truth = torch.cat(flags), torch.cat(truths)
    loss = functional.binary_cross_entropy_with_logits(flag, truth)
    wrong = (flag > 0) != (truth > 0.5)
    sure = flag.abs() > 4
    return {
        "stickers": len(flag),
        "nats": round(float(loss), 4),
        "wrong": round(float(wrong.float().mean()), 4),
        "sure": round(float(sure.float().mean()), 4),
        "sure_wrong": round(float((wrong & sure).sum() / sure.sum().clamp_min(1)), 5),
    }


def main() -> None:
    """Trace, train, measure, export."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--minutes", type=float, default=9)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--scenes", type=int, default=30000)
    parser.add_argument("--first", type=int, default=1500)
    parser.add_argument("--batch", type=int, default=384)
    parser.add_argument("--spp", type=int, default=32)
    parser.add_argument("--height", type=int, default=360)
    parser.add_argument("--device", default="cuda", help="cpu: to try the script, not to train with")
    parser.add_argument("--fresh", type=int, default=24, help="new photographs a step")
    parser.add_argument("--rate", type=float, default=1.5e-3)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--start", type=Path, help="top_colour.npz to go on from")
    args = parser.parse_args()
    begin = time.time()
    torch.manual_seed(args.seed)
    device = torch.device(args.device)
    args.out.mkdir(parents=True, exist_ok=True)
    feed = Feed(
        args.scenes,
        args.height,
        args.height * 16 // 9,
        args.spp,
        args.seed,
        device,
        args.out / "build",
        loose=True,
    )
    threading.Thread(target=feed.run, daemon=True).start()
    while feed.ready < args.first and feed.error is None and feed.ready < args.scenes:
        time.sleep(1)
    print(f"{feed.ready} scenes after {time.time() - begin:.0f} s {feed.error or ''}", flush=True)
    net = TopNet().to(device)
    if args.start:
        stored = np.load(args.start)
        net.load_state_dict({k: torch.from_numpy(stored[k].astype(np.float32)) for k in stored.files})
    with torch.no_grad():
        while feed.filled < min(args.first, feed.ready) // 2:
            feed.photograph_some(min(args.fresh, feed.ready), -feed.filled % 2**31)
    average = Average(net)
    optimiser = torch.optim.AdamW(net.parameters(), args.rate, weight_decay=1e-2)
    step = 0
    while (done := (time.time() - begin) / (args.minutes * 60)) < 1:
        rate = args.rate * min(1.0, (step + 1) / 400) * max(0.01, 0.5 * (1 + np.cos(np.pi * done)))
        optimiser.param_groups[0]["lr"] = rate
        with torch.no_grad():
            feed.photograph_some(args.fresh, step)
            scenes = feed.pool_scene[: feed.filled]
            at = torch.multinomial(usable(feed, scenes).float(), args.batch, replacement=True)
            pick, picture = scenes[at], feed.pool[at].float() / 255 - 0.5
        with torch.autocast(device.type, torch.bfloat16):
            flag, cover, *_ = losses(net, feed, pick, picture, True)
        optimiser.zero_grad(set_to_none=True)
        (flag + 0.3 * cover).backward()
        torch.nn.utils.clip_grad_norm_(net.parameters(), 1.0)
        optimiser.step()
        average.update(net, step)
        if step % 500 == 0:
            row = {"step": step, "s": round(time.time() - begin), "scenes": feed.ready}
            print(
                row | {"flag": round(float(flag.detach()), 4), "cover": round(float(cover.detach()), 4)},
                flush=True,
            )
        step += 1
    net.load_state_dict(average.state)
    print(json.dumps({"steps": step, "scenes": feed.ready, **held_out(net, feed)}), flush=True)
    export(net, args.out / "top_colour.npz")


if __name__ == "__main__":
    main()
