"""Sequences on other sizes than they were written for, against the cube turned layer by layer."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from models.cube import Cube
from models.sequences import widened
from models.turns import Moves, Turn

IN_HALVES = st.lists(
    st.builds(Turn, st.sampled_from("URFDLB"), st.integers(1, 3), st.integers(1, 2))
    | st.builds(Turn, st.sampled_from("URFDLB"), st.integers(1, 3), st.just(2), st.just(True))
    | st.builds(Turn, st.sampled_from("MESxyz"), st.integers(1, 3)),
    max_size=8,
).map(lambda turns: Moves(tuple(turns)))


@given(IN_HALVES, st.sampled_from([(4, 6), (3, 4), (3, 5), (3, 6), (3, 7)]))
def test_a_larger_cube_behaves_as_the_one_that_a_sequence_was_written_for(
    moves: Moves, sizes: tuple[int, int]
) -> None:
    """A 6x6x6 whose inner layers move two by two is a 4x4x4; with all of them together it is a 3x3x3."""
    written_for, size = sizes
    inner = 1 + (np.arange(size - 2) >= (size - 2) / 2) * (written_for - 3)
    layer = [0, *inner.tolist(), written_for - 1]
    small = Cube.solved(written_for).apply(moves).facelets()
    large = Cube.solved(size).apply(widened(moves, size, written_for)).facelets()
    assert (large == small[:, layer][:, :, layer]).all()


@given(IN_HALVES)
def test_a_sequence_for_a_4x4x4_is_left_alone_on_smaller_and_odd_cubes(moves: Moves) -> None:
    assert all(widened(moves, size) == moves for size in (3, 4, 5, 7))
