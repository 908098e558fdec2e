"""Which plain classifier parts sticker colours best under a light it never saw: the project's own comparison.

Candidates of scikit-learn, in Lab, in logarithmic light, and in logarithmic light with the picture's common
shift taken out, are scored by leave-one-light-out cross-validation beside the project's own model, which
fits the light of each picture. scikit-learn is imported here only, when candidates are asked for; what it
fits is handed on as numbers (:class:`calibration.classifier.GaussianClasses`).
"""

from __future__ import annotations

import warnings
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from calibration.adapt import adapt
from calibration.classifier import GaussianClasses, sticker_loglik
from calibration.colour import linear_to_lab
from calibration.kept import pictures_of
from calibration.learning import LabelledPicture, solve_pictures
from calibration.light import Prepared, prepare_model
from calibration.profile import ColourModel, Profile
from models.errors import LastlookError

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]
OURS: Final = "light fitted per picture"
"""Name of the project's own model among the candidates."""
LEAST_TAUGHT: Final = 5
"""Stickers of each colour that a candidate is fitted to at least."""
MOST_TURNS: Final = 12
"""How often pictures of a profile are left out to compare on them."""


@dataclass(frozen=True, slots=True)
class Score:
    """Share of stickers read right, 0..1: the mean over so many lights left out, and the worst of them."""

    name: str
    mean: float
    worst: float
    lights: int


@dataclass(frozen=True, eq=False)
class Table:
    """Stickers of several pictures: linear light (N, 3), colour (N,), picture (N,) as a number."""

    linear_rgb: Floats
    colour: Ints
    picture: Ints


def table_of(pictures: Sequence[LabelledPicture], floor: float) -> Table:
    """All stickers of labelled pictures in one table."""
    return Table(
        np.concatenate([np.exp(one.features) - floor for one in pictures]),
        np.concatenate([one.labels for one in pictures]),
        np.concatenate([np.full(len(one.labels), i) for i, one in enumerate(pictures)]),
    )


def feature_spaces(table: Table, floor: float) -> dict[str, Floats]:
    """The feature spaces of the candidates, each (N, d)."""
    log = np.log(np.maximum(table.linear_rgb, 0.0) + floor)
    evened = log.copy()
    for picture in np.unique(table.picture):
        rows = table.picture == picture
        evened[rows] -= np.median(log[rows], axis=0)
    return {"Lab": linear_to_lab(table.linear_rgb), "log light": log, "log light, evened": evened}


def candidates() -> dict[str, Callable[[], Any]]:
    """Makers of untrained scikit-learn classifiers by name."""
    from sklearn.discriminant_analysis import LinearDiscriminantAnalysis, QuadraticDiscriminantAnalysis
    from sklearn.linear_model import LogisticRegression
    from sklearn.naive_bayes import GaussianNB
    from sklearn.neighbors import KNeighborsClassifier
    from sklearn.pipeline import make_pipeline
    from sklearn.preprocessing import StandardScaler

    return {
        "quadratic discriminant": lambda: QuadraticDiscriminantAnalysis(reg_param=0.02),
        "linear discriminant": LinearDiscriminantAnalysis,
        "naive Gaussian": GaussianNB,
        "5 nearest": lambda: make_pipeline(StandardScaler(), KNeighborsClassifier(5)),
        "logistic": lambda: make_pipeline(StandardScaler(), LogisticRegression(max_iter=2000)),
    }


def compare(pictures: Sequence[LabelledPicture], lights: Sequence[str], base: ColourModel) -> list[Score]:
    """Scores of all candidates and of the project's model, best mean first, on the same lights left out.

    ``lights`` names the light of each picture; all pictures of one light are left out together. A light
    without which LEAST_TAUGHT stickers of some colour do not remain is passed over, as no candidate could be
    fitted; where that is every light, the project's model alone is scored, on all. Raises ValueError for
    fewer than two lights.
    """
    names = np.array(lights)
    if len(names) != len(pictures) or len(set(lights)) < 2:
        raise ValueError("comparing needs a light for each picture, and two lights at least")
    table = table_of(pictures, base.floor)
    light_of_row = names[table.picture]
    told = [light for light in sorted(set(lights)) if _is_taught(table.colour, light_of_row != light)]
    scores = []
    if told:
        for space, features in feature_spaces(table, base.floor).items():
            for name, make in candidates().items():
                try:
                    shares = [_right(make(), features, table.colour, light_of_row == light) for light in told]
                except (ValueError, IndexError, np.linalg.LinAlgError):
                    continue  # stickers that all look the same: there is nothing to fit
                scores.append(_score(f"{name}, {space}", shares))
    shares = []
    for light in told or sorted(set(lights)):
        model = adapt(base, [one for one, name in zip(pictures, lights, strict=True) if name != light])
        found = [
            predict(model, one) == one.labels
            for one, name in zip(pictures, lights, strict=True)
            if name == light
        ]
        shares.append(float(np.concatenate(found).mean()))
    scores.append(_score(OURS, shares))
    return sorted(scores, key=lambda score: (-score.mean, -score.worst, score.name))


def compare_kept(profile: Profile, base: ColourModel) -> list[Score]:
    """Scores on the pictures whose stickers ``profile`` keeps, made from the general model ``base``.

    Each counts as a light of its own; of more than MOST_TURNS every so many are left out together. Raises
    LastlookError where there are fewer than two.
    """
    pictures = list(pictures_of(profile.samples, base.floor).values())
    if len(pictures) < 2:
        raise LastlookError(
            f"nothing to compare: {profile.name!r} does not keep the stickers of two pictures;"
            " calibrate with two at least, under different lights at best"
        )
    return compare(pictures, [str(i % MOST_TURNS) for i in range(len(pictures))], base)


def _right(candidate: Any, features: Floats, colour: Ints, test: NDArray[np.bool_]) -> float:
    """Share of the stickers ``test`` that a candidate fitted to all others reads right."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # remarks for those who would tune a candidate
        candidate.fit(features[~test], colour[~test])
        return float((candidate.predict(features[test]) == colour[test]).mean())


def _is_taught(colour: Ints, rest: NDArray[np.bool_]) -> bool:
    """Whether the stickers ``rest`` show enough of every colour that there is."""
    return all((colour[rest] == k).sum() >= LEAST_TAUGHT for k in np.unique(colour))


def _score(name: str, shares: Sequence[float]) -> Score:
    return Score(name, float(np.mean(shares)), min(shares), len(shares))


def predict(model: ColourModel, picture: LabelledPicture) -> Ints:
    """Colours of a picture's stickers, each by itself, under the light that the other stickers tell.

    The light is fitted with the labels of all other groups (face and colour) of stickers, so that no sticker
    speaks for its own label.
    """
    out = np.empty(len(picture.labels), np.intp)
    groups = picture.face_of * 6 + picture.labels
    outliers = np.full(len(picture.labels), model.outlier_share)
    faces = int(picture.face_of.max()) + 1
    shares = np.broadcast_to(model.glare_share, (1, faces, len(model.glare_share)))
    prepared = prepare_model(model)
    for group in np.unique(groups):
        rows = groups == group
        light = light_told(model, prepared, picture, ~rows)
        scores = sticker_loglik(
            model,
            picture.features,
            picture.face_of,
            light[0],
            light[1],
            picture.measure_var,
            outliers,
            shares,
        )
        out[rows] = scores.loglik[0, rows].argmax(axis=-1)
    return out


def light_told(
    model: ColourModel, prepared: Prepared, picture: LabelledPicture, use: NDArray[np.bool_]
) -> tuple[Floats, Floats]:
    """Where each colour lies on each face, (1, F, 6, 3), and its covariance, as the stickers ``use`` tell."""
    part = LabelledPicture(
        picture.features,
        picture.face_of,
        picture.labels,
        picture.measure_var,
        np.where(use, picture.weight, 0.0),
    )
    light = solve_pictures(model, prepared, [part], steps=1)[0].light
    return light.cell_mean, light.cell_cov


def gaussian_classes(fitted: Any) -> GaussianClasses:
    """A fitted scikit-learn LinearDiscriminantAnalysis (with ``store_covariance`` or the "lsqr" solver) or
    QuadraticDiscriminantAnalysis as plain numbers that predict alike.

    Raises ValueError for estimators of other kinds or without their covariances.
    """
    if hasattr(fitted, "rotations_"):
        cov = np.stack(
            [(turn * scale) @ turn.T for turn, scale in zip(fitted.rotations_, fitted.scalings_, strict=True)]
        )
    elif hasattr(fitted, "covariance_"):
        cov = np.repeat(np.asarray(fitted.covariance_)[None], len(fitted.means_), axis=0)
    else:
        raise ValueError("only discriminant analyses that keep their covariances can be handed on as numbers")
    return GaussianClasses(np.asarray(fitted.means_), cov, np.asarray(fitted.priors_))
