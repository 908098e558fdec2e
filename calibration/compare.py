"""Which plain classifier parts sticker colours best under a light it never saw: the project's own comparison.

Candidates of scikit-learn, in Lab, in logarithmic light, and in logarithmic light with the picture's common
shift taken out, are scored by leave-one-light-out cross-validation beside the project's own model, which
fits the light of each picture. scikit-learn is imported here only; what it fits is handed on as numbers
(:class:`calibration.classifier.GaussianClasses`).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from calibration.adapt import adapt
from calibration.classifier import GaussianClasses, sticker_loglik
from calibration.colour import linear_to_lab
from calibration.learning import LabelledPicture, solve_picture
from calibration.light import Prepared, prepare_model
from calibration.profile import ColourModel

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]
OURS: Final = "light fitted per picture"


@dataclass(frozen=True, slots=True)
class Score:
    """Share of stickers read right under lights left out: the mean over lights, and the worst light."""

    name: str
    mean: float
    worst: float


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
    """Scores of all candidates and of the project's model, best mean first.

    ``lights`` names the light of each picture; all pictures of one light are left out together. Raises
    ValueError for fewer than two lights.
    """
    names = np.array(lights)
    if len(names) != len(pictures) or len(set(lights)) < 2:
        raise ValueError("comparing needs a light for each picture, and two lights at least")
    table = table_of(pictures, base.floor)
    light_of_row = names[table.picture]
    scores = []
    for space, features in feature_spaces(table, base.floor).items():
        for name, make in candidates().items():
            shares = []
            for light in sorted(set(lights)):
                test = light_of_row == light
                if len(np.unique(table.colour[~test])) < len(np.unique(table.colour)):
                    continue
                fitted = make().fit(features[~test], table.colour[~test])
                shares.append(float((fitted.predict(features[test]) == table.colour[test]).mean()))
            if shares:
                scores.append(Score(f"{name}, {space}", float(np.mean(shares)), min(shares)))
    shares = []
    for light in sorted(set(lights)):
        known = [one for one, name in zip(pictures, lights, strict=True) if name != light]
        model = adapt(base, known)
        found = [
            predict(model, one) == one.labels for one, n in zip(pictures, lights, strict=True) if n == light
        ]
        shares.append(float(np.concatenate(found).mean()))
    scores.append(Score(OURS, float(np.mean(shares)), min(shares)))
    return sorted(scores, key=lambda score: (-score.mean, -score.worst, score.name))


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
    light, _, _ = solve_picture(model, prepared, part, steps=1)
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


def held_out_scores(scores: Sequence[Score]) -> Mapping[str, float]:
    """The scores that a profile keeps: its own, and the best plain classifier's."""
    ours = next(score for score in scores if score.name == OURS)
    plain = [score for score in scores if score.name != OURS]
    kept = {"stickers right, lights left out": ours.mean, "worst light": ours.worst}
    if plain:
        kept[f"best plain classifier ({plain[0].name})"] = plain[0].mean
    return kept
