"""Which side to show next: how much a look at each would tell.

Functions over a `models.posterior.Posterior`; all log values are in nats.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import numpy as np

from models.cube import frozen
from models.decode_permutation import arrangements
from models.decode_scores import FloatArray
from models.decode_tables import CORNERS_SHOW, EDGES_SHOW, IntArray
from models.layer_tables import CORNER_HOMES, EDGE_HOMES
from models.permutation import PERMUTATION_CASES
from models.posterior import Posterior, case_table

LEAST_GAIN: Final = 0.05
"""Nats that a look must promise, to be asked for."""
LEAST_SHARE: Final = 1e-3
"""Colourings with a smaller share of the posterior are left out."""
_VIEWS = (("front", 2), ("right", 1), ("back", 5), ("left", 4))
_PLACE_VALUES = frozen(np.array([216, 36, 6, 1]))
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
    for (s, h, share), states in zip(posterior.kept, posterior.states, strict=True):
        if share < LEAST_SHARE:
            break
        mirrored = bool(s.tables.mirrored[h])
        colours = s.tables.colours[h]
        for name, face in _VIEWS:
            label = _MIRRORED_VIEW[name] if mirrored else name
            looks = _looks(size, face)
            shown = (colours[looks.faces] * _PLACE_VALUES[: looks.faces.shape[1]]).sum(axis=1)
            total[label][shown] += _view_joint(looks, *states, share * s.parity[h], _is_case(size, mirrored))
    return {name: _information(joint) for name, joint in total.items()}


@lru_cache(maxsize=16)
def _is_case(size: int, mirrored: bool) -> FloatArray:
    """(F, 27, codes): 1 where a flip and a twist vector make a case, as seen or mirrored, else 0."""
    codes, *index = case_table(size)
    return frozen((index[int(mirrored)].T[..., None] == np.arange(len(codes))).astype(np.float64))


@dataclass(frozen=True, eq=False)
class _Looks:
    """What a side may show besides its own colour: two corners in C ways, and an edge in E ways.

    ``counts`` C and E; ``corners`` (648,) and ``edges`` (24 F,) say in which group each state falls: of its
    look, then its parity, then its twist vector, and of its parity, then its look, then its flip vector.
    ``faces`` (C E, 4) are the home faces of the side itself and of the three stickers in each look, (C, 3) on
    a 2x2x2.
    """

    counts: tuple[int, int]
    corners: IntArray
    edges: IntArray
    faces: IntArray


@lru_cache(maxsize=32)
def _looks(size: int, face: int) -> _Looks:
    """Of side ``face`` of a cube of ``size`` layers."""
    corner_slots, edge_slots = _side_slots(face)
    first, second = (CORNERS_SHOW[:, :, slot, place] for slot, place in corner_slots)
    pairs, corner_look = np.unique(6 * first + second, return_inverse=True)
    parity = np.arange(24)[:, None] // 12
    corners = (2 * corner_look.reshape(24, 27) + parity) * 27 + np.arange(27)
    faces = [[face, *divmod(pair, 6)] for pair in pairs.tolist()]
    sides, edges = np.zeros(1, np.intp), np.zeros(1, np.intp)
    if size > 2:
        slot, side = edge_slots[0]
        flips = 8 if size % 2 else 16
        sides, edge_look = np.unique(EDGES_SHOW[:, :flips, slot, side], return_inverse=True)
        edges = (len(sides) * parity + edge_look.reshape(24, flips)) * flips + np.arange(flips)
        faces = [[*look, side] for look in faces for side in sides.tolist()]
    parts = (frozen(np.array(part, np.intp)) for part in (corners.ravel(), edges.ravel(), faces))
    return _Looks((len(pairs), len(sides)), *parts)


def _information(joint: FloatArray) -> float:
    """Mutual information of rows and columns, nats, of weights (R, C) that need not sum to 1."""
    joint = joint / joint.sum()
    return _entropy(joint.sum(axis=0)) + _entropy(joint.sum(axis=1)) - _entropy(joint.ravel())


def _view_joint(
    looks: _Looks, corners: FloatArray, edges: FloatArray, parity: FloatArray, is_case: FloatArray
) -> FloatArray:
    """Joint (C E, codes) of the looks of a side's top row and the case, under one colouring.

    ``corners`` (2, 12, 27), ``edges`` and ``parity`` as :class:`models.decode_scores.Scored` has them, the
    latter times any weight, ``is_case`` (F, 27, codes) as :func:`_is_case` has it.
    """
    flips, twists, codes = is_case.shape
    pairs, sides = looks.counts
    corner = np.bincount(looks.corners, corners.ravel(), pairs * 2 * twists).reshape(pairs, 2 * twists)
    edge = np.bincount(looks.edges, edges.ravel(), len(edges) * sides * flips).reshape(len(edges), -1)
    coupled = (parity @ edge).reshape(2 * sides, flips)  # corner parity and look, by flip
    by_case = (coupled @ is_case.reshape(flips, -1)).reshape(2, sides, twists, codes).swapaxes(1, 2)
    return np.asarray((corner @ by_case.reshape(2 * twists, -1)).reshape(-1, codes))


def next_view(posterior: Posterior) -> str | None:
    """The side ("front", "right", "back", "left") whose view tells most about the case.

    None when no side promises LEAST_GAIN nats, which is so when the case is settled already.
    """
    return _best_view(case_information(posterior))


def _best_view(gains: dict[str, float]) -> str | None:
    best = max(gains, key=lambda name: round(gains[name], 9))  # of sides that tell the same the first
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
