"""JSON is read as RFC 8259 has it, and whatever else comes is a ValueError that says why."""

from __future__ import annotations

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from models.json_text import parse_json

values = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False, allow_infinity=False) | st.text(),
    lambda inner: st.lists(inner) | st.dictionaries(st.text(), inner),
)


@given(values, st.booleans())
def test_what_the_standard_library_writes_comes_back(value: object, marked: bool) -> None:
    """Strings with half a surrogate pair among them: so file names that are no text are kept."""
    text = json.dumps(value)
    assert parse_json(("\ufeff" if marked else "") + text) == value
    assert parse_json((b"\xef\xbb\xbf" if marked else b"") + text.encode()) == value


@given(st.binary() | st.text(alphabet='[]{}",:0123456789eE+-. truefalsn\\u'))
def test_anything_else_is_a_value_error(text: bytes | str) -> None:
    try:
        parse_json(text)
    except ValueError as error:
        assert str(error) and "\n" not in str(error)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("[" * 20_000, "nested too deeply"),
        ('{"a":' * 20_000, "nested too deeply"),
        ("9" * 5_000, "5000 digits"),
        ("-" + "9" * 400, "400 digits"),
        ("[1e400]", "1e400"),
        ("[Infinity]", "Infinity"),
        ("[-Infinity]", "-Infinity"),
        ("[NaN]", "NaN"),
        ('{"n":4', "line 1, column 7"),
        (b"\xff\xfe[\x00]\x00", "UTF-8"),
        ("", "line 1"),
    ],
)
def test_what_is_wrong_is_told(text: bytes | str, words: str) -> None:
    with pytest.raises(ValueError, match=words) as caught:
        parse_json(text)
    assert len(str(caught.value)) < 100
