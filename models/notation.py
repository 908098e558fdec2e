"""Sequences of turns: read, print, invert, mirror, rotate, cancel and count them.

The notation is that of the World Cube Association Regulations, Article 12:

* 12a1 face turns ``R R' R2``; 12a2 outer block turns ``Rw`` (two layers) and ``nRw`` (n layers, 1 < n < N);
  12a4 rotations of the whole cube ``x y z`` (as R, U and F turn).

On input the trade's other spellings are read as well:

* lower-case ``r`` and ``3r`` for ``Rw`` and ``3Rw``;
* inner slices ``2R`` (only the second layer from R) and ``M E S`` (every layer between the two outer ones,
  turning as L, D and F do; on cubes over 3x3x3 the trade is not of one mind, and this reading is common
  practice, no source);
* typographic primes ``’ ‘ ′ ` ´ ʹ ʼ ＇``, and ``R2'`` for ``R2``;
* turns written without blanks between them (``RUR'U'``): a 2 straight after a letter belongs to that letter;
* round brackets that group for the eye, with a number of repetitions straight after them: ``(R U R' U')3``.

Printing gives the Article 12 form where one turn of it exists; inner slices have none and stay as they are.
All values are frozen and hashable.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import overload

from models.errors import NotationError

MIN_SIZE, MAX_SIZE = 2, 7
MAX_TURNS = 10_000
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

_PRIMES = "'’‘′`´ʹʼ＇"
_TURN = re.compile(
    rf"(?P<count>[0-9]*)(?P<base>[URFDLB]w?|[urfdlb]|[MES]|[xyz])(?P<two>2?)(?P<prime>[{_PRIMES}]?)"
)
_CLOSE = re.compile(r"\)(?P<times>[0-9]*)")


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

    def rotated(self, rotation: Moves | str) -> Moves:
        """The sequence ``r``: it does what ``rotation self rotation'`` does, without the rotation.

        ``parse_moves("R").rotated("y")`` is ``B``.  ``rotation`` holds nothing but ``x y z``.
        """
        steps = parse_moves(rotation) if isinstance(rotation, str) else rotation
        if not all(step.is_rotation for step in steps):
            raise ValueError(f"a rotation is made of x, y and z alone, not {steps}")
        turns = self.turns
        for step in reversed(steps.turns):
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
            layers = (turn.base, turn.depth, turn.inner)
            place = next((i for i, t in enumerate(run) if (t.base, t.depth, t.inner) == layers), None)
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


def parse_moves(text: str, size: int | None = None) -> Moves:
    """Read a sequence; anything that is not one raises ``NotationError`` with its token and column (from 1).

    With ``size`` given, turns that do not exist on that cube are refused as well (12a2: 1 < n < N).
    """
    largest = MAX_SIZE if size is None else min(size, MAX_SIZE)
    groups: list[tuple[int, list[Turn]]] = [(0, [])]  # place of the open bracket, turns inside it
    place = 0
    while place < len(text):
        character = text[place]
        if character.isspace():
            place += 1
        elif character == "(":
            groups.append((place, []))
            place += 1
        elif character == ")":
            if len(groups) == 1:
                raise _error("closes a bracket that was never opened", text, place)
            match = _CLOSE.match(text, place)
            assert match is not None
            times = int(match["times"][:6] or 1)
            _, inside = groups.pop()
            if not times or len(groups[-1][1]) + times * len(inside) > MAX_TURNS:
                raise _error(f"must repeat once or more, and make at most {MAX_TURNS} turns", text, place)
            groups[-1][1].extend(inside * times)
            place = match.end()
        else:
            match = _TURN.match(text, place)
            if match is None:
                raise _error(_hint(text[place], text[:place].rstrip()[-1:]), text, place)
            groups[-1][1].append(_read_turn(match, text, largest))
            place = match.end()
            if len(groups[-1][1]) > MAX_TURNS:
                raise _error(f"makes more than {MAX_TURNS} turns", text, match.start())
    if len(groups) > 1:
        raise _error("opens a bracket that is never closed", text, groups[-1][0])
    return Moves(tuple(groups[0][1]))


def _read_turn(match: re.Match[str], text: str, largest: int) -> Turn:
    base, count = match["base"], match["count"]
    quarters = 2 if match["two"] else 3 if match["prime"] else 1
    wide = base[-1] == "w" or base in "urfdlb"
    face = base[0].upper() if wide else base
    if count and face not in FACES:
        raise _error(f"takes no number before {face}", text, match.start())
    depth = int(count[:6]) if count else 2 if wide else 1
    if count and not 1 < depth < largest:
        may = "2" if largest == 3 else f"from 2 to {largest - 1}"
        raise _error(f"counts layers: the number must be {may}" if largest > 2
                     else "turns layers that a 2x2x2 does not have", text, match.start())  # fmt: skip
    turn = Turn(face, quarters, depth, inner=bool(count) and not wide)
    if turn.min_size > largest:
        raise _error(f"needs a cube of {turn.min_size} layers or more, not {largest}", text, match.start())
    return turn


def _hint(character: str, before: str) -> str:
    """Why no turn begins with a character; ``before``: the last one in front of it that is no blank."""
    if character in "XYZ":
        return "is not a turn: rotations are written in lower case, x y z"
    if character in "mes":
        return "is not a turn: middle slices are written in upper case, M E S"
    if before not in ("", "(") and (character in _PRIMES or character.isdigit()):
        if before == ")":
            return "cannot stand here: after a bracket comes a number of repetitions, without a blank: (R U)3"
        return "cannot stand here: after a turn comes one ' or one 2, without a blank: R' or R2"
    if character in _PRIMES or character in "0123456789":
        return "stands without a turn before it"
    return "is not a turn; turns are U R F D L B, Rw, 3Rw, 2R, M E S, x y z, each with ' or 2 after it"


def _error(reason: str, text: str, place: int) -> NotationError:
    token = text[place:].split(maxsplit=1)[0]
    return NotationError(reason, token if len(token) <= 24 else token[:23] + "…", place + 1)
