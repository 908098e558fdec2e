"""Which last layers turns can make: sympy's permutation groups as the judge (Schreier-Sims, membership)."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import pytest
from sympy.combinatorics import Permutation, PermutationGroup

from models.cube import moves_permutation, order
from models.errors import LayerError
from models.layer import LastLayer
from models.layer_tables import is_legal
from models.permutation import PERMUTATION_CASES
from models.search_meet import destination_of_state
from models.search_space import enumerate_space, turn_set
from models.sequences import read_cores


@lru_cache(maxsize=2)
def group(size: int) -> PermutationGroup:
    """The group of all outer turns on the stickers of a cube; for n = 2 and 3 that is the whole cube."""
    return PermutationGroup([Permutation(moves_permutation(face, size).tolist()) for face in "URFDLB"])


def made_by_turns(state: LastLayer, size: int) -> bool:
    """Whether outer turns alone make this last layer of a solved cube with stickers of that size."""
    return bool(group(size).contains(Permutation(destination_of_state(state, size).tolist())))


def test_exactly_the_legal_states_of_a_3x3x3_are_made_by_turns() -> None:
    """States of a 4x4x4 put on 3x3x3 stickers: turns make those that obey the 3x3x3's rules and no other."""
    rng = np.random.default_rng(11)
    seen = {True: 0, False: 0}
    for _ in range(60):
        state = LastLayer.from_indices(4, int(rng.integers(648)), int(rng.integers(384)))
        legal = is_legal(3, state.corners, state.twist, state.edges, state.flip)
        assert made_by_turns(state, 3) == legal
        seen[legal] += 1
    assert min(seen.values()) > 5


def test_every_state_of_a_2x2x2_is_made_by_turns() -> None:
    for index in range(0, 648, 13):
        assert made_by_turns(LastLayer.from_indices(2, index), 2)


def test_a_twist_that_does_not_add_up_is_made_by_none() -> None:
    table = destination_of_state(LastLayer.solved(3), 3)
    ufr = [8, 9, 20]  # U row 3 column 3, R row 1 column 1, F row 1 column 3
    table[ufr] = [ufr[1], ufr[2], ufr[0]]
    assert not group(3).contains(Permutation(table.tolist()))


def test_what_the_cores_do_no_3x3x3_can_show() -> None:
    """One flipped edge, or one swapped pair: the parities of the 4x4x4 (common practice, no source)."""
    for name, moves in read_cores().items():
        assert not made_by_turns(LastLayer.after(moves, 4), 3), name
        assert made_by_turns(LastLayer.after(moves * 2, 4), 3), name


@pytest.mark.parametrize("code", [c.code for c in PERMUTATION_CASES.values() if c.edges])
def test_parity_classes_are_those_outside_the_group(code: str) -> None:
    case = PERMUTATION_CASES[code]
    assert made_by_turns(case.state(4), 3) is not case.parity


def test_a_setup_and_its_undoing_move_the_flipped_edge_or_change_the_corners() -> None:
    """Common practice, no source. All setups of up to three turns of R U F that leave the rest alone."""
    core = read_cores()["flip-one"]
    plain = LastLayer.after(core, 4)
    space = enumerate_space(turn_set("R U F", 3), 3, 3)
    shown, kept = set(), 0
    for index in range(len(space)):
        setup = space.moves(index)
        try:
            state = LastLayer.after(setup + core + setup.inverse(), 4)
        except LayerError:
            continue
        kept += 1
        assert sum(state.flip) % 2 == sum(plain.flip) % 2 == 1, "conjugating keeps the parity of the flips"
        assert order(moves_permutation(setup + core, 4)[moves_permutation(setup.inverse(), 4)]) == order(
            moves_permutation(core, 4)
        )
        shown.add((state.twist, state.flip))
    assert kept > 3 and len(shown) > 1
