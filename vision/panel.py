"""The panel beside an annotated photo: case, diagram, cue, sequence, or why no case is named."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from models.cases import CASES
from vision.answer import Answer
from vision.diagram import Ink, case_image
from vision.lettering import BOLD, REGULAR, Colour, Lettering
from vision.wording import CAUTION, headline, percent, refusal, size_name, turns_from_here

PAPER: Final[Colour] = (250, 249, 245)
INK: Final[Colour] = (31, 36, 48)
QUIET: Final[Colour] = (96, 103, 117)
RULE: Final[Colour] = (214, 214, 208)
BAR: Final[Colour] = (0, 90, 156)
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


def panel_image(answer: Answer, width: int, unit: int, min_height: int = 0) -> NDArray[np.uint8]:
    """The panel, uint8 (height, width, 3) in blue, green, red; ``unit`` is the size of plain text in pixels.

    It is as high as its contents, ``min_height`` at least.
    """
    margin = round(1.3 * unit)
    measured = _Column(None, margin, width - 2 * margin, margin // 2)
    _fill(measured, answer, unit)
    foot = Lettering(round(unit * 0.8), REGULAR, QUIET)
    foot_lines = foot.wrapped(CAUTION, measured.width)
    foot_height = len(foot_lines) * foot.line_height + margin
    height = max(min_height, measured.y + foot_height + margin // 2)
    image = np.full((height, width, 3), PAPER[::-1], np.uint8)
    _fill(_Column(image, margin, width - 2 * margin, margin // 2), answer, unit)
    column = _Column(image, margin, width - 2 * margin, height - foot_height)
    column.text(CAUTION, foot)
    return image


def _fill(column: _Column, answer: Answer, unit: int) -> None:
    quiet = Lettering(round(unit * 0.88), REGULAR, QUIET)
    plain = Lettering(unit, REGULAR, INK)
    column.text(size_name(answer), quiet)
    column.text(headline(answer), Lettering(round(unit * 1.55), BOLD, INK), gap=0.05)
    if answer.case is not None:
        _bar(column, answer.case.code, answer.case.probability, unit, plain)
    else:
        column.text(refusal(answer), plain, gap=0.2)
        for candidate in answer.candidates[:6]:
            _bar(column, candidate.code, candidate.probability, unit, plain, lit=_lit(answer))
        if len(answer.candidates) > 6:
            column.text(f"and {len(answer.candidates) - 6} more", quiet, gap=0.3)
    if answer.state is not None and answer.case is not None:
        _diagram(column, answer, unit, plain, quiet)
    for rank, sequence in enumerate(answer.sequences[:3]):
        if rank == 0:
            column.rule(unit)
            column.text("From here", quiet, gap=0.3)
        how = Lettering(round(unit * (1.3 if rank == 0 else 0.95)), BOLD if rank == 0 else REGULAR, INK)
        column.text(turns_from_here(sequence), how, gap=0.05 if rank == 0 else 0.5)
        column.text(f"{sequence.length} OBTM, {sequence.etm} ETM", quiet)
        if rank == 0 and sequence.proof:
            column.text(sequence.proof, Lettering(round(unit * 0.8), REGULAR, QUIET))
    if answer.permutation is not None:
        after = answer.permutation
        column.rule(unit)
        column.text(f"Then: permutation {after.code}, {percent(after.probability)}", quiet, gap=0.4)
    if _has_corrections(answer):
        column.rule(unit)
        column.text(
            "A split badge: read as its left colour, settled as its right by what pieces can do.",
            quiet,
            gap=0.4,
        )
    if answer.notes:
        column.rule(unit)
        column.text("Hard to see: " + "; ".join(answer.notes), quiet, gap=0.4)


def _bar(
    column: _Column, code: str, probability: float, unit: int, how: Lettering, lit: Colour | None = None
) -> None:
    """A code with its probability as a bar and a number, and with ``lit`` its small diagram in front."""
    import cv2

    column.y += round(unit * (0.35 if lit is None else 0.7))
    top = column.y
    left, right = column.left, column.left + column.width
    if lit is not None:
        side = round(2.6 * unit)
        if column.image is not None:
            case = CASES[code]
            drawn = case_image(case.twist, case.flip, ink=Ink(paper=PAPER, lit=lit), width_px=side)
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


def _has_corrections(answer: Answer) -> bool:
    """Whether the group settled some sticker otherwise than it was read."""
    settled = answer.state.facelets if answer.state else {}
    return any(
        name is not None and name != group
        for face, rows in settled.items()
        for read, row in zip(answer.seen.get(face, ()), rows, strict=False)
        for name, group in zip(read, row, strict=True)
    )


def _diagram(column: _Column, answer: Answer, unit: int, plain: Lettering, quiet: Lettering) -> None:
    """The diagram on the left, the cue on the right of it."""
    assert answer.state is not None and answer.case is not None
    column.y += round(unit * 0.9)
    side = round(min(column.width * 0.42, unit * 9))
    top = column.y
    if column.image is not None:
        ink = Ink(paper=PAPER, lit=_lit(answer))
        drawn = case_image(answer.state.twist, answer.state.flip, ink=ink, width_px=side)
        column.image[top : top + side, column.left : column.left + side] = drawn
    beside = _Column(column.image, column.left + side + unit, column.width - side - unit, top)
    beside.text("Cue", quiet)
    beside.text(answer.case.cue, plain)
    beside.text("As it lies in the picture; the bar marks the front.", quiet, gap=0.5)
    column.y = max(top + side, beside.y)


_LIT: Final[dict[str, Colour]] = {
    "white": (245, 245, 242),
    "yellow": (250, 214, 40),
    "red": (255, 120, 115),
    "orange": (255, 150, 50),
    "blue": (115, 175, 255),
    "green": (95, 215, 135),
}
"""Top colours for the diagram, light enough on its dark face."""


def sticker_rgb(answer: Answer, name: str) -> Colour:
    """The colour in which a sticker is drawn: usual, the profile's own, or grey for a name without one."""
    return STICKER_RGB.get(name) or answer.palette.get(name) or (150, 150, 150)


def _lit(answer: Answer) -> Colour:
    if answer.top is None:
        return Ink().lit
    own = answer.palette.get(answer.top.colour)
    if own is not None:
        red, green, blue = (round(255 - 0.6 * (255 - c)) for c in own)  # light enough on the dark face
        return red, green, blue
    return _LIT.get(answer.top.colour, Ink().lit)


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
