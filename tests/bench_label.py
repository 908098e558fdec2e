"""Labelling measured: `python -m tests.bench_label [--photos FOLDER] [--toy] [PART...]`.

Parts (all by default): cores, large, memory, recording.
cores      the same pictures with one process and with two: ratio of the rates.
large      12-megapixel JPEGs: labelling them beside plain cv2.imread of the same files, one process.
memory     many pictures in one run: resident memory of the run and its processes as it goes.
recording  a 720p recording made of stills of FOLDER moved by a warp, with its truth: cases found,
           invented, boundaries, and how much faster than playing it.
FOLDER holds pictures with truth beside them; sample_images by default. All ratios are taken in one run.
"""

from __future__ import annotations

import argparse
import json
import os
import shutil
import sys
import tempfile
import time
from pathlib import Path

import cv2
import numpy as np

from models.errors import LastlookError
from vision.gather import gather
from vision.json_lines import read_lines
from vision.label import label, outcomes, read_one
from vision.ledger import AnswerLog
from vision.photo_reader import FrameAnswers, PhotoReader
from vision.recording import index_recording
from vision.truth import truth_of

ROOT = Path(__file__).parent.parent


def pictures_of(folder: Path) -> list[Path]:
    """Pictures with truth: those of a case first, then those in which none can be named."""
    found = sorted(path for path in folder.glob("*.jpg") if path.with_suffix(".json").exists())
    return sorted(found, key=lambda path: "negative" in json.loads(path.with_suffix(".json").read_text()))


def bench_cores(folder: Path, work: Path, toy: bool) -> None:
    count = 16 if toy else 96
    sources = pictures_of(folder)
    many = work / "many"
    many.mkdir()
    for i in range(count):
        (many / f"{i:04}.jpg").write_bytes(sources[i % len(sources)].read_bytes())
    items = gather([many]).items
    reader = PhotoReader()
    list(outcomes(items[:4], reader, jobs=2))  # both sides warm
    read_one(items[0], reader)
    spent = {1: 0.0, 2: 0.0}
    ratios = []
    rounds = 2 if toy else 6
    for turn in range(rounds):  # in turns, so that a machine that wavers wavers for both
        took = {}
        for jobs in (1, 2) if turn % 2 else (2, 1):
            began = time.perf_counter()
            if jobs == 1:
                for item in items:
                    read_one(item, reader)
            else:
                list(outcomes(items, reader, jobs=jobs))
            took[jobs] = time.perf_counter() - began
            spent[jobs] += took[jobs]
        ratios.append(took[1] / took[2])
    one, two = (rounds * len(items) / spent[jobs] for jobs in (1, 2))
    told = f"{one:.2f} pictures a second with one, {two:.2f} with two"
    print(f"cores: {told}: x {spent[1] / spent[2]:.2f} ({min(ratios):.2f} to {max(ratios):.2f} by round)")


def bench_large(folder: Path, work: Path, toy: bool) -> None:
    large = work / "large"
    large.mkdir()
    for i, path in enumerate(pictures_of(folder)[: 3 if toy else 12]):
        image = cv2.imread(str(path))
        scale = max(4000 / image.shape[1], 3000 / image.shape[0])
        image = cv2.resize(image, None, fx=scale, fy=scale, interpolation=cv2.INTER_CUBIC)[:3000, :4000]
        grain = np.random.default_rng(i).normal(0, 2.5, image.shape).astype(np.int8)  # as a sensor adds
        image = np.clip(image.astype(np.int16) + grain, 0, 255).astype(np.uint8)
        cv2.imwrite(str(large / f"{i}.jpg"), image, [cv2.IMWRITE_JPEG_QUALITY, 92])
    cv2.setNumThreads(1)
    items = gather([large]).items
    reader = PhotoReader()
    read_one(items[0], reader)
    plain, whole, named = 0.0, 0.0, 0
    ratios = []
    rounds = 1 if toy else 5
    for _ in range(rounds):  # picture by picture in turns, so that a machine that wavers wavers for both
        spent_plain = spent_whole = 0.0
        for item in items:
            began = time.process_time()
            cv2.imread(item.path)
            between = time.process_time()
            found = read_one(item, reader)
            spent_whole += time.process_time() - between
            spent_plain += between - began
            named += bool(found.answers and found.answers[0]["ok"])
        plain, whole = plain + spent_plain, whole + spent_whole
        ratios.append(spent_whole / spent_plain)
    reads = rounds * len(items)
    print(
        f"large: {len(items)} of 12 megapixels; imread {1000 * plain / reads:.0f} ms each, labelling"
        f" {1000 * whole / reads:.0f} ms: x {whole / plain:.2f} ({min(ratios):.2f} to {max(ratios):.2f} by"
        f" round; processor time; {named} of {reads} named)"
    )


def resident_mb(pid: int) -> float:
    """Resident memory of a process and its children, MB (Linux)."""
    total = 0.0
    for entry in Path("/proc").iterdir():
        if not entry.name.isdigit():
            continue
        try:
            status = dict(
                line.split(":", 1) for line in (entry / "status").read_text().splitlines() if ":" in line
            )
        except OSError:
            continue
        if int(entry.name) == pid or int(status["PPid"]) == pid:
            total += int(status.get("VmRSS", "0 kB").split()[0]) / 1024
    return total


def bench_memory(folder: Path, work: Path, toy: bool) -> None:
    count = 40 if toy else 5000
    many = work / "thousands"
    many.mkdir()
    sources = pictures_of(folder)
    for i in range(count):
        source = sources[i % len(sources)]
        shutil.copyfile(source, many / f"{i:05}{source.suffix}")
    items = gather([many]).items
    marks: dict[int, float] = {}
    seen = 0

    def on_outcome(_: object) -> None:
        nonlocal seen
        seen += 1
        if seen in (count // 10, count // 4, count // 2, 3 * count // 4, count):
            marks[seen] = resident_mb(os.getpid())

    began = time.perf_counter()
    with AnswerLog(work / "thousands.jsonl") as log:
        label(items, PhotoReader(), log=log, on_outcome=on_outcome, jobs=2)
    spent = time.perf_counter() - began
    lines = sum(1 for _ in read_lines(work / "thousands.jsonl"))
    told = ", ".join(f"{mb:.0f} MB after {at}" for at, mb in marks.items())
    print(f"memory: {lines} answers in {spent:.0f} s; {told}")


def write_recording(
    path: Path, stills: list[tuple[str, np.ndarray]], backgrounds: list[np.ndarray], seconds: float
) -> list[tuple[str, float, float]]:
    """Stills shown 3 to 6 s each, swaying, with other views between; to ``seconds`` in all. The truth."""
    rng = np.random.default_rng(11)
    rate, wh = 30, (1280, 720)
    writer = cv2.VideoWriter(str(path), cv2.VideoWriter_fourcc(*"mp4v"), rate, wh)
    shown_s = rng.uniform(3, 6, len(stills))
    gap_s = max(0.5, (seconds - shown_s.sum()) / (len(stills) + 1))
    frame = 0
    truth = []

    def show(image: np.ndarray, length_s: float) -> None:
        nonlocal frame
        phase = rng.uniform(0, 6.28, 3)
        for _ in range(round(length_s * rate)):
            t = frame / rate
            turn = 2.5 * np.sin(t * 1.1 + phase[0])
            matrix = cv2.getRotationMatrix2D((640, 360), turn, 1.02 + 0.03 * np.sin(t * 0.7 + phase[1]))
            matrix[:, 2] += (12 * np.sin(t * 0.9 + phase[2]), 8 * np.sin(t * 1.3 + phase[0]))
            writer.write(cv2.warpAffine(image, matrix, wh, borderMode=cv2.BORDER_REFLECT))
            frame += 1

    for i, (code, image) in enumerate(stills):
        show(backgrounds[i % len(backgrounds)], gap_s)
        start = frame / rate
        show(image, float(shown_s[i]))
        truth.append((code, start, frame / rate))
    show(backgrounds[0], gap_s)
    writer.release()
    return truth


def fitted(image: np.ndarray) -> np.ndarray:
    """The picture on a 1280 x 720 canvas, whole."""
    scale = min(1280 / image.shape[1], 720 / image.shape[0])
    small = cv2.resize(image, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    left, top = (1280 - small.shape[1]) // 2, (720 - small.shape[0]) // 2
    right, bottom = 1280 - small.shape[1] - left, 720 - small.shape[0] - top
    return cv2.copyMakeBorder(small, top, bottom, left, right, cv2.BORDER_REPLICATE)


def bench_recording(folder: Path, work: Path, toy: bool, minutes: float = 10.0) -> None:
    wanted, seconds = (3, 24.0) if toy else (round(2.7 * minutes), 60.0 * minutes)
    stills: list[tuple[str, np.ndarray]] = []
    backgrounds = []
    reader = PhotoReader()
    for path in pictures_of(folder):
        try:
            truth = truth_of(path)
        except LastlookError:
            continue
        image = cv2.imread(str(path))
        if truth.size is None:
            backgrounds.append(cv2.GaussianBlur(fitted(image), (0, 0), 3))
        elif truth.is_settled and truth.code and len(stills) < wanted:
            if any(truth.code == code for code, _ in stills[-3:]):
                continue
            # a still that cannot be read as a still says nothing about recordings: left out, and counted
            if reader.answer(fitted(image), "").ok:
                stills.append((truth.code, fitted(image)))
    if not stills:
        print("recording: no still of the folder can be read")
        return
    path = work / "session.mp4"
    truth = write_recording(path, stills, backgrounds or [np.full((720, 1280, 3), 90, np.uint8)], seconds)
    began = time.perf_counter()
    indexed = index_recording(path, FrameAnswers(reader, str(path)), jobs=2)
    spent = time.perf_counter() - began
    found, off = 0, []
    rest = list(indexed.shown)
    for code, start_s, end_s in truth:
        match = next((s for s in rest if s.code == code and s.start_s < end_s and s.end_s > start_s), None)
        if match is None:
            near = [
                (s.code, round(s.start_s, 1), round(s.end_s, 1))
                for s in indexed.shown
                if s.start_s < end_s and s.end_s > start_s
            ]
            print(f"  missed {code} at {start_s:.1f} to {end_s:.1f}; there: {near}")
            continue
        rest.remove(match)
        found += 1
        off += [abs(match.start_s - start_s), abs(match.end_s - end_s)]
    for one in rest:
        print(f"  invented {one.code} at {one.start_s:.1f} to {one.end_s:.1f}, {one.confidence:.2f}")
    print(
        f"recording: {indexed.seconds:.0f} s, {found} of {len(truth)} cases found, {len(rest)} invented;"
        f" boundaries off by {max(off, default=0):.2f} s at most, {sum(o > 0.5 for o in off)} over 0.5 s;"
        f" {indexed.frames_read} of {indexed.frames_looked_at} frames read;"
        f" {indexed.seconds / spent:.1f} times as fast as playing it"
    )


PARTS = {"cores": bench_cores, "large": bench_large, "memory": bench_memory, "recording": bench_recording}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("parts", nargs="*", choices=[*PARTS, []], help="parts to run; all by default")
    parser.add_argument("--photos", type=Path, default=ROOT / "sample_images")
    parser.add_argument("--toy", action="store_true", help="few and short")
    parser.add_argument("--minutes", type=float, default=10.0, help="length of the recording")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="lastlook-bench-") as folder:
        for name in options.parts or PARTS:
            if name == "recording":
                bench_recording(options.photos, Path(folder), options.toy, options.minutes)
            else:
                PARTS[name](options.photos, Path(folder), options.toy)
            sys.stdout.flush()


if __name__ == "__main__":
    main()
