"""Clips with truth for every frame: a held cube tilted and swung, or a sequence done on it.

A clip is a folder cNNNNN of frames fNNN.jpg and cNNNNN.json: the fields of a still (stickers aside) and
`frames`.
"""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from .actor import Actor
from .camera import Camera
from .camera_model import exposure, photograph
from .cube_mesh import Twist
from .engine import Item, Set, Stage
from .hand_mesh import draw_grip, hand_mesh
from .mesh import turn_about
from .motion import SEQUENCES, Performance, Sway, draw_sway, layer_twist, parsed, perform
from .render import Job, write_whole
from .scene import Shot, Wish, draw_shot
from .state import FACES, Layer, layer_facelets, random_layer
from .truth import Sight, quad_of, sticker_truths, top_layer_places, truth_of

Array = NDArray[np.float64]
FPS = 30.0


def render_clip(job: Job) -> str:
    """Renders this worker's share of a clip's frames (every `parts`th); what lies there already is kept.

    Each frame leaves its picture and a hidden truth of its own; `composed` makes the clip's truth of them.
    """
    shot, sway, show = clip_scene(job)
    folder = Path(job.out) / f"c{job.index:05d}"
    folder.mkdir(parents=True, exist_ok=True)
    grips = _grips(job, shot, show)
    count = job.frames if show is None else int(np.ceil((show.moves[-1].end_s + 0.7) * FPS))
    todo = [i for i in range(job.part, count, job.parts) if not _frame_file(folder, i).exists()]
    gain = _metered(job, shot, sway, show, grips) if todo else 1.0
    for i in todo:
        actor, stage = staged(shot, sway, show, grips, i / FPS)
        loaded = Set(stage, job.variant)
        if i == 0:
            header = _header(shot, actor, loaded.seen, job, show, count)
            write_whole(folder / ".header.json", json.dumps(header).encode())
        light, _ = loaded.picture(job.samples, job.index * 4000 + i)
        picture = photograph(light, shot.pipeline, job.index * 4000 + i, gain)
        ok, data = cv2.imencode(".jpg", picture, [cv2.IMWRITE_JPEG_QUALITY, shot.pipeline.jpeg_q])
        if not ok:
            raise OSError(f"frame {i} of {folder} could not be coded")
        write_whole(folder / f"f{i:03d}.jpg", data.tobytes())
        truth = frame_truth(actor, stage.camera, loaded.seen, i, show)
        write_whole(_frame_file(folder, i), json.dumps(truth).encode())
    return folder.name


def composed(folder: Path) -> bool:
    """Makes a clip's truth file of its frames' truths once all are there; says whether it is complete."""
    header_file = folder / ".header.json"
    if not header_file.exists():
        return False
    header = json.loads(header_file.read_text())
    files = [_frame_file(folder, i) for i in range(header["frame_count"])]
    if not all(f.exists() for f in files):
        return False
    truth = header | {"frames": [json.loads(f.read_text()) for f in files]}
    write_whole(folder.with_suffix(".json"), json.dumps(truth, separators=(",", ":")).encode())
    for file in [header_file, *files]:
        file.unlink()
    return True


def _frame_file(folder: Path, index: int) -> Path:
    return folder / f".f{index:03d}.json"


def _metered(
    job: Job, shot: Shot, sway: Sway, show: Performance | None, grips: list[tuple[Item, str | None]]
) -> float:
    """One exposure for the whole clip, metered on a small picture of its first frame."""
    _, stage = staged(shot, sway, show, grips, 0.0)
    camera = stage.camera
    k = 120 / camera.width
    small = replace(camera, width=120, height=round(camera.height * k), focal_px=camera.focal_px * k)
    light, _ = Set(replace(stage, camera=small), job.variant).picture(8, job.index)
    return exposure(light.astype(np.float64), shot.pipeline.ev)


def clip_scene(job: Job) -> tuple[Shot, Sway, Performance | None]:
    """The still from which the clip starts, how the cube moves, and what is done on it (turning clips)."""
    wish = Wish(**job.wish)
    turning = job.clip == "turning"
    for attempt in range(200):
        shot = draw_shot((job.seed, attempt, 7, job.index), wish)
        cube = shot.cube
        fits = cube is not None and shot.stage.camera.inside(np.array(quad_of(cube, shot.stage.camera))).all()
        covered = any(item.name == "cover" for item in shot.stage.items)
        if not fits or covered or cube is None:
            continue
        upright = float(shot.stage.camera.rotation[1] @ cube.rotation[:, 2]) < -0.12  # y runs down
        tall = np.ptp(np.array(quad_of(cube, shot.stage.camera)), axis=0).max() / wish.height
        low = 25 if turning else 38
        if 0.18 < tall < 0.6 and low < shot.elevation_deg < 82 and upright and "dim" not in shot.tags:
            break
    assert shot.cube is not None
    rng = np.random.default_rng((job.seed, 11, job.index))
    pipeline = replace(shot.pipeline, shake_px=0.0, psf_px=min(shot.pipeline.psf_px, 1.2))
    sway = draw_sway(rng, shot.elevation_deg, calm=turning)
    if not turning:
        return replace(shot, pipeline=pipeline), sway, None
    size = shot.cube.body.size
    turns = parsed(SEQUENCES[rng.integers(len(SEQUENCES))])
    if rng.random() < 0.5:
        turns = [("U", int(rng.choice([1, -1, 2]))), *turns]
    rest = random_layer(rng, size)
    oriented = Layer(size, rest.corners, (0, 0, 0, 0), rest.edges, tuple(0 for _ in rest.flip))
    show = perform(rng, size, layer_facelets(oriented), turns)
    cube = replace(
        shot.cube, facelets=show.states[0], twist=Twist(), body=replace(shot.cube.body, glyph=None)
    )
    return replace(shot, cube=cube, pipeline=pipeline, layer=None), sway, show


def _grips(job: Job, shot: Shot, show: Performance | None) -> list[tuple[Item, str | None]]:
    """Hands in the cube's frame, each with the face whose layer it follows (None: the body of the cube)."""
    assert shot.cube is not None
    if show is None:
        back, centre = shot.cube.rotation.T, shot.cube.centre
        return [
            (replace(item, mesh=item.mesh.moved(back, -back @ centre)), None)
            for item in shot.stage.items
            if item.name.startswith("hand")
        ]
    rng = np.random.default_rng((job.seed, 13, job.index))
    side = "R" if any(m.face == "R" for m in show.moves) else "L"
    out: list[tuple[Item, str | None]] = []
    half = turn_about((0, 0, 1), np.pi)
    unit = 1.0 / show.size
    for follows, right in ((None, side == "L"), (side, side == "R")):
        if follows is not None and rng.random() < 0.4:
            continue
        grip = draw_grip(rng, shot.cube.body.side_mm, over_top=False)
        reach = 0.8 * unit if follows is not None else max(1 - 1.3 * unit, 0.45) * 0.75
        grip = replace(grip, reach=reach, thumb_high=-0.28, fingers_high=-0.25, spread=0.08)
        mesh = hand_mesh(rng, grip, left=not right).moved(np.eye(3) if right else half)
        out.append((Item(f"hand{len(out)}", mesh, specular=0.35), follows))
    return out


def staged(
    shot: Shot, sway: Sway, show: Performance | None, grips: list[tuple[Item, str | None]], time_s: float
) -> tuple[Actor, Stage]:
    """The cube and the whole stage at a moment."""
    assert shot.cube is not None
    camera = shot.stage.camera
    way = camera.eye - shot.cube.centre
    rotation, centre = sway.pose(time_s, shot.cube.rotation, shot.cube.centre, way / np.linalg.norm(way))
    actor = replace(shot.cube, rotation=rotation, centre=centre)
    turning: tuple[str, float] | None = None
    if show is not None:
        facelets, twist, k, degrees = show.at(time_s)
        actor = replace(actor, facelets=facelets, twist=twist)
        turning = (show.moves[k].face, degrees) if k < len(show.moves) else None
    items = [i for i in shot.stage.items if not i.name.startswith(("cube_", "hand"))]
    for hand, follows in grips:
        mesh = hand.mesh
        if turning is not None and follows == turning[0] and show is not None:
            twist = layer_twist(show.size, turning[0], turning[1])
            mesh = mesh.moved(twist.matrix(show.size - 1 if follows == "R" else 0))
        items.append(replace(hand, mesh=mesh.moved(rotation, centre)))
    items += actor.items("cube")
    return actor, replace(shot.stage, items=tuple(items))


def frame_truth(
    actor: Actor, camera: Camera, sight: Sight, index: int, show: Performance | None
) -> dict[str, Any]:
    """Truth of one frame; in turning clips also the state, the turn under way and whether the top is one
    colour."""
    local = actor.rotation.T @ (camera.eye - actor.centre)
    half = actor.body.side_mm / 2
    ahead = {"F": -local[1], "R": local[0], "B": local[1], "L": -local[0]}
    stickers = sticker_truths(actor, camera, sight, top_layer_places(actor.body.size))
    out: dict[str, Any] = {
        "frame": index,
        "time_s": round(index / FPS, 5),
        "elevation_deg": round(
            float(np.degrees(np.arctan2(local[2] - half, np.hypot(local[0], local[1])))), 2
        ),
        "azimuth_deg": round(float(np.degrees(np.arctan2(local[0], -local[1]))), 2),
        # while a layer moves: where the top face is, not where its corners are being carried
        "top_quad": quad_of(replace(actor, twist=Twist()) if show is not None else actor, camera),
        "stickers": [[s["face"], s["row"], s["col"], s["visible"], s["xy"]] for s in stickers],
        "side_faces_visible": [f for f in "FRBL" if ahead[f] > half],
        "cube_to_camera": [[round(float(v), 6) for v in row] for row in camera.rotation @ actor.rotation],
        "cube_centre_mm": [round(float(v), 3) for v in camera.rotation @ (actor.centre - camera.eye)],
    }
    if show is not None:
        facelets, _, complete, degrees = show.at(index / FPS)
        under_way = degrees != 0.0
        out["turns_complete"] = complete
        out["turning"] = (
            {"turn": str(show.moves[complete]), "degrees": round(degrees, 2)} if under_way else None
        )
        out["facelets"] = {
            FACES[f]: [[actor.scheme[int(v)] for v in r] for r in facelets[f]] for f in range(6)
        }
        out["top_one_colour"] = bool(not under_way and len(set(facelets[0].ravel().tolist())) == 1)
    return out


def _header(
    shot: Shot, actor: Actor, sight: Sight, job: Job, show: Performance | None, count: int
) -> dict[str, Any]:
    """The clip's own fields: those of a still of its first frame without the stickers, and the times of a
    sequence."""
    truth = truth_of(replace(shot, cube=actor), (job.seed, job.index), sight)
    for key in ("stickers", "top_quad", "top_visible_mean"):
        truth.pop(key, None)
    truth |= {"kind": "clip", "fps": FPS, "frame_count": count, "motion": job.clip}
    if show is None:
        return truth
    truth["last_layer"] = layer_of(show).to_truth()
    truth |= show.to_truth(FPS)
    return truth


def layer_of(show: Performance) -> Layer:
    """The last layer from which the sequence starts, read back from its facelets."""
    from .state import layer_from_facelets

    return layer_from_facelets(show.states[0])
