"""Fit a cube's pose to what the network saw: maps of edges and seams, and a first guess of the orientation.

The network draws, for a square crop round one cube, where the edges and the seams of the visible faces must
be, also where a finger or two neighbours of one colour hide them. Here a cube is laid over those maps: seven
numbers (turn, place, scale, perspective) are moved by Gauss-Newton steps until its lattice lies on the
drawn lines, first on blurred maps for reach, then on sharp ones for precision.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.pose import FACE_COLUMNS, FACE_NORMALS, FACE_ORIGINS, FACE_ROWS, CubePose, cube_rotations

Floats = NDArray[np.float32]

#: side of the square crop in cube edges, of the network's input and of its maps in pixels
CROP_EDGES = 2.4
INPUT_PX = 128
MAP_PX = 64
SIZES = (2, 3, 4, 5)
_MONOMIALS = [(i, j, 4 - i - j) for i in range(5) for j in range(5 - i)]
_FACTORIALS = (1, 1, 2, 6, 24)
_WEIGHTS = np.array(
    [(24 / (_FACTORIALS[i] * _FACTORIALS[j] * _FACTORIALS[k])) ** 0.5 for i, j, k in _MONOMIALS], np.float32
)
_POINTS_A_LINE = 8
#: a lattice whose edges lie on the edge map so well needs no other start; no other perspective
_GOOD_EDGE, _FAIR_EDGE = 0.78, 0.72
#: focal length over the longer side: phones 0.67 to 0.78 (24 to 28 mm on 36), webcams 0.65 to 0.95
_FOCAL_MEAN, _FOCAL_SPREAD = float(np.log(0.8)), 0.35


@dataclass(frozen=True, eq=False)
class Crop:
    """A square piece of the picture and what the network says of it.

    ``maps`` (4, 64, 64) probabilities of edge, seam, corner and visible surface; ``numbers`` (24,) as the
    network gives them; a pixel (x, y) of the picture lies at ``(x - left) * scale`` of the map.
    """

    left: float
    top: float
    scale: float
    maps: Floats
    numbers: Floats


@dataclass(frozen=True, eq=False)
class Fitted:
    """A pose, the share of its lattice that the maps bear out, 0..1, and the network's word on the size."""

    pose: CubePose
    line_score: float
    cube_probability: float
    size_logits: Floats
    surface: Floats


def orientation_monomials(rotations: NDArray[np.floating]) -> Floats:
    """A name (M, 15) for each of (M, 3, 3) rotations that all 24 labellings of a cube share."""
    powers = [np.ones_like(rotations), rotations, rotations**2, rotations**3, rotations**4]
    terms = [(powers[i][:, 0] * powers[j][:, 1] * powers[k][:, 2]).sum(-1) for i, j, k in _MONOMIALS]
    return np.asarray(np.stack(terms, -1) * _WEIGHTS, dtype=np.float32)


@lru_cache(maxsize=1)
def orientation_table() -> tuple[Floats, Floats]:
    """About 2,400 rotations (M, 3, 3), one an orientation of an unlabelled cube, and their names (M, 15).

    Super-Fibonacci spirals (Alexa, CVPR 2022) spread over all rotations; kept is the part nearer to the
    identity than to any other labelling (bounds of the cubic fundamental zone in Rodrigues vectors).
    """
    count = 58_000
    s = np.arange(count) + 0.5
    phi, psi = np.sqrt(2.0), 1.533751168755204288118041
    r, big_r = np.sqrt(s / count), np.sqrt(1 - s / count)
    alpha, beta = 2 * np.pi * s / phi, 2 * np.pi * s / psi
    x, y, z, w = r * np.sin(alpha), r * np.cos(alpha), big_r * np.sin(beta), big_r * np.cos(beta)
    vector = np.abs(np.stack([x, y, z]) / np.where(np.abs(w) < 1e-9, 1e-9, w))
    keep = (vector.max(0) <= np.sqrt(2) - 1 + 0.01) & (vector.sum(0) <= 1.01)
    x, y, z, w = x[keep], y[keep], z[keep], w[keep]
    rotations = np.stack(
        [
            np.stack([1 - 2 * (y * y + z * z), 2 * (x * y - z * w), 2 * (x * z + y * w)], -1),
            np.stack([2 * (x * y + z * w), 1 - 2 * (x * x + z * z), 2 * (y * z - x * w)], -1),
            np.stack([2 * (x * z - y * w), 2 * (y * z + x * w), 1 - 2 * (x * x + y * y)], -1),
        ],
        1,
    ).astype(np.float32)
    return rotations, orientation_monomials(rotations)


def likely_orientations(monomials: Floats, least_apart_rad: float = 0.26) -> Iterator[Floats]:
    """The two of the table's rotations nearest to a name (15,), best first, so far apart at least."""
    rotations, names = orientation_table()
    gaps = ((names - monomials) ** 2).sum(1)
    first = int(gaps.argmin())
    yield rotations[first]
    near = np.argpartition(gaps, 80)[:80]
    near = near[np.argsort(gaps[near])]
    overlap = np.einsum("nij,mij->mn", cube_rotations(), rotations[first].T @ rotations[near]).max(1)
    apart = np.arccos(np.clip((overlap - 1) / 2, -1, 1)) > least_apart_rad
    if apart.any():
        yield rotations[near[int(apart.argmax())]]


@lru_cache(maxsize=8)
def lattice(size: int) -> tuple[Floats, NDArray[np.int64], NDArray[np.bool_]]:
    """Points of the lattice of all six faces: (N, 3) in cube axes, face of each, whether on an edge."""
    along = (np.arange(_POINTS_A_LINE) + 0.5) / _POINTS_A_LINE
    points, faces, outer = [], [], []
    for face in range(6):
        for k in range(size + 1):
            across = np.full_like(along, k / size)
            for c, r in ((across, along), (along, across)):
                points.append(
                    FACE_ORIGINS[face] + c[:, None] * FACE_COLUMNS[face] + r[:, None] * FACE_ROWS[face]
                )
                faces.append(np.full(len(along), face))
                outer.append(np.full(len(along), k in (0, size)))
    return np.concatenate(points).astype(np.float32), np.concatenate(faces), np.concatenate(outer)


class _Placement:
    """A cube over a crop: rotation into camera axes, and centre (2) px, log edge px, log perspective."""

    def __init__(
        self, base: Floats, centre_px: Floats, log_edge: float, log_perspective: float, principal: Floats
    ):
        self.four = np.array([centre_px[0], centre_px[1], log_edge, log_perspective], np.float64)
        self.principal = principal.astype(np.float64)
        z = self.ray(self.four)[0]
        z = z / np.linalg.norm(z)
        x = np.array([z[2], 0, -z[0]]) / np.hypot(z[0], z[2])
        self.rotation = np.stack([x, np.cross(z, x), z], 1) @ base.astype(np.float64)

    def ray(self, four: NDArray[np.float64]) -> tuple[NDArray[np.float64], float]:
        """The cube's centre in camera axes (3,), in edges, and the focal length in pixels."""
        distance = np.exp(-four[3])
        focal = float(np.exp(four[2]) * distance)
        x, y = (four[:2] - self.principal) / focal
        return np.array([x, y, 1.0]) * (distance / np.sqrt(x * x + y * y + 1)), focal

    def slopes(self) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Derivatives of the centre (3, 4) and of the log focal length (4,) by the four numbers."""
        centre, _ = self.ray(self.four)
        columns = []
        for i, step in enumerate(_STEPS):
            moved = self.four.copy()
            moved[i] += step
            columns.append((self.ray(moved)[0] - centre) / step)
        return np.stack(columns, 1), np.array([0.0, 0.0, 1.0, -1.0])

    def turn(self, vector: NDArray[np.float64]) -> None:
        """Turn the cube about its centre by a rotation vector in camera axes."""
        self.rotation = cv2.Rodrigues(vector)[0] @ self.rotation

    def eye(self) -> NDArray[np.float64]:
        """The camera's place in cube axes (3,)."""
        return np.asarray(-self.rotation.T @ self.ray(self.four)[0])


_STEPS = (0.5, 0.5, 0.01, 0.02)


def _sample(field: Floats, xy: NDArray[np.float64]) -> Floats:
    """Bilinear values (C, N) of fields (C, H, W) at map pixels (N, 2) (corner of the first pixel at 0, 0)."""
    side = field.shape[-1]
    at = np.clip(xy - 0.5, 0, side - 1.001)
    low = at.astype(np.int64)
    part = (at - low).astype(np.float32)
    flat = field.reshape(field.shape[0], -1)
    index = low[:, 1] * side + low[:, 0]
    fx, fy = part[:, 0], part[:, 1]
    top = flat[:, index] * (1 - fx) + flat[:, index + 1] * fx
    bottom = flat[:, index + side] * (1 - fx) + flat[:, index + side + 1] * fx
    return np.asarray(top * (1 - fy) + bottom * fy)


def _fields(maps: Floats, blur: float) -> Floats:
    """Edge and seam maps with their gradients, (6, 64, 64): value, d/dx, d/dy of each."""
    out = []
    for m in maps[:2]:
        v = cv2.GaussianBlur(m, (0, 0), blur) if blur else m
        dx = np.empty_like(v)
        dy = np.empty_like(v)
        dx[:, 1:-1] = (v[:, 2:] - v[:, :-2]) / 2
        dy[1:-1] = (v[2:] - v[:-2]) / 2
        dx[:, [0, -1]] = 0
        dy[[0, -1]] = 0
        out += [v / max(float(v.max()), 0.05), dx / max(float(v.max()), 0.05), dy / max(float(v.max()), 0.05)]
    return np.stack(out)


def _seen(place: _Placement) -> NDArray[np.bool_]:
    """Faces (6,) turned to the camera."""
    to_eye = place.eye() - FACE_NORMALS / 2
    cosine = (to_eye * FACE_NORMALS).sum(1) / np.linalg.norm(to_eye, axis=1)
    return np.asarray(cosine > 0.03)


def _improve(
    place: _Placement,
    crop: Crop,
    fields: Floats,
    size: int,
    steps: int,
    perspective: float,
    longest_px: float,
    seam_weight: float,
) -> None:
    """Gauss-Newton on (1 - map) over the lattice points of the visible faces.

    ``perspective`` is the network's guess of log(1 / distance in edges), held with a little weight, as is
    the focal length to what cameras have.
    """
    points, faces, outer = lattice(size)
    origin = np.array([crop.left, crop.top])
    limit = np.array([0.15, 0.15, 0.15, 3 / crop.scale, 3 / crop.scale, 0.1, 0.3])
    for _ in range(steps):
        use = _seen(place)[faces]
        if not seam_weight:
            use &= outer
        on_edge = outer[use]
        centre, focal = place.ray(place.four)
        turned = points[use] @ place.rotation.T
        x, y, z = (turned + centre).T
        z = np.maximum(z, 0.05)
        u, v = x / z, y / z
        flat = (np.stack([u, v], 1) * focal + place.principal - origin) * crop.scale
        values = _sample(fields, flat)
        value, along_x, along_y = np.where(on_edge, values[:3], values[3:])
        weight = np.where(on_edge, 1.0, seam_weight)
        pull_x, pull_y = along_x * (focal * crop.scale), along_y * (focal * crop.scale)
        by_point = np.stack([pull_x / z, pull_y / z, -(pull_x * u + pull_y * v) / z])
        by_four, by_focal = place.slopes()
        jacobian = np.empty((7, len(z)))
        jacobian[0] = turned[:, 1] * by_point[2] - turned[:, 2] * by_point[1]
        jacobian[1] = turned[:, 2] * by_point[0] - turned[:, 0] * by_point[2]
        jacobian[2] = turned[:, 0] * by_point[1] - turned[:, 1] * by_point[0]
        jacobian[3:] = by_four.T @ by_point + by_focal[:, None] * (pull_x * u + pull_y * v)
        weighted = jacobian * weight
        normal = weighted @ jacobian.T
        right = weighted @ (value - 1)
        count = max(len(z), 1)
        hold, tie = 0.02 * count, 0.02 * count / _FOCAL_SPREAD**2
        gap = place.four[2] - place.four[3] - np.log(longest_px) - _FOCAL_MEAN
        right[5] += tie * gap
        right[6] += hold * (place.four[3] - perspective) - tie * gap
        normal[5:, 5:] += np.array([[tie, -tie], [-tie, tie + hold]])
        normal[np.diag_indices(7)] += normal.diagonal() * 0.02 + 1e-9
        step = np.clip(np.linalg.solve(normal, -right), -limit, limit)
        place.turn(step[:3])
        place.four += step[3:]


def _line_score(place: _Placement, crop: Crop, fields: Floats, size: int) -> tuple[float, float]:
    """Mean height of the edge map along edges, of the seam map along seams."""
    points, faces, outer = lattice(size)
    use = _seen(place)[faces]
    centre, focal = place.ray(place.four)
    camera = points[use] @ place.rotation.T + centre
    pixels = camera[:, :2] / np.maximum(camera[:, 2:], 0.05) * focal + place.principal
    values = _sample(fields[[0, 3]], (pixels - np.array([crop.left, crop.top])) * crop.scale)
    on_edge = outer[use]
    return float(values[0][on_edge].mean()), float(values[1][~on_edge].mean())


def _starts(monomials: Floats) -> Iterator[tuple[Floats, float]]:
    """Orientations and shifts of the log perspective to start from, the likeliest first."""
    bases = []
    for base in likely_orientations(monomials):
        yield base, 0.0
        bases.append(base)
    for shift in (0.5, -0.5):
        for base in bases:
            yield base, shift


def fit_pose(crop: Crop, picture_wh: tuple[int, int], size: int | None = None) -> Fitted:
    """The pose that explains a crop's maps.

    ``picture_wh`` is the whole picture's width and height in pixels (the principal point is taken to be its
    middle); ``size`` fixes the number of layers, otherwise the network's word is taken.
    """
    numbers = crop.numbers
    side = MAP_PX / crop.scale
    centre = np.array([crop.left, crop.top]) + (numbers[15:17] + 0.5) * side
    log_edge = float(numbers[17]) + np.log(side / CROP_EDGES)
    perspective = float(np.clip(numbers[18], np.log(0.03), np.log(0.55)))
    principal = np.array([picture_wh[0] / 2, picture_wh[1] / 2])
    logits = numbers[19:23]
    n = size if size in SIZES else SIZES[int(np.argmax(logits))]
    coarse, fine = _fields(crop.maps, 2.0), _fields(crop.maps, 0.0)
    best: tuple[float, _Placement, float] | None = None
    longest = float(max(picture_wh))
    for base, shift in _starts(numbers[:15]):
        if shift and best is not None and best[2] > _FAIR_EDGE:
            break
        place = _Placement(base, centre, log_edge, perspective + shift, principal)
        _improve(place, crop, coarse, n, 3, perspective + shift, longest, 0.0)
        _improve(place, crop, fine, n, 4, perspective + shift, longest, 0.5)
        edge, seam = _line_score(place, crop, fine, n)
        score = edge + 0.5 * seam
        if best is None or score > best[0]:
            best = (score, place, edge)
        if edge > _GOOD_EDGE:
            break
    assert best is not None
    place = best[1]
    _improve(place, crop, fine, n, 2, place.four[3], longest, 0.5)
    edge, seam = _line_score(place, crop, fine, n)
    centre_xyz, focal = place.ray(place.four)
    shifted = np.exp(logits - logits.max())
    shares = shifted / shifted.sum()
    pose = CubePose(
        n, focal, (float(principal[0]), float(principal[1])), place.rotation, centre_xyz,
        score=edge, size_probabilities={s: float(p) for s, p in zip(SIZES, shares, strict=True)},
    )  # fmt: skip
    return Fitted(pose, (edge + seam) / 2, float(1 / (1 + np.exp(-numbers[23]))), logits, crop.maps[3])
