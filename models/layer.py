"""The last layer: where its corners and complete edges are, and how a state changes.

Slots, in the order of the answer format: corners ``UFR UFL UBL UBR`` (clockwise seen from above), edges
``UF UR UB UL`` (counter-clockwise).  ``corners[i]`` is the home slot of the corner in slot i, ``twist[i]``
says where its top sticker is: 0 on top, 1 on the next face clockwise seen from outside the corner, 2
counter-clockwise; ``edges[i]`` and ``flip[i]`` likewise for complete edges.  Which states are legal, and the
tables by their index numbers, are in :mod:`models.layer_tables`.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from models.cube import (
    Cube,
    FaceletArray,
    IntArray,
    check_size,
    moves_permutation,
    rotation_moves,
    rotation_permutations,
)
from models.errors import LayerError
from models.layer_tables import (
    CORNER_HOMES,
    CORNER_SLOTS,
    CORNER_TWISTS,
    EDGE_FLIPS,
    EDGE_HOMES,
    EDGE_SLOTS,
    MIRRORED_CORNERS,
    MIRRORED_EDGES,
    PERMUTATIONS,
    corner_positions,
    corner_stickers,
    edge_positions,
    edge_stickers,
    fixed_mask,
    has_edges,
    is_legal,
    permutation_index,
)
from models.turns import FACES, Moves


@dataclass(frozen=True)
class LastLayer:
    """A legal last-layer state with everything below it solved; hashable."""

    size: int
    corners: tuple[int, ...] = (0, 1, 2, 3)
    twist: tuple[int, ...] = (0, 0, 0, 0)
    edges: tuple[int, ...] = (0, 1, 2, 3)
    flip: tuple[int, ...] = (0, 0, 0, 0)

    def __post_init__(self) -> None:
        check_size(self.size)
        if not is_legal(self.size, self.corners, self.twist, self.edges, self.flip):
            raise LayerError(
                f"corners {self.corners} twist {self.twist} edges {self.edges} flip {self.flip} cannot occur "
                f"on a {self.size}x{self.size}x{self.size} by turns; a piece may have been put in wrongly"
            )

    @classmethod
    def solved(cls, size: int) -> LastLayer:
        """Every piece at home and oriented."""
        check_size(size)
        return cls(size) if has_edges(size) else cls(size, edges=(), flip=())

    @classmethod
    def from_indices(cls, size: int, corner_index: int, edge_index: int = 0) -> LastLayer:
        """From corner index 0..647 and edge index 0..383 (see :mod:`models.layer_tables`)."""
        corners = _ints(PERMUTATIONS[corner_index // 27])
        twist = _ints(CORNER_TWISTS[corner_index % 27])
        if not has_edges(size):
            return cls(size, corners, twist, (), ())
        edges, flip = _ints(PERMUTATIONS[edge_index // 16]), _ints(EDGE_FLIPS[edge_index % 16])
        return cls(size, corners, twist, edges, flip)

    @classmethod
    def from_facelets(cls, facelets: NDArray[np.integer[Any]]) -> LastLayer:
        """From a ``(6, n, n)`` array of home faces 0..5; the inverse of ``facelets()``.

        Raises ``LayerError`` saying what is not as it must be: rows below the top layer, centres, a split
        edge, a piece that does not exist or comes twice, or an illegal state.
        """
        size = int(facelets.shape[-1])
        check_size(size)
        flat = facelets.reshape(-1)
        wrong = np.flatnonzero(fixed_mask(size) & (flat != np.repeat(np.arange(6), size * size)))
        if len(wrong):
            face, rest = divmod(int(wrong[0]), size * size)
            row, column = divmod(rest, size)
            raise LayerError(
                f"not a last layer: {FACES[face]} row {row + 1} column {column + 1} should be {FACES[face]} "
                f"and is {FACES[int(flat[wrong[0]])]}; solve everything below the top layer first"
            )
        corners, twist = _pieces(flat[corner_positions(size)], CORNER_HOMES, CORNER_SLOTS)
        edges: tuple[int, ...] = ()
        flip: tuple[int, ...] = ()
        if has_edges(size):
            shown = flat[edge_positions(size)]
            split = np.flatnonzero((shown != shown[:, :1]).any(axis=(1, 2)))
            if len(split):
                slot = EDGE_SLOTS[split[0]]
                raise LayerError(f"not a last layer: the {slot} edge is split; pair its wings first")
            edges, flip = _pieces(shown[:, 0], EDGE_HOMES, EDGE_SLOTS)
        return cls(size, corners, twist, edges, flip)

    @classmethod
    def after(cls, moves: Moves | str, size: int) -> LastLayer:
        """What a sequence makes of a solved cube; ``LayerError`` if it disturbs more than the last layer.

        Where the sequence leaves the whole cube turned, it is judged as if turned back.
        """
        after = Cube.solved(size).apply(moves).facelets().reshape(-1)
        back = rotation_permutations(size)[rotation_back(after)]
        return cls.from_facelets(after[back].reshape(6, size, size))

    @cached_property
    def corner_index(self) -> int:
        """0..647 (see :mod:`models.layer_tables`)."""
        return 27 * permutation_index(self.corners) + self.twist_index

    @cached_property
    def edge_index(self) -> int:
        """0..383 (see :mod:`models.layer_tables`)."""
        return 16 * permutation_index(self.edges) + self.flip_index if self.edges else 0

    @property
    def twist_index(self) -> int:
        """0..26, row of CORNER_TWISTS."""
        return 9 * self.twist[0] + 3 * self.twist[1] + self.twist[2]

    @property
    def flip_index(self) -> int:
        """0..15, row of EDGE_FLIPS."""
        return 8 * self.flip[0] + 4 * self.flip[1] + 2 * self.flip[2] + self.flip[3] if self.flip else 0

    @property
    def is_oriented(self) -> bool:
        """Every piece has its top colour on top."""
        return not any(self.twist) and not any(self.flip)

    def facelets(self) -> FaceletArray:
        """``(6, n, n)`` int8: home face of every sticker, rows as printed on paper."""
        flat = np.repeat(np.arange(6, dtype=np.int8), self.size**2)
        flat[corner_positions(self.size)] = corner_stickers()[self.corner_index]
        if has_edges(self.size):
            flat[edge_positions(self.size)] = edge_stickers()[self.edge_index][:, None, :]
        return flat.reshape(6, self.size, self.size)

    def turned(self, quarters: int) -> LastLayer:
        """The same cube held otherwise: after ``quarters`` turns ``y`` of the whole cube, faces relabelled.

        If a sequence makes this state, ``y' sequence y`` makes ``turned(1)``; what was in front is then left.
        """
        return self._shifted(quarters, relabel=True)

    def after_top(self, quarters: int) -> LastLayer:
        """The state after ``quarters`` clockwise turns of the top layer (``U``)."""
        return self._shifted(quarters, relabel=False)

    def _shifted(self, quarters: int, *, relabel: bool) -> LastLayer:
        change = quarters if relabel else 0
        corner_from = [(i - quarters) % 4 for i in range(4)]
        edge_from = [(i + quarters) % 4 for i in range(4)] if self.edges else []
        return LastLayer(
            self.size,
            tuple((self.corners[i] + change) % 4 for i in corner_from),
            tuple(self.twist[i] for i in corner_from),
            tuple((self.edges[i] - change) % 4 for i in edge_from),
            tuple(self.flip[i] for i in edge_from),
        )

    def mirrored(self) -> LastLayer:
        """Left and right swapped: a sequence that makes this state, mirrored, makes that one."""
        corner_of, edge_of = MIRRORED_CORNERS, MIRRORED_EDGES
        return LastLayer(
            self.size,
            tuple(corner_of[self.corners[i]] for i in corner_of),
            tuple(-self.twist[i] % 3 for i in corner_of),
            tuple(edge_of[self.edges[i]] for i in edge_of) if self.edges else (),
            tuple(self.flip[i] for i in edge_of) if self.edges else (),
        )

    def then(self, other: LastLayer) -> LastLayer:
        """The state after a sequence making ``self`` and then one making ``other``."""
        c, e = other.corners, other.edges
        return LastLayer(
            self.size,
            tuple(self.corners[j] for j in c),
            tuple((self.twist[j] + t) % 3 for j, t in zip(c, other.twist, strict=True)),
            tuple(self.edges[j] for j in e),
            tuple((self.flip[j] + f) % 2 for j, f in zip(e, other.flip, strict=True)),
        )

    def inverse(self) -> LastLayer:
        """What the inverse of a sequence makes: ``state.then(state.inverse())`` is solved."""
        c = tuple(self.corners.index(i) for i in range(4))
        e = tuple(self.edges.index(i) for i in range(len(self.edges)))
        twist, flip = tuple(-self.twist[j] % 3 for j in c), tuple(self.flip[j] for j in e)
        return LastLayer(self.size, c, twist, e, flip)


def _pieces(
    shown: NDArray[np.integer[Any]], homes: tuple[tuple[int, ...], ...], slots: tuple[str, ...]
) -> tuple[tuple[int, ...], tuple[int, ...]]:
    """Home slot and orientation of the piece in each slot, from the faces it shows."""
    known = {h[-o:] + h[:-o] if o else h: (i, o) for i, h in enumerate(homes) for o in range(len(h))}
    found: list[tuple[int, int]] = []
    for slot, stickers in zip(slots, shown.tolist(), strict=True):
        piece = known.get(tuple(stickers))
        letters = "".join(FACES[s] for s in stickers)
        if piece is None:
            raise LayerError(f"not a last layer: no piece shows {letters}, as the one at {slot} does")
        if any(piece[0] == earlier for earlier, _ in found):
            raise LayerError(f"not a last layer: the piece {letters} at {slot} comes twice")
        found.append(piece)
    return tuple(p for p, _ in found), tuple(o for _, o in found)


def _ints(row: IntArray) -> tuple[int, ...]:
    return tuple(int(v) for v in row)


def rotation_back(stickers: NDArray[np.integer[Any]]) -> int:
    """Which of `rotation_moves` turns a cube back: the one that puts most below the last layer home, none (0)
    where it is as good as any. ``stickers``: home faces 0..5, flat (6 * n * n,)."""
    size = round((len(stickers) / 6) ** 0.5)
    options = stickers[rotation_permutations(size)]
    right = (options == np.repeat(np.arange(6), size * size))[:, fixed_mask(size)].sum(axis=1)
    return int(right.argmax())


def upright(moves: Moves, size: int) -> Moves:
    """The sequence, and after it the rotation that turns the cube back where it leaves it turned."""
    after = np.repeat(np.arange(6), size * size)[moves_permutation(moves, size)]
    return moves + rotation_moves()[rotation_back(after)]
