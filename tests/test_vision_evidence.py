"""What the frames of a live picture add up to: a look that lasts is one look, a rim is worth a little."""

from __future__ import annotations

import numpy as np
import pytest

from models.cases import case_of
from models.layer import LastLayer
from vision.evidence import Evidence, Verdict

SCHEME = (4, 2, 0, 5, 3, 1)
STATE = LastLayer(4, (2, 0, 1, 3), (0, 1, 0, 2), (1, 0, 2, 3), (0, 0, 1, 0))
COLOURS = np.array(SCHEME)[STATE.facelets().astype(int)]


def word(faces: tuple[int, ...], nats: float) -> np.ndarray:
    """Log-likelihoods of a cube read without a mistake on ``faces``, each sticker surer by ``nats``."""
    loglik = np.zeros((6, 4, 4, 6))
    for face in faces:
        loglik[face] = np.where(np.arange(6) == COLOURS[face][..., None], 0.0, -nats)
    return loglik


def held(loglik: np.ndarray, faces: tuple[int, ...], frames: int) -> tuple[Evidence, Verdict]:
    """So many frames of one look, of which ``faces`` have pixels."""
    coverage = np.zeros((6, 4, 4))
    coverage[list(faces)] = 1.0
    evidence = Evidence(4, SCHEME)
    for _ in range(frames):
        evidence.add(loglik, coverage)
    verdict = evidence.verdict((0,), 2)
    assert verdict is not None
    return evidence, verdict


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
