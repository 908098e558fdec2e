"""The library: our own sequences, those of the user on top, and which of them to do from here.

Built-in sequences lie in models/data; a user's file adds to them. Every entry is executed by the engine
when its file is new; the outcome is kept in a cache under the hash of the file's content, so that a start
costs reading one JSON file. Every suggestion is executed once more, sticker by sticker on the size of the
cube at hand, before it is returned.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Collection
from contextlib import suppress
from dataclasses import asdict, dataclass
from functools import cached_property, lru_cache
from itertools import takewhile
from pathlib import Path

import numpy as np

from models.cases import CASES, case_of
from models.cube import FaceletArray, IntArray, frozen, moves_permutation
from models.effort import EffortModel, load_effort
from models.files import replacing
from models.layer import LastLayer, upright
from models.layer_tables import corner_positions, edge_positions, has_edges
from models.notation import parse_moves
from models.permutation import permutation_of
from models.sequences import BadEntry, Entry, built_in_texts, read_entries
from models.toml_files import FileError, read_text
from models.turns import Moves, Turn

_CACHE_FORMAT = 5
_TOP = Turn("U").layers
_TURNS = tuple(parse_moves(turn) for turn in ("", "U", "U2", "U'"))


@dataclass(frozen=True)
class Suggestion:
    """A sequence to do from a given state, executed by the engine on that state.

    ``first``: turn of the top layer to do before ("" for none); a stored sequence's own first turn of it is
    merged into this one, so ``turns`` begins with another. ``length``: turns in OBTM and ``etm`` in ETM
    (WCA Regulations 12a5 and 12a6), both of ``turns`` alone. ``effort``: of first and turns together, by
    the effort model. ``proof``: what is known on that size about how short it can be, "" for nothing.
    """

    turns: str
    first: str
    length: int
    etm: int
    effort: float
    source: str
    proof: str
    code: str

    def to_json_dict(self) -> dict[str, str | int | float]:
        """The entry of ``sequences`` in the answer."""
        return {
            "turns": self.turns,
            "first": self.first,
            "length": self.length,
            "etm": self.etm,
            "effort": round(self.effort, 2),
            "source": self.source,
            "proof": self.proof,
        }


@dataclass(frozen=True, eq=False)
class Library:
    """Checked entries in the order of their files, what was left out, which files are the user's own, and
    the built-in entries that the user does not want to see."""

    entries: tuple[Entry, ...]
    bad: tuple[BadEntry, ...]
    effort: EffortModel
    own: frozenset[str] = frozenset()
    hidden: tuple[Entry, ...] = ()

    @cached_property
    def _by_code(self) -> dict[str, tuple[Entry, ...]]:
        grouped: dict[str, list[Entry]] = {}
        for entry in self.entries:
            grouped.setdefault(entry.code, []).append(entry)
        return {code: tuple(entries) for code, entries in grouped.items()}

    @cached_property
    def _written(self) -> dict[tuple[Moves, Moves], tuple[str, str, float]]:
        return {}

    def of(self, code: str) -> tuple[Entry, ...]:
        """Entries that solve that case or permutation class."""
        return self._by_code.get(code, ())

    def _write(self, first: Moves, moves: Moves) -> tuple[str, str, float]:
        """Both as text, and their effort together."""
        row = self._written.get((first, moves))
        if row is None:
            row = self._written[first, moves] = str(first), str(moves), self.effort.effort(first + moves)
        return row

    def suggest(self, state: LastLayer, n: int, *, limit: int | None = None) -> list[Suggestion]:
        """What to do from ``state`` on an n-layer cube: the user's own first, then by effort.

        A state whose pieces are not all oriented gets sequences that orient them; an oriented one those
        that solve it (the last turn of the top layer included); a solved one none. Empty when the library
        holds nothing for the case on that size.
        """
        code = permutation_of(state)[0] if state.is_oriented else case_of(state)[0].code
        stickers = state.facelets().ravel()
        found: dict[tuple[str, str], tuple[bool, Suggestion]] = {}
        for entry in self.of(code):
            pair = _first_and_turns(entry, state, n)
            if pair is None or not _executed(stickers, *pair, n, solve=state.is_oriented):
                continue
            first, turns, effort = self._write(*pair)
            mine = entry.file in self.own
            held = found.get((first, turns))
            proof = entry.proof_on(n) or (held[1].proof if held else "")
            suggestion = Suggestion(
                turns, first, pair[1].obtm, pair[1].etm, effort, entry.source, proof, code
            )
            if mine or held is None or (proof and not held[1].proof and not held[0]):
                found[first, turns] = mine, suggestion
        ranked = sorted(found.values(), key=lambda s: (not s[0], s[1].effort, s[1].etm, s[1].turns))
        return [suggestion for _, suggestion in ranked[:limit]]


@lru_cache(maxsize=8192)
def _sized(entry: Entry, size: int) -> Moves | None:
    """The entry's moves for a size, or None where they do not exist or were not found right."""
    return entry.moves(size) if size in entry.sizes else None


@lru_cache(maxsize=1024)
def _permutation(moves: Moves, size: int) -> IntArray:
    return frozen(moves_permutation(moves, size))


@lru_cache(maxsize=8192)
def _back(moves: Moves, size: int) -> Moves:
    """The rotation that turns the cube back after a sequence."""
    return upright(moves, size)[len(moves) :]


@lru_cache(maxsize=8192)
def _effect(moves: Moves, size: int) -> LastLayer:
    return LastLayer.after(moves, size)


def _first_and_turns(entry: Entry, state: LastLayer, size: int) -> tuple[Moves, Moves] | None:
    moves = _sized(entry, size)
    if moves is None:
        return None
    if not state.is_oriented:
        case, angle = case_of(state)
        quarters = (entry.angle - angle) % case.angles
        # a case that looks the same from two angles may be met by U or by U'
        own, rest = _top_apart(moves)
        return _TURNS[(quarters + own) % 4], rest
    effect = _effect(moves, size)
    best: tuple[Moves, Moves] | None = None
    for before, (corners, edges) in enumerate(_turned_on_top(state)):
        left = tuple(corners[i] for i in effect.corners), tuple(edges[i] for i in effect.edges)
        last = _last_turns(size).get(left)
        if last is not None:
            # the top is where the sequence leaves it
            own, whole = _top_apart((moves + _TURNS[last].rotated(_back(moves, size))).cancelled())
            first = _TURNS[(before + own) % 4]
            if best is None or len(first) + len(whole) < len(best[0]) + len(best[1]):
                best = first, whole
    return best


@lru_cache(maxsize=8192)
def _top_apart(moves: Moves) -> tuple[int, Moves]:
    """Quarter turns of the top layer that a sequence begins with, and the sequence without them.

    Turns of the same axis before one (``D U``, ``y U``) commute with it.
    """
    start = list(takewhile(lambda turn: turn.axis == "y", moves))
    quarters = sum(turn.quarters for turn in start if turn.layers == _TOP)
    if not quarters:
        return 0, moves
    return quarters % 4, Moves(tuple(turn for turn in start if turn.layers != _TOP)) + moves[len(start) :]


_Order = tuple[tuple[int, ...], tuple[int, ...]]


@lru_cache(maxsize=64)
def _turned_on_top(state: LastLayer) -> tuple[_Order, ...]:
    """Corners and edges after no, one, two and three turns of the top layer."""
    return tuple((s.corners, s.edges) for s in map(state.after_top, range(4)))


@lru_cache(maxsize=8)
def _last_turns(size: int) -> dict[_Order, int]:
    """Quarter turns of the top layer that solve an arrangement which is but turned."""
    turned = _turned_on_top(LastLayer.solved(size))
    return {order: -quarters % 4 for quarters, order in enumerate(turned)}


@lru_cache(maxsize=16)
def _moving(size: int) -> IntArray:
    """Flat stickers of the last layer's pieces."""
    edges = edge_positions(size).ravel() if has_edges(size) else np.zeros(0, np.int64)
    return frozen(np.concatenate([corner_positions(size).ravel(), edges]))


def _executed(before: FaceletArray, first: Moves, moves: Moves, size: int, *, solve: bool) -> bool:
    """Whether ``first`` and ``moves`` do what they should to real stickers (flat, home faces) of that size.

    Everything below the last layer comes home (once the whole cube is turned back), every sticker on top
    shows the top colour, and with ``solve`` everything else is home as well.
    """
    after = before[_permutation(first, size)][_permutation(moves + _back(moves, size), size)]
    wrong = after != _home(size)
    if solve:
        return not wrong.any()
    wrong[_moving(size)] = False
    return not wrong.any() and not after[: size * size].any()


@lru_cache(maxsize=16)
def _home(size: int) -> FaceletArray:
    return frozen(np.repeat(np.arange(6, dtype=np.int8), size * size))


def load_library(
    user_files: Collection[Path] = (),
    *,
    cache_folder: Path | None = None,
    effort: EffortModel | None = None,
    built_in: bool = True,
    hidden: Collection[tuple[str, str]] = (),
) -> Library:
    """The built-in sequences and those of the user's files (missing files count as empty).

    ``cache_folder``: where checked files are remembered; without it everything is checked anew (a fraction of
    a second). ``hidden``: (code, turns) of built-in entries to leave out. Bad entries are left out and
    listed in ``bad`` with file, line and reason; never an exception.
    """
    entries: list[Entry] = []
    out_of_sight: list[Entry] = []
    bad: list[BadEntry] = []
    own = {str(path) for path in user_files}
    sources: list[tuple[str, str]] = list(built_in_texts()) if built_in else []
    for path in user_files:
        try:
            if path.exists():
                sources.append((str(path), read_text(path)))
        except FileError as error:
            bad.append(BadEntry(str(path), 0, error.reason))
    for name, text in sources:
        good, left_out = _checked(text, name, cache_folder)
        for entry in good:
            seen = (entry.code, entry.turns) not in hidden or entry.file in own
            (entries if seen else out_of_sight).append(entry)
        bad += left_out
    weights = effort or load_effort()
    return Library(tuple(entries), tuple(bad), weights, frozenset(own), tuple(out_of_sight))


def _checked(text: str, name: str, cache_folder: Path | None) -> tuple[list[Entry], list[BadEntry]]:
    if cache_folder is None:
        return read_entries(text, name)
    codes = "\n".join(CASES)
    digest = hashlib.sha256(f"{_CACHE_FORMAT}\n{codes}\n{name}\n{text}".encode()).hexdigest()[:32]
    path = cache_folder / f"library-{digest}.json"
    kept = _read_cache(path)
    if kept is not None:
        return kept
    good, bad = read_entries(text, name)
    _write_cache(path, json.dumps({"good": [asdict(e) for e in good], "bad": [asdict(b) for b in bad]}))
    return good, bad


def _read_cache(path: Path) -> tuple[list[Entry], list[BadEntry]] | None:
    """What a cache file holds, or None where it is missing or damaged (then it is made anew)."""
    try:
        data = json.loads(path.read_text(encoding="utf-8"))
        good = [Entry(**{**row, "sizes": tuple(row["sizes"])}) for row in data["good"]]
        return good, [BadEntry(**row) for row in data["bad"]]
    except (OSError, ValueError, TypeError, KeyError, RecursionError):
        return None


def _write_cache(path: Path, text: str) -> None:
    """Failing to write is no error: the next start checks again."""
    with suppress(OSError):
        path.parent.mkdir(parents=True, exist_ok=True)
        with replacing(path) as stream:
            stream.write(text.encode())
