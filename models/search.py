"""Find sequences: setup · core · finish, or two halves without a core, exhaustively to a depth.

Meet in the middle. A sequence ``S C F`` leaves everything below the last layer alone exactly when ``S C``
and the inverse of ``F`` carry the pieces below to the same places. Both are lists of short canonical
sequences (`models.search_space`), so equal places are found by sorting 64-bit keys. From each meeting the
orientation case that the sequence solves (where all is oriented, the permutation class) is read off
the last layer's pieces. Every result is executed by the engine, sticker by sticker on the size asked, before
it is handed out; equal keys by chance would fall there. A core must leave everything below the last layer
alone; where it leaves the whole cube turned, the rotation back becomes part of it.

Length is counted in turns (each `Turn` one, rotations of a core included) after cancelling at the seams.
Turns of the top layer at the very beginning and end change only the angle and the permutation left over, so
setups do not begin and finishes do not end with them. Sequences that leave the cube turned are left out,
save for what a core turns.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from models.cases import CASE_LIST, CASES
from models.effort import EffortModel, load_effort
from models.errors import LayerError, UsageError
from models.layer import upright
from models.permutation import PERMUTATION_CASES, SOLVED_CODE
from models.search_halves import Halves
from models.search_meet import meetings
from models.search_rank import Ranked
from models.search_result import NO_CORE, CaseResult, Core, Progress, Result
from models.search_space import OUTER, enumerate_space, estimate, is_outer, turn_set
from models.sequences import NEEDS_NO_SEQUENCE, solved_class
from models.turns import Turn

# a sequence takes about this many bytes while it is searched: positions, parent, keys and their order
_BYTES_A_SEQUENCE = 130
MEMORY_LIMIT_BYTES = 8 << 30
_LISTING = 0.2  # share of the time that goes into listing sequences, for the progress bar


def find(
    codes: Sequence[str],
    *,
    size: int = 4,
    cores: Sequence[Core] = (NO_CORE,),
    turns: str | Sequence[Turn] = OUTER,
    depth: int = 5,
    keep: int = 5,
    by: str = "length",
    effort: EffortModel | None = None,
    progress: Progress | None = None,
) -> Result:
    """Search every setup and finish of up to ``depth`` turns of the given layers round each core.

    ``keep`` best sequences are kept for each case by ``by``: "length" (then effort) or "effort" (then
    length); 0 keeps every sequence of the fewest turns. ``progress`` hears the share done and a word.
    Ctrl-C ends the search early; the result then says so and holds what was found.
    Raises ``UsageError`` for unknown codes, impossible sizes or depths and a core that does nothing,
    ``LayerError`` for a core that disturbs more than the last layer.
    """
    chosen = turn_set(turns, size) if isinstance(turns, str) else tuple(turns)
    cores = [_upright(core, size) for core in cores]
    _check(codes, size, cores, chosen, depth, by)
    model = effort or load_effort()
    outer = is_outer(chosen)
    result = Result(size, depth, chosen, tuple(cores), {c: CaseResult(c) for c in dict.fromkeys(codes)})
    ranked: Ranked | None = None
    try:
        space = enumerate_space(chosen, min(size, 3) if outer else size, depth, _part(progress, 0, _LISTING))
        result.sequences = len(space)
        ranked = Ranked(result, space, keep, by, size)
        halves = Halves(space, model)
        searching = _part(progress, _LISTING, 1)
        for number, core in enumerate(cores):
            for share, total, met in meetings(halves, core, size, outer):
                for batch in met:
                    ranked.add(batch)
                if number == len(cores) - 1:
                    result.searched = total
                if searching:
                    searching((number + share) / len(cores), f"{core}, {total} turns")
    except KeyboardInterrupt:
        result.complete = False
    if ranked is not None:
        ranked.write_out(model)
    return result


def _part(progress: Progress | None, begin: float, end: float) -> Progress | None:
    """What tells ``progress`` of a part of the whole, from share ``begin`` to ``end``."""
    if progress is None:
        return None
    return lambda share, words: progress(begin + (end - begin) * share, words)


def _upright(core: Core, size: int) -> Core:
    try:
        return replace(core, moves=upright(core.moves, size))
    except UsageError as error:
        raise UsageError(f"{_named(core)}: {error}") from error


def _named(core: Core) -> str:
    """A core as an error speaks of it: where it stands, and its name."""
    return f"{core.where}: core {core}" if core.where else f"core {core}"


def _check(
    codes: Sequence[str], size: int, cores: Sequence[Core], turns: Sequence[Turn], depth: int, by: str
) -> None:
    for code in codes:
        target = CASES.get(code) or PERMUTATION_CASES.get(code)
        if target is None:
            raise UsageError(f"unknown case {code!r}; `lastlook cases` lists all codes")
        if code in NEEDS_NO_SEQUENCE:
            raise UsageError(f"case {code!r} needs no sequence")
        if not target.occurs_on(size):
            raise UsageError(f"case {code} cannot occur on a {size}x{size}x{size}")
    if by not in ("length", "effort"):
        raise UsageError(f"order {by!r}: choose length or effort")
    if not 1 <= depth <= 12:
        raise UsageError(f"depth {depth}: from 1 to 12 turns on either side")
    need = estimate(turns, depth) * _BYTES_A_SEQUENCE
    if need > MEMORY_LIMIT_BYTES:
        raise UsageError(
            f"depth {depth} with these turns needs about {need / 2**30:.0f} GiB; take less depth or layers"
        )
    for core in cores:
        try:
            idle = core.moves and solved_class(core.moves, size)[0] == SOLVED_CODE
        except LayerError as error:
            mend = "; mend it or take it out" if core.where else ""
            raise LayerError(f"{_named(core)}: {error}{mend}") from error
        if idle:
            raise UsageError(f"{_named(core)}: does nothing but turn the top or the cube; leave it out")


def all_odd_codes() -> tuple[str, ...]:
    """The 54 cases with one or three flipped edges."""
    return tuple(case.code for case in CASE_LIST if case.edges in ("e1", "e3"))
