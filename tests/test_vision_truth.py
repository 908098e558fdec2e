"""Truth files: what they say, what exact reading leaves of them, and how a bad one is named."""

from __future__ import annotations

import json
import re
import shutil
from pathlib import Path

import pytest
from truth_answers import layer_of_truth

from calibration.profile import COLOURS, SCHEME
from models.cases import case_of
from models.errors import LastlookError
from models.layer import LastLayer
from models.turns import FACES
from vision.truth import fitting_codes, truth_of, truths_in

SAMPLES = Path(__file__).parent.parent / "sample_images"


@pytest.mark.parametrize("path", sorted(SAMPLES.glob("*.json")), ids=lambda path: path.stem)
def test_the_case_from_the_stickers_is_the_case_from_the_pieces(path: Path) -> None:
    """The renderer wrote both the stickers and the pieces; the reading of the one must give the other."""
    data = json.loads(path.read_text())
    truth = truth_of(path.with_suffix(".jpg"))
    if data.get("negative"):
        assert truth.code is None and truth.reason is not None
        return
    assert truth.code == case_of(layer_of_truth(data["last_layer"], data["n"]))[0].code
    assert truth.code in truth.fitting


def test_samples_are_settled_but_the_views_from_above() -> None:
    truths = {truth.picture.stem: truth for truth in truths_in(SAMPLES)}
    assert len(truths) >= 8
    open_ones = [name for name, truth in truths.items() if truth.code and not truth.is_settled]
    assert open_ones == ["12-straight-down", "17-rims-from-above"]


def rows_of(state: LastLayer) -> dict[str, tuple[tuple[str, ...], ...]]:
    colours = [COLOURS[k] for k in SCHEME]
    homes = state.facelets()
    return {
        face: tuple(tuple(colours[int(h)] for h in row) for row in homes[FACES.index(face)])
        for face in "URFLB"
    }


def test_fewer_stickers_leave_more_cases_and_all_leave_one() -> None:
    state = LastLayer(4, (1, 2, 0, 3), (1, 2, 1, 2), (0, 2, 1, 3), (1, 0, 0, 0))
    rows = rows_of(state)
    top = frozenset(("U", row, col) for row in range(4) for col in range(4))
    sides = frozenset((face, 0, col) for face in "FRBL" for col in range(4))
    code = case_of(state)[0].code
    everything = fitting_codes(rows, 4, top | sides, SCHEME)
    above = fitting_codes(rows, 4, top, SCHEME)
    centre = fitting_codes(rows, 4, frozenset({("U", 1, 1)}), SCHEME)
    assert everything == (code,)
    assert code in above and set(everything) <= set(above) <= set(centre)
    assert len(centre) == 112  # one centre sticker says nothing about orientation


def test_stickers_of_no_cube_are_refused() -> None:
    """An edge of two white stickers."""
    rows = {face: tuple(("white",) * 3 for _ in range(3)) for face in "URFLB"}
    with pytest.raises(ValueError, match="no last-layer state"):
        fitting_codes(rows, 3, frozenset({("U", 2, 1), ("F", 0, 1)}), SCHEME)


STICKER = {"face": "U", "row": 0, "col": 0, "visible": 1.0}


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"n": 9}, "2 to 7"),
        ({"n": None}, "'n' is missing"),
        ({"negative": "sleepy"}, "sleepy"),
        ({"facelets": {"U": []}}, "U"),
        ({"facelets": None}, "'facelets' is missing"),
        ({"facelets": {"U": [["red"] * 3] * 3}}, "facelets.R is missing"),
        ({"facelets": {face: [["red"] * 3] * 4 for face in "URFLB"}}, "face U"),
        ({"facelets": {"U": None}}, "facelets.U"),
        ({"facelets": []}, "facelets"),
        ({"stickers": [{"face": "U", "row": 0, "visible": 1}]}, "stickers.0.col"),
        ({"stickers": [{**STICKER, "row": -1}]}, "stickers.0.row"),
        ({"stickers": [STICKER, {**STICKER, "col": 3}]}, "stickers.1: row and col go from 0 to 2"),
        ({"stickers": [{**STICKER, "face": "D"}]}, "stickers.0"),
        ({"stickers": {"U": 1}}, "stickers"),
        ({"top_quad": [[1]]}, "top_quad"),
        ({"top_quad": []}, "top_quad"),
        ({"top_quad": [[0, 0], [9, 0], [9, 9]]}, "top_quad"),
        ({"top_quad": [[0, 0], [9, 0], [9, 9], [0, 9], [0, 5]]}, "top_quad"),
        ({"top_quad": [[10**200, 0]] * 4}, "top_quad"),
        ({"top_quad": [[5, 5]] * 4}, "top_quad: the four corners are in one place"),
        ({"top_quad": [[0, 0], [0, 0], [1e-320, 0], [0, 0]]}, "top_quad: the four corners are in one place"),
        ({"scheme": ["white"]}, "scheme"),
        ({"scheme": {"U": "white"}}, "scheme"),
        ({"tags": "dim"}, "tags"),
        ({"tags": 5}, "tags"),
        ({"n": [3]}, "n: "),
        ({"negative": []}, "negative"),
    ],
)
def test_a_bad_truth_file_is_one_line(tmp_path: Path, change: dict[str, object], words: str) -> None:
    data = {**json.loads((SAMPLES / "04-size-3.json").read_text()), **change}
    path = tmp_path / "x.json"
    path.write_text(json.dumps(data))
    with pytest.raises(LastlookError, match=words) as caught:
        truth_of(tmp_path / "x.jpg")
    assert str(caught.value).startswith(str(path)) and "\n" not in str(caught.value)


def test_not_json_not_there_and_nothing_to_score(tmp_path: Path) -> None:
    (tmp_path / "x.json").write_text("{")
    for picture, words in ((tmp_path / "x.jpg", "not a truth file"), (tmp_path / "y.jpg", "cannot be read")):
        with pytest.raises(LastlookError, match=words):
            truth_of(picture)
    with pytest.raises(LastlookError, match="no picture with its truth"):
        truths_in(tmp_path)
    with pytest.raises(LastlookError, match="cannot list"):
        truths_in(tmp_path / "nowhere")


def test_a_guess_is_no_truth(tmp_path: Path) -> None:
    """Whoever scores a program against its own guess finds no mistake."""
    usual = json.loads((SAMPLES / "04-size-3.json").read_text())
    for name, data in (("guessed", {**usual, "guess": True}), ("told", {**usual, "guess": False})):
        (tmp_path / f"{name}.jpg").write_bytes(b"")
        (tmp_path / f"{name}.json").write_text(json.dumps(data))
    assert [truth.picture.stem for truth in truths_in(tmp_path)] == ["told"]
    (tmp_path / "told.json").unlink()
    with pytest.raises(LastlookError, match="review"):
        truths_in(tmp_path)


def test_a_bad_truth_is_left_out_and_the_others_are_taken(tmp_path: Path) -> None:
    for name in ("04-size-3", "15-no-cube", "11-dim-room"):
        shutil.copy(SAMPLES / f"{name}.json", tmp_path)
        (tmp_path / f"{name}.jpg").write_bytes(b"")
    (tmp_path / "11-dim-room.json").write_text('{"n": 4')
    problems: list[LastlookError] = []
    truths = truths_in(tmp_path, on_problem=problems.append)
    assert [truth.picture.stem for truth in truths] == ["04-size-3", "15-no-cube"]
    assert len(problems) == 1 and "11-dim-room.json" in str(problems[0])
    with pytest.raises(LastlookError, match="11-dim-room"):
        truths_in(tmp_path)
    for name in ("04-size-3", "15-no-cube"):
        (tmp_path / f"{name}.json").write_text("[]")
    with pytest.raises(LastlookError, match="no truth there can be used"):
        truths_in(tmp_path, on_problem=problems.append)


def test_a_byte_order_mark_may_stand_first(tmp_path: Path) -> None:
    """Some editors write one."""
    data = (SAMPLES / "04-size-3.json").read_bytes()
    (tmp_path / "x.json").write_bytes(b"\xef\xbb\xbf" + data)
    assert truth_of(tmp_path / "x.jpg").code == truth_of(SAMPLES / "04-size-3.jpg").code


@pytest.mark.parametrize(
    "text", ["{}" + " " * 4_000_001, "[" * 100_000, "\x80", '{"top_quad": [[1' + "0" * 400 + ", 0]]}"]
)
def test_no_file_is_too_odd_for_one_line(text: str, tmp_path: Path) -> None:
    """Of a long file no more than the limit is read; numbers beyond what a float holds are told."""
    usual = json.loads((SAMPLES / "04-size-3.json").read_text())
    data = text.encode("latin-1")
    if text.startswith("{"):
        data = json.dumps({**usual, **json.loads(text)}).encode() + b" " * text.count(" ")
    (tmp_path / "x.json").write_bytes(data)
    with pytest.raises(LastlookError, match=r"x\.json: (not a truth file|too large)") as caught:
        truth_of(tmp_path / "x.jpg")
    assert "\n" not in str(caught.value)


def test_the_truth_file_in_the_readme(tmp_path: Path) -> None:
    """A picture labelled by hand: n, the top face and the top rows of the sides. Made by R U R' U R U2 R'."""
    (block,) = re.findall(r"```json\n(.*?)```", (SAMPLES.parent / "README.md").read_text(), re.DOTALL)
    (tmp_path / "x.json").write_text(block)
    truth = truth_of(tmp_path / "x.jpg")
    assert truth.code == case_of(LastLayer.after("R U R' U R U2 R'", 3))[0].code
    assert truth.is_settled and truth.tags == ("dim",)
