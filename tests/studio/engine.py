"""The only room that knows the renderer: Mitsuba 3 (extra `studio`). Scenes come in as plain meshes and
lights."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from .camera import Camera, undistort_scale, undistorted_map
from .denoise import denoised
from .mesh import Mesh

Array = NDArray[np.float64]
Picture = NDArray[np.float32]


@dataclass(frozen=True)
class Item:
    """Something in the scene: a mesh, how strongly it reflects, an optional picture on it (H, W, 3 linear
    light)."""

    name: str
    mesh: Mesh
    specular: float = 0.5
    texture: Array | None = None
    coat: float = 0.0


@dataclass(frozen=True)
class Light:
    """A source. `kind` panel (a rectangle of `size_mm` facing along `direction`), bulb (a ball) or sun
    (parallel).

    `rgb`: linear radiance of a panel or bulb, irradiance of a sun, in units in which white paper under the
    room's general light comes out near 1.
    """

    kind: str
    rgb: tuple[float, float, float]
    position: tuple[float, float, float] = (0.0, 0.0, 0.0)
    direction: tuple[float, float, float] = (0.0, 0.0, -1.0)
    size_mm: tuple[float, float] = (100.0, 100.0)


@dataclass(frozen=True)
class Stage:
    """All that is rendered: things, lights, what lies beyond (equirectangular, linear), and the camera."""

    items: tuple[Item, ...]
    lights: tuple[Light, ...]
    surroundings: Array
    camera: Camera
    aperture_mm: float = 0.0
    focus_mm: float = 500.0


def load_renderer(variant: str = "scalar_rgb") -> Any:
    """Mitsuba with the variant set; ImportError when the extra is not installed."""
    import mitsuba as mi

    if mi.variant() != variant:
        mi.set_variant(variant)
    mi.set_log_level(mi.LogLevel.Error)
    return mi


def _bsdf(item: Item, mi: Any) -> dict[str, Any]:
    colour: dict[str, Any] = {"type": "mesh_attribute", "name": "vertex_color"}
    if item.texture is not None:
        bitmap = mi.Bitmap(np.ascontiguousarray(item.texture, dtype=np.float32))
        colour = {"type": "bitmap", "bitmap": bitmap, "raw": True}
    inner = {
        "type": "principled",
        "base_color": colour,
        "roughness": {"type": "mesh_attribute", "name": "vertex_rough"},
        "specular": item.specular,
    }
    if item.coat > 0:
        inner |= {"clearcoat": item.coat, "clearcoat_gloss": 0.9}
    return {"type": "twosided", "nested": inner}


def _mesh(item: Item, mi: Any, black: bool, plain: bool) -> Any:
    m = item.mesh
    bsdf = _bsdf(item, mi)
    if plain:  # the renderer's albedo of a glossy surface holds some of its gloss: guides take matt ones
        bsdf["nested"] = {"type": "diffuse", "reflectance": bsdf["nested"]["base_color"]}
    properties = mi.Properties()
    properties["bsdf"] = mi.load_dict(bsdf)
    out = mi.Mesh(
        item.name,
        len(m.points),
        len(m.triangles),
        has_vertex_normals=True,
        has_vertex_texcoords=True,
        props=properties,
    )
    colour = np.zeros_like(m.colour) if black else m.colour
    out.add_attribute("vertex_color", 3, np.ascontiguousarray(colour.ravel(), dtype=np.float32))
    out.add_attribute("vertex_rough", 1, np.ascontiguousarray(m.rough, dtype=np.float32))
    params = mi.traverse(out)
    params["vertex_positions"] = np.ascontiguousarray(m.points.ravel(), dtype=np.float32)
    params["vertex_normals"] = np.ascontiguousarray(m.normals.ravel(), dtype=np.float32)
    params["vertex_texcoords"] = np.ascontiguousarray(m.uv.ravel(), dtype=np.float32)
    params["faces"] = np.ascontiguousarray(m.triangles.ravel(), dtype=np.uint32)
    params.update()
    return out


def _light(light: Light, mi: Any) -> dict[str, Any]:
    rgb = {"type": "rgb", "value": [float(v) for v in light.rgb]}
    if light.kind == "sun":
        return {"type": "directional", "direction": list(light.direction), "irradiance": rgb}
    emitter = {"type": "area", "radiance": rgb}
    t = mi.ScalarTransform4f
    at = np.asarray(light.position, dtype=float)
    if light.kind == "bulb":
        return {"type": "sphere", "center": at.tolist(), "radius": light.size_mm[0] / 2, "emitter": emitter}
    target = at + np.asarray(light.direction, dtype=float)
    up = (
        [0.0, 1.0, 0.0]
        if abs(light.direction[2]) > 0.9 * np.linalg.norm(light.direction)
        else [0.0, 0.0, 1.0]
    )
    pose = t().look_at(origin=at.tolist(), target=target.tolist(), up=up)
    pose = pose @ t().scale([light.size_mm[0] / 2, light.size_mm[1] / 2, 1.0])
    return {"type": "rectangle", "to_world": pose, "emitter": emitter}


def wide_view(camera: Camera) -> tuple[float, tuple[int, int]]:
    """Focal length and size of the undistorted picture from which the distorted one is read."""
    if camera.k1 == 0:
        return camera.focal_px, (camera.width, camera.height)
    corner = np.hypot(camera.width, camera.height) / 2 / camera.focal_px
    grow = max(1.0, float(undistort_scale(np.array(corner), camera.k1))) + 0.01
    size = (2 * int(np.ceil(camera.width * grow / 2)), 2 * int(np.ceil(camera.height * grow / 2)))
    return camera.focal_px, size


def _sensor(stage: Stage, mi: Any, crop: tuple[int, int, int, int] | None) -> dict[str, Any]:
    camera = stage.camera
    focal, (width, height) = wide_view(camera)
    ahead, up = camera.rotation[2], -camera.rotation[1]
    film: dict[str, Any] = {
        "type": "hdrfilm",
        "width": width,
        "height": height,
        "pixel_format": "rgb",
        "rfilter": {"type": "box"},
    }
    if crop is not None:
        film |= {
            "crop_offset_x": crop[0],
            "crop_offset_y": crop[1],
            "crop_width": crop[2],
            "crop_height": crop[3],
        }
    pose = mi.ScalarTransform4f().look_at(
        origin=camera.eye.tolist(), target=(camera.eye + 100 * ahead).tolist(), up=up.tolist()
    )
    out: dict[str, Any] = {
        "type": "thinlens" if stage.aperture_mm > 0 else "perspective",
        "fov": float(2 * np.degrees(np.arctan(width / 2 / focal))),
        "fov_axis": "x",
        "near_clip": 5.0,
        "far_clip": 50000.0,
        "to_world": pose,
        "film": film,
        "sampler": {"type": "multijitter"},
    }
    if stage.aperture_mm > 0:
        out |= {"aperture_radius": stage.aperture_mm / 2, "focus_distance": stage.focus_mm}
    return out


class Set:
    """A stage loaded into the renderer: pictures, and what is seen where."""

    def __init__(self, stage: Stage, variant: str = "scalar_rgb") -> None:
        self.stage = stage
        self.mi = load_renderer(variant)
        self.scene = self._load(())

    def _load(self, black: tuple[str, ...], plain: bool = False) -> Any:
        mi = self.mi
        world: dict[str, Any] = {"type": "scene"}
        for i, item in enumerate(self.stage.items):
            world[f"item{i}"] = _mesh(item, mi, item.name in black, plain)
        for i, light in enumerate(self.stage.lights):
            world[f"light{i}"] = _light(light, mi)
        sky = mi.Bitmap(np.ascontiguousarray(self.stage.surroundings, dtype=np.float32))
        # the panorama's middle row is the horizon and its up is +z here (Mitsuba's is +y)
        upright = mi.ScalarTransform4f().rotate([1, 0, 0], 90)
        world["surroundings"] = {"type": "envmap", "bitmap": sky, "to_world": upright}
        return mi.load_dict(world)

    def picture(self, samples: int, seed: int, depth: int = 5) -> tuple[Picture, Picture]:
        """(light, albedo): linear light (H, W, 3) through the lens, noise removed, and the true albedo seen
        there."""
        half = max(samples // 2, 2)
        path = {"type": "path", "max_depth": depth, "rr_depth": 3}
        a = self._render(self.scene, path, half, 3 * seed)
        b = self._render(self.scene, path, half, 3 * seed + 1)
        guides = {"type": "aov", "aovs": "albedo:albedo,normal:sh_normal"}
        seen = self._render(self._load((), plain=True), guides, min(half, 4), 3 * seed + 2)
        albedo, normal = np.ascontiguousarray(seen[..., :3]), np.ascontiguousarray(seen[..., 3:6])
        light = denoised(a[..., :3], b[..., :3], albedo, normal)
        if self.stage.camera.k1 == 0:
            return light, albedo
        maps = undistorted_map(self.stage.camera, *wide_view(self.stage.camera))
        return tuple(
            cv2.remap(x, *maps, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE) for x in (light, albedo)
        )

    def gloss(
        self, samples: int, seed: int, black: tuple[str, ...], crop: tuple[int, int, int, int]
    ) -> Picture:
        """Light without the own colour of some items, so that only what they mirror is left.

        `crop` is x, y, width, height in the undistorted picture (`wide_view`).
        """
        path = {"type": "path", "max_depth": 3, "rr_depth": 3}
        return self._render(self._load(black), path, samples, seed, crop)

    def _render(
        self,
        scene: Any,
        integrator: dict[str, Any],
        samples: int,
        seed: int,
        crop: tuple[int, int, int, int] | None = None,
    ) -> Picture:
        mi = self.mi
        sensor = mi.load_dict(_sensor(self.stage, mi, crop))
        out = mi.render(scene, sensor=sensor, integrator=mi.load_dict(integrator), spp=samples, seed=seed)
        picture = np.array(out, dtype=np.float32)
        return np.nan_to_num(picture, nan=0.0, posinf=0.0, neginf=0.0)

    def seen(self, points: Array, slack_mm: float = 0.25) -> NDArray[np.bool_]:
        """Whether the straight way from the camera's eye to each point (N, 3) is free."""
        mi = self.mi
        eye = self.stage.camera.eye
        way = points - eye
        length = np.linalg.norm(way, axis=1)
        way = way / length[:, None]
        if mi.variant().startswith("scalar"):
            out = np.zeros(len(points), dtype=bool)
            origin = mi.Point3f(*[float(v) for v in eye])
            for i in range(len(points)):
                ray = mi.Ray3f(origin, mi.Vector3f(*[float(v) for v in way[i]]))
                ray.maxt = float(length[i] - slack_mm)
                out[i] = not self.scene.ray_test(ray)
            return out
        rays = mi.Ray3f(mi.Point3f(*[float(v) for v in eye]), mi.Vector3f(*way.T.astype(np.float32)))
        rays.maxt = mi.Float((length - slack_mm).astype(np.float32))
        return ~np.array(self.scene.ray_test(rays)).astype(bool)
