"""From features to log-likelihoods: Gaussian classes, and the robust mixture that stickers need.

:class:`GaussianClasses` is the plain classifier (quadratic discriminant as numbers); predicting needs numpy
alone. :func:`sticker_loglik` is what reading uses: each colour is a mixture of the clean sticker, the
sticker under growing glare, and an outlier that has the same density for every colour, so that no sticker
can ever count infinitely against a colour.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from calibration.profile import ColourModel

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]
_LOG_2PI = float(np.log(2.0 * np.pi))


def inverse(matrix: Floats) -> Floats:
    """Inverse of matrices (..., d, d), float64."""
    return np.asarray(np.linalg.inv(matrix), dtype=np.float64)


def inverse_and_log_det(cov: Floats) -> tuple[Floats, Floats]:
    """Inverse and log determinant of positive definite matrices (..., d, d); d = 3 in closed form."""
    if cov.shape[-1] != 3:
        return inverse(cov), np.asarray(np.linalg.slogdet(cov)[1], dtype=np.float64)
    a, b, c = cov[..., 0, 0], cov[..., 0, 1], cov[..., 0, 2]
    d, e, f = cov[..., 1, 1], cov[..., 1, 2], cov[..., 2, 2]
    out = np.empty_like(cov)
    out[..., 0, 0] = d * f - e * e
    out[..., 0, 1] = out[..., 1, 0] = c * e - b * f
    out[..., 0, 2] = out[..., 2, 0] = b * e - c * d
    out[..., 1, 1] = a * f - c * c
    out[..., 1, 2] = out[..., 2, 1] = b * c - a * e
    out[..., 2, 2] = a * d - b * b
    det = a * out[..., 0, 0] + b * out[..., 0, 1] + c * out[..., 0, 2]
    out /= det[..., None, None]
    return out, np.asarray(np.log(det), dtype=np.float64)


@dataclass(frozen=True)
class GaussianClasses:
    """Gaussian classes with full covariances: mean (K, d), cov (K, d, d), prior (K,) adding up to 1."""

    mean: Floats
    cov: Floats
    prior: Floats

    def log_joint(self, features: ArrayLike) -> Floats:
        """log p(features, class): (..., d) -> (..., K)."""
        off = np.asarray(features, dtype=np.float64)[..., None, :] - self.mean
        precision = np.linalg.inv(self.cov)
        log_det = np.linalg.slogdet(self.cov)[1]
        distance = np.einsum("...ki,kij,...kj->...k", off, precision, off)
        dims = self.mean.shape[1]
        joint: Floats = np.log(self.prior) - 0.5 * (distance + log_det + dims * _LOG_2PI)
        return joint

    def predict_proba(self, features: ArrayLike) -> Floats:
        """Class probabilities (..., K), adding up to 1."""
        joint = self.log_joint(features)
        weights = np.exp(joint - joint.max(axis=-1, keepdims=True))
        probabilities: Floats = weights / weights.sum(axis=-1, keepdims=True)
        return probabilities


def sticker_loglik(
    model: ColourModel,
    features: Floats,
    face_of: Ints,
    cell_mean: Floats,
    cell_cov: Floats,
    measure_var: Floats,
    outlier_share: Floats,
) -> tuple[Floats, Floats]:
    """Log-likelihood of each colour for each sticker, and the probability that it was seen cleanly.

    features (N, 3) log light; face_of (N,) index of its face among the F visible ones
    cell_mean (S, F, 6, 3), cell_cov (S, F, 6, 3, 3): where each colour lies on each face, for S modes
    measure_var (N, 3): variance of the features from noise in the pixels
    outlier_share (N,): prior that the pixels are not the sticker's, 0..1
    Returns loglik (S, N, 6), bounded below by the outliers' density, and clean (S, N, 6) in 0..1.
    """
    modes, faces = cell_mean.shape[:2]
    count = len(features)
    levels = model.glare_level
    # glare adds the light's colour (white of this face) in linear light
    linear = np.exp(cell_mean)
    centre = np.log(linear[..., None, :] + levels[:, None] * linear[:, :, :1, None, :])  # (S, F, 6, G, 3)
    cov = (cell_cov + model.sticker_cov)[:, :, :, None] + model.variant_cov  # (S, F, 6, G, 3, 3)
    out = np.empty((modes, count, 6, len(levels)))
    for face in range(faces):
        rows = np.flatnonzero(face_of == face)
        if not len(rows):
            continue
        precision, log_det = inverse_and_log_det(cov[:, face] + np.diag(measure_var[rows].mean(axis=0)))
        off = features[rows][None, :, None, None, :] - centre[:, face, None]  # (S, R, 6, G, 3)
        distance = (np.einsum("srkgi,skgij->srkgj", off, precision) * off).sum(axis=-1)
        out[:, rows] = np.log(model.glare_share) - 0.5 * (distance + log_det[:, None] + 3.0 * _LOG_2PI)
    out += np.log1p(-outlier_share)[:, None, None]
    outlier = np.log(outlier_share / model.outlier_volume)[:, None]
    top = np.maximum(out.max(axis=-1), outlier)
    clean = np.exp(out[..., 0] - top)
    total = np.exp(out - top[..., None]).sum(axis=-1) + np.exp(outlier - top)
    return top + np.log(total), clean / total
