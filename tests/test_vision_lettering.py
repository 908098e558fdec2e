"""Text in pictures: its weight is its own whatever other threads write, and it is as wide as measured."""

from __future__ import annotations

import threading

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from test_vision_diagram import contrast

from vision.lettering import BOLD, REGULAR, Lettering, letter_on
from vision.panel import STICKER_RGB


def ink_of(weight: int, text: str = "Weights of letters") -> np.ndarray:
    image = np.zeros((60, 600, 3), np.uint8)
    Lettering(30, weight, (255, 255, 255)).put(image, text, 5, 40)
    return image


@given(st.one_of(st.tuples(*[st.integers(0, 255)] * 3), st.sampled_from(list(STICKER_RGB.values()))))
def test_a_letter_on_any_colour_can_be_read(rgb: tuple[int, int, int]) -> None:
    """WCAG 2.2, 1.4.3: 3:1 at least for large letters."""
    assert contrast(letter_on(rgb), rgb) >= 3


def test_threads_that_write_at_the_same_time_keep_their_weights() -> None:
    """The panel is painted in a thread while the window's own letters are set."""
    alone = {weight: ink_of(weight) for weight in (REGULAR, BOLD)}
    assert (alone[REGULAR] != alone[BOLD]).any()
    wrong: list[int] = []

    def write(weight: int) -> None:
        wrong.extend(weight for _ in range(300) if (ink_of(weight) != alone[weight]).any())

    writers = [threading.Thread(target=write, args=(weight,)) for weight in alone]
    for one in writers:
        one.start()
    for one in writers:
        one.join()
    assert not wrong


words = st.text(st.characters(codec="ascii", exclude_categories=("C",)), max_size=80)


@given(words, st.integers(30, 300))
def test_lines_are_as_wide_as_wanted_and_no_letter_is_lost(text: str, width: int) -> None:
    how = Lettering(20)
    lines = how.wrapped(text, width)
    assert "".join("".join(lines).split()) == "".join(text.split())
    assert all(how.width(line) <= width for line in lines)


@pytest.mark.parametrize("weight", [REGULAR, BOLD])
@pytest.mark.parametrize("text", ["Rw U2 Rw' U2", "tilt", "100 %", "(glare)", "f(x) (H)"])
def test_no_ink_lies_beyond_the_measured_width(text: str, weight: int) -> None:
    columns = np.flatnonzero(ink_of(weight, text).any(axis=(0, 2)))
    assert columns[-1] <= 5 + Lettering(30, weight).width(text) + 2


@pytest.mark.parametrize("weight", [REGULAR, BOLD])
@pytest.mark.parametrize(("round_", "square"), [("(H", "[H"), ("H)", "H]")])
def test_a_parenthesis_stands_about_as_near_as_a_bracket(round_: str, square: str, weight: int) -> None:
    """The typeface's own makes it as wide as a digit."""

    def gap_px(text: str) -> int:
        inked = np.flatnonzero(ink_of(weight, text).any(axis=(0, 2)))
        assert inked[0] >= 5
        return int(np.diff(inked).max())  # H is of one piece, and so is the other

    assert gap_px(round_) <= gap_px(square) + 2


def test_lines_break_at_spaces_and_never_at_those_that_hold_together() -> None:
    how = Lettering(18)
    pairs = [f"e1-t-left\N{NO-BREAK SPACE}{k}.5\N{NO-BREAK SPACE}%" for k in range(6)]
    widest = max(map(how.width, pairs))
    for width in (widest, widest + 40, 2 * widest, 3 * widest):
        lines = how.wrapped("  ".join(pairs), width)
        assert " ".join(lines).split(" ") == pairs


@given(st.text(alphabet="abcWM .-_é", max_size=60), st.integers(30, 300))
def test_what_is_shortened_fits_and_keeps_both_ends(text: str, width: int) -> None:
    how = Lettering(17, BOLD)
    short = how.shortened(text, width)
    assert how.width(short) <= width
    if how.width(text) <= width:
        assert short == text
    else:
        head, _, tail = short.partition("\N{HORIZONTAL ELLIPSIS}")
        assert text.startswith(head) and text.endswith(tail) and 0 <= len(head) - len(tail) <= 1
