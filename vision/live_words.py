"""What the panel says at a frame: one place for the words and for what counts as a change."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Final

from models.cases import CASES, case_of
from vision.evidence import SOLVED, Verdict
from vision.live_panel import Doing, Shown
from vision.verdict import what_is_wrong
from vision.watcher import FrameReport

if TYPE_CHECKING:
    from models.library import Suggestion

PER_CENT_STEP: Final = 5
_FRONT_WORDS: Final = {
    "far": "front: far side",
    "left": "front: left side",
    "right": "front: right side",
}


def shown_at(
    report: FrameReport | None,
    suggestions: Sequence[Suggestion],
    *,
    front: str | None = None,
    frozen: bool = False,
    last: str = "",
    notice: str = "",
) -> Shown:
    """The panel for a report (None: no frame has come yet)."""
    front_words = _FRONT_WORDS.get(front or "near", "")
    if report is None:
        return Shown(
            "No picture yet", "busy", advice="Waiting for the camera.", front=front_words, last=last,
            notice=notice,
        )  # fmt: skip
    status, mood = _status(report)
    if frozen:
        status, mood = "Frozen", "busy"
    verdict = report.verdict if report.pose is not None and not report.turning else None
    cube = _cube_words(report, verdict)
    if verdict is None:
        advice = "" if report.turning else _advice(report)
        return Shown(
            status, mood, cube=cube, advice=advice, front=front_words, last=last, notice=notice,
        )  # fmt: skip
    top_colour = _colour_name(report, verdict)
    if report.settled:
        return _settled(report, verdict, suggestions, status, mood, cube, front_words, last, notice)
    candidates: tuple[tuple[str, int], ...] = ()
    if verdict.reason in (None, "ambiguous"):
        steps = [(code, _stepped(p)) for code, p in verdict.posterior.candidates]
        candidates = tuple(steps[:4])
    return Shown(
        status,
        mood,
        cube=cube,
        top_colour=top_colour,
        candidates=candidates,
        tilt=report.next_view or "" if candidates else "",
        advice=_advice(report),
        front=front_words,
        last=last,
        notice=notice,
    )


def _settled(
    report: FrameReport,
    verdict: Verdict,
    suggestions: Sequence[Suggestion],
    status: str,
    mood: str,
    cube: str,
    front: str,
    last: str,
    notice: str,
) -> Shown:
    assert verdict.case is not None
    case, state = CASES[verdict.case], verdict.posterior.state
    doing = tuple(
        Doing(f"{one.first} {one.turns}".strip(), f"{one.length} OBTM, {one.etm} ETM") for one in suggestions
    )
    advice = "" if doing else "No sequence is stored for this case yet."
    if case.code == SOLVED and not doing:
        advice = "Nothing to turn: every piece of the last layer is oriented."
    return Shown(
        status,
        mood,
        cube=cube,
        name=case.name_on(state.size),
        code=case.code,
        cue=case.cue_at(case_of(state)[1], state.size),
        per_cent=_sure(verdict.probability),
        twist=tuple(state.twist),
        flip=tuple(state.flip),
        top_colour=_colour_name(report, verdict),
        doing=doing,
        advice=advice,
        front=front,
        last=last,
        notice=notice,
    )


def _status(report: FrameReport) -> tuple[str, str]:
    if report.pose is None:
        return "Looking for a cube", "busy"
    if report.turning:
        return "Layer turning", "busy"
    if report.settled:
        return "Settled", "sure"
    if report.verdict is None:
        return "Reading", "busy"
    if report.verdict.reason == "not-last-layer":
        return "Not a last layer", "unsure"
    if report.verdict.reason == "top-hidden":
        return "Top face hidden", "unsure"
    return ("Not sure yet", "unsure") if report.next_view else ("Reading", "busy")


def _advice(report: FrameReport) -> str:
    if report.pose is None:
        return "Hold the cube so that its whole top face can be seen."
    reason = report.verdict.reason if report.verdict is not None else None
    if reason == "top-hidden":
        return "Move the fingers, or the cube, so that all of its top face shows."
    if reason == "not-last-layer" and report.verdict is not None:
        told = what_is_wrong(report.verdict.posterior)
        return f"{told[0].upper()}{told[1:]}."
    return ""


def _cube_words(report: FrameReport, verdict: Verdict | None) -> str:
    if report.pose is None:
        return ""
    size = "x".join([str(report.pose.size)] * 3)
    words = size if verdict is None else f"{size}, {_colour_name(report, verdict)} on top"
    return f"{words}, mirrored" if report.mirrored else words


def _colour_name(report: FrameReport, verdict: Verdict) -> str:
    posterior = verdict.posterior
    return report.naming.names[posterior.face_colours[posterior.top]]


def _stepped(probability: float) -> int:
    """Per cent in steps, so that small changes do not repaint the panel; never rounded up to certainty."""
    return min(95, round(100 * probability / PER_CENT_STEP) * PER_CENT_STEP)


def _sure(probability: float) -> int:
    return 100 if probability > 0.99 else int(100 * probability)
