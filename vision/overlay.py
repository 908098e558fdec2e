"""What is drawn on a photo: the grid that was found and the colours that were read.

Lines are light with a dark casing, and every badge carries its colour's letter, so nothing depends on
telling colours apart; where the letter would be too small to read, the badge is left off. A badge split in
two shows a sticker that was read as one colour (left) and settled as another by the group (right).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from calibration.profile import COLOURS
from vision.answer import Answer
from vision.lettering import BOLD, DARK, LIGHT, Colour, Lettering, letter_on
from vision.naming import Naming
from vision.panel import sticker_rgb

SMALLEST_LETTER: Final = 8
"""Pixels; badges whose letter would be smaller are left off."""
_SHIFT: Final = 4
_BADGE_SHARE: Final = 0.27
"""Radius of a badge in thicknesses of its sticker."""
_LETTER_SHARE: Final = 1.35
"""Height of a badge's one letter in radii."""
_CELL_STROKES: Final = 16
"""Strokes that the thickness of a sticker is at least, so that lines leave room on a small cube."""
_LEAST_RADIUS: Final = 3.5
"""Pixels; a face whose badges would be smaller gets its outline alone."""


def letter_px(answer: Answer) -> float:
    """Pixels of the picture that a letter on the top face takes, or one on the side in best view if less.

    Infinite where no face is in view."""
    radii = {face: _badge_radius(grid) for face, grid in face_grids(answer).items()}
    sides = [radius for face, radius in radii.items() if face != "U"]
    shown = [radii["U"]] if "U" in radii else []
    return _LETTER_SHARE * min([*shown, *sorted(sides)[-1:]], default=float("inf"))


def overlaid(image_bgr: NDArray[np.uint8], answer: Answer, *, zoom: float = 1.0) -> NDArray[np.uint8]:
    """The photo, ``zoom`` times larger, with the grid and the badges on it.

    A face whose badges would be too small gets its outline alone.
    """
    return overlaid_with_splits(image_bgr, answer, zoom)[0]


def overlaid_with_splits(
    image_bgr: NDArray[np.uint8], answer: Answer, zoom: float
) -> tuple[NDArray[np.uint8], bool]:
    """:func:`overlaid`, and whether a split badge is on it."""
    import cv2

    photo = image_bgr.copy()
    if zoom != 1.0:
        photo = np.asarray(
            cv2.resize(image_bgr, None, fx=zoom, fy=zoom, interpolation=cv2.INTER_CUBIC), np.uint8
        )
    grids = {face: _zoomed(grid, zoom) for face, grid in face_grids(answer).items()}
    radii = [_badge_radius(grid) for grid in grids.values()]
    least = min((radius for radius in radii if radius >= _LEAST_RADIUS), default=0.0) / _BADGE_SHARE
    stroke = max(1.0, min(max(photo.shape[:2]) / 900, least / _CELL_STROKES))
    for face in [face for face in "BLRFU" if face in grids]:
        _draw_grid(
            photo, grids[face], stroke, heavy=face == "U", lines=_badge_radius(grids[face]) >= _LEAST_RADIUS
        )
    for quad in answer.others:
        _line(photo, _zoomed(np.array([*quad, quad[0]]), zoom), stroke, dashed=True)
    if "U" in grids:
        _mark_front(photo, grids["U"], stroke)
    badges = [badge for face, grid in grids.items() for badge in _badges(grid, face, answer)]
    for badge in badges:
        _draw_badge(photo, badge, stroke)
    return photo, any(badge.is_split for badge in badges)


def face_grids(answer: Answer) -> dict[str, NDArray[np.float64]]:
    """Pixel nodes (n + 1, n + 1, 2) of every face in view; from the quad alone for the top if need be."""
    grids = {face: np.asarray(grid, np.float64) for face, grid in answer.grids.items()}
    if "U" not in grids and answer.top is not None and answer.size:
        grids["U"] = grid_of_quad(answer.top.quad_xy, answer.size)
    return grids


def grid_of_quad(quad_xy: Any, size: int) -> NDArray[np.float64]:
    """Nodes (size + 1, size + 1, 2) of a face from its corners TL, TR, BR, BL by their homography."""
    import cv2

    unit = np.array([[0, 0], [size, 0], [size, size], [0, size]], np.float32)
    homography = cv2.getPerspectiveTransform(unit, np.asarray(quad_xy, np.float32).reshape(4, 2))
    col, row = np.meshgrid(np.arange(size + 1.0), np.arange(size + 1.0))
    nodes = cv2.perspectiveTransform(np.stack([col, row], axis=-1).reshape(1, -1, 2), homography)
    return np.asarray(nodes, np.float64).reshape(size + 1, size + 1, 2)


def _zoomed(points_xy: NDArray[np.float64], zoom: float) -> NDArray[np.float64]:
    """Where OpenCV draws points of the answer in the photo made larger: it counts from a pixel's middle."""
    return points_xy * zoom - 0.5


def _fixed(points: NDArray[Any]) -> NDArray[np.int32]:
    return np.round(np.asarray(points, np.float64) * (1 << _SHIFT)).astype(np.int32)


def _line(
    photo: NDArray[np.uint8], points: NDArray[Any], width: float, *, casing: float = 2.2, dashed: bool = False
) -> None:
    import cv2

    runs = [points]
    if dashed:
        parts = [np.linspace(a, b, 16).reshape(8, 2, 2) for a, b in pairwise(points)]
        runs = [dash for part in parts for dash in part]
    for colour, wide in ((DARK, width * casing), (LIGHT, width)):
        for run in runs:
            cv2.polylines(photo, [_fixed(run)], False, colour[::-1], max(1, round(wide)), cv2.LINE_AA, _SHIFT)


def _badge_radius(grid: NDArray[np.float64]) -> float:
    """Radius of the badges in the middle of a face, in pixels."""
    k = (len(grid) - 1) // 2
    return _BADGE_SHARE * _thickness(grid[k : k + 2, k : k + 2].reshape(4, 2))


def _draw_grid(
    photo: NDArray[np.uint8], grid: NDArray[np.float64], stroke: float, *, heavy: bool, lines: bool
) -> None:
    n = len(grid) - 1
    for k in range(1, n if lines else 1):
        _line(photo, grid[k], stroke * 0.8)
        _line(photo, grid[:, k], stroke * 0.8)
    edge = np.concatenate([grid[0], grid[1:, -1], grid[-1, -2::-1], grid[-2::-1, 0]])
    _line(photo, edge, stroke * (2.4 if heavy else 1.2), casing=1.8)


def _mark_front(photo: NDArray[np.uint8], top: NDArray[np.float64], stroke: float) -> None:
    """A thick bar on the middle third of the top face's front edge, as in the diagram."""
    front = top[-1]
    left, right = front[0], front[-1]
    bar = np.array([left + (right - left) * share for share in (0.34, 0.66)])
    _line(photo, bar, stroke * 5.5, casing=1.5)


@dataclass(frozen=True, eq=False)
class _Badge:
    """A disc on a sticker: ``letters`` and ``rgb`` of its colour as read and as settled."""

    centre: NDArray[np.float64]
    radius: float
    letters: tuple[str, str]
    rgb: tuple[Colour, Colour]
    is_split: bool

    @property
    def letter_px(self) -> int:
        return round(self.radius * (0.95 if self.is_split else _LETTER_SHARE))


def _badges(grid: NDArray[np.float64], face: str, answer: Answer) -> Iterator[_Badge]:
    """The badges of a face that are large enough for their letters."""
    keys = Naming(tuple(answer.palette) or COLOURS).key_of
    settled = answer.settled.get(face, ())
    for row, names in enumerate(answer.seen.get(face, ())):
        for col, read in enumerate(names):
            if read is None:
                continue
            corners = grid[row : row + 2, col : col + 2].reshape(4, 2)
            group = settled[row][col] if row < len(settled) else None
            final = group if group is not None else read
            badge = _Badge(
                centre=corners.mean(axis=0),
                radius=_BADGE_SHARE * _thickness(corners),
                letters=(keys.get(read, read[:1]).upper(), keys.get(final, final[:1]).upper()),
                rgb=(sticker_rgb(answer, read), sticker_rgb(answer, final)),
                is_split=read != final,
            )
            if badge.letter_px >= SMALLEST_LETTER:
                yield badge


def _thickness(corners: NDArray[np.float64]) -> float:
    """The smaller extent of a cell given as TL, TR, BL, BR: its area over its longer diagonal, doubled."""
    a, b = corners[3] - corners[0], corners[2] - corners[1]
    area = abs(a[0] * b[1] - a[1] * b[0]) / 2
    return float(area / max(np.hypot(*a), np.hypot(*b), 1e-6) * np.sqrt(2))


def _draw_badge(photo: NDArray[np.uint8], badge: _Badge, stroke: float) -> None:
    import cv2

    centre, radius = badge.centre, badge.radius
    at = _fixed(centre)

    def disc(extra: float, colour: Colour) -> None:
        outer = int(_fixed(np.array([radius + extra]))[0])
        cv2.circle(photo, (int(at[0]), int(at[1])), outer, colour[::-1], -1, cv2.LINE_AA, _SHIFT)

    disc(2.2 * stroke, DARK)
    disc(1.2 * stroke, LIGHT)
    read_rgb, settled_rgb = badge.rgb
    disc(0.0, settled_rgb)
    if not badge.is_split:
        how = Lettering(badge.letter_px, BOLD, letter_on(read_rgb))
        how.put_centred(photo, badge.letters[0], *centre)
        return
    angle = np.linspace(np.pi / 2, 3 * np.pi / 2, 24)
    half = centre + radius * np.stack([np.cos(angle), np.sin(angle)], axis=1)
    cv2.fillPoly(photo, [_fixed(half)], read_rgb[::-1], cv2.LINE_AA, _SHIFT)
    cv2.polylines(
        photo, [_fixed(half[[0, -1]])], False, DARK[::-1], max(1, round(stroke)), cv2.LINE_AA, _SHIFT
    )
    for letter, own, side in zip(badge.letters, badge.rgb, (-0.48, 0.48), strict=True):
        how = Lettering(badge.letter_px, BOLD, letter_on(own))
        how.put_centred(photo, letter, centre[0] + side * radius, centre[1])
