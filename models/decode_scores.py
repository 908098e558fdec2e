"""All colourings of a cube in one frame, scored against the log-likelihoods of its stickers.

The exact sums over states that :mod:`models.decode` is made of; all log values are in nats.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from models.decode_tables import CORNER_STATES, EDGE_STATES, EVEN_EDGE_STATES, StateTable, Tables

FloatArray = NDArray[np.float64]


#: below so many numbers one call of numpy's own is quickest; from so many on, where a row has so few
#: columns, it is column by column, as numpy is slow to go along a short last axis
_FEW, _MANY, _NARROW = 300, 1500, 8


def log_sum(values: FloatArray, axis: int | tuple[int, ...] = -1) -> FloatArray:
    """log of the sum of exponentials along ``axis``."""
    if values.size < _FEW:
        return np.asarray(np.logaddexp.reduce(values, axis=axis))
    if values.size >= _MANY and axis == -1 and values.shape[-1] <= _NARROW:
        return _log_sum_of_columns(values)
    top = np.maximum.reduce(values, axis=axis, keepdims=True)
    if not np.isfinite(top).all():  # nothing but -inf somewhere: its sum is 0
        top = np.where(np.isfinite(top), top, 0.0)
        with np.errstate(divide="ignore"):
            return np.asarray(np.squeeze(top, axis) + np.log(np.exp(values - top).sum(axis=axis)))
    parts = values - top
    total = np.log(np.add.reduce(np.exp(parts, out=parts), axis=axis))
    return np.asarray(total + top.reshape(total.shape))


def _log_sum_of_columns(values: FloatArray) -> FloatArray:
    columns = range(1, values.shape[-1])
    top = values[..., 0].copy()
    for k in columns:
        np.maximum(top, values[..., k], out=top)
    top[~np.isfinite(top)] = 0.0  # nothing but -inf: its sum is 0
    parts = values - top[..., None]
    np.exp(parts, out=parts)
    total = parts[..., 0].copy()
    for k in columns:
        total += parts[..., k]
    with np.errstate(divide="ignore"):
        return np.asarray(top + np.log(total))


def edge_states(size: int) -> StateTable:
    """The states of the edges of a cube of ``size`` layers, 3 at least."""
    return EVEN_EDGE_STATES if size % 2 else EDGE_STATES


def log_sums(scores: FloatArray, states: StateTable) -> FloatArray:
    """(H, 2): log of the sum over the states of either parity, of scores (4 slots, 4 pieces, ways, H).

    Of what two slots hold only pieces and the sum of their ways matters for the other two: what is alike is
    added up first, so that 72 instead of 648 states of the corners are left.
    """
    one, other = log_sum(states.pairs(scores).take(states.alike, axis=1), axis=1)
    return log_sum(one.take(states.joined[0], axis=0) + other.take(states.joined[1], axis=0), axis=1).T


@dataclass(frozen=True, eq=False)
class Scored:
    """All colourings of one frame, scored. H hypotheses, parity groups first.

    ``log_weight`` (H,): log prior + log evidence, in nats. ``parity`` (H, 2, 2): joint probability of the two
    parities (corner, edge). ``log_corners`` and ``log_edges`` (H, 2): log of the sum over each parity group's
    states. ``corner_scores`` (4, 4, 3, H) and ``edge_scores`` (4, 4, 2, H): of each slot with each piece in
    each way. A 2x2x2 has the shapes (H, 2, 1) and (H, 1) for its missing edges.
    """

    tables: Tables
    log_prior: FloatArray
    log_fixed: FloatArray
    log_weight: FloatArray
    parity: FloatArray
    log_corners: FloatArray
    log_edges: FloatArray
    corner_scores: FloatArray
    edge_scores: FloatArray

    def corners(self, rows: list[int]) -> FloatArray:
        """State probabilities (R, 2, 12, 27) of R hypotheses; those of each parity add up to 1."""
        return _shares(self.corner_scores[..., rows], CORNER_STATES, self.log_corners[rows])

    def edges(self, rows: list[int]) -> FloatArray:
        """The same of the edges, (R, 2, 12, F) with F flip vectors; (R, 1, 1, 1) on a 2x2x2."""
        if self.tables.size == 2:
            return np.ones((len(rows), 1, 1, 1))
        return _shares(self.edge_scores[..., rows], edge_states(self.tables.size), self.log_edges[rows])


def _shares(scores: FloatArray, states: StateTable, log_totals: FloatArray) -> FloatArray:
    raw = states.sums(scores).T.reshape(*log_totals.shape, -1)
    return np.asarray(np.exp(raw - log_totals[..., None]).reshape(len(raw), 2, 12, -1))


def score(stickers: FloatArray, t: Tables, log_prior: FloatArray) -> list[Scored]:
    """The colourings of a frame by each of L sets of log-likelihoods (L, 6 n n, 6), priors (H,)."""
    looks, count = len(stickers), len(t.colours)
    corner_scores = _picked(stickers[:, t.corner_stickers], t.corner_pick)
    log_corner = log_sums(corner_scores, CORNER_STATES)
    by_face = np.zeros((looks, 6, 6))
    by_face[:, t.fixed_faces[t.fixed_starts]] = np.add.reduceat(
        stickers[:, t.fixed_stickers], t.fixed_starts, axis=1
    )
    log_fixed = by_face[:, np.arange(6), t.colours].sum(axis=2)
    if t.size == 2:
        edge_scores = np.zeros((4, 4, 2, looks * count))
        log_edge, coupled = np.zeros((looks * count, 1)), np.ones((2, 1), bool)
        states = 648
    else:
        edge_scores = _picked(stickers[:, t.edge_stickers].sum(axis=3), t.edge_pick)
        log_edge = log_sums(edge_scores, edge_states(t.size))
        odd = t.size % 2 == 1
        coupled = np.eye(2, dtype=bool) if odd else np.ones((2, 2), bool)
        states = 62208 if odd else 248832
    joint = np.where(coupled, log_corner[:, :, None] + log_edge[:, None, :], -np.inf)
    total = log_sum(joint, axis=(1, 2))
    parity = np.exp(joint - total[:, None, None])
    log_weight = log_prior + log_fixed + total.reshape(looks, count) - np.log(states)
    out = []
    for look in range(looks):
        rows = slice(look * count, (look + 1) * count)
        by_row = (values[rows] for values in (parity, log_corner, log_edge))
        scores = (values[..., rows] for values in (corner_scores, edge_scores))
        out.append(Scored(t, log_prior, log_fixed[look], log_weight[look], *by_row, *scores))
    return out


def _picked(shown: FloatArray, pick: NDArray[np.intp]) -> FloatArray:
    """Scores (slot, piece, way, L H) from log-likelihoods (L, ...) of the stickers of all slots; those of one
    piece are found there at ``pick`` (stickers, slot, piece, way, H)."""
    scores = shown.reshape(len(shown), -1)[:, pick].sum(axis=1)
    return np.asarray(np.moveaxis(scores, 0, -2).reshape(*pick.shape[1:-1], -1))
