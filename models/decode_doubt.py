"""Whether the picture shows a last layer at all, and what does not fit.

Functions over a `models.posterior.Posterior`; all log values are in nats.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

from models.cube import frozen
from models.decode_scores import FloatArray, Scored, log_sum
from models.decode_slot import FAR_NATS, slot_evidence
from models.decode_tables import IntArray, Tables
from models.layer_tables import (
    CORNER_HOMES,
    CORNER_SLOTS,
    EDGE_HOMES,
    EDGE_SLOTS,
    corner_positions,
    edge_positions,
)
from models.posterior import Posterior
from models.turns import FACES

DOUBT_NATS: Final = {
    "row": 5.0, "centres": 3.0, "split": 2.0, "slot": 1.4, "pieces": 1.4, "scrambled": 1.4, "any": 1.4,
}  # fmt: skip
"""Nats by which another explanation must beat the last layer: what people hold into the camera is a last
layer nine times in ten, and a single odd row is a finger or a shadow more often than a turned piece."""
ROUNDING_NATS: Final = 1e-6
"""What counts as no lead at all: sums of numbers of this size are rounded by less."""
MISFIT_NATS: Final = 2.0
"""Nats by which any colours must explain a part better, for it to be told."""
SIDES: Final = (2, 1, 5, 4)
"""The side faces, in the order in which their rows are told."""
_COLUMN_FACES = ((2, 1), (2, 4), (5, 4), (5, 1))  # the two side faces at FR, FL, BL, BR


@dataclass(frozen=True)
class Misfit:
    """A part of the cube that some other colouring explains better than the best last-layer state.

    ``kind``: "row" (a lower row of a side), "centres" (of the top face), "corner", "pair" (wings of one
    edge that do not belong together), "edge", "bottom". ``where``: "F row 2", "U", "UFR", ... in the frame
    of the picture's state. ``nats``: log p(any colours) - log p(as expected); above 0 it does not fit.
    """

    kind: str
    where: str
    nats: float


def _parts(size: int) -> list[tuple[str, str, IntArray]]:
    """(kind, where, flat stickers (S,)) of every part of the cube that is judged as one."""
    grid = np.arange(6 * size * size).reshape(6, size, size)
    parts = [("bottom", "D", grid[3].ravel())]
    if size > 2:
        parts.append(("centres", "U", grid[0, 1:-1, 1:-1].ravel()))
    for face in SIDES:
        parts += [("row", f"{FACES[face]} row {row + 1}", grid[face, row]) for row in range(1, size)]
    parts += [("corner", *slot) for slot in zip(CORNER_SLOTS, corner_positions(size), strict=True)]
    if size > 2:
        for name, pieces in zip(EDGE_SLOTS, edge_positions(size), strict=True):
            parts.append(("edge", name, pieces.T.ravel()))
    return parts


def expected_colours(posterior: Posterior) -> NDArray[np.intp]:
    """Colour index (6, n, n) of every sticker in the frame of ``posterior.seen_state``."""
    return np.asarray(posterior.frame_colours, dtype=np.intp)[posterior.seen_state.facelets()]


def _frame_loglik(posterior: Posterior) -> FloatArray:
    t = posterior.best_hypothesis[0].tables
    return posterior.loglik.reshape(-1, 6)[t.gather]


def misfits(posterior: Posterior) -> tuple[Misfit, ...]:
    """Parts that do not fit the best state by MISFIT_NATS or more, worst first; empty when all fit."""
    stickers = _frame_loglik(posterior)
    expected = expected_colours(posterior).ravel()
    fit = stickers[np.arange(len(stickers)), expected]
    anything = log_sum(stickers) - np.log(6)
    out = [
        Misfit(kind, where, float((anything[part] - fit[part]).sum()))
        for kind, where, part in _parts(posterior.size)
    ]
    out += [Misfit("pair", name, nats) for name, nats in split_pairs(posterior).items()]
    return tuple(sorted((m for m in out if m.nats >= MISFIT_NATS), key=lambda m: -m.nats))


def _wing_scores(posterior: Posterior, colours: NDArray[np.intp]) -> FloatArray:
    """log p (H, 4 slots, n - 2 places, 8 pieces with flip) of each wing or middle by itself."""
    on_top, on_side = np.moveaxis(_frame_loglik(posterior)[edge_positions(posterior.size)], 2, 0)
    ways = np.array([way for piece in EDGE_HOMES for way in (piece, piece[::-1])])
    out = on_top[:, :, colours[:, ways[:, 0]]] + on_side[:, :, colours[:, ways[:, 1]]]
    return np.asarray(np.moveaxis(out, 2, 0))


def split_pairs(posterior: Posterior) -> dict[str, float]:
    """For each top edge of a cube from 4 up, log p(wings independent) - log p(one complete edge)."""
    if posterior.size < 4:
        return {}
    s, h = posterior.best_hypothesis
    wings = _wing_scores(posterior, s.tables.colours[h : h + 1])[0]
    apart = (log_sum(wings) - np.log(8)).sum(axis=1)
    joined = log_sum(wings.sum(axis=1)) - np.log(8)
    return {name: float(v) for name, v in zip(EDGE_SLOTS, apart - joined, strict=True)}


def _pieces_evidence(stickers: FloatArray, tables: Tables) -> FloatArray:
    """log p (H,) of the last layer's places when each may hold any piece of the cube, independently."""
    # a cube has the same pieces however it is turned: all colourings are alike but for mirror images
    kinds = [0, int(tables.mirrored.argmax())] if tables.mirrored.any() else [0]
    colours = tables.colours[kinds]
    total = np.zeros(len(kinds))
    for places, faces in _piece_looks(tables.size):
        shown = stickers[places[:, None, :], colours[:, faces][:, None]].sum(axis=-1)  # (kinds, places, 24)
        total += (log_sum(shown) - np.log(24)).sum(axis=1)
    return np.asarray(total[tables.mirrored.astype(np.intp)])


@lru_cache(maxsize=8)
def _piece_looks(size: int) -> list[tuple[IntArray, IntArray]]:
    """Stickers (P, S) of the last layer's corners, then of its wings and middles, and which faces' colours
    (24, S) they show for each of the cube's pieces in each way."""
    down = tuple((3, b, a) for _, a, b in CORNER_HOMES)
    corners = [tuple(piece[(i - t) % 3] for i in range(3)) for piece in CORNER_HOMES + down for t in range(3)]
    looks = [(corner_positions(size), frozen(np.array(corners)))]
    if size > 2:
        pieces = EDGE_HOMES + tuple((3, b) for _, b in EDGE_HOMES) + _COLUMN_FACES
        edges = [way for piece in pieces for way in (piece, piece[::-1])]
        looks.append((frozen(edge_positions(size).reshape(-1, 2)), frozen(np.array(edges))))
    return looks


def alternatives(posterior: Posterior) -> dict[str, float]:
    """Log evidence of other explanations of the picture, to set beside ``posterior.log_evidence``.

    Over the colourings of the most probable top, with the same priors:
    "split"    the last layer's edges are not paired (each wing any last-layer edge, either way up)
    "row"      as expected but for one lower row of a side, whose colours are any
    "centres"  as expected but for the centres of the top face
    "slot"     one slot below is not solved (models/decode_slot.py)
    "pieces"   everything below is solved, the last layer's places hold any pieces
    "scrambled" pieces of a cube on top, anything below
    "any"      every sticker any colour
    """
    n = posterior.size
    s = posterior.best_hypothesis[0]
    colours = s.tables.colours
    stickers = _frame_loglik(posterior)
    anything = log_sum(stickers) - np.log(6)
    layer = s.log_weight - s.log_prior - s.log_fixed
    base = s.log_prior + s.log_fixed
    pieces = _pieces_evidence(stickers, s.tables)
    # what any colours gain of each sticker over its own face's
    place = np.arange(len(stickers))
    gains = (anything - stickers[place, colours[:, place // (n * n)]]).reshape(-1, 6, n, n)
    rows = gains[:, SIDES, 1:].sum(axis=3).reshape(len(colours), -1)
    centres = gains[:, 0, 1:-1, 1:-1].sum(axis=(1, 2))
    below = rows.sum(axis=1) + gains[:, 3].sum(axis=(1, 2)) + centres
    out: dict[str, float] = {"any": posterior.log_evidence_any}
    out["row"] = float(log_sum((base + layer + rows.T).ravel()) - np.log(rows.shape[1]))
    out["slot"] = slot_evidence(s, stickers)
    out["pieces"] = float(log_sum(base + pieces))
    out["scrambled"] = float(log_sum(base + pieces + below))
    if n > 2:
        out["centres"] = float(log_sum(base + layer + centres))
    if n > 3:
        edgeless = base + corner_evidence(s)
        likely = edgeless > edgeless.max() - FAR_NATS
        wings = (log_sum(_wing_scores(posterior, colours[likely])) - np.log(8)).sum(axis=(1, 2))
        out["split"] = float(log_sum(edgeless[likely] + wings))
    return out


def is_doubted(posterior: Posterior, *, strict: bool = False) -> bool:
    """Whether another explanation of the picture beats the last layer by its margin (DOUBT_NATS); ``strict``:
    by anything at all, for one who can wait and look again. As well as the last layer is not better: from
    straight above a wrong row of a side explains all that a right one does.

    Mirror images are rare whatever is on the cube, so what fits as one is asked as if they were not.
    """
    if posterior.mirrored:
        posterior = _with_common_mirrors(posterior)
    rivals = alternatives(posterior)
    lead = max(value - (ROUNDING_NATS if strict else DOUBT_NATS[name]) for name, value in rivals.items())
    return lead > posterior.log_evidence


def _with_common_mirrors(posterior: Posterior) -> Posterior:
    """The posterior with mirror images as likely beforehand as the cube itself, where they were less so."""
    scored = []
    for s in posterior.scored:
        mirrored = s.tables.mirrored.astype(bool)
        price = float(s.log_prior[~mirrored].max() - s.log_prior[mirrored].max()) if mirrored.any() else 0.0
        more = np.where(mirrored, max(price, 0.0), 0.0)
        scored.append(replace(s, log_prior=s.log_prior + more, log_weight=s.log_weight + more))
    evidence = float(log_sum(np.concatenate([s.log_weight for s in scored])))
    return replace(posterior, scored=tuple(scored), log_evidence=evidence)


def corner_evidence(s: Scored) -> FloatArray:
    """log p (H,) of the corner stickers alone, over the 648 corner states."""
    return np.asarray(log_sum(s.log_corners) - np.log(648))
