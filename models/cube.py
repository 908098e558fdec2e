"""The NxNxN cube (N = 2..7) as permutations of its stickers.

Facelet arrays are ``(6, n, n)``: face in the order ``URFDLB``, then row and column as printed on paper (U
with B above it, D with F above it, the sides with U above them, each seen from outside).  The flat index of a
sticker is ``face * n * n + row * n + column``.  A permutation ``p`` (``6 * n * n`` ints) takes the stickers
``old`` to ``new = old[p]``; doing ``p`` and then ``q`` is ``p[q]``.

Space: x to the right (R), y up (U), z to the viewer (F); layers are counted in doubled integer coordinates.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from math import lcm
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from models.errors import UsageError
from models.notation import parse_moves
from models.turns import FACES, MAX_SIZE, MIN_SIZE, Moves, Turn

IntArray = NDArray[np.int64]
FaceletArray = NDArray[np.int8]
_Array = TypeVar("_Array", bound=NDArray[Any])

# face -> (normal, direction of growing row, direction of growing column)
_FRAMES = {
    "U": ((0, 1, 0), (0, 0, 1), (1, 0, 0)),
    "R": ((1, 0, 0), (0, -1, 0), (0, 0, -1)),
    "F": ((0, 0, 1), (0, -1, 0), (1, 0, 0)),
    "D": ((0, -1, 0), (0, 0, -1), (1, 0, 0)),
    "L": ((-1, 0, 0), (0, -1, 0), (0, 0, 1)),
    "B": ((0, 0, -1), (0, -1, 0), (-1, 0, 0)),
}
# A clockwise quarter seen from the positive end of each axis: x as R, y as U, z as F.
_QUARTERS = {
    "x": ((1, 0, 0), (0, 0, 1), (0, -1, 0)),
    "y": ((0, 0, -1), (0, 1, 0), (1, 0, 0)),
    "z": ((0, 1, 0), (-1, 0, 0), (0, 0, 1)),
}
_AGAINST_AXIS = "LDBME"  # these turn clockwise as seen from the negative end


def frozen(array: _Array) -> _Array:
    """The array itself, read-only from here on: so is everything that is kept and shared."""
    array.setflags(write=False)
    return array


FACE_NORMALS, FACE_ROWS, FACE_COLUMNS = frozen(np.array([_FRAMES[face] for face in FACES]).swapaxes(0, 1))
"""(6, 3) each, x y z of ``URFDLB``: outwards, and which way rows and columns grow as printed on paper."""


def check_size(size: int) -> None:
    """Raise ``UsageError`` unless 2 <= size <= 7."""
    if not MIN_SIZE <= size <= MAX_SIZE:
        raise UsageError(f"size {size}: cubes from {MIN_SIZE} to {MAX_SIZE} layers are known")


@cache
def sticker_positions(size: int) -> tuple[IntArray, IntArray]:
    """Centres of all stickers and the outward normals of their faces, each ``(6 * n * n, 3)``.

    Doubled coordinates: layers at ``-(n-1), ..., n-1`` in steps of 2, stickers at ``+-n`` along the normal.
    """
    check_size(size)
    steps = 2 * np.arange(size) - (size - 1)
    centres, normals = [], []
    for normal, down, right in zip(FACE_NORMALS, FACE_ROWS, FACE_COLUMNS, strict=True):
        grid = normal * size + steps[:, None, None] * down + steps[None, :, None] * right
        centres.append(grid.reshape(-1, 3))
        normals.append(np.broadcast_to(normal, (size * size, 3)))
    return frozen(np.concatenate(centres)), frozen(np.concatenate(normals))


@cache
def turn_permutation(turn: Turn, size: int) -> IntArray:
    """``p`` with ``new = old[p]`` for one turn, a read-only ``(6 * n * n,)`` array."""
    check_size(size)
    if turn.min_size > size:
        raise UsageError(f"turn {turn} needs a cube of {turn.min_size} layers or more, not {size}")
    if turn.quarters > 1:
        quarter = turn_permutation(Turn(turn.base, 1, turn.depth, turn.inner), size)
        once_more = turn_permutation(Turn(turn.base, turn.quarters - 1, turn.depth, turn.inner), size)
        return frozen(once_more[quarter])
    centres, _ = sticker_positions(size)
    matrix = np.array(_QUARTERS[turn.axis], dtype=np.int64)
    along = centres[:, "xyz".index(turn.axis)]
    if turn.base in _AGAINST_AXIS:
        matrix, along = matrix.T, -along
    # 1 at the turn's own face, n at the far one
    layer = (size - 1 - np.clip(along, -(size - 1), size - 1)) // 2 + 1
    if turn.is_rotation:
        moving = np.ones(len(layer), dtype=bool)
    elif turn.base in "MES":
        moving = (layer > 1) & (layer < size)
    elif turn.inner:
        moving = layer == turn.depth
    else:
        moving = layer <= turn.depth
    to = np.where(moving[:, None], centres @ matrix.T, centres)
    order = {tuple(position): i for i, position in enumerate(centres.tolist())}
    permutation = np.empty(len(centres), dtype=np.int64)
    permutation[[order[tuple(position)] for position in to.tolist()]] = np.arange(len(centres))
    return frozen(permutation)


def moves_permutation(moves: Moves | str, size: int) -> IntArray:
    """``p`` with ``new = old[p]`` for a whole sequence (parsed first when it is a text)."""
    check_size(size)
    sequence = parse_moves(moves, size) if isinstance(moves, str) else moves
    permutation = np.arange(6 * size * size)
    for turn in sequence:
        permutation = permutation[turn_permutation(turn, size)]
    return permutation


def invert(permutation: IntArray) -> IntArray:
    """The permutation that undoes this one."""
    inverse = np.empty_like(permutation)
    inverse[permutation] = np.arange(len(permutation))
    return inverse


def order(permutation: IntArray) -> int:
    """How often a permutation must be done until everything is back (lcm of its cycle lengths)."""
    seen = np.zeros(len(permutation), dtype=bool)
    result = 1
    for start in range(len(permutation)):
        length, at = 0, start
        while not seen[at]:
            seen[at] = True
            at = int(permutation[at])
            length += 1
        if length:
            result = lcm(result, length)
    return result


@cache
def rotation_moves() -> tuple[Moves, ...]:
    """The 24 ways to hold a cube; index = 4 * (how the new top is fetched: - x x2 x' z z') + y quarters."""
    fetch_top = ("", "x", "x2", "x'", "z", "z'")
    about = ("", "y", "y2", "y'")
    return tuple(parse_moves(f"{first} {second}") for first in fetch_top for second in about)


@cache
def rotation_permutations(size: int) -> IntArray:
    """The permutations of ``rotation_moves()``, ``(24, 6 * n * n)``."""
    return frozen(np.stack([moves_permutation(moves, size) for moves in rotation_moves()]))


@dataclass(frozen=True)
class Cube:
    """The colours of a cube: ``stickers`` holds the home face (0..5 in ``URFDLB``) of each flat sticker."""

    size: int
    stickers: bytes

    def __post_init__(self) -> None:
        check_size(self.size)
        if len(self.stickers) != 6 * self.size**2 or any(s > 5 for s in self.stickers):
            raise ValueError(f"a {self.size}-layer cube has {6 * self.size**2} stickers of faces 0..5")

    @classmethod
    def solved(cls, size: int) -> Cube:
        """Every sticker on its home face."""
        check_size(size)
        return cls(size, bytes(face for face in range(6) for _ in range(size * size)))

    @classmethod
    def from_facelets(cls, facelets: NDArray[np.integer]) -> Cube:
        """From a ``(6, n, n)`` array of home faces 0..5."""
        return cls(facelets.shape[-1], np.ascontiguousarray(facelets, dtype=np.uint8).tobytes())

    def facelets(self) -> FaceletArray:
        """``(6, n, n)`` int8, home face of each sticker."""
        flat = np.frombuffer(self.stickers, dtype=np.uint8).astype(np.int8)
        return flat.reshape(6, self.size, self.size)

    def apply(self, moves: Moves | str) -> Cube:
        """The cube after a sequence."""
        flat = np.frombuffer(self.stickers, dtype=np.uint8)
        return Cube(self.size, flat[moves_permutation(moves, self.size)].tobytes())

    def letters(self) -> dict[str, list[list[str]]]:
        """Face letters, per face the rows as printed on paper (the ``facelets`` of ``apply --json``)."""
        grid = self.facelets()
        return {face: [[FACES[s] for s in row] for row in grid[i].tolist()] for i, face in enumerate(FACES)}
