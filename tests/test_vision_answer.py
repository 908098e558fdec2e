"""The answer as data: the documented keys, nothing else, and back again."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from truth_answers import answer_of_truth

from calibration.profile import COLOURS
from models.cases import case_of
from models.layer import LastLayer
from models.turns import FACES
from vision.answer import REASONS, Answer, Candidate, NamedCase, StateSeen, TopFace
from vision.answer_json import answer_from_json, answer_to_json
from vision.pipeline import read_picture
from vision.pose import CubePose
from vision.sources import load_photo
from vision.wording import CAUTION, answer_text, little_seen, percent, refusal, remarks, size_name

SAMPLES = Path(__file__).parent.parent / "sample_images"
KEYS = ["image", "ok", "size", "reason", "top", "front_colour", "seen", "state", "mirrored", "case",
        "candidates", "next_view", "permutation", "sequences", "seconds"]  # fmt: skip


def test_json_has_the_documented_keys_in_their_order() -> None:
    answer = answer_of_truth(SAMPLES / "01-large-on-desk.jpg")
    data = json.loads(json.dumps(answer_to_json(answer)))
    assert list(data) == KEYS
    assert list(data["top"]) == ["colour", "quad"]
    assert list(data["state"]) == ["corners", "twist", "edges", "flip", "facelets"]
    assert list(data["case"]) == ["code", "name", "cue", "probability"]
    assert list(data["candidates"][0]) == ["code", "probability", "twist", "flip"]
    assert list(data["sequences"][0]) == ["turns", "first", "length", "etm", "effort", "source", "proof"]
    assert [len(row) for row in data["seen"]["U"]] == [4] * 4
    assert [len(row) for row in data["state"]["facelets"]["U"]] == [4] * 4
    for side in "FRBL":
        assert len(data["state"]["facelets"][side]) == 4  # the top row alone
        assert set(data["state"]["facelets"][side]) <= set(COLOURS)
    assert list(answer_to_json(Answer(image="x", ok=False, reason="no-cube"))) == KEYS


def test_the_readme_documents_these_keys_and_no_others() -> None:
    text = (SAMPLES.parent / "README.md").read_text(encoding="utf-8")
    rows = text.partition("### The answer as data")[2].partition("\n## ")[0]
    told = dict(re.findall(r"^\| `(\w+)` \| (.*) \|$", rows, re.MULTILINE))
    assert list(told) == KEYS
    data = answer_to_json(answer_of_truth(SAMPLES / "01-large-on-desk.jpg"))
    for key in ("top", "state", "case", "candidates", "sequences"):
        one = data[key][0] if isinstance(data[key], list) else data[key]
        assert all(f'"{inner}"' in told[key] or f"`{inner}`" in told[key] for inner in one)


@pytest.mark.parametrize(
    "name", ["01-large-on-desk", "12-straight-down", "13-not-last-layer", "14-top-hidden", "15-no-cube"]
)
def test_the_data_tells_how_the_cube_is_held_as_the_text_does(name: str) -> None:
    """Which colour is in front, for which the turns are told, and how what is shown on the card lies."""
    picture = SAMPLES / f"{name}.jpg"
    answer = read_picture(load_photo(str(picture)).image_bgr, image=str(picture))
    data = json.loads(json.dumps(answer_to_json(answer)))
    front = data["front_colour"]
    assert (f"{front} in front" in answer_text(answer)) if front else " in front" not in answer_text(answer)
    below = {sticker for row in data["seen"].get("F", [])[1:] for sticker in row} - {None}
    if front and below:  # the rows below the last layer are of one colour each
        assert below == {front}
    for one in data["candidates"]:
        if one["twist"] is not None:
            home, flip = (0, 1, 2, 3), tuple(one["flip"])
            state = LastLayer(data["size"], home, tuple(one["twist"]), home if flip else (), flip)
            assert case_of(state)[0].code == one["code"]
    first = {key: data["candidates"][0][key] for key in ("twist", "flip")} if data["candidates"] else None
    if data["ok"]:
        assert front and first == {key: data["state"][key] for key in ("twist", "flip")}
    elif data["reason"] == "ambiguous":
        assert first and None not in first.values()
    else:
        assert all(one["twist"] is None for one in data["candidates"]), "no cases are shown for it"
    again = answer_from_json(data)
    assert answer_to_json(again) == data and size_name(again) == size_name(answer)
    assert data["reason"] == "not-last-layer" or again.front_colour == answer.front_colour


def test_an_answer_kept_without_how_the_cube_is_held_still_counts() -> None:
    data = answer_to_json(answer_of_truth(SAMPLES / "01-large-on-desk.jpg"))
    old = {key: value for key, value in data.items() if key != "front_colour"}
    old["candidates"] = [{key: one[key] for key in ("code", "probability")} for one in data["candidates"]]
    assert answer_to_json(answer_from_json(old)) == data


@pytest.mark.parametrize("picture", sorted(SAMPLES.glob("*.jpg")), ids=lambda path: path.stem)
def test_json_and_back(picture: Path) -> None:
    answer = answer_of_truth(picture)
    data = answer_to_json(answer)
    again = answer_from_json(json.loads(json.dumps(data)))
    assert answer_to_json(again) == data
    assert again.state == answer.state and again.seen == answer.seen and again.case == answer.case


codes = st.sampled_from(["e1-sune-left", "e0-h", "e2o-t-right"])
shares = st.floats(0, 1)


@given(
    st.builds(
        Answer,
        image=st.text(),
        ok=st.just(False),
        size=st.none() | st.integers(2, 7),
        reason=st.sampled_from(REASONS),
        mirrored=st.booleans(),
        candidates=st.lists(st.builds(Candidate, codes, shares), max_size=8).map(tuple),
        next_view=st.none() | st.sampled_from(["front", "right", "back", "left", "top"]),
        permutation=st.none() | st.builds(Candidate, codes, shares),
        seen=st.dictionaries(
            st.sampled_from(FACES),
            st.lists(st.tuples(st.none() | st.sampled_from(COLOURS)), max_size=3).map(tuple),
        ),
        seconds=st.dictionaries(st.sampled_from(["read", "locate"]), st.floats(0, 100)),
        notes=st.lists(st.text(max_size=30), max_size=3).map(tuple),
    )
)  # fmt: skip
def test_any_answer_prints_parses_and_reads_well(answer: Answer) -> None:
    data = json.loads(json.dumps(answer_to_json(answer)))
    assert answer_to_json(answer_from_json(data)) == answer_to_json(answer)
    assert answer_text(answer).startswith(" ".join(answer.image.split()))
    broken = answer_text(replace(answer, image="holiday/two\nlines.jpg"))
    assert broken.splitlines()[0] == "holiday/two lines.jpg"
    assert refusal(answer).endswith(".")
    assert answer.exit_status == (4 if answer.reason == "no-cube" else 3)


@pytest.mark.parametrize(
    "fields",
    [
        {"ok": True},
        {"ok": False},
        {"ok": False, "reason": "tired"},
        {"ok": False, "reason": "ambiguous", "next_view": "inside"},
        {"ok": True, "reason": "no-cube", "case": NamedCase("e0-h", "", "", 1.0)},
    ],
)
def test_fields_that_contradict_each_other_are_refused(fields: dict[str, object]) -> None:
    with pytest.raises(ValueError):
        Answer(image="x", **fields)  # type: ignore[arg-type]


def test_state_from_layer_names_the_colours_of_the_engine() -> None:
    colours = ["yellow", "orange", "green", "white", "red", "blue"]
    state = LastLayer.after("R U R' U R U2 R'", 3)
    seen = StateSeen.from_layer(state, colours)
    homes = state.facelets()
    assert (np.array(seen.facelets["U"]) == np.array(colours)[homes[0]]).all()
    for side in "FRBL":
        assert seen.facelets[side] == (tuple(np.array(colours)[homes[FACES.index(side)][0]]),)
    assert (seen.twist, seen.flip) == (state.twist, state.flip)


def test_scaling_keeps_the_corner_of_the_picture() -> None:
    """Pixel 0 of a picture reduced by 4 covers the pixels 0..3: from the corner at 0 to 4."""
    answer = Answer(
        image="x", ok=False, reason="ambiguous", size=2,
        top=TopFace("white", ((0, 0), (10, 0), (10, 10), (0, 10))), grids={"U": (((0.0, 0.0), (1.0, 2.0)),)},
    )  # fmt: skip
    larger = answer.scaled(4)
    assert larger.top is not None and larger.top.quad_xy == ((0, 0), (40, 0), (40, 40), (0, 40))
    assert larger.grids["U"] == (((0.0, 0.0), (4.0, 8.0)),)
    assert answer.scaled(1) is answer


def test_an_answer_scales_as_its_pose_does() -> None:
    """The same camera with four times the pixels has four times the focal length and principal point."""
    pose = CubePose(3, 800.0, (320.0, 180.0), np.eye(3), np.array([0.1, -0.2, 6.0]))
    finer = replace(pose, focal_px=4 * pose.focal_px, centre_xy=(1280.0, 720.0))
    quad = tuple((float(x), float(y)) for x, y in pose.face_quad_xy("F"))
    answer = Answer(image="x", ok=False, reason="ambiguous", size=3, top=TopFace("white", quad))
    top = answer.scaled(4).top
    assert top is not None
    assert np.allclose(top.quad_xy, finer.face_quad_xy("F"))


@given(st.sampled_from([2, 4]), st.integers(0, 647), st.integers(0, 383))
def test_the_settled_stickers_of_a_mirrored_picture_lie_as_it_shows_them(
    size: int, corner: int, edge: int
) -> None:
    """The engine's mirror image of what the picture shows is the real cube, its right in the left's place."""
    shown = LastLayer.from_indices(size, corner, edge)
    colours = ["yellow", "orange", "green", "white", "red", "blue"]
    swapped = [colours[i] for i in (0, 4, 2, 3, 1, 5)]
    real = StateSeen.from_layer(shown.mirrored(), swapped)
    answer = Answer(image="x", ok=False, reason="ambiguous", size=size, state=real)
    assert answer.settled == real.facelets
    assert replace(answer, mirrored=True).settled == StateSeen.from_layer(shown, colours).facelets
    assert replace(answer, state=None).settled == {}


def test_the_text_says_what_a_person_needs() -> None:
    answer = answer_of_truth(SAMPLES / "01-large-on-desk.jpg")
    assert answer.case is not None
    text = answer_text(replace(answer, notes=("glare on two stickers",)), 72)
    for wanted in (
        answer.case.code,
        "98.6 %",
        "first U', then Rw U2 x",
        "17 OBTM, 18 ETM, the first turn not counted",
        "17 OBTM",
        "glare on two stickers",
        "4x4x4, green on top",
    ):
        assert wanted in " ".join(text.split()), wanted
    said = " ".join(text.split())
    assert said.count("not counted") == 1 and said.count("first U") == len(answer.sequences) == 2
    assert max(map(len, text.splitlines())) <= 72
    assert "wrists" in CAUTION.lower() and "pause" in CAUTION


def test_an_open_answer_lists_candidates_and_the_next_view() -> None:
    answer = Answer(
        image="x", ok=False, reason="ambiguous", size=4, next_view="right",
        candidates=(Candidate("e0-t", 0.6), Candidate("e0-headlights", 0.4)),
    )  # fmt: skip
    text = " ".join(answer_text(answer).split())
    assert "e0-t 60.0 %, e0-headlights 40.0 %" in text and "show the right side next" in text


@pytest.mark.parametrize("width", range(40, 100, 7))
def test_a_number_keeps_its_sign(width: int) -> None:
    many = tuple(Candidate(f"e1-{family}-left", 0.1) for family in ("t", "h", "sune", "pi", "bowtie") * 2)
    answer = Answer(image="x", ok=False, reason="ambiguous", size=4, candidates=many)
    assert not [line for line in answer_text(answer, width).splitlines() if line.lstrip().startswith("%")]


def test_what_is_said_of_a_mirror_image_is_said_once_and_not_of_what_is_refused() -> None:
    answer = answer_of_truth(SAMPLES / "01-large-on-desk.jpg")
    told = dict(remarks(replace(answer, mirrored=True, notes=("glare on two stickers",))))
    assert "mirror" in told["Mirrored"] and "mirror" not in told["Hard to see"]
    refused = Answer(image="x", ok=False, reason="not-last-layer", size=2, mirrored=True)
    assert "mirror" not in answer_text(refused)


def test_what_was_said_to_be_a_mirror_image_and_shows_none_is_told() -> None:
    answer = replace(answer_of_truth(SAMPLES / "01-large-on-desk.jpg"), told_mirrored=True)
    assert "no mirror image" in dict(remarks(answer))["Mirrored"]
    assert dict(remarks(replace(answer, mirrored=True)))["Mirrored"].startswith("read as a mirror image")
    for reason in ("no-cube", "top-hidden", "not-last-layer", "unreadable"):  # nothing of it was read
        assert "Mirrored" not in dict(remarks(Answer(image="x", ok=False, reason=reason, told_mirrored=True)))


def test_what_is_left_is_told_or_said_to_be_open() -> None:
    answer = answer_of_truth(SAMPLES / "01-large-on-desk.jpg")
    assert dict(remarks(answer))["After it"] == "the permutation is not settled by what is seen"
    left = Candidate("T", 0.95)
    several = replace(answer, permutation=left)
    assert len(several.sequences) > 1  # of these each leaves its own permutation, and T is the first one's
    told = dict(remarks(several))
    assert "permutation T after the first sequence" in told["Left"] and "After it" not in told
    one = dict(remarks(replace(several, sequences=several.sequences[:1])))
    assert "permutation T" in one["After it"] and "the first" not in one["After it"]
    assert answer.state is not None
    oriented = replace(answer, sequences=(), state=replace(answer.state, twist=(0,) * 4, flip=(0,) * 4))
    told = dict(remarks(replace(oriented, permutation_view="left")))
    assert "the permutation is not settled" in told["Do"] and "show the left side next" in told["Do"]
    assert dict(remarks(replace(oriented, permutation=Candidate("solved", 0.99))))["Do"].startswith(
        "nothing:"
    )
    assert "no sequence is stored" in dict(remarks(replace(oriented, permutation=left)))["Do"]
    assert "no sequence is stored" in dict(remarks(replace(answer, sequences=())))["Do"]


def test_a_refusal_says_what_is_wrong() -> None:
    detail = "the third row of the front face is not one colour"
    answer = Answer(image="x", ok=False, reason="not-last-layer", size=4, detail=detail)
    assert detail in answer_text(answer, 200)


def test_no_probability_is_rounded_up_to_certainty() -> None:
    assert percent(0.99999) == "over 99.9\N{NO-BREAK SPACE}%"
    assert percent(0.9994) == "99.9\N{NO-BREAK SPACE}%"
    assert percent(0.00001) == "under 0.1\N{NO-BREAK SPACE}%"
    assert little_seen(0.0, "top face") == "the top face is covered"
    assert little_seen(0.123, "top face") == "only 12.3\N{NO-BREAK SPACE}% of the top face can be seen"
