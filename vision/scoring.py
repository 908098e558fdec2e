"""How well answers agree with the truth: one mark a picture, then sums over any set of marks.

A judge accepts any quarter turn of the whole cube: near 45 degrees two sides are equally in front.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final, Literal

import numpy as np
from numpy.typing import NDArray

from vision.answer import Answer, Rows
from vision.truth import Truth

Outcome = Literal["right", "wrong", "abstained", "missed", "refused", "refused-otherwise"]
SURE: Final = 0.9
BINS: Final = 10
_AROUND: Final = "BRFL"
"""Sides in the order of the top quad's edges, from back-left round."""


@dataclass(frozen=True, slots=True)
class Mark:
    """One picture's marks.

    ``outcome``: right | wrong (named, and not so) | abstained (seen, not named) | missed (no cube
    found) for a picture with a case; refused (with the right reason) | refused-otherwise | wrong for a
    negative; missed for any picture that cannot be read. ``claimed`` is the best candidate's probability and
    ``claim_holds`` whether it is the true case, None where either is missing; ``brier`` is the sum over all
    codes of (p - truth)^2. ``raw`` and ``settled_stickers`` are (right, compared) counts of the readable
    stickers as read and after decoding. ``placement`` is the mean distance of the top face's corners in
    sticker widths.
    """

    truth: Truth
    answer: Answer
    outcome: Outcome
    claimed: float | None
    claim_holds: bool | None
    brier: float | None
    listed: bool | None
    list_as_short: bool | None
    size_right: bool | None
    raw: tuple[int, int]
    settled_stickers: tuple[int, int]
    placement: float | None

    @property
    def sureness(self) -> float | None:
        """The probability of the case that was named, also where there is none to name; else ``claimed``."""
        return self.answer.case.probability if self.answer.case else self.claimed


def marked(answer: Answer, truth: Truth) -> Mark:
    """Hold ``answer`` against ``truth``."""
    turn = turn_between(answer, truth)
    claimed = holds = brier = listed = short = None
    if truth.code is not None and answer.candidates:
        claimed = answer.candidates[0].probability
        holds = answer.candidates[0].code == truth.code
        brier = _brier(answer, truth.code)
        listed = any(one.code == truth.code for one in answer.candidates)
        short = len(answer.candidates) <= len(truth.fitting)
    elif truth.code is not None:
        listed = short = False
    found = answer.size is not None
    decoded = answer.state.facelets if answer.state is not None else {}
    return Mark(
        truth=truth,
        answer=answer,
        outcome=_outcome(answer, truth),
        claimed=claimed,
        claim_holds=holds,
        brier=brier,
        listed=listed,
        list_as_short=short,
        size_right=answer.size == truth.size if truth.size is not None and found else None,
        raw=_agreement(answer.seen, truth, turn),
        settled_stickers=_agreement(decoded, truth, turn) if truth.code is not None else (0, 0),
        placement=_placement(answer, truth, turn),
    )


def is_unread(answer: Answer) -> bool:
    """Whether the file could not be read; in a grey picture, which is unreadable too, a cube was found."""
    return answer.reason == "unreadable" and answer.size is None


def _outcome(answer: Answer, truth: Truth) -> Outcome:
    if is_unread(answer):
        return "missed"
    if truth.reason is not None:
        if answer.ok:
            return "wrong"
        return "refused" if answer.reason == truth.reason else "refused-otherwise"
    if answer.ok:
        assert answer.case is not None
        return "right" if answer.case.code == truth.code else "wrong"
    return "missed" if answer.reason == "no-cube" else "abstained"


def _brier(answer: Answer, code: str) -> float:
    """Brier 1950: squared error summed over all classes; codes that are not listed count as 0."""
    total = sum((one.probability - (one.code == code)) ** 2 for one in answer.candidates)
    return total if any(one.code == code for one in answer.candidates) else total + 1.0


def turn_between(answer: Answer, truth: Truth) -> int:
    """Quarter turns k such that the answer's corner (i + k) mod 4 is the truth's corner i.

    From the top quads when both are known, else the k under which most stickers agree.
    """
    if answer.top is not None and truth.top_quad_xy is not None:
        return int(np.argmin([_corner_distances(answer, truth, k).mean() for k in range(4)]))
    return max(range(4), key=lambda k: _agreement(answer.seen, truth, k)[0])


def _corner_distances(answer: Answer, truth: Truth, turn: int) -> NDArray[np.float64]:
    assert answer.top is not None
    found = np.roll(np.asarray(answer.top.quad_xy, np.float64), -turn, axis=0)
    distances: NDArray[np.float64] = np.hypot(*(found - np.asarray(truth.top_quad_xy, np.float64)).T)
    return distances


def _placement(answer: Answer, truth: Truth, turn: int) -> float | None:
    if answer.top is None or truth.top_quad_xy is None or truth.size is None:
        return None
    quad = np.asarray(truth.top_quad_xy, np.float64)
    width = np.hypot(*(quad - np.roll(quad, 1, axis=0)).T).mean() / truth.size
    return float(_corner_distances(answer, truth, turn).mean() / width)


def _agreement(faces: Mapping[str, Rows], truth: Truth, turn: int) -> tuple[int, int]:
    """(right, compared) over the readable stickers that ``faces`` gives a colour for."""
    if not faces or truth.size is None:
        return 0, 0
    turned = {_AROUND[i]: faces.get(_AROUND[(i + turn) % 4], ()) for i in range(4)}
    turned["U"] = _rot90(faces.get("U", ()), turn)
    right = compared = 0
    for face, row, col in truth.readable:
        rows = turned.get(face, ())
        if row >= len(rows) or col >= len(rows[row]) or rows[row][col] is None:
            continue
        compared += 1
        right += rows[row][col] == truth.facelets[face][row][col]
    return right, compared


def _rot90(rows: Rows, turn: int) -> Rows:
    for _ in range(turn % 4):
        rows = tuple(zip(*rows, strict=True))[::-1]
    return rows


def expected_calibration_error(claimed: Sequence[float], holds: Sequence[bool]) -> float | None:
    """Mean gap between claim and truth over ten equal bins of the claim, weighted by their size.

    Naeini, Cooper and Hauskrecht 2015. None for no claims.
    """
    if not claimed:
        return None
    p, y = np.asarray(claimed, np.float64), np.asarray(holds, np.float64)
    bins = np.minimum((p * BINS).astype(int), BINS - 1)
    gaps = [abs(p[bins == b].sum() - y[bins == b].sum()) for b in np.unique(bins)]
    return float(sum(gaps) / len(p))


def summed(marks: Sequence[Mark]) -> dict[str, Any]:
    """Counts, and shares 0..1 (None where nothing was to be counted), over ``marks``."""
    cases = [m for m in marks if m.truth.code is not None]
    negatives = [m for m in marks if m.truth.reason is not None]
    claims = [m for m in cases if m.claimed is not None]
    wrong = [m for m in marks if m.outcome == "wrong"]

    def count(outcome: Outcome) -> int:
        return sum(m.outcome == outcome for m in marks)

    return {
        "pictures": len(marks),
        "cases": len(cases),
        "right": count("right"),
        "wrong": len(wrong),
        "wrong_sure": sum((m.answer.case.probability if m.answer.case else 0.0) >= SURE for m in wrong),
        "abstained": count("abstained"),
        "missed": count("missed"),
        "negatives": len(negatives),
        "refused": count("refused") + count("refused-otherwise"),
        "refused_rightly": count("refused"),
        "right_share": _share([m.outcome == "right" for m in cases]),
        "listed_share": _share([bool(m.listed) for m in cases]),
        "short_share": _share([bool(m.list_as_short) for m in cases]),
        "size_share": _share([m.size_right for m in marks if m.size_right is not None]),
        "stickers_raw": _ratio([m.raw for m in cases]),
        "stickers_decoded": _ratio([m.settled_stickers for m in cases]),
        "placement": _mean([m.placement for m in cases if m.placement is not None], np.median),
        "ece": expected_calibration_error(
            [m.claimed for m in claims if m.claimed is not None], [bool(m.claim_holds) for m in claims]
        ),
        "brier": _mean([m.brier for m in claims if m.brier is not None], np.mean),
    }


def conditions(marks: Sequence[Mark]) -> dict[str, list[Mark]]:
    """Marks by condition: all, settled or not, negatives by reason, size, and every tag."""
    groups: dict[str, list[Mark]] = {"all": list(marks)}
    for mark in marks:
        truth = mark.truth
        names = []
        if truth.code is not None:
            names += ["settled" if truth.is_settled else "not settled", f"{truth.size} layers"]
            names += [f"tag {tag}" for tag in truth.tags]
        elif truth.reason is not None:
            names.append(f"negative {truth.reason}")
        for name in names:
            groups.setdefault(name, []).append(mark)
    order = ("all", "settled", "not settled", "negative", "2 ", "3 ", "4 ", "5 ", "6 ", "7 ", "tag ")

    def rank(name: str) -> tuple[int, str]:
        return next(i for i, start in enumerate(order) if name.startswith(start)), name

    return {name: groups[name] for name in sorted(groups, key=rank)}


def coverage_curve(marks: Sequence[Mark]) -> list[dict[str, float]]:
    """Coverage against error: for each threshold on the claim, who speaks and how many of those err."""
    cases = [m for m in marks if m.truth.code is not None]
    curve = []
    for threshold in (0.5, 0.6, 0.7, 0.8, 0.9, 0.95, 0.98, 0.99, 0.995, 0.999):
        speaking = [m for m in cases if m.claimed is not None and m.claimed >= threshold]
        errors = sum(not m.claim_holds for m in speaking)
        curve.append(
            {
                "threshold": threshold,
                "coverage": len(speaking) / len(cases) if cases else 0.0,
                "error": errors / len(speaking) if speaking else 0.0,
            }
        )
    return curve


def _share(flags: Sequence[bool]) -> float | None:
    return sum(flags) / len(flags) if flags else None


def _ratio(pairs: Sequence[tuple[int, int]]) -> float | None:
    compared = sum(pair[1] for pair in pairs)
    return sum(pair[0] for pair in pairs) / compared if compared else None


def _mean(values: Sequence[float], how: Callable[[Any], Any]) -> float | None:
    return float(how(values)) if values else None
