"""Train the network that tells whose colour a sticker carries, on traced pictures; needs a CUDA card.

Recipe: as ``train_finder.py``, but the top layer's stickers are coloured at random (``loose_facelets``), so
that the network learns looks and not which cases exist: that is the decoder's part. Every 16th scene is held
out; the numbers printed at the end are theirs.

    python tests/studio/train_whose.py --minutes 9 --out OUT

leaves whose_colour.npz in OUT. A 2x2x2 has no middle that shows the top's colour, so it has weights of its
own: those of --sizes 2 are kept as whose_colour_of_2.npz.
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
from torch import Tensor
from train_finder import Average
from whose_net import (
    CELLS,
    COLOURS,
    LEAST_COSINE,
    NUMBERS,
    OPENED,
    PATCH,
    PIXELS,
    SLOTS,
    ColourNet,
    export,
    going_on,
    jittered,
    tokens_of,
)

HALF_A_STICKER = 0.5
#: share of looks at the two sides that are seen least
FARTHER = 0.2


def asked(
    feed: Feed, pick: Tensor, face: Tensor, known: Tensor, shown: Tensor, opened: Tensor
) -> tuple[Tensor, ...]:
    """Whose colour each token has (B, 75), 0 to 3 as the network's outputs, whether that is asked for, and
    its share in view. Of sides that are ``opened`` (B, 75) it is asked whatever is in view: what stands out
    of a side shows where none of its stickers' faces do."""
    b = len(pick)
    colours = feed.facelets[pick].long()
    index = face[:, :, None, None].expand(b, 3, 5, 5)
    own = colours.gather(1, index).reshape(b, -1)
    seen = feed.seen[pick].gather(1, index).reshape(b, -1)
    home = colours[:, :, 1, 1].clone()  # of each face when solved; a 2x2x2 has no middle on its top
    home[:, 0] = sum(range(6)) - home[:, 1:].sum(1)
    below = home.gather(1, face)
    is_shown = shown.view(b, SLOTS, -1).any(2)
    whose = torch.full_like(own, COLOURS - 1)
    for slot in range(SLOTS):
        whose[(own == below[:, slot, None]) & is_shown[:, slot, None]] = slot
    return whose, shown & ~known & ((seen > 0.08) | opened), seen


def usable(feed: Feed, pick: Tensor) -> Tensor:
    """Pictures of a cube of a size that is asked for, the top in view."""
    size = feed.size[pick, 0]
    wanted = torch.isin(size, torch.tensor(feed.views.sizes or (3, 4, 5), device=size.device))
    return (feed.facelets[pick, 0, 1, 1] >= 0) & wanted & (feed.seen[pick, 0].sum((1, 2)) > HALF_A_STICKER)


#: which of a token's numbers say that it is of the top, that its colour is known, how squarely it is seen
ON_TOP, KNOWN, COSINE = 6, 7, 8


class Ring:
    """Tokens of the newest photographs, drawn from again and again; older ones give way."""

    def __init__(self, length: int, device: torch.device) -> None:
        t = SLOTS * CELLS * CELLS
        self.tokens = torch.zeros(length, t, PIXELS + NUMBERS, dtype=torch.float16, device=device)
        self.shown, self.use = torch.zeros(2, length, t, dtype=torch.bool, device=device)
        self.truth = torch.zeros(length, t, dtype=torch.long, device=device)
        self.seen = torch.zeros(length, t, device=device)
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
        """Tokens, which are shown, truth, which are asked for, share in view; varied, and sometimes without a
        side."""
        at = torch.randint(0, self.filled, (batch,), device=self.tokens.device)
        t = self.shown.shape[1]
        drop = (torch.rand(batch, 1, device=at.device) < 0.05) & (
            torch.arange(t, device=at.device) >= t * 2 // 3
        )
        shown = self.shown[at] & ~drop & (torch.rand(batch, t, device=at.device) > 0.08)
        kept = self.tokens[at]
        moved = swapped(kept, shown)
        use = (self.use[at] & shown).gather(1, moved)
        seen, truth = self.seen[at].gather(1, moved), self.truth[at].gather(1, moved)
        pixels = kept[..., :PIXELS].gather(1, moved[..., None].expand(-1, -1, PIXELS))
        there = self.shown[: self.filled].any(0)  # few on small cubes
        tokens = torch.cat([recoloured(pixels[:, there]), kept[:, there, PIXELS:]], -1)
        return mirrored(tokens), shown[:, there], truth[:, there], use[:, there], seen[:, there]


# Scenes are few and the net is quick to know them again: half of the looks are changed in each of these ways.


def swapped(tokens: Tensor, shown: Tensor) -> Tensor:
    """Which token's pixels each token gets (B, 75): within a face, those that are asked for change places."""
    b, t = shown.shape
    places = torch.arange(t, device=tokens.device).expand(b, t)
    out = places.clone()
    is_open = shown & (tokens[..., PIXELS + KNOWN] < 0.5) & (torch.rand(b, 1, device=tokens.device) < 0.5)
    for slot in range(SLOTS):
        here = is_open & (places // (CELLS * CELLS) == slot)
        before = torch.where(here, places.float(), 1e4 + places).argsort(1)
        after = torch.where(here, torch.rand(b, t, device=tokens.device), 1e4 + places).argsort(1)
        out.scatter_(1, before, out.gather(1, after))
    return out


def recoloured(pixels: Tensor) -> Tensor:
    """Pixels (B, 75, 384) of half of the looks with colour channels in another order, and of half with
    channels mixed and of other gain: the net is to compare, not to recall."""
    b, device = len(pixels), pixels.device
    eye = torch.eye(3, device=device)
    order = eye[torch.rand(b, 3, device=device).argsort(1)]
    mix = torch.diag_embed(torch.exp(0.15 * torch.randn(b, 3, device=device)))
    mix = mix + 0.06 * torch.randn(b, 3, 3, device=device)
    half = torch.rand(2, b, 1, 1, device=device) < 0.5
    change = torch.where(half[0], order, eye) @ torch.where(half[1], mix, eye)
    light = pixels.float().reshape(b, -1, 3) + 0.5
    return ((light @ change.transpose(1, 2)).clamp(0, 1) - 0.5).view_as(pixels).to(pixels.dtype)


def mirrored(tokens: Tensor) -> Tensor:
    """Half of the looks as in a mirror: columns of each patch the other way round, x on the other side."""
    out = tokens.clone()
    b, t, _ = tokens.shape
    out[..., :PIXELS] = tokens[..., :PIXELS].view(b, t, -1, PATCH, PATCH, 3).flip(4).reshape(b, t, PIXELS)
    out[..., [PIXELS, PIXELS + 3]] *= -1
    return torch.where(torch.rand(b, 1, 1, device=tokens.device) < 0.5, out, tokens)


def seen_under(tokens: Tensor, cosine: float) -> Tensor:
    """Which tokens (B, 75) are of a side that is seen under a smaller cosine."""
    return (tokens[..., PIXELS + ON_TOP] < 0.5) & (tokens[..., PIXELS + COSINE] < cosine)


def looked_at(feed: Feed, pick: Tensor, picture: Tensor, level_jitter: float) -> tuple[Tensor, ...]:
    """Tokens, which are shown, truth, which are asked for, and share in view, under slightly wrong poses."""
    cubes = feed.cubes(pick, torch.zeros_like(pick))
    cubes = jittered(cubes, 1.0 / cubes.size.float())
    tokens, shown, face, known = tokens_of(picture, cubes, level_jitter, FARTHER)
    truth, use, seen = asked(feed, pick, face, known, shown, seen_under(tokens, OPENED))
    return tokens, shown, truth, use, seen


def losses(net: ColourNet, looks: tuple[Tensor, ...]) -> tuple[Tensor, Tensor, Tensor]:
    """Loss of the colours, loss of the cover, and the colours' log probabilities (B, 75, 4)."""
    tokens, shown, truth, use, seen = looks
    out = net(tokens.float(), shown).float()
    told = functional.log_softmax(out[..., :COLOURS], -1)
    each = -told.gather(2, truth[..., None])[..., 0]
    cover = functional.binary_cross_entropy_with_logits(out[..., -1], seen.clamp(0, 1), reduction="none")
    colour = (each * use).sum() / use.sum().clamp_min(1)
    return colour, (cover * shown).sum() / shown.sum().clamp_min(1), told


@torch.no_grad()
def held_out(net: ColourNet, feed: Feed) -> dict[str, float]:
    """Numbers on scenes that training never drew; ``top`` ones are of the top's colour or not alone."""
    net.eval()
    tolds, truths, hidden = [], [], []
    rows = feed.held_out()
    for pick in rows[usable(feed, rows)].split(64):
        picture = feed.photograph(pick, int(pick[0])).half() / 255 - 0.5
        looks = looked_at(feed, pick, picture, 0.0)
        use = looks[3]
        tolds.append(losses(net, looks)[2][use])
        truths.append(looks[2][use])
        hidden.append(seen_under(looks[0], LEAST_COSINE)[use])
    told, truth, out_of_view = torch.cat(tolds), torch.cat(truths), torch.cat(hidden)
    flag = told[:, 0] - told[:, 1:].logsumexp(1)
    is_top = truth == 0
    wrong = (flag > 0) != is_top
    sure = flag.abs() > 4
    return {
        "stickers": len(flag),
        "nats": round(float(functional.nll_loss(told, truth)), 4),
        "wrong": round(float((told.argmax(1) != truth).float().mean()), 4),
        "hidden": int(out_of_view.sum()),
        "hidden_nats": round(float(functional.nll_loss(told[out_of_view], truth[out_of_view])), 4),
        "top_nats": round(float(functional.binary_cross_entropy_with_logits(flag, is_top.float())), 4),
        "top_wrong": round(float(wrong.float().mean()), 4),
        "top_sure": round(float(sure.float().mean()), 4),
        "top_sure_wrong": round(float((wrong & sure).sum() / sure.sum().clamp_min(1)), 5),
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
    parser.add_argument("--renew", type=float, default=0.0, help="share of time for new scenes in the end")
    parser.add_argument("--shadows", type=float, default=0.2, help="share of pictures with a shadow's edge")
    parser.add_argument("--steep", type=float, default=0.3, help="share of pictures from steeply above")
    parser.add_argument("--sizes", type=int, nargs="*", default=[], help="layers, as usual where left out")
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--start", type=Path, help="whose_colour.npz to go on from")
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
        pool=1,
        views=Views(steep=args.steep, partly_out=0.08, sizes=tuple(args.sizes)),
        renew=args.renew,
        shadows=args.shadows,
    )
    tracing = feed.begin(args.first)
    print(f"{feed.ready} scenes after {time.time() - begin:.0f} s {feed.error or ''}", flush=True)
    net = ColourNet().to(device)
    if args.start:
        going_on(net, args.start)
    ring = Ring(args.ring, device)
    with torch.no_grad():
        while ring.filled < min(2 * args.batch, args.ring):
            with feed.lock:
                ring.photograph(feed, args.fresh, 3, args.seed * 10**7 + 5 * 10**6 + ring.filled)
    average = Average(net)
    optimiser = torch.optim.AdamW(net.parameters(), args.rate, weight_decay=1e-2)
    step = 0
    while (done := (time.time() - begin) / (args.minutes * 60)) < 1:
        rate = args.rate * min(1.0, (step + 1) / 400) * max(0.01, 0.5 * (1 + np.cos(np.pi * done)))
        optimiser.param_groups[0]["lr"] = rate
        with torch.no_grad():
            with feed.lock:
                ring.photograph(feed, args.fresh, 3, args.seed * 10**7 + step)
            looks = ring.draw(args.batch)
        with torch.autocast(device.type, torch.bfloat16):
            colour, cover, _ = losses(net, looks)
        optimiser.zero_grad(set_to_none=True)
        (colour + 0.3 * cover).backward()
        torch.nn.utils.clip_grad_norm_(net.parameters(), 1.0)
        optimiser.step()
        average.update(net, step)
        if step % 2000 == 1999:
            export(average.state, args.out / "whose_colour.npz")
        if step % 500 == 0:
            row = {"step": step, "s": round(time.time() - begin), "scenes": feed.traced}
            print(
                row | {"colour": round(float(colour.detach()), 4), "cover": round(float(cover.detach()), 4)},
                flush=True,
            )
        step += 1
    feed.is_over = True
    tracing.join()
    net.load_state_dict(average.state)
    print(json.dumps({"steps": step, "scenes": feed.traced, **held_out(net, feed)}), flush=True)
    export(average.state, args.out / "whose_colour.npz")


if __name__ == "__main__":
    main()
