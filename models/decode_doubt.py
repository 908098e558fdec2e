"""What to say when the decoder is in doubt: which view would settle it, and what does not fit.

Functions over a `models.decode.Posterior`; all log values are in nats.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

from models.cube import frozen
from models.decode import MIRROR_PRIOR, FloatArray, Posterior, Scored, case_table, log_sum
from models.decode_permutation import arrangements
from models.decode_slot import slot_evidence
from models.decode_tables import (
    CORNER_FACES,
    CORNER_STATES,
    EDGE_FACES,
    FLIPS,
    PERMUTATIONS,
    TWISTS,
    corner_positions,
    edge_positions,
    flat_index,
)
from models.permutation import PERMUTATION_CASES

CORNER_NAMES = ("UFR", "UFL", "UBL", "UBR")
EDGE_NAMES = ("UF", "UR", "UB", "UL")
FACE_NAMES = "URFDLB"
IntArray = NDArray[np.intp]
DOUBT_NATS: Final = {
    "row": 5.0, "centres": 3.0, "split": 2.0, "slot": 1.4, "pieces": 1.4, "scrambled": 1.4, "any": 1.4,
}  # fmt: skip
"""Nats by which another explanation must beat the last layer: what people hold into the camera is a last
layer nine times in ten, and a single odd row is a finger or a shadow more often than a turned piece."""
_VIEWS = (("front", 2), ("right", 1), ("back", 5), ("left", 4))
_MIRRORED_VIEW = {"front": "front", "right": "left", "back": "back", "left": "right"}
_COLUMN_FACES = ((2, 1), (2, 4), (5, 4), (5, 1))  # the two side faces at FR, FL, BL, BR


def _side_slots(face: int) -> tuple[list[tuple[int, int]], list[tuple[int, int]]]:
    """(slot, sticker) of the corner and edge stickers in the top row of a side face."""
    corners = [(i, faces.index(face)) for i, faces in enumerate(CORNER_FACES) if face in faces]
    edges = [(i, faces.index(face)) for i, faces in enumerate(EDGE_FACES) if face in faces]
    return corners, edges


def _entropy(weights: FloatArray) -> float:
    p = weights[weights > 0]
    return float(-(p * np.log(p)).sum())


def case_information(posterior: Posterior, *, least_share: float = 1e-3) -> dict[str, float]:
    """Expected information about the case, in nats, of one clear look at each side face.

    Exact for the mixture of all colourings with at least ``least_share`` of the posterior: for each
    side, the joint distribution of its top row's colours, its own colour and the case is summed over
    all states. Sides named for the real cube: front is F of ``posterior.state``.
    """
    size = posterior.size
    codes, seen_index, mirror_index = case_table(size)
    total: dict[str, FloatArray] = {name: np.zeros((6**4, len(codes))) for name, _ in _VIEWS}
    for s, h, share in posterior.kept:
        if share < least_share:
            break
        index = (mirror_index if s.tables.mirrored[h] else seen_index).ravel()
        order = np.argsort(index, kind="stable")
        present, first = np.unique(index[order], return_index=True)
        for name, face in _VIEWS:
            label = _MIRRORED_VIEW[name] if s.tables.mirrored[h] else name
            block = 216 * int(s.tables.colours[h, face])
            seen = _view_joint(s, h, face, order, first)
            total[label][block : block + 216, present] += share * seen
    return {name: _information(joint) for name, joint in total.items()}


def _information(joint: FloatArray) -> float:
    """Mutual information of rows and columns, nats, of weights (R, C) that need not sum to 1."""
    joint = joint / joint.sum()
    return _entropy(joint.sum(axis=0)) + _entropy(joint.sum(axis=1)) - _entropy(joint.ravel())


@lru_cache(maxsize=12)
def _corner_shows(slot: int, place: int) -> NDArray[np.intp]:
    """Home face (24, 27) shown by one sticker of a corner slot, by permutation and twist vector."""
    rows = [[CORNER_FACES[p[slot]][(place - t[slot]) % 3] for t in TWISTS] for p in PERMUTATIONS]
    return frozen(np.array(rows, dtype=np.intp))


@lru_cache(maxsize=8)
def _edge_shows(slot: int, place: int) -> NDArray[np.intp]:
    """Home face (24, 16) shown by one side of an edge slot, by permutation and flip vector."""
    rows = [[EDGE_FACES[p[slot]][place ^ f[slot]] for f in FLIPS] for p in PERMUTATIONS]
    return frozen(np.array(rows, dtype=np.intp))


def _view_joint(s: Scored, h: int, face: int, order: IntArray, begins: IntArray) -> FloatArray:
    """Joint (6**3 looks of the top row, cases) of what side ``face`` shows and the case, under one colouring.

    ``order`` sorts the (twist, flip) vectors by case, ``begins`` is where each case begins.
    """
    colours = s.tables.colours[h]
    corner_slots, edge_slots = _side_slots(face)
    (first, second) = (colours[_corner_shows(slot, place)] for slot, place in corner_slots)
    corner_look = first * 6 + second
    corner = np.zeros((2, 36, 27))
    for parity in range(2):
        rows = slice(12 * parity, 12 * parity + 12)
        np.add.at(corner[parity], (corner_look[rows], np.arange(27)[None, :]), s.corners[h, parity])
    flips = s.edges.shape[3]
    groups = s.edges.shape[1]
    edge = np.zeros((groups, 6, flips))
    if s.tables.size == 2:
        edge[0, 0, 0] = 1.0
    else:
        look = colours[_edge_shows(*edge_slots[0])[:, :flips]]
        for parity in range(2):
            rows = slice(12 * parity, 12 * parity + 12)
            np.add.at(edge[parity], (look[rows], np.arange(flips)[None, :]), s.edges[h, parity])
    coupled = s.parity[h] @ edge.reshape(groups, -1)
    even, odd = corner.reshape(2, -1)
    joint = even[:, None] * coupled[0] + odd[:, None] * coupled[1]  # (look, twist) by (look, flip)
    joint = joint.reshape(36, 27, 6, flips).transpose(0, 2, 1, 3).reshape(216, -1)
    by_case: FloatArray = np.add.reduceat(joint[:, order], begins, axis=1)
    return by_case


def next_view(posterior: Posterior, *, least_gain: float = 0.05) -> str | None:
    """The side ("front", "right", "back", "left") whose view tells most about the case.

    None when no side promises ``least_gain`` nats, which is so when the case is settled already.
    """
    return _best_view(case_information(posterior), least_gain)


def _best_view(gains: dict[str, float], least_gain: float) -> str | None:
    best = max(gains, key=lambda name: gains[name])
    return best if gains[best] >= least_gain else None


def permutation_view(posterior: Posterior, *, least_gain: float = 0.05) -> str | None:
    """The side (as in `next_view`) whose view tells most about the permutation class of an oriented state.

    None when no side promises ``least_gain`` nats. Raises ValueError for a state that is not oriented.
    """
    if not posterior.state.is_oriented:
        raise ValueError("what is left of a state that is not oriented depends on the sequence")
    twist, flip = posterior.orientation_index
    total = {name: np.zeros((6**4, len(PERMUTATION_CASES))) for name, _ in _VIEWS}
    for one in arrangements(posterior):
        tables, h = one.scored.tables, one.hypothesis
        colours = tables.colours[h]
        for name, face in _VIEWS:
            label = _MIRRORED_VIEW[name] if tables.mirrored[h] else name
            corner_slots, edge_slots = _side_slots(face)
            look = np.full(len(one.corners), colours[face], np.intp)
            for slot, place in corner_slots:
                look = look * 6 + colours[_corner_shows(slot, place)[one.corners, twist]]
            if posterior.size > 2:
                look = look * 6 + colours[_edge_shows(*edge_slots[0])[one.edges, flip]]
            np.add.at(total[label], (look, one.classes), one.weight)
    return _best_view({name: _information(joint) for name, joint in total.items()}, least_gain)


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


def _parts(size: int) -> list[tuple[str, str, list[int]]]:
    """(kind, where, flat stickers) of every part of the cube that is judged as one."""
    inner = range(1, size - 1)
    parts = [("bottom", "D", [flat_index((3, r, c), size) for r in range(size) for c in range(size)])]
    if size > 2:
        parts.append(("centres", "U", [flat_index((0, r, c), size) for r in inner for c in inner]))
    for face in (2, 1, 5, 4):
        for row in range(1, size):
            where = f"{FACE_NAMES[face]} row {row + 1}"
            parts.append(("row", where, [flat_index((face, row, c), size) for c in range(size)]))
    for name, places in zip(CORNER_NAMES, corner_positions(size), strict=True):
        parts.append(("corner", name, [flat_index(p, size) for p in places]))
    if size > 2:
        for name, sides in zip(EDGE_NAMES, edge_positions(size), strict=True):
            parts.append(("edge", name, [flat_index(p, size) for side in sides for p in side]))
    return parts


def expected_colours(posterior: Posterior) -> NDArray[np.intp]:
    """Colour index (6, n, n) of every sticker in the frame of ``posterior.seen_state``."""
    state, n = posterior.seen_state, posterior.size
    faces = np.repeat(np.arange(6), n * n).reshape(6, n, n)
    for slot, places in enumerate(corner_positions(n)):
        for i, place in enumerate(places):
            faces[place] = CORNER_FACES[state.corners[slot]][(i - state.twist[slot]) % 3]
    if n > 2:
        for slot, sides in enumerate(edge_positions(n)):
            for i, side in enumerate(sides):
                for place in side:
                    faces[place] = EDGE_FACES[state.edges[slot]][i ^ state.flip[slot]]
    return np.asarray(posterior.frame_colours, dtype=np.intp)[faces]


def _frame_loglik(posterior: Posterior) -> FloatArray:
    t = posterior.best_hypothesis[0].tables
    return posterior.loglik.reshape(-1, 6)[t.gather]


def misfits(posterior: Posterior, *, least_nats: float = 2.0) -> tuple[Misfit, ...]:
    """Parts that do not fit the best state, worst first; empty when everything fits."""
    stickers = _frame_loglik(posterior)
    expected = expected_colours(posterior).ravel()
    fit = stickers[np.arange(len(stickers)), expected]
    anything = log_sum(stickers) - np.log(6)
    out = [
        Misfit(kind, where, float((anything[part] - fit[part]).sum()))
        for kind, where, part in _parts(posterior.size)
    ]
    out += [Misfit("pair", name, nats) for name, nats in split_pairs(posterior).items()]
    return tuple(sorted((m for m in out if m.nats >= least_nats), key=lambda m: -m.nats))


def _wing_scores(posterior: Posterior, colours: NDArray[np.intp]) -> FloatArray:
    """log p (H, 4 slots, n - 2 places, 8 pieces with flip) of each wing or middle by itself."""
    n = posterior.size
    stickers = _frame_loglik(posterior)
    out = np.zeros((len(colours), 4, n - 2, 8))
    for slot, (top, side) in enumerate(edge_positions(n)):
        for k in range(n - 2):
            on_top, on_side = stickers[flat_index(top[k], n)], stickers[flat_index(side[k], n)]
            for piece, (a, b) in enumerate(EDGE_FACES):
                out[:, slot, k, piece * 2] = on_top[colours[:, a]] + on_side[colours[:, b]]
                out[:, slot, k, piece * 2 + 1] = on_top[colours[:, b]] + on_side[colours[:, a]]
    return out


def split_pairs(posterior: Posterior) -> dict[str, float]:
    """For each top edge of a cube from 4 up, log p(wings independent) - log p(one complete edge)."""
    if posterior.size < 4:
        return {}
    s, h = posterior.best_hypothesis
    wings = _wing_scores(posterior, s.tables.colours[h : h + 1])[0]
    apart = (log_sum(wings) - np.log(8)).sum(axis=1)
    joined = log_sum(wings.sum(axis=1)) - np.log(8)
    return {name: float(v) for name, v in zip(EDGE_NAMES, apart - joined, strict=True)}


def _pieces_evidence(stickers: FloatArray, size: int, colours: NDArray[np.intp]) -> FloatArray:
    """log p (H,) of the last layer's places when each may hold any piece of the cube, independently."""
    total = np.zeros(len(colours))
    for places, faces in _piece_looks(size):
        shown = stickers[places[:, None, :], colours[:, faces][:, None]].sum(axis=-1)  # (H, places, 24)
        total += (log_sum(shown) - np.log(24)).sum(axis=1)
    return total


@lru_cache(maxsize=8)
def _piece_looks(size: int) -> list[tuple[IntArray, IntArray]]:
    """Stickers (P, S) of the last layer's corners, then of its wings and middles, and which faces' colours
    (24, S) they show for each of the cube's pieces in each way."""
    down = tuple((3, b, a) for _, a, b in CORNER_FACES)
    corners = [tuple(piece[(i - t) % 3] for i in range(3)) for piece in CORNER_FACES + down for t in range(3)]
    at_corners = [[flat_index(p, size) for p in places] for places in corner_positions(size)]
    looks = [(frozen(np.array(at_corners)), frozen(np.array(corners)))]
    if size > 2:
        pieces = EDGE_FACES + tuple((3, b) for _, b in EDGE_FACES) + _COLUMN_FACES
        edges = [way for piece in pieces for way in (piece, piece[::-1])]
        at_edges = [
            [flat_index(a, size), flat_index(b, size)]
            for top, side in edge_positions(size)
            for a, b in zip(top, side, strict=True)
        ]
        looks.append((frozen(np.array(at_edges)), frozen(np.array(edges))))
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
    pieces = _pieces_evidence(stickers, n, colours)

    def freed(part: list[int]) -> FloatArray:
        faces = np.asarray(part) // (n * n)
        values: FloatArray = (anything[part][None, :] - stickers[part, colours[:, faces]]).sum(axis=1)
        return values

    out: dict[str, float] = {"any": posterior.log_evidence_any}
    parts = _parts(n)
    rows = [freed(part) for kind, _, part in parts if kind == "row"]
    out["row"] = float(log_sum(np.concatenate([base + layer + r for r in rows])) - np.log(len(rows)))
    out["slot"] = slot_evidence(s, stickers)
    out["pieces"] = float(log_sum(base + pieces))
    below = [i for kind, _, part in parts if kind in ("row", "bottom", "centres") for i in part]
    out["scrambled"] = float(log_sum(base + pieces + freed(below)))
    if n > 2:
        centres = next(part for kind, _, part in parts if kind == "centres")
        out["centres"] = float(log_sum(base + layer + freed(centres)))
    if n > 3:
        wings = (log_sum(_wing_scores(posterior, colours)) - np.log(8)).sum(axis=(1, 2))
        out["split"] = float(log_sum(base + corner_evidence(s) + wings))
    return out


def is_doubted(posterior: Posterior, *, strict: bool = False) -> bool:
    """Whether another explanation of the picture beats the last layer by its margin (DOUBT_NATS); ``strict``:
    by anything at all, for one who can wait and look again.

    Mirror images are rare whatever is on the cube, so what fits as one is asked as if they were not.
    """
    if posterior.mirrored:
        posterior = _with_common_mirrors(posterior)
    rivals = alternatives(posterior)
    lead = max(value - (0.0 if strict else DOUBT_NATS[name]) for name, value in rivals.items())
    return lead > posterior.log_evidence


def _with_common_mirrors(posterior: Posterior) -> Posterior:
    """The posterior with mirror images as likely beforehand as the cube itself."""
    price = np.log1p(-MIRROR_PRIOR) - np.log(MIRROR_PRIOR)
    scored = []
    for s in posterior.scored:
        more = np.where(s.tables.mirrored, price, 0.0)
        scored.append(replace(s, log_prior=s.log_prior + more, log_weight=s.log_weight + more))
    evidence = float(log_sum(np.concatenate([s.log_weight for s in scored])))
    return replace(posterior, scored=tuple(scored), log_evidence=evidence)


def corner_evidence(s: Scored) -> FloatArray:
    """log p (H,) of the corner stickers alone, over the 648 corner states."""
    evidence: FloatArray = log_sum(CORNER_STATES.sums(s.corner_scores)) - np.log(648)
    return evidence
