"""Learning from labelled pictures, against pictures drawn from a model that is known."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pytest

from calibration.learning import AT_ONCE, LEAST_SCATTER, LabelledPicture, fit_model, solve_pictures
from calibration.light import prepare_model
from calibration.profile import ColourModel, default_profile

BASE = default_profile().model
# half the usual light and hardly a floor: no colour comes near the sensor's ends; and cubes more alike
TRUE = replace(BASE, floor=1e-4, mean=BASE.mean - 0.7, picture_cov=0.3 * BASE.picture_cov)
EACH, FACES = 4, 3
FAR = replace(
    TRUE,
    mean=TRUE.mean + 0.1,
    picture_cov=2.0 * TRUE.picture_cov,
    face_cov=2.0 * TRUE.face_cov,
    cell_cov=2.0 * TRUE.cell_cov,
    sticker_cov=2.0 * TRUE.sticker_cov,
)


@dataclass
class Drawn:
    """Pictures, and how what was drawn for them scattered."""

    pictures: list[LabelledPicture]
    mean: np.ndarray
    picture_cov: np.ndarray
    face_cov: np.ndarray
    cell_cov: np.ndarray
    sticker_cov: np.ndarray


def drawn(model: ColourModel, seed: int, count: int) -> Drawn:
    """Every colour EACH times on each of FACES faces, without glare and all but without noise."""
    rng = np.random.default_rng(seed)
    zero = np.zeros(3)
    labels = np.tile(np.repeat(np.arange(6), EACH), FACES)
    means = rng.multivariate_normal(model.mean.ravel(), model.picture_cov, count).reshape(count, 1, 6, 1, 3)
    faces = rng.multivariate_normal(zero, model.face_cov, (count, FACES, 1, 1))
    by_colour = [(count, FACES), (count, FACES, EACH)]
    cells, stickers = (
        np.stack([rng.multivariate_normal(zero, cov[k], size) for k in range(6)], axis=2)
        for cov, size in zip((model.cell_cov, model.sticker_cov), by_colour, strict=True)
    )
    features = (means + faces + cells[:, :, :, None] + stickers).reshape(count, -1, 3)
    face_of, noise = np.repeat(np.arange(FACES), 6 * EACH), np.full((len(labels), 3), 1e-6)
    return Drawn(
        [LabelledPicture(one, face_of, labels, noise, np.ones(len(labels))) for one in features],
        means.mean(axis=0).reshape(6, 3),
        np.cov(means.reshape(count, 18).T),
        np.cov(faces.reshape(-1, 3).T),
        np.array([np.cov(cells[:, :, k].reshape(-1, 3).T) for k in range(6)]),
        np.array([np.cov(stickers[:, :, k].reshape(-1, 3).T) for k in range(6)]),
    )


def traces(cov: np.ndarray) -> np.ndarray:
    return np.trace(cov, axis1=-2, axis2=-1)


@pytest.fixture(scope="module")
def many() -> Drawn:
    return drawn(TRUE, 0, 40)


def test_what_scattered_the_pictures_is_found_from_twice_as_much(many: Drawn) -> None:
    found = fit_model(FAR, many.pictures, steps=5, prior_pictures=0.01)
    assert traces(found.face_cov) == pytest.approx(traces(many.face_cov), rel=0.1)
    assert traces(found.cell_cov).sum() == pytest.approx(traces(many.cell_cov).sum(), rel=0.1)
    stickers = traces(many.sticker_cov) + 3 * LEAST_SCATTER**2
    assert traces(found.sticker_cov).sum() == pytest.approx(stickers.sum(), rel=0.1)
    # what all colours of a picture have in common may as well be its faces': so how they lie to each other
    to_each_other = np.kron(np.eye(6) - 1 / 6, np.eye(3))
    apart, drawn_apart = (
        traces(to_each_other @ cov @ to_each_other) for cov in (found.picture_cov, many.picture_cov)
    )
    assert apart == pytest.approx(drawn_apart, rel=0.25)  # the faces shift each colour by itself as well
    assert found.mean - found.mean.mean(axis=0) == pytest.approx(many.mean - many.mean.mean(axis=0), abs=0.1)
    assert found.glare_share.sum() == pytest.approx(1.0)
    assert found.glare_share[0] > FAR.glare_share[0], "no sticker glares"


def test_a_start_that_weighs_more_than_the_pictures_stays(many: Drawn) -> None:
    few = many.pictures[:3]
    found = fit_model(FAR, few, steps=1, prior_pictures=1e7)
    for name in ("picture_cov", "face_cov", "cell_cov"):
        assert getattr(found, name) == pytest.approx(getattr(FAR, name), rel=1e-4, abs=1e-6)


def test_stickers_that_are_hardly_trusted_teach_nothing_about_stickers(many: Drawn) -> None:
    """Their picture's light is learned from them all the same."""
    wild = drawn(replace(TRUE, sticker_cov=25.0 * TRUE.sticker_cov), 1, 12).pictures
    doubted = [replace(one, weight=np.full(len(one.labels), 0.4)) for one in wild]
    alone, beside, in_full = (
        traces(fit_model(TRUE, [*many.pictures[:12], *more], steps=2).sticker_cov).sum()
        for more in ([], doubted, wild)
    )
    assert beside == pytest.approx(alone, rel=0.1) and in_full > 1.3 * alone


def test_a_picture_solved_beside_others_is_solved_as_alone(many: Drawn) -> None:
    """Whatever number of faces and stickers the others have."""

    def part(one: LabelledPicture, faces: int, every: int) -> LabelledPicture:
        rows = np.flatnonzero(one.face_of < faces)[::every]
        return LabelledPicture(
            one.features[rows], one.face_of[rows], one.labels[rows], one.measure_var[rows], one.weight[rows]
        )

    pictures = [part(one, 1 + i % FACES, 1 + i % 5) for i, one in enumerate(many.pictures[: AT_ONCE + 3])]
    prepared = prepare_model(FAR)
    for picture, beside in zip(pictures, solve_pictures(FAR, prepared, pictures), strict=True):
        (alone,) = solve_pictures(FAR, prepared, [picture])
        seen = int(picture.face_of.max()) + 1
        size = 18 + 3 * seen
        assert beside.share == pytest.approx(alone.share, abs=1e-5)
        assert beside.light.mean[:, :size] == pytest.approx(alone.light.mean, abs=1e-6)
        assert beside.light.cov[:, :size, :size] == pytest.approx(alone.light.cov, abs=1e-6)
        assert beside.light.cell_mean[:, :seen] == pytest.approx(alone.light.cell_mean, abs=1e-6)
        assert beside.centre[:seen] == pytest.approx(alone.centre, abs=1e-6)
