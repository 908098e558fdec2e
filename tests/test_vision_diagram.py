"""The moon diagram shows what the engine says: where the top colour of each piece faces."""

from __future__ import annotations

import io
import random
import sys
import xml.etree.ElementTree as ElementTree

import numpy as np
import pytest
from rich.color import ColorSystem
from rich.style import Style

from models.cases import CASES
from models.layer import LastLayer
from models.turns import FACES
from vision.diagram import EXTENT, LIT, Ink, case_image, case_shapes, case_svg
from vision.diagram_text import FULL, HALF, diagram_cells, draw_case

# where a corner or edge slot lies in the drawing, and its sticker on each face: (row, col) with n = 3
CORNERS = {"UFR": (1, 1), "UFL": (-1, 1), "UBL": (-1, -1), "UBR": (1, -1)}
EDGES = {"UF": (0, 1), "UR": (1, 0), "UB": (0, -1), "UL": (-1, 0)}
SIDES = {"F": (0, 1), "R": (1, 0), "B": (0, -1), "L": (-1, 0)}


def random_states(size: int, count: int, seed: int = 5) -> list[LastLayer]:
    rng = random.Random(seed)
    states = []
    while len(states) < count:
        try:
            states.append(
                LastLayer.from_indices(size, rng.randrange(648), rng.randrange(384) if size > 2 else 0)
            )
        except Exception:
            continue  # not legal on odd sizes
    return states


def top_facing(state: LastLayer, slot: str) -> str:
    """The face on which the engine's stickers show the top colour at this slot: U or a side."""
    stickers = state.facelets()
    last = state.size - 1
    for face in slot:
        if face == "U":
            x, y = {**CORNERS, **EDGES}[slot]
            row = {-1: 0, 0: 1, 1: last}[y]
            col = {-1: 0, 0: 1, 1: last}[x]
        else:
            row = 0
            col = side_column(face, slot, last)
        if stickers[FACES.index(face), row, col] == 0:
            return face
    raise AssertionError(f"no top colour at {slot}")


def side_column(face: str, slot: str, last: int) -> int:
    """Column in a side's top row, as printed: left to right seen from outside."""
    if len(slot) == 2:
        return 1
    other = slot.replace("U", "").replace(face, "")
    return 0 if {"F": "L", "R": "F", "B": "R", "L": "B"}[face] == other else last


@pytest.mark.parametrize("size", [2, 3, 4, 5])
def test_half_moons_stand_out_where_the_engine_shows_the_top_colour(size: int) -> None:
    ink = Ink()
    for state in random_states(size, 40):
        lit = [shape for shape in case_shapes(state.twist, state.flip, ink) if shape.fill == ink.lit]
        slots = {**CORNERS, **(EDGES if size > 2 else {})}
        assert len(lit) == len(slots)
        for (slot, place), shape in zip(slots.items(), lit, strict=True):
            facing = top_facing(state, slot)
            assert shape.side == (None if facing == "U" else facing), (slot, state)
            middle = shape.outline().mean(axis=0)
            if facing == "U":
                assert np.abs(middle).max() < 1 and (np.sign(np.round(middle, 3)) == place).all()
            else:
                beyond = shape.outline() @ np.array(SIDES[facing])
                assert beyond.max() > 1  # it stands out over that side, and over no other
                assert all((shape.outline() @ np.array(SIDES[s])).max() <= 1 for s in SIDES if s != facing)


def test_turning_the_cube_turns_the_picture() -> None:
    for state in random_states(4, 12):
        here = case_image(state.twist, state.flip, width_px=90, front_mark=False)
        turned = state.turned(1)  # what was in front is then left: the picture turns clockwise
        there = case_image(turned.twist, turned.flip, width_px=90, front_mark=False)
        assert np.abs(np.rot90(here, -1).astype(int) - there).mean() < 1.0


def test_all_112_cases_look_different_from_every_angle() -> None:
    pictures = [
        case_image(case.twist_at(angle), case.flip_at(angle), width_px=32).tobytes()
        for case in CASES.values()
        for angle in range(case.angles)
    ]
    assert len(set(pictures)) == len(pictures)


def test_a_ring_marks_the_centre_of_a_cube_that_has_one() -> None:
    ink = Ink()
    for flip in ((0, 0, 0, 0), ()):
        drawn = case_image((0, 1, 2, 0), flip, ink=ink, width_px=260)
        middle = drawn[100:160, 100:160].reshape(-1, 3)  # as far as no piece reaches
        assert (middle == ink.face[::-1]).all() == (not flip)


def contrast(one: tuple[int, int, int], other: tuple[int, int, int]) -> float:
    """WCAG 2.2, contrast ratio."""

    def luminance(colour: tuple[int, int, int]) -> float:
        linear = [(c / 255 / 12.92) if c <= 10 else ((c / 255 + 0.055) / 1.055) ** 2.4 for c in colour]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    bright, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (bright + 0.05) / (dark + 0.05)


def test_shape_alone_tells() -> None:
    """Lit and unlit differ in lightness by more than WCAG 2.2, 1.4.11 asks of graphics (3:1)."""
    for lit in (Ink().lit, *LIT.values()):
        assert contrast(lit, Ink().face) > 3


@pytest.mark.parametrize("paper", [(255, 255, 255), (0, 0, 0)])
def test_moons_stand_out_in_light_and_dark_terminals(paper: tuple[int, int, int]) -> None:
    """The same 3:1, also where the terminal has but 256 colours."""
    drawn = draw_case((0, 1, 2, 0), (1, 0, 0, 0))
    colours = {Style.parse(str(span.style)).color for span in drawn.spans} - {None}
    assert colours
    for colour in colours:
        for shown in (colour, colour.downgrade(ColorSystem.EIGHT_BIT)):
            assert contrast(tuple(shown.get_truecolor()), paper) >= 3


def test_the_terminal_shows_the_same_moons() -> None:
    ink = Ink()
    for case in CASES.values():
        for angle in range(case.angles):
            twist, flip = case.twist_at(angle), case.flip_at(angle)
            cells = diagram_cells(twist, flip)
            lit = [shape for shape in case_shapes(twist, flip, ink) if shape.fill == ink.lit]
            for place, shape in zip([*CORNERS.values(), *EDGES.values()], lit, strict=True):
                shown = cells[1 + place[1]][1 + place[0]]
                assert shown == (FULL if shape.side is None else HALF[shape.side])


@pytest.mark.parametrize("encoding", ["cp1252", "ascii", "cp437"])
def test_where_moons_cannot_be_written_arrows_point_where_they_would_be_lit(
    encoding: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    arrow = {"U": "O", "F": "v", "R": ">", "B": "^", "L": "<"}
    monkeypatch.setattr(sys, "stdout", io.TextIOWrapper(io.BytesIO(), encoding=encoding))
    for state in random_states(4, 20):
        drawn = draw_case(state.twist, state.flip, indent="").plain
        drawn.encode(encoding)
        rows = drawn.split("\n")
        for slot, (x, y) in (CORNERS | EDGES).items():
            assert rows[1 + y][2 + 2 * x] == arrow[top_facing(state, slot)]


def test_svg_is_well_formed_and_draws_the_same_shapes() -> None:
    case = CASES["e1-sune-left"]
    root = ElementTree.fromstring(case_svg(case.twist, case.flip, title="a < b & c"))
    space = "{http://www.w3.org/2000/svg}"
    assert root.find(f"{space}title").text == "a < b & c"  # type: ignore[union-attr]
    paths = root.findall(f"{space}path")
    shapes = case_shapes(case.twist, case.flip, Ink())
    assert len(paths) == len(shapes)
    for path, shape in zip(paths, shapes, strict=True):
        numbers = np.array(path.get("d", "").strip("MZ").replace("L", " ").split(), float).reshape(-1, 2)
        assert np.abs(numbers - shape.outline()).max() < 1e-3
        assert np.abs(numbers).max() < EXTENT
