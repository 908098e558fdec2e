"""From features to log-likelihoods: Gaussian classes, and the robust mixture that stickers need.

:class:`GaussianClasses` is the plain classifier (quadratic discriminant as numbers); predicting needs numpy
alone. :func:`sticker_loglik` is what reading uses: each colour is a mixture of the clean sticker, the
sticker under growing glare, and an outlier that has the same density for every colour, so that no sticker
can ever count infinitely against a colour.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from calibration.profile import ColourModel

Floats = NDArray[np.float64]
Floats32 = NDArray[np.float32]
Ints = NDArray[np.intp]
Selection = NDArray[np.bool_] | NDArray[np.intp]
#: Sharpness of the bend below full white; larger is sharper.
SHOULDER = 4.0
#: What at least is left of a colour when haze is taken away.
LEAST_BARE = 0.2
#: How many stickers the usual shares of glare count beside those of a face.
FACE_STICKERS = 12.0
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


@dataclass(frozen=True, eq=False)
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


@dataclass(frozen=True, eq=False)
class StickerScores:
    """What :func:`sticker_loglik` found for N stickers under S modes; G variants (clean, glare levels ...).

    loglik  (S, N, 6) log-likelihood of each colour, nats, bounded below by the outliers' density
    share   (S, N, 6, G) probability of each variant given the colour; what is missing from 1 is outlier
    centre  (S, F, 6, G, 3) expected feature of each variant of each colour on each face
    slope   (S, F, 6, G, 3) how much of a change of the clean feature shows under that variant, 0..1
    """

    loglik: Floats
    share: Floats
    centre: Floats
    slope: Floats

    def chosen(self, keep: Selection) -> StickerScores:
        """The modes that ``keep`` (mask or indices) selects."""
        return StickerScores(self.loglik[keep], self.share[keep], self.centre[keep], self.slope[keep])


def sticker_loglik(
    model: ColourModel,
    features: Floats,
    face_of: Ints,
    cell_mean: Floats,
    cell_cov: Floats,
    measure_var: Floats,
    outlier_share: Floats,
    variant_share: Floats,
) -> StickerScores:
    """Log-likelihood of each colour for each sticker: a mixture over variants, cover and outliers.

    features (N, 3) log light; face_of (N,) index of its face among the F visible ones
    cell_mean (S, F, 6, 3), cell_cov (S, F, 6, 3, 3): where each colour lies on each face, for S modes
    measure_var (N, 3): variance of the features from noise in the pixels
    outlier_share (N,): prior that the pixels are anything, 0..1
    variant_share (S, F, G): prior of each variant on each face, adding up to 1
    """
    levels = model.glare_level
    # glare adds the light's colour (white of this face) in linear light
    linear = np.exp(cell_mean)
    # (a level below 0 takes light away: the sticker lies clear of a haze that lies on most of its face)
    own = linear[..., None, :]
    lit = own + levels[:, None] * linear[:, :, :1, None, :]
    bare = lit < LEAST_BARE * own
    lit = np.where(bare, LEAST_BARE * own, lit)
    # and the sensor ends at 1: a smooth shoulder, so that no colour is expected brighter than white can be
    over = (lit / (1.0 + model.floor)) ** SHOULDER
    centre = np.log(lit) - np.log1p(over) / SHOULDER  # (S, F, 6, G, 3)
    slope = np.where(bare, 1.0, own / lit) / (1.0 + over)
    cov = slope[..., None] * cell_cov[:, :, :, None] * slope[..., None, :]
    cov += model.sticker_cov[:, None] + model.variant_cov  # (S, F, 6, G, 3, 3)
    # single precision is plenty for distances of a few hundredths, and halves the time
    upper = cov.reshape(*cov.shape[:-2], 9)[..., _UPPER].astype(np.float32)
    stacked = np.moveaxis(upper, -1, 0)[:, :, face_of]  # (6, S, N, 6, G)
    stacked[:3] += measure_var.T[:, None, :, None, None].astype(np.float32)
    near = np.moveaxis(centre, -1, 0).astype(np.float32)[:, :, face_of]
    off = features.T.astype(np.float32)[:, None, :, None, None] - near
    distance, det = _distance(stacked, off)
    clean = np.log1p(-outlier_share - (1.0 - outlier_share) * model.cover_share) - 1.5 * _LOG_2PI
    base = np.log(variant_share)[:, face_of] + clean[:, None]  # (S, N, G)
    parts = base[:, :, None].astype(np.float32) - 0.5 * (distance + np.log(det))
    precision, log_det = _cover(model.cover_cov.tobytes())
    skin = features - (cell_mean[:, face_of, 0] + model.cover_mean)
    covered = -0.5 * ((skin @ precision) * skin).sum(axis=-1)
    covered += np.log(max(model.cover_share, 1e-12)) - 0.5 * (log_det + 3.0 * _LOG_2PI)
    stray = np.logaddexp(covered, np.log(outlier_share) - np.log(model.outlier_volume))[..., None]
    # numpy goes through a short last axis slowly: by columns for the largest, by a product for the sum
    top = np.maximum(stray, parts[..., 0])
    for variant in range(1, parts.shape[-1]):
        np.maximum(top, parts[..., variant], out=top)
    parts -= top[..., None].astype(np.float32)
    share = np.exp(parts, out=parts)
    total = share @ np.ones(share.shape[-1], np.float32) + np.exp(stray - top)
    share /= total[..., None].astype(np.float32)
    return StickerScores(top + np.log(total), share, centre, slope)


@lru_cache(maxsize=16)
def _cover(cov: bytes) -> tuple[Floats, float]:
    precision, log_det = inverse_and_log_det(np.frombuffer(cov).reshape(3, 3))
    return precision, float(log_det)


#: Places of a symmetric 3 x 3 matrix, flat: the diagonal, then the rest.
_UPPER = np.array([0, 4, 8, 1, 2, 5])


def _distance(cov: Floats32, off: Floats32) -> tuple[Floats32, Floats32]:
    """Squared Mahalanobis length of ``off`` (3, ...) and the determinant; cov (6, ...) ordered as _UPPER.

    By cov = L D L', so that one coordinate after the other is freed of those before it.
    """
    x, y, z = off
    var_x, var_y, var_z, xy, xz, yz = cov
    y_by_x, z_by_x = xy / var_x, xz / var_x
    own_y = var_y - xy * y_by_x
    shared = yz - xy * z_by_x
    z_by_y = shared / own_y
    own_z = var_z - xz * z_by_x - shared * z_by_y
    y = y - y_by_x * x
    z = z - z_by_x * x - z_by_y * y
    return x * x / var_x + y * y / own_y + z * z / own_z, var_x * own_y * own_z


def face_variants(
    model: ColourModel, face_of: Ints, responsibility: Floats, share: Floats, faces: int
) -> Floats:
    """Prior of the variants on each face (S, F, G), learned from the face itself: glare comes in patches.

    responsibility (S, N, 6) and share (S, N, 6, G) as found so far. The profile's ``glare_share`` counts as
    FACE_STICKERS stickers beside those of the face.
    """
    found = (responsibility[:, :, None, :] @ share)[:, :, 0]  # (S, N, G)
    on_face = (face_of == np.arange(faces)[:, None]).astype(np.float64)
    out = on_face @ found + FACE_STICKERS * model.glare_share
    normalised: Floats = out / out.sum(axis=-1, keepdims=True)
    return normalised


def quadratic(off: Floats, precision: Floats) -> Floats:
    """off' precision off for vectors (..., 3) and symmetric matrices (..., 3, 3), written out for speed."""
    x, y, z = off[..., 0], off[..., 1], off[..., 2]
    out: Floats = (
        x * (precision[..., 0, 0] * x + 2.0 * (precision[..., 0, 1] * y + precision[..., 0, 2] * z))
        + y * (precision[..., 1, 1] * y + 2.0 * precision[..., 1, 2] * z)
        + precision[..., 2, 2] * z * z
    )
    return out
