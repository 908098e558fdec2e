"""A second search, written apart from the first: sorted tables of labelled stickers, joined, 5 + 5 deep.

It shares with the project's search only the turns as sticker permutations, which sympy and the published
group orders check elsewhere.
"""

from __future__ import annotations

import numpy as np
import pytest

from models.cases import case_of
from models.cube import moves_permutation
from models.layer import LastLayer
from models.layer_tables import corner_positions, edge_positions
from models.notation import parse_moves
from models.search import all_odd_codes, find
from models.search_result import Core

N = 4
CORE = "Rw U2 x Rw U2 Rw U2 Rw' U2 Lw U2 Rw' U2 Rw U2 Rw' U2 Rw'"
OPPOSITE = {"U": "D", "D": "U", "R": "L", "L": "R", "F": "B", "B": "F"}


def all_sequences(depth: int) -> tuple[np.ndarray, np.ndarray]:
    """Sticker permutations (S, 96), lengths (S,) of all sequences of outer turns that do not begin with U."""
    turns = [(face, moves_permutation(parse_moves(face + suffix), N).astype(np.uint8))
             for face in "UDRLFB" for suffix in ("", "2", "'")]  # fmt: skip
    layer = {None: np.arange(6 * N * N, dtype=np.uint8)[None]}
    permutations, lengths = [layer[None]], [np.zeros(1, int)]
    frontier: dict[str | None, np.ndarray] = dict(layer)
    for k in range(1, depth + 1):
        grown: dict[str | None, list[np.ndarray]] = {}
        for last, rows in frontier.items():
            for face, turn in turns:
                if (last is None and face == "U") or face == last:
                    continue
                if last is not None and OPPOSITE[face] == last and face < last:
                    continue  # turns of opposite faces commute: one order is enough
                grown.setdefault(face, []).append(rows[:, turn])
        frontier = {face: np.concatenate(parts) for face, parts in grown.items()}
        permutations += list(frontier.values())
        lengths += [np.full(len(rows), k) for rows in frontier.values()]
    return np.concatenate(permutations), np.concatenate(lengths)


def codes_of(permutations: np.ndarray) -> list[str]:
    """The case that each sequence (permutation of all stickers, (P, 96)) solves."""
    home = np.repeat(np.arange(6), N * N)
    stickers = home[np.argsort(permutations, axis=1)]
    corners, edges = corner_positions(N), edge_positions(N)[:, 0]  # one wing tells of its edge
    twist = (stickers[:, corners] == 0).argmax(-1)
    flip = (stickers[:, edges] == 0).argmax(-1)
    known: dict[tuple[int, ...], str] = {}
    out = []
    for t, f in zip(twist.tolist(), flip.tolist(), strict=True):
        key = (*t, *f)
        if key not in known:
            state = LastLayer(N, (0, 1, 2, 3), tuple(t), (0, 1, 2, 3), tuple(f))
            known[key] = case_of(state)[0].code
        out.append(known[key])
    return out


def fewest_turns(depth: int) -> dict[str, int]:
    """Code -> fewest setup + finish turns round the core, over all of up to ``depth`` outer turns each."""
    permutations, lengths = all_sequences(depth)
    label = np.repeat(np.arange(6, dtype=np.int8), N * N)
    label[corner_positions(N).ravel()] = -1
    label[edge_positions(N).ravel()] = -1
    core = moves_permutation(parse_moves(CORE), N).astype(np.uint8)
    mix = np.random.default_rng(5).integers(1, 2**62, 6 * N * N, dtype=np.int64) | 1
    after = permutations[:, core]

    def keys(rows: np.ndarray) -> np.ndarray:
        parts = np.array_split(rows, 64)
        return np.concatenate([(label[part].astype(np.int64) * mix).sum(1) for part in parts])

    key_before, key_after = keys(permutations), keys(after)
    order = np.lexsort((lengths, key_before))
    key_sorted = key_before[order]
    best: dict[str, int] = {}
    for total in range(2 * depth + 1):
        for k in range(max(0, total - depth), min(depth, total) + 1):
            setups = np.flatnonzero(lengths == k)
            low = np.searchsorted(key_sorted, key_after[setups], "left")
            high = np.searchsorted(key_sorted, key_after[setups], "right")
            for s, a, b in zip(setups[low < high], low[low < high], high[low < high], strict=True):
                finishes = order[a:b]
                finishes = finishes[lengths[finishes] == total - k]
                if not len(finishes):
                    continue
                back = np.argsort(permutations[finishes], axis=1)
                whole = after[s][back]
                for code in codes_of(whole):
                    best.setdefault(code, total)
        if all(code in best for code in all_odd_codes()):
            break
    return best


def test_join_agrees_with_the_search_at_three_turns_each() -> None:
    assert_agreement(3)


@pytest.mark.slow
def test_join_agrees_with_the_search_at_five_turns_each() -> None:
    assert_agreement(5)


def assert_agreement(depth: int) -> None:
    ours = find(all_odd_codes(), cores=(Core("flip-one", parse_moves(CORE)),), depth=depth, keep=1)
    joined = fewest_turns(depth)
    fast = {code: case.shortest for code, case in ours.cases.items() if case.shortest is not None}
    assert fast == {code: turns for code, turns in joined.items() if code in all_odd_codes()}
    if depth == 5:
        assert len(fast) == 54
