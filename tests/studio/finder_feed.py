"""Traced pictures and their truth on the graphics card, filled by one thread while another trains."""

from __future__ import annotations

import threading
import time
import traceback
from concurrent.futures import Future, ProcessPoolExecutor
from pathlib import Path
from typing import Any

import bulk_camera
import bulk_scene
import numpy as np
import torch
from bulk_view import PLAIN, Views
from finder_targets import Cubes
from shadow import shaded, veiled
from torch import Tensor

CUBES = 4
#: photographs kept at a time; older ones give way to the same scenes under other cameras
POOL = 12_000
#: of a cube's surface, what must be in view to be asked for, and below which it counts as not there
ASKED, ABSENT = 0.30, 0.08


def blank(count: int) -> dict[str, Tensor]:
    """What is told of the cubes of ``count`` scenes, as it is where there are none."""
    return {
        "rotation": torch.eye(3).repeat(count, CUBES, 1, 1),
        "translation": torch.tensor([0.0, 0, 5]).repeat(count, CUBES, 1),
        "focal": torch.full((count, CUBES), 500.0),
        "centre": torch.zeros(count, CUBES, 2),
        "k1": torch.zeros(count, CUBES),
        "size": torch.full((count, CUBES), 3, dtype=torch.long),
        "states": torch.zeros(count, CUBES, dtype=torch.long),
        "facelets": torch.full((count, 6, 5, 5), -1, dtype=torch.int8),
        "seen": torch.zeros(count, 6, 5, 5),
    }


class Feed:
    """``ready`` scenes of ``count``; every 16th is held out.

    Once full, new scenes take the place of the oldest ones (``renew``: the share of the time that this may
    take), the held-out ones apart, and photographs of those that are gone are drawn no more; whoever reads
    several of the arrays then holds ``lock``.

    ``places`` (N, 4, 2) centres in pixels, ``edges_px`` (N, 4), ``states`` (N, 4): 1 a cube, 0 none, -1
    neither; ``facelets`` (N, 6, 5, 5) colours of the main cube, -1 past its size, ``seen`` (N, 6, 5, 5) the
    share of each sticker in view; ``lures`` (N, 3) a place that looked like a cube and is none (x, y,
    edge px; 0 where none is known).
    """

    def __init__(
        self,
        count: int,
        height: int,
        width: int,
        spp: int,
        seed: int,
        device: torch.device,
        build: Path,
        chunk: int = 96,
        workers: int = 12,
        loose: bool = False,
        pool: int = POOL,
        views: Views = PLAIN,
        renew: float = 0.0,
        shadows: float = 0.0,
    ) -> None:
        self.count, self.height, self.width, self.spp, self.seed = count, height, width, spp, seed
        self.device, self.chunk, self.workers = device, chunk, workers
        self.loose, self.views, self.renew, self.shadows = loose, views, renew, shadows
        self.lock = threading.RLock()
        self.traced = self.ready = 0
        self.is_over = False
        self.error: str | None = None
        self.library = bulk_scene.load_library("cuda" if device.type == "cuda" else "cpu", build)
        self.linear = torch.zeros(count, height, width, 3, dtype=torch.float16, device=device)
        self.surface = torch.zeros(count, height, width, dtype=torch.uint8, device=device)
        for name, values in blank(count).items():
            setattr(self, name, values.to(device))
        self.places = torch.zeros(count, CUBES, 2, device=device)
        self.edges_px = torch.ones(count, CUBES, device=device)
        self.lures = torch.zeros(count, 3, device=device)
        self.pool = torch.zeros(min(count, pool), 3, height, width, dtype=torch.uint8, device=device)
        self.pool_scene = torch.zeros(len(self.pool), dtype=torch.long, device=device)
        self.rounds = torch.zeros(count, dtype=torch.long, device=device)  # how often a row was filled
        self.pool_round = torch.zeros_like(self.pool_scene)
        self.filled = 0
        self._next = 1

    def begin(self, first: int) -> threading.Thread:
        """Fill the feed in a thread of its own, and wait until ``first`` scenes are ready."""
        tracing = threading.Thread(target=self.run, daemon=True)
        tracing.start()
        while self.ready < min(first, self.count) and self.error is None:
            time.sleep(1)
        return tracing

    def run(self) -> None:
        """Fill the feed; meant for a thread of its own."""
        try:
            with ProcessPoolExecutor(self.workers) as pool:
                first = 0
                waiting: list[Future[Any]] = []
                while not self.is_over and (self.ready < self.count or self.renew):
                    while (first < self.count or self.renew) and len(waiting) < 2 * self.workers:
                        many = min(self.chunk, self.count - first % self.count)
                        waiting.append(
                            pool.submit(
                                bulk_scene.sample_scenes,
                                many,
                                self.seed * 100_000 + first,
                                self.width,
                                self.height,
                                0,
                                self.loose,
                                self.views,
                            )
                        )
                        first += many
                    began = time.time()
                    self._take(waiting.pop(0).result())
                    if self.ready == self.count and self.renew:
                        time.sleep((time.time() - began) * (1 / self.renew - 1))
        except Exception:
            self.error = traceback.format_exc()
            print(self.error, flush=True)

    def _take(self, scenes: Any) -> None:
        """Trace scenes into the next rows; where those are taken already, the held-out ones stay."""
        count = len(scenes)
        rgb = torch.zeros(count, self.height, self.width, 3, device=self.device)
        out = bulk_scene.render(
            scenes, self.width, self.height, self.spp, self.library, seed=self.traced + self.seed, rgb=rgb
        )
        told = blank(count)
        for i, truth in enumerate(scenes.truth):
            cubes = ([truth] if truth["has_cube"] else []) + list(truth["others"])
            for slot, cube in enumerate(cubes[:CUBES]):
                if slot == 0 and truth["has_cube"]:
                    n = int(cube["n"])
                    told["facelets"][i, :, :n, :n] = torch.from_numpy(np.asarray(cube["facelets"], np.int8))
                    told["seen"][i, :, :n, :n] = torch.from_numpy(np.asarray(cube["seen"], np.float32))
                told["rotation"][i, slot] = torch.from_numpy(np.asarray(cube["rotation"], np.float32))
                told["translation"][i, slot] = torch.from_numpy(np.asarray(cube["translation"], np.float32))
                told["focal"][i, slot] = float(cube["focal_px"])
                told["centre"][i, slot] = torch.from_numpy(np.asarray(cube["centre_xy"], np.float32))
                told["k1"][i, slot] = float(cube["k1"])
                told["size"][i, slot] = int(cube["n"])
                seen = float(cube["visible"])
                told["states"][i, slot] = 1 if seen >= ASKED else 0 if seen < ABSENT else -1
        told["lures"] = torch.zeros(count, 3)
        told["surface"] = torch.from_numpy((out["ids"] == 1).astype(np.uint8))
        rows = self.traced % self.count + torch.arange(count)
        use = (rows % 16 != 0) | (self.ready < self.count)
        at = rows[use].to(self.device)
        with self.lock:
            self.linear[at] = rgb[use.to(self.device)].clamp(0, 6e4).half()
            for name, values in told.items():
                getattr(self, name)[at] = values[use].to(self.device)
            for slot in range(CUBES):
                place, edge, _ = self.cubes(at, torch.full_like(at, slot)).place()
                self.places[at, slot], self.edges_px[at, slot] = place, edge
            self.rounds[at] += 1
            if self.device.type == "cuda":
                torch.cuda.synchronize()
            self.traced += count
            self.ready = min(self.count, self.ready + count)

    def cubes(self, pick: Tensor, slot: Tensor) -> Cubes:
        """One cube of each picked scene."""
        return Cubes(
            self.rotation[pick, slot],
            self.translation[pick, slot],
            self.focal[pick, slot],
            self.centre[pick, slot],
            self.size[pick, slot],
            self.k1[pick, slot],
        )

    def photograph_some(self, many: int, seed: int) -> None:
        """Put the next ``many`` scenes into the pool, each under its own camera; none held out."""
        pick = torch.arange(self._next, self._next + many) % max(1, self.ready)
        self._next = int(pick[-1]) + 1
        pick = torch.where(pick % 16 == 0, (pick + 1).clamp(max=max(0, self.ready - 1)), pick).to(self.device)
        stored = self.photograph(pick, seed)
        if self.filled < len(self.pool):
            slots = torch.arange(self.filled, min(self.filled + many, len(self.pool)), device=self.device)
            self.filled = int(slots[-1]) + 1
        else:
            slots = torch.randint(0, len(self.pool), (many,), device=self.device)
        self.pool[slots] = stored[: len(slots)]
        self.pool_scene[slots] = pick[: len(slots)]
        self.pool_round[slots] = self.rounds[pick[: len(slots)]]

    def photograph(self, pick: Tensor, seed: int) -> Tensor:
        """Scenes as a camera would store them, (B, 3, H, W) uint8 BGR."""
        cameras = bulk_camera.sample_camera(np.random.default_rng(seed), len(pick), self.height)
        cubes = self.cubes(pick, torch.zeros_like(pick))
        light = veiled(shaded(self.linear[pick].float(), cubes, self.shadows), self.shadows / 2)
        stored = bulk_camera.photograph_torch(
            light, cameras, seed=seed, meter_mask=self.surface[pick].float()
        )
        return stored.permute(0, 3, 1, 2)

    def draw(self, batch: int) -> tuple[Tensor, Tensor]:
        """Scenes (B,) at random and their photographs (B, 3, H, W), BGR in -0.5..0.5."""
        scenes = self.pool_scene[: self.filled]
        bare = ~self.states[scenes].bool().any(1)
        is_kept = self.pool_round[: self.filled] == self.rounds[scenes]
        at = torch.multinomial((1 + 1.5 * bare.float()) * is_kept, batch, replacement=True)
        return self.pool_scene[at], self.pool[at].float() / 255 - 0.5

    def held_out(self) -> Tensor:
        """The scenes kept from training."""
        return torch.arange(0, self.ready, 16, device=self.device)

    def draw_cube(self, pick: Tensor) -> Tensor:
        """Which cube of each scene to look at closely; -1: a place without one."""
        chance = torch.rand(len(pick), CUBES, device=self.device) * (self.states[pick] == 1)
        chance[:, 0] *= 3
        best, slot = chance.max(1)
        bare = ~self.states[pick].bool().any(1)
        random_place = torch.rand(len(pick), device=self.device) < 0.06
        nothing = bare | (random_place & (self.lures[pick, 2] > 0))
        # scenes whose cubes are all half hidden: look at the first, as at any other
        hidden = (best == 0) & ~bare
        slot = torch.where(hidden, (self.states[pick] != 0).long().argmax(1), slot)
        return torch.where(nothing, -1, slot)

    def masks(self, pick: Tensor) -> Tensor:
        """The main cube's surface in picked scenes, (B, 1, H, W)."""
        return self.surface[pick][:, None].float()
