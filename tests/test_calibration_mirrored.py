"""Mirror images among the pictures of a calibration: named where colours tell, and no good picture is."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from sticker_maker import LIGHTS, SETS, albedo, make_samples, random_layer

from calibration.collect import CollectError, collect, unmirrored
from calibration.labelling import Shot, label_shot
from calibration.mirrored import mirror_nats, turned_over
from calibration.profile import SCHEME, default_profile
from calibration.samples import StickerSamples
from models.cube import rotation_permutations

HOMES = rotation_permutations(4).reshape(24, 6, 16)[:, :, 0] // 16
VIEWS = ((0, 1, 2), (3, 4, 5), (0, 1, 5), (3, 1, 2))
TURNS = [next(k for k in range(24) if set(HOMES[k, :3]) == set(faces)) for faces in VIEWS]


def shots_of(name: str, seed: int, *, solved: bool = True) -> list[Shot]:
    """Four pictures under four lights: of the cube solved from all sides, or at last layers from above."""
    rng = np.random.default_rng(seed)
    return [
        Shot(
            f"{i}.jpg",
            make_samples(
                albedo(name),
                light,
                rng,
                turn=TURNS[i] if solved else 0,
                layer=None if solved else random_layer(rng, 4),
            )[0],
        )
        for i, light in enumerate(rng.permutation(list(LIGHTS))[:4])
    ]


def over(shot: Shot, name: str) -> Shot:
    return replace(shot, name=name, samples=turned_over(shot.samples))


def test_stickers_are_turned_over_as_the_engine_mirrors_a_layer() -> None:
    """Every sticker goes where that of the mirrored last layer lies, once R and L have exchanged names."""
    layer = random_layer(np.random.default_rng(1), 4)
    names = np.array([0, 4, 2, 3, 1, 5])
    shown = layer.facelets().reshape(6, 4, 4).astype(np.float32)
    over = turned_over(replace(StickerSamples.empty(4), coverage=shown))
    assert (names[over.coverage.astype(int)] == layer.mirrored().facelets().reshape(6, 4, 4)).all()
    assert (turned_over(over).coverage == shown).all()


def test_turned_over_a_picture_says_the_contrary() -> None:
    shots = shots_of("usual", 4)
    own = collect(shots[1:], "mine", scheme=SCHEME).profile
    nats = mirror_nats(shots[0].samples, own)
    assert nats < -4 and mirror_nats(turned_over(shots[0].samples), own) == pytest.approx(-nats, abs=1e-6)


@pytest.mark.parametrize("name", list(SETS))
def test_a_mirror_image_is_named_and_the_others_stay(name: str) -> None:
    shots = shots_of(name, 7, solved=False)
    mirrored = over(shots_of(name, 8, solved=False)[0], "mirrored.jpg")
    made = collect([*shots, mirrored], "mine", scheme=SCHEME)
    left = dict(made.left_out)
    assert set(left) == {"mirrored.jpg"} and "mirror image" in left["mirrored.jpg"]
    assert [one.shot.name for one in made.kept] == [shot.name for shot in shots]


@pytest.mark.parametrize("name", list(SETS))
def test_no_picture_of_the_cube_itself_is_taken_for_a_mirror_image(name: str) -> None:
    base = default_profile()
    good = [label_shot(shot, base) for shot in shots_of(name, 7)]
    assert unmirrored(good, base, base.model) == (good, [])


@pytest.mark.parametrize("which", [0, 1])
def test_of_a_picture_and_its_mirror_image_the_right_one_is_kept(which: int) -> None:
    """Whichever of the two was given first."""
    shots = shots_of("usual", 4)
    pair = [shots[0], replace(over(shots[0], "over.jpg"), mirror_of="0.jpg")]
    if which:
        pair = [replace(pair[1], mirror_of=""), replace(shots[0], mirror_of="over.jpg")]
    made = collect([*pair, *shots[1:]], "mine", scheme=SCHEME)
    assert made.left_out == (("over.jpg", "is the mirror image of 0.jpg"),)
    assert [one.shot.name for one in made.kept] == [shot.name for shot in shots]


def test_where_nothing_tells_which_is_right_neither_is_kept() -> None:
    """One side of a solved cube is its own mirror image."""
    shots = shots_of("usual", 4)
    samples = make_samples(albedo("usual"), "noon", np.random.default_rng(1), faces="U")[0]
    pair = [Shot("a.jpg", samples), Shot("b.jpg", turned_over(samples), mirror_of="a.jpg")]
    made = collect([*pair, *shots], "mine", scheme=SCHEME)
    left = dict(made.left_out)
    assert set(left) == {"a.jpg", "b.jpg"}
    assert "b.jpg is its mirror image" in left["a.jpg"] and "a.jpg is its mirror image" in left["b.jpg"]
    with pytest.raises(CollectError, match="mirror image"):
        collect(pair, "mine", scheme=SCHEME)
