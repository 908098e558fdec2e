"""The search against a slow plain one, and facts of the trade."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from functools import lru_cache
from itertools import groupby
from math import comb

import numpy as np
import pytest
from test_models_search_space import every_layer

from models.cases import CASE_LIST, CASES, case_of, mirror_of
from models.cube import moves_permutation
from models.effort import load_effort
from models.errors import LastlookError, LayerError, UsageError
from models.layer import LastLayer
from models.notation import parse_moves
from models.permutation import permutation_of
from models.search import all_odd_codes, find
from models.search_halves import Halves
from models.search_meet import _without_seam, meetings
from models.search_rank import is_padded
from models.search_result import NO_CORE, CaseResult, Core, Result, core_variants
from models.search_space import OUTER, enumerate_space, turn_set
from models.sequences import read_cores, widened
from models.turns import Moves, Turn

FLIP_ONE = read_cores()["flip-one"]
CORE = Core("flip-one", FLIP_ONE)


# --- the core, as the trade knows it (common practice, no source) ---


def test_the_core_does_what_the_trade_says() -> None:
    """It flips one edge, twists two corners, swaps two edges and two corners."""
    state = LastLayer.after(FLIP_ONE, 4)
    assert sum(state.flip) == 1
    assert sorted(state.twist) == [0, 0, 1, 2]
    for order in (state.corners, state.edges):
        assert sum(place != home for place, home in enumerate(order)) == 2


# --- a slow plain search, held against the fast one ---


def plain_meetings(
    core: Moves, layers: str, depth: int, size: int
) -> Iterator[tuple[str, Moves, Moves, Moves]]:
    """(code, setup, finish, whole sequence) of all that keep the rest, trying every setup with every finish.

    Whole sticker permutations, no shortcut but the one that turns of U outside change nothing.
    """
    turns = turn_set(layers, size)
    sequences: list[tuple[Turn, ...]] = [()]
    frontier: list[tuple[Turn, ...]] = [()]
    order = {"U": 0, "D": 1, "L": 0, "R": 1, "F": 0, "B": 1}
    for _ in range(depth):
        frontier = [
            (*s, t)
            for s in frontier
            for t in turns
            if not s or s[-1].axis != t.axis or (s[-1].base != t.base and order[s[-1].base] < order[t.base])
        ]
        sequences += frontier
    setups = [s for s in sequences if not s or s[0].base != "U"]
    finishes = [tuple(t.inverse() for t in reversed(s)) for s in setups]
    home = np.repeat(np.arange(6, dtype=np.int8), size * size)
    fixed = np.ones(len(home), bool)
    from models.layer_tables import corner_positions, edge_positions

    fixed[corner_positions(size).ravel()] = False
    fixed[edge_positions(size).ravel()] = False
    after_setup = np.stack([moves_permutation(Moves(s) + core, size) for s in setups])
    for finish in finishes:
        p = moves_permutation(Moves(finish), size)
        good = np.flatnonzero((home[after_setup[:, p[fixed]]] == home[fixed]).all(axis=1))
        for i in good.tolist():
            moves = (Moves(setups[i]) + core + Moves(finish)).cancelled()
            while moves and moves[0].base == "U":
                moves = moves[1:]
            while moves and moves[-1].base == "U":
                moves = moves[:-1]
            state = LastLayer.after(moves, size).inverse()
            code = permutation_of(state)[0] if state.is_oriented else case_of(state)[0].code
            yield code, Moves(setups[i]), Moves(finish), moves


def plain_search(core: Moves, layers: str, depth: int, size: int) -> dict[str, tuple[int, set[str]]]:
    """Code -> (fewest setup + finish turns, all such sequences)."""
    best: dict[str, tuple[int, set[str]]] = {}
    for code, _, _, moves in plain_meetings(core, layers, depth, size):
        turns_used = len(moves) - len(core.cancelled())
        fewest, found = best.get(code, (99, set()))
        if turns_used < fewest:
            fewest, found = turns_used, set()
        if turns_used == fewest:
            best[code] = fewest, found | {str(moves)}
    return best


def compare(core: Moves, layers: str, depth: int, size: int) -> int:
    plain = plain_search(core, layers, depth, size)
    codes = [c.code for c in CASE_LIST if c.occurs_on(size) and not c.is_oriented]
    fast = find(codes, size=size, cores=(Core("it", core),), turns=layers, depth=depth, keep=0)
    for code in codes:
        case = fast.cases[code]
        if code not in plain:
            assert case.shortest is None and not case.found
            continue
        assert case.shortest == plain[code][0], code
        assert {str(found.moves) for found in case.found} == plain[code][1], code
    return len(set(plain) & set(codes))


def test_the_plain_search_agrees_round_the_core() -> None:
    assert compare(FLIP_ONE, "R U F", 3, 4) >= 4


def test_the_plain_search_agrees_on_all_layers() -> None:
    assert compare(FLIP_ONE, OUTER, 2, 4) >= 1


@pytest.mark.slow
def test_the_plain_search_agrees_deeper() -> None:
    assert compare(FLIP_ONE, "R U F", 4, 4) > 20


def test_the_plain_search_agrees_where_the_seams_cancel() -> None:
    """A core that itself begins and ends in outer turns: half of the setup can vanish into it."""
    core = parse_moves("R' F' U'") + FLIP_ONE + parse_moves("F U R")
    assert compare(core, "R U F", 3, 4) >= 4
    found = find(["e1-headlights-front"], cores=(Core("long", core),), turns="R U F", depth=3, keep=1)
    assert found.cases["e1-headlights-front"].shortest == -6
    assert found.cases["e1-headlights-front"].found[0].moves == FLIP_ONE


@pytest.mark.parametrize("keep", [1, 3])
@pytest.mark.parametrize(
    "core", ["R' F R B' R' F' R B", "U R U R' U R U2 R' U'", "R2 R2 F R U R' U' F'", "F U y F U' F' L' y'"]
)
def test_the_plain_search_agrees_on_effort_where_the_seams_cancel(core: str, keep: int) -> None:
    """What vanishes into the core costs nothing: the easiest are those of all sequences as they are done."""
    model, moves = load_effort(), parse_moves(core)
    easiest: dict[str, dict[Moves, float]] = {}
    for code, setup, finish, whole in plain_meetings(moves, "R U F", 3, 3):
        if code not in ("solved", "e0-solved") and not is_padded(setup, moves, finish, 3):
            easiest.setdefault(code, {})[whole] = model.effort(whole)
    result = find(
        list(easiest), size=3, cores=(Core("it", moves),), turns="R U F", depth=3, by="effort", keep=keep
    )
    for code, efforts in easiest.items():
        found = [one.effort for one in result.cases[code].found]
        assert found == pytest.approx(sorted(efforts.values())[:keep]), code


def test_the_plain_search_agrees_without_a_core() -> None:
    plain = plain_search(Moves(()), "R U F", 3, 3)
    codes = [c.code for c in CASE_LIST if c.occurs_on(3) and not c.is_oriented]
    fast = find(codes, size=3, turns="R U F", depth=3, keep=0)
    for code in codes:
        expected = plain.get(code)
        assert fast.cases[code].shortest == (expected[0] if expected else None), code
        if expected:
            assert {str(f.moves) for f in fast.cases[code].found} == expected[1]


# --- what comes out ---


@lru_cache(maxsize=1)
def odd_search() -> object:
    return find(all_odd_codes(), cores=(CORE,), depth=5, keep=2)


def test_all_54_odd_cases_are_found_round_the_core() -> None:
    result = odd_search()
    assert len(result.cases) == 54 and result.complete and result.searched == 10
    for code, case in result.cases.items():
        assert case.shortest is not None and case.found
        for found in case.found:
            state = LastLayer.after(found.moves, 4).inverse()
            assert case_of(state)[0].code == code
            assert found.length == len(FLIP_ONE) + found.turns
            assert found.moves == (found.setup + FLIP_ONE + found.finish).cancelled()
            assert not is_padded(found.setup, FLIP_ONE, found.finish, 4)
        assert f"{case.shortest} setup and finish turns" in result.proof(code)
    assert result.cases["e1-headlights-front"].shortest == 0


def test_found_sequences_hold_on_a_6x6x6_when_widened() -> None:
    result = odd_search()
    for code in ("e1-pi-left", "e3-t-back", "e1-solved"):
        moves = widened(result.cases[code].found[0].moves, 6)
        assert case_of(LastLayer.after(moves, 6).inverse())[0].code == code


def test_mirror_cases_have_mirror_sequences() -> None:
    """Common practice, no source; with the mirrored core beside the core both have the same fewest turns."""
    cores = core_variants(CORE, mirrored=True)
    assert len(cores) == 2
    result = find(all_odd_codes(), cores=cores, depth=4, keep=1)
    for code, case in result.cases.items():
        assert case.shortest == result.cases[mirror_of(CASES[code]).code].shortest


def test_another_angle_of_the_core_changes_nothing_but_the_hands() -> None:
    codes = [c for c in all_odd_codes() if "sune" in c]
    front = find(codes, cores=(CORE,), depth=4, keep=1)
    for core in core_variants(CORE, angles=(1, 2, 3)):
        turned = find(codes, cores=(core,), depth=4, keep=1)
        assert [c.shortest for c in turned.cases.values()] == [c.shortest for c in front.cases.values()]


def test_by_effort_the_least_effort_comes_first() -> None:
    model = load_effort()
    codes = ["e1-t-back", "e3-pi-left"]
    result = find(codes, cores=(CORE,), depth=5, keep=6, by="effort")
    by_length = find(codes, cores=(CORE,), depth=5, keep=1)
    for code in codes:
        efforts = [found.effort for found in result.cases[code].found]
        assert efforts == sorted(efforts)
        assert efforts[0] <= by_length.cases[code].found[0].effort
        for found in result.cases[code].found:
            assert found.effort == pytest.approx(model.effort(found.moves))


def test_the_57_and_the_21_are_searched_without_a_core() -> None:
    """Shortest sequences that the trade knows (common practice, no source): sune and antisune 7, headlights
    and the two-edge cases of 6, the three-cycles of corners 9, of edges 9 in face turns and 7 with M."""
    result = find(["e0-sune", "e0-antisune", "e2o-headlights-right", "Aa", "Ab"], size=3, depth=5, keep=1)
    assert [c.shortest for c in result.cases.values()] == [7, 7, 6, 9, 9]
    slices = find(["Ua", "Ub", "H", "Z"], size=4, turns="M U", depth=5, keep=1)
    assert [c.shortest for c in slices.cases.values()] == [7, 7, 7, 9]
    for code, case in slices.cases.items():
        assert permutation_of(LastLayer.after(case.found[0].moves, 4).inverse())[0] == code


def test_inner_turns_keep_pairs_and_centres_whole() -> None:
    """With block turns the wings and centres of the 4x4x4 are followed; results hold sticker by sticker."""
    result = find(["e2o-headlights-right", "e2a-bowtie-left"], size=4, turns="Rw R U F", depth=3, keep=0)
    for code, case in result.cases.items():
        for found in case.found:
            assert case_of(LastLayer.after(found.moves, 4).inverse())[0].code == code
    assert result.cases["e2o-headlights-right"].shortest == 6


def test_parity_classes_are_found_round_a_wide_core() -> None:
    core = Core("swap-two", read_cores()["swap-two"])
    result = find(["par-solved-flbr", "par-solved-frlb"], cores=(core,), depth=3, keep=1)
    assert result.cases["par-solved-flbr"].shortest == 0
    for code, case in result.cases.items():
        assert permutation_of(LastLayer.after(case.found[0].moves, 4).inverse())[0] == code


# --- stopping and refusing ---


def test_after_so_many_turns_are_said_to_be_searched_none_comes_with_fewer() -> None:
    """Wherever it is stopped: turns are shared out between setup and finish in several ways."""
    halves = Halves(enumerate_space(turn_set("R U F", 4), 3, 4), load_effort())
    searched, came = -99, 0
    for _, total, met in meetings(halves, CORE, 4, True):
        for pairs in met:
            assert (pairs.turns > searched).all()
            came += len(pairs.turns)
        searched = max(searched, total)
    assert searched == 8 and came > 50


def test_stopped_early_it_keeps_what_it_found() -> None:
    calls = 0

    def stop(share: float, words: str) -> None:
        nonlocal calls
        calls += 1
        assert 0 <= share <= 1 and words
        if words.startswith("flip-one") and calls > 110:
            raise KeyboardInterrupt

    result = find(all_odd_codes(), cores=(CORE,), depth=5, keep=1, progress=stop)
    assert not result.complete and 0 < result.searched < 10
    whole = odd_search()
    some = [code for code, case in result.cases.items() if case.found]
    assert some
    for code in some:
        if result.cases[code].shortest <= result.searched:
            assert result.cases[code].shortest == whole.cases[code].shortest
        assert f"all of up to {result.searched} turns" in result.proof(code)


def test_stopped_in_the_first_of_two_cores_it_proves_nothing() -> None:
    """Of the second core nothing is known, whatever was found round the first."""

    def stop(share: float, words: str) -> None:
        if words.endswith("4 turns"):
            raise KeyboardInterrupt

    cores = core_variants(CORE, mirrored=True)
    result = find(all_odd_codes(), cores=cores, depth=3, keep=1, progress=stop)
    assert not result.complete and any(case.found for case in result.cases.values())
    assert not any(result.proved(code) for code in result.cases)


@pytest.mark.parametrize("searched", range(3, 7))
def test_stopped_early_it_proves_no_more_than_it_searched(searched: int) -> None:
    case = CaseResult("e1-solved", shortest=5, minimal=1)
    result = Result(4, 5, turn_set("R U F", 4), (CORE,), {case.code: case}, complete=False, searched=searched)
    assert result.proof(case.code).startswith("shortest: 5 ") == (searched >= 5)


@pytest.mark.parametrize(
    ("options", "error"),
    [
        ({"codes": ["e1-nowhere"]}, UsageError),
        ({"codes": ["e0-solved"]}, UsageError),
        ({"codes": ["e1-solved"], "size": 3}, UsageError),
        ({"codes": ["e1-solved"], "turns": "x"}, UsageError),
        ({"codes": ["e1-solved"], "turns": ""}, UsageError),
        ({"codes": ["e1-solved"], "depth": 0}, UsageError),
        ({"codes": ["e1-solved"], "depth": 9}, UsageError),
        ({"codes": ["e1-solved"], "size": 6, "turns": every_layer(6), "depth": 9}, UsageError),
        ({"codes": ["e1-solved"], "by": "beauty"}, UsageError),
        ({"codes": ["e1-solved"], "cores": (Core("bad", parse_moves("R U R'")),)}, LayerError),
        ({"codes": ["e1-solved"], "turns": "R Q"}, LastlookError),
    ],
)
def test_what_cannot_be_searched_is_refused(options: dict[str, object], error: type[Exception]) -> None:
    with pytest.raises(error):
        find(**{"cores": (NO_CORE,), **options})  # type: ignore[arg-type]


def test_turns_that_vanish_into_a_short_core_are_counted_once() -> None:
    """Setup and finish may eat all of a core that is shorter than both: no case takes fewer than no turns."""
    core = parse_moves("R U R' U R U2 R'")
    result = find(
        ["e0-antisune", "e0-sune"], size=3, cores=(Core("seven", core),), turns="R U", depth=7, keep=20
    )
    for case in result.cases.values():
        assert case.shortest == min(one.turns for one in case.found) == 0
        assert all(one.turns == len(one.moves) - len(core) for one in case.found)


def test_every_way_to_put_two_halves_together_is_one_sequence() -> None:
    """Counted apart: axes take turns, a run turns some of its layers in 3 ways each, whatever their order; at
    both ends the top layer rests. So three layers of one axis across the seam are met once, not twice."""
    layers = {"x": 3, "y": 1, "z": 2}
    space = enumerate_space(turn_set("R L M U F B", 3), 3, 3)
    halves = Halves(space, load_effort())
    starts = space.starts
    for total in range(2, 7):
        setups, finishes = (range(starts[k], starts[k + 1]) for k in ((total + 1) // 2, total // 2))
        i, j = (a.ravel() for a in np.meshgrid(setups, finishes))
        assert len(_without_seam(halves, i, j)[0]) == runs_of(total, layers), total


def runs_of(total: int, layers: dict[str, int]) -> int:
    """How many sequences of ``total`` turns, neither beginning nor ending with U, counted run by run."""

    def run(axis: str, turns: int, outside: bool) -> int:
        return comb(layers[axis] - (outside and axis == "y"), turns) * 3**turns

    def from_here(left: int, before: str) -> int:
        return sum(
            run(axis, k, not before or k == left) * (from_here(left - k, axis) if k < left else 1)
            for axis in layers
            if axis != before
            for k in range(1, left + 1)
        )

    return from_here(total, "")


def test_commuting_turns_in_another_order_are_no_second_sequence() -> None:
    result = find(["e0-sune"], size=4, turns="R Rw 2R U", depth=5, keep=200)
    found = result.cases["e0-sune"].found
    runs = {
        tuple((axis, frozenset(run)) for axis, run in groupby(one.moves, key=lambda turn: turn.axis))
        for one in found
    }
    assert len(runs) == len(found) > 20
    assert all(one.turns == len(one.moves) for one in found)


@pytest.mark.parametrize("core", ["R R'", "y", "U2", "x y x'", "R U2 U2 R' U"])
def test_a_core_that_does_nothing_is_refused(core: str) -> None:
    """Around it every sequence would be met once for each place where it can be cut."""
    with pytest.raises(UsageError, match="does nothing"):
        find(["e0-sune"], size=3, cores=(Core(core, parse_moves(core)),), turns="R U", depth=4)


def test_a_proof_says_where_its_layers_are_those_of_one_size_alone() -> None:
    """With Rw a 3x3x3 has a shorter sequence for the T (common practice, no source: 8 turns) than a 4x4x4."""
    options = {"turns": "R Rw F U", "depth": 5, "keep": 1}
    four, three = (find(["e0-t"], size=size, **options) for size in (4, 3))  # type: ignore[arg-type]
    assert [four.cases["e0-t"].shortest, three.cases["e0-t"].shortest] == [9, 8]
    assert "on a 4x4x4" in four.proof("e0-t") and "on a 3x3x3" in three.proof("e0-t")
    plain = find(["e0-sune"], size=4, turns="R U M", depth=4, keep=1)
    assert "4x4x4" not in plain.proof("e0-sune"), "outer layers and whole middles do alike on every size"


def test_as_many_are_told_as_there_are() -> None:
    """Turns that vanish into a core can do so in two ways, and a turn may be undone behind it for nothing:
    that makes no further sequence. Of one core and of all its mirror images and angles."""
    core = Core("six", parse_moves("F R U R' U' F'"))
    for cores in ((core,), core_variants(core, mirrored=True, inverted=True, angles=(0, 1, 2, 3))):
        options = {"size": 3, "cores": cores, "turns": "R U F", "depth": 3 + (len(cores) == 1)}
        codes = ["e2a-headlights-front", "e2o-headlights-right", "e0-sune"]
        every = find(codes, keep=0, **options)  # type: ignore[arg-type]
        some = find(codes, keep=1, **options)  # type: ignore[arg-type]
        for code, case in every.cases.items():
            assert case.minimal == some.cases[code].minimal == len({one.moves for one in case.found})


def test_the_easiest_is_kept_however_many_are_shorter() -> None:
    """For a hand that cannot do half turns: the easiest of all has none, and dozens with fewer turns have."""
    model = load_effort()
    stiff = replace(
        model, turn=tuple((name, 30.0 if name == "double" else cost) for name, cost in model.turn)
    )
    few, every = (
        find(["e2a-solved"], size=3, turns="R U F B", depth=6, by="effort", keep=keep, effort=stiff)
        for keep in (1, 5000)
    )
    (kept,), listed = few.cases["e2a-solved"].found, every.cases["e2a-solved"].found
    easiest = min(listed, key=lambda one: stiff.effort(one.moves))
    assert sum(one.turns < easiest.turns for one in listed) > 40
    assert kept.effort == pytest.approx(stiff.effort(easiest.moves))
