"""Stickers burnt out by light: what is at the sensor's end in two channels says nothing of its colour."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from sticker_maker import albedo, make_samples
from test_calibration_collect import ALL_ROUND, shots_of

from calibration.collect import CollectError, collect
from calibration.labelling import Shot, label_shot
from calibration.profile import COLOURS, SCHEME, default_profile
from calibration.samples import BURNT_FROM
from calibration.together import views_of
from models.errors import UsageError
from vision.picked_faces import PickedFace, profile_from_faces
from vision.sitting import Sitting

ORANGE, WHITE = COLOURS.index("orange"), COLOURS.index("white")


def burnt(shot: Shot, at: np.ndarray, channels: int = 3) -> Shot:
    """The same picture with the stickers ``at`` (6, n, n) at the sensor's end in so many channels."""
    linear = shot.samples.linear_rgb.copy()
    linear[at, :channels] = 1.0
    return replace(shot, samples=replace(shot.samples, linear_rgb=linear))


def test_burnt_out_is_the_end_of_two_channels() -> None:
    samples = make_samples(albedo("usual"), "noon", np.random.default_rng(1))[0]
    samples.linear_rgb[0, 0, :3] = [(1, BURNT_FROM, 0), (1, 0.9, 0), (1, 1, 1)]
    assert samples.burnt_out[0, 0, :3].tolist() == [True, False, True]


@pytest.mark.parametrize("channels", [2, 3])
def test_what_is_burnt_out_teaches_no_colour(channels: int) -> None:
    """A profile is the same whatever light burnt a colour out: as if its stickers were not there."""
    shots, truth = shots_of("pastel", ALL_ROUND[:2])
    told = [replace(shot, told=truth[shot.name]) for shot in shots]
    orange = [(truth[one.name] == ORANGE) & (one.samples.coverage > 0) for one in told]
    bright = [burnt(one, at, channels) for one, at in zip(told, orange, strict=True)]
    without = [replace(one, told=np.where(one.told == ORANGE, -1, one.told)) for one in told]
    made = collect(bright, "mine", scheme=SCHEME)
    assert np.allclose(made.profile.model.mean, collect(without, "mine", scheme=SCHEME).profile.model.mean)
    assert not any(one.colour == ORANGE for one in made.profile.samples)
    (warning,) = made.warnings
    assert warning.startswith("burnt out by light: orange;") and "darker" in warning


def test_a_white_may_be_burnt_out() -> None:
    shots, truth = shots_of("usual", ALL_ROUND[:2])
    white = [burnt(one, (truth[one.name] == WHITE) & (one.samples.coverage > 0)) for one in shots]
    made = collect([replace(one, told=truth[one.name]) for one in white], "mine", scheme=SCHEME)
    assert not made.warnings and any(one.colour == WHITE for one in made.profile.samples)


def test_a_picture_that_is_too_bright_is_named_and_left_out() -> None:
    shots, truth = shots_of("usual")
    first = next(one for one in shots if not (truth[one.name] == WHITE)[one.samples.coverage > 0].any())
    bright = burnt(first, first.samples.coverage > 0)
    rest = [one for one in shots if one is not first]
    told = [replace(one, told=truth[one.name]) for one in (bright, *rest)]
    made = collect(told, "mine", scheme=SCHEME)
    ((name, reason),) = made.left_out
    assert name == first.name and "too bright" in reason
    with pytest.raises(CollectError, match="too bright"):
        collect(told[:1], "mine", scheme=SCHEME)


def test_a_burnt_out_face_may_be_much_brighter_than_it_looks() -> None:
    """Its place among the colours is open by a log unit, which is more than white and orange are apart."""
    shot = shots_of("pastel", ALL_ROUND[:1])[0][0]
    model = collect([shot], "mine", scheme=SCHEME).profile.model
    face = shot.samples.visible_faces[0]
    at = np.zeros(shot.samples.coverage.shape, bool)
    at[face] = True
    plain, bright = (views_of(one.samples, model, SCHEME)[0].spread for one in (shot, burnt(shot, at)))
    assert (bright[0] > 0.9).all() and (plain < 0.1).all() and (bright[1:] < 0.1).all()


def test_a_sitting_says_of_which_colour_it_wants_a_darker_picture() -> None:
    shots, truth = shots_of("usual")
    seen = {one.name: (truth[one.name] == ORANGE) & (one.samples.coverage > 0) for one in shots}
    shot = next(one for one in shots if seen[one.name].any())
    bright = replace(burnt(shot, seen[shot.name]), told=truth[shot.name])
    sitting = Sitting(default_profile())
    sitting.taken.append(label_shot(bright, sitting.base))
    assert sitting.seen_in()[ORANGE] == 0
    told = sitting.missing(COLOURS)
    assert "orange (too bright so far)" in told and told.count("too bright") == 1 and told.count(",") == 5


def test_faces_pointed_out_that_are_burnt_out_are_refused(tmp_path: Path) -> None:
    picture = str(tmp_path / "a.png")
    cv2.imwrite(picture, np.full((400, 400, 3), 255, np.uint8))
    corners = np.array([(50, 50), (350, 50), (350, 350), (50, 350)], float)
    with pytest.raises(UsageError, match="burnt out by light") as told:
        profile_from_faces("mine", picture, [PickedFace("orange", corners)], 3)
    assert picture in str(told.value)
