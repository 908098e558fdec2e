"""The journal case by case: how often, how fast at best, in the mean and the median, and lately."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass, fields
from statistics import fmean, median
from typing import Any, Final

from models.attempt import Attempt
from models.cases import CASES

RECENT: Final = 5
"""Of so many attempts, the last that were done, is the mean that shows how it goes lately."""


@dataclass(frozen=True, slots=True)
class CaseSummary:
    """What a journal says of one case on one size.

    ``attempts`` counts all, ``done`` those that came to one colour on top. Times are seconds, of those done
    alone and None without any: the least, the arithmetic mean and the median of all, and ``*_recent_s`` the
    arithmetic mean of the last RECENT at most. Recognition and execution are as in `models.attempt.Attempt`.
    ``last_at`` is when the last attempt began, done or not.
    """

    case: str
    size: int
    attempts: int
    done: int
    recognition_best_s: float | None
    recognition_mean_s: float | None
    recognition_median_s: float | None
    recognition_recent_s: float | None
    execution_best_s: float | None
    execution_mean_s: float | None
    execution_median_s: float | None
    execution_recent_s: float | None
    last_at: str

    def to_json_dict(self) -> dict[str, Any]:
        """Plain values in the order of the columns."""
        return asdict(self)


SUMMARY_COLUMNS: Final = tuple(field.name for field in fields(CaseSummary))


def by_case(attempts: Iterable[Attempt]) -> list[CaseSummary]:
    """One summary for each case and size that occurs, in the order of the list of cases.

    ``attempts`` are in the order of time.
    """
    groups: dict[tuple[str, int], list[Attempt]] = {}
    for attempt in attempts:
        groups.setdefault((attempt.case, attempt.size), []).append(attempt)
    rank = {code: number for number, code in enumerate(CASES)}
    order = sorted(groups, key=lambda key: (rank.get(key[0], len(rank)), *key))
    return [_summary(*key, groups[key]) for key in order]


def _summary(case: str, size: int, attempts: Sequence[Attempt]) -> CaseSummary:
    done = [one for one in attempts if one.result == "done"]
    recognition = _figures([one.recognition_s for one in done if one.recognition_s is not None])
    execution = _figures([one.execution_s for one in done if one.execution_s is not None])
    return CaseSummary(case, size, len(attempts), len(done), *recognition, *execution, attempts[-1].at)


def _figures(seconds: Sequence[float]) -> tuple[float | None, float | None, float | None, float | None]:
    """Best, mean, median and mean of the last; to a tenth of a millisecond, as times are written down."""
    if not seconds:
        return None, None, None, None
    figures = min(seconds), fmean(seconds), median(seconds), fmean(seconds[-RECENT:])
    best, mean, middle, recent = (round(value, 4) for value in figures)
    return best, mean, middle, recent
