"""Text in pictures with the typeface that OpenCV 5 carries, measured before it is set."""

from __future__ import annotations

import re
from bisect import bisect
from dataclasses import dataclass
from functools import lru_cache
from threading import local
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from calibration.colour import srgb_to_linear

Colour = tuple[int, int, int]
REGULAR = 420
BOLD = 700
LIGHT: Final[Colour] = (255, 255, 255)
DARK: Final[Colour] = (20, 22, 28)
TIGHTER: Final = 0.13
"""Part of the size by which a parenthesis is set nearer on both sides: in this typeface it is as wide as a
digit, for columns of figures, which leaves about that much more beside it than beside a bracket."""

_local = local()


def _face() -> Any:
    """One typeface a thread: setting text changes its weight, so threads that share one get each other's."""
    if "face" not in _local.__dict__:
        import cv2

        _local.face = cv2.FontFace("sans")
    return _local.face


def letter_on(rgb: Colour) -> Colour:
    """A letter's colour on ``rgb``: light where the two have the contrast of 3:1 that WCAG 2.2, 1.4.3 asks of
    large letters, else dark."""
    red, green, blue = srgb_to_linear(np.array(rgb) / 255).tolist()
    luminance = 0.2126 * red + 0.7152 * green + 0.0722 * blue  # ITU-R BT.709
    return LIGHT if 1.05 / (luminance + 0.05) >= 3 else DARK


@dataclass(frozen=True, slots=True)
class Lettering:
    """A size in pixels, a weight of 100..1000, a colour as sRGB (red, green, blue)."""

    size: int
    weight: int = REGULAR
    colour: Colour = (31, 36, 48)

    @property
    def line_height(self) -> int:
        """Distance of one baseline to the next, in pixels."""
        return round(self.size * 1.34)

    def width(self, text: str) -> int:
        """Pixels that ``text`` takes on one line."""
        return _width(text, self.size, self.weight)

    def put(self, image_bgr: NDArray[np.uint8], text: str, left: int, baseline: int) -> None:
        """Set ``text`` into the picture in place."""
        import cv2

        for run in _runs(text):
            at = left - _tightened(run, self.size)
            cv2.putText(image_bgr, run, (at, baseline), self.colour[::-1], _face(), self.size, self.weight)
            left += self.width(run)

    def put_centred(self, image_bgr: NDArray[np.uint8], text: str, x: float, y: float) -> None:
        """Set ``text`` with the middle of its capitals at (x, y)."""
        self.put(image_bgr, text, round(x - self.width(text) / 2), round(y + self.size * 0.35))

    def wrapped(self, text: str, width: int) -> list[str]:
        """Lines of at most ``width`` pixels: ``text`` broken at spaces but for no-break ones, and a longer
        word within itself."""
        lines: list[str] = []
        for word in re.findall(r"[^ \t\n]+", text):
            longer = f"{lines[-1]} {word}" if lines else word
            if lines and self.width(longer) <= width:
                lines[-1] = longer
                continue
            while len(word) > 1 and self.width(word) > width:
                most = bisect(range(2, len(word)), width, key=lambda count: self.width(word[:count])) + 1
                lines.append(word[:most])
                word = word[most:]
            lines.append(word)
        return lines

    def shortened(self, text: str, width: int) -> str:
        """``text`` with as much left out in the middle as is over ``width`` pixels; an ellipsis at least."""
        whole, kept = text, len(text)
        while kept and self.width(text) > width:
            kept -= 1
            text = f"{whole[: -(-kept // 2)]}\N{HORIZONTAL ELLIPSIS}{whole[len(whole) - kept // 2 :]}"
        return text


def _runs(text: str) -> list[str]:
    """``text`` in pieces that are set one by one: parentheses, and what stands between them."""
    return [run for run in re.split(r"([()])", text) if run]


def _tightened(run: str, size: int) -> int:
    """Pixels by which a piece is set nearer to both its neighbours."""
    return round(TIGHTER * size) if run in ("(", ")") else 0


@lru_cache(maxsize=8192)
def _width(text: str, size: int, weight: int) -> int:
    import cv2

    def one(run: str) -> int:
        advance = int(cv2.getTextSize((0, 0), run, (0, 0), _face(), size, weight)[2])
        return advance - 2 * _tightened(run, size)

    return sum(one(run) for run in _runs(text))
