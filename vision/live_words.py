"""What the panel says at a frame: one place for the words and for what counts as a change."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Final, Literal

from models.cases import CASES, case_of
from models.decode_view import permutation_view
from models.layer_tables import has_edges
from models.permutation import SOLVED_CODE
from models.posterior import Posterior
from vision.diagram import LIT
from vision.evidence import Verdict
from vision.frame_report import FrameReport
from vision.lettering import Colour
from vision.live_panel import Doing, MayBe, Shown
from vision.verdict import left_permutation, what_is_wrong
from vision.wording import left_open, metrics, turns_from_here, what_is_left

if TYPE_CHECKING:
    from models.library import Suggestion

PER_CENT_STEP: Final = 5
Still = Literal["", "Frozen", "Ended", "No picture"]


def on_show(report: FrameReport) -> Verdict | None:
    """The verdict whose case and sequences are shown: a settled one, or that before the turns under way."""
    return report.verdict if report.settled else report.begun


def shown_at(
    report: FrameReport | None,
    suggestions: Sequence[Suggestion],
    *,
    front: str | None = None,
    still: Still = "",
    last: str = "",
    notice: str = "",
    caution: str = "",
) -> Shown:
    """The panel for a report (None: no frame has come yet).

    ``suggestions`` are those for :func:`on_show`. ``front`` is the side that the user calls his front from
    now on; a verdict is shown under its own. ``still`` says that the report stays as it is: the user has
    frozen it, the source has ended, or nothing comes from it.
    """
    status, mood = (still, "still") if still else _status(report)
    shown = Shown(status, mood, front=_front_words(front), last=last, notice=notice, caution=caution)
    if report is None:
        return replace(shown, advice="" if still else "Waiting for the camera.")
    if report.begun is not None:  # the turns are read while they are made
        begun = _settled(_of_cube(shown, report, report.begun), report.begun, suggestions)
        return replace(begun, per_cent=None, whence="From where it began")
    shown = replace(shown, advice="" if still else _advice(report))
    verdict = report.verdict
    if report.pose is None:
        return shown
    if report.turning or verdict is None:
        return replace(shown, cube=_size_words(report.pose.size, report))
    shown = _of_cube(shown, report, verdict)
    if report.settled:
        return _settled(shown, verdict, suggestions)
    if verdict.reason == "not-last-layer":
        told = what_is_wrong(verdict.posterior)
        return replace(shown, advice=f"{told[0].upper()}{told[1:]}.")
    if verdict.reason is not None and verdict.reason != "ambiguous":
        return shown
    candidates = _candidates(verdict.posterior)
    return replace(shown, candidates=candidates, tilt="" if still else report.next_view or "")


def _candidates(posterior: Posterior) -> tuple[MayBe, ...]:
    """The four best, as the cube lies; as named where the top that is shown rules one out."""
    out = []
    for code, p in posterior.candidates[:4]:
        named = CASES[code].twist, CASES[code].flip_on(posterior.size)
        out.append(MayBe(code, _stepped(p), *posterior.lying.get(code, named)))
    return tuple(out)


def _settled(shown: Shown, verdict: Verdict, suggestions: Sequence[Suggestion]) -> Shown:
    assert verdict.case is not None
    case, state = CASES[verdict.case], verdict.posterior.state
    turned = [bool(one.first) for one in suggestions]
    doing = tuple(
        Doing(turns_from_here(one), metrics(one, first_told=not any(turned[:rank])))
        for rank, one in enumerate(suggestions)
    )
    left = left_words(verdict.posterior, suggestions)
    advice = "" if doing else _nothing_to_do(verdict.posterior, left)
    return replace(
        shown,
        name=case.name_on(state.size),
        code=case.code,
        cue=case.cue_at(case_of(state)[1], state.size),
        per_cent=_sure(verdict.probability),
        twist=tuple(state.twist),
        flip=tuple(state.flip) if has_edges(state.size) else (),
        doing=doing,
        left=f"{left[0]}: {left[1]}" if left else "",
        advice=advice,
    )


def left_words(posterior: Posterior, suggestions: Sequence[Suggestion]) -> tuple[str, str] | None:
    """Label and words of the permutation that is left, or will be after the first of ``suggestions``; None
    where it is not settled."""
    first = next(iter(suggestions), None)
    left = left_permutation(posterior, f"{first.first or ''} {first.turns}" if first else None)
    return what_is_left(left.code, is_oriented=posterior.state.is_oriented) if left else None


def _nothing_to_do(posterior: Posterior, left: tuple[str, str] | None) -> str:
    if not posterior.state.is_oriented:
        return "No sequence is stored for this case yet."
    if left is None:
        return f"Every piece is oriented; {left_open(permutation_view(posterior))}."
    if left == what_is_left(SOLVED_CODE, is_oriented=True):
        return "Nothing to turn: every piece of the last layer is oriented."
    return "No sequence is stored for this permutation yet."


def _status(report: FrameReport | None) -> tuple[str, str]:
    if report is None:
        return "No picture yet", "busy"
    if report.pose is None:
        return "Looking for a cube", "busy"
    if report.begun is not None:  # between two turns it is none of what is said below
        return "Turning", "busy"
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
    unsure = report.next_view or report.open_sizes or report.verdict.reason == "ambiguous"
    return ("Not sure yet", "unsure") if unsure else ("Reading", "busy")


def _advice(report: FrameReport) -> str:
    if report.turning:
        return ""
    if report.pose is None:
        return "Hold the cube so that its whole top face can be seen."
    if report.verdict is not None and report.verdict.reason == "top-hidden":
        return "Move the fingers, or the cube, so that all of its top face shows."
    if report.open_sizes:
        *most, last = report.open_sizes
        return f"It may have {', '.join(map(str, most))} or {last} layers: show it larger, or hold it still."
    if report.verdict is not None and report.verdict.reason == "ambiguous" and not report.next_view:
        return "Tilt the cube a little, or turn it out of the glare."
    return ""


def _front_words(side: str | None) -> str:
    return "" if side in (None, "near") else f"front: {side} side"


def _of_cube(shown: Shown, report: FrameReport, verdict: Verdict) -> Shown:
    """The panel with what the verdict says of the cube, under the verdict's own front."""
    size = verdict.posterior.size
    words = _size_words(size, report, f", {_colour_name(report, verdict)} on top")
    front = _front_words(report.front_side)
    return replace(shown, cube=words, front=front, size=size, lit=_lit(report, verdict))


def _size_words(size: int, report: FrameReport, top: str = "") -> str:
    return f"{'x'.join([str(size)] * 3)}{top}{', mirrored' if report.mirrored else ''}"


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
