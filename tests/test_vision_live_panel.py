"""The panel beside the live picture: everything on it can be read, nothing is cut without a sign.

Pictures are judged by measure: text inside the panel, contrast, and whether what differs in words differs in
ink.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations

import cv2
import numpy as np
import pytest

from models.cases import CASES
from vision.lettering import REGULAR
from vision.live import Screen
from vision.live_page import DARK, LIGHT, Page, Theme
from vision.live_panel import Doing, MayBe, Shown, painted
from vision.watch import HELP
from vision.wording import CAUTION

WINDOWS = [(1280, 720), (640, 480), (800, 600), (700, 900), (600, 1000), (480, 320)]


def a_case(code: str) -> Shown:
    case = CASES[code]
    long = Doing("U2 " + "Rw U2 x' " * 8, "25 OBTM, 27 ETM")
    return Shown(
        "Settled", "sure", cube="4x4x4, yellow on top", name=case.name, code=code, cue=case.cue, per_cent=100,
        twist=case.twist, flip=case.flip, doing=(long, Doing("R U R'", "3 OBTM, 3 ETM")), last="Last: 0.8 s",
    )  # fmt: skip


UNSURE = Shown(
    "Not sure yet",
    "unsure",
    tilt="right",
    candidates=tuple(
        MayBe(code, 50, CASES[code].twist, CASES[code].flip) for code in ("e1-headlights-left", "e1-t-left")
    ),
)
WORDY = replace(
    a_case("e1-sune-left"),
    cube="4x4x4, periwinkle on top, mirrored",
    front="front: right side",
    caution=CAUTION,
    notice=f"{'/mnt/practice' * 9}/moments: cannot be made; name another folder",
)
LOOKING = Shown("Looking for a cube", "busy", advice="Hold the cube so that its whole top face can be seen.")


def luminance(rgb: tuple[int, int, int]) -> float:
    """Relative luminance, WCAG 2.2 (https://www.w3.org/TR/WCAG22/#dfn-relative-luminance)."""
    linear = [v / 12.92 if v <= 0.04045 else ((v + 0.055) / 1.055) ** 2.4 for v in (c / 255 for c in rgb)]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(a: tuple[int, int, int], b: tuple[int, int, int]) -> float:
    high, low = sorted((luminance(a), luminance(b)), reverse=True)
    return (high + 0.05) / (low + 0.05)


@pytest.mark.parametrize("theme", [LIGHT, DARK])
def test_words_stand_out_from_the_paper(theme: Theme) -> None:
    """WCAG 2.2, success criterion 1.4.3: 4.5 to 1 for text, in every colour that text has here."""
    for colour in (theme.ink, theme.quiet, theme.sure, theme.unsure):
        assert contrast(colour, theme.paper) >= 4.5
    for sign in (theme.sure, theme.unsure, theme.quiet):
        assert contrast(theme.on_sign, sign) >= 4.5


@pytest.mark.parametrize("wh", [(486, 720), (300, 480), (730, 1080), (640, 400)])
@pytest.mark.parametrize("theme", [LIGHT, DARK])
@pytest.mark.parametrize("code", ["e1-headlights-left", "e2o-antisune-right", "e0-solved", "e4-bowtie-left"])
def test_nothing_runs_over_the_panels_edge(wh: tuple[int, int], theme: Theme, code: str) -> None:
    if code not in CASES:
        code = next(one for one in CASES if one.startswith("e4"))
    for shown in (a_case(code), UNSURE, LOOKING, WORDY):
        image = painted(shown, *wh, theme)
        assert image.shape == (wh[1], wh[0], 3)
        rim = max(3, round(min(wh[1] / 36, wh[0] / 24) * 0.4))
        paper = np.array(theme.paper[::-1])
        for strip in (image[:, :rim], image[:, -rim:], image[-2:]):
            assert (np.abs(strip.astype(int) - paper) < 12).all()


@pytest.mark.parametrize("wh", [(486, 720), (300, 480), (730, 1080), (640, 400)])
def test_a_sequence_is_never_cut_short(wh: tuple[int, int]) -> None:
    """The last turns leave ink: two sequences that differ at the end alone give different panels."""
    start = "U' " + "Rw U2 Rw' " * 9
    one, other = (
        replace(a_case("e1-sune-left"), doing=(Doing(f"{start}{end}", "30 OBTM"),), notice="A passing word.")
        for end in ("R U2 R'", "R U2 L2")
    )
    assert (painted(one, *wh, DARK) != painted(other, *wh, DARK)).any()


@pytest.mark.parametrize("wh", [(486, 720), (243, 480), (304, 600), (700, 495), (600, 550)])
@pytest.mark.parametrize("length", range(1, 40, 3))
def test_an_alternative_is_there_whole_or_not_at_all(wh: tuple[int, int], length: int) -> None:
    first = Doing("R U R' U R U2 R'", "7 OBTM, 7 ETM")

    def panel(*turns: str) -> np.ndarray:
        others = tuple(Doing(one, "1 OBTM, 1 ETM") for one in turns)
        return painted(replace(a_case("e1-sune-left"), doing=(first, *others)), *wh, DARK)

    start = "Rw U2 x' " * length
    one, other, neither = panel(start + "R U R'"), panel(start + "R U L2"), panel()
    assert (one != other).any() or (one == neither).all()
    assert (neither != panel("R U L2")).any(), "a short one has room everywhere"


@pytest.mark.parametrize("doing", [(Doing("R U R'", "3 OBTM, 3 ETM"),), ()])
def test_what_is_left_stands_below_the_sequence_or_in_its_place(doing: tuple[Doing, ...]) -> None:
    shown = replace(a_case("e0-solved"), doing=doing)
    panels = [painted(replace(shown, left=left), 486, 720, DARK) for left in ("", "Left: Ja", "Left: Jb")]
    assert all((one != other).any() for one, other in combinations(panels, 2))


@pytest.mark.parametrize("wh", WINDOWS)
def test_help_and_caution_are_there_to_the_last_word(wh: tuple[int, int]) -> None:
    def canvas(shown: Shown) -> np.ndarray:
        return Screen(at_once=True).compose(None, shown, wh).copy()

    assert HELP.endswith(CAUTION)
    help_ = Shown("Help", "still", advice=HELP, front="your front: near")
    assert (canvas(help_) != canvas(replace(help_, advice=HELP[:-6]))).any()
    for shown in (a_case("e1-sune-left"), UNSURE, LOOKING):
        whole, cut = replace(shown, caution=CAUTION), replace(shown, caution=CAUTION[:-6])
        assert (canvas(whole) != canvas(cut)).any()


def test_what_is_cut_says_so() -> None:
    """The first lines of a text look unlike a text that has no more than those."""
    words = "a word and another one " * 9

    def written(text: str) -> np.ndarray:
        page = Page(300, 480, DARK)
        page.text(text, 1.1, most_lines=2)
        return page.image

    page = Page(300, 480, DARK)
    lines = page.lettering(1.1, REGULAR, DARK.ink).wrapped(words, page.width)
    assert (written(words) != written(" ".join(lines[:2]))).any()
    assert (written(" ".join(lines[:2])) != written(lines[0])).any()


def test_the_header_keeps_its_end() -> None:
    mirrored = replace(LOOKING, cube="5x5x5, yellow on top, mirrored")
    one, other = (replace(mirrored, front=f"front: right {word}") for word in ("side", "edge"))
    assert (painted(one, 486, 720, DARK) != painted(other, 486, 720, DARK)).any()


def pixels(image: np.ndarray, rgb: tuple[int, int, int]) -> int:
    return int((image == np.array(rgb[::-1])).all(axis=2).sum())


@pytest.mark.parametrize("theme", [LIGHT, DARK])
@pytest.mark.parametrize("lit", [(20, 24, 30), (10, 120, 90), (250, 180, 200)])
def test_a_diagram_is_lit_in_the_cubes_own_colour_and_stands_out(
    lit: tuple[int, int, int], theme: Theme
) -> None:
    """WCAG 2.2, success criterion 1.4.11: 3 to 1 for graphics."""
    for shown in (replace(a_case("e1-sune-left"), lit=lit), replace(UNSURE, lit=lit)):
        image = painted(shown, 486, 720, theme)
        assert pixels(image, lit) > 50
        face = max(((36, 41, 51), (52, 59, 71), (236, 236, 232)), key=lambda rgb: pixels(image, rgb))
        assert pixels(image, face) > 500 and contrast(lit, face) >= 3


def test_a_cube_without_edges_has_none_in_the_list() -> None:
    """No edge is lit in the diagrams, and the names say no word of them: there is less ink of both."""
    cases = [CASES[code] for code in ("e0-sune", "e0-antisune")]

    def listed(size: int) -> Shown:
        may_be = tuple(MayBe(case.code, 50, case.twist, case.flip_on(size)) for case in cases)
        return replace(UNSURE, candidates=may_be, lit=(250, 180, 200), size=size)

    small, large = (painted(listed(size), 486, 720, LIGHT) for size in (2, 4))
    for rgb in (listed(2).lit, LIGHT.ink):
        assert pixels(small, rgb) < 0.8 * pixels(large, rgb)


def test_states_differ_in_more_than_colour() -> None:
    """In grey, with the words cut off, the four signs still look different."""
    signs = []
    for mood in ("sure", "unsure", "busy", "still"):
        image = painted(replace(LOOKING, status="I", mood=mood), 486, 720, LIGHT)
        grey = cv2.cvtColor(image, cv2.COLOR_BGR2GRAY)[10:60, 22:60]
        signs.append(cv2.threshold(grey, 0, 1, cv2.THRESH_BINARY | cv2.THRESH_OTSU)[1])
    for one, other in combinations(signs, 2):
        assert (one != other).mean() > 0.02


def test_no_turn_stands_alone_on_a_line_that_slightly_smaller_letters_spare() -> None:
    """Counted in bands of bold ink: as long as one line has room for all, there is no second."""

    def lines(turns: str) -> int:
        shown = replace(a_case("e0-sune"), doing=(Doing(turns, ""),), last="", cue="", name="", cube="")
        image = painted(replace(shown, status="I"), 486, 720, LIGHT)
        without = painted(replace(shown, status="I", doing=(Doing("", ""),)), 486, 720, LIGHT)
        rows = (image != without).any(axis=(1, 2))
        return int((np.diff(rows.astype(int)) == 1).sum())

    assert lines("R U") == lines("first U', then R U' L' U R' U' L") == 1
    assert lines("first U', then R U' L' U R' U' L R U' L'") == 2


def test_the_sequence_is_the_largest_text_after_the_name_and_grows_with_the_window() -> None:
    """Rows of ink in the panel: at twice the size every line is twice as high (within a few pixels)."""

    def ink_rows(scale: int) -> int:
        image = painted(a_case("e1-headlights-left"), 486 * scale, 720 * scale, LIGHT)
        grey = cv2.cvtColor(image, cv2.COLOR_BGR2GRAY)
        return int((grey.min(axis=1) < 120).sum())

    assert ink_rows(2) == pytest.approx(2 * ink_rows(1), rel=0.12)
