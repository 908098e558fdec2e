"""The annotated picture: in the right place, at every scale, nothing clipped."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from truth_answers import answer_of_truth

import vision.panel
from calibration.profile import COLOURS, default_profile
from models.decode import decode
from models.layer import LastLayer
from vision.answer import Answer, Candidate
from vision.diagram import case_image
from vision.draw import SMALLEST_LONG_SIDE, annotated, encoded, marked_up, zoom_of
from vision.lettering import Lettering
from vision.naming import Naming
from vision.overlay import face_grids, grid_of_quad, overlaid
from vision.panel import PAPER, STICKER_RGB, panel_image
from vision.sources import load_photo
from vision.wording import answer_text, remarks

SAMPLES = Path(__file__).parent.parent / "sample_images"
EASY = SAMPLES / "01-large-on-desk.jpg"


def test_grid_of_a_quad_agrees_with_opencvs_camera() -> None:
    """cv2.projectPoints on a flat 4 x 4 board, any pose: the nodes between the corners must fall in place."""
    rng = np.random.default_rng(3)
    camera = np.array([[900, 0, 640], [0, 900, 360], [0, 0, 1]], float)
    col, row = np.meshgrid(np.arange(5.0), np.arange(5.0))
    board = np.stack([col, row, 0 * col], axis=-1).reshape(-1, 3) - [2, 2, 0]
    for _ in range(20):
        turn = rng.normal(size=3) * 0.5
        pixels = cv2.projectPoints(board, turn, np.array([0.3, -0.2, 11.0]), camera, None)[0].reshape(5, 5, 2)
        quad = pixels[[0, 0, -1, -1], [0, -1, -1, 0]]
        assert np.abs(grid_of_quad(quad, 4) - pixels).max() < 0.01


@pytest.mark.parametrize(
    "name", ["01-large-on-desk", "05-size-2-in-hand", "06-size-5-in-hand", "09-hand-and-glare"]
)
def test_badges_carry_the_colour_that_was_read_at_the_sticker(name: str) -> None:
    picture = SAMPLES / f"{name}.jpg"
    photo, answer = load_photo(str(picture)).image_bgr, answer_of_truth(picture)
    before = photo.copy()
    drawn = overlaid(photo, answer, zoom=2.0)
    assert (photo == before).all()
    grid = (face_grids(answer)["U"] + 0.5) * 2 - 0.5
    for row, names in enumerate(answer.seen["U"]):
        for col, colour in enumerate(names):
            if colour is None:
                continue
            corners = grid[row : row + 2, col : col + 2].reshape(4, 2)
            x, y = corners.mean(axis=0)
            reach = 0.08 * min(np.hypot(*(corners[3] - corners[0])), np.hypot(*(corners[2] - corners[1])))
            patch = drawn[round(y - reach) : round(y + reach) + 1, round(x - reach) : round(x + reach) + 1]
            wanted = np.array(STICKER_RGB[colour][::-1])
            share = (np.abs(patch.astype(int) - wanted).max(axis=2) <= 2).mean()
            assert share > 0.1, (row, col, colour)  # the rest is the letter


def test_a_sticker_that_was_settled_otherwise_shows_both() -> None:
    answer = answer_of_truth(EASY)
    rows = [list(row) for row in answer.seen["U"]]
    assert rows[1][1] == "green"
    rows[1][1] = "blue"
    doubtful = replace(answer, seen={**answer.seen, "U": tuple(map(tuple, rows))})
    photo = load_photo(str(EASY)).image_bgr
    x, y = np.round(face_grids(answer)["U"][1:3, 1:3].reshape(4, 2).mean(axis=0)).astype(int)
    patch = overlaid(photo, doubtful)[y - 8 : y + 9, x - 8 : x + 9].astype(int)
    for name, side in (("blue", patch[:, :8]), ("green", patch[:, 9:])):
        assert (np.abs(side - np.array(STICKER_RGB[name][::-1])).max(axis=2) <= 2).sum() > 10, name


def in_a_mirror(answer: Answer) -> Answer:
    """The answer for the picture turned over: what is seen changes sides, the state is the real cube's."""
    assert answer.top is not None
    quad = np.array(answer.top.quad_xy)[[1, 0, 3, 2]] * [-1, 1] + [1200, 0]
    seen = {
        {"L": "R", "R": "L"}.get(face, face): tuple(row[::-1] for row in rows)
        for face, rows in answer.seen.items()
    }
    top = replace(answer.top, quad_xy=tuple(map(tuple, quad.tolist())))
    return replace(answer, mirrored=True, top=top, seen=seen, grids={}, notes=())


def test_a_mirrored_picture_shows_no_sticker_that_was_settled_otherwise(written: list) -> None:
    photo = np.ascontiguousarray(load_photo(str(EASY)).image_bgr[:, ::-1])
    answer = in_a_mirror(answer_of_truth(EASY))
    assert answer.settled["U"] == answer.seen["U"]
    annotated(photo, answer)
    read = sum(name is not None for row in answer.seen["U"] for name in row)
    assert [text for text, *_ in written if len(text) == 1 and text in "WYROBG"] == [
        name[0].upper() for row in answer.seen["U"] for name in row if name is not None
    ] and read > 10
    card = " ".join(text for text, *_ in written)
    assert "split badge" not in card
    assert "As the real cube lies; the picture is mirrored." in card and "in the picture." not in card


@pytest.mark.parametrize("inside", [True, False])
def test_split_badges_are_explained_where_one_is_drawn(inside: bool, written: list) -> None:
    """The same misread sticker on the top, which is drawn, and on a side that has no place in the picture."""
    answer = answer_of_truth(EASY)
    assert answer.state is not None and set(answer.grids) == {"U"}
    face = "U" if inside else "B"
    rows = [list(row) for row in answer.state.facelets[face]]
    rows[0][1] = "white" if rows[0][1] != "white" else "red"
    doubtful = replace(answer, seen={**answer.seen, face: tuple(map(tuple, rows))})
    annotated(load_photo(str(EASY)).image_bgr, doubtful)
    assert ("split badge" in " ".join(text for text, *_ in written)) is inside


def test_names_that_begin_alike_have_letters_of_their_own(written: list) -> None:
    names = ("black", "gold", "pink", "purple", "brown", "grey")
    own = dict(zip(COLOURS, names, strict=True))
    answer = answer_of_truth(EASY)
    seen = {face: tuple(tuple(own.get(n) for n in row) for row in rows) for face, rows in answer.seen.items()}
    palette = {name: STICKER_RGB[usual] for usual, name in own.items()}
    overlaid(load_photo(str(EASY)).image_bgr, replace(answer, seen=seen, palette=palette, state=None))
    shown = [name for row in seen["U"] for name in row if name is not None]
    letters = [text for text, *_ in written]
    assert len(letters) == len(shown)
    assert len(set(letters)) == len(set(shown)) == len(set(zip(letters, shown, strict=True)))
    window = Naming(names).key_of
    assert letters == [window[name].upper() for name in shown]


@pytest.mark.parametrize("scale", [0.1, 0.2, 0.3, 0.45, 0.9])
def test_no_badge_is_without_its_letter(scale: float, written: list) -> None:
    photo = load_photo(str(EASY)).image_bgr
    small = cv2.resize(photo, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    answer = answer_of_truth(EASY).scaled(scale)
    drawn, bare_grid = overlaid(small, answer), overlaid(small, replace(answer, seen={}))
    grid = face_grids(answer)["U"]
    badges = stickers = 0
    for row, names in enumerate(answer.seen["U"]):
        for col, name in enumerate(names):
            x, y = grid[row : row + 2, col : col + 2].reshape(4, 2).mean(axis=0) - 0.5
            around = slice(round(y) - 2, round(y) + 3), slice(round(x) - 2, round(x) + 3)
            stickers += name is not None
            badges += (drawn[around] != bare_grid[around]).any()
    assert badges == len(written) and (badges == stickers) == (scale > 0.5)


@pytest.mark.parametrize(("width", "height"), [(4200, 900), (3000, 1000), (1920, 1080), (1000, 4000)])
def test_the_card_is_not_much_larger_than_a_long_photo(width: int, height: int) -> None:
    answer = replace(answer_of_truth(EASY), notes=("a long note on what was hard to see",) * 4)
    card = annotated(np.zeros((height, width, 3), np.uint8), answer)
    if width > height:
        assert card.shape[0] <= 1.3 * height and card.shape[1] < 1.6 * width
    else:
        assert card.shape[1] == width and card.shape[0] - height < 2.5 * width


def test_a_cube_without_edges_is_drawn_without(monkeypatch: pytest.MonkeyPatch) -> None:
    flips = []

    def noted(twist: tuple[int, ...], flip: tuple[int, ...], **how: Any) -> np.ndarray:
        flips.append(tuple(flip))
        return case_image(twist, flip, **how)

    monkeypatch.setattr(vision.panel, "case_image", noted)
    fitting = (Candidate("e0-pi", 0.5), Candidate("e0-h", 0.5))
    for size in (2, 4):
        panel_image(Answer(image="x", ok=False, reason="ambiguous", size=size, candidates=fitting), 420, 16)
    assert flips == [()] * 2 + [(0, 0, 0, 0)] * 2


def test_candidates_are_drawn_as_the_cube_lies(monkeypatch: pytest.MonkeyPatch) -> None:
    """Seen from above alone: whatever it may be, a piece whose top colour shows is whole in its picture."""
    scheme = default_profile().scheme
    true = np.array(scheme)[LastLayer.after("R U R' U R U2 R' U", 4).facelets()]
    loglik = np.zeros((6, 4, 4, 6))
    loglik[0] = np.where(np.arange(6) == true[0][..., None], 0.0, -20.0)
    posterior = decode(loglik, scheme=scheme, tops=(0,), mirror=False)
    fitting = tuple(Candidate(code, p) for code, p in posterior.candidates)
    drawn = []

    def noted(twist: tuple[int, ...], flip: tuple[int, ...], **how: Any) -> np.ndarray:
        drawn.append([t == 0 for t in twist])
        return case_image(twist, flip, **how)

    monkeypatch.setattr(vision.panel, "case_image", noted)
    answer = Answer(
        image="x", ok=False, reason="ambiguous", size=4, candidates=fitting, lying=posterior.lying
    )
    panel_image(answer, 420, 16)
    top = true[0] == scheme[0]
    assert drawn == [[top[-1, -1], top[-1, 0], top[0, 0], top[0, -1]]] * len(drawn) and len(drawn) > 1


def test_the_card_says_what_the_text_says(written: list) -> None:
    answer = answer_of_truth(EASY)
    plain = replace(answer, sequences=())
    quad = answer.top.quad_xy  # type: ignore[union-attr]
    for one in (
        replace(answer, profile="desk-cube", by_built_in=True, others=(quad,), notes=("glare", "a finger")),
        replace(answer, permutation=Candidate("T", 0.95), profile="desk-cube"),
        replace(answer, mirrored=True),
        plain,
        answer,
    ):
        written.clear()
        panel_image(one, 420, 16)
        card = " ".join(text for text, *_ in written)
        told = list(remarks(one))
        assert told
        text = " ".join(answer_text(one, 10_000).split())
        for label, words in told:
            words = " ".join(words.split())
            assert f"{label}: {words}" in " ".join(card.split()) and f"{label} {words}" in text


@pytest.mark.parametrize(("reason", "read", "listed"), [
    ("not-last-layer", 16, False), ("top-hidden", 0, False), ("top-hidden", 3, False),
    ("top-hidden", 4, True), ("ambiguous", 0, True),
])  # fmt: skip
def test_no_candidates_are_listed_that_say_nothing(
    reason: Any, read: int, listed: bool, written: list
) -> None:
    """Four of sixteen stickers are a quarter of the top face."""
    top = np.array(["white"] * read + [None] * (16 - read), object).reshape(4, 4)
    answer = Answer(
        image="x", ok=False, reason=reason, size=4, candidates=(Candidate("e1-h-right", 0.33),),
        seen={"U": tuple(map(tuple, top))},
    )  # fmt: skip
    panel_image(answer, 420, 16)
    assert ("e1-h-right" in [text for text, *_ in written]) is listed
    assert ("e1-h-right" in answer_text(answer)) is listed


@pytest.mark.parametrize(("width", "height"), [(320, 240), (240, 320), (640, 480), (1920, 1080), (720, 1280)])
def test_every_scale_is_readable_and_whole(width: int, height: int) -> None:
    photo = load_photo(str(EASY)).image_bgr
    answer = answer_of_truth(EASY)
    small = cv2.resize(photo, (width, height), interpolation=cv2.INTER_AREA)
    drawn = annotated(small, answer.scaled(width / photo.shape[1]))
    zoom = zoom_of(small, answer.scaled(width / photo.shape[1]))
    assert zoom * max(width, height) >= SMALLEST_LONG_SIDE - 1
    across = width >= height
    assert (drawn.shape[0] >= round(height * zoom)) and (drawn.shape[1] >= round(width * zoom))
    panel = drawn[:, round(width * zoom) :] if across else drawn[round(height * zoom) :]
    margin = 12
    for strip in (panel[:margin], panel[-margin:], panel[:, :margin], panel[:, -margin:]):
        assert (np.abs(strip.astype(int) - PAPER[::-1]).max(axis=2) <= 3).all()  # no ink runs out of the page


def test_a_small_cube_is_shown_larger_in_a_corner_that_does_not_hide_it() -> None:
    picture = SAMPLES / "08-far-away.jpg"
    photo, answer = load_photo(str(picture)).image_bgr, answer_of_truth(picture)
    zoom = zoom_of(photo, answer)
    photo = cv2.resize(photo, None, fx=zoom, fy=zoom, interpolation=cv2.INTER_CUBIC)
    drawn = marked_up(load_photo(str(picture)).image_bgr, answer, zoom)
    changed = (np.abs(drawn.astype(int) - photo).max(axis=2) > 12).astype(np.uint8)
    count, _, boxes, _ = cv2.connectedComponentsWithStats(
        cv2.morphologyEx(changed, cv2.MORPH_CLOSE, np.ones((9, 9)))
    )
    x, y, width, height, _ = max(boxes[1:count].tolist(), key=lambda box: box[4])
    quad = np.array(answer.top.quad_xy) * zoom  # type: ignore[union-attr]
    assert min(width, height) > 1.5 * np.ptp(quad, axis=0).max()
    inside = (quad > [x, y]).all(axis=1) & (quad < [x + width, y + height]).all(axis=1)
    assert not inside.any()
    large = SAMPLES / "01-large-on-desk.jpg"
    photo, answer = load_photo(str(large)).image_bgr, answer_of_truth(large)
    whole = marked_up(photo, answer, 1.0)
    assert (np.abs(whole.astype(int) - photo).max(axis=2) > 12).mean() < 0.1  # no inset


@pytest.mark.parametrize("scale", [0.4, 0.7, 0.9, 1.0])
def test_letters_on_a_small_cube_of_many_layers_can_be_read(
    scale: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    """12 pixels are 9 points at the 96 pixels an inch of CSS; photo and inset may each have the letters."""
    letters = []
    put = Lettering.put

    def noted(how: Lettering, image: np.ndarray, text: str, left: int, baseline: int) -> None:
        if len(text) == 1:
            letters.append(how.size)
        put(how, image, text, left, baseline)

    monkeypatch.setattr(Lettering, "put", noted)
    picture = SAMPLES / "06-size-5-in-hand.jpg"
    photo = cv2.resize(load_photo(str(picture)).image_bgr, None, fx=scale, fy=scale)
    desk = np.zeros((720, 1280, 3), np.uint8)
    desk[: photo.shape[0], : photo.shape[1]] = photo
    answer = answer_of_truth(picture).scaled(scale)
    annotated(desk, answer)
    read = sum(name is not None for row in answer.seen["U"] for name in row)
    assert sum(size >= 12 for size in letters) >= read


@pytest.mark.slow
def test_fifty_megapixels() -> None:
    photo = load_photo(str(EASY)).image_bgr
    factor = 8160 / photo.shape[1]
    large = cv2.resize(photo, (8160, round(photo.shape[0] * factor)))
    drawn = annotated(large, answer_of_truth(EASY).scaled(factor))
    assert drawn.shape[0] == large.shape[0] and drawn.shape[1] > 8160


def test_a_panel_holds_any_answer() -> None:
    many = tuple(
        Candidate(f"e1-{family}-left", 0.2) for family in ("t", "bowtie", "sune", "pi", "headlights")
    )
    answers = [
        Answer(image="x", ok=False, reason="no-cube"),
        Answer(image="x", ok=False, reason="ambiguous", size=4, candidates=many, next_view="right"),
        Answer(image="x", ok=False, reason="not-last-layer", size=5, detail="the UF edge is split"),
    ]
    for answer in answers:
        panel = panel_image(answer, 420, 16)
        assert panel.shape[1] == 420 and (panel != np.array(PAPER[::-1])).any()


def test_wrapped_lines_fit_and_lose_nothing() -> None:
    how = Lettering(18)
    text = "Rw U2 x Rw U2 Rw U2 Rw' U2 Lw U2 Rw' U2 Rw U2 Rw' U2 Rw'"
    lines = how.wrapped(text, 150)
    assert " ".join(lines) == text and len(lines) > 1
    assert all(how.width(line) <= 150 for line in lines)


@pytest.mark.parametrize("suffix", [".png", ".jpg", ".webp"])
def test_saved_pictures_open_again(suffix: str) -> None:
    image = load_photo(str(EASY)).image_bgr
    again = cv2.imdecode(np.frombuffer(encoded(image, suffix), np.uint8), cv2.IMREAD_COLOR)
    assert again.shape == image.shape and np.abs(again.astype(int) - image).mean() < 4
