"""Profiles from pictures: labels, the scheme, what is left out, classifiers as numbers, the ColorChecker."""

from __future__ import annotations

import warnings
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from sklearn.model_selection import LeaveOneGroupOut, cross_val_score
from sticker_maker import LIGHTS, SETS, albedo, make_samples, random_layer

import calibration.collect
from calibration.adapt import PictureWord, adapt, cube_posterior
from calibration.classes import classes_of, closest_pair
from calibration.classifier import GaussianClasses
from calibration.collect import CollectError, agreeing, collect
from calibration.colour import log_light
from calibration.compare import (
    MOST_TURNS,
    OURS,
    candidates,
    compare,
    compare_kept,
    feature_spaces,
    gaussian_classes,
    predict,
    table_of,
)
from calibration.kept import pictures_of
from calibration.labelling import Shot, label_shot, labelled_picture
from calibration.learn import (
    LEAST_SURE,
    MOST_LEARNED,
    DriftWatch,
    Seen,
    best_profile,
    learned,
    without_learned,
    worth_learning,
)
from calibration.profile import SCHEME, Profile, default_profile, load_profile
from calibration.reading import read_stickers
from calibration.schemes import all_schemes
from models.cube import rotation_permutations
from models.decode import decode
from models.errors import LastlookError

HOMES = rotation_permutations(4).reshape(24, 6, 16)[:, :, 0] // 16


def turn_with(*faces: int) -> int:
    """A turn of the whole cube that brings these faces to U, R and F."""
    return next(k for k in range(24) if set(HOMES[k, :3]) == set(faces))


ALL_ROUND = (("lamp", (0, 1, 2)), ("window", (3, 4, 5)), ("noon", (0, 1, 5)), ("sky", (3, 1, 2)))


def shots_of(
    name: str, views: tuple = ALL_ROUND, *, scheme: tuple = SCHEME, seed: int = 3, solved: bool = True
) -> tuple[list[Shot], dict[str, np.ndarray]]:
    rng = np.random.default_rng(seed)
    shots, truth = [], {}
    for i, (light, faces) in enumerate(views):
        layer = None if solved else random_layer(rng, 4)
        samples, labels = make_samples(
            albedo(name), light, rng, turn=turn_with(*faces), scheme=scheme, layer=layer
        )
        shots.append(Shot(f"{name} {i}", samples, light))
        truth[f"{name} {i}"] = labels
    return shots, truth


@pytest.fixture(scope="module")
def usual() -> tuple:
    shots, truth = shots_of("usual", ALL_ROUND[:2])
    return collect(shots, "mine"), shots, truth


@pytest.mark.parametrize("name", list(SETS))
def test_two_pictures_of_a_solved_cube_label_themselves(name: str) -> None:
    shots, truth = shots_of(name, ALL_ROUND[:2])
    made = collect(shots, name)
    assert [one.shot.name for one in made.kept] == [shot.name for shot in shots] and not made.left_out
    for one in made.kept:
        sure = one.labels >= 0
        assert sure.sum() > 40 and (one.labels[sure] == truth[one.shot.name][sure]).all()


def test_pictures_of_any_last_layer_serve_as_well() -> None:
    shots, truth = shots_of("usual", (("noon", (0, 1, 2)), ("lamp", (0, 5, 4))), solved=False)
    made = collect(shots, "mine")
    for one in made.kept:
        sure = one.labels >= 0
        assert (one.labels[sure] == truth[one.shot.name][sure]).all()
    assert made.warnings and "yellow" in made.warnings[0]  # the bottom was never in view


def test_a_picture_of_a_scrambled_cube_is_named_and_left_out() -> None:
    shots, _ = shots_of("usual")
    stranger = shots_of("black for white", (("noon", (3, 4, 5)),))[0][0]
    scrambled = make_samples(albedo("usual"), "noon", np.random.default_rng(1))[0]
    rng = np.random.default_rng(2)
    for face in range(3):
        colours = albedo("usual")[rng.integers(6, size=(4, 4))]
        scrambled.linear_rgb[face] = colours * 0.6
    made = collect(
        [*shots, Shot("stranger", stranger.samples), Shot("scrambled", scrambled)], "mine", scheme=SCHEME
    )
    left = dict(made.left_out)
    assert "scrambled" in left and "last layer" in left["scrambled"]
    assert {one.shot.name for one in made.kept} >= {shot.name for shot in shots}
    with pytest.raises(CollectError, match="scrambled"):
        collect([Shot("scrambled", scrambled)], "mine")


@pytest.mark.parametrize("many", [2, 4])
def test_pictures_that_contradict_each_other_are_all_named(
    many: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nobody is asked for a third picture who gave four."""
    shots, _ = shots_of("usual")
    shots = [replace(shots[i % len(shots)], name=f"{i}.jpg") for i in range(many)]
    monkeypatch.setattr(calibration.collect, "differing_share", lambda *_: 1.0)
    with pytest.raises(CollectError) as told:
        collect(shots, "mine", scheme=SCHEME)
    assert all(shot.name in str(told.value) for shot in shots)
    assert ("a third picture" in str(told.value)) == (many == 2)


def covered(shot: Shot, share: float) -> Shot:
    """The same picture with no sticker seen to more than ``share``."""
    return replace(shot, samples=replace(shot.samples, coverage=np.minimum(shot.samples.coverage, share)))


@pytest.mark.parametrize("share", [0.0, 0.04, 0.3, 0.5])
@pytest.mark.parametrize("clear", [0, 1, 2])
def test_pictures_in_which_nothing_is_seen_clearly_are_left_out(share: float, clear: int) -> None:
    shots, _ = shots_of("usual", ALL_ROUND[:3])
    given = [shot if i < clear else covered(shot, share) for i, shot in enumerate(shots)]
    if not clear:
        with pytest.raises(CollectError, match="clearly"):
            collect(given, "mine")
        return
    made = collect(given, "mine")
    assert [one.shot.name for one in made.kept] == [shot.name for shot in shots[:clear]]
    assert [name for name, _ in made.left_out] == [shot.name for shot in shots[clear:]]


def test_of_too_many_stickers_every_colour_of_every_picture_is_kept(monkeypatch: pytest.MonkeyPatch) -> None:
    """The model is that of the stickers kept, so that the profile's file alone gives it back."""
    monkeypatch.setattr(calibration.collect, "MOST_OWN", 60)
    shots, truth = shots_of("usual", (("noon", (0, 1, 2)), ("lamp", (0, 5, 4))), solved=False)
    made = collect(shots, "mine", scheme=SCHEME)
    assert len(made.profile.samples) <= 60
    seen = {(one.shot.name, k) for one in made.kept for k in np.unique(one.labels) if k >= 0}
    kept = {(one.picture.rpartition("#")[0], one.colour) for one in made.profile.samples}
    assert kept == seen and set(truth) == {name for name, _ in kept}
    base = default_profile().model
    again = adapt(base, list(pictures_of(made.profile.samples, base.floor).values()))
    assert again.mean == pytest.approx(made.profile.model.mean, abs=1e-12)


def test_thirty_schemes_stand_for_all_720_colourings() -> None:
    """6! = 720 colourings fall into classes of 24 under turns of the cube (Burnside: no turn fixes any)."""
    turned = {tuple(scheme[i] for i in home) for scheme in all_schemes() for home in HOMES.tolist()}
    assert len(all_schemes()) == 30 and len(turned) == 720 and all_schemes()[0] == SCHEME


@pytest.mark.slow
@pytest.mark.parametrize("which", [1, 7])
def test_another_scheme_is_learned_from_all_round_views(which: int) -> None:
    scheme = all_schemes()[which]
    shots, truth = shots_of("usual", scheme=scheme)
    made = collect(shots, "mine")
    assert made.profile.scheme in {tuple(scheme[i] for i in home) for home in HOMES.tolist()}
    for one in made.kept:
        sure = one.labels >= 0
        assert (one.labels[sure] == truth[one.shot.name][sure]).all()


def test_a_stated_scheme_is_taken() -> None:
    scheme = all_schemes()[9]
    shots, truth = shots_of("usual", ALL_ROUND[:2], scheme=scheme)
    made = collect(shots, "mine", scheme=scheme)
    for one in made.kept:
        sure = one.labels >= 0
        assert (one.labels[sure] == truth[one.shot.name][sure]).all()


def test_of_pictures_that_do_not_agree_the_odd_one_is_left_out() -> None:
    """Four pictures of one cube, in one of which red is labelled orange, and orange red."""
    base = default_profile()
    views = (("noon", (0, 1, 2)), ("lamp", (0, 1, 2)), ("sky", (0, 1, 2)), ("noon", (0, 2, 4)))
    right = [label_shot(shot, base) for shot in shots_of("usual", views)[0]]
    exchanged = np.array([0, 1, 3, 2, 4, 5, -1])
    for odd in range(3):
        wrong = replace(right[odd], labels=exchanged[right[odd].labels])
        given = [*right[:odd], wrong, *right[odd + 1 :]]
        kept, left = agreeing(given, base, base.model)
        assert kept == [*right[:odd], *right[odd + 1 :]]
        assert [name for name, _ in left] == [wrong.shot.name] and "disagree" in left[0][1]
    assert agreeing(right, base, base.model) == (right, [])


def test_the_samples_kept_give_the_model_back(usual: tuple, tmp_path: Path) -> None:
    made = usual[0]
    made.profile.save(tmp_path / "mine.json")
    loaded = load_profile(tmp_path / "mine.json")
    base = default_profile().model
    again = adapt(base, list(pictures_of(loaded.samples, base.floor).values()))
    for name in ("mean", "picture_cov", "sticker_cov", "cell_cov", "face_cov"):
        assert getattr(again, name) == pytest.approx(getattr(loaded.model, name), abs=1e-12)
    assert {sample.picture for sample in loaded.samples} >= {"usual 0#U", "usual 1#F"}


def test_more_pictures_leave_less_doubt_about_the_cube() -> None:
    """The posterior of a Gaussian mean, against the textbook's formula for a known precision."""
    rng = np.random.default_rng(0)
    mean, cube, light = rng.normal(size=18), np.eye(18) * 0.3, np.eye(18) * 0.2
    seen = [rng.normal(size=18) for _ in range(3)]
    words = [PictureWord(np.eye(18) * 1e9, y * 1e9) for y in seen]  # each picture seen without noise
    got, cov = cube_posterior(words, mean, cube, light)
    weight = 3 * 0.3 / (3 * 0.3 + 0.2)  # n s0 / (n s0 + s): Bernardo and Smith, normal mean, known variance
    assert got == pytest.approx((1 - weight) * mean + weight * np.mean(seen, axis=0), abs=1e-6)
    assert cov == pytest.approx(np.eye(18) * 0.3 * 0.2 / (3 * 0.3 + 0.2), abs=1e-6)


def test_learning_is_bounded_and_can_be_taken_back(usual: tuple) -> None:
    made = usual[0]
    rng = np.random.default_rng(8)
    seen = []
    for i in range(5):
        samples, _ = make_samples(albedo("usual"), list(LIGHTS)[i], rng, layer=random_layer(rng, 4))
        seen.append(Seen(f"use {i}", samples, read_stickers(samples, made.profile)))
    assert sum(worth_learning(one.reading, one.samples) for one in seen) >= 3
    more = learned(made.profile, seen)
    assert len(more.samples) > len(made.profile.samples)
    back, dropped = without_learned(more)
    assert dropped == 5 and back.samples == made.profile.samples
    assert back.model.mean == pytest.approx(made.profile.model.mean, abs=1e-12)
    many = learned(more, [replace(seen[0], picture=f"again {i}") for i in range(MOST_LEARNED + 3)])
    names = {s.picture.rpartition("#")[0] for s in many.samples if s.picture.startswith("learned:")}
    assert len(names) == MOST_LEARNED and "learned:use 0" not in names
    assert without_learned(back) == (back, 0)


def test_only_clean_stickers_of_the_cube_itself_teach(usual: tuple) -> None:
    profile = usual[0].profile
    rng = np.random.default_rng(8)
    layer = random_layer(rng, 4)
    samples, labels = make_samples(albedo("usual"), "noon", rng, layer=layer, glare=0.0)
    reading = read_stickers(samples, profile)
    assert worth_learning(reading, samples)
    stained = reading.clean.copy()
    stained[0, 1] = 0.3  # a print on four stickers of the top
    kept = [
        {one.linear_rgb for one in learned(profile, [Seen("use", samples, seen)]).samples}
        for seen in (reading, replace(reading, clean=stained))
    ]
    row = {tuple(float(v) for v in rgb) for rgb in samples.linear_rgb[0, 1]}
    assert row <= kept[0] and kept[1] == kept[0] - row
    # as surely read, but in a mirror: left and right have changed places, and so may two colours have
    loglik = np.where(labels[..., None] == np.arange(6), 0.0, -30.0) * (samples.coverage > 0)[..., None]
    mirrored = decode(loglik[[0, 4, 2, 3, 1, 5]][:, :, ::-1], scheme=SCHEME, mirror_prior=0.5)
    straight = decode(loglik, scheme=SCHEME, mirror_prior=0.5)
    assert mirrored.mirrored and mirrored.probability == pytest.approx(straight.probability)
    assert worth_learning(replace(reading, posterior=straight), samples) == (
        straight.probability >= LEAST_SURE
    )
    assert not worth_learning(replace(reading, posterior=mirrored), samples)
    guessed = decode(0.01 * loglik, scheme=SCHEME, mirror=False)
    assert guessed.probability < 0.5 and not worth_learning(replace(reading, posterior=guessed), samples)


def test_the_own_profile_is_chosen_and_drift_is_noticed(usual: tuple) -> None:
    """Pictures of a cube are read with its profile; a session with another cube speaks against it."""
    own = usual[0].profile
    pastel = collect(shots_of("pastel", ALL_ROUND[:2])[0], "pastel", scheme=SCHEME).profile
    rng = np.random.default_rng(4)
    chosen: dict[str, list[str]] = {}
    for name, profile in (("usual", own), ("pastel", pastel)):
        warned = {"own": 0, "other": 0}
        watches = {key: DriftWatch() for key in warned}
        for light in [*LIGHTS, *LIGHTS]:
            samples = make_samples(albedo(name), light, rng, layer=random_layer(rng, 4))[0]
            best = best_profile(samples, [own, pastel], read_stickers(samples, default_profile()))
            chosen.setdefault(name, []).append(best.name if best else "general")
            other = pastel if profile is own else own
            for key, used in (("own", profile), ("other", other)):
                watches[key].add(samples, used)
                warned[key] += watches[key].warning() is not None
        assert warned == {"own": 0, "other": 1}, (name, warned)  # told once a session
        assert watches["other"].has_drifted and not watches["own"].has_drifted
    assert chosen["usual"].count("mine") >= 11 and chosen["pastel"].count("pastel") >= 11, chosen
    small = replace(own, sizes=(3,))
    assert best_profile(samples, [small], read_stickers(samples, default_profile())) is None


def test_discriminants_of_scikit_learn_predict_alike_as_plain_numbers() -> None:
    """Outside truth: scikit-learn's own predict_proba, to 1e-9."""
    from sklearn.discriminant_analysis import LinearDiscriminantAnalysis, QuadraticDiscriminantAnalysis

    rng = np.random.default_rng(0)
    labels = np.repeat(np.arange(6), 40)
    features = rng.normal(size=(6, 3))[labels] * 2 + rng.normal(size=(240, 3)) @ rng.normal(size=(3, 3))
    probe = rng.normal(size=(500, 3)) * 3
    for fitted in (
        QuadraticDiscriminantAnalysis().fit(features, labels),
        QuadraticDiscriminantAnalysis(reg_param=0.1, priors=[0.3, 0.1, 0.1, 0.1, 0.2, 0.2]).fit(
            features, labels
        ),
        LinearDiscriminantAnalysis(store_covariance=True).fit(features, labels),
        LinearDiscriminantAnalysis(solver="lsqr", shrinkage="auto").fit(features, labels),
    ):
        assert gaussian_classes(fitted).predict_proba(probe) == pytest.approx(
            fitted.predict_proba(probe), abs=1e-9
        )
    with pytest.raises(ValueError, match="discriminant"):
        gaussian_classes(object())


def test_no_sticker_speaks_for_its_own_label() -> None:
    """Stickers of one colour, labelled as one that is not in view, are read as what the others make them."""
    base = default_profile().model
    samples, labels = make_samples(albedo("usual"), "evening", np.random.default_rng(5), glare=0.0)
    picture = labelled_picture(samples, np.where(samples.coverage > 0, labels, -1), base)
    shown = [int(k) for k in np.unique(picture.labels)]
    unseen = next(k for k in range(6) if k not in shown)
    for group in shown:
        rows = picture.labels == group
        told = predict(base, replace(picture, labels=np.where(rows, unseen, picture.labels)))
        assert (told[rows] == group).mean() > 0.9


def test_light_fitted_per_picture_beats_plain_classifiers_on_lights_left_out() -> None:
    rng = np.random.default_rng(3)
    base = default_profile().model
    pictures, lights = [], []
    for i in range(9):
        light = ("lamp", "noon", "sky")[i % 3]
        samples, labels = make_samples(
            albedo("pastel"), light, rng, layer=random_layer(rng, 4), turn=int(rng.integers(24))
        )
        pictures.append(labelled_picture(samples, np.where(samples.coverage > 0, labels, -1), base))
        lights.append(light)
    scores = compare(pictures, lights, base)
    assert scores[0].name == OURS and scores[0].mean > 0.98
    told = {score.name: score for score in scores}
    # outside truth: scikit-learn's own cross-validation that leaves groups out
    table = table_of(pictures, base.floor)
    spaces = feature_spaces(table, base.floor)
    for name in ("quadratic discriminant", "logistic"):
        for space in ("Lab", "log light"):
            shares = cross_val_score(
                candidates()[name](),
                spaces[space],
                table.colour,
                groups=np.array(lights)[table.picture],
                cv=LeaveOneGroupOut(),
            )
            one = told[f"{name}, {space}"]
            assert (one.mean, one.worst, one.lights) == (pytest.approx(shares.mean()), min(shares), 3)
    with pytest.raises(ValueError, match="two lights"):
        compare(pictures[:1], ["one"], base)


def test_where_a_colour_goes_with_every_picture_the_own_way_is_scored_alone(usual: tuple) -> None:
    """Two pictures of opposite corners share no colour, so that nothing plain can be fitted to one."""
    base = default_profile().model
    scores = compare_kept(usual[0].profile, base)
    assert [score.name for score in scores] == [OURS] and scores[0].lights == 2
    first = [one for one in usual[0].profile.samples if one.picture.startswith("usual 0")]
    for samples in ((), tuple(first)):
        with pytest.raises(LastlookError, match="two pictures"):
            compare_kept(replace(usual[0].profile, samples=samples), base)


@pytest.mark.slow
def test_many_pictures_are_left_out_by_turns(usual: tuple) -> None:
    base, kept = default_profile().model, usual[0].profile.samples
    many = [replace(one, picture=f"{i} {one.picture}") for i in range(MOST_TURNS) for one in kept[::6]]
    scores = compare_kept(replace(usual[0].profile, samples=tuple(many)), base)
    assert {score.lights for score in scores} == {MOST_TURNS} and len(scores) == 1 + len(candidates()) * 3


# As carried by colour-science (test-only): reflectances of the ColorChecker ("ISO 17321-1"), illuminants A,
# D50, D65, FL2 and FL11, and the measured sensitivities of a camera ("Nikon 5100 (NPL)").
CHECKED_LIGHTS = ("A", "D50", "D65", "FL2", "FL11")
CUBE_PATCHES = (18, 15, 14, 6, 12, 13)
"""White, yellow, red, orange, blue, green."""


@pytest.fixture(scope="module")
def charts() -> dict[str, np.ndarray]:
    """What the camera's sensor sees of the 24 patches under each illuminant, white patch at 0.9, (24, 3)."""
    colour = pytest.importorskip("colour")
    shape = colour.SpectralShape(400, 700, 5)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # remarks about aligning tables
        sensor = colour.MSDS_CAMERA_SENSITIVITIES["Nikon 5100 (NPL)"].copy().align(shape).values
        patches = colour.SDS_COLOURCHECKERS["ISO 17321-1"].values()
        reflectance = np.array([patch.copy().align(shape).values for patch in patches])
        lights = {n: colour.SDS_ILLUMINANTS[n].copy().align(shape).values for n in CHECKED_LIGHTS}
    seen = {name: (reflectance * light) @ sensor for name, light in lights.items()}
    return {name: rgb / rgb[18] * 0.9 for name, rgb in seen.items()}


def told_apart(known: np.ndarray, seen: np.ndarray, floor: float = 0.02) -> np.ndarray:
    """Patch number of each patch seen: classes from ``known``, the picture's light fitted with the labels.

    As reading does: classify, fit the light (here a 3 x 3 matrix, held near none) to the soft labels, again.
    """
    features = log_light(known, floor)
    scatter = np.repeat((0.12**2 * np.eye(3))[None], 24, axis=0)
    classes = GaussianClasses(features, scatter, np.full(24, 1 / 24))
    light, hold = np.eye(3), 0.03
    for _ in range(5):
        soft = classes.predict_proba(log_light(seen @ light, floor))
        weighted = seen * soft.max(axis=1, keepdims=True)
        light = np.linalg.solve(
            weighted.T @ seen + hold * np.eye(3), weighted.T @ (soft @ known) + hold * np.eye(3)
        )
    return classes.predict_proba(log_light(seen @ light, floor)).argmax(axis=-1)


@pytest.mark.parametrize("taught", CHECKED_LIGHTS)
def test_the_colorchecker_is_told_apart_under_lights_never_seen(
    charts: dict[str, np.ndarray], taught: str
) -> None:
    """All 24 patches, calibrated under one illuminant, under each of the five; also off the white point."""
    for chart in charts.values():
        for gains in (np.ones(3), np.array([1.1, 1.0, 0.9])):
            assert told_apart(charts[taught], chart * gains).tolist() == list(range(24))


@pytest.mark.parametrize("taught", CHECKED_LIGHTS)
def test_stickers_of_the_colorchecker_are_read_under_lights_never_seen(
    charts: dict[str, np.ndarray], taught: str
) -> None:
    """A cube in six of its patches, learned under one illuminant, under each of the five; also off the white
    point."""
    rng = np.random.default_rng(11)
    stickers = {name: chart[list(CUBE_PATCHES)] for name, chart in charts.items()}
    views = [make_samples(stickers[taught], "noon", rng, turn=turn_with(*faces))[0] for _, faces in ALL_ROUND]
    made = collect([Shot(f"view {i}", view) for i, view in enumerate(views)], "chart", scheme=SCHEME)
    for seen in stickers.values():
        for white in ("noon", "evening"):
            samples, labels = make_samples(seen, white, rng, layer=random_layer(rng, 4))
            read = read_stickers(samples, made.profile).posterior.marginals.argmax(axis=-1)
            assert (read[:3] == labels[:3]).all()


def test_the_classes_of_a_profile_are_those_of_its_model(usual: tuple) -> None:
    classes = classes_of(usual[0].profile)
    assert [one.name for one in classes] == list(usual[0].profile.colours)
    assert all((np.linalg.eigvalsh(one.ab_cov) > 0).all() for one in classes)
    # hue of each in the a*b* plane, degrees: the usual names of the usual colours
    hue = {one.name: float(np.degrees(np.arctan2(one.lab[2], one.lab[1]))) % 360 for one in classes}
    assert hue["red"] < hue["orange"] < hue["yellow"] < hue["green"] < hue["blue"]
    assert set((closest_pair(usual[0].profile).first, closest_pair(usual[0].profile).second)) == {
        "red",
        "orange",
    }


def test_own_names_and_the_default_base_are_kept_apart(usual: tuple) -> None:
    names = ("chalk", "lemon", "brick", "peach", "sea", "mint")
    made = collect(usual[1], "named", colours=names, scheme=SCHEME)
    assert made.profile.colours == names and made.profile.sizes == (4,)
    assert default_profile().colours[0] == "white" and not default_profile().samples
    reading = label_shot(usual[1][0], made.profile).reading
    assert isinstance(made.profile, Profile) and reading.posterior.probability > 0.9
