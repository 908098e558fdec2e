"""The moon diagram for a terminal: squares for the top face, bars where the top colour faces a side."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from rich.text import Text

_FULL, _EMPTY = "■", "□"
_LIT = "bold #e0b000"
# place (row, column) of each slot in the 5 x 5 drawing, the front at the bottom
_CORNERS = ((3, 3), (3, 1), (1, 1), (1, 3))
_EDGES = ((3, 2), (2, 3), (1, 2), (2, 1))
# (row, column) step towards the side that the top colour faces, for twist 1 and 2 of each corner slot
_TWISTED = (((0, 1), (1, 0)), ((1, 0), (0, -1)), ((0, -1), (-1, 0)), ((-1, 0), (0, 1)))
_FLIPPED = ((1, 0), (0, 1), (-1, 0), (0, -1))


def diagram_cells(twist: Sequence[int], flip: Sequence[int] = ()) -> list[list[str]]:
    """5 x 5 characters: the top face in the middle, bars outside where the top colour faces that side.

    ``twist`` UFR UFL UBL UBR and ``flip`` UF UR UB UL as in the answer format; no flips for a 2x2x2.
    """
    cells = [[" "] * 5 for _ in range(5)]
    cells[2][2] = _FULL if flip else " "
    for (row, column), turn, steps in zip(_CORNERS, twist, _TWISTED, strict=True):
        cells[row][column] = _EMPTY if turn else _FULL
        if turn:
            down, right = steps[turn - 1]
            cells[row + down][column + right] = "┃" if right else "━"
    for (row, column), turned, (down, right) in zip(_EDGES, flip, _FLIPPED, strict=False):
        cells[row][column] = _EMPTY if turned else _FULL
        if turned:
            cells[row + down][column + right] = "┃" if right else "━"
    return cells


def draw_case(twist: Sequence[int], flip: Sequence[int] = (), *, indent: str = "    ") -> Text:
    """The diagram as rich text, five lines, the front at the bottom."""
    from rich.text import Text

    text = Text()
    for row in diagram_cells(twist, flip):
        text.append(indent)
        for column, cell in enumerate(row):
            lit = cell in (_FULL, "━", "┃")
            text.append(cell, style=_LIT if lit else "dim")
            if column < 4:
                text.append(" ")
        text.append("\n")
    return text[:-1]


def draw_row(drawings: Sequence[tuple[str, Text]], *, gap: int = 4) -> Text:
    """Several diagrams side by side, a caption under each."""
    from rich.text import Text

    out = Text()
    lines = [drawing.split("\n") for _, drawing in drawings]
    width = max(max((line.cell_len for line in each), default=0) for each in lines)
    width = max(width, *(len(caption) + 4 for caption, _ in drawings))
    for number in range(max(len(each) for each in lines)):
        for each in lines:
            line = each[number].copy() if number < len(each) else Text()
            line.pad_right(max(0, width + gap - line.cell_len))
            out.append_text(line)
        out.append("\n")
    for caption, _ in drawings:
        out.append(f"    {caption}".ljust(width + gap))
    return out
