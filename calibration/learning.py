"""Learn a colour model from pictures whose stickers are labelled: expectation-maximisation, numpy alone.

Each picture's class means, its face shifts and how cleanly each sticker was seen are latent; the prior's mean
and covariances are re-estimated from their posteriors (the hierarchical Gaussian of
:mod:`calibration.profile`; the update is the usual one of linear mixed models).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from calibration.classifier import face_variants, sticker_loglik
from calibration.light import (
    LightFit,
    Prepared,
    group_information,
    information,
    picture_sums,
    posterior,
    prepare_model,
)
from calibration.profile import ColourModel

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]

LEAST_SCATTER: Final = 0.02
"""Smallest standard deviation of a sticker's features, log units."""
AT_ONCE: Final = 12
"""Pictures that are solved at a time: numpy's calls cost less so, and with more the arrays grow too large."""


@dataclass(frozen=True, eq=False)
class LabelledPicture:
    """Stickers of one picture with their true colours.

    features (N, 3) log light with the model's floor; face_of (N,) index of the face, 0..F-1; labels (N,)
    colour index; measure_var (N, 3) noise variance of the features; weight (N,) 0..1, how much to trust it
    (under 0.5: it helps to place the light, and teaches nothing about single stickers).
    """

    features: Floats
    face_of: Ints
    labels: Ints
    measure_var: Floats
    weight: Floats


@dataclass(frozen=True, eq=False)
class Solved:
    """One picture given its labels; F is at least the number of its faces, those beyond them were not seen.

    ``light`` with one mode, share (N, G) of each variant by sticker times the sticker's weight, centre and
    slope (F, 6, G, 3) as in :class:`calibration.classifier.StickerScores`.
    """

    light: LightFit
    share: Floats
    centre: Floats
    slope: Floats


def solve_pictures(
    model: ColourModel, prepared: Prepared, pictures: Sequence[LabelledPicture], steps: int = 3
) -> list[Solved]:
    """Light of each picture given its labels, each for itself; AT_ONCE of them go through numpy at a time."""
    out: list[Solved] = []
    for first in range(0, len(pictures), AT_ONCE):
        out += _solved_at_once(model, prepared, pictures[first : first + AT_ONCE], steps)
    return out


def _solved_at_once(
    model: ColourModel, prepared: Prepared, pictures: Sequence[LabelledPicture], steps: int
) -> list[Solved]:
    """Side by side: as modes where the light is solved, as one picture's faces where stickers are scored."""
    count, faces = len(pictures), max(int(one.face_of.max()) for one in pictures) + 1
    features, labels, measure_var, weight = (
        np.concatenate([getattr(one, name) for one in pictures])
        for name in ("features", "labels", "measure_var", "weight")
    )
    face_of = np.concatenate([faces * i + one.face_of for i, one in enumerate(pictures)])

    def lit(told: Floats, pull: Floats) -> LightFit:
        return posterior(prepared, told.reshape(count, faces, 6, 3, 3), pull.reshape(count, faces, 6, 3))

    known = np.zeros((1, len(labels), 6))
    known[0, np.arange(len(labels)), labels] = weight
    light = lit(*group_information(model, features, face_of, labels, count * faces))
    outliers = np.full(len(labels), model.outlier_share)
    shares = np.broadcast_to(model.glare_share, (1, count * faces, len(model.glare_share)))
    sums = picture_sums(model, features, face_of, measure_var, count * faces)
    for _ in range(steps):
        cell_mean = light.cell_mean.reshape(1, count * faces, 6, 3)
        cell_cov = light.cell_cov.reshape(1, count * faces, 6, 3, 3)
        scores = sticker_loglik(model, features, face_of, cell_mean, cell_cov, measure_var, outliers, shares)
        told, pull, seen = information(sums, known, scores, cell_mean)
        shares = face_variants(model, seen)
        light = lit(told, pull)
    share = scores.share[0, np.arange(len(labels)), labels] * weight[:, None]
    ends = np.cumsum([len(one.labels) for one in pictures])
    shape = (count, faces, *scores.centre.shape[2:])
    return [
        Solved(light.chosen(np.array([i])), own, centre, slope)
        for i, (own, centre, slope) in enumerate(
            zip(
                np.split(share, ends[:-1]),
                scores.centre.reshape(shape),
                scores.slope.reshape(shape),
                strict=True,
            )
        )
    ]


def fit_model(
    start: ColourModel,
    pictures: Sequence[LabelledPicture],
    *,
    steps: int = 20,
    prior_pictures: float = 6.0,
) -> ColourModel:
    """Re-estimate mean and covariances by EM from ``start``, in ``steps`` steps.

    ``prior_pictures`` is the weight of ``start``'s covariances, in pictures: it keeps small sets from
    overfitting.
    """
    model = start
    anchor = start
    for _ in range(steps):
        prepared = prepare_model(model)
        means, picture_moment = [], np.zeros((18, 18))
        face_moment, face_count = np.zeros((3, 3)), 0
        cell_moment, cell_count = np.zeros((6, 3, 3)), np.zeros(6)
        sticker_moment, sticker_count = np.zeros((6, 3, 3)), np.zeros(6)
        variants = 200.0 * anchor.glare_share
        solved = solve_pictures(model, prepared, pictures)
        for picture, one in zip(pictures, solved, strict=True):
            variants += one.share[picture.weight >= 0.5].sum(axis=0)
            means.append(one.light.mean[0, :18])
        centre = np.mean(means, axis=0)
        for picture, one in zip(pictures, solved, strict=True):
            light, clean = one.light, one.share[:, 0]
            mean, cov = light.mean[0], light.cov[0]
            off = mean[:18] - centre
            picture_moment += np.outer(off, off) + cov[:18, :18]
            for face in range(int(picture.face_of.max()) + 1):
                span = slice(18 + 3 * face, 21 + 3 * face)
                face_moment += np.outer(mean[span], mean[span]) + cov[span, span]
                face_count += 1
                for k in range(6):
                    rows = (picture.face_of == face) & (picture.labels == k)
                    total = float(clean[rows].sum())
                    if total < 0.3:
                        continue
                    apart = light.cell_mean[0, face, k] - light.usual[0, face, k]
                    within = light.within[0, face, k]
                    lost = within @ prepared.cell_precision[k] - np.eye(3)
                    cell_moment[k] += np.outer(apart, apart) + within
                    cell_moment[k] += lost @ light.usual_cov[0, face, k] @ lost.T
                    cell_count[k] += 1.0
                    rows &= picture.weight >= 0.5
                    total = float(clean[rows].sum())
                    slope = one.slope[face, k, 0]
                    if slope.min() < 0.5:  # near the sensor's ends stickers look more alike than they are
                        continue
                    rest = (picture.features[rows] - one.centre[face, k, 0]) / slope
                    sticker_moment[k] += (clean[rows, None] * rest).T @ rest
                    sticker_moment[k] += total * light.cell_cov[0, face, k]
                    sticker_count[k] += total
        count = len(pictures)
        usual = 30.0 * anchor.sticker_cov.mean(axis=0)
        pooled = (sticker_moment.sum(axis=0) + usual) / (sticker_count.sum() + 30.0)
        model = replace(
            model,
            mean=centre.reshape(6, 3),
            picture_cov=(picture_moment + prior_pictures * anchor.picture_cov) / (count + prior_pictures),
            face_cov=(face_moment + prior_pictures * anchor.face_cov) / (face_count + prior_pictures),
            cell_cov=(cell_moment + prior_pictures * anchor.cell_cov)
            / (cell_count + prior_pictures)[:, None, None],
            sticker_cov=(sticker_moment + 30.0 * pooled) / (sticker_count + 30.0)[:, None, None]
            + LEAST_SCATTER**2 * np.eye(3),
            glare_share=variants / variants.sum(),
        )
        model = replace(
            model,
            **{
                name: (getattr(model, name) + np.swapaxes(getattr(model, name), -1, -2)) / 2.0
                for name in ("picture_cov", "face_cov", "cell_cov", "sticker_cov")
            },
        )
    return model
