"""Turns and sequences of them: print, invert, mirror, rotate, cancel and count.

Rule numbers (12a5) are those of the World Cube Association Regulations, Article 12. Printing gives its form
where one turn of it exists; inner slices have none and stay as they are. All values are frozen and hashable.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import overload

MIN_SIZE, MAX_SIZE = 2, 7
FACES = "URFDLB"

_AXIS = {"R": "x", "L": "x", "M": "x", "x": "x", "U": "y", "D": "y", "E": "y", "y": "y",
         "F": "z", "B": "z", "S": "z", "z": "z"}  # fmt: skip
_MIRROR_BASE = {"R": "L", "L": "R"}
_KEPT_BY_MIRROR = "Mx"  # these turn about the left-right axis, and their layers are their own mirror image
# The face to turn instead when the cube was first rotated: "y R" turns what was B, so "y R y'" is B.
_ROTATED_FACE = {
    "x": {"U": "F", "F": "D", "D": "B", "B": "U", "R": "R", "L": "L"},
    "y": {"F": "R", "R": "B", "B": "L", "L": "F", "U": "U", "D": "D"},
    "z": {"U": "L", "L": "D", "D": "R", "R": "U", "F": "F", "B": "B"},
}
_SLICE_FACE = {"M": "L", "E": "D", "S": "F"}
_ROTATION_FACE = {"x": "R", "y": "U", "z": "F"}
_FACE_SLICE = {"L": ("M", 1), "R": ("M", 3), "D": ("E", 1), "U": ("E", 3), "F": ("S", 1), "B": ("S", 3)}
_FACE_ROTATION = {"R": ("x", 1), "L": ("x", 3), "U": ("y", 1), "D": ("y", 3), "F": ("z", 1), "B": ("z", 3)}


@dataclass(frozen=True, slots=True, order=True)
class Turn:
    """One turn, independent of the cube's size.

    ``base``: a face ``U R F D L B``, a middle ``M E S`` or a rotation ``x y z``.
    ``quarters``: 1 clockwise, 2 half, 3 counter-clockwise, seen as Article 12 says.
    ``depth``: for a face, how many layers turn, counted from that face (1..6); with ``inner`` true, the
    number of the one layer that turns (2..6).  Always 1 for ``M E S x y z``.
    """

    base: str
    quarters: int = 1
    depth: int = 1
    inner: bool = False

    def __post_init__(self) -> None:
        if self.base not in _AXIS or self.quarters not in (1, 2, 3):
            raise ValueError(f"no such turn: base {self.base!r}, quarters {self.quarters!r}")
        if not 1 <= self.depth < MAX_SIZE or (self.base not in FACES and (self.depth > 1 or self.inner)):
            raise ValueError(f"no such turn: {self.base} with depth {self.depth}")
        if self.inner and self.depth < 2:
            raise ValueError("an inner slice is counted from 2")

    @property
    def axis(self) -> str:
        """``x``, ``y`` or ``z``: turns of one axis commute."""
        return _AXIS[self.base]

    @property
    def layers(self) -> tuple[str, int, bool]:
        """What turns, whichever way: two turns of the same layers merge."""
        return self.base, self.depth, self.inner

    @property
    def is_rotation(self) -> bool:
        """True for ``x y z``: the whole cube turns (12a4)."""
        return self.base in "xyz"

    @property
    def is_slice(self) -> bool:
        """True for turns of inner layers only (``2R``, ``M``): Article 12 has no single turn for them."""
        return self.inner or self.base in "MES"

    @property
    def min_size(self) -> int:
        """The smallest cube on which this turn exists (12a2: 1 < n < N; an inner slice lies inside)."""
        if self.base in "MES":
            return 3
        return MIN_SIZE if self.is_rotation or self.depth == 1 else self.depth + 1

    @property
    def obtm(self) -> int:
        """12a5: face and block turns 1, rotations 0.  An inner slice is two block turns, hence 2."""
        return 0 if self.is_rotation else 2 if self.is_slice else 1

    @property
    def etm(self) -> int:
        """12a6: each turn or rotation is 1.  An inner slice is one motion: 1 (common practice, no source)."""
        return 1

    def inverse(self) -> Turn:
        """The turn that undoes this one."""
        return Turn(self.base, 4 - self.quarters, self.depth, self.inner)

    def mirrored(self) -> Turn:
        """The same turn seen in a mirror that swaps left and right."""
        base = _MIRROR_BASE.get(self.base, self.base)
        quarters = self.quarters if self.base in _KEPT_BY_MIRROR else 4 - self.quarters
        return Turn(base, quarters, self.depth, self.inner)

    def _rotated_quarter(self, rotation_base: str) -> Turn:
        faces = _ROTATED_FACE[rotation_base]
        if self.base in FACES:
            return Turn(faces[self.base], self.quarters, self.depth, self.inner)
        if self.base in _SLICE_FACE:
            base, sign = _FACE_SLICE[faces[_SLICE_FACE[self.base]]]
        else:
            base, sign = _FACE_ROTATION[faces[_ROTATION_FACE[self.base]]]
        return Turn(base, self.quarters * sign % 4)

    def __str__(self) -> str:
        suffix = ("", "2", "'")[self.quarters - 1]
        if self.base not in FACES or (self.depth == 1 and not self.inner):
            return self.base + suffix
        if self.inner:
            return f"{self.depth}{self.base}{suffix}"
        return f"{self.depth if self.depth > 2 else ''}{self.base}w{suffix}"


@dataclass(frozen=True)
class Moves(Sequence[Turn]):
    """A sequence of turns, done from left to right; ``str`` prints it, ``+`` joins, slices are ``Moves``."""

    turns: tuple[Turn, ...] = ()

    def __len__(self) -> int:
        return len(self.turns)

    def __iter__(self) -> Iterator[Turn]:
        return iter(self.turns)

    @overload
    def __getitem__(self, index: int) -> Turn: ...
    @overload
    def __getitem__(self, index: slice) -> Moves: ...
    def __getitem__(self, index: int | slice) -> Turn | Moves:
        return Moves(self.turns[index]) if isinstance(index, slice) else self.turns[index]

    def __add__(self, other: Iterable[Turn]) -> Moves:
        return Moves(self.turns + tuple(other))

    def __mul__(self, times: int) -> Moves:
        return Moves(self.turns * times)

    def __str__(self) -> str:
        return " ".join(map(str, self.turns))

    @cached_property
    def obtm(self) -> int:
        """Outer Block Turn Metric, 12a5."""
        return sum(turn.obtm for turn in self.turns)

    @cached_property
    def etm(self) -> int:
        """Execution Turn Metric, 12a6."""
        return sum(turn.etm for turn in self.turns)

    @property
    def min_size(self) -> int:
        """The smallest cube on which every turn exists."""
        return max((turn.min_size for turn in self.turns), default=MIN_SIZE)

    def inverse(self) -> Moves:
        """The sequence that undoes this one: its turns undone, the last first."""
        return Moves(tuple(turn.inverse() for turn in reversed(self.turns)))

    def mirrored(self) -> Moves:
        """The sequence as the other hand does it (left and right swapped)."""
        return Moves(tuple(turn.mirrored() for turn in self.turns))

    def rotated(self, rotation: Moves) -> Moves:
        """The sequence ``r``: it does what ``rotation self rotation'`` does, without the rotation.

        ``R`` rotated by ``y`` is ``B``.  Raises ValueError where ``rotation`` holds anything but ``x y z``.
        """
        if not all(step.is_rotation for step in rotation):
            raise ValueError(f"a rotation is made of x, y and z alone, not {rotation}")
        turns = self.turns
        for step in reversed(rotation.turns):
            for _ in range(step.quarters):
                turns = tuple(turn._rotated_quarter(step.base) for turn in turns)
        return Moves(turns)

    def cancelled(self) -> Moves:
        """Neighbouring turns of one axis are merged where they are the same layers, until nothing changes.

        ``R L R`` becomes ``R2 L``, ``R U2 U2 R'`` becomes nothing.  The effect is the same on every size.
        """
        runs: list[list[Turn]] = []  # each run: turns of one axis, no two of the same layers
        for turn in self.turns:
            if not runs or runs[-1][0].axis != turn.axis:
                runs.append([turn])
                continue
            run = runs[-1]
            place = next((i for i, t in enumerate(run) if t.layers == turn.layers), None)
            if place is None:
                run.append(turn)
                continue
            quarters = (run[place].quarters + turn.quarters) % 4
            if quarters:
                run[place] = Turn(turn.base, quarters, turn.depth, turn.inner)
            else:
                del run[place]
                if not run:
                    runs.pop()
        return Moves(tuple(turn for run in runs for turn in run))
