"""What the panel says at a frame: one place for the words and for what counts as a change."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Final

from models.cases import CASES, case_of
from models.layer import has_edges
from vision.evidence import SOLVED, Verdict
from vision.lettering import Colour
from vision.live_panel import LIT, Doing, Shown
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
    status, mood = ("No picture yet", "busy") if report is None else _status(report)
    if frozen and report is not None:
        status, mood = "Frozen", "still"
    shown = Shown(status, mood, front=_FRONT_WORDS.get(front or "near", ""), last=last, notice=notice)
    if report is None:
        return replace(shown, advice="Waiting for the camera.")
    verdict = report.verdict if report.pose is not None and not report.turning else None
    shown = replace(shown, cube=_cube_words(report, verdict), advice=_advice(report))
    if verdict is None:
        return shown
    shown = replace(shown, lit=_lit(report, verdict), size=verdict.posterior.size)
    if report.settled:
        return _settled(shown, verdict, suggestions)
    if verdict.reason not in (None, "ambiguous"):
        return shown
    candidates = tuple((code, _stepped(p)) for code, p in verdict.posterior.candidates[:4])
    return replace(shown, candidates=candidates, tilt=report.next_view or "" if candidates else "")


def _settled(shown: Shown, verdict: Verdict, suggestions: Sequence[Suggestion]) -> Shown:
    assert verdict.case is not None
    case, state = CASES[verdict.case], verdict.posterior.state
    doing = tuple(
        Doing(f"{one.first} {one.turns}".strip(), f"{one.length} OBTM, {one.etm} ETM") for one in suggestions
    )
    advice = "" if doing else "No sequence is stored for this case yet."
    if case.code == SOLVED and not doing:
        advice = "Nothing to turn: every piece of the last layer is oriented."
    return replace(
        shown,
        name=case.name_on(state.size),
        code=case.code,
        cue=case.cue_at(case_of(state)[1], state.size),
        per_cent=_sure(verdict.probability),
        twist=tuple(state.twist),
        flip=tuple(state.flip) if has_edges(state.size) else (),
        doing=doing,
        advice=advice,
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
    if report.turning:
        return ""
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


def _lit(report: FrameReport, verdict: Verdict) -> Colour:
    """The look of the top colour: the usual six brightened, others as the profile has them."""
    name = _colour_name(report, verdict)
    return LIT.get(name) or report.naming.rgb.get(name, LIT["yellow"])


def _stepped(probability: float) -> int:
    """Per cent in steps, so that small changes do not repaint the panel; never rounded up to certainty."""
    return min(95, round(100 * probability / PER_CENT_STEP) * PER_CENT_STEP)


def _sure(probability: float) -> int:
    return 100 if probability > 0.99 else int(100 * probability)
