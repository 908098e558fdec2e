"""The last layer against sympy groups, published counts and independently written truth files."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from sympy.combinatorics import Permutation, PermutationGroup

from models.cube import Cube, moves_permutation, rotation_moves, sticker_positions
from models.errors import LayerError
from models.layer import LastLayer, upright
from models.layer_tables import (
    CORNER_STATES,
    EDGE_STATES,
    corner_positions,
    corner_stickers,
    edge_positions,
    edge_stickers,
    fixed_mask,
    is_legal,
    legal_mask,
    state_count,
)
from models.notation import parse_moves
from models.turns import FACES, Moves

CORE = parse_moves("Rw U2 x Rw U2 Rw U2 Rw' U2 Lw U2 Rw' U2 Rw U2 Rw' U2 Rw'")  # common practice, no source
SWAP = "2R2 U2 2R2 Uw2 2R2 2U2"  # two opposite edges change places; common practice, no source
PLAIN = ("U", "R U R' U R U2 R'", "F R U R' U' F'", "R U R' U' R' F R F'")  # common practice, no source
SIZES = range(2, 8)
TRUTH = Path(__file__).parent / "data" / "last_layer_truth.json"


def states(sizes: st.SearchStrategy[int] | None = None) -> st.SearchStrategy[LastLayer]:
    def of(size: int) -> st.SearchStrategy[LastLayer]:
        pairs = np.argwhere(legal_mask(size))
        return st.integers(0, len(pairs) - 1).map(lambda i: LastLayer.from_indices(size, *map(int, pairs[i])))

    return (sizes or st.sampled_from(SIZES)).flatmap(of)


sequences = st.lists(st.sampled_from((*PLAIN, "U'", "U2")), max_size=6).map(" ".join).map(parse_moves)


def every_state(size: int) -> list[LastLayer]:
    return [LastLayer.from_indices(size, *map(int, pair)) for pair in np.argwhere(legal_mask(size))]


def as_sticker_permutation(state: LastLayer) -> list[int]:
    """``new = old[p]`` on the cube's stickers; on 4x4x4 the wings of a flipped edge change places."""
    p = np.arange(6 * state.size**2)
    corners, edges = corner_positions(state.size), edge_positions(state.size).copy()
    edges[1:3] = edges[1:3, ::-1]  # every edge's pieces one way round the cube, as turns of U carry them
    for slot in range(4):
        home, twist = state.corners[slot], state.twist[slot]
        p[corners[slot]] = np.roll(corners[home], twist)
    for slot in range(len(state.edges)):
        home, flip = state.edges[slot], state.flip[slot]
        p[edges[slot]] = edges[home][::-1, ::-1] if flip else edges[home]
    return [int(i) for i in p]


# --- which states are legal ---


def test_state_counts() -> None:
    """62,208 on a 3x3x3 (the trade's published count); 4! 27 4! 16 = 248,832 on a 4x4x4; 4! 27 on a 2x2x2."""
    assert [state_count(n) for n in SIZES] == [648, 62_208, 248_832, 62_208, 248_832, 62_208]
    assert len(every_state(2)) == len(set(every_state(2))) == 648


def test_pieces_in_all_their_states_look_different() -> None:
    """Corners and edges are separate stickers: all 648 x 384 pictures differ when each factor's do."""
    assert len(np.unique(corner_stickers().reshape(648, -1), axis=0)) == 648
    assert len(np.unique(edge_stickers().reshape(384, -1), axis=0)) == 384


@pytest.mark.slow
def test_all_states_of_a_3x3x3_are_different_and_look_different() -> None:
    found = every_state(3)
    assert len(set(found)) == len(found) == 62_208
    assert len({Cube.from_facelets(s.facelets()) for s in found}) == len(found)


@pytest.mark.parametrize(
    ("size", "generators"), [(2, PLAIN), (3, PLAIN), (5, PLAIN), (4, (*PLAIN, str(CORE), SWAP))]
)
def test_sequences_reach_every_legal_state(size: int, generators: tuple[str, ...]) -> None:
    """The group that last-layer sequences generate has as many elements as there are legal states (sympy)."""

    def on_20_points(state: LastLayer) -> Permutation:
        corners, edges = np.arange(12).reshape(4, 3), np.arange(12, 20).reshape(4, 2)
        points = [np.roll(corners[c], t) for c, t in zip(state.corners, state.twist, strict=True)]
        points += [np.roll(edges[e], f) for e, f in zip(state.edges, state.flip, strict=True)]
        return Permutation(np.concatenate(points).tolist())

    made = PermutationGroup([on_20_points(LastLayer.after(g, size)) for g in generators])
    assert made.order() == state_count(size)


@given(st.permutations(range(4)), st.tuples(*[st.integers(0, 2)] * 4), st.permutations(range(4)),
       st.tuples(*[st.integers(0, 1)] * 4))  # fmt: skip
@settings(max_examples=60, deadline=None)
def test_legal_on_a_3x3x3_is_membership_in_its_group(
    corners: list[int], twist: tuple[int, ...], edges: list[int], flip: tuple[int, ...]
) -> None:
    """Any pieces put in any way: legal says what sympy's membership test says."""
    p = np.arange(54)
    for slot in range(4):
        p[corner_positions(3)[slot]] = np.roll(corner_positions(3)[corners[slot]], twist[slot])
        p[edge_positions(3)[slot, 0]] = np.roll(edge_positions(3)[edges[slot], 0], flip[slot])
    expected = THREE.contains(Permutation([int(i) for i in p]))
    assert is_legal(3, tuple(corners), twist, tuple(edges), flip) == expected


THREE = PermutationGroup([Permutation(moves_permutation(face, 3).tolist()) for face in FACES])


@pytest.mark.slow
def test_legal_on_a_4x4x4_is_membership_in_its_group() -> None:
    """As above; where corners are odd, two centres of one face change places unseen."""
    turns = ["U", "R", "F", "D", "L", "B", "Uw", "Rw", "Fw"]
    four = PermutationGroup([Permutation(moves_permutation(t, 4).tolist()) for t in turns])
    unseen = list(range(96))
    unseen[5], unseen[6] = 6, 5
    rng = np.random.default_rng(4)
    for corner, edge in rng.integers((CORNER_STATES, EDGE_STATES), size=(40, 2)).tolist():
        p = as_sticker_permutation(LastLayer.from_indices(4, corner, edge))
        swapped = [unseen[i] for i in p]
        assert four.contains(Permutation(p)) != four.contains(Permutation(swapped))
    one_twisted = list(range(96))
    a, b, c = corner_positions(4)[0].tolist()
    one_twisted[a], one_twisted[b], one_twisted[c] = b, c, a
    assert not four.contains(Permutation(one_twisted))


@pytest.mark.parametrize("size", range(2, 8))
def test_the_stickers_of_a_piece_are_on_one_piece(size: int) -> None:
    """Pushed from its face into the cube, each sticker of a piece lies in the piece's middle."""
    middles = np.clip(sticker_positions(size)[0], -(size - 1), size - 1)
    pieces = [*corner_positions(size), *edge_positions(size).reshape(-1, 2)]
    for piece in pieces:
        assert (middles[piece] == middles[piece[0]]).all() and middles[piece[0]][1] == size - 1
    assert len({tuple(middles[piece[0]].tolist()) for piece in pieces}) == 4 + 4 * (size - 2)
    fixed = np.flatnonzero(fixed_mask(size))
    assert len(fixed) == 6 * size**2 - 12 - 8 * (size - 2)
    # the places of an edge follow each other along U, so that neighbours of one edge are neighbours
    steps = np.diff(middles[edge_positions(size)[:, :, 0]], axis=1)
    assert (np.abs(steps).sum(axis=2) == 2).all()


@pytest.mark.parametrize(
    ("size", "twist", "edges", "flip", "legal"),
    [
        (3, (0, 0, 0, 0), (0, 1, 2, 3), (1, 0, 0, 0), False),  # one flipped edge
        (4, (0, 0, 0, 0), (0, 1, 2, 3), (1, 0, 0, 0), True),
        (5, (0, 0, 0, 0), (0, 1, 2, 3), (1, 0, 0, 0), False),
        (6, (0, 0, 0, 0), (0, 1, 2, 3), (1, 1, 1, 0), True),
        (7, (0, 0, 0, 0), (1, 0, 2, 3), (0, 0, 0, 0), False),  # two edges swapped alone
        (4, (0, 0, 0, 0), (1, 0, 2, 3), (0, 0, 0, 0), True),
        (4, (1, 0, 0, 0), (0, 1, 2, 3), (0, 0, 0, 0), False),  # one twisted corner: never
        (2, (1, 0, 0, 0), (), (), False),
        (2, (1, 2, 0, 0), (), (), True),
        (2, (0, 0, 0, 0), (0, 1, 2, 3), (0, 0, 0, 0), False),  # a 2x2x2 has no edges
    ],
)
def test_laws_by_example(
    size: int, twist: tuple[int, ...], edges: tuple[int, ...], flip: tuple[int, ...], legal: bool
) -> None:
    """Facts of the trade, common practice, no source."""
    assert is_legal(size, (0, 1, 2, 3), twist, edges, flip) is legal
    if not legal:
        with pytest.raises(LayerError, match="cannot occur"):
            LastLayer(size, (0, 1, 2, 3), twist, edges, flip)


# --- classes ---


def _index_maps(change: Any) -> tuple[list[int], list[int]]:
    """What a change of states does to corner indices and to edge indices, which it treats apart."""
    corner = [change(LastLayer.from_indices(4, c, 0)).corner_index for c in range(CORNER_STATES)]
    edge = [change(LastLayer.from_indices(4, 0, e)).edge_index for e in range(EDGE_STATES)]
    return corner, edge


def _class_count(mask: np.ndarray[Any, Any], changes: list[Any]) -> int:
    """Into how many classes the changes join the states of a (648, 384) mask (scipy's components)."""
    corner, edge = np.nonzero(mask)
    number = np.full(mask.shape, -1)
    number[corner, edge] = np.arange(len(corner))
    to = []
    for change in changes:
        corner_map, edge_map = map(np.array, _index_maps(change))
        to.append(number[corner_map[corner], edge_map[edge]])
    assert all((t >= 0).all() for t in to)
    rows, columns = np.tile(np.arange(len(corner)), len(to)), np.concatenate(to)
    graph = coo_matrix((np.ones(len(rows)), (rows, columns)), shape=(len(corner), len(corner)))
    return int(connected_components(graph, directed=False)[0])


def _before(state: LastLayer) -> LastLayer:
    return LastLayer.after("U", state.size).then(state)


def _after(state: LastLayer) -> LastLayer:
    return state.after_top(1)


def test_1212_classes_on_a_3x3x3_up_to_u_turns_mirror_and_inverse() -> None:
    """The trade's published count; 3,916 without mirror and inverse is published as well."""
    assert _class_count(legal_mask(3), [_before, _after]) == 3916
    assert _class_count(legal_mask(3), [_before, _after, LastLayer.mirrored, LastLayer.inverse]) == 1212


def test_22_permutation_classes_and_as_many_more_with_parity() -> None:
    """21 and the solved one on a 3x3x3 (common practice); the other half of the 4x4x4's adds 22."""
    oriented = np.zeros((CORNER_STATES, EDGE_STATES), dtype=bool)
    oriented[::27, ::16] = True
    assert _class_count(oriented & legal_mask(3), [_before, _after]) == 22
    assert _class_count(oriented, [_before, _after]) == 44


# --- what states look like ---


@pytest.mark.parametrize("record", json.loads(TRUTH.read_text()), ids=lambda r: r["picture"])
def test_facelets_are_those_of_the_truth_files(record: dict[str, Any]) -> None:
    """Truth beside the studio's pictures, written by other code: its edges are listed UF UL UB UR."""
    layer, n = record["last_layer"], record["n"]
    ours = (0, 3, 2, 1)  # place of UF UR UB UL in that list, and back
    edges = tuple(ours[layer["edge_perm"][i]] for i in ours) if n > 2 else ()
    flip = tuple(layer["edge_flip"][i] for i in ours) if n > 2 else ()
    state = LastLayer(n, tuple(layer["corner_perm"]), tuple(layer["corner_orient"]), edges, flip)
    shown = state.facelets()
    rows = {f: ["".join(record["scheme"][s] for s in row) for row in shown[i]] for i, f in enumerate(FACES)}
    assert rows == record["facelets"]


def test_the_parity_core_does_what_the_trade_says() -> None:
    """Flips one edge, twists two corners, swaps two edges and two corners (common practice, no source)."""
    state = LastLayer.after(CORE, 4)
    assert sum(state.flip) == 1
    assert sorted(state.twist) == [0, 0, 1, 2]
    assert sum(i != e for i, e in enumerate(state.edges)) == 2
    assert sum(i != c for i, c in enumerate(state.corners)) == 2


@given(states())
@settings(deadline=None)
def test_a_state_is_read_back_from_its_stickers(state: LastLayer) -> None:
    facelets = state.facelets()
    assert LastLayer.from_facelets(facelets) == state
    assert np.bincount(facelets.ravel(), minlength=6).tolist() == [state.size**2] * 6
    assert LastLayer.from_indices(state.size, state.corner_index, state.edge_index) == state


@given(st.sampled_from(SIZES), sequences, st.integers(0, 3))
@settings(deadline=None)
def test_turning_mirroring_inverting_states_follows_the_sequences(size: int, moves: Moves, k: int) -> None:
    state = LastLayer.after(moves, size)
    y = parse_moves("y") * k
    assert state.turned(k) == LastLayer.after(y.inverse() + moves + y, size)
    assert state.after_top(k) == LastLayer.after(moves + parse_moves("U") * k, size)
    assert state.mirrored() == LastLayer.after(moves.mirrored(), size)
    assert state.inverse() == LastLayer.after(moves.inverse(), size)


@given(st.sampled_from(SIZES), sequences, sequences)
@settings(deadline=None)
def test_one_sequence_then_another(size: int, a: Moves, b: Moves) -> None:
    first, second = LastLayer.after(a, size), LastLayer.after(b, size)
    assert first.then(second) == LastLayer.after(a + b, size)


@given(states())
@settings(deadline=None)
def test_laws_of_states(state: LastLayer) -> None:
    solved = LastLayer.solved(state.size)
    assert state.then(state.inverse()) == solved == state.inverse().then(state)
    assert state.mirrored().mirrored() == state == state.turned(1).turned(3)
    assert state.turned(1).mirrored() == state.mirrored().turned(-1)
    assert state.turned(1).after_top(1) == state.after_top(1).turned(1)


def test_the_decoders_tables_are_the_facelets() -> None:
    assert corner_stickers().shape == (648, 4, 3) and edge_stickers().shape == (384, 4, 2)
    for index in range(0, CORNER_STATES, 5):
        flat = LastLayer.from_indices(4, index, 7).facelets().ravel()
        assert (flat[corner_positions(4)] == corner_stickers()[index]).all()
    for index in range(0, EDGE_STATES, 5):
        flat = LastLayer.from_indices(6, 8, index).facelets().ravel()
        assert (flat[edge_positions(6)] == edge_stickers()[index][:, None]).all()


# --- what is not a last layer ---


@pytest.mark.parametrize(
    ("moves", "size", "words"),
    [
        ("R", 3, "F row 2 column 3 should be F and is D"),
        ("y", 4, "R row 2 column 1 should be R and is B"),
        ("2U", 4, "R row 2 column 1 should be R and is B"),
        ("U2 x2", 5, "U row 2 column 2 should be U and is D"),
    ],
)
def test_a_cube_below_which_not_all_is_solved_is_refused(moves: str, size: int, words: str) -> None:
    with pytest.raises(LayerError, match=words):
        LastLayer.from_facelets(Cube.solved(size).apply(moves).facelets())


@given(st.integers(2, 7), st.integers(0, 23), st.booleans())
def test_a_sequence_is_judged_with_the_cube_turned_back(size: int, number: int, broken: bool) -> None:
    """How the cube is held in the end says nothing of what a sequence does."""
    moves = parse_moves("R U R' F" if broken else "R U R' U R U2 R'")
    turned = moves + rotation_moves()[number]
    if broken:
        with pytest.raises(LayerError):
            LastLayer.after(turned, size)
        return
    assert LastLayer.after(turned, size) == LastLayer.after(moves, size)
    home = Cube.solved(size).apply(upright(turned, size)).facelets()
    assert (home == Cube.solved(size).apply(moves).facelets()).all()


def test_pieces_that_do_not_exist_are_refused() -> None:
    flat = LastLayer.solved(4).facelets().ravel()

    def changed(positions: Any, values: Any) -> Any:
        other = flat.copy()
        other[positions] = values
        return other.reshape(6, 4, 4)

    corner, edge = corner_positions(4), edge_positions(4)
    with pytest.raises(LayerError, match="no piece shows UFR, as the one at UFR"):  # a mirrored corner
        LastLayer.from_facelets(changed(corner[0], [0, 2, 1]))
    with pytest.raises(LayerError, match="the piece URF at UFL comes twice"):
        LastLayer.from_facelets(changed(corner[1], flat[corner[0]]))
    with pytest.raises(LayerError, match="the UR edge is split"):
        LastLayer.from_facelets(changed(edge[1, 0], [1, 0]))
    with pytest.raises(LayerError, match="cannot occur"):
        LastLayer.from_facelets(changed(corner[0], [1, 2, 0]))
