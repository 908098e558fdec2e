"""Setups and finishes that meet: pairs of sequences which leave everything below the last layer alone.

The work of `models.search` on numpy arrays; see there for the idea.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from models.cases import CASE_LIST, CASES, case_index_of
from models.cube import IntArray, moves_permutation, turn_permutation
from models.layer import LastLayer
from models.layer_tables import corner_positions, edge_positions
from models.permutation import PERMUTATION_CASES, class_index_of
from models.search_halves import FloatArray, Halves, without_top_turns
from models.search_result import Core
from models.search_space import KeyArray, Space, destination, follows
from models.turns import Moves, Turn

_BATCH = 1 << 18
_ORIENTED = CASES["e0-solved"].index
TARGETS: dict[str, int] = {case.code: case.index for case in CASE_LIST if not case.is_oriented}
"""Number of everything that can be searched for: orientation cases, then permutation classes."""
TARGETS.update({code: len(CASE_LIST) + i for i, code in enumerate(PERMUTATION_CASES)})


@dataclass(frozen=True, eq=False)
class Meetings:
    """Pairs round one core: index of setup and of inverted finish in the space, turns, effort, target."""

    core: Core
    setup: IntArray
    finish: IntArray
    turns: NDArray[np.int16]
    effort: FloatArray
    target: IntArray


def meetings(
    halves: Halves, core: Core, size: int, outer: bool
) -> Iterator[tuple[float, int, list[Meetings]]]:
    """All meetings round one core, in order of their turns.

    Yields (share done, turns up to which everything has been yielded, meetings); ``size`` is that of the
    cube, ``outer`` says that the space follows 3x3x3 stickers because only outer layers turn.
    """
    space = halves.space
    if outer and size > 3:
        carried = destination_of_state(LastLayer.after(core.moves, size), 3)
    else:
        carried = destination(moves_permutation(core.moves, space.model.size))
    keys_s, keys_f = space.keys(carried), halves.finish_keys
    cost_s, cost_f, seam_s, seam_f = halves.seams(core.moves)
    core_effort = halves.model.effort(core.moves.cancelled())
    idle = np.array([_commutes(carried, turn, space.model.size) for turn in space.turns] + [False])
    by_cost_s = {int(c): _by_key(np.flatnonzero(cost_s == c), keys_s) for c in np.unique(cost_s)}
    by_cost_f = {int(c): _by_key(np.flatnonzero(cost_f == c), keys_f) for c in np.unique(cost_f)}
    plan = sorted((a + b, a, b) for a in by_cost_s for b in by_cost_f if core.moves or 0 <= a - b <= 1)
    work = np.cumsum([len(by_cost_s[a][0]) + len(by_cost_f[b][0]) for _, a, b in plan])
    for step, (total, a, b) in enumerate(plan):
        met: list[Meetings] = []
        for i, j in _join(*by_cost_s[a], *by_cost_f[b]):
            if core.moves:
                # a turn that the core does not mind, done before it and undone after it, is no setup
                held = (space.turn[i] == space.turn[j]) & idle[space.turn[i]]
                i, j = i[~held], j[~held]
            else:
                i, j = _without_seam(halves, i, j)
            effort = halves.setup_effort[i] + halves.finish_effort[j] + core_effort + seam_s[i] + seam_f[j]
            if not core.moves:
                effort = effort + _bare_seam(halves, i, j)
            target = _targets(space, carried, i, j, outer)
            good = target >= 0
            if core.moves:
                good[good] = _counted_once(halves, core.moves, i[good], j[good], total)
            turns = np.full(int(good.sum()), total, np.int16)
            met.append(Meetings(core, i[good], j[good], turns, effort[good], target[good]))
        finished = step + 1 == len(plan) or plan[step + 1][0] > total
        yield float(work[step] / work[-1]), total if finished else total - 1, met


def _counted_once(halves: Halves, core: Moves, i: IntArray, j: IntArray, total: int) -> NDArray[np.bool_]:
    """Which pairs really have ``total`` turns beside those of the core.

    What vanishes at either seam is counted by itself. Where the two seams together reach over the whole core,
    a turn may be counted twice; nothing of the core is left there, so such pairs are no sequences round it.
    """
    base = len(core.cancelled())
    space = halves.space
    vanished = (space.length[i] + space.length[j]).astype(np.int64) - total
    good = np.ones(len(i), bool)
    for row in np.flatnonzero(vanished > base):
        joined = (space.moves(int(i[row])) + core + space.moves(int(j[row])).inverse()).cancelled()
        good[row] = len(without_top_turns(joined)) - base == total
    return good


def _commutes(carried: NDArray[np.intp], turn: Turn, size: int) -> bool:
    """Whether a turn may stand before or after the core alike."""
    table = destination(turn_permutation(turn, size))
    return bool((carried[table] == table[carried]).all())


def destination_of_state(state: LastLayer, size: int) -> NDArray[np.intp]:
    """Destination table on stickers of ``size`` that makes this last layer (any parity) of a solved cube."""
    table = np.arange(6 * size * size)
    corners = corner_positions(size)
    for slot in range(4):
        home, twist = state.corners[slot], state.twist[slot]
        for place in range(3):
            table[corners[home, place]] = corners[slot, (place + twist) % 3]
    if size > 2:
        edges = edge_positions(size)
        for slot in range(4):
            home, flip = state.edges[slot], state.flip[slot]
            for place in range(2):
                table[edges[home, :, place]] = edges[slot, :, place ^ flip]
    return table.astype(np.intp)


def _by_key(rows: IntArray, keys: KeyArray) -> tuple[KeyArray, IntArray]:
    order = np.argsort(keys[rows])
    return keys[rows][order], rows[order]


def _join(
    keys_a: NDArray[np.uint64],
    rows_a: IntArray,
    keys_b: NDArray[np.uint64],
    rows_b: IntArray,
) -> Iterator[tuple[IntArray, IntArray]]:
    """All pairs of rows with equal keys, in batches."""
    low = np.searchsorted(keys_b, keys_a, "left")
    high = np.searchsorted(keys_b, keys_a, "right")
    count = high - low
    hits = np.flatnonzero(count)
    if not len(hits):
        return
    ends = np.cumsum(count[hits])
    begin = 0
    while begin < len(hits):
        before = int(ends[begin - 1]) if begin else 0
        stop = max(begin + 1, int(np.searchsorted(ends, before + _BATCH, "right")))
        some = hits[begin:stop]
        n = count[some]
        first = np.repeat(low[some], n)
        offset = np.arange(int(n.sum())) - np.repeat(np.cumsum(n) - n, n)
        yield np.repeat(rows_a[some], n), rows_b[first + offset]
        begin = stop


def _without_seam(halves: Halves, i: IntArray, j: IntArray) -> tuple[IntArray, IntArray]:
    """Pairs of halves whose join is a canonical sequence: no cancelling, one order of turns of one axis.

    Where three layers of an axis turn across the seam, all of the finish's come after all of the setup's.
    """
    space = halves.space
    count = len(space.turns)
    allowed = np.ones((count + 1, count + 1), dtype=bool)
    inverse = [space.turns.index(t.inverse()) for t in space.turns]
    allowed[:count, :count] = follows(space.turns)[inverse].T
    good = allowed[space.turn[i], halves.last_run[j]]
    return i[good], j[good]


def _bare_seam(halves: Halves, i: IntArray, j: IntArray) -> FloatArray:
    turns = halves.space.turns
    cost = np.zeros((len(turns) + 1, len(turns) + 1), np.float32)
    for a, first in enumerate(turns):
        for b, second in enumerate(turns):
            cost[a, b] = halves.model.pair_cost(first, second.inverse())
    seam: FloatArray = cost[halves.space.turn[i], halves.space.turn[j]]
    return seam


def _targets(space: Space, carried: NDArray[np.intp], i: IntArray, j: IntArray, outer: bool) -> IntArray:
    """Number (`TARGETS`) of what each pair solves; -1 where an edge comes out split."""
    model = space.model
    columns = np.arange(len(i))
    below = len(model.below)
    rows = slice(below, below + 4)
    at_s, at_f = carried[space.positions[rows, i]], space.positions[rows, j]
    turn_at, piece_at = _lookup(model.corner_slot, model.corner_turn, at_f, 1)
    where = model.corner_slot[at_s]
    twist = ((turn_at[where, columns] - model.corner_turn[at_s]) % 3).astype(np.int64)
    corners = piece_at[where, columns]
    wings = len(model.top_edges) // 4
    whole = np.ones(len(i), dtype=bool)
    if wings:
        rows = slice(below + 4, below + 4 + 4 * wings)
        at_s, at_f = carried[space.positions[rows, i]], space.positions[rows, j]
        turn_at, piece_at = _lookup(model.edge_slot, model.edge_turn, at_f, wings)
        where = model.edge_slot[at_s]
        flip = ((turn_at[where, columns] - model.edge_turn[at_s]) % 2).reshape(4, wings, -1).astype(np.int64)
        edges = piece_at[where, columns].reshape(4, wings, -1)
        if not outer:
            same = (flip == flip[:, :1]) & (edges == edges[:, :1]) & (edges >= 0)
            whole = same.all(axis=(0, 1))
        flip, edges = flip[:, 0], edges[:, 0]
    else:
        flip, edges = np.zeros((4, len(i)), np.int64), None
    flip_index = 8 * flip[0] + 4 * flip[1] + 2 * flip[2] + flip[3]
    target = case_index_of(9 * twist[0] + 3 * twist[1] + twist[2], flip_index)
    solved = np.flatnonzero((target == _ORIENTED) & whole)
    if len(solved):
        some = None if edges is None else edges[:, solved].T
        target[solved] = len(CASE_LIST) + class_index_of(corners[:, solved].T, some)
    return np.where(whole, target, -1)


def _lookup(
    slot_of: NDArray[np.integer], turn_of: NDArray[np.int8], stickers: NDArray[np.integer], wings: int
) -> tuple[NDArray[np.int8], NDArray[np.int8]]:
    """(slots, pairs): which way round, and which top piece lies in each slot after the inverted finish."""
    slots = int(slot_of.max()) + 1
    columns = np.arange(stickers.shape[1])
    turn_at = np.full((slots, len(columns)), -1, np.int8)
    piece_at = np.full((slots, len(columns)), -1, np.int8)
    for k, row in enumerate(stickers):
        turn_at[slot_of[row], columns] = turn_of[row]
        piece_at[slot_of[row], columns] = k // wings
    return turn_at, piece_at


def pick(batch: Meetings, rows: IntArray) -> Meetings:
    """Some of the pairs."""
    return Meetings(
        batch.core,
        batch.setup[rows],
        batch.finish[rows],
        batch.turns[rows],
        batch.effort[rows],
        batch.target[rows],
    )
