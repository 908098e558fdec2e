"""Stored sequences: the entries of TOML files of `[[sequence]]` blocks, each executed by the engine."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from importlib import resources
from pathlib import Path

from models.cases import CASES, case_of
from models.check import check_moves
from models.errors import LastlookError, LayerError
from models.layer import LastLayer, upright
from models.notation import parse_moves
from models.permutation import PERMUTATION_CASES, SOLVED_CODE, permutation_of
from models.toml_files import read_blocks, read_text
from models.turns import MAX_SIZE, MIN_SIZE, Moves, Turn

NEEDS_NO_SEQUENCE = ("e0-solved", SOLVED_CODE)
_KEYS = {"code", "turns", "source", "proof", "proof_size", "core", "note"}


@dataclass(frozen=True)
class Entry:
    """One stored sequence, checked by the engine.

    ``angle``: quarter turns from the case's canonical frame to how the state lies that it solves.
    ``inverse_code``: what the sequence solves when done backwards.
    ``sizes``: on which it was executed and found right, ``written_for``: how its block turns are to be read
    there (`widened`). ``proof_size``: layers of the cube that ``proof`` was searched on, "" where
    the file does not say. ``file`` and ``line`` say where it stands.
    """

    code: str
    turns: str
    source: str
    proof: str
    proof_size: str
    core: str
    angle: int
    inverse_code: str
    sizes: tuple[int, ...]
    written_for: int
    file: str
    line: int

    def moves(self, size: int) -> Moves:
        """The sequence for that size, block turns widened where the size asks for it."""
        return widened(parse_moves(self.turns), size, self.written_for)

    def proof_on(self, size: int) -> str:
        """What is proved of the sequence on that size, "" for nothing.

        A 2x2x2 has no edges to be kept, so what is shortest there is not on larger cubes, and the other way
        round. A proof that does not tell its size is one of larger cubes where the sequence runs there.
        """
        of_smallest = self.proof_size == "2" or self.sizes == (2,)
        return self.proof if of_smallest == (size == 2) else ""


@dataclass(frozen=True)
class BadEntry:
    """An entry that was left out, and why; ``line`` 0 for the whole file."""

    file: str
    line: int
    reason: str

    def __str__(self) -> str:
        where = f"{self.file}:{self.line}" if self.line else self.file
        return f"{where}: {self.reason}"


def widened(moves: Moves, size: int, written_for: int = 4) -> Moves:
    """A sequence for a larger cube, its block turns taking as much of it as they take of the smaller one.

    Written for a 4x4x4, ``Rw`` turns half the cube: ``3Rw`` on a 6x6x6, and ``2R`` the inner part of it,
    ``3Rw R'``; odd sizes keep the sequence as it is. Written for a 3x3x3, ``Rw`` turns all but the far layer:
    ``3Rw`` on a 4x4x4, ``4Rw`` on a 5x5x5, and ``2R`` all between the two outer ones.
    """
    if size <= written_for or (written_for == 4 and size % 2):
        return moves
    depth = size // 2 if written_for == 4 else size - 1
    turns: list[Turn] = []
    for turn in moves:
        if turn.depth == 2 and turn.inner:
            turns += [Turn(turn.base, turn.quarters, depth), Turn(turn.base, 4 - turn.quarters, 1)]
        elif turn.depth == 2:
            turns.append(Turn(turn.base, turn.quarters, depth))
        else:
            turns.append(turn)
    return Moves(tuple(turns))


def holds_on_every_size(moves: Moves) -> bool:
    """True when only outer layers, all the layers between two outer ones (M E S) or the whole cube turn.

    Then a cube of any size from 3 up behaves as its 3x3x3 of corners, complete edges and centre blocks.
    """
    return all(turn.depth == 1 and not turn.inner for turn in moves)


def solved_class(moves: Moves, size: int) -> tuple[str, int]:
    """Code and angle of what a sequence solves on that size: an orientation case or, when every piece
    stays oriented, a permutation class. Raises ``LayerError`` when it disturbs more than the last layer."""
    try:
        state = LastLayer.after(moves, size).inverse()
    except LayerError:
        told = ["solves no last-layer case", *check_moves(moves, size).disturbs]
        raise LayerError("; ".join(told)) from None
    if state.is_oriented:
        return permutation_of(state)
    case, angle = case_of(state)
    return case.code, angle


@dataclass(frozen=True)
class Checked:
    """How a sequence was found right: see `Entry` for ``angle``, ``sizes`` and ``written_for``."""

    angle: int
    sizes: tuple[int, ...]
    written_for: int


def check_entry(code: str, moves: Moves) -> Checked:
    """Execute a sequence said to solve ``code``; raises ``LastlookError`` when it does so on no size.

    What holds on every size (`holds_on_every_size`) is executed on a 3x3x3 and a 4x4x4, and on a 2x2x2
    where the code can occur there. Block turns are read as written for a 4x4x4 (and widened on a 6x6x6),
    or, where that is not right, as written for a 3x3x3 (and widened on all larger ones).
    """
    if code in NEEDS_NO_SEQUENCE:
        raise LastlookError(f"case {code!r} needs no sequence")
    attempts: list[tuple[int, tuple[int, ...]]] = []
    if holds_on_every_size(moves):
        small = (2,) if moves.min_size == 2 and code.startswith(("e0-", "corners-")) else ()
        attempts.append((4, (3, 4, *small)))
    elif moves.min_size > 4:
        attempts.append((4, (moves.min_size,)))
    else:
        attempts.append((4, (4, 6)))
        if moves.min_size == 3:
            attempts.append((3, (3, 4, 5, 6, 7)))
    reason = ""
    for written_for, sizes in attempts:
        good: list[int] = []
        angle = 0
        for size in sizes:
            try:
                found, at = solved_class(widened(moves, size, written_for), size)
            except LastlookError as error:
                reason = reason or f"on {size}x{size}x{size}: {error}"
                continue
            if found != code:
                solves = "nothing" if found == SOLVED_CODE else found
                reason = reason or f"solves {solves}, not {code}"
                continue
            angle = at if not good else angle
            good += _alike(size) if holds_on_every_size(moves) and size > 2 else [size]
        if good:
            return Checked(angle, tuple(sorted(good)), written_for)
    raise LastlookError(reason)


def _alike(size: int) -> list[int]:
    """Sizes on which outer turns and whole middles do the same as on this one."""
    return [other for other in range(3, 8) if other % 2 == size % 2]


def read_entries(text: str, file: str) -> tuple[list[Entry], list[BadEntry]]:
    """Entries of a sequence file, each executed by the engine, and those left out with the reason."""
    good: list[Entry] = []
    bad: list[BadEntry] = []
    for line, table in read_blocks(text, "sequence"):
        try:
            if isinstance(table, str):
                raise LastlookError(table)
            good.append(_entry(table, file, line))
        except LastlookError as error:
            bad.append(BadEntry(file, line, str(error)))
    return good, bad


def _entry(table: dict[str, object], file: str, line: int) -> Entry:
    unknown = set(table) - _KEYS
    if unknown:
        raise LastlookError(f"unknown key {sorted(unknown)[0]!r}; known are {', '.join(sorted(_KEYS))}")
    values = {key: str(value) for key, value in table.items() if isinstance(value, str)}
    if len(values) != len(table):
        raise LastlookError("every value of a sequence is a text in quotes")
    code, turns = values.get("code", ""), values.get("turns", "")
    if code not in CASES and code not in PERMUTATION_CASES:
        raise LastlookError(f"unknown code {code!r}; `lastlook cases` lists all")
    moves = parse_moves(turns)
    proof_size = values.get("proof_size", "")
    if proof_size not in ("", *map(str, range(MIN_SIZE, MAX_SIZE + 1))):
        raise LastlookError(f"proof_size {proof_size!r}: a number of layers from {MIN_SIZE} to {MAX_SIZE}")
    checked = check_entry(code, moves)
    first = checked.sizes[0]
    done = upright(widened(moves, first, checked.written_for), first)
    backwards = solved_class(done.inverse(), first)[0]
    return Entry(
        code=code,
        turns=str(moves),
        source=values.get("source", ""),
        proof=values.get("proof", ""),
        proof_size=proof_size,
        core=values.get("core", ""),
        angle=checked.angle,
        inverse_code=backwards,
        sizes=checked.sizes,
        written_for=checked.written_for,
        file=file,
        line=line,
    )


def write_block(
    code: str, turns: str, *, source: str = "", proof: str = "", proof_size: str = "", core: str = ""
) -> str:
    """One ``[[sequence]]`` block as text, ending in a blank line."""
    rows = {
        "code": code, "turns": turns, "core": core, "source": source, "proof": proof, "proof_size": proof_size
    }  # fmt: skip
    body = "".join(f"{key} = {_quoted(value)}\n" for key, value in rows.items() if value)
    return f"[[sequence]]\n{body}\n"


def _quoted(value: str) -> str:
    # a byte of a file's name that is no UTF-8 is no character of TOML either
    text = value.encode("utf-8", "backslashreplace").decode("utf-8")
    escaped = text.replace("\\", "\\\\").replace('"', '\\"')
    return '"' + "".join(c if c >= " " and c != "\x7f" else f"\\u{ord(c):04x}" for c in escaped) + '"'


def built_in_texts() -> Iterator[tuple[str, str]]:
    """(name, text) of every sequence file that comes with lastlook."""
    folder = resources.files("models").joinpath("data")
    for item in sorted(folder.iterdir(), key=lambda f: f.name):
        if item.name.startswith("sequences") and item.name.endswith(".toml"):
            yield item.name, item.read_text(encoding="utf-8")


@dataclass(frozen=True)
class StoredCore:
    """A named core; ``where``: file and line of the user's own, "" for a built-in one."""

    moves: Moves
    where: str = ""


def read_cores(path: Path | None = None) -> dict[str, Moves]:
    """Named cores as `stored_cores` gives them, without where they stand."""
    return {name: core.moves for name, core in stored_cores(path).items()}


def stored_cores(path: Path | None = None) -> dict[str, StoredCore]:
    """Named cores: the built-in ones (models/data/cores.toml) and those of a user's file.

    Raises ``LastlookError`` (file, line) for what is no ``[[core]]`` block with a name and turns.
    """
    built_in = resources.files("models").joinpath("data/cores.toml").read_text(encoding="utf-8")
    sources = [("cores.toml", built_in)]
    if path is not None:
        sources.append((str(path), read_text(path)))
    cores: dict[str, StoredCore] = {}
    for file, text in sources:
        for line, table in read_blocks(text, "core"):
            try:
                name, moves = _core(table)
            except LastlookError as error:
                raise LastlookError(f"{file}:{line}: {error}; mend it or take it out") from error
            cores[name] = StoredCore(moves, "" if text is built_in else f"{file}:{line}")
    return cores


def _core(table: dict[str, object] | str) -> tuple[str, Moves]:
    if isinstance(table, str):
        raise LastlookError(table)
    name, turns = table.get("name"), table.get("turns")
    if not isinstance(name, str) or not isinstance(turns, str) or not name:
        raise LastlookError("a core has a name and turns, both in quotes")
    return name, parse_moves(turns)
