"""Our own picture of a case: the moon diagram.

Every piece of the last layer is a moon at its place on the top face, seen from above with the front at
the bottom. A full moon: the top colour faces up. A half moon: it faces the side on which the lit half
lies, and stands out over that side of the face. Corners are round, edges long (both wings of a paired
edge are one piece). Shape alone tells, so it reads without colour and in print.

The same shapes are drawn as SVG and as pixels. Units: the top face reaches from -1 to 1, x to the
right, y to the front; the whole drawing from -1.3 to 1.3.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from html import escape
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

Colour = tuple[int, int, int]
EXTENT: Final = 1.3
_CORNER_AT: Final = 0.64
_RADIUS: Final = 0.27
_EDGE_HALF: Final = 0.18
_STAND_OUT: Final = 0.22
# unit vectors of the sides in the drawing
_SIDES: Final = {"F": (0, 1), "R": (1, 0), "B": (0, -1), "L": (-1, 0)}
# per slot: its place, then the side that the top colour faces for twist 1 and 2 (1 = the next face
# clockwise seen from outside the corner: at UFR that is R, then F)
_CORNERS: Final = (((1, 1), "R", "F"), ((-1, 1), "F", "L"), ((-1, -1), "L", "B"), ((1, -1), "B", "R"))
_EDGES: Final = ("F", "R", "B", "L")


@dataclass(frozen=True, slots=True)
class Ink:
    """Colours as sRGB (red, green, blue), 0..255. The defaults differ in lightness alone."""

    paper: Colour | None = (255, 255, 255)
    face: Colour = (43, 49, 60)
    lit: Colour = (255, 224, 130)
    empty: Colour = (84, 93, 108)
    line: Colour = (43, 49, 60)


LIT: Final[dict[str, Colour]] = {
    "white": (245, 245, 242),
    "yellow": (250, 214, 40),
    "red": (255, 120, 115),
    "orange": (255, 150, 50),
    "blue": (115, 175, 255),
    "green": (95, 215, 135),
}
"""Top colours for the diagram, light enough on its dark face."""


@dataclass(frozen=True, slots=True)
class _Shape:
    """A rounded box, or the half of it on ``side``: centre, half sizes, corner radius."""

    centre: tuple[float, float]
    half: tuple[float, float]
    radius: float
    fill: Colour | None
    line: Colour | None = None
    line_width: float = 0.0
    side: str | None = None

    def outline(self) -> NDArray[np.float64]:
        """Points (k, 2) going round, for the pixels and for SVG alike."""
        (hx, hy), r = self.half, self.radius
        steps = np.linspace(0, np.pi / 2, 13)
        corners = ((hx - r, hy - r, 0.0), (r - hx, hy - r, 1.0), (r - hx, r - hy, 2.0), (hx - r, r - hy, 3.0))
        points = np.concatenate(
            [
                np.stack(
                    [x + r * np.cos(steps + q * np.pi / 2), y + r * np.sin(steps + q * np.pi / 2)], axis=1
                )
                for x, y, q in corners
            ]
        )
        if self.side is not None:
            direction = np.array(_SIDES[self.side], np.float64)
            along = points @ direction
            points = points - np.minimum(along, 0.0)[:, None] * direction  # the dark half folds to a line
        moved: NDArray[np.float64] = points + np.array(self.centre)
        return moved


def case_shapes(
    twist: Sequence[int], flip: Sequence[int], ink: Ink, *, front_mark: bool = True
) -> list[_Shape]:
    """The moons of a case, back to front; slots as everywhere: (UFR, UFL, UBL, UBR), (UF, UR, UB, UL).

    A ring marks the centre; without ``flip``, on a 2x2x2, there is none.
    """
    shapes = [_Shape((0, 0), (1, 1), 0.3, ink.face, ink.line, 0.03)]
    if flip:
        shapes.append(_Shape((0, 0), (0.2, 0.2), 0.2, None, ink.empty, 0.05))
    for (place, first, second), turned in zip(_CORNERS, twist, strict=True):
        centre = (place[0] * _CORNER_AT, place[1] * _CORNER_AT)
        disc = _Shape(centre, (_RADIUS, _RADIUS), _RADIUS, ink.lit)
        shapes += _moon(disc, (None, first, second)[turned], ink)
    for side, flipped in zip(_EDGES, flip, strict=False):
        dx, dy = _SIDES[side]
        half = (_EDGE_HALF, 0.23) if dx else (0.23, _EDGE_HALF)
        capsule = _Shape((dx * 0.72, dy * 0.72), half, _EDGE_HALF, ink.lit)
        shapes += _moon(capsule, side if flipped else None, ink)
    if front_mark:
        shapes.append(_Shape((0, 1.22), (0.34, 0.035), 0.035, ink.line))
    return shapes


def _moon(full: _Shape, side: str | None, ink: Ink) -> list[_Shape]:
    """A full moon, or the dark disc with its lit half pushed out over ``side``."""
    if side is None:
        return [full]
    dx, dy = _SIDES[side]
    out = (full.centre[0] + dx * _STAND_OUT, full.centre[1] + dy * _STAND_OUT)
    return [
        replace(full, fill=None, line=ink.empty, line_width=0.035),
        replace(full, centre=out, side=side, line=ink.line, line_width=0.05),
    ]


def case_svg(
    twist: Sequence[int],
    flip: Sequence[int] = (),
    *,
    ink: Ink | None = None,
    width_px: float = 120.0,
    title: str = "",
    front_mark: bool = True,
) -> str:
    """The case as a standalone SVG element, ``width_px`` wide and high."""
    ink = ink or Ink()
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width_px:g}" height="{width_px:g}"'
        f' viewBox="{-EXTENT} {-EXTENT} {2 * EXTENT} {2 * EXTENT}" role="img">'
    ]
    if title:
        parts.append(f"<title>{escape(title, quote=False)}</title>")
    if ink.paper is not None:
        side = 2 * EXTENT
        parts.append(
            f'<rect x="{-EXTENT}" y="{-EXTENT}" width="{side}" height="{side}" fill="{_hex(ink.paper)}"/>'
        )
    for shape in case_shapes(twist, flip, ink, front_mark=front_mark):
        points = np.round(shape.outline(), 3)
        path = "M" + "L".join(f"{x:g} {y:g}" for x, y in points) + "Z"
        fill = "none" if shape.fill is None else _hex(shape.fill)
        line = (
            "" if shape.line is None else f' stroke="{_hex(shape.line)}" stroke-width="{shape.line_width:g}"'
        )
        parts.append(f'<path d="{path}" fill="{fill}"{line} stroke-linejoin="round"/>')
    parts.append("</svg>")
    return "".join(parts)


def case_image(
    twist: Sequence[int],
    flip: Sequence[int] = (),
    *,
    ink: Ink | None = None,
    width_px: int = 240,
    front_mark: bool = True,
) -> NDArray[np.uint8]:
    """The case as pixels: uint8 (width_px, width_px, 3), blue green red, on white paper unless told."""
    import cv2

    ink = ink or Ink()
    finer = 3
    side = width_px * finer
    canvas = np.full((side, side, 3), (ink.paper or (255, 255, 255))[::-1], np.uint8)
    unit = side / (2 * EXTENT)

    def pixels(points: NDArray[Any]) -> NDArray[np.int32]:
        return np.round(((points + EXTENT) * unit - 0.5) * 16).astype(np.int32)

    for shape in case_shapes(twist, flip, ink, front_mark=front_mark):
        points = pixels(shape.outline())
        if shape.fill is not None:
            cv2.fillPoly(canvas, [points], shape.fill[::-1], cv2.LINE_AA, 4)
        if shape.line is not None:
            width = max(1, round(shape.line_width * unit))
            cv2.polylines(canvas, [points], True, shape.line[::-1], width, cv2.LINE_AA, 4)
    return np.asarray(cv2.resize(canvas, (width_px, width_px), interpolation=cv2.INTER_AREA), np.uint8)


def _hex(colour: Colour) -> str:
    return "#{:02x}{:02x}{:02x}".format(*colour)
