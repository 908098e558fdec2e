"""The moon diagram for a terminal: full moons where the top colour is up, half moons where it faces aside."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from rich.text import Text

FULL, CENTRE, FRONT = "●", "·", "▔"
HALF = {"L": "◐", "R": "◑", "F": "◒", "B": "◓"}
"""Half moons by the side on which their lit half lies (Unicode 16, block Geometric Shapes)."""
_LIT = "bold #e0b000"
# place (row, column) of each slot in the drawing, the front at the bottom
_CORNERS = ((2, 2), (2, 0), (0, 0), (0, 2))
_EDGES = ((2, 1), (1, 2), (0, 1), (1, 0))
# the side that the top colour faces, for twist 1 and 2 of each corner slot
_TWISTED = ("RF", "FL", "LB", "BR")
_FLIPPED = "FRBL"


def diagram_cells(twist: Sequence[int], flip: Sequence[int] = ()) -> list[list[str]]:
    """4 x 3 characters: the pieces at their places and a mark below the front.

    ``twist`` UFR UFL UBL UBR and ``flip`` UF UR UB UL as in the answer format; no flips for a 2x2x2.
    """
    cells = [[" "] * 3 for _ in range(4)]
    cells[1][1] = CENTRE if flip else " "
    cells[3][1] = FRONT
    for (row, column), turn, sides in zip(_CORNERS, twist, _TWISTED, strict=True):
        cells[row][column] = HALF[sides[turn - 1]] if turn else FULL
    for (row, column), turned, side in zip(_EDGES, flip, _FLIPPED, strict=False):
        cells[row][column] = HALF[side] if turned else FULL
    return cells


def draw_case(twist: Sequence[int], flip: Sequence[int] = (), *, indent: str = "    ") -> Text:
    """The diagram as rich text, four lines, the front at the bottom."""
    from rich.text import Text

    text = Text()
    for row in diagram_cells(twist, flip):
        text.append(indent)
        for column, cell in enumerate(row):
            moon = cell == FULL or cell in HALF.values()
            text.append(cell, style=_LIT if moon else "dim")
            if column < 2:
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
