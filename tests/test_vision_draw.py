"""The annotated picture: in the right place, at every scale, nothing clipped."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from truth_answers import answer_of_truth

from vision.answer import Answer, Candidate
from vision.draw import SMALLEST_LONG_SIDE, annotated, encoded, face_grids, grid_of_quad, overlaid
from vision.lettering import Lettering
from vision.panel import PAPER, STICKER_RGB, panel_image
from vision.sources import load_photo

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


@pytest.mark.parametrize(("width", "height"), [(320, 240), (240, 320), (640, 480), (1920, 1080), (720, 1280)])
def test_every_scale_is_readable_and_whole(width: int, height: int) -> None:
    photo = load_photo(str(EASY)).image_bgr
    answer = answer_of_truth(EASY)
    small = cv2.resize(photo, (width, height), interpolation=cv2.INTER_AREA)
    drawn = annotated(small, answer.scaled(width / photo.shape[1]))
    zoom = max(1.0, SMALLEST_LONG_SIDE / max(width, height))
    across = width >= height
    assert (drawn.shape[0] >= round(height * zoom)) and (drawn.shape[1] >= round(width * zoom))
    panel = drawn[:, round(width * zoom) :] if across else drawn[round(height * zoom) :]
    margin = 12
    for strip in (panel[:margin], panel[-margin:], panel[:, :margin], panel[:, -margin:]):
        assert (np.abs(strip.astype(int) - PAPER[::-1]).max(axis=2) <= 3).all()  # no ink runs out of the page


def test_a_small_cube_is_shown_larger_in_a_corner_that_does_not_hide_it() -> None:
    picture = SAMPLES / "08-far-away.jpg"
    photo, answer = load_photo(str(picture)).image_bgr, answer_of_truth(picture)
    rows, cols = photo.shape[:2]
    drawn = annotated(photo, answer)[:rows, :cols]
    changed = (np.abs(drawn.astype(int) - photo).max(axis=2) > 12).astype(np.uint8)
    count, _, boxes, _ = cv2.connectedComponentsWithStats(
        cv2.morphologyEx(changed, cv2.MORPH_CLOSE, np.ones((9, 9)))
    )
    x, y, width, height, _ = max(boxes[1:count].tolist(), key=lambda box: box[4])
    quad = np.array(answer.top.quad_xy)  # type: ignore[union-attr]
    assert min(width, height) > 1.5 * np.ptp(quad, axis=0).max()
    inside = (quad > [x, y]).all(axis=1) & (quad < [x + width, y + height]).all(axis=1)
    assert not inside.any()
    large = SAMPLES / "01-large-on-desk.jpg"
    photo, answer = load_photo(str(large)).image_bgr, answer_of_truth(large)
    rows, cols = photo.shape[:2]
    whole = annotated(photo, answer)[:rows, :cols]
    assert (np.abs(whole.astype(int) - photo).max(axis=2) > 12).mean() < 0.1  # no inset


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
