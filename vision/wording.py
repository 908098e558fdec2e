"""What an answer says to a person: one place for the words of the text and of the picture."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Mapping, Sequence
from typing import TYPE_CHECKING, Final

from models.permutation import SOLVED_CODE
from vision.answer import Answer, Candidate, ShownSequence
from vision.streams import one_line

if TYPE_CHECKING:
    from models.library import Suggestion

CAUTION = "Wrists and fingers tire before you notice: pause often, and stop when it hurts."
NOT_SETTLED: Final = "the permutation is not settled by what is seen"
FIRST_NOT_COUNTED: Final = "the first turn not counted"

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
    """A probability for reading, never parted from its sign; never rounded up to a certainty that was not
    there."""
    if probability >= 0.9995:
        return "over 99.9\N{NO-BREAK SPACE}%"
    return (
        f"{100 * probability:.1f}\N{NO-BREAK SPACE}%"
        if probability >= 0.001
        else "under 0.1\N{NO-BREAK SPACE}%"
    )


def size_name(answer: Answer) -> str:
    """For instance "4x4x4, yellow on top, red in front"; empty when no cube was found."""
    if answer.size is None:
        return ""
    size = "x".join([str(answer.size)] * 3)
    top = f"{size}, {answer.top.colour} on top" if answer.top else size
    if not tells_the_front(answer.reason):
        return top
    held = f"{top}, {answer.front_colour} in front" if answer.front_colour else top
    return f"{held}, picture mirrored" if answer.mirrored else held


def tells_the_front(reason: str | None) -> bool:
    """Whether a side can be called the front: not where the cube is at no last layer."""
    return reason != "not-last-layer"


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


def little_seen(share: float, face: str) -> str:
    """How little can be seen of a face: ``share`` 0..1, ``face`` as in "top face"."""
    return f"only {percent(share)} of the {face} can be seen" if share >= 0.001 else f"the {face} is covered"


def turns_from_here(sequence: ShownSequence | Suggestion) -> str:
    """The sequence, with the turn that brings the cube round told apart from it."""
    return f"first {sequence.first}, then {sequence.turns}" if sequence.first else sequence.turns


def metrics(sequence: ShownSequence | Suggestion, *, first_told: bool = False) -> str:
    """Its turns in both metrics; ``first_told`` says besides that the first turn is not among them."""
    both = f"{sequence.length} OBTM, {sequence.etm} ETM"
    return f"{both}, {FIRST_NOT_COUNTED}" if first_told and sequence.first else both


def what_is_left(code: str, *, is_oriented: bool) -> tuple[str, str]:
    """Label and words of a permutation class: of oriented pieces, or after the sequence that orients them."""
    return "Left" if is_oriented else "After it", f"permutation {code}"


def left_open(view: str | None) -> str:
    """That the permutation of oriented pieces is open, and which side would tell it (see `next_view`)."""
    return f"{NOT_SETTLED}; show the {view} side next" if view else NOT_SETTLED


def lists_candidates(reason: str | None, seen: Mapping[str, Sequence[Sequence[str | None]]]) -> bool:
    """Whether the candidates of an answer say anything to a person.

    They do not where the cube is not at its last layer, nor where the top face is hidden and less than a
    quarter of its stickers was read. ``reason`` and ``seen`` are the answer's.
    """
    if reason == "top-hidden":
        top = [name for row in seen.get("U", ()) for name in row]
        return 4 * (len(top) - top.count(None)) >= len(top) > 0
    return reason != "not-last-layer"


def answer_text(answer: Answer, width: int = 88) -> str:
    """The answer for a terminal ``width`` characters wide, without a closing newline."""
    lines = [one_line(answer.image), *([f"  {size_name(answer)}"] if answer.size else [])]
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
    fitting = fitting_candidates(answer)
    if fitting:
        fits = [f"{one.code} {percent(one.probability)}" for one in fitting[:12]]
        more = len(fitting) - len(fits)
        yield "Fits", ", ".join(fits) + (f", and {more} more" if more else "")
    told = False
    for rank, sequence in enumerate(answer.sequences[:4]):
        turns = metrics(sequence, first_told=not told)
        told = told or bool(sequence.first)
        yield "Do" if rank == 0 else "or", f"{turns_from_here(sequence)} ({turns})"
        if sequence.proof and rank == 0:
            yield "", sequence.proof
    yield from remarks(answer)


def fitting_candidates(answer: Answer) -> tuple[Candidate, ...]:
    """The candidates to be listed, where no case is named."""
    if answer.case is not None or not lists_candidates(answer.reason, answer.seen):
        return ()
    return answer.candidates


def remarks(answer: Answer) -> Iterator[tuple[str, str]]:
    """(label, text) of all that is to be said after the sequences, on the card as in the text."""
    if answer.case is not None and not answer.sequences:
        yield "Do", _nothing_to_do(answer)
    if answer.permutation is not None:
        label, left = what_is_left(answer.permutation.code, is_oriented=answer.is_oriented)
        if len(answer.sequences) > 1 and not answer.is_oriented:  # each leaves a permutation of its own
            label, left = "Left", f"{left} after the first sequence"
        yield label, f"{left}, {percent(answer.permutation.probability)} sure"
    elif answer.sequences and not answer.is_oriented:
        yield "After it", NOT_SETTLED
    if answer.mirrored and answer.reason != "not-last-layer":
        case = "; case and sequences are those of the real cube" if answer.case is not None else ""
        yield "Mirrored", f"read as a mirror image{case}"
    elif answer.told_mirrored and answer.reason in (None, "ambiguous"):
        yield "Mirrored", "the colours show no mirror image, though it was said to be one: taken as it is"
    if answer.notes:
        yield "Hard to see", "; ".join(answer.notes)
    if answer.profile:
        stand_in = "the built-in ones, which fit this picture better than those of "
        yield "Colours", f"read with {stand_in if answer.by_built_in else ''}the profile {answer.profile}"
    if answer.others:
        yield "Also", f"{counted(len(answer.others), 'more cube')} in the picture, not read"


def _nothing_to_do(answer: Answer) -> str:
    if not answer.is_oriented:
        return "no sequence is stored for this case yet"
    if answer.permutation is None:
        return f"nothing yet: it is oriented, and {left_open(answer.permutation_view)}"
    solved = answer.permutation.code == SOLVED_CODE
    return "nothing: it is oriented" if solved else "no sequence is stored for this permutation yet"
