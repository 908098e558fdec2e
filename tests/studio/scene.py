"""Draws a whole scene from a seed: a cube in some state, where it is, who holds it, what lies about, lights,
camera."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from . import clutter, textures
from .actor import Actor, marked, random_scheme
from .camera import Camera, aimed_off_axis, front_face, look_at
from .camera_model import Pipeline, draw_pipeline
from .cube_body import draw_body, draw_twist
from .cube_mesh import CubeBody, Twist
from .engine import Item, Stage
from .holding import cover_over, hands_on
from .light import KINDS, Lighting, draw_lighting
from .mesh import rounded_box, sheet, turn_about
from .state import (
    Layer,
    edge_split,
    layer_facelets,
    one_slot_out,
    random_layer,
    random_scramble,
    rotation,
)

Array = NDArray[np.float64]
KIND_WEIGHTS = {"desk": 0.42, "held_desk": 0.30, "held_room": 0.28}
NEGATIVES = ("no_cube", "grids_only", "occluded_top", "not_last_layer")


@dataclass(frozen=True)
class Wish:
    """What is wanted of a run of scenes."""

    width: int = 960
    height: int = 720
    shades: str = "default"
    negatives: float = 0.18
    mirrored: float = 0.02
    sizes: tuple[int, ...] = (2, 3, 4, 5)
    kinds: tuple[str, ...] = ("desk", "held_desk", "held_room")


@dataclass(frozen=True)
class Shot:
    """One picture to be taken, with everything its truth needs."""

    stage: Stage
    cube: Actor | None
    layer: Layer | None
    negative: str | None
    negative_detail: str | None
    others: tuple[Actor, ...]
    lighting: Lighting
    pipeline: Pipeline
    kind: str
    surface: str | None
    clutter: tuple[str, ...]
    azimuth_deg: float
    elevation_deg: float
    roll_deg: float
    tags: tuple[str, ...]
    mirrored: bool
    camera_name: str


def draw_shot(seed: tuple[int, ...], wish: Wish) -> Shot:
    """The scene of a seed. A seed and a wish always give the same scene."""
    rng = np.random.default_rng(seed)
    negative = (
        str(rng.choice(NEGATIVES, p=(0.15, 0.25, 0.25, 0.35))) if rng.random() < wish.negatives else None
    )
    share = np.array([KIND_WEIGHTS[k] for k in wish.kinds])
    kind = str(rng.choice(wish.kinds, p=share / share.sum()))
    if negative in ("no_cube", "grids_only"):
        kind = "desk" if kind == "held_desk" else kind
    body, twist = draw_body(rng, wish.shades, wish.sizes), Twist()
    twist = draw_twist(rng, body.size)
    up_local, pose, camera, roll, name = _place(rng, kind, body, wish)
    camera_local = pose.T @ (camera.eye - up_local)
    mirror = pose @ (np.array([0.0, 0, 2.0]) * camera_local[2] - camera_local)
    quarters, azimuth, elevation = front_face(camera, (pose, up_local), body.side_mm)
    pose = pose @ rotation(2, quarters).astype(float)  # now the cube's own F is the front by the rule
    mirror /= np.linalg.norm(mirror)
    lighting = _lighting(rng, mirror, up_local, camera)
    layer: Layer | None = random_layer(rng, body.size)
    detail = None
    assert layer is not None
    facelets = layer_facelets(layer)
    if negative == "not_last_layer":
        layer, part = None, rng.random()
        split = body.size > 3 and part > 0.75
        detail = "edge_split" if split else "scrambled" if part < 0.45 else "one_slot_out"
        make = {"edge_split": edge_split, "scrambled": random_scramble, "one_slot_out": one_slot_out}
        facelets = make[detail](rng, body.size)
    scheme = random_scheme(rng)
    body = marked(rng, body, facelets, scheme)
    actor: Actor | None = Actor(body, facelets, scheme, twist, pose, up_local)
    assert actor is not None
    items: list[Item] = []
    names: list[str] = []
    others: list[Actor] = []
    surface = None
    if kind != "held_room":
        surface = str(rng.choice(textures.SURFACES))
        items += _desk(rng, surface)
    items += _room(rng, kind, up_local, camera, names, negative == "grids_only")
    _scatter(rng, kind, actor, camera, wish, negative, items, names, others)
    tags: list[str] = []
    if negative in ("no_cube", "grids_only"):
        actor = layer = None
    else:
        items += actor.items("cube")
        if kind != "desk" or rng.random() < 0.12:
            items += hands_on(rng, actor, camera, kind)
            tags.append("fingers")
        if negative == "occluded_top" or rng.random() < 0.05:
            items.append(cover_over(rng, actor, camera, whole=negative == "occluded_top"))
    if others:
        tags.append("second_cube")
    dim = rng.random() < 0.14
    blur = str(rng.choice(["none", "focus", "motion"], p=(0.74, 0.12, 0.14)))
    pipeline = draw_pipeline(rng, lighting.mean_rgb, height=wish.height, dim=dim, blur=blur)
    tags += ["dim"] * dim + {"none": [], "focus": ["focus_blur"], "motion": ["motion_blur"]}[blur]
    distance = float(np.linalg.norm(camera.eye - up_local))
    lens = float(rng.uniform(1.5, 5.0)) if name == "phone" and rng.random() < 0.5 else 0.0
    stage = Stage(
        tuple(items), lighting.lights, lighting.surroundings, camera, lens, distance - body.side_mm * 0.3
    )
    return Shot(
        stage,
        actor,
        layer,
        negative,
        detail,
        tuple(others),
        lighting,
        pipeline,
        kind,
        surface,
        tuple(sorted(names)),
        azimuth,
        elevation,
        roll,
        tuple(tags),
        bool(actor is not None and rng.random() < wish.mirrored),
        name,
    )


def _place(
    rng: np.random.Generator, kind: str, body: CubeBody, wish: Wish
) -> tuple[Array, Array, Camera, float, str]:
    """Cube centre, cube to world rotation, camera, roll in degrees, kind of camera."""
    side = body.side_mm
    name = "webcam" if rng.random() < 0.6 else "phone"
    field = rng.uniform(52, 74) if name == "webcam" else rng.uniform(42, 68)
    focal = max(wish.width, wish.height) / 2 / np.tan(np.radians(field) / 2)
    k1 = float(np.clip(rng.normal(-0.01, 0.035), -0.09, 0.05)) if rng.random() < 0.4 else 0.0
    part = rng.random()
    elevation = (
        rng.uniform(13, 28) if part < 0.15 else rng.uniform(28, 66) if part < 0.78 else rng.uniform(66, 90)
    )
    azimuth = rng.uniform(-180, 180)
    e, a = np.radians(elevation), np.radians(azimuth)
    local = np.array([np.sin(a) * np.cos(e), -np.cos(a) * np.cos(e), np.sin(e)])
    centre = np.array([0.0, 0.0, side / 2])
    if kind == "desk":
        pose = turn_about((0, 0, 1), rng.uniform(0, 2 * np.pi))
    else:
        rise = np.radians(rng.uniform(25, 75)) if kind == "held_desk" else np.radians(rng.normal(4, 7))
        way = np.array([0.0, -np.cos(rise), np.sin(rise)])
        pose = _bring(
            local, way, np.radians(rng.normal(0, 14) if rng.random() < 0.85 else rng.uniform(-180, 180))
        )
        centre = np.array([0, 0, rng.uniform(90, 220)]) if kind == "held_desk" else np.zeros(3)
    way = pose @ local
    roll = float(np.radians(rng.normal(0, 5) if rng.random() < 0.88 else rng.uniform(-180, 180)))
    wanted = (
        float(np.exp(rng.uniform(np.log(0.13), np.log(0.9))))
        if rng.random() < 0.35
        else rng.uniform(0.24, 0.66)
    )
    corners = (
        np.array([[x, y, z] for x in (-1, 1) for y in (-1, 1) for z in (-1, 1)]) * side / 2 @ pose.T + centre
    )
    low, high = 1.15 * side, 60 * side
    camera = None
    for _ in range(30):
        distance = np.sqrt(low * high)
        eye = centre + distance * way
        camera = Camera(
            wish.width, wish.height, focal, look_at(eye, centre, np.array([0, 0, 1.0]), roll), eye, k1
        )
        xy, depth = camera.project(corners)
        tall = np.inf if depth.min() < 10 else np.ptp(xy[:, 1]) / wish.height
        low, high = (distance, high) if tall > wanted else (low, distance)
    assert camera is not None
    span = np.ptp(xy, axis=0)
    room = np.maximum(np.array([wish.width, wish.height]) - span, 0) / 2
    shift = rng.uniform(-1, 1, 2) * room * 0.9
    if rng.random() < 0.07:  # partly out of the frame
        side_of = int(rng.integers(2))
        shift[side_of] = np.sign(rng.normal()) * (room[side_of] + span[side_of] * rng.uniform(0.1, 0.45))
    turn = aimed_off_axis(
        camera.rotation, camera.eye, centre, (float(shift[0] / focal), float(shift[1] / focal))
    )
    return centre, pose, replace(camera, rotation=turn), float(np.degrees(roll)), name


def _bring(local: Array, world: Array, twist_rad: float) -> Array:
    """A rotation that takes `local` to `world`, with the cube's z as upright as that allows, then twisted
    about it."""

    def frame(ahead: Array, up: Array) -> Array:
        side = np.cross(up, ahead)
        if np.linalg.norm(side) < 1e-3:
            side = np.cross(np.array([0.0, 1.0, 0.0]), ahead)
        side /= np.linalg.norm(side)
        return np.stack([ahead, side, np.cross(ahead, side)], 1)

    up = np.array([0.0, 0.0, 1.0])
    return turn_about(world, twist_rad) @ frame(world, up) @ frame(local, up).T


def _lighting(rng: np.random.Generator, mirror: Array, target: Array, camera: Camera) -> Lighting:
    """Lights that do not stand between camera and cube."""
    for _ in range(12):
        lighting = draw_lighting(rng, str(rng.choice(KINDS)), mirror, target)
        ahead = (target - camera.eye) / np.linalg.norm(target - camera.eye)
        clear = True
        for light in lighting.lights:
            if light.kind == "sun":
                continue
            way = np.asarray(light.position) - camera.eye
            along = float(way @ ahead)
            off = float(np.linalg.norm(way - along * ahead))
            far = np.linalg.norm(target - camera.eye) + 150
            if -100 < along < far and off < 0.75 * max(light.size_mm) + 0.7 * abs(along) + 60:
                clear = False
        if clear:
            return lighting
    return draw_lighting(rng, "window", mirror, target)


def _desk(rng: np.random.Generator, surface: str) -> list[Item]:
    base = sheet(1700, 1100).painted((0.5, 0.5, 0.5), float(rng.uniform(0.15, 0.8)))
    turn = turn_about((0, 0, 1), rng.uniform(0, 6.3))
    items = [
        Item("desk", base.moved(turn, (*rng.normal(0, 120, 2), 0.0)), texture=textures.surface(rng, surface))
    ]
    if rng.random() < 0.3:
        w, d = rng.uniform(250, 600, 2)
        mat = rounded_box((w, d, 1.6), 0.8, 1).painted(rng.uniform(0.02, 0.7, 3), 0.8)
        items.append(
            Item("mat", mat.moved(turn_about((0, 0, 1), rng.uniform(0, 6.3)), (*rng.normal(0, 60, 2), 0.05)))
        )
    return items


def _room(
    rng: np.random.Generator, kind: str, target: Array, camera: Camera, names: list[str], grids: bool
) -> list[Item]:
    """Floor and a wall beyond the cube with things on it."""
    ahead = camera.rotation[2] * np.array([1.0, 1.0, 0.0])
    ahead = ahead / max(float(np.linalg.norm(ahead)), 1e-6)
    angle = float(np.arctan2(-ahead[0], ahead[1]) + rng.normal(0, 0.3))
    turn = turn_about((0, 0, 1), angle)
    far = rng.uniform(650, 1800) + (900 if kind == "desk" else 0)
    upright = turn @ turn_about((1, 0, 0), np.pi / 2)
    wall = sheet(6000, 3500).painted(textures._colour(rng, "paper"), 0.8)
    items = [
        Item("wall", wall.moved(upright, target + turn @ np.array([0, far, 500.0]))),
        Item(
            "floor",
            sheet(8000, 8000).painted(rng.uniform(0.05, 0.5, 3), 0.7).moved(np.eye(3), (0, 0, -750.0)),
        ),
    ]
    for i in range(int(rng.integers(0, 4)) + 2 * grids):
        what = str(
            rng.choice(clutter.WALL if not grids else ("poster_grid", "window_grid", "shelf", "poster_grid"))
        )
        at = target + turn @ np.array([rng.uniform(-900, 900), far - 12, rng.uniform(-350, 700)])
        names.append(what)
        items += [replace(t, mesh=t.mesh.moved(upright, at)) for t in clutter.wall_thing(rng, what, 50 + i)]
    if kind == "held_room" and rng.random() < 0.6:
        at = target + turn @ np.array([rng.normal(0, 90), rng.uniform(260, 480), rng.uniform(60, 300)])
        names.append("person")
        items += [replace(t, mesh=t.mesh.moved(turn, at)) for t in clutter.person(rng, 1)]
    return items


def _scatter(
    rng: np.random.Generator,
    kind: str,
    actor: Actor,
    camera: Camera,
    wish: Wish,
    negative: str | None,
    items: list[Item],
    names: list[str],
    others: list[Actor],
) -> None:
    """Things on the desk (or held in the air behind for a room), never through the cube; second cubes
    farther off."""
    number = int(rng.integers(1, 8)) if kind != "held_room" else int(rng.integers(0, 2))
    grids = ("notes", "printed_grid", "keyboard", "dice", "chocolate", "printed_grid")
    taken = [(actor.centre[:2], actor.body.side_mm * 0.72)] if kind == "desk" else []
    reach = float(np.linalg.norm(camera.eye - actor.centre)) * 0.75 + 60
    if negative == "grids_only":
        number = max(number, 4)
    for i in range(number):
        what = str(rng.choice(grids if negative == "grids_only" else clutter.DESK))
        parts, radius = clutter.thing(rng, what, i)
        for _ in range(12):
            at = actor.centre[:2] * (kind == "desk") + rng.normal(0, 0.55, 2) * reach + rng.normal(0, 40, 2)
            if all(np.linalg.norm(at - p) > radius * 0.9 + r for p, r in taken):
                break
        else:
            continue
        taken.append((at, radius))
        names.append(what)
        turn = turn_about((0, 0, 1), rng.uniform(0, 2 * np.pi))
        rise = 0.0
        if kind == "held_room":
            turn, rise = turn @ turn_about((1, 0, 0), rng.uniform(0, 1.6)), float(rng.uniform(-200, 200))
            at = np.array([rng.uniform(-350, 350), rng.uniform(320, 700)])
        items += [replace(t, mesh=t.mesh.moved(turn, (*at, rise))) for t in parts]
    if negative in ("no_cube", "grids_only") or rng.random() > 0.2 or kind == "held_room":
        return
    for j in range(int(rng.integers(1, 3))):
        body = draw_body(rng, wish.shades, wish.sizes)
        state = (
            random_scramble(rng, body.size)
            if rng.random() < 0.5
            else layer_facelets(random_layer(rng, body.size))
        )
        far = float(np.linalg.norm(camera.eye - actor.centre))
        for _ in range(25):
            at = actor.centre[:2] * (kind == "desk") + rng.normal(0, 0.5, 2) * reach
            centre = np.array([at[0], at[1], body.side_mm / 2])
            apart = float(np.linalg.norm(camera.eye - centre)) > far * 1.12 + body.side_mm
            inside = bool(camera.inside(camera.project(centre)[0]))
            if apart and inside and all(np.linalg.norm(at - p) > body.side_mm * 0.8 + r for p, r in taken):
                pose = turn_about((0, 0, 1), rng.uniform(0, 6.3))
                others.append(
                    Actor(body, state, random_scheme(rng), draw_twist(rng, body.size), pose, centre)
                )
                items += others[-1].items(f"other{j}")
                taken.append((at, body.side_mm * 0.8))
                names.append("cube")
                break
