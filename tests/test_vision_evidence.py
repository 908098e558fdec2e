"""What the frames of a live picture add up to: each look counts, and one that lasts counts once."""

from __future__ import annotations

import numpy as np
import pytest

from models.cases import case_of
from models.layer import LastLayer
from vision.evidence import Evidence, Verdict

SCHEME = (4, 2, 0, 5, 3, 1)
STATE = LastLayer(4, (2, 0, 1, 3), (0, 1, 0, 2), (1, 0, 2, 3), (0, 0, 1, 0))
COLOURS = np.array(SCHEME)[STATE.facelets().astype(int)]


def exact(state: LastLayer, scheme: tuple[int, ...], seen: tuple[int, ...], sure: float = 8.0) -> np.ndarray:
    """Log-likelihoods of a cube read without a mistake on the faces ``seen``."""
    colours = np.array(scheme)[state.facelets().astype(int)]
    loglik = np.zeros((6, state.size, state.size, 6))
    for face in seen:
        loglik[face] = np.where(np.arange(6) == colours[face][..., None], 0.0, -sure)
    return loglik


def covered(*faces: int) -> np.ndarray:
    out = np.zeros((6, 4, 4))
    out[list(faces)] = 1.0
    return out


def word(faces: tuple[int, ...], nats: float) -> np.ndarray:
    """STATE read without a mistake on ``faces``, each sticker surer by ``nats``."""
    return exact(STATE, SCHEME, faces, nats)


def held(loglik: np.ndarray, faces: tuple[int, ...], frames: int) -> tuple[Evidence, Verdict]:
    """So many frames of one look, of which ``faces`` have pixels."""
    evidence = Evidence(4, SCHEME)
    for _ in range(frames):
        evidence.add(loglik, covered(*faces))
    verdict = evidence.verdict((0,), 2)
    assert verdict is not None
    return evidence, verdict


def test_a_side_seen_before_still_counts_after_it_turned_away() -> None:
    """Top and right show, then top and front: together they say more than the last look alone."""
    both, last = Evidence(4, SCHEME), Evidence(4, SCHEME)
    for _ in range(4):
        both.add(exact(STATE, SCHEME, (0, 1)), covered(0, 1))
    for evidence in (both, last):
        for _ in range(4):
            evidence.add(exact(STATE, SCHEME, (0, 2)), covered(0, 2))
    tops = (0,)
    sum_of_both, alone = both.verdict(tops, 2), last.verdict(tops, 2)
    assert sum_of_both is not None and alone is not None
    assert sum_of_both.case == case_of(STATE)[0].code
    assert (
        sum_of_both.posterior.case_probabilities[sum_of_both.case]
        >= (alone.posterior.case_probabilities[sum_of_both.case])
    )
    assert both.seen[1].all() and not last.seen[1].any()


def test_frames_of_one_look_do_not_add_up_without_end() -> None:
    evidence = Evidence(4, SCHEME)
    sizes = []
    for _ in range(60):
        evidence.add(exact(STATE, SCHEME, (0, 2), sure=1.0), covered(0, 2))
        sizes.append(float(np.abs(evidence.loglik).max()))
    assert sizes[-1] < 2.5 * sizes[0] and sizes[-1] == pytest.approx(sizes[20], rel=0.05)


def test_a_changed_cube_is_noticed_and_never_shown_as_the_old_one() -> None:
    other = LastLayer(4, (0, 1, 2, 3), (0, 0, 1, 2), (0, 1, 2, 3), (0, 0, 1, 1))
    evidence = Evidence(4, SCHEME)
    for _ in range(6):
        evidence.add(exact(STATE, SCHEME, (0, 1, 2)), covered(0, 1, 2))
        verdict = evidence.verdict((0,), 2)
    assert verdict is not None and verdict.settled and verdict.case == case_of(STATE)[0].code
    for _ in range(8):
        evidence.add(exact(other, SCHEME, (0, 1, 2)), covered(0, 1, 2))
        verdict = evidence.verdict((0,), 2)
    assert verdict is not None and verdict.settled and verdict.case == case_of(other)[0].code


def test_what_is_no_last_layer_never_settles() -> None:
    rng = np.random.default_rng(3)
    for _ in range(5):
        colours = rng.integers(0, 6, (6, 4, 4))
        loglik = np.where(np.arange(6) == colours[..., None], 0.0, -8.0)
        evidence = Evidence(4, SCHEME)
        for _ in range(6):
            evidence.add(loglik, covered(0, 1, 2))
            verdict = evidence.verdict((0, 1, 2), 2)
            assert verdict is not None and not verdict.settled and verdict.reason == "not-last-layer"


@pytest.mark.parametrize("n", [2, 3, 4, 5])
def test_from_straight_above_a_last_layer_is_not_called_none(n: int) -> None:
    """With no side in view a row below the top is neither right nor wrong, so it speaks against nothing, and
    a top of one colour settles."""
    rng = np.random.default_rng(n)
    top = np.zeros((6, n, n))
    top[0] = 1.0
    one_colour = np.full((n, n), SCHEME[0])
    two_twisted = one_colour.copy()
    two_twisted[0, 0], two_twisted[0, -1] = SCHEME[5], SCHEME[4]
    for _ in range(12):
        sure = rng.uniform(3.0, 8.0, (n, n, 1))
        for colours in (one_colour, two_twisted):
            loglik = np.zeros((6, n, n, 6))
            loglik[0] = np.where(np.arange(6) == colours[..., None], sure, 0.0)
            evidence = Evidence(n, SCHEME)
            for _ in range(4):
                evidence.add(loglik, top)
                verdict = evidence.verdict((0,), 2)
            assert verdict is not None and verdict.reason != "not-last-layer"
            assert verdict.settled or colours is two_twisted


def test_what_fits_a_little_worse_than_something_else_is_doubted_not_refused() -> None:
    """One sticker of a lower row that says otherwise, as a finger or a glare makes it, keeps a watch from
    settling; that the cube is not at its last layer is told where much speaks for it."""
    reasons = []
    for nats in (0.0, 6.0, 40.0):
        loglik = exact(STATE, SCHEME, (0, 1, 2))
        other = (SCHEME[2] + 1) % 6
        loglik[2, 3, 1] = 0.0
        loglik[2, 3, 1, other] = nats
        evidence = Evidence(4, SCHEME)
        for _ in range(6):
            evidence.add(loglik, covered(0, 1, 2))
            verdict = evidence.verdict((0,), 2)
        assert verdict is not None and verdict.settled is (nats == 0.0)
        reasons.append(verdict.reason)
    assert reasons == [None, "ambiguous", "not-last-layer"]


@pytest.mark.parametrize("at", [(0, 1, 2), (0, 2, 1), (2, 3, 1), (1, 2, 0)])
def test_a_look_is_refused_no_sooner_for_being_held(at: tuple[int, int, int]) -> None:
    """One sticker that looks otherwise, more or less: glare that stays on it is seen once, however long."""
    refused = []
    for nats in np.arange(0.0, 16.0, 0.5):
        loglik = word((0, 1, 2), 8.0)
        loglik[at] = 0.0
        loglik[(*at, (COLOURS[at] + 1) % 6)] = nats
        reasons = [held(loglik, (0, 1, 2), frames)[1].reason for frames in (1, 8, 30)]
        refused.append([reason == "not-last-layer" for reason in reasons])
    assert all(row == [row[0]] * 3 for row in refused)
    assert not refused[0][0] and refused[-1][0]


def test_a_rim_speaks_in_a_watch_as_well() -> None:
    """Of the sides in view several cases are left; a word on a side out of view tells which, frame by frame
    a little more, and does not make it a side that was seen."""
    top_alone = word((0,), 8.0)
    without = held(top_alone, (0,), 20)[1]
    told = top_alone.copy()
    for face in (1, 2, 4, 5):
        told[face, 0] = word((face,), 5.0)[face, 0]
    right = case_of(STATE)[0].code
    before = without.posterior.case_probabilities[right]
    assert before < 0.9
    shares = []
    for frames in (1, 6, 20):
        evidence, verdict = held(told, (0,), frames)
        shares.append(verdict.posterior.case_probabilities[right])
        assert not evidence.seen[1:].any() and evidence.seen[0].all()
    assert before < shares[0] < shares[1] < shares[2]
    assert shares[2] > 0.99


def test_one_frame_of_a_rim_is_not_believed() -> None:
    """What a single frame makes of a rim counts for less than the same word of a sticker that was seen."""
    told = word((0,), 8.0)
    for face in (1, 2, 4, 5):
        told[face, 0] = word((face,), 3.0)[face, 0]
    right = case_of(STATE)[0].code
    rim = held(told, (0,), 1)[1].posterior.case_probabilities[right]
    seen = held(told, (0, 1, 2, 4, 5), 1)[1].posterior.case_probabilities[right]
    assert rim < 0.9 < seen
