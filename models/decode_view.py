"""Which side to show next: how much a look at each would tell.

Functions over a `models.decode.Posterior`; all log values are in nats.
"""

from __future__ import annotations

from functools import lru_cache
from typing import Final

import numpy as np

from models.cube import frozen
from models.decode import FloatArray, Posterior, Scored, case_table
from models.decode_permutation import arrangements
from models.decode_tables import CORNERS_SHOW, EDGES_SHOW
from models.layer_tables import CORNER_HOMES, EDGE_HOMES
from models.permutation import PERMUTATION_CASES

LEAST_GAIN: Final = 0.05
"""Nats that a look must promise, to be asked for."""
LEAST_SHARE: Final = 1e-3
"""Colourings with a smaller share of the posterior are left out."""
_VIEWS = (("front", 2), ("right", 1), ("back", 5), ("left", 4))
_MIRRORED_VIEW = {"front": "front", "right": "left", "back": "back", "left": "right"}


def _side_slots(face: int) -> tuple[list[tuple[int, int]], list[tuple[int, int]]]:
    """(slot, sticker) of the corner and edge stickers in the top row of a side face."""
    corners = [(i, faces.index(face)) for i, faces in enumerate(CORNER_HOMES) if face in faces]
    edges = [(i, faces.index(face)) for i, faces in enumerate(EDGE_HOMES) if face in faces]
    return corners, edges


def _entropy(weights: FloatArray) -> float:
    p = weights[weights > 0]
    return float(-(p * np.log(p)).sum())


def case_information(posterior: Posterior) -> dict[str, float]:
    """Expected information about the case, in nats, of one clear look at each side face.

    Exact for the mixture of all colourings with at least LEAST_SHARE of the posterior: for each
    side, the joint distribution of its top row's colours, its own colour and the case is summed over
    all states. Sides named for the real cube: front is F of ``posterior.state``.
    """
    size = posterior.size
    codes, _, _ = case_table(size)
    total: dict[str, FloatArray] = {name: np.zeros((6**4, len(codes))) for name, _ in _VIEWS}
    for s, h, share in posterior.kept:
        if share < LEAST_SHARE:
            break
        mirrored = bool(s.tables.mirrored[h])
        is_case = _is_case(size, mirrored)
        for name, face in _VIEWS:
            label = _MIRRORED_VIEW[name] if mirrored else name
            block = 216 * int(s.tables.colours[h, face])
            total[label][block : block + 216] += share * _view_joint(s, h, face, is_case)
    return {name: _information(joint) for name, joint in total.items()}


@lru_cache(maxsize=16)
def _is_case(size: int, mirrored: bool) -> FloatArray:
    """(27, F, codes): 1 where a twist and a flip vector make a case, as seen or mirrored, else 0."""
    codes, *index = case_table(size)
    return frozen((index[int(mirrored)][..., None] == np.arange(len(codes))).astype(np.float64))


def _information(joint: FloatArray) -> float:
    """Mutual information of rows and columns, nats, of weights (R, C) that need not sum to 1."""
    joint = joint / joint.sum()
    return _entropy(joint.sum(axis=0)) + _entropy(joint.sum(axis=1)) - _entropy(joint.ravel())


def _view_joint(s: Scored, h: int, face: int, is_case: FloatArray) -> FloatArray:
    """Joint (6**3 looks of the top row, codes) of what side ``face`` shows and the case, under one colouring.

    ``is_case`` (27, F, codes) as :func:`_is_case` has it.
    """
    colours = s.tables.colours[h]
    corner_slots, edge_slots = _side_slots(face)
    (first, second) = (colours[CORNERS_SHOW[:, :, slot, place]] for slot, place in corner_slots)
    corner_look = first * 6 + second
    corner = np.zeros((2, 36, 27))
    for parity in range(2):
        rows = slice(12 * parity, 12 * parity + 12)
        np.add.at(corner[parity], (corner_look[rows], np.arange(27)[None, :]), s.corners[h, parity])
    flips = s.edges.shape[3]
    groups = s.edges.shape[1]
    edge = np.zeros((groups, 6, flips))
    if s.tables.size == 2:
        edge[0, 0, 0] = 1.0
    else:
        slot, side = edge_slots[0]
        look = colours[EDGES_SHOW[:, :flips, slot, side]]
        for parity in range(2):
            rows = slice(12 * parity, 12 * parity + 12)
            np.add.at(edge[parity], (look[rows], np.arange(flips)[None, :]), s.edges[h, parity])
    coupled = (s.parity[h] @ edge.reshape(groups, -1)).reshape(12, flips)  # corner parity and look by flip
    by_case = (coupled @ is_case).reshape(27, 2, -1).swapaxes(0, 1)  # corner parity, twist, look by case
    joint: FloatArray = (corner @ by_case).sum(axis=0)
    return joint.reshape(216, -1)


def next_view(posterior: Posterior) -> str | None:
    """The side ("front", "right", "back", "left") whose view tells most about the case.

    None when no side promises LEAST_GAIN nats, which is so when the case is settled already.
    """
    return _best_view(case_information(posterior))


def _best_view(gains: dict[str, float]) -> str | None:
    best = max(gains, key=lambda name: gains[name])
    return best if gains[best] >= LEAST_GAIN else None


def permutation_view(posterior: Posterior) -> str | None:
    """The side (as in `next_view`) whose view tells most about the permutation class of an oriented state.

    None when no side promises LEAST_GAIN nats. Raises ValueError for a state that is not oriented.
    """
    if not posterior.state.is_oriented:
        raise ValueError("what is left of a state that is not oriented depends on the sequence")
    twist, flip = posterior.orientation_index
    total = {name: np.zeros((6**4, len(PERMUTATION_CASES))) for name, _ in _VIEWS}
    for one in arrangements(posterior):
        tables, h = one.scored.tables, one.hypothesis
        colours = tables.colours[h]
        for name, face in _VIEWS:
            label = _MIRRORED_VIEW[name] if tables.mirrored[h] else name
            corner_slots, edge_slots = _side_slots(face)
            look = np.full(len(one.corners), colours[face], np.intp)
            for slot, place in corner_slots:
                look = look * 6 + colours[CORNERS_SHOW[one.corners, twist, slot, place]]
            if posterior.size > 2:
                slot, side = edge_slots[0]
                look = look * 6 + colours[EDGES_SHOW[one.edges, flip, slot, side]]
            np.add.at(total[label], (look, one.classes), one.weight)
    return _best_view({name: _information(joint) for name, joint in total.items()})
