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
from top_net import CELLS, NUMBERS, PATCH, SLOTS, TopNet, export, jittered, tokens_of
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


class Ring:
    """Tokens of the newest photographs, drawn from again and again; older ones give way."""

    def __init__(self, length: int, device: torch.device) -> None:
        t = SLOTS * CELLS * CELLS
        self.tokens = torch.zeros(length, t, PATCH * PATCH * 3 + NUMBERS, dtype=torch.float16, device=device)
        self.shown, self.use = torch.zeros(2, length, t, dtype=torch.bool, device=device)
        self.truth, self.seen = torch.zeros(2, length, t, device=device)
        self.filled = self.next = 0

    def photograph(self, feed: Feed, many: int, poses: int, seed: int) -> None:
        """Take ``many`` scenes under new cameras, each as it looks under some slightly wrong poses."""
        rows = torch.arange(feed.ready, device=feed.device)
        pick = rows[usable(feed, rows) & (rows % 16 != 0)]
        pick = pick[torch.randint(0, len(pick), (many,), device=feed.device)]
        picture = feed.photograph(pick, seed).half() / 255 - 0.5
        for _ in range(poses):
            tokens, shown, truth, use, seen = looked_at(feed, pick, picture, 1.0)
            slots = (torch.arange(many, device=feed.device) + self.next) % len(self.tokens)
            self.tokens[slots], self.shown[slots], self.use[slots] = tokens.half(), shown, use
            self.truth[slots], self.seen[slots] = truth, seen
            self.next = (self.next + many) % len(self.tokens)
            self.filled = min(self.filled + many, len(self.tokens))

    def draw(self, batch: int) -> tuple[Tensor, ...]:
        """Tokens, which are shown, truth, which are asked for, share in view; sometimes without a side."""
        at = torch.randint(0, self.filled, (batch,), device=self.tokens.device)
        t = self.shown.shape[1]
        drop = (torch.rand(batch, 1, device=at.device) < 0.05) & (
            torch.arange(t, device=at.device) >= t * 2 // 3
        )
        shown = self.shown[at] & ~drop & (torch.rand(batch, t, device=at.device) > 0.08)
        return recoloured(self.tokens[at]), shown, self.truth[at], self.use[at] & shown, self.seen[at]


def recoloured(tokens: Tensor) -> Tensor:
    """Half of the looks with their colour channels in another order: the net is to compare, not to recall."""
    b = len(tokens)
    order = torch.rand(b, 3, device=tokens.device).argsort(1)
    usual = torch.arange(3, device=tokens.device).expand(b, 3)
    order = torch.where(torch.rand(b, 1, device=tokens.device) < 0.5, order, usual)
    pixels = PATCH * PATCH
    index = (torch.arange(pixels, device=tokens.device)[:, None] * 3 + order[:, None]).reshape(b, 1, -1)
    out = tokens.clone()
    out[..., : 3 * pixels] = tokens.gather(2, index.expand(-1, tokens.shape[1], -1))
    return out


def looked_at(feed: Feed, pick: Tensor, picture: Tensor, level_jitter: float) -> tuple[Tensor, ...]:
    """Tokens, which are shown, truth, which are asked for, and share in view, under slightly wrong poses."""
    cubes = feed.cubes(pick, torch.zeros_like(pick))
    cubes = jittered(cubes, 1.0 / cubes.size.float())
    tokens, shown, face, known = tokens_of(picture, cubes, level_jitter)
    truth, use, seen = asked(feed, pick, face, known, shown)
    return tokens, shown, truth, use, seen


def losses(net: TopNet, looks: tuple[Tensor, ...]) -> tuple[Tensor, Tensor, Tensor]:
    """Loss of the flags, loss of the cover, and the flags' log odds."""
    tokens, shown, truth, use, seen = looks
    out = net(tokens.float(), shown).float()
    each = functional.binary_cross_entropy_with_logits(out[..., 0], truth, reduction="none")
    cover = functional.binary_cross_entropy_with_logits(out[..., 1], seen.clamp(0, 1), reduction="none")
    flag = (each * use).sum() / use.sum().clamp_min(1)
    return flag, (cover * shown).sum() / shown.sum().clamp_min(1), out[..., 0]


@torch.no_grad()
def held_out(net: TopNet, feed: Feed) -> dict[str, float]:
    """Numbers on scenes that training never drew."""
    net.eval()
    flags, truths = [], []
    rows = feed.held_out()
    for pick in rows[usable(feed, rows)].split(64):
        picture = feed.photograph(pick, int(pick[0])).half() / 255 - 0.5
        looks = looked_at(feed, pick, picture, 0.0)
        use = looks[3]
        flags.append(losses(net, looks)[2][use])
        truths.append(looks[2][use])
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
    parser.add_argument("--batch", type=int, default=768)
    parser.add_argument("--ring", type=int, default=120_000, help="looks kept at a time")
    parser.add_argument("--spp", type=int, default=32)
    parser.add_argument("--height", type=int, default=360)
    parser.add_argument("--device", default="cuda", help="cpu: to try the script, not to train with")
    parser.add_argument("--fresh", type=int, default=32, help="new photographs a step")
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
    ring = Ring(args.ring, device)
    with torch.no_grad():
        while ring.filled < min(2 * args.batch, args.ring):
            ring.photograph(feed, args.fresh, 3, args.seed * 10**7 + 5 * 10**6 + ring.filled)
    average = Average(net)
    optimiser = torch.optim.AdamW(net.parameters(), args.rate, weight_decay=1e-2)
    step = 0
    while (done := (time.time() - begin) / (args.minutes * 60)) < 1:
        rate = args.rate * min(1.0, (step + 1) / 400) * max(0.01, 0.5 * (1 + np.cos(np.pi * done)))
        optimiser.param_groups[0]["lr"] = rate
        with torch.no_grad():
            ring.photograph(feed, args.fresh, 3, args.seed * 10**7 + step)
            looks = ring.draw(args.batch)
        with torch.autocast(device.type, torch.bfloat16):
            flag, cover, _ = losses(net, looks)
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
