"""The light of one picture, fitted together with the colours of its stickers.

The unknowns z of a picture are the six class means (18 numbers) and one shift per visible face (3 each);
their prior is Gaussian (``ColourModel``). Given soft labels the posterior of z is Gaussian too and has a
closed form; :func:`posterior` solves it for several hypotheses (modes) at once. S modes, F visible faces,
K = 6 colours, N stickers seen, D = 18 + 3 F.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from calibration.classifier import inverse, inverse_and_log_det
from calibration.profile import Profile

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]


@dataclass(frozen=True, eq=False)
class Prepared:
    """Numbers worked out once per profile: inverses and determinants of the prior."""

    mean: Floats  # (18,)
    picture_cov: Floats  # (18, 18)
    picture_precision: Floats  # (18, 18)
    picture_log_det: float
    face_cov: Floats  # (3, 3)
    face_precision: Floats  # (3, 3)
    face_log_det: float
    sticker_precision: Floats  # (6, 3, 3)

    def prior(self, faces: int) -> tuple[Floats, Floats, float]:
        """Mean (D,), precision (D, D) and log determinant of the covariance of z for F faces."""
        size = 18 + 3 * faces
        mean = np.zeros(size)
        mean[:18] = self.mean
        precision = np.zeros((size, size))
        precision[:18, :18] = self.picture_precision
        for face in range(faces):
            span = slice(18 + 3 * face, 21 + 3 * face)
            precision[span, span] = self.face_precision
        return mean, precision, self.picture_log_det + faces * self.face_log_det


@lru_cache(maxsize=16)
def prepare(profile: Profile) -> Prepared:
    """Prepared numbers of a profile; kept, since every frame of a recording asks for the same ones."""
    model = profile.model
    return Prepared(
        mean=model.mean.reshape(18),
        picture_cov=model.picture_cov,
        picture_precision=inverse(model.picture_cov),
        picture_log_det=float(np.linalg.slogdet(model.picture_cov)[1]),
        face_cov=model.face_cov,
        face_precision=inverse(model.face_cov),
        face_log_det=float(np.linalg.slogdet(model.face_cov)[1]),
        sticker_precision=inverse(model.sticker_cov),
    )


@dataclass(frozen=True, eq=False)
class LightFit:
    """Posterior of a picture's z for S modes.

    cell_mean  (S, F, 6, 3)     expected feature of colour k on face f
    cell_cov   (S, F, 6, 3, 3)  its uncertainty, without what single stickers add
    log_occam  (S,)             log p(z) + half the log determinant of its posterior, up to a constant: what
                                a mode pays for a light that is unusual or had to be chosen finely
    """

    cell_mean: Floats
    cell_cov: Floats
    log_occam: Floats


def posterior(prepared: Prepared, weight: Floats, total: Floats) -> LightFit:
    """Posterior of the light given soft labels.

    weight (S, F, 6): sum over the stickers of face f of the probability to show colour k cleanly;
    total  (S, F, 6, 3): the same sum of probability times feature.
    """
    modes, faces = weight.shape[:2]
    mean0, precision0, log_det0 = prepared.prior(faces)
    size = len(mean0)
    cell = weight[..., None, None] * prepared.sticker_precision  # (S, F, 6, 3, 3)
    pull = np.einsum("kij,sfkj->sfki", prepared.sticker_precision, total)  # (S, F, 6, 3)
    precision = np.broadcast_to(precision0, (modes, size, size)).copy()
    blocks = precision[:, :18, :18].reshape(modes, 6, 3, 6, 3)
    by_colour = cell.sum(axis=1)
    for k in range(6):
        blocks[:, k, :, k, :] += by_colour[:, k]
    precision[:, :18, :18] = blocks.reshape(modes, 18, 18)
    right = np.broadcast_to(precision0 @ mean0, (modes, size)).copy()
    right[:, :18] += pull.sum(axis=1).reshape(modes, 18)
    for face in range(faces):
        span = slice(18 + 3 * face, 21 + 3 * face)
        precision[:, span, span] += cell[:, face].sum(axis=1)
        across = cell[:, face].reshape(modes, 18, 3)
        precision[:, :18, span] = across
        precision[:, span, :18] = across.transpose(0, 2, 1)
        right[:, span] += pull[:, face].sum(axis=1)
    cov = inverse(precision)
    mean = np.einsum("sij,sj->si", cov, right)
    off = mean - mean0
    distance = np.einsum("si,ij,sj->s", off, precision0, off)
    log_det = -np.linalg.slogdet(precision)[1]
    classes = mean[:, :18].reshape(modes, 1, 6, 3)
    shifts = mean[:, 18:].reshape(modes, faces, 1, 3)
    return LightFit(
        cell_mean=classes + shifts,
        cell_cov=_cell_covariance(cov, faces),
        log_occam=-0.5 * distance + 0.5 * (log_det - log_det0),
    )


def _cell_covariance(cov: Floats, faces: int) -> Floats:
    """Covariance (S, F, 6, 3, 3) of class mean + face shift from the covariance of z (S, D, D)."""
    modes = len(cov)
    own = np.stack([cov[:, 3 * k : 3 * k + 3, 3 * k : 3 * k + 3] for k in range(6)], axis=1)
    out = np.empty((modes, faces, 6, 3, 3))
    for face in range(faces):
        span = slice(18 + 3 * face, 21 + 3 * face)
        cross = cov[:, :18, span].reshape(modes, 6, 3, 3)
        out[:, face] = own + cross + cross.swapaxes(-1, -2) + cov[:, None, span, span]
    return out


def group_evidence(prepared: Prepared, centre: Floats, spread: Floats, labels: Ints) -> Floats:
    """Log evidence (H,) of G sticker groups, each of one colour on a face of its own, light integrated out.

    centre (G, 3): feature of each group; spread (G, 3, 3): covariance of that centre's error beyond the
    model's own; labels (H, G): the colour of each group under each hypothesis.
    """
    groups = len(centre)
    if groups == 0:
        return np.zeros(len(labels))
    index = (3 * labels[:, :, None] + np.arange(3)).reshape(len(labels), 3 * groups)
    cov = prepared.picture_cov[index[:, :, None], index[:, None, :]]
    for g in range(groups):
        cov[:, 3 * g : 3 * g + 3, 3 * g : 3 * g + 3] += prepared.face_cov + spread[g]
    off = centre.reshape(-1) - prepared.mean[index]
    inverse, log_det = inverse_and_log_det(cov)
    distance = np.einsum("hi,hij,hj->h", off, inverse, off)
    out: Floats = -0.5 * (distance + log_det + 3 * groups * np.log(2.0 * np.pi))
    return out
