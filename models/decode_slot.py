"""The picture's evidence for a cube with one slot below the last layer left unsolved.

A slot is the corner and the edge between two neighbouring sides below the last layer. Of the two, either is
solved, lies in its slot the wrong way round, or has changed places with a last-layer piece, each way alike;
both solved is the last layer itself and left out. All log values are in nats.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from itertools import product
from typing import Final

import numpy as np

from models.cube import frozen
from models.decode_scores import FloatArray, Scored, edge_states, log_sum, log_sums
from models.decode_tables import (
    CORNER_STATES,
    IntArray,
    StateTable,
)
from models.layer_tables import CORNER_HOMES, EDGE_HOMES, corner_positions, edge_positions

SLOT_CORNERS: Final = tuple((3, b, a) for _, a, b in CORNER_HOMES)
"""Faces of the corner below each last-layer corner, clockwise from outside, the bottom first."""
FAR_NATS: Final = 25.0
"""A colouring is left out where another explains what lies below the last layer better by so much."""
SOLVED, TURNED, CHANGED = 0.25, 0.25, 0.5
"""Shares of the ways in which one piece of an unsolved slot lies (common practice, no source)."""


def slot_evidence(s: Scored, stickers: FloatArray) -> float:
    """log p of the stickers (6 n n, 6), in the frame of ``s``, with one slot unsolved, any of the four."""
    n = s.tables.size
    base = s.log_prior + s.log_fixed
    likely = base > base.max() - FAR_NATS
    base, colours = base[likely], s.tables.colours[likely]
    corner_scores, edge_scores = s.corner_scores[..., likely], s.edge_scores[..., likely]
    corners = log_sum(s.log_corners[likely]) - np.log(648)
    edges = np.zeros(len(colours))
    if n > 2:
        edges = log_sum(s.log_edges[likely]) - np.log(len(edge_states(n).first))
    corner_ways = _ways(stickers, colours, *_corner_looks(n))
    corners_left = _without_one(corner_scores, CORNER_STATES)
    corner_out = log_sum(corners_left[:, None, :] + corner_ways.guest) - np.log(4)
    corner = [
        np.repeat(corners[:, None], 4, axis=1),
        corners[:, None] + corner_ways.turned,
        corner_out + corner_ways.host,
    ]
    if n == 2:
        shares = np.log(np.array([TURNED, CHANGED]) / (1 - SOLVED))
        found = log_sum(np.array(corner[1:]) + shares[:, None, None], axis=0)
        return float(log_sum((base[:, None] + found).ravel()) - np.log(4))
    edge_ways = _ways(stickers, colours, *_edge_looks(n))
    edges_left = _without_one(edge_scores, edge_states(n))
    edge_out = log_sum(edges_left[:, None, :] + edge_ways.guest) - np.log(4)
    edge = [
        np.repeat(edges[:, None], 4, axis=1),
        edges[:, None] + edge_ways.turned,
        edge_out + edge_ways.host,
    ]
    share = (SOLVED, TURNED, CHANGED)
    both = [
        corner[i] + edge[j] + np.log(share[i] * share[j] / (1 - SOLVED**2))
        for i, j in product(range(3), repeat=2)
        if i or j
    ]
    found = log_sum(np.array(both), axis=0)
    return float(log_sum((base[:, None] + found).ravel()) - np.log(4))


def _without_one(scores: FloatArray, states: StateTable) -> FloatArray:
    """log p (H, 4) of the last layer's places but one, for each that is left out."""
    places = np.arange(4)
    others = np.repeat(scores[..., None], 4, axis=-1)  # (slot, piece, way, H, 4), the last the place left out
    others[places, ..., places] = 0.0
    sums = log_sums(others.reshape(*scores.shape[:3], -1), states)
    return np.asarray(log_sum(sums) - np.log(len(states.first))).reshape(-1, 4)


@dataclass(frozen=True, eq=False)
class _Ways:
    """Log-likelihoods of what one kind of piece shows, for H colourings and the 4 slots.

    ``turned`` and ``host`` (H, 4): of the slot's stickers, its own piece the wrong way round, or a piece of
    the last layer, against its own the right way. ``guest`` (H, 4, 4): of a last-layer place with the slot's
    piece.
    """

    turned: FloatArray
    host: FloatArray
    guest: FloatArray


def _ways(stickers: FloatArray, colours: IntArray, places: IntArray, faces: IntArray, wrong: int) -> _Ways:
    """From the looks (4 slots, K, stickers) of :func:`_corner_looks` or :func:`_edge_looks`: first the solved
    one, then ``wrong`` turned ones, then those of the guest in the four places, then those of the hosts."""
    shown = stickers[places, colours[:, faces]].sum(axis=-1)  # (H, 4, K)
    round_ = wrong + 1
    guests = shown[..., round_ : 5 * round_].reshape(*shown.shape[:2], 4, round_)
    solved = shown[..., 0]
    return _Ways(
        turned=log_sum(shown[..., 1:round_]) - np.log(wrong) - solved,
        host=log_sum(shown[..., 5 * round_ :]) - np.log(4 * round_) - solved,
        guest=log_sum(guests) - np.log(round_),
    )


def _turned(faces: tuple[int, ...], by: int) -> tuple[int, ...]:
    return tuple(faces[(i - by) % len(faces)] for i in range(len(faces)))


@lru_cache(maxsize=8)
def _corner_looks(n: int) -> tuple[IntArray, IntArray, int]:
    """Places and faces (4, 27, 3) of all looks of the slots' corners, and how many ways are wrong."""
    e = n - 1
    at_bottom = np.arange(3 * n * n, 4 * n * n).reshape(n, n)[(0, 0, e, e), (e, 0, 0, e)]
    places, faces = [], []
    for slot, own in enumerate(SLOT_CORNERS):
        here = np.array([at_bottom[slot], *(_top_of_column(slot, face, n) + e * n for face in own[1:])])
        looks = [(here, _turned(own, t)) for t in range(3)]
        looks += [(there, _turned(own, t)) for there in corner_positions(n) for t in range(3)]
        looks += [(here, _turned(piece, t)) for piece in CORNER_HOMES for t in range(3)]
        places.append([at for at, _ in looks])
        faces.append([way for _, way in looks])
    return frozen(np.array(places, dtype=np.intp)), frozen(np.array(faces, dtype=np.intp)), 2


@lru_cache(maxsize=8)
def _edge_looks(n: int) -> tuple[IntArray, IntArray, int]:
    """As :func:`_corner_looks`, for the complete edges (n - 2 pieces alike), (4, 18, 2 n - 4)."""
    places, faces = [], []
    rows = n * np.arange(1, n - 1)
    for slot, (_, *sides) in enumerate(SLOT_CORNERS):
        own = tuple(sides)
        here = np.stack([_top_of_column(slot, face, n) + rows for face in own], axis=1).ravel()
        looks = [(here, own), (here, own[::-1])]
        for pieces in edge_positions(n):
            looks += [(pieces.ravel(), own), (pieces.ravel(), own[::-1])]
        looks += [(here, way) for piece in EDGE_HOMES for way in (piece, piece[::-1])]
        places.append([at for at, _ in looks])
        faces.append([way * (n - 2) for _, way in looks])
    return frozen(np.array(places, dtype=np.intp)), frozen(np.array(faces, dtype=np.intp)), 1


def _top_of_column(slot: int, face: int, n: int) -> int:
    """Flat index of the sticker of corner ``slot`` on a side face of it; those below it follow n apart."""
    return int(corner_positions(n)[slot][CORNER_HOMES[slot].index(face)])
