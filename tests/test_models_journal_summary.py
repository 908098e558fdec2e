"""The journal case by case, beside numpy's own means and medians."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from models.attempt import RESULTS, Attempt
from models.cases import CASES
from models.journal_summary import SUMMARY_COLUMNS, CaseSummary, by_case

AN_ATTEMPT = Attempt("2026-11-25T12:00:00.000Z", "", 4, "e0-sune", 1, "R U R'", 1.0, 0.0, 3.0, 0.0, "done", 1)
seconds = st.one_of(st.none(), st.floats(0, 1e4))
attempts = st.builds(
    replace,
    st.just(AN_ATTEMPT),
    at=st.integers(0, 59).map(lambda second: f"2026-11-25T12:00:{second:02}.000Z"),
    size=st.sampled_from([4, 5]),
    case=st.sampled_from(["e3-antisune-right", "e0-sune", "e1-t-left"]),
    recognition_s=seconds,
    execution_s=seconds,
    result=st.sampled_from(RESULTS),
)


@given(st.lists(attempts, max_size=40))
def test_figures_are_those_of_the_attempts_that_were_done(written: list[Attempt]) -> None:
    found = by_case(written)
    assert {(one.case, one.size) for one in found} == {(one.case, one.size) for one in written}
    codes = list(CASES)
    places = [(codes.index(one.case), one.size) for one in found]
    assert places == sorted(set(places)), "in the order of `lastlook cases`"
    for one in found:
        mine = [a for a in written if (a.case, a.size) == (one.case, one.size)]
        done = [a for a in mine if a.result == "done"]
        assert (one.attempts, one.done, one.last_at) == (len(mine), len(done), mine[-1].at)
        values = one.to_json_dict()
        assert tuple(values) == SUMMARY_COLUMNS
        for what in ("recognition", "execution"):
            times = [t for a in done if (t := getattr(a, f"{what}_s")) is not None]
            told = [values[f"{what}_{which}_s"] for which in ("best", "mean", "median", "recent")]
            if not times:
                assert told == [None] * 4
                continue
            right = [np.min(times), np.mean(times), np.median(times), np.mean(times[-5:])]
            assert told == pytest.approx(right, abs=1e-4)


def test_one_that_was_never_done_has_no_times() -> None:
    (one,) = by_case([replace(AN_ATTEMPT, result="lost", execution_s=None)])
    assert one == CaseSummary("e0-sune", 4, 1, 0, *[None] * 8, AN_ATTEMPT.at)
