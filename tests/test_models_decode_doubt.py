"""What is said in doubt: the view that tells most, and the part of the cube that does not fit."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from models.cases import CASE_LIST, case_index_of
from models.cube import moves_permutation, rotation_permutations
from models.decode import decode
from models.decode_doubt import alternatives, is_doubted, misfits
from models.decode_permutation import permutation_candidates, permutation_posterior
from models.decode_view import case_information, next_view, permutation_view
from models.layer import LastLayer
from models.layer_tables import corner_positions, corner_stickers
from models.permutation import PERMUTATION_CASES, permutation_codes_for

SCHEME = (0, 2, 5, 1, 3, 4)
SIDES = {"front": 2, "right": 1, "back": 5, "left": 4}
Array = NDArray[np.float64]


def picture(faces: NDArray[np.integer], wrong: float = 8.0) -> Array:
    """Log-likelihoods of clearly read stickers; ``faces`` (6, n, n) home faces."""
    true = np.array(SCHEME)[faces]
    return np.where(true[..., None] == np.arange(6), 0.0, -wrong)


def hide(loglik: Array, *faces: int) -> Array:
    out = loglik.copy()
    out[list(faces)] = 0.0
    return out


def entropy(weights: Array) -> float:
    p = weights[weights > 0] / weights.sum()
    return float(-(p * np.log(p)).sum())


def test_the_expected_information_is_that_of_plain_enumeration() -> None:
    """2x2x2, the bottom known, random evidence on top: look at each side in all 648 states and count."""
    loglik = np.zeros((6, 2, 2, 6))
    loglik[0] = np.random.default_rng(3).normal(scale=1.5, size=(2, 2, 6))
    loglik[1:3, 1] = loglik[4:, 1] = 0.0
    for face in (1, 2, 3, 4, 5):
        rows = (1,) if face != 3 else (0, 1)
        for row in rows:
            loglik[face, row] = -300.0 * (np.arange(6) != SCHEME[face])
    posterior = decode(loglik, scheme=SCHEME, mirror=False)
    shown = corner_stickers()  # (648, slot, sticker) home faces
    flat = loglik.reshape(-1, 6)[:, SCHEME]
    scores = flat[corner_positions(2)[None], shown].sum(axis=(1, 2))
    weights = np.exp(scores - scores.max())
    weights /= weights.sum()
    cases = case_index_of(np.arange(648) % 27)
    found = case_information(posterior)
    for name, face in SIDES.items():
        slots = [(s, k) for s in range(4) for k in range(3) if corner_positions(2)[s, k] // 4 == face]
        looks = shown[:, [s for s, _ in slots], [k for _, k in slots]] @ np.array([6, 1])
        joint = np.zeros((36, len(CASE_LIST)))
        np.add.at(joint, (looks, cases), weights)
        expected = entropy(joint.sum(axis=0)) + entropy(joint.sum(axis=1)) - entropy(joint.ravel())
        assert found[name] == pytest.approx(expected, abs=1e-9)


def test_the_expected_information_is_that_of_plain_enumeration_of_all_colourings() -> None:
    """2x2x2, nothing but the top seen, which may be of any colour: 24 ways to hold the cube in 648 states."""
    loglik = np.zeros((6, 2, 2, 6))
    loglik[0] = np.random.default_rng(5).normal(scale=2.5, size=(2, 2, 6))
    shown = corner_stickers()
    cases = case_index_of(np.arange(648) % 27)
    held = [tuple(SCHEME[face] for face in row) for row in (rotation_permutations(2)[:, ::4] // 4).tolist()]
    colours = np.array(held)[:, shown]  # (24, 648, slot, sticker)
    weights = np.exp(loglik.reshape(-1, 6)[corner_positions(2), colours].sum(axis=(2, 3)))
    found = case_information(decode(loglik, scheme=SCHEME, mirror=False))
    for name, face in SIDES.items():
        slots = [(s, k) for s in range(4) for k in range(3) if corner_positions(2)[s, k] // 4 == face]
        looks = colours[:, :, [s for s, _ in slots], [k for _, k in slots]] @ np.array([6, 1])
        looks += 36 * np.array(held)[:, face, None]
        joint = np.zeros((216, len(CASE_LIST)))
        np.add.at(joint, (looks, cases[None, :]), weights)
        expected = entropy(joint.sum(axis=0)) + entropy(joint.sum(axis=1)) - entropy(joint.ravel())
        assert found[name] == pytest.approx(expected, abs=0.01)  # unlikely colourings are left out


def test_the_named_view_settles_the_doubt() -> None:
    """With only the top in view several cases often fit; the side that is named makes one of them surer."""
    rng = np.random.default_rng(0)
    doubted = settled = 0
    for _ in range(40):
        state = LastLayer.from_indices(4, int(rng.integers(648)), int(rng.integers(384)))
        whole = picture(state.facelets())
        posterior = decode(hide(whole, 1, 2, 3, 4, 5), scheme=SCHEME, mirror=False)
        side = next_view(posterior)
        if posterior.probability > 0.98:
            assert side is None
            continue
        assert side is not None
        more = decode(hide(whole, *({1, 2, 3, 4, 5} - {SIDES[side]})), scheme=SCHEME, mirror=False)
        doubted += 1
        settled += more.probability > 0.98
        assert next_view(more) != side, "what is in view already is not asked for again"
    assert doubted > 5 and settled > doubted / 2


@pytest.mark.parametrize("in_view", ["front", "right"])
def test_in_a_mirror_the_named_side_is_the_real_one(in_view: str) -> None:
    """What the top and one side leave open; of that side itself there is nothing more to be had."""
    rng = np.random.default_rng(4)
    tried = 0
    while tried < 5:
        state = LastLayer.from_indices(4, int(rng.integers(648)), int(rng.integers(384)))
        whole = picture(state.facelets(), wrong=30.0)
        view = hide(whole, *({1, 2, 3, 4, 5} - {SIDES[in_view]}))
        if decode(view, scheme=SCHEME, mirror=False).probability > 0.9:
            continue
        in_mirror = view[[0, 4, 2, 3, 1, 5]][:, :, ::-1].copy()
        straight = case_information(decode(view, scheme=SCHEME, mirror_prior=1e-2))
        mirrored = case_information(decode(in_mirror, scheme=SCHEME, mirror_prior=1 - 1e-2))
        for name in SIDES:
            assert mirrored[name] == pytest.approx(straight[name], abs=1e-6)
        assert straight[in_view] < 0.02 and max(straight.values()) > 0.1  # it may be a mirror image, 1 to 99
        tried += 1


@pytest.mark.parametrize("size", [2, 3, 4])
def test_the_view_named_for_a_permutation_settles_it(size: int) -> None:
    """Oriented states, clearly seen but for some sides: what stays open is told by the side that is named."""
    rng = np.random.default_rng(size)
    asked = 0
    for hidden in ((1, 4, 5), (4, 5), (1, 5)):
        for _ in range(8):
            code = str(rng.choice(permutation_codes_for(size)[1:]))
            state = PERMUTATION_CASES[code].state(size).turned(int(rng.integers(4)))
            whole = picture(state.facelets(), wrong=20.0)
            posterior = decode(hide(whole, 3, *hidden), scheme=SCHEME, mirror=False)
            assert posterior.state.is_oriented
            side = permutation_view(posterior)
            told = permutation_posterior(posterior)
            if told is not None and told[1] > 0.99:
                assert side is None
                continue
            assert told is None and side is not None and SIDES[side] in hidden
            more = decode(hide(whole, 3, *set(hidden) - {SIDES[side]}), scheme=SCHEME, mirror=False)
            assert permutation_candidates(more)[0][1] > permutation_candidates(posterior)[0][1]
            asked += 1
            if len(hidden) == 2:
                assert permutation_candidates(more)[0][1] > 0.99
    assert asked > 3


def test_in_a_mirror_the_side_that_tells_the_permutation_is_the_real_one() -> None:
    """Front and right of the real cube in view: its back or left tells, in a mirror as without one."""
    state = LastLayer.from_indices(4, 0, 0).then(LastLayer.after("R U R' U' R' F R2 U' R' U' R U R' F'", 4))
    view = hide(picture(state.facelets(), wrong=30.0), 3, 4, 5)
    in_mirror = view[[0, 4, 2, 3, 1, 5]][:, :, ::-1].copy()
    straight = permutation_view(decode(view, scheme=SCHEME))
    assert straight in ("back", "left")
    assert permutation_view(decode(in_mirror, scheme=SCHEME, mirror_prior=1 - 1e-2)) == straight


def faces_after(moves: str, size: int) -> NDArray[np.int64]:
    home = np.repeat(np.arange(6), size * size)
    return home[moves_permutation(moves, size)].reshape(6, size, size)


def test_a_last_layer_has_nothing_that_misfits() -> None:
    for corner, edge in ((0, 0), (100, 77), (640, 300)):
        loglik = hide(picture(LastLayer.from_indices(4, corner, edge).facelets()), 3, 4, 5)
        posterior = decode(loglik, scheme=SCHEME)
        assert misfits(posterior) == ()
        other = alternatives(posterior)
        assert max(other.values()) <= posterior.log_evidence + 1e-9


def test_a_split_pair_is_named() -> None:
    faces = LastLayer.solved(4).facelets().astype(np.int64)
    # one wing of the front edge and one of the right edge change places
    faces[2, 0, 1], faces[1, 0, 2] = 1, 2
    posterior = decode(hide(picture(faces), 3, 4, 5), scheme=SCHEME)
    assert alternatives(posterior)["split"] > posterior.log_evidence
    assert {m.where for m in misfits(posterior) if m.kind == "pair"} == {"UF", "UR"}


def test_a_lower_row_that_is_not_one_colour_is_named() -> None:
    faces = LastLayer.from_indices(4, 321, 123).facelets().astype(np.int64)
    faces[2, 2] = [2, 1, 4, 2]
    posterior = decode(hide(picture(faces), 3, 4, 5), scheme=SCHEME)
    worst = misfits(posterior)[0]
    assert (worst.kind, worst.where) == ("row", "F row 3")
    assert alternatives(posterior)["row"] > posterior.log_evidence


def test_the_strict_doubt_comes_first_and_both_come_with_evidence() -> None:
    """An odd row, read ever more clearly: at first no doubt, then the strict one, then the other as well."""
    faces = LastLayer.from_indices(4, 321, 123).facelets().astype(np.int64)
    faces[2, 2] = [2, 1, 4, 2]
    doubts = []
    for share in np.linspace(0.0, 1.0, 21):
        loglik = hide(picture(faces), 3, 4, 5)
        loglik[2, 2] *= share
        posterior = decode(loglik, scheme=SCHEME)
        doubts.append(is_doubted(posterior, strict=True) + 2 * is_doubted(posterior))
    assert set(doubts) == {0, 1, 3} and doubts == sorted(doubts)


def test_a_scramble_is_no_last_layer() -> None:
    for moves in ("R U F D2 B L' U R2 F", "Rw U2 F Lw D B2 Uw R F'", "F R' B2 D L U' F2 R D"):
        posterior = decode(hide(picture(faces_after(moves, 4)), 3, 4, 5), scheme=SCHEME)
        other = alternatives(posterior)
        assert max(other["any"], other["scrambled"]) > posterior.log_evidence + 5
        told = [misfit.nats for misfit in misfits(posterior)]
        assert len(set(told)) > 1 and told == sorted(told, reverse=True)


def test_a_slot_that_is_not_solved_is_noticed() -> None:
    """R U R' takes the pair out of the slot in front on the right."""
    posterior = decode(hide(picture(faces_after("R U R'", 4)), 3, 4, 5), scheme=SCHEME)
    other = alternatives(posterior)
    assert other["slot"] > posterior.log_evidence + 5


@pytest.mark.parametrize("size", [2, 3, 4, 5])
@pytest.mark.parametrize("moves", ["R U R'", "F' U' F", "L' U2 L", "B U' B'", "R U R' U2 R U' R'"])
def test_an_unsolved_slot_is_the_best_explanation_of_itself(size: int, moves: str) -> None:
    """Each sequence takes one slot's pieces out from a solved cube, and nothing else below."""
    other = {}
    for hidden in ((3, 4, 5), (3, 1, 5), (3, 4, 2), (3, 1, 2)):
        posterior = decode(hide(picture(faces_after(moves, size)), *hidden), scheme=SCHEME)
        seen = alternatives(posterior)
        other[hidden] = (
            seen.pop("slot") - posterior.log_evidence,
            max(seen.values()) - posterior.log_evidence,
        )
    # from the side where the slot can be seen
    slot, rest = max(other.values())
    assert slot > 5 and (slot > rest or size == 2)  # a 2x2x2 has no edge there, and little below


def test_a_last_layer_is_likelier_than_an_unsolved_slot() -> None:
    for index in (0, 5, 77, 380):
        loglik = hide(picture(LastLayer.from_indices(4, index, index).facelets()), 3, 4, 5)
        posterior = decode(loglik, scheme=SCHEME)
        assert alternatives(posterior)["slot"] < posterior.log_evidence


def test_a_mirror_image_is_doubted_no_more_than_the_cube_itself() -> None:
    """A 2x2x2 with one sticker misread, as it is and in a mirror: what lies below is the same."""
    rng = np.random.default_rng(1)
    taken = doubted = 0
    for _ in range(60):
        whole = picture(LastLayer.from_indices(2, int(rng.integers(648))).facelets(), wrong=6.0)
        misread = int(rng.choice([0, 1, 2])), 0, int(rng.integers(2))
        whole[misread] = np.roll(whole[misread], int(rng.integers(1, 6)))
        straight = hide(whole, 3, 4, 5)
        in_mirror = straight[[0, 4, 2, 3, 1, 5]][:, :, ::-1].copy()
        one, other = decode(straight, scheme=SCHEME), decode(in_mirror, scheme=SCHEME)
        if one.mirrored or not other.mirrored:
            continue
        assert is_doubted(one) == is_doubted(other)
        taken += 1
        doubted += is_doubted(one)
    assert taken > 30 and 0 < doubted < taken / 2


def test_centres_that_are_mixed_are_named() -> None:
    faces = LastLayer.from_indices(4, 10, 20).facelets().astype(np.int64)
    faces[0, 1, 1] = 2
    posterior = decode(hide(picture(faces, wrong=12.0), 3, 4, 5), scheme=SCHEME)
    assert misfits(posterior)[0].kind == "centres"
    assert alternatives(posterior)["centres"] > posterior.log_evidence
