"""Renders pictures with truth: `python -m tests.studio.render --count N --seed S --out FOLDER`.

Each picture depends on (seed, index) alone; what is already in the folder is left as it is, so a run can be
stopped and taken up again, or spread over several machines by --start.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
import os
import sys
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any


@dataclass(frozen=True)
class Job:
    """One picture or clip to make. `wish` are the fields of scene.Wish."""

    seed: int
    index: int
    out: str
    samples: int
    variant: str
    wish: dict[str, Any]
    clip: str | None = None
    frames: int = 36
    part: int = 0
    parts: int = 1


def render_still(job: Job) -> str:
    """Renders one picture and its truth; returns its name. Draws again when the scene is not what it set out
    to be."""
    import numpy as np

    from .engine import Set
    from .scene import Wish, draw_shot
    from .truth import truth_of

    wish = Wish(**job.wish)
    for attempt in range(40):
        seed = (job.seed, attempt, job.index)
        shot = draw_shot(seed, wish)
        stage = Set(shot.stage, job.variant)
        truth = truth_of(shot, seed, stage.seen)
        mean = truth.get("top_visible_mean", 1.0)
        least = 0.0 if shot.negative == "occluded_top" else 0.42
        if shot.cube is None or (least <= mean < (0.42 if least == 0 else 2)):
            break
    light, albedo = stage.picture(job.samples, job.index * 1000 + job.seed % 1000)
    if shot.cube is not None:
        from .gloss import measure_gloss
        from .truth import albedo_check

        truth = measure_gloss(truth, shot, stage, light, seed=job.index)
        seen = albedo[:, ::-1] if shot.mirrored else albedo
        truth["albedo_check"] = albedo_check(truth, seen, shot.cube.body.albedo)
    from .camera_model import photograph

    picture = photograph(light, shot.pipeline, job.index)
    if shot.mirrored:
        picture = np.ascontiguousarray(picture[:, ::-1])
    name = f"{'p' if shot.negative is None else 'n'}{job.index:05d}"
    save(Path(job.out), name, picture, truth, shot.pipeline.jpeg_q)
    return name


def save(folder: Path, name: str, picture: Any, truth: dict[str, Any], quality: int) -> None:
    """Writes picture and truth, the truth last and in one step, so that a truth always has its picture."""
    import cv2

    ok, data = cv2.imencode(".jpg", picture, [cv2.IMWRITE_JPEG_QUALITY, quality])
    if not ok:
        raise OSError(f"{name}.jpg could not be coded")
    write_whole(folder / f"{name}.jpg", data.tobytes())
    write_whole(folder / f"{name}.json", json.dumps(truth, separators=(",", ":")).encode())


def write_whole(path: Path, content: bytes) -> None:
    """Writes a file in one step: it is there whole or not at all."""
    part = path.with_name(f".{path.name}.part")
    part.write_bytes(content)
    part.replace(path)


def done(folder: Path, index: int, clip: bool) -> bool:
    """Whether a picture or clip of that index lies there, truth and all."""
    return any((folder / f"{letter}{index:05d}.json").exists() for letter in ("c" if clip else "pn"))


def run_job(job: Job) -> str:
    """Runs in a worker: one thread each, so that workers and not the renderer share the cores."""
    import cv2

    cv2.setNumThreads(1)
    if job.clip is not None:
        from .clips import render_clip

        return render_clip(job)
    return render_still(job)


def _one_thread() -> None:
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ[name] = "1"
    import drjit

    drjit.set_thread_count(1)


def jobs_of(arguments: argparse.Namespace) -> list[Job]:
    """All jobs that are still to do."""
    size = arguments.size or ("640x480" if arguments.clip else "960x720")
    width, height = (int(v) for v in size.lower().split("x"))
    wish = {
        "width": width,
        "height": height,
        "shades": arguments.shades,
        "negatives": arguments.negatives,
        "mirrored": arguments.mirrored,
        "sizes": tuple(int(v) for v in arguments.cubes.split(",")),
    }
    if arguments.clip:
        wish |= {"negatives": 0.0, "mirrored": 0.0, "kinds": ("held_desk", "held_room")}
    out = Path(arguments.out)
    every = range(arguments.start, arguments.start + arguments.count)
    first = Job(
        arguments.seed, 0, str(out), arguments.spp, arguments.variant, wish, arguments.clip, arguments.frames
    )
    todo = [replace(first, index=i) for i in every if not done(out, i, arguments.clip is not None)]
    if arguments.clip is None:
        return todo
    parts = arguments.workers  # the frames of a clip are shared out
    return [replace(job, part=k, parts=parts) for job in todo for k in range(parts)]


def parser() -> argparse.ArgumentParser:
    """The command's arguments."""
    p = argparse.ArgumentParser(prog="python -m tests.studio.render", description=__doc__)
    p.add_argument("--count", type=int, default=10, help="how many pictures (or clips)")
    p.add_argument("--start", type=int, default=0, help="index of the first one")
    p.add_argument("--seed", type=int, default=1)
    p.add_argument("--out", required=True, help="folder for pictures and truth; what is there already stays")
    p.add_argument("--size", help="WIDTHxHEIGHT in pixels (960x720; clips 640x480)")
    p.add_argument("--spp", type=int, default=12, help="samples a pixel (noise is filtered out afterwards)")
    p.add_argument("--shades", default="default", help="default, held-out, all, or the name of one set")
    p.add_argument("--cubes", default="2,3,4,5", help="sizes of cubes, with commas")
    p.add_argument(
        "--negatives", type=float, default=0.18, help="share of pictures in which no case can be named"
    )
    p.add_argument("--mirrored", type=float, default=0.02, help="share of pictures flipped left to right")
    p.add_argument(
        "--clip", choices=("tilting", "turning"), help="clips instead: a held cube tilted, or a sequence done"
    )
    p.add_argument("--frames", type=int, default=36, help="frames of a tilting clip")
    p.add_argument(
        "--variant", default="scalar_rgb", help="scalar_rgb runs anywhere; llvm_ad_rgb, cuda_ad_rgb"
    )
    p.add_argument("--workers", type=int, default=1)
    p.add_argument(
        "--resume", action="store_true", help="as ever: what is there is kept (for clarity in scripts)"
    )
    return p


def main(argv: list[str] | None = None) -> int:
    """Runs the command; returns its exit status."""
    arguments = parser().parse_args(argv)
    try:
        import mitsuba  # noqa: F401
    except ImportError:
        print(
            "the renderer is missing: install the extra with `pip install lastlook[studio]`", file=sys.stderr
        )
        return 1
    Path(arguments.out).mkdir(parents=True, exist_ok=True)
    jobs = jobs_of(arguments)
    every = arguments.count * (arguments.workers if arguments.clip else 1)
    failed = run_all(jobs, arguments.workers, every - len(jobs))
    if arguments.clip:
        from .clips import composed

        for name in sorted({f"c{job.index:05d}" for job in jobs}):
            if not composed(Path(arguments.out) / name):
                failed.append(f"clip {name} is not complete; the same command goes on where it was")
    for line in failed:
        print(line, file=sys.stderr)
    return 1 if failed else 0


def run_all(jobs: list[Job], workers: int, already: int) -> list[str]:
    """Runs jobs over workers with a progress bar; returns a line for each that failed."""
    from rich.progress import (
        BarColumn,
        MofNCompleteColumn,
        Progress,
        TextColumn,
        TimeElapsedColumn,
        TimeRemainingColumn,
    )

    failed = []
    columns = (
        TextColumn("rendering"),
        BarColumn(),
        MofNCompleteColumn(),
        TimeElapsedColumn(),
        TimeRemainingColumn(),
    )
    context = multiprocessing.get_context("spawn")
    with (
        Progress(*columns) as progress,
        ProcessPoolExecutor(workers, mp_context=context, initializer=_one_thread) as pool,
    ):
        task = progress.add_task("rendering", total=len(jobs) + already, completed=already)
        waiting = {pool.submit(run_job, job): job for job in jobs}
        try:
            for future in as_completed(waiting):
                job = waiting[future]
                error = future.exception()
                if error is not None:
                    failed.append(
                        f"picture {job.index} of seed {job.seed} failed: {type(error).__name__}: {error}"
                    )
                progress.advance(task)
        except KeyboardInterrupt:
            pool.shutdown(wait=False, cancel_futures=True)
            failed.append("stopped; the same command goes on where it was")
    return failed


if __name__ == "__main__":
    sys.exit(main())
