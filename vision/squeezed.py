"""Pictures whose pixels are not square: squeezed from one common shape, 4:3 or 16:9, into the other.

The networks know square pixels alone, and no pose of such a camera explains the lines of a squeezed cube
well. Where the nearest cube's lines lie badly, it is looked at with the picture drawn out in either
direction; where they lie well there, cubes are found in that picture, and their poses told in pixels of the
picture as it is (``CubePose.across``), so that whatever reads or draws by a pose need not know.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from vision.crop import CROP_EDGES
from vision.fit import fit_pose
from vision.found import Found, FoundCube, Surface
from vision.locate import find_cubes
from vision.networks import look_closely
from vision.pixel_shape import drawn_out
from vision.pose import CubePose
from vision.shrink import HANDY_PX, stretch

SHAPES: Final = (3 / 4, 4 / 3)
"""How much finer than down pixels are across (``CubePose.across``) where 16:9 was squeezed into 4:3, and 4:3
drawn out to 16:9."""
FAIR_SCORE: Final = 0.78
"""Lines that lie as well as this (``CubePose.score``) are of square pixels: so lie those of five in six
pictures, and of 6 in 1,907 squeezed ones. Of 3,972 pictures with square pixels, most of them hard ones, six
are taken for squeezed; of those 1,907 all but 270 are drawn out, all of them the right way."""
LEAST_SCORE, LEAST_GAIN = 0.7, 0.1
"""How well lines must lie in the picture drawn out, and by how much better than before."""


@dataclass(frozen=True, eq=False)
class Squared:
    """A BGR picture drawn out so that its pixels are square; ``factor_xy`` says by how much each way."""

    image_bgr: NDArray[np.uint8]
    factor_xy: tuple[float, float]

    def place(self, x: float, y: float, edge_px: float) -> tuple[float, float, float]:
        """Pixels of a place, and of a cube's edge (as ``CubePose.edge_px``), in this picture."""
        across, down = self.factor_xy
        return x * across, y * down, edge_px * down

    def back(self, cube: FoundCube) -> FoundCube:
        """A cube found in this picture, in pixels of the picture as it was."""
        across, down = self.factor_xy
        pose, surface = cube.pose, cube.surface
        x, y = pose.centre_xy
        return replace(
            cube,
            pose=replace(
                pose,
                focal_px=pose.focal_px / down,
                centre_xy=(x / across, y / down),
                across=pose.across * down / across,
            ),
            surface=Surface(
                surface.left / across,
                surface.top / down,
                (surface.scale_xy[0] * across, surface.scale_xy[1] * down),
                surface.probability,
            ),
            otherwise=tuple(self.back(other) for other in cube.otherwise),
        )


def squared(image_bgr: NDArray[np.uint8], across: float) -> Squared:
    """The picture with square pixels, if those of ``image_bgr`` are ``across`` times finer across."""
    image = drawn_out(image_bgr, across)
    (high, wide), (new_high, new_wide) = image_bgr.shape[:2], image.shape[:2]
    return Squared(image, (new_wide / wide, new_high / high))


def unsqueezed(image_bgr: NDArray[np.uint8], found: Found, size: int | None = None) -> Found:
    """What was found in the picture, or, where it turns out to be squeezed, what is found in it drawn out.

    ``size`` fixes the number of layers, as for :func:`vision.locate.find_cubes`.
    """
    if not found.cubes or found.cubes[0].pose.score >= FAIR_SCORE:
        return found
    pose = found.cubes[0].pose
    least = max(pose.score + LEAST_GAIN, LEAST_SCORE)
    best: float | None = None
    for across in SHAPES:
        score = _score_as(image_bgr, pose, across, size)
        if score >= least:
            best, least = across, score
    if best is None:
        return found
    picture = squared(image_bgr, best)
    again = find_cubes(picture.image_bgr, size=size)
    return replace(again, cubes=tuple(picture.back(cube) for cube in again.cubes)) if again.cubes else found


def _score_as(image_bgr: NDArray[np.uint8], pose: CubePose, across: float, size: int | None) -> float:
    """How well the lines of a cube lie if pixels are ``across`` times finer across.

    Only what a close look sees is drawn out. Perspectives other than the one that the network tells are not
    tried: they take two thirds of the time. Of 171 pictures with square pixels and 586 squeezed ones they
    told one and two otherwise, the one wrongly.
    """
    high, wide = image_bgr.shape[:2]
    x, y = pose.middle_xy
    room = CROP_EDGES / 2 * pose.edge_px + HANDY_PX + 2
    x0, x1 = _in_threes(*stretch(x - room * across, x + room * across, wide, 1), wide)
    y0, y1 = _in_threes(*stretch(y - room, y + room, high, 1), high)
    piece = squared(image_bgr[y0:y1, x0:x1], across)
    crop = look_closely(piece.image_bgr, *piece.place(x - x0, y - y0, pose.edge_px))
    right, down = piece.factor_xy
    crop = replace(crop, left=crop.left + x0 * right, top=crop.top + y0 * down)
    return fit_pose(crop, (round(wide * right), round(high * down)), size, shifts=()).pose.score


def _in_threes(first: int, last: int, end: int) -> tuple[int, int]:
    """The stretch with a multiple of three pixels before it, and that long: three drawn out to four stay in
    step with those of the picture drawn out as a whole."""
    first -= first % 3
    return first, min(end, last + (first - last) % 3)
