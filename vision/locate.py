"""Find the cubes in a picture: places that a small network points at, each looked at closely by a second one.

What the second draws, :mod:`vision.fit` turns into a pose, and :mod:`vision.seams` puts that onto the seams
of the picture. Flat grids, sticky notes and pictures of cubes are what both were trained to pass over.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.crop import CROP_EDGES, SIZES, Crop
from vision.fit import Fitted, fit_pose
from vision.found import Found, FoundCube, Surface
from vision.layer_count import layer_shares, seam_contrast
from vision.motion import Lens
from vision.networks import Picture, Place, apart, look_closely, propose
from vision.pose import CubePose
from vision.seams import seat
from vision.shrink import Halved, handy, shrunk, stretch

#: a fitted cube is reported from this product of network probability and lattice score on
LEAST_SCORE = 0.30
#: the second network's word on a cube, as a logit: below the first a place is given up, in a second look it
#: counts as the second at least, below the third the cube is not reported without a second look
FAINT_LOGIT, HOPELESS_LOGIT, DOUBTFUL_LOGIT = -4.5, -2.5, -1.5
#: a second look is taken where nothing so probable was found; scales of its crops; what it must reach
SURE_SCORE, AGAIN_SCALES, AGAIN_SCORE = 0.6, (0.65, 0.8, 1.0, 1.25), 0.25
#: so much larger than a sure cube is a doubtful place that gets a second look beside it; what that must reach
NEARER, NEARER_SCORE = 1.3, 0.9
#: where nothing is found, the picture is looked at once more with so much of its longer side round it: from
#: further off the first network sees large cubes better; what the closer look must reach there
FARTHER, FARTHER_SCORE = 0.25, 0.9
#: where still nothing is found, parts of the picture are looked at, this share of its longer side long, if
#: that has so many pixels; the first network sees small cubes there that it had too few pixels for
CLOSER, LEAST_NEARER_PX = 0.55, 480
#: a number of layers is in question where the network gives it this probability; it is asked twice more then,
#: with the crop's middle off by so much of an edge, and its scale
OPEN_SHARE, OTHER_LOOKS = 0.02, ((0.06, 0.04, 1.08), (-0.05, 0.05, 0.93))
#: pixels a sticker should have where seams are looked for
SEAM_CELL_PX = 14.0
#: how firmly the tilt is held there to what it was (:func:`vision.seams.seat`)
SEAM_HOLD = 20.0


def _found(image_bgr: Picture, fitted: Fitted, crop: Crop, size: int | None) -> FoundCube:
    """The cube of a close look; with each number of layers that is open, where ``size`` does not fix it."""
    found = _seated(image_bgr, fitted, crop)
    in_question = [n for n, share in fitted.pose.size_probabilities.items() if share >= OPEN_SHARE]
    if size is not None or len(in_question) < 2 or found.probability < LEAST_SCORE:
        return found
    high, wide = image_bgr.shape[:2]
    cubes = {
        n: found if n == found.pose.size else _seated(image_bgr, fit_pose(crop, (wide, high), n), crop)
        for n in in_question
    }
    contrasts = {n: seam_contrast(image_bgr, cube.pose, cube.surface) for n, cube in cubes.items()}
    shares = layer_shares(_asked_again(image_bgr, found.pose, crop), contrasts)
    ranked = sorted(shares, key=lambda n: -shares[n])
    best, *others = (
        replace(
            cubes[n],
            pose=replace(cubes[n].pose, size_probabilities=shares),
            probability=found.probability,
        )
        for n in ranked
    )
    return replace(best, otherwise=tuple(others))


def _asked_again(image_bgr: Picture, pose: CubePose, crop: Crop) -> dict[int, float]:
    """What the network says of each number of layers in this crop and two others: the geometric mean."""
    (x, y), edge_px = pose.middle_xy, pose.edge_px
    looks = [crop]
    for right, down, scale in OTHER_LOOKS:
        looks.append(look_closely(image_bgr, x + right * edge_px, y + down * edge_px, scale * edge_px))
    shares = np.exp(np.mean([look.size_log_shares for look in looks], axis=0))
    return dict(zip(SIZES, shares.tolist(), strict=True))


def _seated(image_bgr: Picture, fitted: Fitted, crop: Crop) -> FoundCube:
    probability = fitted.cube_probability * min(1.0, max(0.0, fitted.line_score) / 0.6)
    surface = Surface(crop.left, crop.top, (crop.scale, crop.scale), fitted.surface)
    pose = onto_seams(image_bgr, fitted.pose, surface) if probability >= LEAST_SCORE else fitted.pose
    return FoundCube(pose.upright(), probability, surface)


def onto_seams(image_bgr: Picture, pose: CubePose, surface: Surface) -> CubePose:
    """The pose laid onto the seams that can be made out in the picture; as it was where they are too few."""
    high, wide = image_bgr.shape[:2]
    outline = pose.quads_xy(pose.in_view())
    edge_px = pose.edge_px
    left, top = (outline.min(0) - 0.15 * edge_px).tolist()
    right, bottom = (outline.max(0) + 0.15 * edge_px).tolist()
    (x0, x1), (y0, y1) = stretch(left, right, wide), stretch(top, bottom, high)
    if x1 - x0 < 16 or y1 - y0 < 16:
        return pose
    (x0, x1), (y0, y1) = handy(x0, x1, wide), handy(y0, y1, high)
    piece: Any = image_bgr[y0:y1, x0:x1]
    shrink = SEAM_CELL_PX * pose.size / edge_px
    if shrink < 1:
        piece = shrunk(piece, max(16, round((x1 - x0) * shrink)), max(16, round((y1 - y0) * shrink)))
    scale = piece.shape[1] / (x1 - x0)
    x, y = (pose.centre_xy[0] - x0) * scale - 0.5, (pose.centre_xy[1] - y0) * scale - 0.5

    def uncovered(points_xy: NDArray[np.float64]) -> NDArray[np.float32]:
        return surface.at((points_xy + 0.5) / scale + (x0, y0))

    lens = Lens(pose.focal_px * scale, x, y, pose.k1)
    seated = seat(piece, lens, pose, hold_tilt=SEAM_HOLD, uncovered=uncovered)
    if seated is None or seated.support < 0.35 or seated.spread_cells > 0.08 or seated.moved_cells > 0.3:
        return pose
    return seated.pose


def find_near(image_bgr: Picture, x: float, y: float, edge_px: float, size: int | None = None) -> FoundCube:
    """The cube at a known place, whatever its score: for a track, or for a person's click."""
    crop = look_closely(image_bgr, x, y, edge_px)
    high, wide = image_bgr.shape[:2]
    return _found(image_bgr, fit_pose(crop, (wide, high), size), crop, size)


def find_cubes(
    image_bgr: Picture, *, size: int | None = None, limit: int = 3, halved: Halved | None = None
) -> Found:
    """Cubes in a BGR picture, the one to read first: the largest that is surely one and wholly in view.

    ``size`` fixes the number of layers; ``limit`` bounds how many places are looked at closely; ``halved`` is
    the picture in smaller sizes, where some were made before.
    """
    high, wide = image_bgr.shape[:2]
    if min(high, wide) < 16:
        return Found((), "no-cube", "picture too small")
    places = propose(halved or Halved(image_bgr), limit)
    cubes, doubtful = _looked_at(image_bgr, places, size)
    sure = [cube for cube in cubes if cube.probability >= SURE_SCORE]
    if sure:  # nearer than those there may be the cube that is held up
        largest = max(cube.edge_px for cube in sure)
        doubtful = [
            (place, word)
            for place, word in doubtful
            if place[3] > NEARER * largest and not any(_is_at(cube, *place[1:]) for cube in sure)
        ]
    if doubtful:
        again = _look_again(image_bgr, doubtful, size)
        if again is not None and not sure and all(again.probability > c.probability for c in cubes):
            cubes.append(again)
        elif again is not None and sure and again.probability >= NEARER_SCORE:
            cubes = [again, *(cube for cube in cubes if not _is_same(cube, again))]
    if not cubes:
        cubes, _ = _looked_at(image_bgr, _from_farther(image_bgr, limit), size, FARTHER_SCORE)
    if not cubes and max(high, wide) >= LEAST_NEARER_PX:
        cubes, _ = _looked_at(image_bgr, _from_nearer(image_bgr, limit), size, FARTHER_SCORE)
    if not cubes and not places:
        return Found((), "no-cube", "propose")
    if not cubes:
        return Found((), "no-cube", "look closely")
    if len(cubes) == 1:
        return Found(tuple(cubes))
    surest = max(cube.probability for cube in cubes)
    cubes.sort(key=lambda cube: -_rank(cube, surest, wide, high))
    return Found(tuple(cubes))


def _is_at(cube: FoundCube, x: float, y: float, edge_px: float) -> bool:
    """Whether a place lies so near a cube that they are one."""
    own_x, own_y = cube.pose.middle_xy
    return float(np.hypot(own_x - x, own_y - y)) < 0.6 * max(cube.edge_px, edge_px)


def _is_same(cube: FoundCube, other: FoundCube) -> bool:
    return _is_at(cube, *other.pose.middle_xy, other.edge_px)


def _looked_at(
    image_bgr: Picture, places: list[Place], size: int | None, least: float = LEAST_SCORE
) -> tuple[list[FoundCube], list[tuple[Place, float]]]:
    """Cubes of a probability of ``least`` at likely places, and the places worth another look, each with the
    word on it, a logit."""
    wide_high = (image_bgr.shape[1], image_bgr.shape[0])
    cubes: list[FoundCube] = []
    doubtful: list[tuple[Place, float]] = []
    for place in places:
        crop = _centred(image_bgr, *place[1:])
        word = crop.cube_logit
        if crop.cube_probability >= least and word > DOUBTFUL_LOGIT:  # a fit only takes from it
            found = _found(image_bgr, fit_pose(crop, wide_high, size), crop, size)
            if found.probability >= least:
                cubes.append(found)
        if word > FAINT_LOGIT:
            doubtful.append((place, word))
    return cubes, doubtful


def _from_farther(image_bgr: Picture, most: int) -> list[Place]:
    """What :func:`propose` finds with grey round the picture; places inside the picture, in its pixels."""
    high, wide = image_bgr.shape[:2]
    edge = round(FARTHER * max(high, wide))
    padded: Any = cv2.copyMakeBorder(
        image_bgr, edge, edge, edge, edge, cv2.BORDER_CONSTANT, value=(127, 127, 127)
    )
    back = [(peak, x - edge, y - edge, edge_px) for peak, x, y, edge_px in propose(Halved(padded), most)]
    return [place for place in back if 0 <= place[1] < wide and 0 <= place[2] < high]


def _from_nearer(image_bgr: Picture, most: int) -> list[Place]:
    """What :func:`propose` finds in overlapping parts of the picture, the likeliest, in its pixels."""
    high, wide = image_bgr.shape[:2]
    side = round(CLOSER * max(high, wide))
    places: list[Place] = []
    for top in sorted({0, max(0, high - side)}):
        for left in sorted({0, max(0, wide - side)}):
            part = image_bgr[top : top + side, left : left + side]
            places += [(peak, x + left, y + top, edge) for peak, x, y, edge in propose(Halved(part), most)]
    return apart(places)[:most]


def _centred(image_bgr: Picture, x: float, y: float, edge_px: float) -> Crop:
    """A close look at a place, taken anew where the cube lies off the crop's middle or of another size."""
    crop = look_closely(image_bgr, x, y, edge_px)
    right, down = crop.off_middle.tolist()
    if abs(crop.log_edge) <= 0.25 and float(np.hypot(right, down)) <= 0.15:
        return crop
    side = crop.side_px
    x, y = crop.left + (right + 0.5) * side, crop.top + (down + 0.5) * side
    return look_closely(image_bgr, x, y, float(np.exp(crop.log_edge)) * side / CROP_EDGES)


def _look_again(
    image_bgr: Picture, doubtful: list[tuple[Place, float]], size: int | None
) -> FoundCube | None:
    """The best of several crops round doubtful places: what is fixed to a cube may have misled the first.

    The best of many is an optimist: its probability is taken half-way, as a logit, to the best word on these
    places at first.
    """
    wide_high = (image_bgr.shape[1], image_bgr.shape[0])
    best: tuple[float, Fitted, Crop] | None = None

    def consider(x: float, y: float, edge_px: float) -> None:
        nonlocal best
        crop = look_closely(image_bgr, x, y, edge_px)
        # no fit scores more than the network gives, and what is below the least asked for counts as nothing
        if crop.cube_probability <= (best[0] if best else 0.5 * AGAIN_SCORE):
            return
        fitted = fit_pose(crop, wide_high, size)
        score = fitted.cube_probability * fitted.line_score
        if best is None or score > best[0]:
            best = (score, fitted, crop)

    for (_, x, y, edge_px), _ in doubtful[:2]:
        for scale in AGAIN_SCALES:
            consider(x, y, edge_px * scale)
            consider(x, y + 0.15 * edge_px, edge_px * scale)
    for _ in range(2):
        if best is None or best[0] < 0.5 * AGAIN_SCORE:
            return None
        pose = best[1].pose
        consider(*pose.middle_xy, pose.edge_px)
    assert best is not None
    if best[0] < AGAIN_SCORE:
        return None
    found = _found(image_bgr, best[1], best[2], size)
    p = min(max(found.probability, 1e-6), 1 - 1e-6)
    at_first = max(word for _, word in doubtful)
    logit = (float(np.log(p / (1 - p))) + max(at_first, HOPELESS_LOGIT)) / 2
    return replace(found, probability=1 / (1 + float(np.exp(-logit))))


def _rank(cube: FoundCube, surest: float, wide: int, high: int) -> float:
    """Large and whole first, among those nearly as sure as the surest."""
    quads = cube.pose.quads_xy(cube.pose.in_view())
    inside = (quads[:, 0] >= 0) & (quads[:, 0] < wide) & (quads[:, 1] >= 0) & (quads[:, 1] < high)
    sure = min(1.0, cube.probability / (0.85 * surest)) ** 4
    return float(cube.edge_px * (0.3 + 0.7 * inside.mean()) * sure)
