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
    flat = cov.reshape(*cov.shape[:-2], 9)
    first, second, third, fourth = (flat.take(places, axis=-1) for places in _MINORS)
    out = first * second - third * fourth
    det = flat[..., 0] * out[..., 0] + flat[..., 1] * out[..., 1] + flat[..., 2] * out[..., 2]
    out /= det[..., None]
    return out.reshape(cov.shape), np.asarray(np.log(det), dtype=np.float64)


#: A minor of a symmetric 3 x 3 matrix is the product of the first two of these places, flat, less that of the
#: others; one for each place of the matrix.
_MINORS = np.array(
    [
        [4, 2, 1, 2, 0, 1, 1, 1, 0],
        [8, 5, 5, 5, 8, 2, 5, 2, 4],
        [5, 1, 2, 1, 2, 0, 2, 0, 1],
        [5, 8, 4, 8, 2, 5, 4, 5, 1],
    ]
)


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
    slope   (S, F, 6, G, 3) how much of a change of the clean feature shows under that variant: 0..1, more
            where haze is taken away
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
    count, width = len(features), 6 * len(model.glare_level)
    centre, slope, lifted = _expected(model, cell_mean)
    # (transposed by hand: np.moveaxis takes longer than moving these does)
    upper = cell_cov.reshape(-1, 9).T[_UPPER].reshape(6, *cell_cov.shape[:3])  # (6, S, F, 6)
    own = (model.sticker_cov[:, None] + model.variant_cov).reshape(-1, 9).T[_UPPER].reshape(6, 6, -1)
    # of each cell, (10, S, F, 6, G): covariance, centre and log prior; single precision is plenty for
    # distances of a few hundredths, and halves the time
    cells = np.empty((10, *centre.shape[1:]), np.float32)
    cells[:6] = slope[_ROW] * slope[_COLUMN] * upper[..., None]
    cells[:6] += lifted[_ROW] * lifted[_COLUMN] * own[:, None, None]
    cells[6:9] = centre
    cells[9] = np.log(variant_share)[:, :, None]
    # one take for all, as that is a copy of whole rows
    taken = cells.reshape(10, *centre.shape[1:3], width).take(face_of, axis=2)  # (10, S, N, 6 G)
    cov, off, parts = taken[:6], taken[6:9], taken[9]
    cov[:3] += measure_var.T[:, None, :, None].astype(np.float32)
    np.subtract(features.T[:, None, :, None].astype(np.float32), off, out=off)
    clean = np.log1p(-outlier_share - (1.0 - outlier_share) * model.cover_share) - 1.5 * _LOG_2PI
    parts += clean[:, None].astype(np.float32)
    parts -= _half_distance(cov, off)
    parts = parts.reshape(len(parts), count, 6, -1)
    precision, log_det = _cover(model.cover_cov.tobytes())
    skin = features - (cell_mean[:, face_of, 0] + model.cover_mean)
    covered = -0.5 * np.einsum("snc,snc->sn", skin @ precision, skin)
    covered += np.log(max(model.cover_share, 1e-12)) - 0.5 * (log_det + 3.0 * _LOG_2PI)
    stray = np.logaddexp(covered, np.log(outlier_share) - np.log(model.outlier_volume))[..., None]
    # numpy goes through a short last axis slowly: by columns for the largest and for the sum
    variants = range(1, parts.shape[-1])
    top = np.maximum(stray, parts[..., 0])
    for variant in variants:
        np.maximum(top, parts[..., variant], out=top)
    parts -= top[..., None].astype(np.float32)
    share = np.exp(parts, out=parts)
    of_variants = share[..., 0].copy()
    for variant in variants:
        of_variants += share[..., variant]
    total = of_variants + np.exp(stray - top)
    share /= total[..., None].astype(np.float32)
    shown = (values.transpose(1, 2, 3, 4, 0) for values in (centre, slope))
    return StickerScores(top + np.log(total), share, *shown)


def _expected(model: ColourModel, cell_mean: Floats) -> tuple[Floats, Floats, Floats]:
    """``centre`` and ``slope`` of :class:`StickerScores`, with the channels first: (3, S, F, 6, G) each; and
    the part of the slope that the nearness of black leaves, which holds for stickers as for their cells."""
    # glare adds the light's colour (white of this face) in linear light
    own = np.exp(cell_mean.transpose(3, 0, 1, 2), order="C")[..., None]
    # (a level below 0 takes light away: the sticker lies clear of a haze that lies on most of its face)
    lit = own + model.glare_level * own[:, :, :, :1]
    least = LEAST_BARE * own
    bare = lit < least
    lit = np.where(bare, least, lit)
    # and the sensor ends at 1 and at 0: a smooth shoulder and toe, so that no colour is expected brighter
    # than white or darker than black (a curve may crush one channel on a bright and on a dark face alike):
    # of x, (x^4 + floor^4)^(1/4) / (1 + (x / white)^4)^(1/4), where 4 is how sharply it bends
    fourth = lit * lit
    fourth *= fourth
    raised = fourth + model.floor**4
    bent = 1.0 + fourth / (1.0 + model.floor) ** 4
    centre = 0.25 * np.log(raised / bent)
    lifted = fourth / raised
    slope = lifted * np.where(bare, 1.0, own / lit) / bent
    return centre, slope, lifted


@lru_cache(maxsize=16)
def _cover(cov: bytes) -> tuple[Floats, float]:
    precision, log_det = inverse_and_log_det(np.frombuffer(cov).reshape(3, 3))
    return precision, float(log_det)


#: Places of a symmetric 3 x 3 matrix, flat: the diagonal, then the rest; and the row and column of each.
_UPPER = np.array([0, 4, 8, 1, 2, 5])
_ROW, _COLUMN = np.divmod(_UPPER, 3)


def _half_distance(cov: Floats32, off: Floats32) -> Floats32:
    """Half of the squared Mahalanobis length of ``off`` (3, ...) and of the log determinant of ``cov``
    (6, ...), which is ordered as _UPPER.

    By cov = L D L', so that one coordinate after the other is freed of those before it. What was given is
    used up: new arrays of this size cost as much as the arithmetic.
    """
    x, y, z = off
    var_x, var_y, var_z, xy, xz, yz = cov
    y_by_x, z_by_x = xy / var_x, xz / var_x
    y -= np.multiply(y_by_x, x)
    z -= np.multiply(z_by_x, x)
    yz -= np.multiply(xy, z_by_x)
    var_y -= np.multiply(xy, y_by_x, out=xy)
    var_z -= np.multiply(xz, z_by_x, out=xz)
    z_by_y = np.divide(yz, var_y, out=y_by_x)
    z -= np.multiply(z_by_y, y, out=z_by_x)
    var_z -= np.multiply(yz, z_by_y, out=yz)
    for length, variance in ((x, var_x), (y, var_y), (z, var_z)):
        length *= length
        length /= variance
    x += y
    x += z
    var_x *= var_y
    var_x *= var_z
    x += np.log(var_x, out=var_x)
    x *= 0.5
    return np.asarray(x)


def face_variants(model: ColourModel, count: Floats) -> Floats:
    """Prior of the variants on each face (S, F, G), learned from the face itself: glare comes in patches.

    count (S, F, 6, G): stickers of each colour and variant found there so far. The profile's ``glare_share``
    counts as FACE_STICKERS stickers beside them.
    """
    out = count.sum(axis=2) + FACE_STICKERS * model.glare_share
    normalised: Floats = out / out.sum(axis=-1, keepdims=True)
    return normalised
