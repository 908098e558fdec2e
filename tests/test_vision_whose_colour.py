"""The second opinion on whose colours stickers carry: against the truth of pictures, and what must hold."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from calibration.reading import read_stickers
from calibration.samples import StickerSamples
from calibration.second_opinion import OF_2, ON_SIDES, ON_TOP, Weights, joined, parted, shifted
from models.turns import FACES
from vision.pipeline import read_whole
from vision.pose import CubePose
from vision.scoring import turn_between
from vision.truth import truth_of
from vision.whose_colour import UNSEEN_SHARES, Look, look_at

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


AROUND = "BRFL"
UNSEEN_SHARES_LOG = np.log(UNSEEN_SHARES)
ASKED = (0, 1, 2, 4, 5)


# one top colour in half of the stickers, the rest shared by four sides
@pytest.mark.parametrize(
    ("names", "least_asked", "least_right"), [(NAMES, 80, 0.9), (["05-size-2-in-hand"], 5, 0.6)]
)
def test_colours_agree_with_the_truth_of_pictures(
    names: list[str], least_asked: int, least_right: float
) -> None:
    right = asked = 0
    for name in names:
        picture = SAMPLES / f"{name}.jpg"
        image_bgr = cv2.imread(str(picture))
        truth = truth_of(picture)
        whole = read_whole(image_bgr)
        assert whole.cube is not None and whole.samples is not None and truth.size is not None
        look = look_at(image_bgr, whole.cube.pose.turned_to(0, None))
        assert look is not None
        # the answer's U is the truth's U, turned by quarter turns
        turn = turn_between(whole.answer, truth)
        of_truth = {AROUND[(i + turn) % 4]: side for i, side in enumerate(AROUND)} | {"U": "U"}
        colours = ["" if face == "D" else truth.facelets[of_truth[face]][1][1] for face in FACES]
        (colours[0],) = {c for row in truth.facelets["U"] for c in row} - set(colours[1:])
        own = np.full((6, truth.size, truth.size), "", dtype=object)
        own[0] = np.rot90(np.array(truth.facelets["U"], dtype=object), -turn)
        for face in AROUND:
            own[FACES.index(face), 0] = truth.facelets[of_truth[face]][0]
        use = look.log_shares.any(-1) & (whole.samples.coverage > 0.3)
        # sides that are not looked at beside a sticker share what is left: either will do
        face_of = np.array([colours.index(colour) for colour in own[use]])
        shares = look.log_shares[use]
        right += int((shares[np.arange(len(shares)), face_of] >= shares.max(-1) - 1e-5).sum())
        asked += int(use.sum())
    assert asked > least_asked and right / asked > least_right


def test_rims_about_the_top_tell_a_case_where_no_side_is_in_view() -> None:
    """The picture's truth, by the renderer: of the sides' stickers no face is seen, and what is on top leaves
    two cases. What stands out of the sides beyond the top's edge tells them apart."""
    picture = SAMPLES / "17-rims-from-above.jpg"
    truth = truth_of(picture)
    assert truth.code is not None and not truth.is_settled
    whole = read_whole(cv2.imread(str(picture)))
    assert whole.samples is not None and whole.samples.visible_faces == (0,)
    assert whole.answer.case is not None and whole.answer.case.code == truth.code


@pytest.mark.parametrize("name", ["17-rims-from-above", "12-straight-down"])
def test_a_side_out_of_view_is_told_no_worse_than_by_guessing(name: str) -> None:
    """Half of all stickers have the top's colour, in training; the others share the rest. Where no rim shows
    the network is to say that, and more where one does."""
    picture = SAMPLES / f"{name}.jpg"
    truth = truth_of(picture)
    whole = read_whole(cv2.imread(str(picture)))
    assert whole.cube is not None and truth.size is not None
    pose = whole.cube.pose.turned_to(0, None)
    look = look_at(cv2.imread(str(picture)), pose)
    assert look is not None and set(look.opened) <= {1, 2, 4, 5}
    turn = turn_between(whole.answer, truth)
    facelets = truth.facelets
    (top,) = {c for row in facelets["U"] for c in row} - {facelets[face][1][1] for face in AROUND}
    gained = []
    for face in look.opened:
        home = {FACES.index(AROUND[i]): facelets[AROUND[(i + turn) % 4]] for i in range(4)}
        for column, colour in enumerate(home[face][0]):
            whose = 0 if colour == top else next(f for f in home if home[f][1][1] == colour)
            gained.append(float(look.log_shares[face, 0, column, whose] - UNSEEN_SHARES_LOG[whose]))
    assert len(gained) >= 2 * truth.size and float(np.mean(gained)) > -0.05


def a_pose(n: int) -> CubePose:
    """A cube's pose in the first sample picture, with n layers."""
    whole = read_whole(cv2.imread(str(SAMPLES / "01-large-on-desk.jpg")))
    assert whole.cube is not None
    return replace(whole.cube.pose, size=n)


@pytest.mark.parametrize("n", [2, 3, 4, 5])
def test_only_open_stickers_of_the_top_layer_get_a_number(n: int) -> None:
    rng = np.random.default_rng(n)
    image_bgr = rng.integers(0, 256, (720, 1280, 3)).astype(np.uint8)
    look = look_at(image_bgr, a_pose(n))
    assert look is not None and ((look.seen >= 0) & (look.seen <= 1)).all()
    shares = look.log_shares
    assert shares.shape == (6, n, n, 6) and np.isfinite(shares).all()
    is_given = shares.any(-1)
    assert np.allclose(np.exp(shares[is_given]).sum(-1), 1, atol=1e-5)
    assert is_given[0].sum() == 4 * (n - 1)
    assert not is_given[0, 1:-1, 1:-1].any() and not is_given[FACES.index("D")].any()
    assert not is_given[:, 1:][1:].any()
    assert is_given.any((1, 2)).sum() <= 3


def test_more_layers_than_it_was_trained_on_get_none() -> None:
    assert look_at(np.zeros((720, 1280, 3), np.uint8), a_pose(6)) is None


def test_an_opinion_without_opinion_changes_nothing_but_how_sure() -> None:
    whole = read_whole(cv2.imread(str(SAMPLES / "01-large-on-desk.jpg")))
    assert whole.samples is not None
    n = whole.samples.size
    plain = read_stickers(whole.samples, tops=(0,))
    with_none = read_stickers(whole.samples, tops=(0,), second=np.zeros((6, n, n, 6)))
    assert np.allclose(plain.posterior.marginals, with_none.posterior.marginals, atol=1e-9)


@pytest.mark.parametrize("face", [0, 1, 2])
def test_a_sure_opinion_decides_a_sticker(face: int) -> None:
    whole = read_whole(cv2.imread(str(SAMPLES / "01-large-on-desk.jpg")))
    assert whole.samples is not None
    n = whole.samples.size
    second = np.zeros((6, n, n, 6))
    second[0, 0, 0] = -400.0
    second[0, 0, 0, face] = 0.0
    told = read_stickers(whole.samples, tops=(0,), second=second).posterior
    assert (told.marginals[0, 0, 0, int(told.face_colours[0])] > 0.5) == (face == 0)


six_nats = st.lists(st.floats(-50, 0), min_size=6, max_size=6)


def normalised(nats: list[float]) -> np.ndarray:
    """Log probabilities (1, 6) in the order of the faces, nothing for the bottom."""
    values = np.array([nats])
    values[:, 3] = -60.0
    return values - np.logaddexp.reduce(values, axis=1)[:, None]


@given(st.permutations(range(6)), six_nats, six_nats, st.sampled_from([ON_TOP, ON_SIDES, OF_2]))
def test_an_opinion_moves_a_colour_only_where_it_speaks_for_it(
    colours: list[int], own: list[float], other: list[float], weights: Weights
) -> None:
    loglik, told, names = np.array([own]), normalised(other), np.array(colours)
    out = joined(loglik, told, names, weights)
    assert out[0, names[3]] == loglik[0, names[3]], "the bottom's colour is not asked for"
    own_top, own_side = parted(loglik[:, names])
    told_top, told_side = parted(told)
    now_top, now_side = parted(out[:, names])
    for i in range(4):
        for k in range(4):
            if own_side[0, i] >= own_side[0, k] and told_side[0, i] >= told_side[0, k]:
                assert now_side[0, i] >= now_side[0, k] - 1e-9
    if own_top[0] >= 0 and told_top[0] >= weights.lean:
        assert now_top[0] >= -1e-9
    if own_top[0] <= 0 and told_top[0] <= weights.lean:
        assert now_top[0] <= 1e-9


@given(st.permutations(range(6)), six_nats, six_nats, st.sampled_from([ON_TOP, ON_SIDES, OF_2]))
def test_a_sticker_says_no_more_as_a_whole_for_being_asked_about_twice(
    colours: list[int], own: list[float], other: list[float], weights: Weights
) -> None:
    loglik, names = np.array([own]), np.array(colours)
    usual = np.log([0.5, 0.125, 0.125, 0.125, 0.125])
    asked = names[[0, 1, 2, 4, 5]]
    before = np.logaddexp.reduce(loglik[0, asked] + usual)
    out = joined(loglik, normalised(other), names, weights)
    assert np.logaddexp.reduce(out[0, asked] + usual) == pytest.approx(before, abs=1e-6)


@given(st.permutations(range(6)), six_nats, six_nats, st.sampled_from([ON_TOP, ON_SIDES, OF_2]))
def test_no_opinion_changes_nothing_and_priors_stay_probabilities(
    colours: list[int], own: list[float], other: list[float], weights: Weights
) -> None:
    loglik, names, none = np.array([own]), np.array(colours), np.zeros((1, 6))
    assert np.array_equal(joined(loglik, none, names, weights), loglik)
    prior = normalised(own)
    assert np.array_equal(shifted(prior[None], none, names[None], weights)[0], prior)
    assert np.exp(shifted(prior[None], normalised(other), names[None], weights)).sum() == pytest.approx(1.0)


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


def test_of_an_opened_side_as_much_is_told_as_is_seen_of_it() -> None:
    """In full where it is seen for certain, nothing beyond the prior where it is not; other sides that were
    not sampled keep silent."""
    shares = np.log(np.tile(np.array([0.1, 0.2, 0.3, 1e-13, 0.1, 0.3], np.float32), (6, 3, 3, 1)))
    seen = np.ones((6, 3, 3), np.float32)
    seen[1, 0] = 1.0, 0.5, 0.0
    told = Look(shares, seen, opened=(1,)).told(StickerSamples.empty(3))
    assert told[1, 0, 0] == pytest.approx(shares[1, 0, 0], abs=1e-5)
    assert told[1, 0, 2] == pytest.approx(np.log(UNSEEN_SHARES), abs=1e-5)
    low, high = np.sort([told[1, 0, 0], told[1, 0, 2]], axis=0)
    assert ((told[1, 0, 1] >= low - 1e-5) & (told[1, 0, 1] <= high + 1e-5)).all()
    assert np.exp(told[1, 0]).sum(-1) == pytest.approx(np.ones(3), abs=1e-5)
    assert not told[[0, 2, 3, 4, 5]].any()
