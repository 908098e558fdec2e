"""Fit a cube's pose to what the network saw: maps of edges, seams and surface, and an orientation told.

The network draws, for a square crop round one cube, where the edges and the seams of the visible faces must
be, also where a finger or two neighbours of one colour hide them. Here a cube is laid over those maps: seven
numbers (turn, place, scale, perspective) are moved by Gauss-Newton steps until its lattice lies on the
drawn lines, first on blurred maps for reach, then on sharp ones for precision. Its outline is drawn to the
rim of the surface, and its orientation to the one that the network tells, which the lines of one face seen
squarely hardly show.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.orientation import likely_orientations, told_tensor, turn_towards
from vision.placement import POINTS_A_LINE, Placement, lattice
from vision.pose import CubePose
from vision.rim import rim_gaps

Floats = NDArray[np.float32]
_Rim = tuple[NDArray[np.int64], NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]

#: side of the square crop in cube edges, of the network's input and of its maps in pixels
CROP_EDGES = 2.4
INPUT_PX = 128
MAP_PX = 64
SIZES = (2, 3, 4, 5)
#: a lattice whose edges lie on the edge map so well needs no other start; no other perspective
_GOOD_EDGE, _FAIR_EDGE = 0.78, 0.72
#: the least that is taken of a step
_LEAST_SHARE = 0.25
#: what the network's word on the orientation weighs, beside one point of the lattice; half of it where the
#: orientation is so far off, in radians: such a word may be wrong
_TOLD_WEIGHT, _TOLD_REACH_RAD = 0.1, 0.1
#: faces turned to the camera more squarely than this are seen; hidden ones may come into view from there on
#: where the surface reaches so far beyond the edge before them, in pixels of the map
SEEN_COSINE, _JUST_HIDDEN_COSINE, _BEYOND_PX = 0.03, -0.2, 0.4
#: what a point of the outline weighs whose gap to the rim is one pixel of the map; how far inside the box the
#: rim of a cube with rounded edges lies, in cube edges (measured on traced ones: bevels of 0.5 to 5 %)
_RIM_WEIGHT, _RIM_INSET = 0.4, 0.015
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

    def at(self, xy: NDArray[np.float64]) -> NDArray[np.float64]:
        """Pixels (..., 2) of the picture in the map's."""
        return np.asarray((xy - np.array([self.left, self.top])) * self.scale)


@dataclass(frozen=True, eq=False)
class Fitted:
    """A pose, the share of its lattice that the maps bear out and the probability that it is a cube's, both
    0..1, and the map of its surface."""

    pose: CubePose
    line_score: float
    cube_probability: float
    surface: Floats


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


@dataclass(frozen=True, eq=False)
class _Told:
    """What a placement is fitted to: the crop's maps, the orientation told (:func:`told_tensor`), the number
    of layers, and the longer side of the whole picture in pixels."""

    crop: Crop
    orientation: Floats
    size: int
    longest_px: float


def _improve(
    place: Placement, told: _Told, fields: Floats, steps: int, perspective: float, *, sharp: bool
) -> None:
    """Gauss-Newton on (1 - map) over the lattice points of the visible faces.

    ``perspective`` is the network's guess of log(1 / distance in edges), held with a little weight, as is
    the focal length to what cameras have. Unless ``sharp``, edges alone count, without seams and rim.

    Near the crest of a line the map's slope vanishes, and with it the curvature that Gauss-Newton sees: whole
    steps go too far there and come back, for ever. What is taken of each is worked out from the one before
    (the secant through both, along the step).
    """
    crop = told.crop
    points, faces, beside = lattice(told.size)
    limit = np.array([0.15, 0.15, 0.15, 3 / crop.scale, 3 / crop.scale, 0.1, 0.3])
    last: NDArray[np.float64] | None = None
    share = 1.0
    for _ in range(steps):
        cosines = place.cosines()
        seen = cosines > SEEN_COSINE
        turned = points @ place.rotation.T
        u, v, z, focal = place.camera_points(turned)
        flat = crop.at(np.stack([u, v], 1) * focal + place.principal)
        use = np.flatnonzero(seen[faces] if sharp else seen[faces] & (beside >= 0))
        values = _sample(fields, flat[use])
        short, along_x, along_y = np.where(beside[use] >= 0, values[:3], values[3:])
        short = short - 1
        weight = np.where(beside[use] >= 0, 1.0, 0.5)
        count = max(len(use), 1)
        if sharp:
            outline, out, gaps, counts = _rim(place, told, flat, cosines)
            use = np.concatenate([use, outline])
            short = np.concatenate([short, gaps])
            along_x, along_y = np.concatenate([along_x, -out[:, 0]]), np.concatenate([along_y, -out[:, 1]])
            weight = np.concatenate([weight, _RIM_WEIGHT * counts])
        to_map = focal * crop.scale
        jacobian = place.rows(turned[use], u[use], v[use], z[use], along_x * to_map, along_y * to_map)
        weighted = jacobian * weight
        normal = weighted @ jacobian.T
        right = weighted @ short
        _hold(place, told, count, perspective, normal, right)
        whole = np.clip(np.linalg.solve(normal, -right), -limit, limit)
        if last is not None and last.any():
            length = last @ normal
            left = float(length @ whole) / float(length @ last)  # below 0 where the last one went too far
            share = min(max(share / max(1.0 - left, share), _LEAST_SHARE), 1.0)
        last = whole
        step = share * whole
        place.turn(step[:3])
        place.four += step[3:]


def _rim(place: Placement, told: _Told, flat: NDArray[np.float64], cosines: NDArray[np.float64]) -> _Rim:
    """Points of the lattice (``flat``, map pixels) on the cube's outline, by index, and what :func:`rim_gaps`
    tells of them.

    Where the surface reaches well beyond an edge, behind which a side is just hidden, it is that side which
    is seen: then its far edges are the outline.
    """
    _, faces, beside = lattice(told.size)
    middle = told.crop.at(place.centre_px())
    surface = told.crop.maps[3]
    seen = cosines > SEEN_COSINE

    def told_of(shown: NDArray[np.bool_]) -> _Rim:
        at = np.flatnonzero(shown[faces] & (beside >= 0) & ~shown[beside])
        out, gaps, counts = rim_gaps(surface, flat[at].reshape(-1, POINTS_A_LINE, 2), middle)
        return at, out, gaps + _RIM_INSET * MAP_PX / CROP_EDGES, counts

    rim = told_of(seen)
    outline, _, gaps, counts = rim
    hidden = np.flatnonzero((cosines > _JUST_HIDDEN_COSINE) & ~seen)
    beyond = [side for side in hidden if _mean(gaps, counts * (beside[outline] == side)) > _BEYOND_PX]
    if beyond:
        seen = seen.copy()
        seen[beyond] = True
        rim = told_of(seen)
    return rim


def _mean(values: NDArray[np.float64], weights: NDArray[np.float64]) -> float:
    """The weighted mean; 0 where nothing has weight."""
    total = float(weights.sum())
    return float(values @ weights) / total if total > 0 else 0.0


def _hold(
    place: Placement,
    told: _Told,
    count: int,
    perspective: float,
    normal: NDArray[np.float64],
    right: NDArray[np.float64],
) -> None:
    """Add to the normal equations (7, 7) and (7,) of ``count`` points what is known beside the maps."""
    hold, tie = 0.02 * count, 0.02 * count / _FOCAL_SPREAD**2
    gap = place.four[2] - place.four[3] - np.log(told.longest_px) - _FOCAL_MEAN
    right[5] += tie * gap
    right[6] += hold * (place.four[3] - perspective) - tie * gap
    normal[5:, 5:] += np.array([[tie, -tie], [-tie, tie + hold]])
    axes = place.ray_axes()
    turn = axes @ turn_towards(axes.T @ place.rotation, told.orientation)
    pull = 8 * _TOLD_WEIGHT * count / (1 + turn @ turn / _TOLD_REACH_RAD**2)
    right[:3] -= pull * turn
    normal[:3, :3] += pull * np.eye(3)
    normal[np.diag_indices(7)] += normal.diagonal() * 0.02 + 1e-9


def _line_score(place: Placement, crop: Crop, fields: Floats, size: int) -> tuple[float, float]:
    """Mean height of the edge map along edges, of the seam map along seams."""
    points, faces, beside = lattice(size)
    use = place.cosines()[faces] > SEEN_COSINE
    u, v, _, focal = place.camera_points(points[use] @ place.rotation.T)
    values = _sample(fields[[0, 3]], crop.at(np.stack([u, v], 1) * focal + place.principal))
    on_edge = beside[use] >= 0
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
    told = _Told(crop, told_tensor(numbers[:15]), n, float(max(picture_wh)))
    coarse, fine = _fields(crop.maps, 2.0), _fields(crop.maps, 0.0)
    best: tuple[float, Placement, float, float] | None = None
    for base, shift in _starts(numbers[:15]):
        if shift and best is not None and best[2] > _FAIR_EDGE:
            break
        place = Placement(base, centre, log_edge, perspective + shift, principal)
        _improve(place, told, coarse, 2, perspective + shift, sharp=False)
        _improve(place, told, fine, 5, perspective + shift, sharp=True)
        edge, seam = _line_score(place, crop, fine, n)
        score = edge + 0.5 * seam
        if best is None or score > best[0]:
            best = (score, place, edge, seam)
        if edge > _GOOD_EDGE:
            break
    assert best is not None
    _, place, edge, seam = best
    centre_xyz, focal = place.ray(place.four)
    shifted = np.exp(logits - logits.max())
    shares = shifted / shifted.sum()
    pose = CubePose(
        n, focal, (float(principal[0]), float(principal[1])), place.rotation, centre_xyz,
        score=edge, size_probabilities={s: float(p) for s, p in zip(SIZES, shares, strict=True)},
    )  # fmt: skip
    return Fitted(pose, (edge + seam) / 2, float(1 / (1 + np.exp(-numbers[23]))), crop.maps[3])
