"""The second opinion on the top's colour: against the truth of pictures, and against what must hold."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest

from calibration.reading import read_stickers
from vision.pipeline import read_whole, turned_to
from vision.pose import FACES, CubePose
from vision.scoring import turn_between
from vision.top_colour import look_at
from vision.truth import truth_of

SAMPLES = Path(__file__).parent.parent / "sample_images"
NAMES = [
    "01-large-on-desk",
    "02-no-stickers",
    "03-pastel-shades",
    "04-size-3",
    "06-size-5-in-hand",
    "07-dark-blue-top",
    "11-dim-room",
]


def test_flags_agree_with_the_truth_of_pictures() -> None:
    right = asked = 0
    for name in NAMES:
        picture = SAMPLES / f"{name}.jpg"
        image_bgr = cv2.imread(str(picture))
        truth = truth_of(picture)
        whole = read_whole(image_bgr)
        assert whole.cube is not None and truth.size is not None
        look = look_at(image_bgr, turned_to(whole.cube.pose, 0, None))
        assert look is not None
        odds = look.log_odds
        turn = turn_between(whole.answer, truth)
        # the answer's U is the truth's U, turned by quarter turns
        top = np.array(truth.facelets["U"])
        own = np.rot90(top == top[1, 1], -turn)
        open_ = odds[0] != 0
        seen = whole.samples.coverage[0] > 0.3 if whole.samples is not None else open_
        use = open_ & seen
        right += int(((odds[0] > 0) == own)[use].sum())
        asked += int(use.sum())
    # one top colour in half of the stickers: guessing would be right in about half
    assert asked > 50 and right / asked > 0.9


def a_pose(n: int) -> CubePose:
    """A cube's pose in the first sample picture, with n layers."""
    whole = read_whole(cv2.imread(str(SAMPLES / "01-large-on-desk.jpg")))
    assert whole.cube is not None
    return replace(whole.cube.pose, size=n)


@pytest.mark.parametrize("n", [3, 4, 5])
def test_only_open_stickers_of_the_top_layer_get_a_number(n: int) -> None:
    rng = np.random.default_rng(n)
    image_bgr = rng.integers(0, 256, (720, 1280, 3)).astype(np.uint8)
    look = look_at(image_bgr, a_pose(n))
    assert look is not None and ((look.seen >= 0) & (look.seen <= 1)).all()
    odds = look.log_odds
    assert odds.shape == (6, n, n) and np.isfinite(odds).all()
    given = odds != 0
    assert given[0].sum() == 4 * (n - 1)
    assert not given[0, 1:-1, 1:-1].any() and not given[FACES.index("D")].any() and not given[:, 1:][1:].any()
    assert given.any((1, 2)).sum() <= 3


def test_a_top_without_middle_gets_none() -> None:
    assert look_at(np.zeros((720, 1280, 3), np.uint8), a_pose(2)) is None


def test_an_opinion_without_opinion_changes_nothing_but_how_sure() -> None:
    whole = read_whole(cv2.imread(str(SAMPLES / "01-large-on-desk.jpg")))
    assert whole.samples is not None
    n = whole.samples.size
    plain = read_stickers(whole.samples, tops=(0,))
    with_none = read_stickers(whole.samples, tops=(0,), second=np.zeros((6, n, n)))
    assert np.allclose(plain.posterior.marginals, with_none.posterior.marginals, atol=1e-9)


@pytest.mark.parametrize("sign", [1, -1])
def test_a_sure_opinion_decides_a_sticker(sign: int) -> None:
    whole = read_whole(cv2.imread(str(SAMPLES / "01-large-on-desk.jpg")))
    assert whole.samples is not None
    n = whole.samples.size
    second = np.zeros((6, n, n))
    second[0, 0, 0] = 400.0 * sign
    told = read_stickers(whole.samples, tops=(0,), second=second).posterior
    assert (told.marginals[0, 0, 0, int(told.face_colours[0])] > 0.5) == (sign > 0)


def test_what_lies_over_a_sticker_is_told_from_it() -> None:
    """A skin-coloured bar over half of the top, as an arm would lie there: covered, the other half is not."""
    image_bgr = cv2.imread(str(SAMPLES / "01-large-on-desk.jpg"))
    whole = read_whole(image_bgr)
    assert whole.cube is not None
    pose = whole.cube.pose
    a, b, c, d = pose.face_quad_xy("U")
    bar = np.array([a, (a + b) / 2, (d + c) / 2, d])
    out = bar + 0.3 * (bar - bar[[1, 0, 3, 2]])
    covered = image_bgr.copy()
    shape = np.array([out[0], bar[1], bar[2], out[3]])
    cv2.fillPoly(covered, [shape.astype(np.int32)], (120, 160, 205))
    rng = np.random.default_rng(1)
    covered = np.clip(covered + rng.normal(0, 3, covered.shape), 0, 255).astype(np.uint8)
    look = look_at(covered, pose)
    assert look is not None
    n = pose.size
    assert look.seen[0][:, n // 2 :].mean() > look.seen[0][:, : n // 2].mean() + 0.5
