"""A cube's own profile is believed where it explains the stickers better than colours in general."""

from __future__ import annotations

import numpy as np
import pytest
from sticker_maker import LIGHTS, SETS, albedo, make_samples, random_layer

from calibration import reading
from calibration.collect import collect
from calibration.labelling import Shot
from calibration.own import general_for, read_by_profile, top_by_profile
from calibration.profile import SCHEME, Profile, default_profile
from calibration.reading import read_stickers
from models.cases import case_of


def profile_of(name: str) -> Profile:
    """Made of two pictures of the solved cube, from opposite corners."""
    rng = np.random.default_rng(5)
    shots = [
        Shot(faces, make_samples(albedo(name), "noon", rng, faces=faces, glare=0.0)[0])
        for faces in ("URF", "DLB")
    ]
    return collect(shots, "mine", scheme=SCHEME).profile


@pytest.fixture(scope="module", params=["usual", "black for white"])
def own(request: pytest.FixtureRequest) -> Profile:
    return profile_of(request.param)


def test_without_a_profile_of_its_own_nothing_is_asked_twice() -> None:
    samples, _ = make_samples(albedo("usual"), "noon", np.random.default_rng(1))
    reading = read_by_profile(samples, default_profile(), tops=(0,))
    assert not reading.is_general
    assert reading.log_evidence == read_stickers(samples, default_profile(), tops=(0,)).log_evidence


@pytest.mark.parametrize("name", sorted(SETS))
@pytest.mark.parametrize("light", sorted(LIGHTS)[::2])
def test_the_likelier_reading_is_taken_and_says_which_it_is(own: Profile, name: str, light: str) -> None:
    rng = np.random.default_rng(7)
    samples, _ = make_samples(albedo(name), light, rng, layer=random_layer(rng, 4))
    reading = read_by_profile(samples, own, tops=(0,))
    each = [read_stickers(samples, one, tops=(0,)).log_evidence for one in (own, general_for(own))]
    assert reading.log_evidence == pytest.approx(max(each))
    assert reading.is_general == (each[1] > each[0])


@pytest.mark.parametrize("size", [2, 3, 4])
def test_the_top_asked_for_alone_is_that_of_the_reading(own: Profile, size: int) -> None:
    rng = np.random.default_rng(size)
    for profile, name in ((default_profile(), "usual"), (own, "usual"), (own, "pastel")):
        for light in ("noon", "lamp"):
            layer, faces = random_layer(rng, size), ("URF", "UF", "U")[int(rng.integers(3))]
            samples, _ = make_samples(albedo(name), light, rng, layer=layer, size=size, faces=faces)
            whole = read_by_profile(samples, profile)
            assert top_by_profile(samples, profile) == whole.posterior.top


def test_a_usual_cube_is_read_in_spite_of_a_profile_of_another_one() -> None:
    wrong, right, rng = profile_of("black for white"), 0, np.random.default_rng(11)
    for _ in range(8):
        layer = random_layer(rng, 4)
        samples, _ = make_samples(albedo("usual"), "evening", rng, layer=layer)
        reading = read_by_profile(samples, wrong, tops=(0,))
        right += reading.posterior.code == case_of(layer)[0].code
        assert reading.is_general
    assert right >= 6


@pytest.mark.parametrize("light", ["lamp", "noon", "sky", "tubes"])
def test_what_is_given_up_on_the_way_would_not_have_been_likelier(
    light: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    own, rng = profile_of("pastel"), np.random.default_rng(2)
    samples, _ = make_samples(albedo("pastel"), light, rng, layer=random_layer(rng, 3), size=3, glare=0.1)
    found = read_stickers(samples, own, tops=(0,)).log_evidence
    monkeypatch.setattr(reading, "GIVE_UP_OWN_NATS", tuple((1e9, 1e9) for _ in range(8)))
    assert found > read_stickers(samples, own, tops=(0,)).log_evidence - 0.2
