"""The panel beside the live picture, set large enough to be read from a metre away.

What is shown is a frozen value; :func:`painted` turns it into pixels and knows no camera and no window.
Nothing is told by colour alone: every state has its word and its sign.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from models.cases import CASES
from vision.diagram import Ink, case_image
from vision.lettering import BOLD, REGULAR, Colour, Lettering

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
LIT: Final[dict[str, Colour]] = {
    "white": (245, 245, 242),
    "yellow": (255, 220, 60),
    "orange": (255, 150, 50),
    "green": (90, 200, 120),
    "red": (255, 110, 110),
    "blue": (120, 180, 255),
}


@dataclass(frozen=True, slots=True)
class Doing:
    """One sequence: the turns from here on, and the line of small print below them."""

    turns: str
    detail: str


@dataclass(frozen=True, slots=True)
class Shown:
    """Everything on the panel.

    ``mood`` is "sure", "unsure" or "busy" and ``status`` its words; ``twist`` and ``flip`` as the cube lies;
    ``doing`` the sequences, the chosen one first; ``candidates`` (code, per cent) while unsure;
    ``tilt`` the side to show next; ``last`` the last attempt; ``notice`` a passing word. Numbers are rounded
    by the caller so that equal panels compare equal.
    """

    status: str
    mood: str
    cube: str = ""
    name: str = ""
    code: str = ""
    cue: str = ""
    per_cent: int | None = None
    twist: tuple[int, ...] = ()
    flip: tuple[int, ...] = ()
    top_colour: str = "yellow"
    doing: tuple[Doing, ...] = ()
    candidates: tuple[tuple[str, int], ...] = ()
    tilt: str = ""
    advice: str = ""
    last: str = ""
    notice: str = ""
    front: str = ""


KEYS: Final = (
    ("space", "freeze"),
    ("S", "save this moment"),
    ("N", "next alternative"),
    ("F", "front side"),
    ("M", "mirror"),
    ("T", "light or dark"),
    ("H", "help"),
    ("Q", "quit"),
)


class _Page:
    """A column that grows downwards; text is set at a multiple of the unit."""

    def __init__(self, width: int, height: int, theme: Theme) -> None:
        self.theme = theme
        self.unit = max(9.0, min(height / 36.0, width / 24.0))
        self.margin = round(1.1 * self.unit)
        self.image = np.full((height, width, 3), theme.paper[::-1], np.uint8)
        self.left, self.width = self.margin, width - 2 * self.margin
        self.y = round(0.6 * self.unit)
        self.floor = height

    def room(self, units: float) -> bool:
        """Whether so many units fit above the floor."""
        return self.y + units * self.unit <= self.floor

    def lettering(self, units: float, weight: int, colour: Colour) -> Lettering:
        return Lettering(max(8, round(units * self.unit)), weight, colour)

    def text(
        self,
        words: str,
        units: float,
        weight: int = REGULAR,
        colour: Colour | None = None,
        *,
        gap: float = 0.0,
        indent: int = 0,
        most_lines: int = 9,
    ) -> None:
        how = self.lettering(units, weight, colour or self.theme.ink)
        self.y += round(gap * self.unit)
        for line in how.wrapped(words, self.width - indent)[:most_lines]:
            if self.y + how.line_height > self.floor:
                return
            self.y += how.line_height
            how.put(self.image, line, self.left + indent, self.y - round(how.size * 0.3))

    def rule(self, gap: float = 0.7) -> None:
        self.y += round(gap * self.unit)
        thick = max(1, round(self.unit / 12))
        right = self.left + self.width
        cv2.line(self.image, (self.left, self.y), (right, self.y), self.theme.rule[::-1], thick)


def painted(shown: Shown, width: int, height: int, theme: Theme) -> Image:
    """The panel, uint8 (height, width, 3) in blue, green, red."""
    page = _Page(width, height, theme)
    foot = _foot(page, height)
    page.floor = height - foot
    _status(page, shown)
    if shown.code:
        _case(page, shown)
        _doing(page, shown)
    else:
        _unsure(page, shown)
    return page.image


def _status(page: _Page, shown: Shown) -> None:
    theme = page.theme
    sign = {"sure": theme.sure, "unsure": theme.unsure}.get(shown.mood, theme.quiet)
    how = page.lettering(1.25, BOLD, theme.on_sign)
    high = round(1.35 * how.line_height)
    wide = how.width(shown.status) + round(2.9 * page.unit)
    top = page.y + round(0.2 * page.unit)
    _pill(page.image, (page.left, top), (page.left + wide, top + high), sign)
    middle = top + high // 2
    _sign(
        page.image, (page.left + round(1.15 * page.unit), middle), 0.42 * page.unit, shown.mood, theme.on_sign
    )
    how.put_centred(
        page.image, shown.status, page.left + round(1.9 * page.unit) + how.width(shown.status) / 2, middle
    )
    page.y = top + high
    if shown.cube or shown.front:
        line = " · ".join(part for part in (shown.cube, shown.front) if part)
        page.text(line, 1.05, REGULAR, theme.quiet, gap=0.25, most_lines=1)
    if shown.last:
        page.text(shown.last, 0.95, REGULAR, theme.ink, gap=0.1, most_lines=2)
    if shown.notice:
        page.text(shown.notice, 1.1, BOLD, theme.unsure, gap=0.1, most_lines=2)


def _case(page: _Page, shown: Shown) -> None:
    theme = page.theme
    page.text(shown.name[:1].upper() + shown.name[1:], 1.7, BOLD, gap=0.15, most_lines=2)
    page.y += round(0.3 * page.unit)
    side = round(min(0.42 * page.width, 7.6 * page.unit))
    if page.y + side > page.floor:
        return
    ink = Ink(
        paper=theme.paper,
        face=(36, 41, 51) if theme is LIGHT else (52, 59, 71),
        lit=LIT.get(shown.top_colour, LIT["yellow"]),
        line=theme.ink if theme is DARK else (36, 41, 51),
        empty=(96, 105, 120),
    )
    drawn = case_image(shown.twist, shown.flip, ink=ink, width_px=side)
    page.image[page.y : page.y + side, page.left : page.left + side] = drawn
    below = page.y + side
    indent = side + round(0.8 * page.unit)
    if shown.per_cent is not None:
        sure = theme.sure if shown.mood == "sure" else theme.unsure
        page.text(f"{_per_cent(shown.per_cent)} sure", 1.5, BOLD, sure, indent=indent, most_lines=1)
    page.text(shown.cue, 1.05, REGULAR, gap=0.1, indent=indent, most_lines=6)
    page.y = max(page.y, below)


def _doing(page: _Page, shown: Shown) -> None:
    if not shown.doing:
        if shown.advice:
            page.rule()
            page.text(shown.advice, 1.3, gap=0.3)
        return
    page.rule()
    first = shown.doing[0]
    page.text("From here", 1.0, REGULAR, page.theme.quiet, gap=0.2)
    size = _fitting(page, first.turns, 1.4)
    page.text(first.turns, size, BOLD, gap=0.05, most_lines=99)
    page.text(first.detail, 1.0, REGULAR, page.theme.quiet)
    for other in shown.doing[1:3]:
        if not page.room(4.2):
            return
        page.text(other.turns, 1.15, REGULAR, gap=0.55, most_lines=2)
        page.text(other.detail, 0.95, REGULAR, page.theme.quiet, most_lines=1)


def _fitting(page: _Page, turns: str, spare: float) -> float:
    """The largest size at which all the turns fit above the floor with ``spare`` units left: a sequence that
    is cut short would be a wrong one."""
    room = page.floor - page.y - spare * page.unit
    for size in _SEQUENCE_SIZES:
        how = page.lettering(size, BOLD, page.theme.ink)
        if len(how.wrapped(turns, page.width)) * how.line_height + round(0.05 * page.unit) <= room:
            return size
    return _SEQUENCE_SIZES[-1]


_SEQUENCE_SIZES: Final = (1.75, 1.6, 1.45, 1.3, 1.2, 1.1, 1.0, 0.9, 0.8, 0.7)


def _unsure(page: _Page, shown: Shown) -> None:
    theme = page.theme
    if shown.tilt:
        page.text("Tilt towards the camera:", 1.15, REGULAR, theme.quiet, gap=0.5)
        page.text(f"the {shown.tilt} side", 2.1, BOLD)
    if shown.advice:
        page.text(shown.advice, 1.3, REGULAR, gap=0.5, most_lines=5)
    if not shown.candidates:
        return
    page.rule()
    page.text("It may be", 1.0, REGULAR, theme.quiet, gap=0.2)
    side = round(4.4 * page.unit)
    for code, share in shown.candidates[:4]:
        if page.y + side + round(0.4 * page.unit) > page.floor:
            return
        page.y += round(0.35 * page.unit)
        case = CASES[code]
        lit = LIT.get(shown.top_colour, LIT["yellow"])
        ink = Ink(paper=theme.paper, lit=lit, face=(36, 41, 51) if theme is LIGHT else (52, 59, 71))
        page.image[page.y : page.y + side, page.left : page.left + side] = case_image(
            case.twist, case.flip, ink=ink, width_px=side
        )
        top = page.y
        indent = side + round(0.7 * page.unit)
        page.text(case.name, 1.15, BOLD, indent=indent, most_lines=2)
        page.text(_per_cent(share), 1.15, REGULAR, theme.quiet, indent=indent)
        page.y = max(page.y, top + side)


def _foot(page: _Page, height: int) -> int:
    """The keys, at the bottom; returns the height they take."""
    how = page.lettering(0.85, REGULAR, page.theme.quiet)
    bold = page.lettering(0.85, BOLD, page.theme.ink)
    gap, rows, x = round(0.9 * page.unit), [[]], 0  # type: tuple[int, list[list[tuple[str, str, int]]], int]
    for key, words in KEYS:
        wide = bold.width(key) + round(0.4 * page.unit) + how.width(words)
        if x and x + wide > page.width:
            rows.append([])
            x = 0
        rows[-1].append((key, words, x))
        x += wide + gap
    step = round(1.3 * page.unit)
    top = height - step * len(rows) - round(0.7 * page.unit)
    thick = max(1, round(page.unit / 12))
    cv2.line(page.image, (page.left, top), (page.left + page.width, top), page.theme.rule[::-1], thick)
    for number, row in enumerate(rows):
        base = top + step * (number + 1)
        for key, words, at in row:
            bold.put(page.image, key, page.left + at, base)
            how.put(page.image, words, page.left + at + bold.width(key) + round(0.4 * page.unit), base)
    return height - top


def _per_cent(value: int) -> str:
    return "over 99 %" if value > 99 else f"{value} %"


def _pill(image: Image, low: tuple[int, int], high: tuple[int, int], colour: Colour) -> None:
    radius = (high[1] - low[1]) // 2
    middle = low[1] + radius
    bgr = colour[::-1]
    cv2.rectangle(image, (low[0] + radius, low[1]), (high[0] - radius, high[1]), bgr, -1)
    for x in (low[0] + radius, high[0] - radius):
        cv2.circle(image, (x, middle), radius, bgr, -1, cv2.LINE_AA)


def _sign(image: Image, at: tuple[int, int], size: float, mood: str, colour: Colour) -> None:
    """A tick, three dots or a question mark's stand-in: an open ring."""
    bgr, thick = colour[::-1], max(2, round(size * 0.45))
    x, y = at
    if mood == "sure":
        points = np.array([(x - size, y), (x - 0.25 * size, y + 0.7 * size), (x + size, y - 0.7 * size)])
        cv2.polylines(image, [points.round().astype(np.int32)], False, bgr, thick, cv2.LINE_AA)
    elif mood == "unsure":
        cv2.circle(image, at, round(size * 0.8), bgr, thick, cv2.LINE_AA)
    else:
        for step in (-1, 0, 1):
            cv2.circle(
                image, (round(x + step * 0.8 * size), y), max(2, round(size * 0.28)), bgr, -1, cv2.LINE_AA
            )
