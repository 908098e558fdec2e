"""The permutation step: classes of oriented last layers up to turns of the top layer before and after.

Corners and edges that all show the top colour on top are still out of place in 24 * 24 ways on even sizes;
turning the top layer (before: the angle; after: the last turn) leaves 44 classes, counted by Burnside's
lemma over the 16 pairs of turns (see the tests): 22 that a 3x3x3 can show, solved included, and 22 with
parity. A class carries the name of the sequence that solves it.

* The 21 of the 3x3x3 have the trade's letters, Aa to Z (common practice, no source; written from memory of
  the trade's usual sequences, each checked to be a class of its own, with the mirror and inverse partners the
  letters promise).
* The 22 with parity have no letters of one mind; ours are ``par-CORNERS-EDGES``. CORNERS: ``solved``,
  ``adjacent`` (the two on the right are swapped) or ``diagonal`` (front right and back left); EDGES: which
  edges lie in front, right, back and left: ``rfbl`` has front and right swapped. Of the words that fit a
  class the first is taken, counting f before r before b before l.
* A 2x2x2 has ``corners-adjacent`` and ``corners-diagonal``.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from models.cube import frozen
from models.layer import LastLayer
from models.layer_tables import PERMUTATION_PARITY, PERMUTATIONS, has_edges, obeys_parity

SOLVED_CODE = "solved"
# State that the letter's sequence solves, corners and edges as in LastLayer.
_LETTERS: dict[str, tuple[tuple[int, ...], tuple[int, ...]]] = {
    "Aa": ((2, 1, 3, 0), (0, 1, 2, 3)),
    "Ab": ((3, 1, 0, 2), (0, 1, 2, 3)),
    "E": ((3, 2, 1, 0), (0, 1, 2, 3)),
    "F": ((3, 1, 2, 0), (2, 1, 0, 3)),
    "Ga": ((3, 1, 2, 0), (1, 3, 0, 2)),
    "Gb": ((3, 1, 2, 0), (2, 0, 3, 1)),
    "Gc": ((3, 1, 2, 0), (2, 3, 1, 0)),
    "Gd": ((3, 1, 2, 0), (3, 2, 0, 1)),
    "H": ((0, 1, 2, 3), (2, 3, 0, 1)),
    "Ja": ((3, 1, 2, 0), (0, 2, 1, 3)),
    "Jb": ((1, 0, 2, 3), (3, 1, 2, 0)),
    "Na": ((0, 3, 2, 1), (0, 3, 2, 1)),
    "Nb": ((2, 1, 0, 3), (0, 3, 2, 1)),
    "Ra": ((1, 0, 2, 3), (0, 2, 1, 3)),
    "Rb": ((3, 1, 2, 0), (3, 1, 2, 0)),
    "T": ((3, 1, 2, 0), (0, 3, 2, 1)),
    "Ua": ((0, 1, 2, 3), (1, 3, 2, 0)),
    "Ub": ((0, 1, 2, 3), (3, 0, 2, 1)),
    "V": ((2, 1, 0, 3), (0, 2, 1, 3)),
    "Y": ((2, 1, 0, 3), (0, 1, 3, 2)),
    "Z": ((0, 1, 2, 3), (1, 0, 3, 2)),
}
_CORNER_FRAMES = {"solved": (0, 1, 2, 3), "adjacent": (3, 1, 2, 0), "diagonal": (2, 1, 0, 3)}
_EDGE_LETTERS = "frbl"


@dataclass(frozen=True)
class PermutationCase:
    """One class: ``code``, ``name`` in words, a state of it (``corners``, ``edges`` () for a 2x2x2),
    ``parity`` True when a 3x3x3 cannot show it, ``states``: how many of the 576 (24) arrangements it has."""

    code: str
    name: str
    corners: tuple[int, ...]
    edges: tuple[int, ...]
    parity: bool
    states: int

    def state(self, size: int) -> LastLayer:
        """The class as a last layer."""
        edges = self.edges if has_edges(size) else ()
        return LastLayer(size, self.corners, (0, 0, 0, 0), edges, (0,) * len(edges))

    def occurs_on(self, size: int) -> bool:
        """Whether turns can bring it up on that size."""
        if not has_edges(size):
            return not self.edges or self.code == SOLVED_CODE
        return bool(self.edges) and not (self.parity and obeys_parity(size))


def arrangement_count(size: int) -> int:
    """How many arrangements of oriented pieces turns can bring up: 24 (n = 2), 288 (odd), 576 (4 and 6)."""
    if not has_edges(size):
        return 24
    return 288 if obeys_parity(size) else 576


def _index(order: NDArray[np.int64]) -> NDArray[np.int64]:
    """Lexicographic index of permutations (..., 4)."""
    digits = [((order[..., i + 1 :] < order[..., i : i + 1]).sum(axis=-1)) for i in range(3)]
    return np.asarray(digits[0] * 6 + digits[1] * 2 + digits[2])


@lru_cache(maxsize=1)
def _moved() -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """corner[a, b, p], edge[a, b, p]: permutation p held ``a`` quarters on and then turned ``b`` on top."""
    slots = np.arange(4)
    corner, edge = np.empty((4, 4, 24), np.int64), np.empty((4, 4, 24), np.int64)
    for a in range(4):
        for b in range(4):
            corner[a, b] = _index((PERMUTATIONS[:, (slots - a - b) % 4] + a) % 4)
            edge[a, b] = _index((PERMUTATIONS[:, (slots + a + b) % 4] - a) % 4)
    return frozen(corner), frozen(edge)


def _build() -> tuple[dict[str, PermutationCase], NDArray[np.int64], NDArray[np.int64]]:
    corner, edge = _moved()
    index, angle = np.full((24, 24), -1), np.zeros((24, 24), np.int64)
    cases: dict[str, PermutationCase] = {}

    def claim(code: str, name: str, corners: tuple[int, ...], edges: tuple[int, ...]) -> None:
        c, e = int(_index(np.array(corners))), int(_index(np.array(edges)))
        if index[c, e] >= 0:
            return
        for a in reversed(range(4)):
            for b in range(4):
                place = corner[a, b, c], edge[a, b, e]
                index[place], angle[place] = len(cases), a
        parity = bool(PERMUTATION_PARITY[c] != PERMUTATION_PARITY[e])
        count = int((index == len(cases)).sum())
        cases[code] = PermutationCase(code, name, corners, edges, parity, count)

    home = (0, 1, 2, 3)
    claim(SOLVED_CODE, "solved", home, home)
    for code, (corners, edges) in _LETTERS.items():
        claim(code, f"{code} permutation", corners, edges)
    for frame, corners in _CORNER_FRAMES.items():
        for order in PERMUTATIONS.tolist():
            word = "".join(_EDGE_LETTERS[k] for k in order)
            name = f"parity, corners {frame}, edges {word} in front, right, back, left"
            claim(f"par-{frame}-{word}", name, corners, tuple(order))
    return cases, frozen(index), frozen(angle)


_FULL, PERMUTATION_INDEX, PERMUTATION_ANGLE = _build()
"""(24, 24) arrays [corner permutation, edge permutation]: place among the cases, and the angle."""


def _corner_cases() -> dict[str, PermutationCase]:
    return {
        f"corners-{name}": PermutationCase(
            f"corners-{name}", f"two {name} corners swapped", corners, (), False, n
        )
        for (name, corners), n in zip(list(_CORNER_FRAMES.items())[1:], (16, 4), strict=True)
    }


PERMUTATION_CASES: MappingProxyType[str, PermutationCase] = MappingProxyType({**_FULL, **_corner_cases()})
"""Code -> class: solved, the 21 letters, the 22 with parity, the two of the 2x2x2."""
_CODES = tuple(PERMUTATION_CASES)


def _corner_index() -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    index, angle = np.full(24, -1), np.zeros(24, np.int64)
    for place, code in enumerate(_CODES):
        if code == SOLVED_CODE or not PERMUTATION_CASES[code].edges:
            moved = _moved()[0][:, :, int(_index(np.array(PERMUTATION_CASES[code].corners)))]
            for a in reversed(range(4)):
                index[moved[a]], angle[moved[a]] = place, a
    return frozen(index), frozen(angle)


_CORNER_INDEX, _CORNER_ANGLE = _corner_index()


def class_index_of(corners: NDArray[np.integer], edges: NDArray[np.integer] | None) -> NDArray[np.int64]:
    """Place in ``PERMUTATION_CASES`` of arrangements (N, 4) of corners and edges (None for a 2x2x2)."""
    c = _index(np.asarray(corners))
    return _CORNER_INDEX[c] if edges is None else PERMUTATION_INDEX[c, _index(np.asarray(edges))]


def permutation_of(state: LastLayer) -> tuple[str, int]:
    """(code, angle) of the arrangement of a last layer, whatever its twists and flips.

    Angle: quarter turns ``y`` of the whole cube from the class's own state to how this one lies, a last
    turn of the top layer left aside.
    """
    c = int(_index(np.array(state.corners)))
    if not state.edges:
        return _CODES[int(_CORNER_INDEX[c])], int(_CORNER_ANGLE[c])
    e = int(_index(np.array(state.edges)))
    return _CODES[int(PERMUTATION_INDEX[c, e])], int(PERMUTATION_ANGLE[c, e])


def permutation_codes_for(size: int) -> tuple[str, ...]:
    """Codes that can occur on that size, solved included: 3 (n = 2), 22 (odd), 44 (4 and 6)."""
    return tuple(code for code, case in PERMUTATION_CASES.items() if case.occurs_on(size))
