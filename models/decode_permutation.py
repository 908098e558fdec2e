"""Where the sides tell: which permutation class is, or will be, left after the pieces are oriented."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from models.decode_scores import FloatArray, Scored
from models.decode_tables import PERMUTATIONS
from models.layer import LastLayer
from models.layer_tables import MIRRORED_CORNERS, MIRRORED_EDGES
from models.permutation import PERMUTATION_CASES, class_index_of
from models.posterior import Posterior

IntArray = NDArray[np.int64]
TOLD_FROM: Final = 0.9
"""A class is told from this probability on, as a case is named; below, what is seen does not settle it."""
_LEAST = 1e-3
_NAMES = tuple(PERMUTATION_CASES)


@dataclass(frozen=True, eq=False)
class Arranged:
    """Arrangements under one colouring: indices into PERMUTATIONS as the picture shows them, (N,) each
    (``edges`` all 0 on a 2x2x2), the ``classes`` (N,) by number and their ``weight`` (N,)."""

    scored: Scored
    hypothesis: int
    corners: IntArray
    edges: IntArray
    classes: IntArray
    weight: FloatArray


def arrangements(posterior: Posterior, effect: LastLayer | None = None) -> Iterator[Arranged]:
    """What may be arranged how, given the orientation of ``posterior.state``; the weights sum to no 1.

    Classes are those left after ``effect`` (see `permutation_candidates`), numbered as in PERMUTATION_CASES.
    """
    twist, flip = posterior.orientation_index
    mirrored = posterior.mirrored
    size = posterior.size
    orders = np.array(PERMUTATIONS)
    for (s, h, share), (corner, edge) in zip(posterior.kept, posterior.states, strict=True):
        if bool(s.tables.mirrored[h]) != mirrored:
            continue
        corners = corner[:, :, twist].reshape(-1)
        parity = s.parity[h]
        if size == 2:
            weight = (corners * np.repeat(parity[:, 0], 12))[:, None]
        else:
            edges = edge[:, :, flip].reshape(-1)
            weight = corners[:, None] * edges[None, :] * np.repeat(np.repeat(parity, 12, 0), 12, 1)
        c, e = np.nonzero(weight > 1e-12)
        classes = class_index_of(*_after(orders[c], None if size == 2 else orders[e], effect, mirrored))
        yield Arranged(s, h, c, e, classes, share * weight[c, e])


def permutation_candidates(
    posterior: Posterior, effect: LastLayer | None = None
) -> tuple[tuple[str, float], ...]:
    """(code, probability) of permutation classes, best first, given the orientation of ``posterior.state``.

    ``effect``: what the sequence to be done next makes of a solved cube (`LastLayer.after`, turns of the top
    layer before it included); the classes are then those left after it. Without it, the arrangement as it
    is. Classes less probable than 0.001 are left out.
    """
    total = np.zeros(len(_NAMES))
    for one in arrangements(posterior, effect):
        np.add.at(total, one.classes, one.weight)
    if total.sum() <= 0:
        return ()
    total /= total.sum()
    ranked = [(_NAMES[i], float(total[i])) for i in np.argsort(-total, kind="stable") if total[i] >= _LEAST]
    return tuple(ranked)


def permutation_posterior(posterior: Posterior, turns: str | None = None) -> tuple[str, float] | None:
    """(code, probability) of the permutation class left once the pieces are oriented, or None.

    An oriented state needs nothing more; any other is oriented by ``turns`` (the sequence to be done, its
    first turn of the top layer included), and what is left depends on it. None where the sides do not
    make one class at least TOLD_FROM probable, or where ``turns`` is needed and not given.
    """
    effect = None
    if not posterior.state.is_oriented:
        if turns is None:
            return None
        effect = LastLayer.after(turns, posterior.size)
    ranked = permutation_candidates(posterior, effect)
    return ranked[0] if ranked and ranked[0][1] >= TOLD_FROM else None


def _after(
    corners: IntArray,
    edges: IntArray | None,
    effect: LastLayer | None,
    mirrored: bool,
) -> tuple[IntArray, IntArray | None]:
    """Arrangements (N, 4) of the real cube after the sequence: new[i] = old[effect[i]]."""
    if mirrored:
        corner_swap, edge_swap = np.array(MIRRORED_CORNERS), np.array(MIRRORED_EDGES)
        corners = corner_swap[corners[:, corner_swap]]
        edges = None if edges is None else edge_swap[edges[:, edge_swap]]
    if effect is not None:
        corners = corners[:, list(effect.corners)]
        edges = None if edges is None else edges[:, list(effect.edges)]
    return corners, edges
