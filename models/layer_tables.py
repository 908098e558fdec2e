"""The last layer in tables: its slots, the laws of legal states, index numbers, and the stickers that show.

Legal states (the laws of the cube, common practice; the tests hold them against permutation groups):

* twists add up to 0 modulo 3 on every size;
* n = 3, 5, 7: corners and edges have the same permutation parity, and an even number of edges is flipped
  (complete edges on 5x5x5 and 7x7x7 contain the middle piece, which obeys the 3x3x3's rules);
* n = 4, 6: edges have no middle piece, so any permutation and any flips occur;
* n = 2: no edges, any corner permutation.

Index numbers, used by the decoder and the case table: twist index ``9 UFR + 3 UFL + UBL`` (0..26), flip
index ``8 UF + 4 UR + 2 UB + UL`` (0..15), permutation index in lexicographic order (0..23), corner index
``27 * permutation + twist`` (0..647), edge index ``16 * permutation + flip`` (0..383; 0 for n = 2).
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache
from itertools import permutations, product

import numpy as np
from numpy.typing import NDArray

from models.cube import FaceletArray, IntArray, check_size, frozen
from models.turns import FACES

CORNER_SLOTS = ("UFR", "UFL", "UBL", "UBR")
EDGE_SLOTS = ("UF", "UR", "UB", "UL")
CORNER_HOMES = tuple(tuple(FACES.index(f) for f in faces) for faces in ("URF", "UFL", "ULB", "UBR"))
"""Faces 0..5 of each corner slot clockwise from the top sticker, seen from outside the corner."""
EDGE_HOMES = tuple(tuple(FACES.index(f) for f in slot) for slot in EDGE_SLOTS)
"""Faces 0..5 of each edge slot, the top first."""

PERMUTATIONS = frozen(np.array(list(permutations(range(4)))))
"""(24, 4), row = permutation index."""
PERMUTATION_PARITY = frozen(
    np.array([sum(p[i] > p[j] for i in range(4) for j in range(i + 1, 4)) % 2 for p in PERMUTATIONS.tolist()])
)
"""(24,), 1 for odd."""
CORNER_TWISTS = frozen(np.array([(a, b, c, -(a + b + c) % 3) for a, b, c in product(range(3), repeat=3)]))
"""(27, 4), row = twist index; the fourth twist follows from the other three."""
EDGE_FLIPS = frozen(np.array(list(product(range(2), repeat=4))))
"""(16, 4), row = flip index."""
MIRRORED_CORNERS, MIRRORED_EDGES = (1, 0, 3, 2), (0, 3, 2, 1)
"""The slot that each becomes where left and right change places."""
CORNER_STATES, EDGE_STATES = 24 * 27, 24 * 16
"""How many corner and edge indices there are."""

_PERMUTATION_INDEX = {tuple(p): i for i, p in enumerate(PERMUTATIONS.tolist())}
_Piece = tuple[tuple[str, int, int], ...]  # face, row and column of each sticker


def has_edges(size: int) -> bool:
    """False for a 2x2x2, which is corners alone."""
    return size > 2


def obeys_parity(size: int) -> bool:
    """True for odd sizes, whose edges contain the 3x3x3's middle pieces."""
    return size % 2 == 1


def is_legal(size: int, corners: tuple[int, ...], twist: tuple[int, ...], edges: tuple[int, ...],
             flip: tuple[int, ...]) -> bool:  # fmt: skip
    """Whether turns can produce this last layer with the rest of the cube solved."""
    slots = list(range(4))
    if sorted(corners) != slots or len(twist) != 4 or not set(twist) <= {0, 1, 2} or sum(twist) % 3:
        return False
    if not has_edges(size):
        return not edges and not flip
    if sorted(edges) != slots or len(flip) != 4 or not set(flip) <= {0, 1}:
        return False
    return not obeys_parity(size) or (_parity(corners) == _parity(edges) and sum(flip) % 2 == 0)


def permutation_index(permutation: tuple[int, ...]) -> int:
    """0..23, row of PERMUTATIONS."""
    return _PERMUTATION_INDEX[permutation]


@cache
def corner_positions(size: int) -> IntArray:
    """``(4, 3)`` flat sticker indices of the corner slots: top, next clockwise, next counter-clockwise."""
    last = size - 1
    places = (
        [(("U", last, last), ("R", 0, 0), ("F", 0, last))],
        [(("U", last, 0), ("F", 0, 0), ("L", 0, last))],
        [(("U", 0, 0), ("L", 0, 0), ("B", 0, last))],
        [(("U", 0, last), ("B", 0, 0), ("R", 0, last))],
    )
    return _flat(places, size)[:, 0]


@cache
def edge_positions(size: int) -> IntArray:
    """``(4, n - 2, 2)`` flat sticker indices of the edge slots: the pieces of the edge, each (top, side).

    The pieces stand in the order of the rows or columns of U.
    """
    last = size - 1
    places = (
        [(("U", last, i), ("F", 0, i)) for i in range(1, last)],
        [(("U", i, last), ("R", 0, last - i)) for i in range(1, last)],
        [(("U", 0, i), ("B", 0, last - i)) for i in range(1, last)],
        [(("U", i, 0), ("L", 0, i)) for i in range(1, last)],
    )
    return _flat(places, size).reshape(4, size - 2, 2)


@cache
def fixed_mask(size: int) -> NDArray[np.bool_]:
    """Which stickers (6 * n * n,) are no part of the last layer's corners and edges."""
    below = np.ones(6 * size * size, dtype=bool)
    below[corner_positions(size).ravel()] = False
    below[edge_positions(size).ravel()] = False
    return frozen(below)


@cache
def corner_stickers() -> FaceletArray:
    """``(648, 4, 3)`` home faces shown by the slots of every corner index, as ``corner_positions`` orders."""
    homes = np.array(CORNER_HOMES, dtype=np.int8)
    shown = np.empty((24, 27, 4, 3), dtype=np.int8)
    for place in range(3):  # here, clockwise from the top, is the piece's sticker number place - twist
        shown[:, :, :, place] = homes[PERMUTATIONS[:, None, :], (place - CORNER_TWISTS[None]) % 3]
    return frozen(shown.reshape(CORNER_STATES, 4, 3))


@cache
def edge_stickers() -> FaceletArray:
    """``(384, 4, 2)`` home faces shown (top, side) by the slots of every edge index."""
    homes = np.array(EDGE_HOMES, dtype=np.int8)
    shown = np.empty((24, 16, 4, 2), dtype=np.int8)
    for place in range(2):
        shown[:, :, :, place] = homes[PERMUTATIONS[:, None, :], (place + EDGE_FLIPS[None]) % 2]
    return frozen(shown.reshape(EDGE_STATES, 4, 2))


@cache
def legal_mask(size: int) -> NDArray[np.bool_]:
    """``(648, 384)`` bool, which pairs of corner and edge index are legal; ``(648, 1)`` for n = 2."""
    check_size(size)
    if not has_edges(size):
        mask = np.ones((CORNER_STATES, 1), dtype=bool)
    elif not obeys_parity(size):
        mask = np.ones((CORNER_STATES, EDGE_STATES), dtype=bool)
    else:
        corner = np.repeat(PERMUTATION_PARITY, 27)
        edge = np.repeat(PERMUTATION_PARITY, 16)
        even_flips = np.tile(EDGE_FLIPS.sum(axis=1) % 2 == 0, 24)
        mask = (corner[:, None] == edge[None, :]) & even_flips[None, :]
    return frozen(mask)


def state_count(size: int) -> int:
    """648 (n = 2), 62,208 (odd), 248,832 (4 and 6)."""
    return int(legal_mask(size).sum())


def _flat(slots: Sequence[Sequence[_Piece]], size: int) -> IntArray:
    """``(slots, pieces, stickers)`` flat indices."""
    index = [[[FACES.index(f) * size**2 + row * size + col for f, row, col in p] for p in s] for s in slots]
    return frozen(np.array(index, dtype=np.int64))


def _parity(permutation: tuple[int, ...]) -> int:
    return int(PERMUTATION_PARITY[_PERMUTATION_INDEX[permutation]])
