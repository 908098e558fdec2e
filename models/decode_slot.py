"""The picture's evidence for a cube with one slot below the last layer left unsolved.

A slot is the corner and the edge between two neighbouring sides below the last layer. Of the two, either is
solved, lies in its slot the wrong way round, or has changed places with a last-layer piece, each way alike;
both solved is the last layer itself and left out. All log values are in nats.
"""

from __future__ import annotations

from itertools import product
from typing import Final

import numpy as np

from models.decode import FloatArray, Scored, log_sum
from models.decode_tables import (
    CORNER_FACES,
    CORNER_STATES,
    EDGE_FACES,
    EDGE_STATES,
    EVEN_EDGE_STATES,
    IntArray,
    StateTable,
    corner_positions,
    edge_positions,
    flat_index,
)

SLOT_CORNERS: Final = tuple((3, b, a) for _, a, b in CORNER_FACES)
"""Faces of the corner below each last-layer corner, clockwise from outside, the bottom first."""
FAR_NATS: Final = 25.0
SOLVED, TURNED, CHANGED = 0.25, 0.25, 0.5
"""Shares of the ways in which one piece of an unsolved slot lies (common practice, no source)."""


def slot_evidence(s: Scored, stickers: FloatArray) -> float:
    """log p of the stickers (6 n n, 6), in the frame of ``s``, with one slot unsolved, any of the four."""
    n = s.tables.size
    base = s.log_prior + s.log_fixed
    likely = base > base.max() - FAR_NATS  # what is solved below tells the colouring
    base, colours = base[likely], s.tables.colours[likely]
    corner_scores, edge_scores = s.corner_scores[likely], s.edge_scores[likely]
    corners = log_sum(CORNER_STATES.sums(corner_scores)) - np.log(648)
    edges = np.zeros(len(colours))
    flips = EVEN_EDGE_STATES if n % 2 else EDGE_STATES
    if n > 2:
        edges = log_sum(flips.sums(edge_scores)) - np.log(len(flips.first))
    corners_left = _without_one(corner_scores, CORNER_STATES)
    edges_left = _without_one(edge_scores, flips) if n > 2 else edges
    found = []
    for slot in range(4):
        corner_ways = _corner_ways(stickers, n, colours, slot)
        corner_out = log_sum(corners_left + corner_ways["guest"]) - np.log(4)
        corner = [corners, corners + corner_ways["turned"], corner_out + corner_ways["host"]]
        if n == 2:
            shares = np.log(np.array([TURNED, CHANGED]) / (1 - SOLVED))
            found.append(log_sum(np.array(corner[1:]) + shares[:, None], axis=0))
            continue
        edge_ways = _edge_ways(stickers, n, colours, slot)
        edge_out = log_sum(edges_left + edge_ways["guest"]) - np.log(4)
        edge = [edges, edges + edge_ways["turned"], edge_out + edge_ways["host"]]
        share = (SOLVED, TURNED, CHANGED)
        found.append(
            log_sum(
                np.array(
                    [
                        corner[i] + edge[j] + np.log(share[i] * share[j] / (1 - SOLVED**2))
                        for i, j in product(range(3), repeat=2)
                        if i or j
                    ]
                ),
                axis=0,
            )
        )
    return float(log_sum(np.concatenate([base + one for one in found])) - np.log(4))


def _without_one(scores: FloatArray, states: StateTable) -> FloatArray:
    """log p (H, 4) of the last layer's places but one, for each that is left out."""
    out = []
    for place in range(4):
        others = scores.copy()
        others[:, place] = 0.0
        out.append(log_sum(states.sums(others)) - np.log(len(states.first)))
    return np.stack(out, axis=1)


def _shown(stickers: FloatArray, places: list[int], faces: tuple[int, ...], colours: IntArray) -> FloatArray:
    """Log-likelihood (H,) that these places show the colours of these faces."""
    total: FloatArray = sum(
        (stickers[p][colours[:, f]] for p, f in zip(places, faces, strict=True)), np.zeros(len(colours))
    )
    return total


def _turned(faces: tuple[int, ...], by: int) -> tuple[int, ...]:
    return tuple(faces[(i - by) % len(faces)] for i in range(len(faces)))


def _mean(scores: list[FloatArray]) -> FloatArray:
    return np.asarray(log_sum(np.array(scores), axis=0) - np.log(len(scores)))


def _corner_ways(stickers: FloatArray, n: int, colours: IntArray, slot: int) -> dict[str, FloatArray]:
    """What the corner of a slot may show, beside what it shows solved: "turned" and "host" (H,) of the slot,
    "guest" (H, 4) of its piece in the last layer's places."""
    e = n - 1
    own = SLOT_CORNERS[slot]
    at_bottom = ((3, 0, e), (3, 0, 0), (3, e, 0), (3, e, e))[slot]
    above = {face: column for face, _, column in corner_positions(n)[slot][1:]}
    places = [flat_index(p, n) for p in (at_bottom, *((face, e, above[face]) for face in own[1:]))]
    solved = _shown(stickers, places, own, colours)
    guests = []
    for position in corner_positions(n):
        at = [flat_index(p, n) for p in position]
        guests.append(_mean([_shown(stickers, at, _turned(own, t), colours) for t in range(3)]))
    host = [_shown(stickers, places, _turned(f, t), colours) for f in CORNER_FACES for t in range(3)]
    return {
        "turned": _mean([_shown(stickers, places, _turned(own, t), colours) for t in (1, 2)]) - solved,
        "host": _mean(host) - solved,
        "guest": np.stack(guests, axis=1),
    }


def _edge_ways(stickers: FloatArray, n: int, colours: IntArray, slot: int) -> dict[str, FloatArray]:
    """As :func:`_corner_ways`, for the complete edge (n - 2 pieces alike)."""
    own = SLOT_CORNERS[slot][1:]
    above = {face: column for face, _, column in corner_positions(n)[slot][1:]}
    places = [flat_index((face, row, above[face]), n) for row in range(1, n - 1) for face in own]

    def shown(at: list[int], faces: tuple[int, ...]) -> FloatArray:
        return _shown(stickers, at, faces * (n - 2), colours)

    solved = shown(places, own)
    guests = []
    for top, side in edge_positions(n):
        at = [flat_index(p, n) for pair in zip(top, side, strict=True) for p in pair]
        guests.append(_mean([shown(at, own), shown(at, own[::-1])]))
    host = [shown(places, way) for faces in EDGE_FACES for way in (faces, faces[::-1])]
    return {
        "turned": shown(places, own[::-1]) - solved,
        "host": _mean(host) - solved,
        "guest": np.stack(guests, axis=1),
    }
