"""Find sequences: setup · core · finish, or two halves without a core, exhaustively to a depth.

Meet in the middle. A sequence ``S C F`` leaves everything below the last layer alone exactly when ``S C``
and the inverse of ``F`` carry the pieces below to the same places. Both are lists of short canonical
sequences (`models.search_space`), so equal places are found by sorting 64-bit keys. From each meeting the
orientation case that the sequence solves is read off the last layer's pieces. Every result is executed by
the engine, sticker by sticker on the size asked, before it is handed out; equal keys by chance would fall
there. A core must leave everything below the last layer alone (`models.layer.LastLayer.after`).

Length is counted in turns (each `Turn` one, rotations of a core included) after cancellation at the seams. Turns
of the top layer at the very beginning and end change only the angle and the permutation left over, so
setups do not begin and finishes do not end with them.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from models.cases import CASE_LIST, CASES, case_index_of, case_of
from models.cube import moves_permutation
from models.effort import EffortModel, load_effort
from models.errors import LastlookError, LayerError, UsageError
from models.layer import LastLayer
from models.notation import Moves, Turn
from models.search_space import OUTER, Space, destination, enumerate_space, estimate, is_outer, turn_set

Progress = Callable[[float, str], None]
_BATCH = 1 << 18
# a sequence takes this many bytes while it is searched: positions, parent, keys and their order
_BYTES_A_SEQUENCE = 80
MEMORY_LIMIT_BYTES = 8 << 30


@dataclass(frozen=True)
class Core:
    """A core as it is used in one search: its name, its moves, and how it was changed."""

    name: str
    moves: Moves
    mirrored: bool = False
    inverted: bool = False
    angle: int = 0

    def __str__(self) -> str:
        said = [self.name or "no core"]
        said += ["mirrored"] * self.mirrored + ["inverted"] * self.inverted
        return " ".join([*said, *([("y", "y2", "y'")[self.angle - 1]] if self.angle else [])])


NO_CORE = Core("", Moves(()))


def core_variants(
    core: Core, *, mirrored: bool = False, inverted: bool = False, angles: Sequence[int] = (0,)
) -> tuple[Core, ...]:
    """The core as given and, where asked, its mirror image, its inverse, both, and each from other angles."""
    out: dict[Moves, Core] = {}
    for mirror in (False, True) if mirrored else (False,):
        for inverse in (False, True) if inverted else (False,):
            for angle in angles:
                moves = core.moves.mirrored() if mirror else core.moves
                moves = moves.inverse() if inverse else moves
                moves = moves.rotated(("", "y", "y2", "y'")[angle % 4])
                out.setdefault(moves, Core(core.name, moves, mirror, inverse, angle % 4))
    return tuple(out.values())


@dataclass(frozen=True)
class Found:
    """One sequence: ``setup``, ``core`` and ``finish``; ``moves`` is all three with the seams cancelled.

    ``code``: the case it solves. ``turns``: setup and finish turns together after cancellation (what
    the core does not account for). ``effort``: of ``moves``, by the model the search was given.
    """

    code: str
    setup: Moves
    core: Core
    finish: Moves
    moves: Moves
    turns: int
    effort: float

    @property
    def length(self) -> int:
        """Turns of the whole sequence, each counted once."""
        return len(self.moves)


@dataclass
class CaseResult:
    """What was found for one case. ``shortest``: fewest setup + finish turns, or None; ``minimal``: how many
    sequences have that number; ``found``: those kept, best first by the order asked."""

    code: str
    shortest: int | None = None
    minimal: int = 0
    found: list[Found] = field(default_factory=list)


@dataclass
class Result:
    """The outcome of a search. ``complete`` is False when it was stopped before its end.

    ``searched``: every pair of setup and finish with at most this many turns together was tried.
    ``depth``: the most turns of a setup, and of a finish. ``meetings``: pairs that leave the rest alone.
    """

    size: int
    depth: int
    turns: tuple[Turn, ...]
    cores: tuple[Core, ...]
    cases: dict[str, CaseResult]
    complete: bool = True
    searched: int = 0
    sequences: int = 0
    meetings: int = 0

    def proof(self, code: str) -> str:
        """What this search proves about the case, in one sentence."""
        layers = " ".join(dict.fromkeys(str(Turn(t.base, 1, t.depth, t.inner)) for t in self.turns))
        bare = all(not core.moves for core in self.cores)
        within = f"{self.depth}+{self.depth}" if self.complete else f"{self.searched} together"
        what = f"turns of {layers}, " + ("no core" if bare else "round " + " | ".join(map(str, self.cores)))
        shortest = self.cases[code].shortest
        if shortest is None:
            return f"none within {within} {what}, searched exhaustively"
        if shortest > self.searched:
            return f"found within {within} {what}; the search was stopped before it proved this the shortest"
        noun = "turns" if bare else "setup and finish turns"
        return f"shortest: {shortest} {noun}; all of {within} {what}, searched exhaustively"


def find(
    codes: Sequence[str],
    *,
    size: int = 4,
    cores: Sequence[Core] = (NO_CORE,),
    turns: str | Sequence[Turn] = OUTER,
    depth: int = 5,
    keep: int = 5,
    by: str = "length",
    effort: EffortModel | None = None,
    progress: Progress | None = None,
) -> Result:
    """Search every setup and finish of up to ``depth`` turns of the given layers round each core.

    ``keep`` best sequences are kept for each case by ``by``: "length" (then effort) or "effort" (then
    length); 0 keeps every sequence of the fewest turns. ``progress`` is called with the share done and a word.
    Ctrl-C ends the search early; the result then says so and holds what was found.
    Raises ``UsageError`` for unknown codes and impossible sizes or depths, ``LayerError`` for a core that
    disturbs more than the last layer.
    """
    chosen = turn_set(turns, size) if isinstance(turns, str) else tuple(turns)
    _check(codes, size, cores, chosen, depth, by)
    model = effort or load_effort()
    outer = is_outer(chosen)
    stickers = min(size, 3) if outer else size
    result = Result(size, depth, chosen, tuple(cores), {c: CaseResult(c) for c in dict.fromkeys(codes)})
    try:
        if progress:
            progress(0.0, "listing sequences")
        space = enumerate_space(chosen, stickers, depth)
        result.sequences = len(space)
        halves = _Halves(space, model)
        ranked = _Ranked(result, space, keep, by, size)
        for number, core in enumerate(cores):
            for share, pairs, total in _meetings(halves, core, size, outer, ranked):
                result.meetings += pairs
                if number == len(cores) - 1:
                    result.searched = max(result.searched, total)
                if progress:
                    progress((number + share) / len(cores), f"{core}: {total} turns")
    except KeyboardInterrupt:
        result.complete = False
    if "ranked" in locals():
        ranked.write_out(model)
    return result


def _check(
    codes: Sequence[str], size: int, cores: Sequence[Core], turns: Sequence[Turn], depth: int, by: str
) -> None:
    for code in codes:
        if code not in CASES:
            raise UsageError(f"unknown case {code!r}; `lastlook cases` lists all codes")
        if not CASES[code].occurs_on(size):
            raise UsageError(f"case {code} cannot occur on a {size}x{size}x{size}")
    if by not in ("length", "effort"):
        raise UsageError(f"order {by!r}: choose length or effort")
    if not 1 <= depth <= 12:
        raise UsageError(f"depth {depth}: from 1 to 12 turns on either side")
    need = estimate(turns, depth) * _BYTES_A_SEQUENCE
    if need > MEMORY_LIMIT_BYTES:
        raise UsageError(
            f"depth {depth} with these turns needs about {need / 2**30:.0f} GiB; take one turn less or fewer layers"
        )
    for core in cores:
        try:
            LastLayer.after(core.moves, size)
        except LayerError as error:
            raise LayerError(f"core {core}: {error}") from error


class _Halves:
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
        for d in range(1, space.depth + 1):
            rows = slice(space.starts[d], space.starts[d + 1])
            parent, turn = space.parent[rows], space.turn[rows]
            self.setup_effort[rows] = self.setup_effort[parent] + alone[turn]
            self.finish_effort[rows] = self.finish_effort[parent] + back[turn]
            if d > 1:
                self.setup_effort[rows] += pair[space.turn[parent], turn]
                self.finish_effort[rows] += pair_back[space.turn[parent], turn]
        self.finish_keys = space.keys()
        self.cost = space.length

    def seams(self, core: Moves) -> tuple[NDArray[np.int8], NDArray[np.int8], NDArray[np.float32], ...]:  # type: ignore[misc]
        """For each sequence: turns left of setup and of finish after cancelling into the core, seam efforts."""
        space, turns = self.space, self.space.turns
        cost_s, cost_f = self.cost.copy(), self.cost.copy()
        effort_s = np.zeros(len(turns) + 1, np.float32)
        effort_f = np.zeros(len(turns) + 1, np.float32)
        if core:
            for i, turn in enumerate(turns):
                effort_s[i] = self.model.pair_cost(turn, core[0])
                effort_f[i] = self.model.pair_cost(core[-1], turn.inverse())
            for role, cost in ((0, cost_s), (1, cost_f)):
                saved = self._saved(core.inverse() if role else core)
                cost -= saved
        return cost_s, cost_f, effort_s[space.turn], effort_f[space.turn]

    def _saved(self, core: Moves) -> NDArray[np.int8]:
        """Turns that vanish where each sequence meets the start of the core."""
        space, turns = self.space, self.space.turns
        base = len(core.cancelled())
        if not any(len((Moves((t,)) + core).cancelled()) < base + 1 for t in turns):
            return np.zeros(len(space), np.int8)
        saved = np.zeros(len(space), np.int8)
        up = [np.arange(len(space))]
        for _ in range(2):
            up.append(space.parent[up[-1]])
        tails = np.stack([space.turn[row] for row in up], axis=1)
        tails[self.cost < 3, 2] = -1
        tails[self.cost < 2, 1] = -1
        unique, which = np.unique(tails, axis=0, return_inverse=True)
        for i, tail in enumerate(unique.tolist()):
            moves = Moves(tuple(turns[t] for t in reversed(tail) if t >= 0))
            saved[which.ravel() == i] = len(moves) + base - len((moves + core).cancelled())
        return saved


@dataclass(frozen=True, eq=False)
class _Batch:
    """Meetings of one core: index of setup and of inverted finish, turns, effort, place in CASE_LIST."""

    core: Core
    setup: NDArray[np.int64]
    finish: NDArray[np.int64]
    turns: NDArray[np.int16]
    effort: NDArray[np.float32]
    case: NDArray[np.int64]


def _meetings(
    halves: _Halves, core: Core, size: int, outer: bool, ranked: _Ranked
) -> Iterator[tuple[float, int, int]]:
    """Go through all pairs in order of their turns; yields (share done, meetings, turns completed)."""
    space = halves.space
    if outer and size > 3:
        carried = destination_of_state(LastLayer.after(core.moves, size), 3)
    else:
        carried = destination(moves_permutation(core.moves, space.model.size))
    keys_s, keys_f = space.keys(carried), halves.finish_keys
    cost_s, cost_f, seam_s, seam_f = halves.seams(core.moves)
    core_effort = halves.model.effort(core.moves)
    by_cost_s = {int(c): np.flatnonzero(cost_s == c) for c in np.unique(cost_s)}
    by_cost_f = {int(c): np.flatnonzero(cost_f == c) for c in np.unique(cost_f)}
    sorted_s = {c: _by_key(rows, keys_s) for c, rows in by_cost_s.items()}
    sorted_f = {c: _by_key(rows, keys_f) for c, rows in by_cost_f.items()}
    plan = sorted((a + b, a, b) for a in sorted_s for b in sorted_f if core.moves or 0 <= a - b <= 1)
    work = np.cumsum([len(by_cost_s[a]) + len(by_cost_f[b]) for _, a, b in plan])
    for step, (total, a, b) in enumerate(plan):
        meetings = 0
        for i, j in _join(*sorted_s[a], *sorted_f[b]):
            if not core.moves:
                i, j = _without_seam(space, i, j)
            case = _cases(space, carried, i, j, outer)
            effort = halves.setup_effort[i] + halves.finish_effort[j] + core_effort + seam_s[i] + seam_f[j]
            if not core.moves:
                effort = effort + _bare_seam(halves, i, j)
            good = case >= 0
            meetings += int(good.sum())
            turns = np.full(int(good.sum()), total, np.int16)
            ranked.add(_Batch(core, i[good], j[good], turns, effort[good], case[good]))
        last_of_total = step + 1 == len(plan) or plan[step + 1][0] > total
        yield float(work[step] / work[-1]), meetings, total if last_of_total else total - 1


def destination_of_state(state: LastLayer, size: int) -> NDArray[np.intp]:
    """Destination table on stickers of ``size`` that makes this last layer (any parity) of a solved cube."""
    from models.decode_tables import CORNER_FACES, EDGE_FACES, corner_positions, edge_positions, flat_index

    table = np.arange(6 * size * size)
    corners = corner_positions(size)
    for slot in range(4):
        home, twist = state.corners[slot], state.twist[slot]
        for place in range(3):
            table[flat_index(corners[home][place], size)] = flat_index(
                corners[slot][(place + twist) % 3], size
            )
    if size > 2:
        edges = edge_positions(size)
        for slot in range(4):
            home, flip = state.edges[slot], state.flip[slot]
            for place in range(2):
                for k in range(size - 2):
                    source = flat_index(edges[home][place][k], size)
                    table[source] = flat_index(edges[slot][place ^ flip][k], size)
    assert len(CORNER_FACES) == len(EDGE_FACES) == 4
    return table.astype(np.intp)


def _by_key(
    rows: NDArray[np.int64], keys: NDArray[np.uint64]
) -> tuple[NDArray[np.uint64], NDArray[np.int64]]:
    order = np.argsort(keys[rows])
    return keys[rows][order], rows[order]


def _join(
    keys_a: NDArray[np.uint64],
    rows_a: NDArray[np.int64],
    keys_b: NDArray[np.uint64],
    rows_b: NDArray[np.int64],
) -> Iterator[tuple[NDArray[np.int64], NDArray[np.int64]]]:
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


def _without_seam(
    space: Space, i: NDArray[np.int64], j: NDArray[np.int64]
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Pairs of halves whose join is a canonical sequence: no cancelling, one order of turns of one axis."""
    from models.search_space import _follows

    count = len(space.turns)
    allowed = np.ones((count + 1, count + 1), dtype=bool)
    inverse = [space.turns.index(t.inverse()) for t in space.turns]
    allowed[:count, :count] = _follows(space.turns)[inverse].T
    good = allowed[space.turn[i], space.turn[j]]
    return i[good], j[good]


def _bare_seam(halves: _Halves, i: NDArray[np.int64], j: NDArray[np.int64]) -> NDArray[np.float32]:
    turns = halves.space.turns
    cost = np.zeros((len(turns) + 1, len(turns) + 1), np.float32)
    for a, first in enumerate(turns):
        for b, second in enumerate(turns):
            cost[a, b] = halves.model.pair_cost(first, second.inverse())
    seam: NDArray[np.float32] = cost[halves.space.turn[i], halves.space.turn[j]]
    return seam


def _cases(
    space: Space, carried: NDArray[np.intp], i: NDArray[np.int64], j: NDArray[np.int64], outer: bool
) -> NDArray[np.int64]:
    """Place in CASE_LIST of the case each pair solves; -1 where an edge comes out split."""
    model = space.model
    below = len(model.below)
    corners = slice(below, below + 4)
    at_s, at_f = carried[space.positions[corners, i]], space.positions[corners, j]
    twist_at = np.zeros((8, len(i)), dtype=np.int8)
    columns = np.arange(len(i))
    for row in at_f:
        twist_at[model.corner_slot[row], columns] = model.corner_turn[row]
    twist = (twist_at[model.corner_slot[at_s], columns] - model.corner_turn[at_s]) % 3
    twist_index = 9 * twist[0].astype(np.int64) + 3 * twist[1] + twist[2]
    wings = len(model.top_edges) // 4
    if not wings:
        return case_index_of(twist_index)
    edges = slice(below + 4, below + 4 + 4 * wings)
    at_s, at_f = carried[space.positions[edges, i]], space.positions[edges, j]
    slots = int(model.edge_slot.max()) + 1
    turn_at, edge_at = np.full((slots, len(i)), -1, np.int8), np.full((slots, len(i)), -1, np.int8)
    for k, row in enumerate(at_f):
        turn_at[model.edge_slot[row], columns] = model.edge_turn[row]
        edge_at[model.edge_slot[row], columns] = k // wings
    where = model.edge_slot[at_s]
    flip = ((turn_at[where, columns] - model.edge_turn[at_s]) % 2).reshape(4, wings, -1)
    home = edge_at[where, columns].reshape(4, wings, -1)
    flip_index = 8 * flip[0, 0].astype(np.int64) + 4 * flip[1, 0] + 2 * flip[2, 0] + flip[3, 0]
    case = case_index_of(twist_index, flip_index)
    if outer:
        return case
    whole = (
        (flip == flip[:, :1]).all(axis=(0, 1))
        & (home == home[:, :1]).all(axis=(0, 1))
        & (home >= 0).all(axis=(0, 1))
    )
    return np.where(whole, case, -1)


class _Ranked:
    """The best meetings of each wanted case, pruned as they come."""

    def __init__(self, result: Result, space: Space, keep: int, by: str, size: int) -> None:
        self.result, self.space, self.keep, self.by, self.size = result, space, keep, by, size
        self.wanted = {CASES[code].index: code for code in result.cases}
        self.pool: dict[str, list[_Batch]] = {code: [] for code in result.cases}

    def add(self, batch: _Batch) -> None:
        wanted = np.isin(batch.case, list(self.wanted))
        if not wanted.any():
            return
        batch = _pick(batch, np.flatnonzero(wanted))
        order = np.argsort(batch.case, kind="stable")
        edges = np.flatnonzero(np.diff(batch.case[order])) + 1
        for rows in np.split(order, edges):
            code = self.wanted[int(batch.case[rows[0]])]
            self._count(code, batch.turns[rows])
            self.pool[code].append(_pick(batch, self._best(batch, rows)))

    def _count(self, code: str, turns: NDArray[np.int16]) -> None:
        case = self.result.cases[code]
        fewest = int(turns.min())
        if case.shortest is None or fewest < case.shortest:
            case.shortest, case.minimal = fewest, 0
        if fewest == case.shortest:
            case.minimal += int((turns == fewest).sum())

    def _best(self, batch: _Batch, rows: NDArray[np.int64]) -> NDArray[np.int64]:
        turns, effort = batch.turns[rows], batch.effort[rows]
        if not self.keep:
            return rows[turns == turns.min()]
        ranks = (effort, turns) if self.by == "length" else (turns, effort)
        # some to spare: different pairs may make one and the same sequence
        return rows[np.lexsort(ranks)[: 4 * self.keep + 8]]

    def write_out(self, model: EffortModel) -> None:
        """Turn what is left into sequences, each executed on the size asked."""
        for code, batches in self.pool.items():
            case = self.result.cases[code]
            ranked = sorted(
                (self._rank(int(b.turns[k]), float(b.effort[k])), n, k)
                for n, b in enumerate(batches)
                for k in range(len(b.setup))
            )
            seen: set[Moves] = set()
            for _, n, k in ranked:
                batch = batches[n]
                if not self.keep and int(batch.turns[k]) != case.shortest:
                    continue
                if self.keep and len(case.found) >= self.keep:
                    break
                setup = self.space.moves(int(batch.setup[k]))
                finish = self.space.moves(int(batch.finish[k])).inverse()
                moves = (setup + batch.core.moves + finish).cancelled()
                if moves in seen:
                    continue
                seen.add(moves)
                case.found.append(
                    Found(code, setup, batch.core, finish, moves, int(batch.turns[k]), model.effort(moves))
                )
                if solved_by(moves, self.size) != code:
                    raise LastlookError(
                        f"{moves} does not solve {code}: a fault of lastlook, please report it"
                    )

    def _rank(self, turns: int, effort: float) -> tuple[float, float]:
        return (turns, effort) if self.by == "length" else (effort, turns)


def _pick(batch: _Batch, rows: NDArray[np.int64]) -> _Batch:
    return _Batch(
        batch.core,
        batch.setup[rows],
        batch.finish[rows],
        batch.turns[rows],
        batch.effort[rows],
        batch.case[rows],
    )


def solved_by(moves: Moves, size: int) -> str:
    """Code of the case that a sequence solves, executed on that size; ``LayerError`` if it disturbs more."""
    return case_of(LastLayer.after(moves, size).inverse())[0].code


def all_odd_codes() -> tuple[str, ...]:
    """The 54 cases with one or three flipped edges."""
    return tuple(case.code for case in CASE_LIST if case.edges in ("e1", "e3"))
