"""The panel beside an annotated photo: case, diagram, cue, sequence, or why no case is named."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from models.cases import CASES
from vision.answer import Answer
from vision.diagram import LIT, Ink, case_image
from vision.lettering import BOLD, REGULAR, Colour, Lettering
from vision.naming import Naming
from vision.wording import (
    CAUTION,
    fitting_candidates,
    headline,
    metrics,
    percent,
    refusal,
    remarks,
    size_name,
    turns_from_here,
)

PAPER: Final[Colour] = (250, 249, 245)
INK: Final[Colour] = (31, 36, 48)
QUIET: Final[Colour] = (96, 103, 117)
RULE: Final[Colour] = (214, 214, 208)
BAR: Final[Colour] = (0, 90, 156)
_FIRST_SIZES: Final = (1.3, 1.22, 1.15)
"""Of the first sequence, in units: the largest that takes no more lines than the smallest."""
_OTHER_SIZES: Final = (0.95, 0.9)
STICKER_RGB: Final[dict[str, Colour]] = {
    "white": (245, 245, 242),
    "yellow": (250, 214, 40),
    "red": (200, 30, 45),
    "orange": (250, 130, 20),
    "blue": (20, 85, 190),
    "green": (20, 145, 75),
}


@dataclass
class _Column:
    """A column of text and pictures that grows downwards; ``image`` None measures without drawing."""

    image: NDArray[np.uint8] | None
    left: int
    width: int
    y: int

    def text(self, text: str, how: Lettering, *, gap: float = 0.0, indent: int = 0) -> None:
        self.y += round(gap * how.size)
        for line in how.wrapped(text, self.width - indent):
            self.y += how.line_height
            if self.image is not None:
                how.put(self.image, line, self.left + indent, self.y - round(how.size * 0.3))

    def rule(self, unit: int) -> None:
        import cv2

        self.y += round(unit * 0.75)
        if self.image is not None:
            right = self.left + self.width
            cv2.line(self.image, (self.left, self.y), (right, self.y), RULE[::-1], max(1, unit // 12))


def panel_image(
    answer: Answer, width: int, unit: int, min_height: int = 0, *, has_splits: bool = False
) -> NDArray[np.uint8]:
    """The panel, uint8 (height, width, 3) in blue, green, red; ``unit`` is the size of plain text in pixels.

    It is as high as its contents, ``min_height`` at least. ``has_splits``: the photo beside it has split
    badges, which are explained.
    """
    margin = round(1.3 * unit)
    measured = _Column(None, margin, width - 2 * margin, margin // 2)
    _fill(measured, answer, unit, has_splits)
    foot = Lettering(round(unit * 0.8), REGULAR, QUIET)
    foot_lines = foot.wrapped(CAUTION, measured.width)
    foot_height = len(foot_lines) * foot.line_height + margin
    height = max(min_height, measured.y + foot_height + margin // 2)
    image = np.full((height, width, 3), PAPER[::-1], np.uint8)
    _fill(_Column(image, margin, width - 2 * margin, margin // 2), answer, unit, has_splits)
    column = _Column(image, margin, width - 2 * margin, height - foot_height)
    column.text(CAUTION, foot)
    return image


def _fill(column: _Column, answer: Answer, unit: int, has_splits: bool) -> None:
    quiet = Lettering(round(unit * 0.88), REGULAR, QUIET)
    plain = Lettering(unit, REGULAR, INK)
    column.text(size_name(answer), quiet)
    column.text(headline(answer), Lettering(round(unit * 1.55), BOLD, INK), gap=0.05)
    if answer.case is not None:
        _bar(column, answer.case.code, answer.case.probability, unit, plain)
    else:
        column.text(refusal(answer), plain, gap=0.2)
        fitting = fitting_candidates(answer)
        for candidate in fitting[:6]:
            code = candidate.code
            lit = diagram_lit(answer.top.colour if answer.top else None, answer.palette)
            lies = answer.lying.get(code) or (CASES[code].twist, CASES[code].flip_on(answer.size or 4))
            _bar(column, code, candidate.probability, unit, plain, lit=lit, lies=lies)
        if len(fitting) > 6:
            column.text(f"and {len(fitting) - 6} more", quiet, gap=0.3)
    if answer.state is not None and answer.case is not None:
        _diagram(column, answer, unit, plain, quiet)
    _sequences(column, answer, unit, quiet)
    told = [(f"{label}: {text}", plain if label == "Do" else quiet) for label, text in remarks(answer)]
    if has_splits:
        words = "A split badge: read as its left colour, settled as its right by what pieces can do."
        told.append((words, quiet))
    if answer.palette:
        keys = ", ".join(f"{key.upper()} {name}" for key, name in Naming(tuple(answer.palette)).keys.items())
        told.append((f"Badges: {keys}", quiet))
    for number, (text, how) in enumerate(told):
        if number == 0:
            column.rule(unit)
        column.text(text, how, gap=0.4)


def _sequences(column: _Column, answer: Answer, unit: int, quiet: Lettering) -> None:
    first_told = False
    for rank, sequence in enumerate(answer.sequences[:3]):
        if rank == 0:
            column.rule(unit)
            column.text("From here", quiet, gap=0.3)
        turns = turns_from_here(sequence)
        sizes = _FIRST_SIZES if rank == 0 else _OTHER_SIZES
        hows = [Lettering(round(unit * size), BOLD if rank == 0 else REGULAR, INK) for size in sizes]
        how = min(hows, key=lambda how: len(how.wrapped(turns, column.width)))
        column.text(turns, how, gap=0.05 if rank == 0 else 0.5)
        column.text(metrics(sequence, first_told=not first_told), quiet)
        first_told = first_told or bool(sequence.first)
        if rank == 0 and sequence.proof:
            column.text(sequence.proof, Lettering(round(unit * 0.8), REGULAR, QUIET))


def _bar(
    column: _Column,
    code: str,
    probability: float,
    unit: int,
    how: Lettering,
    lit: Colour | None = None,
    lies: tuple[Sequence[int], Sequence[int]] = ((), ()),
) -> None:
    """A code with its probability as a bar and a number; with ``lit`` its small diagram in front: ``lies``
    its twist and flip."""
    import cv2

    column.y += round(unit * (0.35 if lit is None else 0.7))
    top = column.y
    left, right = column.left, column.left + column.width
    if lit is not None:
        side = round(2.6 * unit)
        if column.image is not None:
            drawn = case_image(*lies, ink=Ink(paper=PAPER, lit=lit), width_px=side)
            column.image[top : top + side, left : left + side] = drawn
        left += side + round(0.6 * unit)
        column.y += round(0.35 * unit)
    column.y += how.line_height
    value = percent(probability)
    thick = max(2, round(unit * 0.22))
    if column.image is not None:
        base = column.y - round(unit * 0.3)
        how.put(column.image, code, left, base)
        how.put(column.image, value, right - how.width(value), base)
        y = column.y + round(unit * 0.1)
        cv2.rectangle(column.image, (left, y), (right, y + thick), RULE[::-1], -1)
        filled = left + round((right - left) * min(1.0, max(0.0, probability)))
        cv2.rectangle(column.image, (left, y), (filled, y + thick), BAR[::-1], -1)
    column.y += round(unit * 0.1) + thick
    if lit is not None:
        column.y = max(column.y, top + round(2.6 * unit))


def _diagram(column: _Column, answer: Answer, unit: int, plain: Lettering, quiet: Lettering) -> None:
    """The diagram on the left, the cue on the right of it."""
    assert answer.state is not None and answer.case is not None
    column.y += round(unit * 0.9)
    side = round(min(column.width * 0.42, unit * 9))
    top = column.y
    if column.image is not None:
        ink = Ink(paper=PAPER, lit=diagram_lit(answer.top.colour if answer.top else None, answer.palette))
        drawn = case_image(answer.state.twist, answer.state.flip, ink=ink, width_px=side)
        column.image[top : top + side, column.left : column.left + side] = drawn
    beside = _Column(column.image, column.left + side + unit, column.width - side - unit, top)
    beside.text("Cue", quiet)
    beside.text(answer.case.cue, plain)
    lies = (
        "As the real cube lies; the picture is mirrored." if answer.mirrored else "As it lies in the picture."
    )
    beside.text(f"{lies} The bar marks the front.", quiet, gap=0.5)
    column.y = max(top + side, beside.y)


def sticker_rgb(answer: Answer, name: str) -> Colour:
    """The colour in which a sticker is drawn: usual, the profile's own, or grey for a name without one."""
    return STICKER_RGB.get(name) or answer.palette.get(name) or (150, 150, 150)


def diagram_lit(top: str | None, palette: Mapping[str, Colour]) -> Colour:
    """The look of a top colour of that name in a diagram; ``palette`` has those of a profile's own names."""
    own = palette.get(top or "")
    if own is not None:
        red, green, blue = (round(255 - 0.6 * (255 - c)) for c in own)  # light enough on the dark face
        return red, green, blue
    return LIT.get(top or "", Ink().lit)


def stacked(
    photo_bgr: NDArray[np.uint8], panels: Sequence[NDArray[np.uint8]], beside: bool
) -> NDArray[np.uint8]:
    """Photo and panels joined, beside each other or below, padded with paper to the larger extent."""
    parts = [photo_bgr, *panels]
    if beside:
        height = max(part.shape[0] for part in parts)
        parts = [_padded(part, height, part.shape[1]) for part in parts]
        return np.ascontiguousarray(np.hstack(parts))
    width = max(part.shape[1] for part in parts)
    return np.ascontiguousarray(np.vstack([_padded(part, part.shape[0], width) for part in parts]))


def _padded(part: NDArray[np.uint8], height: int, width: int) -> NDArray[np.uint8]:
    out = np.full((height, width, 3), PAPER[::-1], np.uint8)
    out[: part.shape[0], : part.shape[1]] = part
    return out
