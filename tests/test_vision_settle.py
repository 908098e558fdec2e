"""Stickers settled to a state: every legal one by its own, and what differs is pointed out."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from calibration.profile import COLOURS, SCHEME
from models.cases import CASE_LIST, CASES, case_of
from models.layer import LastLayer
from models.layer_tables import CORNER_STATES, EDGE_STATES, legal_mask
from models.turns import FACES
from vision.settle import settle

states = st.builds(
    lambda size, c, e: (size, c, e),
    st.sampled_from([2, 3, 4, 5]),
    st.integers(0, CORNER_STATES - 1),
    st.integers(0, EDGE_STATES - 1),
).filter(lambda s: bool(legal_mask(s[0])[s[1], s[2] if s[0] > 2 else 0]))


def rows_of(layer: LastLayer, face_colours: tuple[str, ...], faces: str = "UFRBL") -> dict:
    homes = layer.facelets()
    return {
        face: [[face_colours[int(home)] for home in row] for row in homes[FACES.index(face)]][
            : None if face == "U" else 1
        ]
        for face in faces
    }


SOLVED_COLOURS = tuple(COLOURS[k] for k in SCHEME)


@settings(max_examples=60, deadline=None)
@given(states)
def test_the_stickers_of_any_state_settle_to_that_state(drawn: tuple[int, int, int]) -> None:
    layer = LastLayer.from_indices(*drawn)
    code = case_of(layer)[0].code
    settled = settle(rows_of(layer, SOLVED_COLOURS), layer.size, scheme=SCHEME)
    assert settled.code == code and settled.fitting == (code,) and settled.differing == ()
    facelets = settled.facelets()
    assert facelets == rows_of(layer, SOLVED_COLOURS)


@settings(max_examples=60, deadline=None)
@given(states, st.data())
def test_one_wrong_sticker_is_pointed_out(drawn: tuple[int, int, int], data: st.DataObject) -> None:
    layer = LastLayer.from_indices(*drawn)
    rows = rows_of(layer, SOLVED_COLOURS)
    face = data.draw(st.sampled_from("UFRBL"))
    row = data.draw(st.integers(0, len(rows[face]) - 1))
    col = data.draw(st.integers(0, layer.size - 1))
    rows[face][row][col] = data.draw(st.sampled_from([c for c in COLOURS if c != rows[face][row][col]]))
    settled = settle(rows, layer.size, scheme=SCHEME)
    assert len(settled.differing) <= 1  # 0: another state looks like that
    if settled.differing:
        assert case_of(layer)[0].code in settled.fitting


@settings(max_examples=40, deadline=None)
@given(states, st.sampled_from([case.code for case in CASE_LIST]))
def test_a_chosen_code_is_kept(drawn: tuple[int, int, int], code: str) -> None:
    layer = LastLayer.from_indices(*drawn)
    if not CASES[code].occurs_on(layer.size):
        with pytest.raises(ValueError, match="does not occur"):
            settle({}, layer.size, code=code, scheme=SCHEME)
        return
    settled = settle(rows_of(layer, SOLVED_COLOURS, "U"), layer.size, code=code, scheme=SCHEME)
    assert settled.code == code == case_of(settled.layer)[0].code
