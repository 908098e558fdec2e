"""Cubes as coloured places in space: random legal last layers, turns, scrambles, the facelets of a state.

Deliberately independent of `models`: a state here is what each sticker's place holds, a turn is a rotation
of those places in space. Tests hold both engines against each other.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

FACES = "URFDLB"
#: outward normal of each face in the cube's frame (x = R, y = B, z = U), in the order of FACES
NORMALS = np.array([[0, 0, 1], [1, 0, 0], [0, -1, 0], [0, 0, -1], [-1, 0, 0], [0, 1, 0]])
#: direction in which columns grow, as seen from outside the face (see TRUTH.md: rows as printed on
#: paper)
COLUMN_STEPS = np.array([[1, 0, 0], [0, 1, 0], [1, 0, 0], [1, 0, 0], [0, -1, 0], [-1, 0, 0]])
#: direction in which rows grow
ROW_STEPS = np.array([[0, -1, 0], [0, 0, -1], [0, 0, -1], [0, 1, 0], [0, 0, -1], [0, 0, -1]])
#: the faces of each corner slot, clockwise seen from outside, starting with U (UFR, UFL, UBL, UBR)
CORNER_FACES = ("URF", "UFL", "ULB", "UBR")
#: the side face of each edge slot of the truth files (UF, UL, UB, UR), clockwise from above
EDGE_SIDES = "FLBR"

Facelets = NDArray[np.int8]


@dataclass(frozen=True)
class Layer:
    """A last layer in the slot order of the truth files: corners UFR UFL UBL UBR, edges UF UL UB UR
    (clockwise).

    `corners[i]` is the home slot of the corner now in slot i, `twist[i]` 0 when its top sticker faces up, 1
    when it is on the next face clockwise seen from outside the corner, 2 counter-clockwise; edges likewise,
    flip 1 = top sticker on the side. `edges` and `flip` are empty for size 2.
    """

    size: int
    corners: tuple[int, ...]
    twist: tuple[int, ...]
    edges: tuple[int, ...]
    flip: tuple[int, ...]

    def is_legal(self) -> bool:
        """Whether a cube of this size can reach the state with everything below solved.

        Size 4 (common practice, no source): any arrangement and any flips of whole edges. Sizes 3 and 5: the
        middle of each edge obeys the 3x3x3's laws, so flips add up to even and both arrangements have one
        parity.
        """
        if sorted(self.corners) != [0, 1, 2, 3] or sum(self.twist) % 3:
            return False
        if self.size == 2:
            return self.edges == () and self.flip == ()
        if sorted(self.edges) != [0, 1, 2, 3] or len(self.flip) != 4:
            return False
        if self.size % 2:
            return sum(self.flip) % 2 == 0 and parity(self.corners) == parity(self.edges)
        return True

    def to_truth(self) -> dict[str, list[int] | None]:
        """The object `last_layer` of a truth file."""
        edges = list(self.edges) if self.size > 2 else None
        flip = list(self.flip) if self.size > 2 else None
        return {
            "corner_perm": list(self.corners),
            "corner_orient": list(self.twist),
            "edge_perm": edges,
            "edge_flip": flip,
        }


def parity(permutation: tuple[int, ...]) -> int:
    """0 for an even arrangement, 1 for an odd one."""
    n = len(permutation)
    return sum(permutation[i] > permutation[j] for i in range(n) for j in range(i + 1, n)) % 2


def random_layer(rng: np.random.Generator, size: int) -> Layer:
    """A last layer drawn evenly from all legal ones of this size (rejection)."""
    while True:
        corners = tuple(int(v) for v in rng.permutation(4))
        twist = tuple(int(v) for v in rng.integers(0, 3, 4))
        edges = tuple(int(v) for v in rng.permutation(4)) if size > 2 else ()
        flip = tuple(int(v) for v in rng.integers(0, 2, 4)) if size > 2 else ()
        layer = Layer(size, corners, twist, edges, flip)
        if layer.is_legal():
            return layer


def solved_facelets(size: int) -> Facelets:
    """(6, n, n): every place holds the index of its own face."""
    return np.repeat(np.arange(6, dtype=np.int8), size * size).reshape(6, size, size)


@lru_cache(maxsize=8)
def places(size: int) -> NDArray[np.int64]:
    """(6, n, n, 3) doubled integer positions of the sticker places: -n..n, odd steps inside, +-n on the
    face."""
    out = np.zeros((6, size, size, 3), dtype=np.int64)
    steps = 2 * np.arange(size) - (size - 1)
    for face in range(6):
        rows = steps[:, None, None] * ROW_STEPS[face]
        columns = steps[None, :, None] * COLUMN_STEPS[face]
        out[face] = size * NORMALS[face] + rows + columns
    out.setflags(write=False)
    return out


def corner_place(size: int, slot: int, turn: int) -> tuple[int, int, int]:
    """(face, row, col) of the sticker of a corner slot; `turn` counts its faces clockwise from U."""
    faces = CORNER_FACES[slot]
    at = size * np.sum([NORMALS[FACES.index(f)] for f in faces], axis=0)
    return _place_near(size, FACES.index(faces[turn]), at)


def edge_places(size: int, slot: int) -> list[tuple[tuple[int, int, int], tuple[int, int, int]]]:
    """For each piece of the edge slot: the places of its top and of its side sticker."""
    side = FACES.index(EDGE_SIDES[slot])
    along = np.cross(NORMALS[0], NORMALS[side])
    steps = 2 * np.arange(1, size - 1) - (size - 1)
    base = size * (NORMALS[0] + NORMALS[side])
    return [
        (_place_near(size, 0, base + s * along), _place_near(size, side, base + s * along)) for s in steps
    ]


def _place_near(size: int, face: int, at: NDArray[np.int64]) -> tuple[int, int, int]:
    distance = np.abs(places(size)[face] - at).sum(axis=-1)
    row, col = np.unravel_index(int(np.argmin(distance)), distance.shape)
    return face, int(row), int(col)


def layer_facelets(layer: Layer) -> Facelets:
    """(6, n, n) home face of every sticker of a cube solved but for this last layer."""
    n = layer.size
    out = solved_facelets(n)
    for slot, (home, twist) in enumerate(zip(layer.corners, layer.twist, strict=True)):
        for k in range(3):
            out[corner_place(n, slot, (k + twist) % 3)] = FACES.index(CORNER_FACES[home][k])
    for slot, (home, flip) in enumerate(zip(layer.edges, layer.flip, strict=True)):
        side = FACES.index(EDGE_SIDES[home])
        for top_place, side_place in edge_places(n, slot):
            out[top_place], out[side_place] = (side, 0) if flip else (0, side)
    return out


def rotation(axis: int, quarters: int) -> NDArray[np.int64]:
    """3x3 integer matrix of right-handed quarter turns about x, y or z (0, 1, 2)."""
    c, s = ((1, 0), (0, 1), (-1, 0), (0, -1))[quarters % 4]
    m = np.eye(3, dtype=np.int64)
    i, j = (axis + 1) % 3, (axis + 2) % 3
    m[i, i], m[i, j], m[j, i], m[j, j] = c, -s, s, c
    return m


def turned(facelets: Facelets, face: str, depth: tuple[int, int], quarters: int) -> Facelets:
    """The facelets after turning layers `depth[0]..depth[1]` (1 = outermost, inclusive) of a face clockwise.

    Clockwise as seen from outside that face; `quarters` may be negative.
    """
    n = facelets.shape[1]
    here = places(n)
    f = FACES.index(face)
    axis = int(np.argmax(np.abs(NORMALS[f])))
    towards = here @ NORMALS[f]
    layer = np.clip((n - 1 - np.clip(towards, -(n - 1), n - 1)) // 2 + 1, 1, n)
    moving = (layer >= depth[0]) & (layer <= depth[1])
    # clockwise seen from outside is a negative turn about the outward normal
    matrix = rotation(axis, -quarters * int(NORMALS[f, axis]))
    index = {tuple(p): i for i, p in enumerate(here.reshape(-1, 3))}
    flat = facelets.reshape(-1)
    out = flat.copy()
    for i in np.flatnonzero(moving.reshape(-1)):
        out[index[tuple(matrix @ here.reshape(-1, 3)[i])]] = flat[i]
    return out.reshape(facelets.shape)


def random_scramble(rng: np.random.Generator, size: int, turns: int = 60) -> Facelets:
    """A cube far from solved: random turns of random layers from every side."""
    out = solved_facelets(size)
    for _ in range(turns):
        depth = int(rng.integers(1, size // 2 + 1))
        out = turned(out, FACES[rng.integers(6)], (depth, depth), int(rng.integers(1, 4)))
    return out


def one_slot_out(rng: np.random.Generator, size: int) -> Facelets:
    """Solved but for the last layer and one slot at the front right: the slot is taken out and put back
    wrong."""
    out = layer_facelets(random_layer(rng, size))
    inner = max(size - 1, 1)
    for _ in range(int(rng.integers(1, 3))):
        out = turned(out, "R", (1, 1), 1)
        out = turned(out, "U", (1, 1), int(rng.integers(1, 4)))
        out = turned(out, "R", (1, 1), -1)
        out = turned(out, "U", (1, 1), int(rng.integers(0, 4)))
    side = out[1:, 1 : inner + 1]
    if all((side[f] == f + 1).all() for f in (0, 1, 3, 4)):  # it fell back in place: take it out once more
        return one_slot_out(rng, size)
    return out


def edge_split(rng: np.random.Generator, size: int) -> Facelets:
    """A last layer in which two edges have exchanged a wing: their pieces do not belong together.

    For sizes 4 and 5; the exchanged wings lie alike in their slots, so they keep their own handedness.
    """
    layer = random_layer(rng, size)
    out = layer_facelets(layer)
    first, second = (int(v) for v in rng.choice(4, 2, replace=False))
    wing = int(rng.choice([0, size - 3]))
    for a, b in zip(edge_places(size, first)[wing], edge_places(size, second)[wing], strict=True):
        out[a], out[b] = out[b], out[a]
    return out


def is_last_layer(facelets: Facelets) -> bool:
    """Whether everything below the top row of each side is solved (edges of the last layer may be split)."""
    lower = facelets[[1, 2, 4, 5], 1:]
    homes = np.array([1, 2, 4, 5])[:, None, None]
    down = facelets[3]
    return bool((lower == homes).all() and (down == 3).all())


def evident_from_top(facelets: Facelets, visible: NDArray[np.bool_]) -> bool:
    """Whether the visible stickers of the top layer alone prove that the cube is not at its last layer.

    `visible` is (6, n, n). Proofs looked for: a bottom-coloured sticker, a whole visible piece without the
    top colour, an edge of pieces that do not belong together, top centres of two colours (size 4 and more).
    """
    n = facelets.shape[1]
    top_layer = np.zeros_like(visible)
    top_layer[0] = True
    top_layer[[1, 2, 4, 5], 0] = True
    seen = visible & top_layer
    if bool((facelets[seen] == 3).any()):
        return True
    pieces = [[corner_place(n, s, k) for k in range(3)] for s in range(4)]
    pieces += [list(pair) for s in range(4) for pair in edge_places(n, s)]
    for piece in pieces:
        if all(seen[p] for p in piece) and not any(facelets[p] == 0 for p in piece):
            return True
    for slot in range(4):
        pairs = {
            tuple(int(facelets[p]) for p in pair)
            for pair in edge_places(n, slot)
            if all(seen[p] for p in pair)
        }
        if len(pairs) > 1:
            return True
    if n > 3:
        centre = facelets[0, 1:-1, 1:-1][visible[0, 1:-1, 1:-1]]
        return len(set(centre.tolist())) > 1
    return False


def layer_from_facelets(facelets: Facelets) -> Layer:
    """The last layer of a cube that is solved below; ValueError when it is not at that stage or edges are
    split."""
    n = facelets.shape[1]
    if not is_last_layer(facelets):
        raise ValueError("the cube is not solved below its last layer")
    corners, twist, edges, flip = [], [], [], []
    homes = [[FACES.index(f) for f in faces] for faces in CORNER_FACES]
    for slot in range(4):
        here = [int(facelets[corner_place(n, slot, k)]) for k in range(3)]
        turn = here.index(0)
        corners.append(homes.index(here[turn:] + here[:turn]))
        twist.append(turn)
    for slot in range(4 if n > 2 else 0):
        pairs = {(int(facelets[a]), int(facelets[b])) for a, b in edge_places(n, slot)}
        if len(pairs) != 1:
            raise ValueError("the pieces of an edge do not belong together")
        top, side = pairs.pop()
        flip.append(int(top != 0))
        edges.append(EDGE_SIDES.index(FACES[top if top != 0 else side]))
    return Layer(n, tuple(corners), tuple(twist), tuple(edges), tuple(flip))
