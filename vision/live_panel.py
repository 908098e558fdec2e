"""The panel beside the live picture, set large enough to be read from a metre away.

What is shown is a frozen value; :func:`painted` turns it into pixels and knows no camera and no window.
Nothing is told by colour alone: every state has its word and its sign.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from models.cases import CASES
from vision.diagram import LIT, Ink, case_image
from vision.lettering import BOLD, REGULAR, Colour
from vision.live_page import LIGHT, Image, Page, Theme, pill, sign


@dataclass(frozen=True, slots=True)
class Doing:
    """One sequence: the turns from here on, and the line of small print below them."""

    turns: str
    detail: str


@dataclass(frozen=True, slots=True)
class MayBe:
    """A case that it may be, with its chance, and with the twist and flip with which it would lie."""

    code: str
    per_cent: int
    twist: tuple[int, ...]
    flip: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Shown:
    """Everything on the panel.

    ``mood`` is "sure", "unsure", "busy" or "still" and ``status`` its words; ``size`` the layers of the cube;
    ``twist`` and ``flip`` as the cube lies, ``lit`` the look of its top colour; ``doing`` the sequences, the
    chosen one first, ``whence`` they are turned and the permutation that is ``left``; ``candidates`` while
    unsure; ``tilt`` the side to show next; ``advice`` in paragraphs; ``last`` the last
    attempt; ``notice`` a passing word; ``caution`` one that stays, in place of the keys. Numbers are rounded
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
    lit: Colour = LIT["yellow"]
    size: int = 4
    doing: tuple[Doing, ...] = ()
    whence: str = "From here"
    left: str = ""
    candidates: tuple[MayBe, ...] = ()
    tilt: str = ""
    advice: str = ""
    last: str = ""
    notice: str = ""
    front: str = ""
    caution: str = ""


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


_SEQUENCE_SIZES: Final = (1.75, 1.6, 1.45, 1.3, 1.2, 1.1, 1.0)
_NEARLY: Final = 0.82
"""Share of its size that a sequence gives up to spare a line: turns are read off best in one."""
_ADVICE_SIZES: Final = (1.3, 1.15, 1.0)
_SMALL_SIZES: Final = (0.9, 0.8, 0.7)
_DARK_FACE: Final = ((36, 41, 51), (52, 59, 71))
_PALE_FACE: Final = (236, 236, 232)


def painted(shown: Shown, width: int, height: int, theme: Theme) -> Image:
    """The panel, uint8 (height, width, 3) in blue, green, red.

    A sequence that is cut short would be a wrong one: where there is no room for all of it in large letters
    the diagram gives way; where even small ones are too large the panel says so in its place.
    """
    for diagram in (True, False):
        page = Page(width, height, theme)
        _foot(page, shown.caution)
        _status(page, shown)
        if not shown.code:
            _unsure(page, shown)
            break
        _case(page, shown, diagram=diagram)
        if _doing(page, shown, _SEQUENCE_SIZES if diagram else (*_SEQUENCE_SIZES, *_SMALL_SIZES)):
            break
    return page.image


def _status(page: Page, shown: Shown) -> None:
    theme = page.theme
    colour = {"sure": theme.sure, "unsure": theme.unsure}.get(shown.mood, theme.quiet)
    how = page.lettering(1.25, BOLD, theme.on_sign)
    high = round(1.35 * how.line_height)
    wide = how.width(shown.status) + round(2.9 * page.unit)
    top = page.y + round(0.2 * page.unit)
    pill(page.image, (page.left, top), (page.left + wide, top + high), colour)
    middle = top + high // 2
    at = (page.left + round(1.15 * page.unit), middle)
    sign(page.image, at, 0.42 * page.unit, shown.mood, theme.on_sign)
    how.put_centred(
        page.image, shown.status, page.left + round(1.9 * page.unit) + how.width(shown.status) / 2, middle
    )
    page.y = top + high
    if shown.cube or shown.front:
        line = " · ".join(part for part in (shown.cube, shown.front) if part)
        page.text(line, 1.05, REGULAR, theme.quiet, gap=0.25, most_lines=2)
    if shown.last:
        page.text(shown.last, 0.95, REGULAR, theme.ink, gap=0.1, most_lines=2)
    if shown.notice:
        page.text(shown.notice, 1.1, BOLD, theme.unsure, gap=0.1, most_lines=5)


def _ink(theme: Theme, lit: Colour) -> Ink:
    """Colours of a diagram: the cube's face is dark, and pale where its top colour is dark."""
    red, green, blue = lit
    is_dark = 0.2126 * red + 0.7152 * green + 0.0722 * blue < 128  # luma by ITU-R BT.709
    return Ink(
        paper=theme.paper,
        face=_PALE_FACE if is_dark else _DARK_FACE[theme is not LIGHT],
        lit=lit,
        line=_DARK_FACE[0] if theme is LIGHT else theme.ink,
        empty=(150, 156, 166) if is_dark else (96, 105, 120),
    )


def _case(page: Page, shown: Shown, *, diagram: bool) -> None:
    page.text(shown.name[:1].upper() + shown.name[1:], 1.7, BOLD, gap=0.15, most_lines=2)
    page.y += round(0.3 * page.unit)
    side = round(min(0.42 * page.width, 7.6 * page.unit))
    if not diagram or page.y + side > page.floor:
        return
    drawn = case_image(shown.twist, shown.flip, ink=_ink(page.theme, shown.lit), width_px=side)
    page.image[page.y : page.y + side, page.left : page.left + side] = drawn
    below = page.y + side
    indent = side + round(0.8 * page.unit)
    if shown.per_cent is not None:
        words = f"{_per_cent(shown.per_cent)} sure"
        page.text(words, 1.5, BOLD, page.theme.sure, indent=indent, most_lines=1)
    page.text(shown.cue, 1.05, REGULAR, gap=0.1, indent=indent, most_lines=6)
    page.y = max(page.y, below)


def _doing(page: Page, shown: Shown, sizes: Sequence[float]) -> bool:
    """What to do from here. False where the first sequence finds no room in any of ``sizes``; it says so."""
    page.rule()
    if not shown.doing:
        page.text(shown.left, 1.15, gap=0.3)
        page.text(shown.advice, 1.3, gap=0.3)
        return True
    quiet = page.theme.quiet
    first = shown.doing[0]
    page.text(shown.whence, 1.0, REGULAR, quiet, gap=0.2)
    size = page.fitting(first.turns, sizes, BOLD, gap=0.05, spare=1.4)
    if size is None:
        page.text("No room for the turns: make the window larger.", 1.0, BOLD, page.theme.unsure, gap=0.05)
        return False
    near = [one for one in sizes if _NEARLY * size <= one <= size]
    page.text(first.turns, page.of_fewest_lines(first.turns, near, BOLD), BOLD, gap=0.05)
    page.text(first.detail, 1.0, REGULAR, quiet)
    if shown.left and page.fitting(shown.left, (1.15,), gap=0.1) is not None:
        page.text(shown.left, 1.15, gap=0.1)
    for other in shown.doing[1:3]:
        if page.fitting(other.turns, (1.15,), gap=0.55, spare=1.4) is not None:
            page.text(other.turns, 1.15, REGULAR, gap=0.55)
            page.text(other.detail, 0.95, REGULAR, quiet, most_lines=1)
    return True


def _unsure(page: Page, shown: Shown) -> None:
    theme = page.theme
    if shown.tilt:
        page.text("Tilt towards the camera:", 1.15, REGULAR, theme.quiet, gap=0.5)
        page.text(f"the {shown.tilt} side", 2.1, BOLD)
    paragraphs = shown.advice.split("\n") if shown.advice else []
    room = page.floor - page.y
    sizes = (size for size in _ADVICE_SIZES if sum(page.height(p, size, gap=0.5) for p in paragraphs) <= room)
    size = next(sizes, _ADVICE_SIZES[-1])
    for paragraph in paragraphs:
        page.text(paragraph, size, REGULAR, gap=0.5)
    if not shown.candidates:
        return
    page.rule()
    page.text("It may be", 1.0, REGULAR, theme.quiet, gap=0.2)
    side = round(4.4 * page.unit)
    indent = side + round(0.7 * page.unit)
    for one in shown.candidates[:4]:
        name, chance = CASES[one.code].name_on(shown.size), _per_cent(one.per_cent)
        words = page.height(name, 1.15, BOLD, indent=indent) + page.height(chance, 1.15, indent=indent)
        if page.y + round(0.35 * page.unit) + max(side, words) > page.floor:
            return
        page.y += round(0.35 * page.unit)
        page.image[page.y : page.y + side, page.left : page.left + side] = case_image(
            one.twist, one.flip, ink=_ink(theme, shown.lit), width_px=side
        )
        top = page.y
        page.text(name, 1.15, BOLD, indent=indent)
        page.text(chance, 1.15, REGULAR, theme.quiet, indent=indent)
        page.y = max(page.y, top + side)


def _foot(page: Page, caution: str) -> None:
    """The keys, at the bottom; a caution takes the place of all but the way to them. The floor rises."""
    how = page.lettering(0.85, REGULAR, page.theme.quiet)
    bold = page.lettering(0.85, BOLD, page.theme.ink)
    gap, rows, x = round(0.9 * page.unit), [[]], 0  # type: tuple[int, list[list[tuple[str, str, int]]], int]
    for key, words in KEYS if not caution else KEYS[-2:]:
        wide = bold.width(key) + round(0.4 * page.unit) + how.width(words)
        if x and x + wide > page.width:
            rows.append([])
            x = 0
        rows[-1].append((key, words, x))
        x += wide + gap
    step = round(1.3 * page.unit)
    base = page.floor - step * len(rows) - round(0.7 * page.unit)
    warning = page.lettering(1.0, BOLD, page.theme.unsure)
    lines = warning.wrapped(caution, page.width)
    page.floor = base - len(lines) * warning.line_height
    page.rule_at(page.floor)
    for number, line in enumerate(lines, 1):
        warning.put(page.image, line, page.left, page.floor + number * warning.line_height)
    for row in rows:
        base += step
        for key, words, at in row:
            bold.put(page.image, key, page.left + at, base)
            how.put(page.image, words, page.left + at + bold.width(key) + round(0.4 * page.unit), base)


def _per_cent(value: int) -> str:
    return "over 99 %" if value > 99 else f"{value} %"
