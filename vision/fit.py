"""Fit a cube's pose to what the network saw: maps of edges, seams and surface, and an orientation told.

The network draws, for a square crop round one cube, where the edges and the seams of the visible faces must
be, also where a finger or two neighbours of one colour hide them. Here a cube is laid over those maps: seven
numbers (turn, place, scale, perspective) are moved by Gauss-Newton steps until its lattice lies on the
drawn lines, first on blurred maps for reach, then on sharp ones for precision. Its outline is drawn to the
rim of the surface, and its orientation to the one that the network tells, which the lines of one face seen
squarely hardly show.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.crop import CROP_EDGES, MAP_PX, SIZES, Crop, Floats, field_of, sample
from vision.orientation import likely_orientations, told_tensor, turn_towards
from vision.placement import NONE, POINTS_A_LINE, Marks, Placement, Sides, marks_of
from vision.pose import SEEN_COSINE, CubePose
from vision.rim import rim_gaps

_Rim = tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]

#: a lattice whose edges lie on the edge map so well needs no other start; no other perspective
_GOOD_EDGE, _FAIR_EDGE = 0.78, 0.72
#: shifts of the log perspective to start anew with, where the network's own leads nowhere
SHIFTS = (0.5, -0.5)
#: the least that is taken of a step
_LEAST_SHARE = 0.25
#: what the network's word on the orientation weighs, beside one point of the lattice; half of it where the
#: orientation is so far off, in radians: such a word may be wrong
_TOLD_WEIGHT, _TOLD_REACH_RAD = 0.1, 0.1
#: faces that are not seen may come into view from this cosine on, where the surface reaches so far beyond the
#: edge before them, in pixels of the map
_JUST_HIDDEN_COSINE, _BEYOND_PX = -0.2, 0.4
#: what a point of the outline weighs whose gap to the rim is one pixel of the map; how far inside the box the
#: rim of a cube with rounded edges lies, in cube edges (measured on traced ones: bevels of 0.5 to 5 %)
_RIM_WEIGHT, _RIM_INSET = 0.4, 0.015
#: focal length over the longer side: phones 0.67 to 0.78 (24 to 28 mm on 36), webcams 0.65 to 0.95
_FOCAL_MEAN, _FOCAL_SPREAD = float(np.log(0.8)), 0.35


@dataclass(frozen=True, eq=False)
class Fitted:
    """A pose, the share of its lattice that the maps bear out and the probability that it is a cube's, both
    0..1, and the map of its surface."""

    pose: CubePose
    line_score: float
    cube_probability: float
    surface: Floats


@dataclass(frozen=True, eq=False)
class _Told:
    """What a placement is fitted to: the crop's maps, the orientation told (:func:`told_tensor`), the number
    of layers, and the longer side of the whole picture in pixels."""

    crop: Crop
    orientation: NDArray[np.float64]
    size: int
    longest_px: float


def _improve(
    place: Placement, told: _Told, field: Floats, steps: int, perspective: float, *, sharp: bool
) -> None:
    """Gauss-Newton on (1 - map) over the lattice points of the visible faces.

    ``perspective`` is the network's guess of log(1 / distance in edges), held with a little weight, as is
    the focal length to what cameras have. Unless ``sharp``, edges alone count, without seams and rim.

    Near the crest of a line the map's slope vanishes, and with it the curvature that Gauss-Newton sees: whole
    steps go too far there and come back, for ever. What is taken of each is worked out from the one before
    (the secant through both, along the step).
    """
    crop = told.crop
    limit = np.array([0.15, 0.15, 0.15, 3 / crop.scale, 3 / crop.scale, 0.1, 0.3])
    last: NDArray[np.float64] | None = None
    share = 1.0
    for _ in range(steps):
        laid = _outlined(place, told) if sharp else _inside(place, told, seams=False)
        count = len(laid.marks.weight)
        values = sample(field, laid.marks.which, laid.xy[:, :count])
        gaps, pulls, weight = values[0] - 1, values[1:], laid.marks.weight
        if laid.rim is not None:
            out, beyond, counts = laid.rim
            gaps = np.concatenate([gaps, beyond])
            pulls = np.concatenate([pulls, -out.T], axis=1)
            weight = np.concatenate([weight, _RIM_WEIGHT * counts])
        jacobian = place.rows(laid.turned, laid.flat, laid.z, pulls * (place.focal * crop.scale))
        weighted = jacobian * weight
        normal = weighted @ jacobian.T
        right = weighted @ gaps
        _hold(place, told, max(count, 1), perspective, normal, right)
        step = cv2.solve(normal, -right[:, None])[1].ravel()
        whole = np.minimum(np.maximum(step, -limit), limit)
        if last is not None and last.any():
            length = last @ normal
            left = float(length @ whole) / float(length @ last)  # below 0 where the last one went too far
            share = min(max(share / max(1.0 - left, share), _LEAST_SHARE), 1.0)
        last = whole
        place.move(share * whole)


@dataclass(frozen=True, eq=False)
class _Laid:
    """Points of a placement: as :meth:`Placement.camera_points` gives them, in map pixels ``xy`` (2, N + M),
    and what :func:`rim_gaps` tells of the last M."""

    marks: Marks
    turned: NDArray[np.float64]
    flat: NDArray[np.float64]
    z: NDArray[np.float64]
    xy: NDArray[np.float64]
    rim: _Rim | None


def _laid(place: Placement, crop: Crop, marks: Marks) -> _Laid:
    """The marks as the cube is placed, with the rim of the surface where there are some of the outline."""
    turned, flat, z = place.camera_points(marks.points)
    xy = (flat * place.focal + (place.principal - (crop.left, crop.top))[:, None]) * crop.scale
    if not len(marks.beyond):
        return _Laid(marks, turned, flat, z, xy, None)
    lines = xy[:, len(marks.weight) :].T.reshape(-1, POINTS_A_LINE, 2)
    out, gaps, counts = rim_gaps(crop.maps[3], lines, crop.at(place.four[:2]))
    rim = out, gaps + _RIM_INSET * MAP_PX / CROP_EDGES, counts
    return _Laid(marks, turned, flat, z, xy, rim)


def _inside(place: Placement, told: _Told, *, seams: bool) -> _Laid:
    """The edges in view as the cube is placed, with ``seams`` the seams as well, without an outline."""
    seen = _seen(place.cosines())
    return _laid(place, told.crop, marks_of(told.size, seen, seams, NONE))


def _outlined(place: Placement, told: _Told) -> _Laid:
    """The lattice in view as the cube is placed, and its outline.

    Where the surface reaches well beyond an edge, behind which a side is just hidden, it is that side which
    is seen: then its far edges are the outline.
    """
    cosines = place.cosines()
    seen = _seen(cosines)
    laid = _laid(place, told.crop, marks_of(told.size, seen, True, seen))
    hidden = np.flatnonzero((cosines > _JUST_HIDDEN_COSINE) & (cosines <= SEEN_COSINE)).tolist()
    if not hidden or laid.rim is None:
        return laid
    _, gaps, counts = laid.rim
    far = [side for side in hidden if _mean(gaps, counts * (laid.marks.beyond == side)) > _BEYOND_PX]
    if not far:
        return laid
    shown = tuple(seen[side] or side in far for side in range(6))
    return _laid(place, told.crop, marks_of(told.size, seen, True, shown))


def _seen(cosines: NDArray[np.float64]) -> Sides:
    return tuple((cosines > SEEN_COSINE).tolist())


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
    log_edge, log_perspective = place.four[2:].tolist()
    gap = log_edge - log_perspective - math.log(told.longest_px) - _FOCAL_MEAN
    right[5] += tie * gap
    right[6] += hold * (log_perspective - perspective) - tie * gap
    normal[5:, 5:] += ((tie, -tie), (-tie, tie + hold))
    axes = place.ray_axes()
    turn = axes @ turn_towards(axes.T @ place.rotation, told.orientation)
    pull = 8 * _TOLD_WEIGHT * count / (1 + float(turn @ turn) / _TOLD_REACH_RAD**2)
    right[:3] -= pull * turn
    diagonal = normal.reshape(-1)[:: len(normal) + 1]
    diagonal[:3] += pull
    diagonal += diagonal * 0.02 + 1e-9


def _line_score(place: Placement, told: _Told, field: Floats) -> tuple[float, float]:
    """Mean height of the edge map along edges, of the seam map along seams."""
    laid = _inside(place, told, seams=True)
    values = sample(field[:1], laid.marks.which, laid.xy)[0]
    on_edge = laid.marks.which == 0
    return float(values[on_edge].mean()), float(values[~on_edge].mean())


def _starts(monomials: Floats, shifts: tuple[float, ...]) -> Iterator[tuple[Floats, float]]:
    """Orientations and shifts of the log perspective to start from, the likeliest first."""
    bases = []
    for base in likely_orientations(monomials):
        yield base, 0.0
        bases.append(base)
    for shift in shifts:
        for base in bases:
            yield base, shift


def fit_pose(
    crop: Crop, picture_wh: tuple[int, int], size: int | None = None, *, shifts: tuple[float, ...] = SHIFTS
) -> Fitted:
    """The pose that explains a crop's maps.

    ``picture_wh`` is the whole picture's width and height in pixels (the principal point is taken to be its
    middle); ``size`` fixes the number of layers, otherwise the network's word is taken. ``shifts`` of the log
    perspective are tried where no orientation explains them well.
    """
    side = crop.side_px
    centre = np.array([crop.left, crop.top]) + (crop.off_middle + 0.5) * side
    log_edge = crop.log_edge + np.log(side / CROP_EDGES)
    perspective = min(max(crop.log_perspective, math.log(0.03)), math.log(0.55))
    principal = np.array([picture_wh[0] / 2, picture_wh[1] / 2])
    logits = crop.size_logits
    n = size if size in SIZES else SIZES[int(np.argmax(logits))]
    told = _Told(crop, told_tensor(crop.orientation), n, float(max(picture_wh)))
    coarse = field_of(crop.maps[0], 2.0)
    fine = np.concatenate([field_of(line_map, 0.0) for line_map in crop.maps[:2]], axis=1)
    best: tuple[float, Placement, float, float] | None = None
    for base, shift in _starts(crop.orientation, shifts):
        if shift and best is not None and best[2] > _FAIR_EDGE:
            break
        place = Placement(base, centre, log_edge, perspective + shift, principal)
        _improve(place, told, coarse, 2, perspective + shift, sharp=False)
        _improve(place, told, fine, 5, perspective + shift, sharp=True)
        edge, seam = _line_score(place, told, fine)
        score = edge + 0.5 * seam
        if best is None or score > best[0]:
            best = (score, place, edge, seam)
        if edge > _GOOD_EDGE:
            break
    assert best is not None
    _, place, edge, seam = best
    shares = np.exp(crop.size_log_shares)
    pose = CubePose(
        n, place.focal, (float(principal[0]), float(principal[1])), place.rotation, place.centre,
        score=edge, size_probabilities={s: float(p) for s, p in zip(SIZES, shares, strict=True)},
    )  # fmt: skip
    return Fitted(pose, (edge + seam) / 2, crop.cube_probability, crop.maps[3])
