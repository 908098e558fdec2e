"""From what a person says of a picture to the whole last layer: a code, or every sticker's colour.

The stickers as read (or as corrected) are held against all legal states in all ways to hold the cube; the
state with the fewest differences is taken, among those of the chosen code where one was chosen.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

from calibration.profile import COLOURS
from models.cases import CASE_INDEX, CASE_LIST, CASES
from models.cube import rotation_permutations
from models.layer import LastLayer
from models.layer_tables import (
    CORNER_STATES,
    PERMUTATION_PARITY,
    corner_positions,
    corner_stickers,
    edge_positions,
    edge_stickers,
    fixed_mask,
    legal_mask,
)
from models.turns import FACES

Seen = Mapping[str, Sequence[Sequence[str | None]]]


@dataclass(frozen=True, slots=True)
class Settled:
    """A state with the colour of each face URFDLB, and where it differs from the stickers given.

    ``fitting`` lists the codes of all states that differ as little as this one, in the order of the cases.
    """

    layer: LastLayer
    face_colours: tuple[str, ...]
    code: str
    differing: tuple[tuple[str, int, int], ...]
    fitting: tuple[str, ...]

    def facelets(self) -> dict[str, list[list[str]]]:
        """Colour names of U (all rows) and of the top row of the sides, as truth files hold them."""
        homes = self.layer.facelets()
        rows = {
            face: [[self.face_colours[int(home)] for home in row] for row in homes[FACES.index(face)]]
            for face in "UFRBL"
        }
        return {face: all_rows if face == "U" else all_rows[:1] for face, all_rows in rows.items()}


def settle(
    seen: Seen,
    size: int,
    *,
    code: str | None = None,
    top: str | None = None,
    scheme: Sequence[int],
    colours: Sequence[str] = COLOURS,
) -> Settled:
    """The state that fits ``seen`` best, with as few differing stickers as can be.

    ``seen`` maps faces to rows of colour names, None where nothing was seen; U is the last layer. ``code``
    keeps to states of that case, ``top`` to cubes with that colour on top. ``scheme`` gives the colour index
    of each face URFDLB of the solved cube, held in any way. Raises ValueError for a code that cannot occur
    on this size, or colours unknown.
    """
    if code is not None and (code not in CASES or not CASES[code].occurs_on(size)):
        raise ValueError(f"{code} does not occur on a {size}x{size}x{size}")
    differs = _differences(seen, size, colours)
    frames = _frames(tuple(scheme))
    if top in colours:
        frames = frames[frames[:, 0] == colours.index(top)]
    best: tuple[int, int, int, int] | None = None
    least_by_case = np.full(len(CASE_LIST), np.iinfo(np.int64).max)
    legal = legal_mask(size)
    corner_place, edge_place = corner_positions(size), edge_positions(size)
    fixed = fixed_mask(size)
    faces = np.repeat(np.arange(6), size * size)
    wanted = None if code is None else CASES[code].index
    for number, frame in enumerate(frames):
        base = int(differs[np.flatnonzero(fixed), frame[faces[fixed]]].sum())
        corners = differs[corner_place[None], frame[corner_stickers()]].sum(axis=(1, 2))
        if size == 2:
            edges = np.zeros(1, np.int64)
            case = CASE_INDEX[np.arange(CORNER_STATES) % 27, 0][:, None]
            total = base + corners[:, None]
            _lower(least_by_case, case, total)
            allowed = total if wanted is None else np.where(case == wanted, total, np.iinfo(np.int64).max)
            where = int(allowed.argmin())
            value, corner, edge = int(allowed.flat[where]), where, 0
        else:
            shown = frame[edge_stickers()][:, :, None, :]
            edges = differs[edge_place[None], shown].sum(axis=(1, 2, 3))
            value, corner, edge = _best_pair(corners + base, edges, legal, wanted, least_by_case)
        if best is None or value < best[0]:
            best = (value, number, corner, edge)
    assert best is not None
    least, number, corner, edge = best
    layer = LastLayer.from_indices(size, corner, edge)
    names = tuple(colours[k] for k in frames[number])
    found = CASE_LIST[int(CASE_INDEX[layer.twist_index, layer.flip_index])].code
    shown_now = np.array([colours.index(name) for name in names])[layer.facelets().astype(int)].ravel()
    off = np.flatnonzero(differs[np.arange(len(differs)), shown_now])
    return Settled(
        layer,
        names,
        found,
        tuple((FACES[int(i) // size**2], int(i) // size % size, int(i) % size) for i in off),
        tuple(CASE_LIST[int(i)].code for i in np.flatnonzero(least_by_case <= least)),
    )


def _best_pair(
    corners: NDArray[np.int64],
    edges: NDArray[np.int64],
    legal: NDArray[np.bool_],
    wanted: int | None,
    least_by_case: NDArray[np.int64],
) -> tuple[int, int, int]:
    """Least differences over legal pairs, and the pair; notes the least of every case on the way.

    Permutations are reduced to the best of either parity first: 54 x 32 pairs are left of 648 x 384.
    """
    by_corner, by_edge = corners.reshape(24, 27), edges.reshape(24, 16)
    even, odd = np.flatnonzero(PERMUTATION_PARITY == 0), np.flatnonzero(PERMUTATION_PARITY == 1)
    corner_index = np.concatenate(
        [group[by_corner[group].argmin(axis=0)] * 27 + np.arange(27) for group in (even, odd)]
    )
    edge_index = np.concatenate(
        [group[by_edge[group].argmin(axis=0)] * 16 + np.arange(16) for group in (even, odd)]
    )
    total = corners[corner_index][:, None] + edges[edge_index][None, :]
    case = CASE_INDEX[corner_index % 27][:, edge_index % 16]
    possible = legal[np.ix_(corner_index, edge_index)]
    total = np.where(possible, total, np.iinfo(np.int64).max)
    _lower(least_by_case, case, total)
    if wanted is not None:
        total = np.where(case == wanted, total, np.iinfo(np.int64).max)
    row, column = np.unravel_index(int(total.argmin()), total.shape)
    return int(total[row, column]), int(corner_index[row]), int(edge_index[column])


def _lower(least: NDArray[np.int64], case: NDArray[np.int64], total: NDArray[np.int64]) -> None:
    np.minimum.at(least, case.ravel(), total.ravel())


def _differences(seen: Seen, size: int, colours: Sequence[str]) -> NDArray[np.int64]:
    """(6 n n, 6): 1 where a sticker was seen in another colour, 0 where it agrees or was not seen."""
    out = np.zeros((6, size, size, 6), np.int64)
    for face, rows in seen.items():
        for r, row in enumerate(rows):
            for c, name in enumerate(row):
                if name is None:
                    continue
                if name not in colours:
                    raise ValueError(f"{name!r} is none of {', '.join(colours)}")
                out[FACES.index(face), r, c] = 1
                out[FACES.index(face), r, c, colours.index(name)] = 0
    return out.reshape(-1, 6)


@cache
def _frames(scheme: tuple[int, ...]) -> NDArray[np.int64]:
    """(24, 6): colour index on each face URFDLB for the 24 ways to hold a solved cube."""
    homes = rotation_permutations(2)[:, ::4] // 4
    return np.array(scheme, np.int64)[homes]
