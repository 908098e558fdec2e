"""How cases hang together: mirror images, inverses, and sequences carried over along them.

A sequence mirrored (left and right swapped) solves the mirror case, always. A sequence done backwards
solves a case that depends on where it leaves the pieces, so a case has one mirror image but several
possible inverse partners; which of them a given sequence leads to, the engine tells.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from models.cases import CASE_LIST, CASES, case_index_of, mirror_of
from models.layer import upright
from models.layer_tables import PERMUTATIONS
from models.library import Library
from models.permutation import PERMUTATION_CASES, permutation_of
from models.sequences import Entry, solved_class
from models.turns import Moves


@lru_cache(maxsize=256)
def inverse_partners(code: str) -> tuple[str, ...]:
    """Codes of the cases that sequences solving ``code`` may solve when done backwards.

    Of a state with twists t and corners c, the inverse has twist -t[i] in the home slot c[i] of what is in
    slot i; likewise for edges. All permutations that even sizes allow are gone through.
    """
    if code not in CASES:
        state = PERMUTATION_CASES[code].state(4 if PERMUTATION_CASES[code].edges else 2)
        return (permutation_of(state.inverse())[0],)
    case = CASES[code]
    twist, flip = np.empty((24, 4), np.int64), np.empty((24, 4), np.int64)
    rows = np.arange(24)[:, None]
    twist[rows, PERMUTATIONS] = -np.array(case.twist) % 3
    flip[rows, PERMUTATIONS] = np.array(case.flip)
    twist_index = twist @ np.array((9, 3, 1, 0))
    flip_index = flip @ np.array((8, 4, 2, 1))
    found = np.unique(case_index_of(twist_index[:, None], flip_index[None, :]))
    return tuple(CASE_LIST[int(i)].code for i in found)


def mirror_code(code: str) -> str:
    """Code of the mirror image."""
    if code in CASES:
        return mirror_of(CASES[code]).code
    case = PERMUTATION_CASES[code]
    return permutation_of(case.state(4 if case.edges else 2).mirrored())[0]


@dataclass(frozen=True)
class Carried:
    """A sequence that solves a case because another one solves a related case.

    ``how``: "mirrored", "inverted" or "mirrored and inverted"; ``origin``: the entry it comes from.
    """

    code: str
    angle: int
    moves: Moves
    how: str
    origin: Entry


def carried_over(library: Library, code: str, size: int) -> tuple[Carried, ...]:
    """Sequences for a case made from those of its relations, none of which the library holds already.

    None of those that the user hid is among them either. Every one is executed on that size before it is
    returned.
    """
    hidden = (entry for entry in library.hidden if entry.code == code)
    held = {str(entry.moves(size)) for entry in (*library.of(code), *hidden) if size in entry.sizes}
    out: dict[str, Carried] = {}
    for entry in library.entries:
        if size not in entry.sizes:
            continue
        ways = []
        related = mirror_code(entry.code), entry.inverse_code, mirror_code(entry.inverse_code)
        # backwards a sequence begins with the cube as it leaves it
        moves = upright(entry.moves(size), size).cancelled() if code in related else Moves()
        if related[0] == code:
            ways.append(("mirrored", moves.mirrored()))
        if related[1] == code:
            ways.append(("inverted", moves.inverse()))
        if related[2] == code:
            ways.append(("mirrored and inverted", moves.mirrored().inverse()))
        for how, moves in ways:
            text = str(moves)
            if text in held or text in out:
                continue
            found, angle = solved_class(moves, size)
            if found == code:
                out[text] = Carried(code, angle, moves, how, entry)
    return tuple(out.values())
