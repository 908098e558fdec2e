"""All short sequences of a set of turns, as positions of tracked stickers: the ground of the search.

A sequence is written in one canonical way: neighbouring turns of one axis stand in a fixed order and
never twice on the same layer. Every canonical sequence up to a depth is listed once, with its parent
(the same sequence without its last turn), so that nothing but two small numbers is kept a turn.

Pieces are tracked by one sticker each: where that sticker lies says which slot the piece is in and
which way round. Outer turns move complete edges and corners alike on every size, so 3x3x3 stickers
stand for any size from 3 up; with inner turns the stickers of the real size are used, wings and centres
included (centres of one colour count as alike).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from models.cube import frozen, invert, sticker_positions, turn_permutation
from models.errors import NotationError, UsageError
from models.layer_tables import corner_positions, edge_positions
from models.notation import parse_moves
from models.search_result import Progress
from models.turns import Moves, Turn

IndexArray = NDArray[np.int32]
KeyArray = NDArray[np.uint64]
_ZOBRIST_SEED = 20260101


@dataclass(frozen=True, eq=False)
class PieceModel:
    """Which stickers are followed. ``size``: of the stickers, 3 for outer turns on larger cubes.

    ``below``: flat sticker of each piece that must come home; ``kind``: equal numbers are alike.
    ``top_corners`` (4,), ``top_edges`` (4 * wings,): top stickers of the last layer in slot order.
    ``corner_slot``, ``corner_turn`` (stickers,): corner slot 0..7 and clockwise place 0..2 of a corner
    sticker. ``edge_slot``, ``edge_turn``: the same for edge stickers (0..11, 0..1), one wing or middle each.
    """

    size: int
    below: NDArray[np.intp]
    kind: NDArray[np.intp]
    top_corners: NDArray[np.intp]
    top_edges: NDArray[np.intp]
    corner_slot: NDArray[np.int16]
    corner_turn: NDArray[np.int8]
    edge_slot: NDArray[np.int16]
    edge_turn: NDArray[np.int8]


@lru_cache(maxsize=16)
def piece_model(size: int, centres: bool) -> PieceModel:
    """The pieces of a cube of this size; with ``centres`` those are followed too (inner turns move them)."""
    n, count = size, 6 * size * size
    face = np.arange(count) // (n * n)
    row, col = (np.arange(count) // n) % n, np.arange(count) % n
    row_end, col_end = (row == 0) | (row == n - 1), (col == 0) | (col == n - 1)
    cubies = _cubies(n)
    corner_slot, corner_turn = np.full(count, -1, np.int16), np.full(count, -1, np.int8)
    edge_slot, edge_turn = np.full(count, -1, np.int16), np.full(count, -1, np.int8)
    below: list[int] = []
    kind: list[int] = []
    corners = [c for c in cubies if len(c) == 3]
    edges = [c for c in cubies if len(c) == 2]
    for slot, cubie in enumerate(corners):
        for place, sticker in enumerate(cubie):
            corner_slot[sticker], corner_turn[sticker] = slot, place
    for slot, cubie in enumerate(edges):
        for place, sticker in enumerate(cubie):
            edge_slot[sticker], edge_turn[sticker] = slot, place
    for cubie in corners + edges:
        if not any(face[s] == 0 for s in cubie):
            below.append(cubie[0])
            kind.append(len(kind) + 6)
    if centres:
        inside = np.flatnonzero(~row_end & ~col_end)
        below += inside.tolist()
        kind += face[inside].tolist()
    top_edges = edge_positions(n)[:, :, 0].ravel() if n > 2 else np.zeros(0, np.intp)
    return PieceModel(
        n,
        frozen(np.array(below, dtype=np.intp)),
        frozen(np.array(kind, dtype=np.intp)),
        frozen(corner_positions(n)[:, 0].astype(np.intp)),
        frozen(top_edges.astype(np.intp)),
        frozen(corner_slot),
        frozen(corner_turn),
        frozen(edge_slot),
        frozen(edge_turn),
    )


def _cubies(size: int) -> list[list[int]]:
    """Stickers of each corner (clockwise seen from outside) and each wing or middle edge."""
    centres, normals = sticker_positions(size)
    inside = np.clip(centres, -(size - 1), size - 1)
    groups: dict[tuple[int, ...], list[int]] = {}
    for sticker, place in enumerate(inside.tolist()):
        groups.setdefault(tuple(place), []).append(sticker)
    out = []
    for group in groups.values():
        if len(group) == 3:
            a, b, c = (normals[s] for s in group)
            # three outward normals go clockwise, seen from outside, when their determinant is negative
            out.append(group if np.linalg.det(np.stack([a, b, c])) < 0 else [group[0], group[2], group[1]])
        elif len(group) == 2:
            out.append(group)
    return out


def destination(permutation: NDArray[np.integer]) -> NDArray[np.intp]:
    """Where each sticker goes under a sticker permutation (``new = old[p]``)."""
    return invert(np.asarray(permutation, dtype=np.int64)).astype(np.intp)


def turn_set(names: Sequence[str] | str, size: int) -> tuple[Turn, ...]:
    """Quarter and half turns of the layers named: ``"R U"``, ``"R U M"``, ``"Rw U"``, ``"2R U"``.

    Raises ``UsageError`` for what is no turn, for rotations and for nothing at all.
    """
    text = names if isinstance(names, str) else " ".join(names)
    turns: list[Turn] = []
    try:
        layers = parse_moves(text, size)
    except NotationError as error:
        raise UsageError(f"--turns {text}: {error}") from error
    for turn in layers:
        if turn.is_rotation:
            raise UsageError(
                f"--turns {text}: {turn} turns the whole cube; name layers such as R, U, Rw or M"
            )
        turns += [Turn(turn.base, quarters, turn.depth, turn.inner) for quarters in (1, 2, 3)]
    if not turns:
        raise UsageError("--turns names no layer; name some, such as R U F")
    return tuple(dict.fromkeys(turns))


OUTER = "U D R L F B"


def is_outer(turns: Sequence[Turn]) -> bool:
    """True when every turn is a turn of an outer layer, one layer deep."""
    return all(not t.is_rotation and not t.is_slice and t.depth == 1 for t in turns)


@dataclass(frozen=True, eq=False)
class Space:
    """All canonical sequences of up to ``depth`` turns that do not begin with a turn of the top layer.

    Index 0 is the empty sequence; ``starts[d]`` is the index of the first sequence of d turns, and
    ``starts[depth + 1]`` the number of all. ``parent`` and ``turn`` (index into ``turns``) lead back to 0.
    ``positions`` (pieces, sequences): sticker on which each followed piece's sticker lies after the
    sequence; rows are the model's below, then top corners, then top edges.
    """

    model: PieceModel
    turns: tuple[Turn, ...]
    depth: int
    starts: tuple[int, ...]
    parent: IndexArray
    turn: NDArray[np.int16]
    positions: NDArray[np.uint8] | NDArray[np.uint16]

    def __len__(self) -> int:
        return len(self.parent)

    @property
    def length(self) -> NDArray[np.int8]:
        """Number of turns of every sequence."""
        steps = [np.full(self.starts[d + 1] - self.starts[d], d, np.int8) for d in range(self.depth + 1)]
        return np.concatenate(steps)

    def moves(self, index: int) -> Moves:
        """The sequence with that index."""
        turns: list[Turn] = []
        while index:
            turns.append(self.turns[int(self.turn[index])])
            index = int(self.parent[index])
        return Moves(tuple(reversed(turns)))

    def keys(self, after: NDArray[np.intp] | None = None) -> KeyArray:
        """64-bit key of where the pieces below the last layer are, after ``after`` (a destination table)."""
        rng = np.random.default_rng(_ZOBRIST_SEED)
        stickers = 6 * self.model.size**2
        table = rng.integers(0, 2**64, (int(self.model.kind.max()) + 1, stickers), dtype=np.uint64)
        out = np.zeros(len(self), dtype=np.uint64)
        for row, kind in enumerate(self.model.kind):
            values = table[kind] if after is None else table[kind][after]
            for start in range(0, len(self), 1 << 18):
                chunk = slice(start, start + (1 << 18))
                out[chunk] += values[self.positions[row, chunk]]
        return out


def follows(turns: Sequence[Turn]) -> NDArray[np.bool_]:
    """follows[b, a]: turn b may stand straight after turn a in a canonical sequence."""
    order = {layer: i for i, layer in enumerate(dict.fromkeys((t.base, t.depth, t.inner) for t in turns))}
    rank = [order[t.base, t.depth, t.inner] for t in turns]
    allowed = np.ones((len(turns), len(turns)), dtype=bool)
    for b, second in enumerate(turns):
        for a, first in enumerate(turns):
            if first.axis == second.axis:
                allowed[b, a] = rank[a] < rank[b]
    return allowed


def estimate(turns: Sequence[Turn], depth: int) -> int:
    """How many sequences `enumerate_space` will list."""
    after = follows(turns).astype(object)  # Python's integers: these grow beyond 64 bits
    level = np.array([int(not is_top_turn(t)) for t in turns], dtype=object)
    total = 1
    for _ in range(depth):
        total += int(level.sum())
        level = after @ level
    return total


def is_top_turn(turn: Turn) -> bool:
    """True for U, U2 and U'."""
    return turn.base == "U" and turn.depth == 1 and not turn.inner


def enumerate_space(turns: Sequence[Turn], size: int, depth: int, progress: Progress | None = None) -> Space:
    """List every sequence (see `Space`). ``size``: of the stickers to follow.

    Takes (pieces + 6) bytes a sequence; the number is `estimate`. ``progress`` hears the share listed.
    """
    model = piece_model(size, not is_outer(turns))
    ordered = tuple(
        sorted(turns, key=lambda t: (t.axis, not is_top_turn(t), t.base, t.depth, t.inner, t.quarters))
    )
    tables = [destination(turn_permutation(t, size)) for t in ordered]
    dtype = np.uint8 if 6 * size * size <= 256 else np.uint16
    home = np.concatenate([model.below, model.top_corners, model.top_edges]).astype(dtype)
    total = estimate(ordered, depth)
    positions = np.empty((len(home), total), dtype=dtype)
    parent, last = np.zeros(total, np.int32), np.full(total, -1, np.int16)
    positions[:, 0] = home
    after = follows(ordered)
    starts, at = [0, 1], 1
    for d in range(depth):
        begin, end = starts[d], starts[d + 1]
        for t in range(len(ordered)):
            if d == 0:
                rows = np.zeros(0 if is_top_turn(ordered[t]) else 1, dtype=np.int64)
            else:
                rows = begin + np.flatnonzero(after[t][last[begin:end]])
            stop = at + len(rows)
            table = tables[t].astype(dtype)
            for piece in range(len(home)):
                positions[piece, at:stop] = table[positions[piece, rows]]
            parent[at:stop], last[at:stop] = rows, t
            at = stop
            if progress:
                progress(at / total, f"listing {total:,} sequences")
        starts.append(at)
    return Space(model, ordered, depth, tuple(starts), frozen(parent), frozen(last), frozen(positions))
