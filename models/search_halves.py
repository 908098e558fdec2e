"""The halves that a search puts together: turns and effort of each, and what vanishes at the core."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from models.effort import EffortModel
from models.search_space import Space, is_top_turn
from models.turns import Moves

FloatArray = NDArray[np.float32]


class Halves:
    """Per-sequence numbers for both roles: as a setup, and (inverted) as a finish."""

    def __init__(self, space: Space, model: EffortModel) -> None:
        self.space, self.model = space, model
        turns = space.turns
        alone = np.array([model.turn_cost(t) for t in turns])
        back = np.array([model.turn_cost(t.inverse()) for t in turns])
        pair = np.array([[model.pair_cost(a, b) for b in turns] for a in turns])
        pair_back = np.array([[model.pair_cost(b.inverse(), a.inverse()) for b in turns] for a in turns])
        self.setup_effort = np.zeros(len(space), np.float32)
        self.finish_effort = np.zeros(len(space), np.float32)
        # of the turns of one axis that a sequence ends with, the first
        self.last_run = space.turn.copy()
        axis = np.array([t.axis for t in turns])
        for d in range(1, space.depth + 1):
            rows = slice(space.starts[d], space.starts[d + 1])
            parent, turn = space.parent[rows], space.turn[rows]
            self.setup_effort[rows] = self.setup_effort[parent] + alone[turn]
            self.finish_effort[rows] = self.finish_effort[parent] + back[turn]
            if d > 1:
                self.setup_effort[rows] += pair[space.turn[parent], turn]
                self.finish_effort[rows] += pair_back[space.turn[parent], turn]
                goes_on = axis[space.turn[parent]] == axis[turn]
                self.last_run[rows][goes_on] = self.last_run[parent[goes_on]]
        self.finish_keys = space.keys()
        self.cost = space.length

    def seams(self, core: Moves) -> tuple[NDArray[np.int8], NDArray[np.int8], FloatArray, FloatArray]:
        """A sequence: turns as setup, as finish, after cancelling into the core; effort that either seam adds
        to that of its two sides alone (less than nothing where turns vanish)."""
        space, turns = self.space, self.space.turns
        core = core.cancelled()
        cost_s, cost_f = self.cost.copy(), self.cost.copy()
        effort_s = np.zeros(len(turns) + 1, np.float32)
        effort_f = np.zeros(len(turns) + 1, np.float32)
        if not core:
            return cost_s, cost_f, effort_s[space.turn], effort_f[space.turn]
        for i, turn in enumerate(turns):
            effort_s[i] = self.model.pair_cost(turn, core[0])
            effort_f[i] = self.model.pair_cost(core[-1], turn.inverse())
        saved_s, spared_s = self._saved(core)
        saved_f, spared_f = self._saved(core, finish=True)
        cost_s -= saved_s
        cost_f -= saved_f
        return cost_s, cost_f, effort_s[space.turn] - spared_s, effort_f[space.turn] - spared_f

    def _saved(self, core: Moves, *, finish: bool = False) -> tuple[NDArray[np.int8], FloatArray]:
        """Turns that vanish, and effort with them, where each sequence meets the start of the core; with
        ``finish`` the inverted sequence and the end of the core."""
        space, turns = self.space, self.space.turns
        core = core.inverse() if finish else core
        base = len(core)
        saved, spared = np.zeros(len(space), np.int8), np.zeros(len(space), np.float32)
        meets = any(len((Moves((t,)) + core).cancelled()) < base + 1 for t in turns)
        if not meets and without_top_turns(core) == core:
            return saved, spared

        def effort(moves: Moves) -> float:
            return self.model.effort(moves.inverse() if finish else moves)

        def saved_by(setup: Moves, whole: bool) -> tuple[int, float, bool]:
            """(turns saved, effort saved, whether turns further ahead may be touched as well)."""
            joined = (setup + core).cancelled()
            deeper = not whole and (len(joined) < base or joined[:1] != setup[:1])
            if whole:
                joined = without_top_turns(joined, end=False)
            return len(setup) + base - len(joined), effort(setup + core) - effort(joined), deeper

        up: list[NDArray[np.signedinteger]] = [np.arange(len(space))]
        for _ in range(2):
            up.append(space.parent[up[-1]])
        tails = np.stack([space.turn[row] for row in up], axis=1)
        tails[self.cost < 3, 2] = -1
        tails[self.cost < 2, 1] = -1
        short = self.cost <= 3
        unique, which = np.unique(np.column_stack([tails, short]), axis=0, return_inverse=True)
        for i, (*tail, whole) in enumerate(unique.tolist()):
            moves = Moves(tuple(turns[t] for t in reversed(tail) if t >= 0))
            saved_here, spared_here, deeper = saved_by(moves, bool(whole))
            rows = np.flatnonzero(which.ravel() == i)
            saved[rows], spared[rows] = saved_here, spared_here
            for row in rows if deeper else ():
                saved[row], spared[row], _ = saved_by(space.moves(int(row)), True)
        return saved, spared


def without_top_turns(moves: Moves, *, end: bool = True) -> Moves:
    """A sequence without the turns of the top layer that it begins (and ends) with."""
    first, last = 0, len(moves)
    while first < last and is_top_turn(moves[first]):
        first += 1
    while end and last > first and is_top_turn(moves[last - 1]):
        last -= 1
    return moves[first:last]
