"""Learn a colour model from pictures whose stickers are labelled: expectation-maximisation, numpy alone.

Each picture's class means, its face shifts and how cleanly each sticker was seen are latent; the prior's mean
and covariances are re-estimated from their posteriors (the hierarchical Gaussian of
:mod:`calibration.profile`; the update is the usual one of linear mixed models).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calibration.classifier import inverse, sticker_loglik
from calibration.light import Prepared, prepare
from calibration.profile import ColourModel, Profile

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]


@dataclass(frozen=True, eq=False)
class LabelledPicture:
    """Stickers of one picture with their true colours.

    features (N, 3) log light with the model's floor; face_of (N,) index of the face, 0..F-1; labels (N,)
    colour index; measure_var (N, 3) noise variance of the features; weight (N,) 0..1, how much to trust it.
    """

    features: Floats
    face_of: Ints
    labels: Ints
    measure_var: Floats
    weight: Floats


def solve_picture(prepared: Prepared, picture: LabelledPicture, clean: Floats) -> tuple[Floats, Floats]:
    """Posterior mean (D,) and covariance (D, D) of a picture's light given labels and clean shares (N,)."""
    faces = int(picture.face_of.max()) + 1
    mean0, precision, _ = prepared.prior(faces)
    right = precision @ mean0
    precision = precision.copy()
    for face in range(faces):
        for k in range(6):
            rows = (picture.face_of == face) & (picture.labels == k)
            total = float(clean[rows].sum())
            if total < 1e-9:
                continue
            sharp = prepared.sticker_precision[k]
            pull = sharp @ (clean[rows] @ picture.features[rows])
            own, shift = slice(3 * k, 3 * k + 3), slice(18 + 3 * face, 21 + 3 * face)
            for a in (own, shift):
                right[a] += pull
                for b in (own, shift):
                    precision[a, b] += total * sharp
    cov = inverse(precision)
    return cov @ right, cov


def fit_model(
    start: ColourModel,
    pictures: Sequence[LabelledPicture],
    *,
    steps: int = 20,
    prior_pictures: float = 6.0,
    sticker_floor: float = 0.02,
) -> ColourModel:
    """Re-estimate mean and covariances by EM from ``start``.

    prior_pictures  weight of ``start``'s covariances, in pictures (keeps small sets from overfitting)
    sticker_floor   smallest standard deviation of a sticker's features, log units
    """
    model = start
    anchor = start
    for _ in range(steps):
        prepared = prepare(Profile("learning", model))
        means, picture_moment = [], np.zeros((18, 18))
        face_moment, face_count = np.zeros((3, 3)), 0
        sticker_moment, sticker_count = np.zeros((6, 3, 3)), np.zeros(6)
        solved = []
        for picture in pictures:
            clean = picture.weight.copy()
            for _ in range(2):
                mean, cov = solve_picture(prepared, picture, clean)
                clean = picture.weight * _clean_share(model, picture, mean, cov)
            solved.append((picture, clean, mean, cov))
            means.append(mean[:18])
        centre = np.mean(means, axis=0)
        for picture, clean, mean, cov in solved:
            off = mean[:18] - centre
            picture_moment += np.outer(off, off) + cov[:18, :18]
            faces = int(picture.face_of.max()) + 1
            for face in range(faces):
                span = slice(18 + 3 * face, 21 + 3 * face)
                face_moment += np.outer(mean[span], mean[span]) + cov[span, span]
                face_count += 1
                for k in range(6):
                    rows = (picture.face_of == face) & (picture.labels == k)
                    if not rows.any():
                        continue
                    own = slice(3 * k, 3 * k + 3)
                    rest = picture.features[rows] - mean[own] - mean[span]
                    cell = cov[own, own] + cov[own, span] + cov[span, own] + cov[span, span]
                    sticker_moment[k] += (clean[rows, None] * rest).T @ rest + clean[rows].sum() * cell
                    sticker_count[k] += clean[rows].sum()
        count = len(pictures)
        pooled = sticker_moment.sum(axis=0) / sticker_count.sum()
        model = replace(
            model,
            mean=centre.reshape(6, 3),
            picture_cov=(picture_moment + prior_pictures * anchor.picture_cov) / (count + prior_pictures),
            face_cov=(face_moment + prior_pictures * anchor.face_cov) / (face_count + prior_pictures),
            sticker_cov=(sticker_moment + 30.0 * pooled) / (sticker_count + 30.0)[:, None, None]
            + sticker_floor**2 * np.eye(3),
        )
    return model


def _clean_share(model: ColourModel, picture: LabelledPicture, mean: Floats, cov: Floats) -> Floats:
    """Probability (N,) of each sticker to be free of glare and cover, its label being known."""
    faces = int(picture.face_of.max()) + 1
    cells = mean[:18].reshape(1, 1, 6, 3) + mean[18:].reshape(1, faces, 1, 3)
    _, clean = sticker_loglik(
        model,
        picture.features,
        picture.face_of,
        cells,
        np.zeros((1, faces, 6, 3, 3)),
        picture.measure_var,
        np.full(len(picture.features), model.outlier_share),
    )
    share: Floats = clean[0, np.arange(len(picture.labels)), picture.labels]
    return share
