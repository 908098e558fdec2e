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

from vision.fit import fit_pose
from vision.locate import Found, FoundCube, Surface, find_cubes
from vision.networks import look_closely
from vision.pixel_shape import drawn_out

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
    best: Squared | None = None
    for picture in (squared(image_bgr, across) for across in SHAPES):
        score = _score_at(picture.image_bgr, *picture.place(*pose.middle_xy, pose.edge_px), size)
        if score >= least:
            best, least = picture, score
    if best is None:
        return found
    again = find_cubes(best.image_bgr, size=size)
    return replace(again, cubes=tuple(best.back(cube) for cube in again.cubes)) if again.cubes else found


def _score_at(image_bgr: NDArray[np.uint8], x: float, y: float, edge_px: float, size: int | None) -> float:
    """How well the lines of the cube at a place lie, the perspective as the network tells it.

    Other perspectives are not tried: they take two thirds of the time. Of 171 pictures with square pixels
    and 586 squeezed ones they told one and two otherwise, the one wrongly.
    """
    high, wide = image_bgr.shape[:2]
    return fit_pose(look_closely(image_bgr, x, y, edge_px), (wide, high), size, shifts=()).pose.score
