"""Files of blocks: every block is found on its own line, and a broken one spoils nothing but itself."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from models.errors import LastlookError
from models.toml_files import (
    MAX_FILE_BYTES,
    MAX_LINES,
    TomlError,
    line_of,
    parse_toml,
    read_blocks,
    read_text,
    without_blocks,
)

HEADERS = st.sampled_from(["[[sequence]]", "  [[ sequence ]]", "\t[[sequence]]  # a remark"])
KEYS = [
    'code = "x"',
    "",
    "   ",
    "# a remark",
    '  turns = "R U"',
    'note = """\n[[sequence]]\n\n# no remark"""',
    "other = '''\n  [[sequence]]\n'''",
    'text = "\u2028\x85"',
    "number = 3",
]
BODIES = st.lists(st.sampled_from(KEYS), max_size=6, unique=True).map("\n".join)
BLOCKS = st.lists(st.tuples(HEADERS, BODIES).map("\n".join), max_size=5)
HEADS = st.sampled_from(["", "\n", " \t\n\n", "# mine\n", "# mine\n \n"])
ENDS = st.sampled_from(["\n", "\r\n"])


@given(HEADS, BLOCKS, ENDS)
def test_every_block_is_found_on_its_own_line(head: str, blocks: list[str], end: str) -> None:
    """The tables are those that a TOML reader finds in the whole file; lines are counted as written."""
    text = (head + "\n".join(blocks)).replace("\n", end)
    before = [head + "".join(f"{block}\n" for block in blocks[:i]) for i in range(len(blocks))]
    found = list(read_blocks(text, "sequence"))
    assert [line for line, _ in found] == [part.count("\n") + 1 for part in before]
    assert [table for _, table in found] == tomllib.loads(text).get("sequence", [])


LAST_KEYS = st.sampled_from(
    ['last = "x"', 'last = """\n\n# no remark\n[no.table]\n"""', "last = [\n[1],\n\n]"]
)
AFTER = st.sampled_from(
    ["", "\n", " \n\n", "# of the next\n", "\n# mine\n\n\n# of the next\n", "[other]\na = 1\n"]
)
WRITTEN = st.tuples(st.tuples(HEADERS, BODIES, LAST_KEYS).map("\n".join), AFTER)


@given(HEADS, st.lists(WRITTEN, min_size=1, max_size=4), st.data())
def test_taking_out_a_block_takes_nothing_else(
    head: str, written: list[tuple[str, str]], data: st.DataObject
) -> None:
    """What is left is every other line in its order; only blank ones may go with the block."""
    written = [(block, after.replace("other", f"other{i}")) for i, (block, after) in enumerate(written)]
    gone = data.draw(st.sets(st.integers(0, len(written) - 1)))
    whole = head + "".join(f"{block}\n{after}" for block, after in written)
    lines = [line for line, _ in read_blocks(whole, "sequence")]
    left = without_blocks(whole, "sequence", {lines[i] for i in gone})
    expected = head + "".join(
        after if i in gone else f"{block}\n{after}" for i, (block, after) in enumerate(written)
    )
    assert [row for row in left.split("\n") if row.strip()] == [
        row for row in expected.split("\n") if row.strip()
    ]
    tables = [table for i, (_, table) in enumerate(read_blocks(whole, "sequence")) if i not in gone]
    assert [table for _, table in read_blocks(left, "sequence") if isinstance(table, dict)] == tables


ANYTHING = st.text(st.characters(blacklist_categories=("Cs",), blacklist_characters="\n\r"), max_size=12)
# https://toml.io/en/v1.0.0#comment: "Control characters other than tab are not permitted in comments."
COMMENTS = ANYTHING.map(lambda text: re.sub("[\0-\x08\x0a-\x1f\x7f]", "\u2028", text))


@given(ANYTHING, COMMENTS, st.integers(0, 1))
def test_what_a_remark_says_moves_no_line(first: str, second: str, gone: int) -> None:
    """Of all that ends a line somewhere (U+0085, U+2028, a form feed), an editor counts line feeds alone."""
    remarks = [f"# {first}\n", f"# {second}\n"]
    blocks = [f'[[sequence]]\nturns = "{turns}"\n' for turns in ("R", "U")]
    text = "".join(f"{remark}{block}" for remark, block in zip(remarks, blocks, strict=True))
    assert [line for line, _ in read_blocks(text, "sequence")] == [2, 5]
    left = without_blocks(text, "sequence", {(2, 5)[gone]})
    blocks[gone] = ""
    assert left == "".join(f"{remark}{block}" for remark, block in zip(remarks, blocks, strict=True))


@pytest.mark.parametrize("text", ["", "\n", " \t\n\n", "# mine", "# mine\n\n# [[sequence]]\n"])
def test_a_file_without_a_block_holds_none(text: str) -> None:
    assert list(read_blocks(text, "sequence")) == []
    assert without_blocks(text, "sequence", {1, 2}) == text


@pytest.mark.parametrize(
    "broken", ['note = """open', "note = 'open", "note = 1 1", "note = '''\n[[sequence]]"]
)
def test_a_broken_block_spoils_nothing_but_itself(broken: str) -> None:
    good = '[[sequence]]\nturns = "R"\n'
    found = dict(read_blocks(f"{good}[[sequence]]\n{broken}\n{good}{good}", "sequence"))
    tables = [table for table in found.values() if isinstance(table, dict)]
    assert tables.count({"turns": "R"}) == 3
    assert "is no TOML" in str(found[3])


BROKEN = [
    'note = "open',
    "note = 1 1",
    "note = [",
    "note = [\n1,",
    'note = """open',
    "note = " + "[" * 9_000,
    "note = " + "1" * 5_000,
]


@pytest.mark.parametrize("broken", BROKEN)
@pytest.mark.parametrize("before", ["", "first = [\n1,\n\n]\n# note\n\n"])
def test_what_is_no_toml_is_told_with_its_line(before: str, broken: str) -> None:
    """Where what cannot be read begins or is seen to be none, counted in the file and not in the block."""
    line = before.count("\n") + 1
    for text in (before + broken, f"{before}{broken}\n\n"):
        with pytest.raises(TomlError) as caught:
            parse_toml(text)
        assert line <= caught.value.line <= line + broken.count("\n")
        assert caught.value.reason and "at end of document" not in str(caught.value)
    told = dict(read_blocks(f"# mine\n\n[[sequence]]\n{before}{broken}", "sequence"))[3]
    assert isinstance(told, str) and f", line {line + 3}" in told


WRITTEN_AS = [
    "[turn]\nside = 1\n",
    "turn.side = 1\n",
    "turn = {side = 1}\n",
    '[ "turn" ]\n"side" = [\n1,\n]\n',
]
BEFORE_IT = ["", "# side\n\n", "note = '''\nside = 1\n[turn]\n'''\n", "\ntop = 1\n\n"]


@pytest.mark.parametrize("written", WRITTEN_AS)
@pytest.mark.parametrize("before", BEFORE_IT)
def test_the_line_of_a_value_is_where_its_key_stands(written: str, before: str) -> None:
    text = f"{before}{written}[pair]\nside = 1\n"
    assert tomllib.loads(text)["turn"]["side"]
    own = next(number for number, row in enumerate(written.split("\n")) if "side" in row)
    assert line_of(text, "turn", "side") == before.count("\n") + own + 1
    assert line_of(text, "pair", "side") == text.count("\n")


def test_of_a_text_of_very_many_lines_no_line_is_looked_for() -> None:
    many = "\n" * MAX_LINES
    assert line_of(f"{many}turn = 1", "turn") == 0
    with pytest.raises(TomlError) as caught:
        parse_toml(f"{many}turn = [")
    assert caught.value.line == 0


def test_what_stands_before_the_first_block_is_told() -> None:
    found = list(read_blocks("# mine\n\ncode = 3\nmore = 4\n[[sequence]]\n", "sequence"))
    assert [line for line, _ in found] == [3, 5]
    assert "outside" in str(found[0][1]) and found[1][1] == {}


@pytest.mark.parametrize("data", [b"\xff", b"# " + b"x" * MAX_FILE_BYTES, None])
def test_what_is_no_text_of_a_person_is_refused_in_one_line(data: bytes | None, tmp_path: Path) -> None:
    path = tmp_path / "library.toml"
    path.mkdir() if data is None else path.write_bytes(data)
    with pytest.raises(LastlookError) as caught:
        read_text(path)
    assert str(caught.value).startswith(f"{path}: ") and "\n" not in str(caught.value)
