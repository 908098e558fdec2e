"""The decoder against plain enumeration of every state, and against pictures made from known states."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.special import logsumexp

from models.cases import CASE_LIST, case_index_of, case_of
from models.cube import rotation_permutations
from models.decode import decode, decode_each
from models.decode_permutation import permutation_candidates, permutation_posterior
from models.decode_scores import log_sum
from models.decode_tables import face_map, frame_stickers
from models.layer import LastLayer
from models.layer_tables import corner_positions, corner_stickers, edge_positions, edge_stickers, legal_mask
from models.permutation import permutation_of
from models.posterior import Posterior

SCHEME = (0, 2, 5, 1, 3, 4)
Array = NDArray[np.float64]


@pytest.mark.parametrize(
    "shape, axis",
    [((5,), -1), ((40, 6), -1), ((40, 6), 0), ((9, 50, 6), -1), ((2000, 9), -1), ((30, 3, 8), (1, 2))],
)
def test_sums_of_logarithms_are_those_of_scipy(shape: tuple[int, ...], axis: int) -> None:
    values = np.random.default_rng(1).normal(0, 300, shape)
    assert log_sum(values, axis) == pytest.approx(logsumexp(values, axis=axis), rel=1e-12)
    values[..., :1] = -np.inf
    assert log_sum(values, axis) == pytest.approx(logsumexp(values, axis=axis), rel=1e-12)
    values[:] = -np.inf
    assert (log_sum(values, axis) == -np.inf).all()


@lru_cache(maxsize=8)
def all_faces(size: int) -> tuple[NDArray[np.int8], NDArray[np.int64]]:
    """Home faces (states, stickers) of every legal state, and the place in CASE_LIST of each."""
    corner, edge = np.nonzero(legal_mask(size))
    faces = np.repeat(np.arange(6, dtype=np.int8), size * size)[None].repeat(len(corner), axis=0)
    faces[:, corner_positions(size)] = corner_stickers()[corner]
    if size > 2:
        faces[:, edge_positions(size)] = edge_stickers()[edge][:, :, None, :]
        return faces, case_index_of(corner % 27, edge % 16)
    return faces, case_index_of(corner % 27)


def colourings(mirror: bool) -> list[tuple[int, ...]]:
    """Colour of each face URFDLB for the 24 ways to hold a solved cube, found by turning one."""
    scheme = list(SCHEME)
    if mirror:
        scheme[1], scheme[4] = scheme[4], scheme[1]
    centres = np.arange(6) * 9 + 4  # of a 3x3x3
    held = rotation_permutations(3)[:, centres] // 9
    return [tuple(scheme[face] for face in row) for row in held.tolist()]


def plain_scores(loglik: Array) -> tuple[Array, NDArray[np.bool_]]:
    """log p (colourings, states) by adding up every sticker of every state, and which are mirror images."""
    size = loglik.shape[1]
    faces, _ = all_faces(size)
    flat = loglik.reshape(-1, 6)
    stickers = np.arange(len(flat))
    rows, mirrored = [], []
    for mirror in (False, True):
        for colours in colourings(mirror):
            by_face = flat[:, colours]  # (stickers, home face)
            rows.append(by_face[stickers, faces].sum(axis=1))
            mirrored.append(mirror)
    return np.array(rows), np.array(mirrored)


@pytest.mark.parametrize("size", [2, 3, 4])
def test_a_frame_is_a_way_to_hold_the_cube(size: int) -> None:
    """The 24 pairs of top and front gather the stickers as the 24 rotations of the whole cube do."""
    ways = rotation_permutations(size)
    homes = ways.reshape(24, 6, size * size)[:, :, 0] // size**2
    for top in range(6):
        for front in range(6):
            if front % 3 == top % 3:
                with pytest.raises(ValueError, match="neighbours"):
                    frame_stickers(size, top, front)
                continue
            (held,) = np.flatnonzero((homes[:, 0] == top) & (homes[:, 2] == front))
            assert (frame_stickers(size, top, front) == ways[held]).all()
            assert face_map(top, front) == tuple(homes[held].tolist())


def random_loglik(size: int, seed: int, sharpness: float) -> Array:
    return np.random.default_rng(seed).normal(scale=sharpness, size=(6, size, size, 6))


@pytest.mark.parametrize(("size", "sharpness"), [(2, 0.5), (2, 3.0), (3, 0.6)])
def test_the_posterior_is_that_of_plain_enumeration(size: int, sharpness: float) -> None:
    """Every state under every colouring, scored sticker by sticker: 648 and 62,208 states times 48."""
    loglik = random_loglik(size, seed=size, sharpness=sharpness)
    posterior = decode(loglik, scheme=SCHEME, mirror_prior=0.2)
    scores, mirrored = plain_scores(loglik)
    prior = np.where(mirrored, np.log(0.2), np.log(0.8)) - np.log(24) - np.log(scores.shape[1])
    joint = scores + prior[:, None]
    evidence = logsumexp(joint)
    assert posterior.log_evidence == pytest.approx(evidence, abs=1e-8)
    assert posterior.log_evidence_any == pytest.approx(
        float((logsumexp(loglik, axis=-1) - np.log(6)).sum()), abs=1e-8
    )
    share = np.exp(joint - evidence)
    _, cases = all_faces(size)
    expected = np.zeros(len(CASE_LIST))
    for row, mirror in zip(share, mirrored, strict=True):
        seen = np.bincount(cases, row, len(CASE_LIST))
        if mirror:
            seen = seen[[case_of(_state(case, size).mirrored())[0].index for case in CASE_LIST]]
        expected += seen
    for case in CASE_LIST:
        assert posterior.case_probabilities.get(case.code, 0.0) == pytest.approx(
            expected[case.index], abs=1e-7
        ) or not case.occurs_on(size)
    assert posterior.mirrored_probability == pytest.approx(float(share[mirrored].sum()), abs=1e-7)


def _state(case: object, size: int) -> LastLayer:
    home = (0, 1, 2, 3)
    twist, flip = case.twist, case.flip  # type: ignore[attr-defined]
    if size == 2:
        return LastLayer(2, home, twist, (), ())
    return LastLayer(4, home, twist, home, flip)


def test_several_looks_are_decoded_as_each_by_itself() -> None:
    looks = np.array([random_loglik(3, seed=60 + k, sharpness=1.0) for k in range(3)])
    for look, posterior in zip(looks, decode_each(looks, scheme=SCHEME, tops=(0, 1)), strict=True):
        alone = decode(look, scheme=SCHEME, tops=(0, 1))
        assert posterior.log_evidence == pytest.approx(alone.log_evidence, abs=1e-9)
        assert posterior.case_probabilities == pytest.approx(alone.case_probabilities, abs=1e-9)
        assert np.allclose(posterior.marginals, alone.marginals, atol=1e-9)


@pytest.mark.parametrize("size", [2, 3])
def test_the_marginals_are_those_of_plain_enumeration(size: int) -> None:
    loglik = random_loglik(size, seed=40 + size, sharpness=1.5)
    posterior = decode(loglik, scheme=SCHEME, mirror=False)
    scores, mirrored = plain_scores(loglik)
    share = np.exp(scores[~mirrored] - logsumexp(scores[~mirrored]))
    faces, _ = all_faces(size)
    expected = np.zeros((6 * size * size, 6))
    shown = [faces == face for face in range(6)]
    for row, colours in zip(share, colourings(False), strict=True):
        for face in range(6):
            expected[:, colours[face]] += row @ shown[face]
    np.testing.assert_allclose(posterior.marginals.reshape(-1, 6), expected, atol=1e-7)


def test_the_4x4x4_posterior_is_that_of_plain_enumeration() -> None:
    """All 248,832 states of one colouring; the centres rule the other colourings out."""
    loglik = random_loglik(4, seed=9, sharpness=0.6)
    for face in range(6):
        loglik[face, 1:3, 1:3] = -200.0 * (np.arange(6) != SCHEME[face])
    posterior = decode(loglik, scheme=SCHEME, mirror=False)
    faces, cases = all_faces(4)
    by_face = loglik.reshape(-1, 6)[:, SCHEME]
    scores = by_face[np.arange(96), faces].sum(axis=1)
    assert posterior.log_evidence == pytest.approx(logsumexp(scores) - np.log(24 * len(scores)), abs=1e-8)
    share = np.exp(scores - logsumexp(scores))
    expected = np.bincount(cases, share, len(CASE_LIST))
    for case in CASE_LIST:
        assert posterior.case_probabilities[case.code] == pytest.approx(expected[case.index], abs=1e-9)
    best_case = int(expected.argmax())
    best = int(np.where(cases == best_case, scores, -np.inf).argmax())
    corner, edge = (int(v) for v in np.argwhere(legal_mask(4))[best])
    assert posterior.state == LastLayer.from_indices(4, corner, edge)


@st.composite
def legal_states(draw: st.DrawFn) -> LastLayer:
    size = draw(st.integers(2, 7))
    legal = np.argwhere(legal_mask(size))
    corner, edge = legal[draw(st.integers(0, len(legal) - 1))].tolist()
    return LastLayer.from_indices(size, corner, edge)


def picture(state: LastLayer, colours: tuple[int, ...], wrong: float = 6.0) -> Array:
    """Log-likelihoods of clearly read stickers: 0 for the true colour, ``-wrong`` for the others."""
    true = np.array(colours)[state.facelets()]
    return np.where(true[..., None] == np.arange(6), 0.0, -wrong)


def mirrored_picture(loglik: Array) -> Array:
    """What a mirror shows: R and L change places, and so do the columns of every face."""
    return loglik[[0, 4, 2, 3, 1, 5]][:, :, ::-1].copy()


@settings(max_examples=30, deadline=None)
@given(legal_states(), st.integers(0, 23), st.integers(0, 23), st.booleans())
def test_a_state_is_read_back_from_its_picture(
    state: LastLayer, colouring: int, held: int, mirror: bool
) -> None:
    """In every pose, colouring and in a mirror: state, top, colours and the marginals."""
    loglik = picture(state, colourings(False)[colouring])
    turn = rotation_permutations(state.size)[held]
    loglik = loglik.reshape(-1, 6)[turn].reshape(loglik.shape)
    where = (rotation_permutations(3)[held] // 9)[np.arange(6) * 9 + 4].tolist()
    top, front = where.index(0), where.index(2)
    if mirror:
        loglik = mirrored_picture(loglik)
        swap = (0, 4, 2, 3, 1, 5)
        top, front = swap[top], swap[front]
    posterior = decode(loglik, scheme=SCHEME, tops=range(6), front=front)
    solved = not any(state.twist) and not any(state.flip)
    if solved and any(state.after_top(k) == LastLayer.solved(state.size) for k in range(4)):
        return  # a solved cube has no top of its own
    posterior = decode(loglik, scheme=SCHEME, tops=(top,), front=front)
    assert posterior.state == state
    assert posterior.mirrored is mirror
    assert posterior.code == case_of(state)[0].code
    assert posterior.probability > 0.99
    assert (posterior.marginals.argmax(axis=-1) == loglik.argmax(axis=-1)).all()
    assert permutation_candidates(posterior)[0][0] == permutation_of(state)[0]


def test_the_group_mends_a_wrong_and_several_hidden_stickers() -> None:
    state = LastLayer.from_indices(4, 345, 171)
    loglik = picture(state, SCHEME)
    loglik[[1, 3, 4, 5]] = 0.0  # only the top and the front are seen
    loglik[0, 0, :2] = 0.0  # a finger
    loglik[2, 0, 1] = np.roll(loglik[2, 0, 1], 1)  # one sticker read as another colour
    loglik[0, 1:, 1:] *= 0.8
    posterior = decode(loglik, scheme=SCHEME)
    true = case_of(state)[0].code
    assert true in dict(posterior.candidates)


def test_what_is_claimed_comes_true_as_often_as_claimed() -> None:
    """States and stickers drawn from the model itself: hits minus claimed probability, within 4 sigma."""
    rng = np.random.default_rng(5)
    claimed, hits, spread = 0.0, 0, 0.0
    for _ in range(250):
        state = LastLayer.from_indices(4, int(rng.integers(648)), int(rng.integers(384)))
        true = np.array(colourings(False)[int(rng.integers(24))])[state.facelets()]
        error = 0.45
        read = np.where(rng.random(true.shape) < error, rng.integers(0, 6, true.shape), true)
        same = read[..., None] == np.arange(6)
        loglik = np.log(np.where(same, 1 - error + error / 6, error / 6))
        loglik[[3, 4, 5]] = 0.0
        posterior = decode(loglik, scheme=SCHEME, mirror=False)
        claimed += posterior.probability
        spread += posterior.probability * (1 - posterior.probability)
        hits += posterior.code == case_of(state)[0].code
    assert 60 < hits < 245, "the noise must leave something to be unsure about"
    assert abs(hits - claimed) < 4 * np.sqrt(spread)


@settings(max_examples=15, deadline=None)
@given(st.integers(0, 647), st.integers(0, 383))
def test_straight_down_the_true_case_is_a_candidate(corner: int, edge: int) -> None:
    state = LastLayer.from_indices(4, corner, edge)
    loglik = picture(state, SCHEME, wrong=20.0)
    loglik[1:] = 0.0
    posterior = decode(loglik, scheme=SCHEME, mirror=False)
    fitting = _cases_that_fit(state)
    assert {code for code, p in posterior.candidates if p > 1e-3} == fitting
    assert case_of(state)[0].code in fitting


@lru_cache(maxsize=1)
def _tops() -> tuple[NDArray[np.int8], NDArray[np.int64]]:
    """What the eight pieces of a 4x4x4 show on top, each pattern once with each case: (patterns, 8), case."""
    faces, cases = all_faces(4)
    shown = faces[:, np.concatenate([corner_positions(4)[:, 0], edge_positions(4)[:, 0, 0]])]
    both = np.unique(np.column_stack([shown, cases]), axis=0)
    return both[:, :8].astype(np.int8), both[:, 8]


def _cases_that_fit(state: LastLayer) -> set[str]:
    """Cases of all 248,832 states whose top shows the same colours, the cube held in any way."""
    shown, cases = _tops()
    places = np.concatenate([corner_positions(4)[:, 0], edge_positions(4)[:, 0, 0]])
    colours = np.array(SCHEME)[state.facelets().ravel()[places]]
    out = set()
    for held in colourings(False):
        if held[0] == SCHEME[0]:
            fits = (np.array(held)[shown] == colours).all(axis=1)
            out |= {CASE_LIST[int(i)].code for i in np.unique(cases[fits])}
    return out


def test_odd_sizes_never_name_a_case_they_cannot_show() -> None:
    for size in (3, 5):
        posterior = decode(np.zeros((6, size, size, 6)), scheme=SCHEME)
        assert len(posterior.case_probabilities) == 58
        assert sum(posterior.case_probabilities.values()) == pytest.approx(1)
        for case in CASE_LIST:
            if case.occurs_on(size):
                # nothing seen: every case as probable as its share of all states
                assert posterior.case_probabilities[case.code] == pytest.approx(case.chance(size))


def test_the_permutation_left_after_a_sequence() -> None:
    state = LastLayer.after("F R U R' U' F' U R U R' U R U2 R'", 4).inverse()
    posterior = decode(picture(state, SCHEME), scheme=SCHEME)
    turns = "R U R' U R U2 R'"
    expected = permutation_of(state.then(LastLayer.after(turns, 4)))[0]
    found = permutation_posterior(posterior, turns)
    assert found is not None and found[0] == expected and found[1] > 0.99
    assert permutation_posterior(posterior) is None, "what is left depends on the sequence"


@pytest.mark.parametrize(
    ("loglik", "scheme"),
    [
        (np.zeros((6, 4, 3, 6)), SCHEME),
        (np.zeros((6, 8, 8, 6)), SCHEME),
        (np.full((6, 4, 4, 6), np.nan), SCHEME),
        (np.zeros((6, 4, 4, 6)), (0, 0, 1, 2, 3, 4)),
    ],
)
def test_impossible_input_is_refused(loglik: Array, scheme: tuple[int, ...]) -> None:
    with pytest.raises(ValueError, match=r"loglik|scheme"):
        decode(loglik, scheme=scheme)


def test_several_tops_share_the_posterior() -> None:
    state = LastLayer.from_indices(4, 100, 50)
    posterior = decode(picture(state, SCHEME), scheme=SCHEME, tops=(0, 1, 2))
    assert posterior.top == 0
    assert sum(posterior.top_probabilities.values()) == pytest.approx(1)
    assert isinstance(posterior, Posterior)


ORIENTING = ("R U R' U R U2 R'", "F R U R' U' F'", "U", "U2", "L' U' L U' L' U2 L", "R U2 R' U' R U' R'")


@pytest.mark.parametrize("size", [3, 4, 5])
def test_candidates_lie_as_the_top_face_shows_them(size: int) -> None:
    """From straight above a piece is oriented in every candidate where its sticker has the top's colour, and
    in none where it has not."""
    rng = np.random.default_rng(size)
    turned = 0
    for _ in range(12):
        state = LastLayer.after(" ".join(rng.choice(ORIENTING, 4)), size)
        loglik = np.zeros((6, size, size, 6))
        loglik[0] = np.where(np.arange(6) == np.array(SCHEME)[state.facelets()][0, ..., None], 0.0, -20.0)
        posterior = decode(loglik, scheme=SCHEME, tops=(0,), mirror=False)
        top = state.facelets()[0] == 0
        corners = [top[-1, -1], top[-1, 0], top[0, 0], top[0, -1]]
        edges = [top[-1, 1], top[1, -1], top[0, 1], top[1, 0]]
        assert list(posterior.lying) == [code for code, _ in posterior.candidates]
        for code, (twist, flip) in posterior.lying.items():
            assert [t == 0 for t in twist] == corners and [f == 0 for f in flip] == edges
            case, angle = case_of(LastLayer(size, (0, 1, 2, 3), twist, (0, 1, 2, 3), flip))
            assert case.code == code
            turned += angle % 4 != 0
    assert turned


@pytest.mark.parametrize("size", [2, 3, 4])
def test_the_best_candidate_lies_as_the_state_does_in_a_mirror_image_too(size: int) -> None:
    state = LastLayer.after("F R U R' U' F' U R U R' U R U2 R'", size)
    swapped = np.array(SCHEME)[[0, 4, 2, 3, 1, 5]]
    true = swapped[state.mirrored().facelets()]
    loglik = np.where(np.arange(6) == true[..., None], 0.0, -20.0)
    posterior = decode(loglik, scheme=SCHEME, mirror=True)
    assert posterior.mirrored
    assert posterior.lying[posterior.code] == (posterior.state.twist, posterior.state.flip)
