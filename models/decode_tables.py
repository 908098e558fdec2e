"""Index tables of the decoder: which number of a log-likelihood array belongs to which piece.

Everything here depends on the size of the cube, the colour scheme and the frame alone, is built once
and kept (``lru_cache``). Arrays are read-only.

Frames. Positions in space: x points to R, y to U, z to F, the printed faces as everywhere in lastlook
(U with B above it, D with F above it, side faces with U above them, each as seen from outside).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from models.cube import FACE_NORMALS, frozen, sticker_positions
from models.layer_tables import (
    CORNER_HOMES,
    CORNER_TWISTS,
    EDGE_FLIPS,
    EDGE_HOMES,
    PERMUTATION_PARITY,
    corner_positions,
    corner_stickers,
    edge_positions,
    edge_stickers,
    fixed_mask,
)
from models.layer_tables import PERMUTATIONS as BY_INDEX

IntArray = NDArray[np.intp]
FloatArray = NDArray[np.float64]

U, R, F, D, L, B = range(6)

# Even ones first, so that an array over permutations, or over flip vectors, splits by parity in a reshape;
# else in the order of the index numbers of models/layer.py.
_EVEN_FIRST = frozen(np.argsort(PERMUTATION_PARITY, kind="stable"))
_EVEN_FLIPS_FIRST = frozen(np.argsort(EDGE_FLIPS.sum(axis=1) % 2, kind="stable"))
PERMUTATIONS = tuple(tuple(order) for order in BY_INDEX[_EVEN_FIRST].tolist())
TWISTS = tuple(tuple(twist) for twist in CORNER_TWISTS.tolist())
FLIPS = tuple(tuple(flip) for flip in EDGE_FLIPS[_EVEN_FLIPS_FIRST].tolist())

CORNERS_SHOW = frozen(corner_stickers().reshape(24, 27, 4, 3)[_EVEN_FIRST])
"""Home face (24, 27, 4, 3) by permutation, twist vector, slot and sticker, in the order of those tuples."""
EDGES_SHOW = frozen(edge_stickers().reshape(24, 16, 4, 2)[_EVEN_FIRST][:, _EVEN_FLIPS_FIRST])
"""Home face (24, 16, 4, 2) by permutation, flip vector, slot and side."""


@dataclass(frozen=True, eq=False)
class StateTable:
    """All states of one kind of piece, as sums over slots 0 and 1 and over slots 2 and 3.

    Scores are (4 slots, 4 pieces, ways, H), of ``ways`` ways round. ``first`` and ``second`` (states,) index
    the pair sums; ``places`` (4, states) the flat (slot, piece, way) of each slot. ``alike`` (A, P) indexes
    the A pair sums of the same pieces that are turned alike, so far as that matters for the other two slots;
    ``joined`` (2, parity, J) says which of these P, for either two slots, make the states of either parity.
    No matrix product on purpose: the library behind those starts threads, which cost more than the work is
    worth here.
    """

    ways: int
    first: IntArray
    second: IntArray
    places: IntArray
    alike: IntArray
    joined: IntArray

    def sums(self, scores: FloatArray) -> FloatArray:
        """(states, H): score of each state, its four slots added."""
        one, two = self.pairs(scores)
        total: FloatArray = one.take(self.first, axis=0)
        total += two.take(self.second, axis=0)
        return total

    def pairs(self, scores: FloatArray) -> FloatArray:
        """(2, sums, H): scores of slots 0 and 1 added, of any two pieces in any way, and of slots 2 and 3."""
        both = scores[::2, :, :, None, None] + scores[1::2, None, None]
        return np.asarray(both.reshape(2, -1, scores.shape[-1]))

    def spread(self, weights: FloatArray) -> FloatArray:
        """(places, H): total weight, of (H, states), of the states with a piece one way round in a slot, for
        each of these places."""
        count, size = len(weights), 16 * self.ways
        places = self.places + size * np.arange(count)[:, None, None]
        repeated = np.repeat(weights[:, None], 4, axis=1)
        total = np.bincount(places.ravel(), repeated.ravel(), count * size).astype(np.float64)
        return total.reshape(count, size).T


def _state_table(vectors: tuple[tuple[int, ...], ...], ways: int, modulus: int) -> StateTable:
    """The states of all permutations with these ways round, which are all that add up to 0 by ``modulus``."""
    rows = [(p, v) for p in PERMUTATIONS for v in vectors]

    def pair(a: int, b: int) -> list[int]:
        return [((p[a] * ways + v[a]) * 4 + p[b]) * ways + v[b] for p, v in rows]

    places = [[(slot * 4 + p[slot]) * ways + v[slot] for p, v in rows] for slot in range(4)]
    # what two slots hold, and what their ways add up to; then the states that two and two make
    turns = range(modulus)
    held = [(a, b, turned) for a in range(4) for b in range(4) if a != b for turned in turns]
    both = [(x, y) for x in range(ways) for y in range(ways)]
    alike = [
        [((a * ways + x) * 4 + b) * ways + y for x, y in both if (x + y - turned) % modulus == 0]
        for a, b, turned in held
    ]
    joined = [
        [held.index((p[at], p[at + 1], sign * turned % modulus)) for p in PERMUTATIONS for turned in turns]
        for at, sign in ((0, 1), (2, -1))
    ]
    arrays = [np.array(part, dtype=np.intp) for part in (pair(0, 1), pair(2, 3), places, alike, joined)]
    first, second, places_, alike_, joined_ = (frozen(part) for part in arrays)
    return StateTable(ways, first, second, places_, alike_.T, joined_.reshape(2, 2, -1))


# States in order: permutation * 27 + twist vector; permutation * 16 + flip vector; the latter with an even
# number of flips only, as on odd sizes: permutation * 8 + flip vector.
CORNER_STATES = _state_table(TWISTS, 3, 3)
EDGE_STATES = _state_table(FLIPS, 2, 1)
EVEN_EDGE_STATES = _state_table(FLIPS[:8], 2, 2)


def frame_matrix(top: int, front: int) -> NDArray[np.int64]:
    """Rotation (3, 3) that carries U to the pose-frame face ``top`` and F to ``front``."""
    up, ahead = FACE_NORMALS[top], FACE_NORMALS[front]
    if up @ ahead != 0:
        raise ValueError(f"faces {top} and {front} are not neighbours")
    return np.stack([np.cross(up, ahead), up, ahead], axis=1)


@lru_cache(maxsize=24)
def face_map(top: int, front: int) -> tuple[int, ...]:
    """Pose-frame face on which each of URFDLB lies when U is ``top`` and F is ``front``."""
    turned = FACE_NORMALS @ frame_matrix(top, front).T
    return tuple(int(np.flatnonzero((row == FACE_NORMALS).all(axis=1))[0]) for row in turned)


@lru_cache(maxsize=64)
def frame_stickers(size: int, top: int, front: int) -> IntArray:
    """Gather table g (6 n n): sticker i of the frame (top = U, front = F) is pose-frame sticker g[i]."""
    points, _ = sticker_positions(size)
    place = {tuple(int(v) for v in point): index for index, point in enumerate(points)}
    turned = points @ frame_matrix(top, front).T
    return frozen(np.array([place[tuple(int(v) for v in point)] for point in turned], dtype=np.intp))


def scheme_rotations(scheme: tuple[int, ...], mirror: bool) -> NDArray[np.intp]:
    """All colourings of URFDLB that a solved cube of this scheme can show: (24 or 48, 6) colour indices.

    The first 24 are the turns of the cube, the next 24 (only with ``mirror``) those of its mirror image.
    """
    rows = []
    for swap in (False, True) if mirror else (False,):
        base = list(scheme)
        if swap:
            base[R], base[L] = base[L], base[R]
        for top in range(6):
            for front in range(6):
                if front % 3 != top % 3:
                    rows.append([base[face] for face in face_map(top, front)])
    return np.array(rows, dtype=np.intp)


@dataclass(frozen=True, eq=False)
class Tables:
    """Gather tables for one size, scheme, frame and mirror setting; H hypotheses of colouring.

    ``colours`` (H, 6): colour index of each face URFDLB of the frame. ``mirrored`` (H,) bool.
    ``corner_pick`` (3, 4, 4, 3, H) by sticker, slot, piece, twist and ``edge_pick`` (2, 4, 4, 2, H)
    index a flat (stickers, 6) array of corner stickers (4 * 3 stickers) and edge sides (4 * 2).
    ``fixed_stickers`` go face by face, ``fixed_faces`` says of which, ``fixed_starts`` where each begins.
    """

    size: int
    top: int
    front: int
    colours: IntArray
    mirrored: NDArray[np.bool_]
    corner_stickers: IntArray
    edge_stickers: IntArray
    corner_pick: IntArray
    edge_pick: IntArray
    fixed_stickers: IntArray
    fixed_faces: IntArray
    fixed_starts: IntArray
    gather: IntArray


@lru_cache(maxsize=64)
def tables(size: int, top: int, front: int, scheme: tuple[int, ...], mirror: bool) -> Tables:
    """Tables for the frame in which pose face ``top`` is U and ``front`` is F."""
    gather = frame_stickers(size, top, front)
    colours = scheme_rotations(scheme, mirror)
    hypotheses = len(colours)
    corners = corner_positions(size)
    edges = np.ascontiguousarray(edge_positions(size).swapaxes(1, 2))
    corner_pick = np.zeros((3, 4, 4, 3, hypotheses), dtype=np.intp)
    edge_pick = np.zeros((2, 4, 4, 2, hypotheses), dtype=np.intp)
    for slot in range(4):
        for piece in range(4):
            for twist in range(3):
                for place in range(3):
                    face = CORNER_HOMES[piece][(place - twist) % 3]
                    corner_pick[place, slot, piece, twist] = (slot * 3 + place) * 6 + colours[:, face]
            for flip in range(2):
                for place in range(2):
                    face = EDGE_HOMES[piece][place ^ flip]
                    edge_pick[place, slot, piece, flip] = (slot * 2 + place) * 6 + colours[:, face]
    fixed = np.flatnonzero(fixed_mask(size))
    faces = fixed // (size * size)
    starts = np.flatnonzero(np.diff(faces, prepend=-1))
    arrays = (gather[corners], gather[edges], corner_pick, edge_pick, gather[fixed], faces, starts)
    mirrored = np.arange(hypotheses) >= 24
    for array in (colours, mirrored, *arrays):
        array.setflags(write=False)
    return Tables(size, top, front, colours, mirrored, *arrays, gather)


@lru_cache(maxsize=64)
def under_top(
    size: int, top: int, scheme: tuple[int, ...], mirror: bool
) -> tuple[NDArray[np.bool_], IntArray, IntArray]:
    """With pose face ``top`` as the last layer's: which stickers (6 n n) of the pose lie below its layer, the
    colours (H, 6) of the pose faces in each way to colour the cube, and which of these (H,) are mirrored."""
    front = next(f for f in (F, R, B, L, U, D) if f % 3 != top % 3)
    table = tables(size, top, front, scheme, mirror)
    colours = np.empty((len(table.colours), 6), dtype=np.intp)
    for face, pose_face in enumerate(face_map(top, front)):
        colours[:, pose_face] = table.colours[:, face]
    is_fixed = np.zeros(6 * size * size, dtype=bool)
    is_fixed[table.fixed_stickers] = True
    return frozen(is_fixed), frozen(colours), frozen(table.mirrored.astype(np.intp))
