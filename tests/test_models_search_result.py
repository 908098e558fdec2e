"""What a search says that it proved: no more than it searched, and of what it counted."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from models.cube import Cube, turn_permutation
from models.layer import LastLayer
from models.permutation import PERMUTATION_CASES, SOLVED_CODE
from models.search import find
from models.search_result import NO_CORE, CaseResult, Core, Result, may_turn_the_cube
from models.search_space import OUTER, turn_set
from models.sequences import read_cores

CORE = Core("flip-one", read_cores()["flip-one"])
ARRANGEMENTS = [code for code in PERMUTATION_CASES if code != SOLVED_CODE]


def result(
    code: str, core: Core, shortest: int | None, *, complete: bool = True, searched: int | None = 10
) -> Result:
    turns = turn_set("R U F", 4)
    return Result(4, 5, turns, (core,), {code: CaseResult(code, shortest)}, complete, searched)


@pytest.mark.parametrize("core", [CORE, NO_CORE])
@pytest.mark.parametrize("code", ["e1-pi-left", *ARRANGEMENTS[:2]])
def test_what_was_counted_is_said(code: str, core: Core) -> None:
    """A core's own turns are not counted; of an arrangement one turn of the top may be left to do."""
    told = result(code, core, 3).proof(code)
    assert ("setup and finish turns" in told) == (core is CORE) == ("round flip-one" in told)
    assert ("no core" in told) == (core is NO_CORE)
    assert ("top layer apart" in told) == (code in ARRANGEMENTS)
    assert "5+5 turns of R U F" in told


@given(
    st.none() | st.integers(-2, 10),
    st.booleans(),
    st.none() | st.integers(-3, 10),
    st.sampled_from([CORE, NO_CORE]),
)
def test_no_more_is_proved_than_was_searched(
    shortest: int | None, complete: bool, searched: int | None, core: Core
) -> None:
    searched = 10 if complete else searched
    made = result("e1-pi-left", core, shortest, complete=complete, searched=searched)
    told = made.proof("e1-pi-left")
    least = shortest is not None and searched is not None and shortest <= searched
    # round a core all 6 may stand on one side, where 5 were tried
    everywhere = least and shortest is not None and shortest <= (6 if core is CORE else 10)
    assert made.proved("e1-pi-left") == (least or complete)
    assert told.startswith("shortest: ") == made.is_shortest("e1-pi-left") == everywhere
    assert told.startswith(f"{shortest} ") == (shortest is not None and not everywhere)
    assert ("the fewest with at most 5 each" in told) == (least and not everywhere)
    assert made.is_counted("e1-pi-left") == (everywhere and (core is NO_CORE or shortest != 6))
    assert told.startswith("none within") == (shortest is None and complete)
    assert ("stopped" in told) == (not complete and not least)
    assert "exhaustively" not in told or complete or (least and searched is not None and searched > 0)
    if not complete and "all of" in told:
        # pairs up to a sum are fewer than pairs up to a sum of their limits
        assert f"all of up to {searched} turn" in told and "5+5" not in told
        assert (", 5 each at most" in told) == (core is CORE and searched is not None and searched > 5)
    if shortest is not None and not least:
        # found with more turns than were searched through
        assert told.startswith(f"{shortest} ") and "perhaps not the fewest" in told


@pytest.mark.parametrize(
    ("size", "layers", "word"),
    [(2, "R L", "R L'"), (3, "R L M U", "R M' L'"), (3, "Rw L", "Rw L'"), (4, "Rw Lw", "Rw' Lw"),
     (5, "U 3Uw Dw", "3Uw2 Dw2"), (6, "R L M F", "L' M' R")],
)  # fmt: skip
def test_no_more_is_proved_than_of_sequences_that_keep_the_cube_as_it_is_held(
    size: int, layers: str, word: str
) -> None:
    """The word does nothing but turn the whole cube, so shorter sequences may end with the cube turned."""
    assert Cube.solved(size) != Cube.solved(size).apply(word)
    assert LastLayer.after(word, size) == LastLayer.solved(size)
    told = find(["e0-sune"], size=size, turns=layers, depth=1).proof("e0-sune")
    assert "that leave the cube as it is held" in told


@pytest.mark.parametrize(
    ("size", "layers"), [(2, "R U F"), (4, "Rw U"), (5, "R 2L M D"), (3, OUTER), (7, OUTER)]
)
def test_a_cube_stays_as_it_is_held_where_a_corner_or_all_centres_stay(size: int, layers: str) -> None:
    turns = turn_set(layers, size)
    stays = np.all([turn_permutation(turn, size) == np.arange(6 * size * size) for turn in turns], axis=0)
    middle = size // 2
    centres = stays.reshape(6, size, size)[:, middle, middle].all() and size > 2
    corners = np.ix_(range(6), (0, size - 1), (0, size - 1))
    assert centres or stays.reshape(6, size, size)[corners].sum() >= 3
    assert not may_turn_the_cube(turns, size)
    assert "held" not in Result(size, 5, turns, (NO_CORE,), {"T": CaseResult("T")}).proof("T")


def test_a_search_round_several_cores_proves_nothing_before_the_last() -> None:
    """The first core alone solves it with no turn; what the second does is not known yet."""
    stopped = result("e1-pi-left", CORE, 0, complete=False, searched=None)
    assert not stopped.proved("e1-pi-left")
    assert stopped.proof("e1-pi-left").endswith("the search was stopped before it proved anything")
