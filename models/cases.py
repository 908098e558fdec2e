"""The 112 orientation cases: codes, names, cues, and which case a state is.

A case is a pattern of corner twists and edge flips, up to turns of the whole cube.  Its code is
``edges-corners[-direction]``: ``e1-headlights-left``, ``e0-sune``, ``e2o-h-front``.

Edges: ``e0`` none flipped, ``e1`` one, ``e2a`` two adjacent, ``e2o`` two opposite, ``e3``, ``e4``.  The edge
pattern fixes the frame: e1 the flipped edge in front, e3 the good one in front, e2a front and right, e2o
front and back; e0 and e4 are turned until the corners point to the front.

Corners (names as the trade has them, common practice, no source) and the side they point to, our own rule:

* ``solved`` points nowhere;
* ``headlights``, ``t``: the side at which the two twisted corners stand (headlights shine there; the two of a
  T look away from each other);
* ``pi``: the side with headlights;  ``h``: both sides with headlights, called ``front`` or ``right``;
* ``bowtie``: the top colour shows on two neighbouring sides; it points to the one of them from which the
  other is the next counter-clockwise seen from above (``front``: in front and on the right, as for e2a);
* ``sune``, ``antisune``: the side on which no corner shows the top colour.

The direction is left out where turning the cube makes it moot: e0 and e4 have none, e2o says only ``front``
or ``right``.  Counts: 8 + 27 + 27 + 15 + 27 + 8 = 112.  On odd sizes the number of flipped edges is even,
which leaves 58 (57 and solved, the trade's number); a 2x2x2 has no edges and uses the 8 codes of ``e0``.

Angle: quarter turns ``y`` of the whole cube from the canonical frame to how the state lies, the smallest one
where several fit; what the code calls ``front`` is then in front, left, back or right for angle 0, 1, 2, 3.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from models.cube import check_size, frozen
from models.layer import LastLayer
from models.layer_tables import CORNER_TWISTS, EDGE_FLIPS, has_edges, obeys_parity

DIRECTIONS = ("front", "left", "back", "right")
"""Where the front goes with each quarter turn of the whole cube: index = angle."""

EDGE_PATTERNS = MappingProxyType(
    {"e0": (0, 0, 0, 0), "e1": (1, 0, 0, 0), "e2a": (1, 1, 0, 0), "e2o": (1, 0, 1, 0), "e3": (0, 1, 1, 1),
     "e4": (1, 1, 1, 1)}
)  # fmt: skip
"""Flips ``UF UR UB UL`` in the canonical frame."""
CORNER_PATTERNS = MappingProxyType(
    {"solved": (0, 0, 0, 0), "headlights": (2, 1, 0, 0), "t": (1, 2, 0, 0), "bowtie": (0, 1, 0, 2),
     "h": (2, 1, 2, 1), "pi": (2, 1, 1, 2), "sune": (0, 2, 2, 2), "antisune": (1, 0, 1, 1)}
)  # fmt: skip
"""Twists ``UFR UFL UBL UBR`` of each family when it points to the front."""

_EDGE_NAMES = {
    "e0": "no edge flipped", "e1": "one edge flipped", "e2a": "two adjacent edges flipped",
    "e2o": "two opposite edges flipped", "e3": "three edges flipped", "e4": "four edges flipped",
}  # fmt: skip
_CORNER_NAMES = {
    "solved": "corners oriented", "headlights": "headlights", "t": "T", "bowtie": "bowtie",
    "h": "H (double headlights)", "pi": "pi", "sune": "sune", "antisune": "antisune",
}  # fmt: skip
_SIDES = ("in front", "on the left", "at the back", "on the right")
_CORNER_PLACES = ("front right", "front left", "back left", "back right")  # as the slots


@dataclass(frozen=True)
class Case:
    """One orientation case.

    ``edges``: ``e0 e1 e2a e2o e3 e4``; ``corners``: a key of ``CORNER_PATTERNS``; ``direction``: one of
    ``DIRECTIONS`` or "" where moot; ``twist`` and ``flip``: the canonical pattern in slot order;
    ``angles``: in how many of the four angles it looks different (1, 2 or 4); ``index``: its place in
    ``CASE_LIST``.
    """

    code: str
    name: str
    cue: str
    edges: str
    corners: str
    direction: str
    twist: tuple[int, int, int, int]
    flip: tuple[int, int, int, int]
    angles: int
    index: int

    @property
    def is_oriented(self) -> bool:
        """Every corner and edge has its top colour on top."""
        return not any(self.twist) and not any(self.flip)

    def twist_at(self, angle: int) -> tuple[int, int, int, int]:
        """Twists ``UFR UFL UBL UBR`` with the cube ``angle`` quarter turns from the canonical frame."""
        return _turned_corners(self.twist, angle)

    def flip_at(self, angle: int) -> tuple[int, int, int, int]:
        """Flips ``UF UR UB UL`` likewise."""
        return _turned_edges(self.flip, angle)

    def name_on(self, size: int) -> str:
        """The name, without a word on edges where the cube has none."""
        return self.name if has_edges(size) else self.name.partition(",")[0]

    def flip_on(self, size: int) -> tuple[int, ...]:
        """The canonical flips, none where the cube has no edges."""
        return self.flip if has_edges(size) else ()

    def cue_at(self, angle: int, size: int = 4) -> str:
        """How one spots the case from that angle, in plain trade words."""
        corners = _corner_cue(self.corners, DIRECTIONS.index(self.direction or "front") + angle)
        cue = f"{_edge_cue(self.flip_at(angle))}; {corners}." if has_edges(size) else f"{corners}."
        return f"{cue[0].upper()}{cue[1:]}"

    def occurs_on(self, size: int) -> bool:
        """Whether turns can produce the case on a cube of that size (the laws in `models.layer`)."""
        if not has_edges(size):
            return self.edges == "e0"
        return not obeys_parity(size) or sum(self.flip) % 2 == 0

    def chance(self, size: int) -> float:
        """Share of all legal last-layer states that are this case, 0 where it cannot occur.

        Every orientation pattern has the same number of states: 27 * 16 patterns on 4x4x4 and 6x6x6,
        27 * 8 on odd sizes, 27 on 2x2x2.
        """
        patterns = 27 * (16 if not obeys_parity(size) else 8) if has_edges(size) else 27
        return self.angles / patterns if self.occurs_on(size) else 0.0


def _turned_corners(pattern: tuple[int, ...], angle: int) -> tuple[int, int, int, int]:
    a, b, c, d = (pattern[(i - angle) % 4] for i in range(4))
    return a, b, c, d


def _turned_edges(pattern: tuple[int, ...], angle: int) -> tuple[int, int, int, int]:
    a, b, c, d = (pattern[(i + angle) % 4] for i in range(4))
    return a, b, c, d


def _edge_cue(flip: tuple[int, int, int, int]) -> str:
    """Words for flips ``UF UR UB UL`` as they lie."""
    sides = (_SIDES[0], _SIDES[3], _SIDES[2], _SIDES[1])
    bad = [side for side, flipped in zip(sides, flip, strict=True) if flipped]
    good = [side for side, flipped in zip(sides, flip, strict=True) if not flipped]
    if not bad:
        return "all edges good"
    if not good:
        return "all four edges flipped"
    if len(good) == 1:
        return f"the only good edge is {good[0]}"
    return f"flipped edge {bad[0]}" if len(bad) == 1 else f"flipped edges {bad[0]} and {bad[1]}"


def _corner_cue(family: str, points_to: int) -> str:
    """Words for a corner family that points to side ``points_to`` (0 front, 1 left, 2 back, 3 right)."""
    here, far, before = (points_to % 4, (points_to + 2) % 4, (points_to + 3) % 4)
    right_of_it, left_of_it, far_left = (_CORNER_PLACES[(points_to + i) % 4] for i in range(3))
    match family:
        case "solved":
            return "all corners good"
        case "headlights":
            return f"headlights {_SIDES[here]}, the two corners {_SIDES[far]} good"
        case "t":
            return f"the two corners {_SIDES[here]} look away from each other, the two {_SIDES[far]} good"
        case "bowtie":
            return f"good corners {right_of_it} and {far_left}, top colour {_list(here, before)}"
        case "h":
            return f"headlights {_list(here, far)}, no corner good"
        case "pi":
            return f"headlights {_SIDES[here]}, the two corners {_SIDES[far]} look away from each other"
    good = right_of_it if family == "sune" else left_of_it
    return f"one good corner, {good}, and no corner shows the top colour {_SIDES[here]}"


def _list(*sides: int) -> str:
    """Two sides in words, always in the order front, left, right, back."""
    return " and ".join(_SIDES[side] for side in (0, 1, 3, 2) if side in sides)


def _build() -> Iterator[Case]:
    seen: set[tuple[tuple[int, ...], tuple[int, ...]]] = set()
    for edges, flip in EDGE_PATTERNS.items():
        for corners, front_twist in CORNER_PATTERNS.items():
            fresh: list[tuple[str, tuple[int, int, int, int], int]] = []
            for direction in ("front", "right", "back", "left"):
                twist = _turned_corners(front_twist, DIRECTIONS.index(direction))
                orbit = {(_turned_corners(twist, k), _turned_edges(flip, k)) for k in range(4)}
                if not orbit & seen:
                    seen |= orbit
                    fresh.append((direction, twist, len(orbit)))
            for direction, twist, angles in fresh:
                told = direction if len(fresh) > 1 else ""
                name = f"{_CORNER_NAMES[corners]}{' ' + told if told else ''}, {_EDGE_NAMES[edges]}"
                code = "-".join(filter(None, (edges, corners, told)))
                draft = Case(code, name, "", edges, corners, told, twist, EDGE_PATTERNS[edges], angles, 0)
                yield draft


def _numbered() -> Iterator[Case]:
    for index, draft in enumerate(_build()):
        fields = {name: getattr(draft, name) for name in draft.__dataclass_fields__}
        yield Case(**{**fields, "cue": draft.cue_at(0), "index": index})


CASE_LIST: tuple[Case, ...] = tuple(_numbered())
"""All 112, in a fixed order: by edges, corner family, direction."""
CASES: MappingProxyType[str, Case] = MappingProxyType({case.code: case for case in CASE_LIST})
"""Code -> case, in the same order; read-only."""


def _tables() -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    places = {(_key(twist), _key(flip)): (t, f) for t, twist in enumerate(CORNER_TWISTS)
              for f, flip in enumerate(EDGE_FLIPS)}  # fmt: skip
    index = np.full((27, 16), -1)
    angle_of = np.full((27, 16), -1)
    for case in CASE_LIST:
        for angle in reversed(range(4)):  # the smallest angle is written last
            place = places[case.twist_at(angle), case.flip_at(angle)]
            index[place], angle_of[place] = case.index, angle
    return frozen(index), frozen(angle_of)


def _key(row: NDArray[np.int64]) -> tuple[int, ...]:
    return tuple(int(v) for v in row)


CASE_INDEX, CASE_ANGLE = _tables()
"""(27, 16) int arrays [twist index, flip index] (see ``models.layer``): place in ``CASE_LIST``, and angle."""


def case_index_of(corner_twist_index: ArrayLike, flip_index: ArrayLike = 0) -> NDArray[Any]:
    """Place in ``CASE_LIST`` for twist indices 0..26 and flip indices 0..15, vectorised (they broadcast)."""
    return np.asarray(CASE_INDEX[np.asarray(corner_twist_index), np.asarray(flip_index)])


def case_of(state: LastLayer) -> tuple[Case, int]:
    """The case of a state and the angle at which it lies."""
    place = state.twist_index, state.flip_index
    return CASE_LIST[int(CASE_INDEX[place])], int(CASE_ANGLE[place])


def mirror_of(case: Case) -> Case:
    """The case that the mirror image (left and right swapped) is."""
    return case_of(LastLayer(4, twist=case.twist, flip=case.flip).mirrored())[0]


def codes_for(size: int) -> tuple[str, ...]:
    """Codes that can occur on that size: 8 (n = 2), 58 (odd), 112 (4 and 6), oriented included."""
    check_size(size)
    return tuple(case.code for case in CASE_LIST if case.occurs_on(size))
