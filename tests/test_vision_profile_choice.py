"""Which profile a picture is read with, on a sample picture and profiles that fit it better or worse."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from calibration.profile import Profile, default_profile
from vision.cli import run
from vision.draw import annotated
from vision.pipeline import read_whole
from vision.profile_choice import Chooser, best_profile
from vision.profiles import profile_path
from vision.sources import load_photo
from vision.truth import truth_of
from vision.wording import answer_text

EASY = Path(__file__).parent.parent / "sample_images" / "01-large-on-desk.jpg"


def washed_out() -> Profile:
    """All six colours drawn towards their mean: no cube looks like this."""
    model = default_profile().model
    mean = model.mean.mean(axis=0) + 0.3 * (model.mean - model.mean.mean(axis=0))
    return replace(default_profile(), name="washed-out", model=replace(model, mean=mean))


def same(green: str = "green") -> Profile:
    colours = ("white", "yellow", "red", "orange", "blue", green)
    return replace(default_profile(), name="desk-cube", colours=colours)


def test_the_profile_that_fits_better_is_taken_and_the_users_own_wins_ties() -> None:
    samples = read_whole(load_photo(str(EASY)).image_bgr).samples
    assert samples is not None
    own, odd, built_in = same(), washed_out(), default_profile()
    assert best_profile(samples, [odd, own], built_in) is own
    assert best_profile(samples, [odd], built_in) is built_in
    assert best_profile(samples, [], built_in) is built_in
    assert best_profile(samples, [replace(own, sizes=(3,))], built_in) is built_in  # another cube


def test_profiles_are_held_beside_each_other_as_the_picture_is_told_to_be() -> None:
    """In a mirror as well the user's own wins a tie: all are asked for the mirror image alike."""
    turned = np.ascontiguousarray(load_photo(str(EASY)).image_bgr[:, ::-1])
    samples = read_whole(turned, mirrored=True).samples
    assert samples is not None
    own, odd, built_in = same(), washed_out(), default_profile()
    assert best_profile(samples, [odd, own], built_in, mirrored=True) is own
    assert best_profile(samples, [odd], built_in, mirrored=True) is built_in


def save(profile: Profile) -> None:
    import json

    path = profile_path(profile.name)
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(json.dumps(profile.to_json_dict()))


@pytest.fixture
def profiles(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("LASTLOOK_PROFILES", str(tmp_path))
    return tmp_path


def test_the_answer_says_which_profile_was_used(profiles: Path, capsys: pytest.CaptureFixture[str]) -> None:
    image = load_photo(str(EASY)).image_bgr
    assert Chooser(None).read(image).profile == ""
    save(washed_out())
    assert Chooser(None).read(image).profile == ""
    save(same("leaf"))
    (profiles / "broken.json").write_text("{")
    chooser = Chooser(None)
    assert capsys.readouterr().err.count("\n") == 1  # the broken one, and the others go on
    answer = chooser.read(image)
    assert answer.profile == "desk-cube" and "profile desk-cube" in answer_text(answer)
    assert answer.case is not None and answer.case.code == truth_of(EASY).code
    assert Chooser("washed-out").read(image).profile == "washed-out"


def test_a_copy_of_the_built_in_profile_is_not_said_to_fit_best(
    profiles: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """It fits every picture just as well as the built-in one does."""
    copy = profiles / "elsewhere" / "copy.json"
    copy.parent.mkdir()
    assert run(["profile", "export", "default", str(copy)]) == 0
    assert run(["profile", "import", str(copy), "--name", "club"]) == 0
    image = load_photo(str(EASY)).image_bgr
    assert Chooser(None).read(image).profile == ""
    assert Chooser("club").read(image).profile == "club"
    assert run(["profile", "list"]) == 0
    assert "club: any size; white, yellow, red, orange, blue, green; a copy of the built-in one" in (
        capsys.readouterr().out
    )


def test_colours_of_ones_own_naming_are_drawn_as_they_look(profiles: Path) -> None:
    save(replace(same("leaf"), name="leaf-cube"))
    image = load_photo(str(EASY)).image_bgr
    answer = Chooser("leaf-cube").read(image)
    assert answer.top is not None and answer.top.colour == "leaf"
    red, green, blue = answer.palette["leaf"]
    assert green > red and green > blue
    drawn = annotated(image, answer)
    near = np.abs(drawn.astype(int) - [blue, green, red]).max(axis=2) <= 2
    assert near[: image.shape[0], : image.shape[1]].sum() > 500
