"""What a search says that it proved: no more than it searched, and of what it counted."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from models.permutation import PERMUTATION_CASES, SOLVED_CODE
from models.search_result import NO_CORE, CaseResult, Core, Result
from models.search_space import turn_set
from models.sequences import read_cores

CORE = Core("flip-one", read_cores()["flip-one"])
ARRANGEMENTS = [code for code in PERMUTATION_CASES if code != SOLVED_CODE]


def result(
    code: str, core: Core, shortest: int | None, *, complete: bool = True, searched: int = 10
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


@given(st.none() | st.integers(0, 10), st.booleans(), st.integers(0, 10))
def test_no_more_is_proved_than_was_searched(shortest: int | None, complete: bool, searched: int) -> None:
    searched = 10 if complete else searched
    told = result("e1-pi-left", CORE, shortest, complete=complete, searched=searched).proof("e1-pi-left")
    assert told.startswith("shortest: ") == (shortest is not None and shortest <= searched)
    assert told.startswith("none within") == (shortest is None and complete)
    assert ("stopped" in told) == (not complete and (shortest is None or shortest > searched))
    if not complete and "exhaustively" in told:
        assert f"all of {searched} together" in told
