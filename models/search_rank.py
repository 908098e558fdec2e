"""Keep the best of the sequences a search meets, and write them out, each executed by the engine."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import islice

import numpy as np

from models.cube import IntArray, moves_permutation
from models.effort import EffortModel
from models.errors import LastlookError
from models.search_halves import without_top_turns
from models.search_meet import TARGETS, Meetings, pick
from models.search_result import Found, Result
from models.search_space import Space
from models.sequences import solved_class
from models.turns import Moves


class Ranked:
    """The best meetings of each wanted case, pruned as they come."""

    def __init__(self, result: Result, space: Space, keep: int, by: str, size: int) -> None:
        self.result, self.space, self.keep, self.by, self.size = result, space, keep, by, size
        self.wanted = {TARGETS[code]: code for code in result.cases}
        self.pool: dict[str, list[Meetings]] = {code: [] for code in result.cases}
        self.fewest: dict[str, list[Meetings]] = {code: [] for code in result.cases}

    def add(self, batch: Meetings) -> None:
        """Take the pairs that solve a wanted case, as many as may matter."""
        self.result.meetings += len(batch.target)
        wanted = np.isin(batch.target, list(self.wanted))
        if not wanted.any():
            return
        batch = pick(batch, np.flatnonzero(wanted))
        order = np.argsort(batch.target, kind="stable")
        edges = np.flatnonzero(np.diff(batch.target[order])) + 1
        for rows in np.split(order, edges):
            code = self.wanted[int(batch.target[rows[0]])]
            self._hold_fewest(code, batch, rows)
            if self.keep and not self._outdone(code, int(batch.turns[rows].min())):
                self.pool[code].append(pick(batch, self._best(batch, rows)))

    def _outdone(self, code: str, fewest: int) -> bool:
        """True when pairs of this many turns cannot be among those kept, for shorter ones are there."""
        shorter = sum(int((batch.turns < fewest).sum()) for batch in self.pool[code])
        return self.by == "length" and shorter >= self._spare

    @property
    def _spare(self) -> int:
        """How many pairs are held for each case: different ones may make one and the same sequence."""
        return 8 * self.keep + 24

    def _hold_fewest(self, code: str, batch: Meetings, rows: IntArray) -> None:
        """Hold every pair of the fewest turns: how many sequences they make shows when these are written."""
        case = self.result.cases[code]
        turns = batch.turns[rows]
        fewest = int(turns.min())
        if case.shortest is None or fewest < case.shortest:
            case.shortest = fewest
            self.fewest[code].clear()
        if fewest == case.shortest:
            self.fewest[code].append(pick(batch, rows[turns == fewest]))

    def _best(self, batch: Meetings, rows: IntArray) -> IntArray:
        turns, effort = batch.turns[rows], batch.effort[rows]
        # by index at last: sorting keys leaves equal ones in an order that differs between machines
        ranks = (effort, turns) if self.by == "length" else (turns, effort)
        order = np.lexsort((batch.finish[rows], batch.setup[rows], *ranks))
        best: IntArray = rows[order[: self._spare]]
        return best

    def write_out(self, model: EffortModel) -> None:
        """Turn what is left into sequences, each executed on the size asked."""
        for code, case in self.result.cases.items():
            fewest = list(self._sequences(self.fewest[code]))
            case.minimal = len(fewest)
            chosen = islice(self._sequences(self.pool[code]), self.keep) if self.keep else fewest
            for moves, setup, finish, batch, k in chosen:
                if solved_class(moves, self.size)[0] != code:
                    raise LastlookError(f"{moves} does not solve {code}: a fault of lastlook, please report")
                turns, effort = int(batch.turns[k]), model.effort(moves)
                case.found.append(Found(code, setup, batch.core, finish, moves, turns, effort))

    def _sequences(self, batches: Sequence[Meetings]) -> Iterator[tuple[Moves, Moves, Moves, Meetings, int]]:
        """(moves, setup, finish, pairs, row) of the sequences that pairs make, each once, best first."""
        ranked = sorted(
            (
                self._rank(int(b.turns[k]), float(b.effort[k])),
                self.result.cores.index(b.core),
                int(b.setup[k]),
                int(b.finish[k]),
                n,
                k,
            )
            for n, b in enumerate(batches)
            for k in range(len(b.setup))
        )
        seen: set[Moves] = set()
        for *_, n, k in ranked:
            batch = batches[n]
            setup = self.space.moves(int(batch.setup[k]))
            finish = self.space.moves(int(batch.finish[k])).inverse()
            moves = without_top_turns((setup + batch.core.moves + finish).cancelled())
            if moves not in seen and not is_padded(setup, batch.core.moves, finish, self.size):
                seen.add(moves)
                yield moves, setup, finish, batch, k

    def _rank(self, turns: int, effort: float) -> tuple[float, float]:
        return (turns, effort) if self.by == "length" else (effort, turns)


def is_padded(setup: Moves, core: Moves, finish: Moves, size: int) -> bool:
    """True when a turn of the setup and its undoing in the finish can both be left out to the same effect."""
    whole = None
    for i, turn in enumerate(setup):
        for k, back in enumerate(finish):
            if back != turn.inverse():
                continue
            whole = moves_permutation(setup + core + finish, size) if whole is None else whole
            shorter = setup[:i] + setup[i + 1 :] + core + finish[:k] + finish[k + 1 :]
            if bool((moves_permutation(shorter, size) == whole).all()):
                return True
    return False
