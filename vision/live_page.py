"""A column of text that grows downwards, measured before it is set; the colours and signs of the panel."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.lettering import REGULAR, Colour, Lettering

Image = NDArray[np.uint8]


@dataclass(frozen=True, slots=True)
class Theme:
    """Colours as sRGB. ``sure`` and ``unsure`` differ in lightness and in hue (a blue and an amber)."""

    paper: Colour
    ink: Colour
    quiet: Colour
    rule: Colour
    sure: Colour
    unsure: Colour
    on_sign: Colour


LIGHT: Final = Theme(
    (250, 249, 245), (24, 28, 36), (92, 98, 110), (212, 211, 204), (0, 78, 150), (150, 80, 0), (255, 255, 255)
)
DARK: Final = Theme(
    (22, 25, 30),
    (240, 241, 243),
    (160, 168, 180),
    (62, 69, 80),
    (106, 180, 255),
    (255, 184, 77),
    (16, 18, 22),
)


MOST_LARGER: Final = 1.2


class Page:
    """Text sizes are in units, which grow with the page, all else in pixels. No text goes below ``floor``."""

    def __init__(self, width: int, height: int, theme: Theme) -> None:
        self.theme = theme
        wide, high = width / 24.0, height / 36.0
        # long lines are fewer lines: a page that is wider than it is high has larger letters
        self.unit: float = max(9.0, min(wide, high * min(max(wide / high, 1.0) ** 0.5, MOST_LARGER)))
        self.margin = round(1.1 * self.unit)
        self.image = np.full((height, width, 3), theme.paper[::-1], np.uint8)
        self.left, self.width = self.margin, width - 2 * self.margin
        self.y = round(0.6 * self.unit)
        self.floor = height

    def lettering(self, units: float, weight: int, colour: Colour) -> Lettering:
        """Letters of that many units."""
        return Lettering(max(8, round(units * self.unit)), weight, colour)

    def height(
        self, words: str, units: float, weight: int = REGULAR, *, gap: float = 0.0, indent: int = 0
    ) -> int:
        """Pixels that :meth:`text` takes for all of ``words``."""
        how = self.lettering(units, weight, self.theme.ink)
        return round(gap * self.unit) + len(self.lines(words, units, weight, indent=indent)) * how.line_height

    def lines(self, words: str, units: float, weight: int = REGULAR, *, indent: int = 0) -> list[str]:
        """The lines in which :meth:`text` sets all of ``words``."""
        return self.lettering(units, weight, self.theme.ink).wrapped(words, self.width - indent)

    def fitting(
        self, words: str, sizes: Sequence[float], weight: int = REGULAR, *, gap: float, spare: float = 0.0
    ) -> float | None:
        """The first of ``sizes`` at which all of ``words`` fit and ``spare`` units are left; else None."""
        room = self.floor - self.y - spare * self.unit
        return next((size for size in sizes if self.height(words, size, weight, gap=gap) <= room), None)

    def of_fewest_lines(self, words: str, sizes: Sequence[float], weight: int = REGULAR) -> float:
        """The size at which ``words`` take the fewest lines, of several such the first."""
        return min(sizes, key=lambda size: len(self.lines(words, size, weight)))

    def text(
        self,
        words: str,
        units: float,
        weight: int = REGULAR,
        colour: Colour | None = None,
        *,
        gap: float = 0.0,
        indent: int = 0,
        most_lines: int = 99,
    ) -> None:
        """Set ``words``; what finds no room is left out, and the last line then ends in three dots."""
        how = self.lettering(units, weight, colour or self.theme.ink)
        self.y += round(gap * self.unit)
        lines = how.wrapped(words, self.width - indent)
        count = min(len(lines), most_lines, max(0, self.floor - self.y) // how.line_height)
        if 0 < count < len(lines):
            lines[count - 1] = _with_dots(lines[count - 1], how, self.width - indent)
        for line in lines[:count]:
            self.y += how.line_height
            how.put(self.image, line, self.left + indent, self.y - round(how.size * 0.3))

    def rule(self, gap: float = 0.7) -> None:
        """A line across the page."""
        self.y += round(gap * self.unit)
        self.rule_at(self.y)

    def rule_at(self, y: int) -> None:
        """A line across the page at that height."""
        thick = max(1, round(self.unit / 12))
        cv2.line(self.image, (self.left, y), (self.left + self.width, y), self.theme.rule[::-1], thick)


def _with_dots(line: str, how: Lettering, width: int) -> str:
    while line and how.width(f"{line} …") > width:
        line = line[:-1].rstrip()
    return f"{line} …".strip()


def pill(image: Image, low: tuple[int, int], high: tuple[int, int], colour: Colour) -> None:
    """A box with round ends, from its upper left corner to its lower right one."""
    radius = (high[1] - low[1]) // 2
    middle = low[1] + radius
    bgr = colour[::-1]
    cv2.rectangle(image, (low[0] + radius, low[1]), (high[0] - radius, high[1]), bgr, -1)
    for x in (low[0] + radius, high[0] - radius):
        cv2.circle(image, (x, middle), radius, bgr, -1, cv2.LINE_AA)


def sign(image: Image, at: tuple[int, int], size: float, mood: str, colour: Colour) -> None:
    """A tick for "sure", an open ring for "unsure", two bars for "still", three dots for "busy"."""
    bgr, thick = colour[::-1], max(2, round(size * 0.45))
    x, y = at
    if mood == "sure":
        points = np.array([(x - size, y), (x - 0.25 * size, y + 0.7 * size), (x + size, y - 0.7 * size)])
        cv2.polylines(image, [points.round().astype(np.int32)], False, bgr, thick, cv2.LINE_AA)
    elif mood == "unsure":
        cv2.circle(image, at, round(size * 0.8), bgr, thick, cv2.LINE_AA)
    elif mood == "still":
        for step in (-0.75, 0.25):
            low = round(x + step * size), round(y - 0.8 * size)
            cv2.rectangle(image, low, (low[0] + round(0.5 * size), round(y + 0.8 * size)), bgr, -1)
    else:
        for step in (-1, 0, 1):
            cv2.circle(
                image, (round(x + step * 0.8 * size), y), max(2, round(size * 0.28)), bgr, -1, cv2.LINE_AA
            )
