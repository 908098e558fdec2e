"""Colours under names of one's own: the same pictures, keys and truths as under the usual ones."""

from __future__ import annotations

import io
import json
import shutil
from dataclasses import replace
from pathlib import Path
from string import ascii_lowercase

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

import vision.review
from calibration.profile import COLOURS, Profile, default_profile
from calibration.schemes import all_schemes
from models.cases import case_of
from models.errors import LastlookError, UsageError
from models.layer import LastLayer
from models.turns import FACES
from vision.cli import run
from vision.live_words import shown_at
from vision.moments import save_moment
from vision.naming import NOT_SEEN, USUAL, Naming, own_rgb
from vision.profiles import profile_path
from vision.review import truth_for, with_names
from vision.review_entry import Entry, Verdict
from vision.review_prompt import TerminalPrompt, parse_rows, rows_text
from vision.review_window import Desk, compose
from vision.session import Session
from vision.stream import FrameStream
from vision.stream_source import source_named
from vision.truth import truth_of
from vision.watcher import Watcher

SAMPLE = Path(__file__).parent.parent / "sample_images" / "01-large-on-desk.jpg"
CLIP = Path(__file__).parent / "data" / "clip_tilting"
OWN = ("black", "yellow", "red", "orange", "blue", "mint")


@pytest.fixture(autouse=True)
def profiles(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("LASTLOOK_PROFILES", str(tmp_path / "profiles"))
    return tmp_path / "profiles"


def own_profile(name: str = "desk", colours: tuple[str, ...] = OWN) -> Profile:
    """The built-in colours, called otherwise."""
    profile = replace(default_profile(), name=name, colours=colours)
    profile.save(profile_path(name))
    return profile


@given(st.lists(st.text(min_size=1, max_size=12), min_size=6, max_size=6, unique=True))
def test_every_name_has_a_key_of_its_own(names: list[str]) -> None:
    naming = Naming(tuple(names))
    assert list(naming.keys.values()) == names and set(naming.keys) <= set(ascii_lowercase)
    assert not set(naming.keys) & set(NOT_SEEN)
    assert {naming.keys[naming.key_of[name]] for name in names} == set(names)


@given(st.permutations([*COLOURS, "black", "grey", "mint"]))
def test_usual_names_keep_their_letters(names: list[str]) -> None:
    key_of = Naming(tuple(names[:6])).key_of
    assert all(key_of[name] == name[0] for name in names[:6] if name in COLOURS)


@given(st.integers(2, 7), st.data())
def test_rows_under_own_names_read_back(size: int, data: st.DataObject) -> None:
    naming = Naming(OWN)
    cells = st.sampled_from([*OWN, None])
    rows = data.draw(st.lists(st.lists(cells, min_size=size, max_size=size), min_size=1, max_size=size))
    assert parse_rows(rows_text(rows, naming), size, len(rows), naming) == rows


def test_labelled_reviewed_and_scored_under_own_names(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    naming = Naming.of(own_profile())
    folder, out = tmp_path / "phone", tmp_path / "answers.jsonl"
    folder.mkdir()
    picture = folder / SAMPLE.name
    shutil.copy(SAMPLE, picture)
    assert run(["label", str(folder), "--profile", "desk", "--out", str(out), "-j", "1"]) == 0
    answer = json.loads(out.read_text())
    seen = {name for row in answer["seen"]["U"] for name in row} - {None}
    assert seen & {"black", "mint"} and seen <= set(OWN)
    # a person types what the usual truth says, in letters of these names
    usual = json.loads(SAMPLE.with_suffix(".json").read_text())
    letters = {
        face: "".join(naming.key_of[OWN[COLOURS.index(name)]] for row in rows for name in row)
        for face, rows in ((f, usual["facelets"][f][: None if f == "U" else 1]) for f in "UFRBL")
    }
    said = io.StringIO()
    for profile in ([], ["--profile", "desk"]):  # found by the names alone, or named
        picture.with_suffix(".json").unlink(missing_ok=True)
        typed = iter(["s", *(letters[face] for face in "UFRBL")])
        prompt = TerminalPrompt(said, lambda question, typed=typed: next(typed))
        monkeypatch.setattr(vision.review, "_prompt", lambda window, prompt=prompt: prompt)
        assert run(["review", str(out), "--all", *profile]) == 0
        truth = truth_of(picture, OWN)
        assert truth.code == truth_of(SAMPLE).code and truth.is_settled
    assert "l black" in said.getvalue() and "m mint" in said.getvalue()
    # the sides were typed as the studio names them: its corners of the top face go with that
    written = json.loads(picture.with_suffix(".json").read_text())
    picture.with_suffix(".json").write_text(json.dumps({**written, "top_quad": usual["top_quad"]}))
    capsys.readouterr()
    assert run(["score", str(folder), "--profile", "desk", "--json"]) == 0
    scores = json.loads(capsys.readouterr().out)["conditions"]["all"]
    assert scores["right"] == 1 and scores["stickers_raw"] > 0.9 and scores["stickers_decoded"] == 1
    assert run(["score", str(folder)]) == 1
    told, verdict = capsys.readouterr().err.splitlines()
    assert "--profile" in told and picture.with_suffix(".json").name in told and "left out" in verdict


@pytest.mark.parametrize("which", range(1, 30, 7))
def test_another_scheme_is_written_down_and_read_back(tmp_path: Path, which: int) -> None:
    layer = LastLayer(4, (1, 2, 0, 3), (1, 2, 1, 2), (0, 2, 1, 3), (1, 0, 0, 0))
    naming = Naming(OWN, all_schemes()[which])
    names = [OWN[k] for k in naming.scheme]
    homes = layer.facelets()
    seen = {f: [[names[int(h)] for h in row] for row in homes[FACES.index(f)]][: 4 if f == "U" else 1]
            for f in "UFRBL"}  # fmt: skip
    picture = tmp_path / "x.jpg"
    entry = Entry({"image": str(picture)}, picture, tmp_path / "x.json", naming)
    told = truth_for(entry, Verdict("stickers", seen=seen, size=4))
    assert [told["scheme"][face] for face in FACES] == names and told["facelets"] == seen
    entry.truth.write_text(json.dumps(told))
    assert truth_of(picture, OWN).code == case_of(layer)[0].code
    for bad in (
        {**told, "scheme": {**told["scheme"], "U": "teal"}},
        {**told, "facelets": {**seen, "F": [["teal"] * 4]}},
    ):
        entry.truth.write_text(json.dumps(bad))
        with pytest.raises(LastlookError, match=r"x\.json: .*'teal'.*mint"):
            truth_of(picture, OWN)


def test_each_picture_gets_the_names_that_it_was_read_with(tmp_path: Path) -> None:
    def entry(*names: str) -> Entry:
        answer = {"image": "x.jpg", "size": 2, "seen": {"U": [[*names]]}}
        return Entry(answer, tmp_path / "x.jpg", tmp_path / "x.json")

    own_profile()
    own_profile("other", ("bone", *OWN[1:]))
    entries = [entry("white", "red"), entry("mint", None), entry("bone", "mint"), entry()]
    assert [one.naming.names for one in with_names(entries, None)] == [
        COLOURS,
        OWN,
        ("bone", *OWN[1:]),
        COLOURS,
    ]
    assert with_names([entry()], "desk")[0].naming.names == OWN
    assert with_names([entry("red", "mint")], "other")[0].naming.names[0] == "bone"
    with pytest.raises(UsageError, match=r"x\.jpg.*teal.*--profile"):
        with_names([entry("teal")], None)


def test_a_watch_says_and_saves_own_names(tmp_path: Path) -> None:
    with FrameStream(source_named(str(CLIP)), pace="every") as stream:
        watcher = Watcher(own_profile())
        session = Session(stream, watcher)
        reports = (session.advance(5.0)[0] for _ in range(12))
        settled = next(report for report in reports if report is not None and report.settled)
        watcher.close()
    truth = json.loads(CLIP.with_suffix(".json").read_text())
    called = dict(zip(COLOURS, OWN, strict=True))
    assert f"{called[truth['top_colour']]} on top" in shown_at(settled, []).cube
    own = [f"our {name}" for name in COLOURS]
    looks = {name: (k, 2 * k, 3 * k) for k, name in enumerate(own)}
    renamed = replace(settled, naming=Naming(tuple(own), rgb=looks))
    assert shown_at(renamed, []).lit == looks[f"our {truth['top_colour']}"]
    moment = truth_of(save_moment(settled, tmp_path), OWN)
    top = [[called[name] for name in row] for row in truth["facelets"]["U"]]
    assert moment.code == settled.case
    assert list(map(list, moment.facelets["U"])) in [np.rot90(np.array(top), k).tolist() for k in range(4)]


def test_the_window_takes_and_draws_own_colours(tmp_path: Path) -> None:
    profile = own_profile()
    naming = Naming.of(profile)
    assert set(naming.rgb) == set(OWN) and own_rgb(default_profile()) == {} and Naming.of(None) is USUAL
    entry = Entry({"image": "x.jpg", "size": None}, tmp_path / "x.jpg", tmp_path / "x.json", naming)
    desk, photo = Desk(entry), np.full((60, 80, 3), 99, np.uint8)
    for key in "s2mlbx":
        desk.press(ord(key))
    assert desk.seen["U"] == [["mint", "black"], ["blue", None]]
    drawn = compose(photo, desk, (1, 1))
    for name in ("mint", "black", "blue"):
        assert (drawn == np.array(naming.rgb[name][::-1])).all(axis=-1).sum() > 100
