"""The moon diagram for a terminal: full moons where the top colour is up, half moons where it faces aside."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from rich.text import Text

FULL, CENTRE, FRONT = "●", "·", "▔"
HALF = {"L": "◐", "R": "◑", "F": "◒", "B": "◓"}
"""Half moons by the side on which their lit half lies (Unicode 16, block Geometric Shapes)."""
PLAIN = str.maketrans({FULL: "O", CENTRE: ".", FRONT: "-", "◐": "<", "◑": ">", "◒": "v", "◓": "^"})
"""For an output whose encoding has no moons: letters, and arrows to the side that a lit half lies on."""
_LIT = "bold #af8700"
"""At least 3:1 beside white and beside black (WCAG 2.2, 1.4.11); colour 136 of terminals that have 256."""
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
    """The diagram as rich text, four lines, the front at the bottom; in what standard output can write."""
    from rich.text import Text

    text = Text()
    moons = _can_write("".join((FULL, CENTRE, FRONT, *HALF.values())))
    for row in diagram_cells(twist, flip):
        text.append(indent)
        for column, cell in enumerate(row):
            moon = cell == FULL or cell in HALF.values()
            text.append(cell if moons else cell.translate(PLAIN), style=_LIT if moon else "dim")
            if column < 2:
                text.append(" ")
        text.rstrip()
        text.append("\n")
    return text[:-1]


def _can_write(characters: str) -> bool:
    """Whether standard output's encoding has them; on Windows a file or a pipe often has not."""
    try:
        characters.encode(sys.stdout.encoding or "ascii")
    except UnicodeEncodeError:
        return False
    return True


def draw_row(drawings: Sequence[tuple[str, Text]], *, gap: int = 4, width: int | None = None) -> Text:
    """Several diagrams side by side, a caption under each; as many a row as fit into ``width`` characters."""
    from rich.text import Text

    columns = max(max(line.cell_len for line in drawing.split("\n")) for _, drawing in drawings)
    columns = max(columns, *(len(caption) + 4 for caption, _ in drawings))
    fitting = len(drawings) if width is None else max(1, (width + gap) // (columns + gap))
    out: list[Text] = []
    for first in range(0, len(drawings), fitting):
        row = drawings[first : first + fitting]
        blocks = [[*drawing.split("\n"), Text(f"    {caption}")] for caption, drawing in row]
        for lines in zip(*blocks, strict=True):
            whole = Text()
            for place, line in enumerate(lines):
                whole.pad_right(place * (columns + gap) - whole.cell_len)
                whole.append_text(line)
            whole.rstrip()
            out.append(whole)
        out.append(Text())
    return Text("\n").join(out[:-1])
