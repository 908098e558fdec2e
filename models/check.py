"""What a sequence does: the case it solves, from which angle, and what else it disturbs."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from models.cases import case_of
from models.cube import Cube, invert, moves_permutation, rotation_moves, rotation_permutations
from models.effort import EffortModel, load_effort
from models.errors import LayerError
from models.layer import LastLayer, rotation_back
from models.layer_tables import edge_positions
from models.permutation import SOLVED_CODE, permutation_of
from models.turns import FACES, Moves

ANGLE_TURNS = ("", "y", "y2", "y'")
"""The rotation that brings a case from its own frame to how it lies, by angle."""
# the two side faces of each slot below the top layer, and its name
_SLOTS = (("FR", "F", "R"), ("FL", "F", "L"), ("BL", "B", "L"), ("BR", "B", "R"))


@dataclass(frozen=True)
class Check:
    """The outcome of `check_moves`.

    ``solves``: code of the orientation case, or of the permutation class when all pieces are oriented, of
    the state that the sequence solves; None when it disturbs more than the last layer or solves nothing.
    ``start``: rotation from the case's own frame to how the state lies, one of ``ANGLE_TURNS``.
    ``state``: that state, None when more than the last layer is disturbed. ``turned``: rotation of the whole
    cube that the sequence ends with ("" for none). ``disturbs``: what else it does, in plain words.
    """

    size: int
    moves: Moves
    solves: str | None
    start: str
    state: LastLayer | None
    turned: str
    disturbs: tuple[str, ...]
    effort: float

    @property
    def preserves(self) -> bool:
        """Everything below the last layer, the centres and the pairs stay as they were."""
        return self.state is not None

    def to_json_dict(self) -> dict[str, object]:
        """The object of ``check --json``; twist and flip are empty when the rest is not preserved."""
        return {
            "size": self.size,
            "solves": self.solves,
            "from": self.start,
            "preserves": self.preserves,
            "disturbs": list(self.disturbs),
            "twist": list(self.state.twist) if self.state else [],
            "flip": list(self.state.flip) if self.state else [],
            "obtm": self.moves.obtm,
            "etm": self.moves.etm,
            "effort": round(self.effort, 2),
        }


def check_moves(moves: Moves, size: int, *, effort: EffortModel | None = None) -> Check:
    """Execute a sequence on a solved cube of that size and say what it does.

    A sequence may leave the whole cube turned; it is judged as if turned back. Raises ``UsageError`` for
    turns that the size does not have.
    """
    cost = (effort or load_effort()).effort(moves)
    stickers = np.arange(6 * size * size) // (size * size)
    after = stickers[moves_permutation(moves, size)]
    back = rotation_back(after)
    after = after[rotation_permutations(size)[back]]
    undone = invert(rotation_permutations(size)[back])
    turned = str(rotation_moves()[int((rotation_permutations(size) == undone).all(axis=1).argmax())])
    disturbs = _disturbed(after.reshape(6, size, size), size)
    if turned:
        disturbs.append(f"leaves the whole cube turned by {turned}")
    state = None
    try:
        cube = Cube.from_facelets(after.reshape(6, size, size))
        state = LastLayer.from_facelets(cube.facelets()).inverse()
    except LayerError as error:
        if not disturbs or disturbs == [f"leaves the whole cube turned by {turned}"]:
            disturbs.append(str(error))
    solves, start = None, ""
    if state is not None:
        code, angle = permutation_of(state) if state.is_oriented else _case(state)
        solves = None if code == SOLVED_CODE else code
        start = ANGLE_TURNS[angle] if solves else ""
    return Check(size, moves, solves, start, state, turned, tuple(disturbs), cost)


def middles_said(moves: Moves, size: int) -> list[str]:
    """How M, E and S are read on cubes over 3x3x3, and what a single layer is written as: a line for each.

    The trade is not of one mind on them there (see `models.notation`).
    """
    if size <= 3:
        return []
    layers = "both" if size == 4 else f"all {size - 2}"
    out = []
    for middle, face in (("M", "L"), ("E", "D"), ("S", "F")):
        if any(turn.base == middle for turn in moves):
            single = [f"{depth}{face}" for depth in range(2, size)]
            meant, written = "one", f"{', '.join(single[:-1])} or {single[-1]}"
            if size % 2:
                meant, written = "the middle one", f"{size // 2 + 1}{face}"
            out.append(
                f"on a {size}x{size}x{size} {middle} turns {layers} inner layers, as {face} turns;"
                f" where {meant} alone is meant, write {written}"
            )
    return out


def _case(state: LastLayer) -> tuple[str, int]:
    case, angle = case_of(state)
    return case.code, angle


def _disturbed(after: NDArray[np.int64], size: int) -> list[str]:
    """What is not home below the last layer, in plain words."""
    wrong = after != np.arange(6)[:, None, None]
    last = size - 1
    inner = slice(1, last)
    out = []
    for name, left, right in _SLOTS:
        a, b = FACES.index(left), FACES.index(right)
        column_a, column_b = (last, 0) if name in ("FR", "BL") else (0, last)
        if wrong[a, 1:, column_a].any() or wrong[b, 1:, column_b].any():
            out.append(f"breaks {name} pair" if size > 2 else f"moves the D{name} corner")
    if size == 2:
        return out
    for face in "FRBL":
        below = {"F": (0, inner), "B": (last, inner), "R": (inner, last), "L": (inner, 0)}[face]
        if wrong[FACES.index(face), last, inner].any() or wrong[3][below].any():
            out.append(f"moves the D{face} edge")
    turned = [face for face in FACES if wrong[FACES.index(face), inner, inner].any()]
    if turned:
        out.append(f"leaves centres turned ({' '.join(turned)})")
    top = after.reshape(-1)[edge_positions(size)]
    for slot, shown in zip(("UF", "UR", "UB", "UL"), top, strict=True):
        if (shown != shown[:1]).any():
            out.append(f"splits the {slot} edge")
    return out
