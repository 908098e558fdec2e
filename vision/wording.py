"""What an answer says to a person: one place for the words of the text and of the picture."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator

from vision.answer import Answer, ShownSequence

CAUTION = "Wrists and fingers tire before you notice: pause often, and stop when it hurts."

# reason -> what is so, and what to do about it
_REASONS = {
    "no-cube": (
        "no cube in this picture",
        "hold one so that the whole top face shows and fills more of the picture",
    ),
    "top-hidden": (
        "too much of the top face is hidden",
        "move the fingers or the cube so that all of it shows",
    ),
    "not-last-layer": ("a row below the top is not one colour", "finish the rest of the cube first"),
    "ambiguous": ("several cases fit what is in view", ""),
    "unreadable": (
        "the stickers cannot be told apart",
        "turn the cube out of the glare, or give it more light",
    ),
}


def counted(number: int, thing: str) -> str:
    """For instance "1 file" or "1,200 files"; the plural of ``thing`` is made with an s."""
    return f"{number:,} {thing}{'' if number == 1 else 's'}"


def percent(probability: float) -> str:
    """A probability for reading; never rounded up to a certainty that was not there."""
    if probability >= 0.9995:
        return "over 99.9 %"
    return f"{100 * probability:.1f} %" if probability >= 0.001 else "under 0.1 %"


def size_name(answer: Answer) -> str:
    """For instance "4x4x4, yellow on top"; empty when no cube was found."""
    if answer.size is None:
        return ""
    size = "x".join([str(answer.size)] * 3)
    top = f"{size}, {answer.top.colour} on top" if answer.top else size
    return f"{top}, picture mirrored" if answer.mirrored else top


def headline(answer: Answer) -> str:
    """The name of the case, or that none is named."""
    if answer.case is None:
        return "No cube found" if answer.reason == "no-cube" else "No case named"
    return answer.case.name[:1].upper() + answer.case.name[1:]


def refusal(answer: Answer) -> str:
    """Why no case is named and what to do about it, as one sentence."""
    if answer.reason is None:
        return ""
    what, advice = _REASONS[answer.reason]
    words = answer.detail or what
    if answer.reason == "not-last-layer":
        words = f"the cube is not at its last layer: {words}"
    if answer.reason == "unreadable" and answer.detail:
        advice = "take one in colour" if "no colour" in answer.detail else ""
    if answer.next_view:
        advice = f"show the {answer.next_view} side next"
    words = f"{words}; {advice}" if advice else words
    return words[:1].upper() + words[1:] + "."


def turns_from_here(sequence: ShownSequence) -> str:
    """The turn that brings the cube round, then the sequence."""
    return f"{sequence.first} {sequence.turns}".strip()


def answer_text(answer: Answer, width: int = 88) -> str:
    """The answer for a terminal ``width`` characters wide, without a closing newline."""
    lines = [answer.image, *([f"  {size_name(answer)}"] if answer.size else [])]
    for label, text in _entries(answer):
        start = f"  {label:<12}"
        wrapped = textwrap.wrap(
            text,
            max(width, 40),
            initial_indent=start,
            subsequent_indent=" " * len(start),
            break_long_words=False,
            break_on_hyphens=False,
        )
        lines += wrapped
    return "\n".join(lines)


def _entries(answer: Answer) -> Iterator[tuple[str, str]]:
    case = answer.case
    if case is not None:
        yield "Case", f"{case.name} ({case.code}), {percent(case.probability)} sure"
        if case.cue:
            yield "Cue", case.cue
    if answer.reason is not None:
        yield "Not named" if case is None else "But", refusal(answer)
    if case is None and answer.candidates:
        fits = [f"{one.code} {percent(one.probability)}" for one in answer.candidates[:12]]
        more = len(answer.candidates) - len(fits)
        yield "Fits", ", ".join(fits) + (f", and {more} more" if more else "")
    if answer.mirrored:
        yield "Mirrored", "only the mirror image is a legal cube; read after turning the picture back"
    for rank, sequence in enumerate(answer.sequences[:4]):
        metrics = f"({sequence.length} OBTM, {sequence.etm} ETM)"
        yield "Do" if rank == 0 else "or", f"{turns_from_here(sequence)} {metrics}"
        if sequence.proof and rank == 0:
            yield "", sequence.proof
    if case is not None and not answer.sequences:
        yield (
            "Do",
            "nothing: it is oriented" if _is_oriented(answer) else "no sequence is stored for this case yet",
        )
    if answer.permutation is not None:
        yield (
            "After it",
            f"permutation {answer.permutation.code}, {percent(answer.permutation.probability)} sure",
        )
    if answer.notes:
        yield "Hard to see", "; ".join(answer.notes)
    if answer.profile:
        stand_in = "the built-in ones, which fit this picture better than those of "
        yield "Colours", f"read with {stand_in if answer.by_built_in else ''}the profile {answer.profile}"
    if answer.others:
        yield "Also", f"{counted(len(answer.others), 'more cube')} in the picture, not read"


def _is_oriented(answer: Answer) -> bool:
    state = answer.state
    return state is not None and not any(state.twist) and not any(state.flip)
