"""From readings along a recording to the list of cases that were shown, and that list as text.

A reading says how probable each case is at one moment. Between moments a shown case tends to stay, so the
most probable path through all readings (Viterbi 1967, on a hidden Markov chain whose states are the codes
and "none shown") carries a case over a finger or a blur and drops the single misread frame.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from html import escape
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

NONE: Final = ""
CHANGES_A_SECOND: Final = 0.2
"""A case is expected to stay in view for about five seconds; the result hardly depends on it."""
FLOOR: Final = 0.02
SHORTEST_S: Final = 0.6
LEAST_BEST: Final = 0.8


@dataclass(frozen=True, slots=True)
class Reading:
    """What one frame says: ``weights`` maps codes to probabilities, the rest of 1 is "none of them".

    ``settled`` is true where the reader named one case. ``answer`` is its JSON object and
    ``still_jpeg`` the frame, kept for the best reading of a stretch only.
    """

    at_s: float
    weights: Mapping[str, float]
    settled: bool = False
    answer: Mapping[str, Any] | None = None
    still_jpeg: bytes | None = None

    @property
    def label(self) -> str:
        """The code that this frame alone stands for, or "" for none."""
        code = max(self.weights, key=lambda c: self.weights[c], default=NONE)
        return code if self.settled or self.weights.get(code, 0.0) > 0.5 else NONE

    @property
    def strength(self) -> float:
        """Probability of :attr:`label`, 0 for none."""
        return self.weights.get(self.label, 0.0)


def reading_of(answer: Mapping[str, Any], at_s: float, still_jpeg: bytes | None = None) -> Reading:
    """A reading out of an answer's JSON object: its candidates where some case is in view, else nothing."""
    weights = {one["code"]: float(one["probability"]) for one in answer.get("candidates", ())}
    case = answer.get("case")
    if answer.get("ok") and case:
        weights[case["code"]] = float(case["probability"])
    elif answer.get("reason") != "ambiguous":
        weights = {}
    return Reading(at_s, weights, bool(answer.get("ok")), answer, still_jpeg)


@dataclass(frozen=True, slots=True)
class Shown:
    """A case shown from ``start_s`` to ``end_s`` (seconds from the start of the recording).

    ``confidence`` (0..1) is the mean over its readings of the probability that this case was in view then,
    after the readings before and behind have had their say. ``best`` is the clearest reading.
    """

    code: str
    start_s: float
    end_s: float
    confidence: float
    best: Reading = field(repr=False)

    def to_json_dict(self, image: str, still: str | None = None) -> dict[str, Any]:
        """The answer of the clearest frame with ``start``, ``end``, ``confidence`` and ``still`` added."""
        return {
            **(self.best.answer or {}),
            "image": image,
            "start": round(self.start_s, 3),
            "end": round(self.end_s, 3),
            "confidence": round(self.confidence, 4),
            "still": still,
        }


def shown_cases(readings: Sequence[Reading], *, until_s: float | None = None) -> list[Shown]:
    """Merge readings (sorted by time) into shown cases.

    A boundary lies half way between the last reading of one state and the first of the next; ``until_s``
    is the end of the recording. Left out: what is shown for less than 0.6 s, or never with 0.8 in a frame.
    """
    if not readings:
        return []
    codes = [NONE, *sorted({code for one in readings for code in one.weights})]
    times_s = np.array([one.at_s for one in readings])
    log_emission = _log_emission(readings, codes)
    path = _likeliest_path(log_emission, times_s)
    certain = _smoothed(log_emission, times_s)

    found: list[Shown] = []
    changes = np.flatnonzero(np.diff(path)) + 1
    for first, stop in zip([0, *changes.tolist()], [*changes.tolist(), len(path)], strict=True):
        state = int(path[first])
        if state == 0:
            continue
        start_s = times_s[first] if first == 0 else (times_s[first - 1] + times_s[first]) / 2
        end_s = times_s[stop - 1] if stop == len(path) else (times_s[stop - 1] + times_s[stop]) / 2
        if stop == len(path) and until_s is not None:
            end_s = min(max(until_s, end_s), end_s + 0.5)
        code, run = codes[state], readings[first:stop]
        named = [one for one in run if one.label == code]
        if not named or end_s - start_s < SHORTEST_S:
            continue
        best = max(named, key=lambda one: (one.settled, one.still_jpeg is not None, one.strength))
        if max(one.strength for one in named) < LEAST_BEST or not best.settled:
            continue
        found.append(
            Shown(code, float(start_s), float(end_s), float(certain[first:stop, state].mean()), best)
        )
    return found


def _log_emission(readings: Sequence[Reading], codes: Sequence[str]) -> NDArray[np.float64]:
    """Log of how well each state explains each reading, shape (readings, states); none first."""
    column = {code: i for i, code in enumerate(codes)}
    chance = np.full((len(readings), len(codes)), FLOOR)
    for row, one in enumerate(readings):
        chance[row, 0] = max(FLOOR, 1.0 - sum(one.weights.values())) if one.weights else 0.9
        for code, weight in one.weights.items():
            chance[row, column[code]] = max(FLOOR, weight)
    return np.asarray(np.log(chance))


def _log_steps(times_s: NDArray[np.float64], states: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Log chances to stay and to go to one given other state, over each gap between readings."""
    stay = np.exp(-CHANGES_A_SECOND * np.maximum(np.diff(times_s), 1e-3))
    return np.log(stay), np.log((1 - stay) / max(states - 1, 1))


def _likeliest_path(log_emission: NDArray[np.float64], times_s: NDArray[np.float64]) -> NDArray[np.int64]:
    count, states = log_emission.shape
    stay, go = _log_steps(times_s, states)
    came_from = np.zeros((count, states), np.int64)
    score = log_emission[0].copy()
    for i in range(1, count):
        best = int(score.argmax())
        moved, stayed = score[best] + go[i - 1], score + stay[i - 1]
        came_from[i] = np.where(stayed >= moved, np.arange(states), best)
        score = np.maximum(stayed, moved) + log_emission[i]
    path = np.zeros(count, np.int64)
    path[-1] = score.argmax()
    for i in range(count - 1, 0, -1):
        path[i - 1] = came_from[i, path[i]]
    return path


def _smoothed(log_emission: NDArray[np.float64], times_s: NDArray[np.float64]) -> NDArray[np.float64]:
    """Probability of each state at each reading given all readings (forward-backward), rows sum to 1."""
    count, states = log_emission.shape
    log_stay, log_go = _log_steps(times_s, states)
    stay, go = np.exp(log_stay), np.exp(log_go)
    emission = np.exp(log_emission - log_emission.max(axis=1, keepdims=True))

    def step(belief: NDArray[np.float64], gap: int) -> NDArray[np.float64]:
        return np.asarray(belief * (stay[gap] - go[gap]) + go[gap] * belief.sum())

    forward, backward = np.empty_like(emission), np.ones_like(emission)
    forward[0] = emission[0] / emission[0].sum()
    for i in range(1, count):
        forward[i] = emission[i] * step(forward[i - 1], i - 1)
        forward[i] /= forward[i].sum()
    for i in range(count - 2, -1, -1):
        backward[i] = step(backward[i + 1] * emission[i + 1], i)
        backward[i] /= backward[i].sum()
    both = forward * backward
    return np.asarray(both / both.sum(axis=1, keepdims=True))


def clock(seconds: float) -> str:
    """``1:42``, from an hour on ``1:02:03``; whole seconds, rounded down."""
    whole = int(seconds)
    hours, minutes, rest = whole // 3600, whole // 60 % 60, whole % 60
    return f"{hours}:{minutes:02}:{rest:02}" if hours else f"{minutes}:{rest:02}"


def chapter_lines(shown: Sequence[Shown]) -> str:
    """One line a case, ``1:42 e1-headlights-left``."""
    return "".join(f"{clock(one.start_s)} {one.code}\n" for one in shown)


def webvtt_chapters(shown: Sequence[Shown], names: Mapping[str, str] | None = None) -> str:
    """A WebVTT file (W3C Candidate Recommendation, section 4.1) whose cues are chapters.

    Cue times have hours, as the standard allows for any length; a cue's text is the code, and the case's
    name where ``names`` has it.
    """
    cues = ["WEBVTT\n"]
    for number, one in enumerate(shown, 1):
        name = (names or {}).get(one.code, "")
        text = escape(f"{one.code} · {name}" if name else one.code, quote=False)
        end_s = max(one.end_s, one.start_s + 0.001)  # the standard wants an end after the start
        cues.append(f"{number}\n{_vtt_time(one.start_s)} --> {_vtt_time(end_s)}\n{text}\n")
    return "\n".join(cues)


def _vtt_time(seconds: float) -> str:
    ms = round(seconds * 1000)
    return f"{ms // 3_600_000:02}:{ms // 60_000 % 60:02}:{ms // 1000 % 60:02}.{ms % 1000:03}"


def shown_csv(image: str, shown: Sequence[Shown]) -> str:
    """Comma separated values (RFC 4180): image, start and end in seconds, code, confidence."""
    text = io.StringIO()
    table = csv.writer(text)
    table.writerow(["image", "start_s", "end_s", "code", "confidence"])
    for one in shown:
        table.writerow([image, f"{one.start_s:.3f}", f"{one.end_s:.3f}", one.code, f"{one.confidence:.4f}"])
    return text.getvalue()
