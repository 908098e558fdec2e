"""Make the built-in library again: ``python -m models.library_build [PART ...]``.

Runs the project's own search and writes models/data/sequences-*.toml. Parts: ``odd`` (27 e1 and 27 e3),
``even`` (the 57 of the 3x3x3 kind), ``permutation`` (21 letters and 22 with parity), ``small`` (what only
a 2x2x2 needs); none means all.
The outcome depends on nothing but the code and models/data/cores.toml and effort.toml.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Sequence
from pathlib import Path

from models.cases import CASE_LIST
from models.files import write_atomically
from models.permutation import PERMUTATION_CASES, SOLVED_CODE
from models.search import all_odd_codes, find
from models.search_result import NO_CORE, Core, Found, Result, core_variants
from models.sequences import read_cores, write_block

_HEADER = """# Made by lastlook's own search: python -m models.library_build {part}
# Do not edit by hand; a library of your own adds to it (see the README).

"""
_SOURCE = "lastlook search"
Kept = dict[str, dict[str, tuple[Found, str]]]


def _take(kept: Kept, result: Result, most: int, note: str = "") -> None:
    """Keep up to ``most`` new sequences of each case, with what the search proves of the first ones."""
    for code, case in result.cases.items():
        rows = kept.setdefault(code, {})
        added = 0
        for found in case.found:
            text = str(found.moves)
            if text in rows or added >= most:
                continue
            added += 1
            if found.turns == case.shortest:
                proof = result.proof(code)
            else:
                proof = f"{result.compared(found)}; {note}"
            rows[text] = found, proof


def write_part(folder: Path, part: str, kept: Kept) -> Path:
    """Write one part's file; the text is the same for the same sequences."""
    path = folder / f"sequences-{part}.toml"
    blocks = [_HEADER.format(part=part)]
    for code, rows in kept.items():
        for text, (found, proof) in rows.items():
            core = str(found.core) if found.core.moves else ""
            of = "2" if part == "small" else ""
            blocks.append(write_block(code, text, source=_SOURCE, proof=proof, proof_size=of, core=core))
    write_atomically(path, "".join(blocks).encode())
    return path


def build_odd() -> Kept:
    """Round the core and its mirror image and inverse: three by length, three by effort, two in R U F."""
    core = Core("flip-one", read_cores()["flip-one"])
    cores = core_variants(core, mirrored=True, inverted=True)
    kept: Kept = {}
    codes = all_odd_codes()
    _take(kept, find(codes, size=4, cores=cores, depth=5, keep=3), 3)
    _take(kept, find(codes, size=4, cores=cores, depth=5, keep=3, by="effort"), 3, "least effort within 5+5")
    ruf = find(codes, size=4, cores=cores, turns="R U F", depth=7, keep=3, by="effort")
    _take(kept, ruf, 2, "least effort of R U F within 7+7")
    return kept


def build_even() -> Kept:
    """Without a core: the shortest, the easiest, and the easiest in R U F."""
    codes = [case.code for case in CASE_LIST if case.occurs_on(3) and not case.is_oriented]
    kept: Kept = {}
    _take(kept, find(codes, size=3, cores=(NO_CORE,), depth=6, keep=2), 2)
    _take(kept, find(codes, size=3, depth=6, keep=2, by="effort"), 2, "least effort within 6+6")
    ruf = find(codes, size=3, turns="R U F", depth=8, keep=3, by="effort")
    _take(kept, ruf, 2, "least effort of R U F within 8+8")
    return kept


def build_permutation() -> Kept:
    """Letters without a core in several sets of layers; the parity half round both wide-turn cores."""
    kept: Kept = {}
    letters = [c.code for c in PERMUTATION_CASES.values() if c.occurs_on(3) and c.code != SOLVED_CODE]
    _take(kept, find(letters, size=3, depth=6, keep=2), 2)
    for turns, depth in (("R U F", 8), ("R U D", 7), ("R U F D", 6), ("M U", 9), ("R U", 9), ("R F D", 7)):
        result = find(letters, size=4, turns=turns, depth=depth, keep=3, by="effort")
        _take(kept, result, 3 if turns == "R U F" else 1, f"least effort of {turns} within {depth}+{depth}")
    named = read_cores()
    parity = [c.code for c in PERMUTATION_CASES.values() if c.occurs_on(4) and c.parity]
    for name in ("swap-two", "swap-two-flat"):
        cores = core_variants(Core(name, named[name]), angles=(0, 1))
        _take(kept, find(parity, size=4, cores=cores, depth=5, keep=2), 2)
        result = find(parity, size=4, cores=cores, turns="R U F", depth=7, keep=2, by="effort")
        _take(kept, result, 2, "least effort of R U F within 7+7")
    return kept


def build_small() -> Kept:
    """The 2x2x2: its seven cases and two permutation classes, which need nothing of larger cubes."""
    kept: Kept = {}
    codes = [case.code for case in CASE_LIST if case.occurs_on(2) and not case.is_oriented]
    codes += [c.code for c in PERMUTATION_CASES.values() if c.occurs_on(2) and c.code != SOLVED_CODE]
    _take(kept, find(codes, size=2, turns="R U F", depth=6, keep=2), 2)
    _take(
        kept, find(codes, size=2, turns="R U F", depth=6, keep=2, by="effort"), 2, "least effort within 6+6"
    )
    return kept


PARTS: dict[str, Callable[[], Kept]] = {
    "odd": build_odd,
    "even": build_even,
    "small": build_small,
    "permutation": build_permutation,
}


def main(arguments: Sequence[str]) -> None:
    """Write the parts asked for into models/data."""
    folder = Path(__file__).parent / "data"
    for part in arguments or list(PARTS):
        if part not in PARTS:
            raise SystemExit(f"unknown part {part!r}; choose from {', '.join(PARTS)}")
        kept = PARTS[part]()
        path = write_part(folder, part, kept)
        print(f"{path.name}: {len(kept)} codes, {sum(map(len, kept.values()))} sequences")


if __name__ == "__main__":
    main(sys.argv[1:])
