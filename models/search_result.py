"""What a search is given and gives back: cores, found sequences, the result and what it proves."""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass, field
from itertools import groupby

from models.permutation import PERMUTATION_CASES
from models.sequences import holds_on_every_size
from models.turns import FACES, Moves, Turn

_TOP = Turn("U").layers
Progress = Callable[[float, str], None]
"""Called with the share done (0..1) and a few words."""


@dataclass(frozen=True)
class Core:
    """A core as it is used in one search: its name, its moves, and how it was changed.

    ``where``: file and line of the user's own where it stands, else "".
    """

    name: str
    moves: Moves
    mirrored: bool = False
    inverted: bool = False
    angle: int = 0
    where: str = ""

    def __str__(self) -> str:
        said = [self.name or "no core"]
        said += ["mirrored"] * self.mirrored + ["inverted"] * self.inverted
        return " ".join([*said, *([("y", "y2", "y'")[self.angle - 1]] if self.angle else [])])


NO_CORE = Core("", Moves(()))


def core_variants(
    core: Core, *, mirrored: bool = False, inverted: bool = False, angles: Sequence[int] = (0,)
) -> tuple[Core, ...]:
    """The core as given and, where asked, its mirror image, its inverse, both, and each from other angles."""
    out: dict[Moves, Core] = {}
    for mirror in (False, True) if mirrored else (False,):
        for inverse in (False, True) if inverted else (False,):
            for angle in angles:
                moves = core.moves.mirrored() if mirror else core.moves
                moves = moves.inverse() if inverse else moves
                moves = moves.rotated(Moves((Turn("y", angle % 4),) if angle % 4 else ()))
                out.setdefault(moves, Core(core.name, moves, mirror, inverse, angle % 4, core.where))
    return tuple(out.values())


def may_turn_the_cube(turns: Sequence[Turn], size: int) -> bool:
    """Whether sequences of these turns may leave the whole cube turned, as R L' does on a 2x2x2.

    False is certain: outer turns keep the centres, and where of no two opposite faces both turn, a corner
    stays. The search lists none that do.
    """
    if size > 2 and all(turn.base in FACES and turn.depth == 1 and not turn.inner for turn in turns):
        return False
    faces = {turn.base for turn in turns if not turn.inner}
    return any(pair <= faces for pair in ({"U", "D"}, {"R", "L"}, {"F", "B"}))


@dataclass(frozen=True)
class Found:
    """One sequence: ``setup``, ``core`` and ``finish``; ``moves`` is all three with the seams cancelled and
    without turns of the top layer at either end.

    ``code``: the case it solves. ``turns``: setup and finish turns together after cancellation (what
    the core does not account for). ``effort``: of ``moves``, by the model the search was given.
    """

    code: str
    setup: Moves
    core: Core
    finish: Moves
    moves: Moves
    turns: int
    effort: float

    @property
    def length(self) -> int:
        """Turns of the whole sequence, each counted once."""
        return len(self.moves)


@dataclass
class CaseResult:
    """What was found for one case. ``shortest``: fewest setup + finish turns that were found, or None;
    ``minimal``: how many sequences have that number; ``found``: those kept, best first by the order asked.
    What either number is worth, `Result.is_shortest` and `Result.is_counted` tell."""

    code: str
    shortest: int | None = None
    minimal: int = 0
    found: list[Found] = field(default_factory=list)


@dataclass
class Result:
    """The outcome of a search. ``complete`` is False when it was stopped before its end.

    ``depth``: the most turns of a setup, and of a finish. ``searched``: every pair of such with at most this
    many turns together was tried, round every core; None where it was stopped before that can be said of any
    number. Those that leave the whole cube turned are not among them (`may_turn_the_cube`).
    ``meetings``: pairs that leave the rest alone.
    """

    size: int
    depth: int
    turns: tuple[Turn, ...]
    cores: tuple[Core, ...]
    cases: dict[str, CaseResult]
    complete: bool = True
    searched: int | None = None
    sequences: int = 0
    meetings: int = 0

    @property
    def reach(self) -> int:
        """Turns together up to which a search of this depth tries all there is, however they are shared out.

        Without a core every sequence of up to twice the depth is two halves of that depth. Round a core, one
        turn more than the depth may all stand on one side, where it is not tried. Where turns vanish at the
        core it is fewer: of a setup longer than the depth few may be left.
        """
        if self._bare:
            return 2 * self.depth
        return self.depth - max(_most_lost(core.moves, self.turns) for core in self.cores)

    def is_shortest(self, code: str) -> bool:
        """Whether none of these turns round these cores, however long on one side, has fewer turns than were
        found. Up to one more than `reach` that is certain: all that have fewer were tried."""
        shortest = self.cases[code].shortest
        return shortest is not None and self.proved(code) and shortest <= self.reach + 1

    def is_counted(self, code: str) -> bool:
        """Whether as many sequences have that fewest number of turns as were found, however shared out."""
        shortest = self.cases[code].shortest
        return shortest is not None and self.proved(code) and shortest <= self.reach

    def proved(self, code: str) -> bool:
        """Whether all was searched that `proof` speaks of: nothing was found within the whole depth, or
        nothing with fewer turns than what was found."""
        shortest = self.cases[code].shortest
        return self.complete or (
            shortest is not None and self.searched is not None and shortest <= self.searched
        )

    def proof(self, code: str) -> str:
        """What this search proves about the case, in one sentence."""
        shortest = self.cases[code].shortest
        tried = f"{self._within}, searched exhaustively"
        if self.proved(code) and shortest is None:
            return f"none within {tried}"
        number = f"{shortest} {self.counted(code)}"
        if self.proved(code):
            # of no turns at all there is nothing to be said but that
            told = f"; all of {tried}" if self.complete or (self.searched or 0) > 0 else ""
            return (
                f"shortest: {number}{told}" if self.is_shortest(code) else f"{number}, {self._fewest}{told}"
            )
        stopped = "before it proved anything"
        if self.searched is not None and self.searched > 0:
            stopped = f"when all of {self._within}, had been searched"
        found = "none yet" if shortest is None else f"{number}, perhaps not the fewest"
        return f"{found}: the search was stopped {stopped}"

    def compared(self, found: Found) -> str:
        """How many turns a sequence has beside the fewest of its case: what its proof opens with where it has
        more."""
        shortest = self.cases[found.code].shortest
        least = (
            f"{shortest} is the shortest"
            if self.is_shortest(found.code)
            else f"{self._fewest} are {shortest}"
        )
        return f"{found.turns} {self.counted(found.code)} where {least}"

    @property
    def _fewest(self) -> str:
        return f"the fewest with at most {self.depth} each"

    @property
    def _within(self) -> str:
        """Which sequences were searched."""
        layers = " ".join(dict.fromkeys(str(Turn(t.base, 1, t.depth, t.inner)) for t in self.turns))
        # what block turns and inner slices reach on one size says nothing of another
        where = "" if holds_on_every_size(Moves(self.turns)) else f" on a {self.size}x{self.size}x{self.size}"
        if may_turn_the_cube(self.turns, self.size):
            where += " that leave the cube as it is held"
        core = "no core" if self._bare else "round " + " | ".join(map(str, self.cores))
        if self.complete or self.searched is None:
            return f"{self.depth}+{self.depth} turns of {layers}{where}, {core}"
        most = f"up to {self.searched} turn{'' if self.searched == 1 else 's'} of {layers}{where}"
        if not self._bare:
            most += ", setup and finish together"
            most += f", {self.depth} each at most" if self.searched > self.depth else ""
        return f"{most}, {core}"

    def counted(self, code: str) -> str:
        """What this search's numbers of turns count: not the core, nor turns of the top layer at either end.

        For an arrangement one such turn may be left to do at the end. An inner slice counts one, as in ETM.
        """
        noun = "turns" if self._bare else "setup and finish turns"
        return f"{noun} (a last one of the top layer apart)" if code in PERMUTATION_CASES else noun

    @property
    def _bare(self) -> bool:
        return all(not core.moves for core in self.cores)


def _most_lost(core: Moves, turns: Sequence[Turn]) -> int:
    """By how many turns at most a setup and a finish count less together than one of them is written with.

    Turns vanish into the core as far as it consists of their layers: with each turn of the core that is met,
    the one that meets it and itself. So the other of the two may count less than none.
    """
    layers = {turn.layers for turn in turns}
    (start, top_start), (end, top_end) = (_met(side, layers) for side in (core, core.inverse()))
    return max(2 * start + end, start + 2 * end) + top_start + top_end


def _met(core: Moves, layers: Collection[tuple[str, int, bool]]) -> tuple[int, int]:
    """(how many turns at the start of a core turns of these layers can meet, whether a turn of the top layer
    is left to itself behind them, and so no longer counted: 0 or 1)."""
    met = 0
    for _, run in groupby(core.cancelled(), key=lambda turn: turn.axis):
        first = list(run)  # of one axis: each can be brought to the front
        rest = [turn for turn in first if turn.layers not in layers]
        met += len(first) - len(rest)
        if rest:
            return met, int(_TOP in [turn.layers for turn in rest])
    return met, 0
