"""What the decoder says of a last layer: the probability of each case, state, colouring and sticker.

A posterior holds what was scored; all else is worked out when it is asked for.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property, lru_cache

import numpy as np
from numpy.typing import NDArray

from models.cases import case_of
from models.cube import frozen
from models.decode_scores import FloatArray, Scored, edge_states
from models.decode_tables import CORNER_STATES, FLIPS, PERMUTATIONS, TWISTS, face_map
from models.layer import LastLayer
from models.turns import FACES

_KEEP = 1e-9  # hypotheses with a smaller share of the posterior are left out of what follows scoring


@lru_cache(maxsize=8)
def case_table(size: int) -> tuple[tuple[str, ...], NDArray[np.intp], NDArray[np.intp]]:
    """Codes of a size, and the index of the code of each twist and flip vector (27, F), as seen and mirrored.

    Twist vectors in the order of TWISTS, flip vectors in that of FLIPS: F is 16 on even sizes, 8 on odd ones,
    1 on a 2x2x2. The arrays are read-only.
    """
    kind = 2 if size == 2 else 4 if size % 2 == 0 else 3
    if size != kind:
        return case_table(kind)
    flips = ((),) if size == 2 else FLIPS[:8] if size == 3 else FLIPS
    codes: dict[str, int] = {}
    index = np.zeros((2, len(TWISTS), len(flips)), dtype=np.intp)
    home = tuple(range(4))
    for i, twist in enumerate(TWISTS):
        for j, flip in enumerate(flips):
            for mirrored in (False, True):
                state = LastLayer(size, home, twist, home if flip else (), flip)
                code = case_of(state.mirrored() if mirrored else state)[0].code
                index[int(mirrored), i, j] = codes.setdefault(code, len(codes))
    return tuple(codes), frozen(index[0]), frozen(index[1])


@dataclass(frozen=True, eq=False)
class Posterior:
    """What the stickers say about the last layer. Made by `models.decode`; probabilities are in 0..1.

    ``log_evidence``      log p(stickers | some last-layer state), in nats, prior included
    ``log_evidence_any``  log p(stickers | every sticker any colour by itself), in nats
    The rest is worked out when asked for. States and codes are those of the real cube: for a mirror
    image the state is mirrored back, while ``face_colours`` and ``marginals`` stay as the picture has them.
    """

    size: int
    loglik: FloatArray
    scored: tuple[Scored, ...]
    log_evidence: float
    log_evidence_any: float

    @cached_property
    def kept(self) -> tuple[tuple[Scored, int, float], ...]:
        """(frame's scores, hypothesis, share of the posterior), best first, negligible ones left out."""
        found = []
        for s in self.scored:
            share = np.exp(s.log_weight - self.log_evidence)
            found += [(s, int(h), float(share[h])) for h in np.flatnonzero(share > _KEEP)]
        return tuple(sorted(found, key=lambda item: -item[2]))

    @cached_property
    def states(self) -> tuple[tuple[FloatArray, FloatArray], ...]:
        """Of each kept hypothesis the probabilities of its corners' states (2, 12, 27) and its edges' (2, 12,
        F), as :class:`Scored` gives them."""
        found: dict[tuple[int, int], tuple[FloatArray, FloatArray]] = {}
        for s in self.scored:
            rows = [h for one, h, _ in self.kept if one is s]
            if rows:
                parts = zip(rows, s.corners(rows), s.edges(rows), strict=True)
                found |= {(id(s), h): (corners, edges) for h, corners, edges in parts}
        return tuple(found[id(s), h] for s, h, _ in self.kept)

    @cached_property
    def _orientations(self) -> list[FloatArray]:
        """For each kept hypothesis, joint probability (27, F) of twist and flip vectors, times its share."""
        return [
            share * (corners.sum(axis=1).T @ s.parity[h] @ edges.sum(axis=1))
            for (s, h, share), (corners, edges) in zip(self.kept, self.states, strict=True)
        ]

    @cached_property
    def case_probabilities(self) -> dict[str, float]:
        """Probability of each orientation class of this size, keyed by code; sums to 1."""
        codes, seen, mirrored = case_table(self.size)
        total = np.zeros(len(codes))
        for (s, h, _), joint in zip(self.kept, self._orientations, strict=True):
            index = mirrored if s.tables.mirrored[h] else seen
            total += np.bincount(index.ravel(), joint.ravel(), len(codes))
        total /= total.sum()
        return {code: float(p) for code, p in zip(codes, total, strict=True)}

    @cached_property
    def candidates(self) -> tuple[tuple[str, float], ...]:
        """(code, probability) best first, as few as add up to 0.99 or more."""
        ranked = sorted(self.case_probabilities.items(), key=lambda item: (-item[1], item[0]))
        out, total = [], 0.0
        for code, p in ranked:
            out.append((code, p))
            total += p
            if total >= 0.99:
                break
        return tuple(out)

    @property
    def code(self) -> str:
        """The most probable orientation class."""
        return self.candidates[0][0]

    @property
    def probability(self) -> float:
        """Probability of `code`."""
        return self.candidates[0][1]

    @cached_property
    def _best(self) -> tuple[int, LastLayer, tuple[int, int]]:
        """(index into kept, state as seen, (twist, flip) index): best of the best case."""
        codes, seen, mirrored = case_table(self.size)
        wanted = codes.index(self.code)
        best: tuple[float, int, tuple[int, ...]] = (-1.0, 0, (0, 0, 0, 0))
        for k, (s, h, share) in enumerate(self.kept):
            if share <= best[0]:
                break
            corner, edge = (part.max(axis=1) for part in self.states[k])
            value = s.parity[h][:, :, None, None] * corner[:, None, :, None] * edge[None, :, None, :]
            allowed = (mirrored if s.tables.mirrored[h] else seen) == wanted
            value = np.where(allowed, value, 0.0) * share
            where = np.unravel_index(int(value.argmax()), value.shape)
            if value[where] > best[0]:
                best = (float(value[where]), k, tuple(int(w) for w in where))
        _, k, (a, b, t, f) = best
        corner, edge = self.states[k]
        corners = PERMUTATIONS[a * 12 + int(corner[a, :, t].argmax())]
        if self.size == 2:
            return k, LastLayer(2, corners, TWISTS[t], (), ()), (t, f)
        edges = PERMUTATIONS[b * 12 + int(edge[b, :, f].argmax())]
        return k, LastLayer(self.size, corners, TWISTS[t], edges, FLIPS[f]), (t, f)

    @property
    def best_hypothesis(self) -> tuple[Scored, int]:
        """Scores and hypothesis to which `state` belongs."""
        s, h, _ = self.kept[self._best[0]]
        return s, h

    @cached_property
    def state(self) -> LastLayer:
        """Most probable state among those of the most probable case, of the real cube, front as F."""
        return self._best[1].mirrored() if self.mirrored else self._best[1]

    @cached_property
    def lying(self) -> dict[str, tuple[tuple[int, ...], tuple[int, ...]]]:
        """Twist and flip with which each of `candidates` lies most probably, of the real cube with `top` as U
        and `front` as F; a case that is possible under another top alone is left out."""
        codes, *tables = case_table(self.size)
        total = np.zeros((2, *tables[0].shape))
        for (s, h, _), joint in zip(self.kept, self._orientations, strict=True):
            if s.tables.top == self.top:
                total[int(s.tables.mirrored[h])] += joint
        out = {}
        for code, _ in self.candidates:
            of_code = np.where(np.stack(tables) == codes.index(code), total, 0.0)
            if of_code.any():
                mirrored, t, f = np.unravel_index(int(of_code.argmax()), of_code.shape)
                flip = FLIPS[f] if self.size > 2 else ()
                home = (0, 1, 2, 3)
                state = LastLayer(self.size, home, TWISTS[t], home if flip else (), flip)
                state = state.mirrored() if mirrored else state
                out[code] = state.twist, state.flip
        return out

    @property
    def seen_state(self) -> LastLayer:
        """`state` as the picture shows it: its mirror image where the picture is one."""
        return self._best[1]

    @property
    def orientation_index(self) -> tuple[int, int]:
        """Indices of the twist vector (TWISTS) and flip vector (FLIPS) of `seen_state`."""
        return self._best[2]

    @property
    def mirrored(self) -> bool:
        """True when the picture shows a mirror image of the cube."""
        s, h = self.best_hypothesis
        return bool(s.tables.mirrored[h])

    @property
    def mirrored_probability(self) -> float:
        """Probability that the picture is a mirror image."""
        return float(sum(share for s, h, share in self.kept if s.tables.mirrored[h]))

    @property
    def top(self) -> int:
        """Pose-frame face that is the last layer's."""
        return self.best_hypothesis[0].tables.top

    @property
    def front(self) -> int:
        """Pose-frame face taken as F in `state`."""
        return self.best_hypothesis[0].tables.front

    @property
    def top_probabilities(self) -> dict[int, float]:
        """Probability of each tried pose-frame face to be the top; sums to 1."""
        out = {s.tables.top: 0.0 for s in self.scored}
        for s, _, share in self.kept:
            out[s.tables.top] += share
        return out

    @cached_property
    def frame_colours(self) -> tuple[int, ...]:
        """Colour index of each face URFDLB in the frame of `seen_state` (top = U, front = F)."""
        s, h = self.best_hypothesis
        return tuple(int(c) for c in s.tables.colours[h])

    @property
    def front_probability(self) -> float:
        """Probability that the front has the colour that `frame_colours` gives it; from straight above little
        tells it."""
        s, h = self.best_hypothesis
        front, face = s.tables.front, FACES.index("F")
        colour = s.tables.colours[h, face]
        return float(
            sum(
                share
                for one, k, share in self.kept
                if one.tables.front == front and one.tables.colours[k, face] == colour
            )
        )

    @cached_property
    def face_colours(self) -> tuple[int, ...]:
        """Colour index of each pose-frame face of the solved cube."""
        s, h = self.best_hypothesis
        out = [0] * 6
        for face, pose_face in enumerate(face_map(s.tables.top, s.tables.front)):
            out[pose_face] = int(s.tables.colours[h, face])
        return tuple(out)

    @cached_property
    def marginals(self) -> FloatArray:
        """Posterior colour of each sticker in the pose frame, (6, n, n, 6), summing to 1 a sticker."""
        n = self.size
        out = np.zeros((6 * n * n, 6))
        for s in self.scored:
            found = [k for k, (one, _, _) in enumerate(self.kept) if one is s]
            if not found:
                continue
            t, rows = s.tables, [self.kept[k][1] for k in found]
            shares = np.array([self.kept[k][2] for k in found])
            corners, edges = (np.array([self.states[k][kind] for k in found]) for kind in (0, 1))
            fixed = np.bincount(
                (t.fixed_stickers * 6 + t.colours[rows][:, t.fixed_faces]).ravel(),
                np.repeat(shares, len(t.fixed_faces)),
                out.size,
            )
            out += fixed.reshape(out.shape)
            of_corners = (shares[:, None] * s.parity[rows].sum(axis=2))[:, :, None, None] * corners
            pieces = CORNER_STATES.spread(of_corners.reshape(len(rows), -1))
            sides = np.bincount(t.corner_pick[..., rows].ravel(), np.tile(pieces.ravel(), 3), 72)
            out[t.corner_stickers.ravel()] += sides.reshape(12, 6)
            if n > 2:
                of_edges = (shares[:, None] * s.parity[rows].sum(axis=1))[:, :, None, None] * edges
                pieces = edge_states(n).spread(of_edges.reshape(len(rows), -1))
                sides = np.bincount(t.edge_pick[..., rows].ravel(), np.tile(pieces.ravel(), 2), 48)
                out[t.edge_stickers] += sides.reshape(4, 2, 1, 6)
        out /= out.sum(axis=1, keepdims=True)
        return out.reshape(6, n, n, 6)
