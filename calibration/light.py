"""The light of one picture, fitted together with the colours of its stickers.

The unknowns z of a picture are the six class means (18 numbers) and one shift per visible face (3 each);
their prior is Gaussian (``ColourModel``). Given soft labels the posterior of z is Gaussian too and has a
closed form; :func:`posterior` solves it for several hypotheses (modes) at once. S modes, F visible faces,
K = 6 colours, N stickers seen, D = 18 + 3 F.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from calibration.classifier import StickerScores, inverse, inverse_and_log_det
from calibration.profile import ColourModel, Profile
from models.cube import frozen

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]
Selection = NDArray[np.bool_] | NDArray[np.intp]


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
    cell_cov: Floats  # (6, 3, 3)
    cell_precision: Floats  # (6, 3, 3)
    cell_log_det: Floats  # (6,)


@dataclass(frozen=True, eq=False)
class _Prior:
    """Of z for F faces: mean (D,), precision (D, D), their product, log determinant of the covariance."""

    mean: Floats
    precision: Floats
    pull: Floats
    log_det: float


@lru_cache(maxsize=16)
def _prior(prepared: Prepared, faces: int) -> _Prior:
    """The prior for so many faces; kept, as every step of a reading asks for it."""
    size = 18 + 3 * faces
    mean = np.zeros(size)
    mean[:18] = prepared.mean
    precision = np.zeros((size, size))
    precision[:18, :18] = prepared.picture_precision
    for face in range(faces):
        span = slice(18 + 3 * face, 21 + 3 * face)
        precision[span, span] = prepared.face_precision
    log_det = prepared.picture_log_det + faces * prepared.face_log_det
    return _Prior(frozen(mean), frozen(precision), frozen(precision @ mean), log_det)


@lru_cache(maxsize=16)
def prepare(profile: Profile) -> Prepared:
    """Prepared numbers of a profile; kept, since every frame of a recording asks for the same ones."""
    return prepare_model(profile.model)


def prepare_model(model: ColourModel) -> Prepared:
    """Prepared numbers of a model that is still being fitted; not kept."""
    return Prepared(
        mean=model.mean.reshape(18),
        picture_cov=model.picture_cov,
        picture_precision=inverse(model.picture_cov),
        picture_log_det=float(np.linalg.slogdet(model.picture_cov)[1]),
        face_cov=model.face_cov,
        face_precision=inverse(model.face_cov),
        face_log_det=float(np.linalg.slogdet(model.face_cov)[1]),
        cell_cov=model.cell_cov,
        cell_precision=inverse(model.cell_cov),
        cell_log_det=inverse_and_log_det(model.cell_cov)[1],
    )


@dataclass(frozen=True, eq=False)
class LightFit:
    """Posterior of a picture's z for S modes.

    mean (S, D), cov (S, D, D)  the posterior itself
    cell_mean  (S, F, 6, 3)     expected feature of colour k on face f
    cell_cov   (S, F, 6, 3, 3)  its uncertainty, without what single stickers add
    usual (S, F, 6, 3), usual_cov (S, F, 6, 3, 3)  the same before what only this colour on this face has
    within     (S, F, 6, 3, 3)  covariance of the cell if ``usual`` were known
    log_occam  (S,)             log prior + half the log determinant of its posterior, up to a constant: what
                                a mode pays for a light that is unusual or had to be chosen finely
    """

    mean: Floats
    cov: Floats
    cell_mean: Floats
    cell_cov: Floats
    usual: Floats
    usual_cov: Floats
    within: Floats
    log_occam: Floats

    def chosen(self, keep: Selection) -> LightFit:
        """The modes that ``keep`` (mask or indices) selects."""
        return LightFit(
            self.mean[keep],
            self.cov[keep],
            self.cell_mean[keep],
            self.cell_cov[keep],
            self.usual[keep],
            self.usual_cov[keep],
            self.within[keep],
            self.log_occam[keep],
        )

    def beside(self, other: LightFit) -> LightFit:
        """These modes and then those of ``other``."""
        return LightFit(
            *(np.concatenate([getattr(self, one.name), getattr(other, one.name)]) for one in fields(self))
        )


def posterior(prepared: Prepared, told: Floats, pull: Floats) -> LightFit:
    """Posterior of the light given soft labels, in information form.

    told (S, F, 6, 3, 3): summed precision of what the stickers of face f say of colour k there;
    pull (S, F, 6, 3): the same sum of precision times feature.
    """
    modes, faces = told.shape[:2]
    prior = _prior(prepared, faces)
    size = len(prior.mean)
    # each cell given z; then its departure integrated out: told -> (told^-1 + cell_cov)^-1, also for told = 0
    apart = prepared.cell_precision
    within, log_det_within = inverse_and_log_det(apart + told)
    keep = within @ apart
    cell = apart - apart @ keep
    own = (keep.swapaxes(-1, -2) @ pull[..., None])[..., 0]
    precision = np.empty((modes, size, size))
    precision[:] = prior.precision
    blocks, on_diagonal = _in_blocks(precision)
    on_diagonal[:, :6] += cell.sum(axis=1)
    on_diagonal[:, 6:] += cell.sum(axis=2)
    blocks[:, :6, :, 6:] = cell.transpose(0, 2, 3, 1, 4)
    blocks[:, 6:, :, :6] = cell.transpose(0, 1, 4, 2, 3)
    right = np.empty((modes, 6 + faces, 3))
    right[:] = prior.pull.reshape(-1, 3)
    right[:, :6] += own.sum(axis=1)
    right[:, 6:] += own.sum(axis=2)
    cov = inverse(precision)
    mean = (cov @ right.reshape(modes, size, 1))[..., 0]
    off = mean - prior.mean
    distance = ((off @ prior.precision) * off).sum(axis=1)
    log_det = -np.linalg.slogdet(precision)[1]
    usual = mean[:, :18].reshape(modes, 1, 6, 3) + mean[:, 18:].reshape(modes, faces, 1, 3)
    usual_cov = _cell_covariance(cov)
    cell_mean = (keep @ usual[..., None] + within @ pull[..., None])[..., 0]
    departure = cell_mean - usual
    penalty = ((apart @ departure[..., None])[..., 0] * departure).sum(axis=-1)
    penalty += log_det_within + prepared.cell_log_det
    return LightFit(
        mean=mean,
        cov=cov,
        cell_mean=cell_mean,
        cell_cov=within + keep @ usual_cov @ keep.swapaxes(-1, -2),
        usual=usual,
        usual_cov=usual_cov,
        within=within,
        log_occam=-0.5 * distance + 0.5 * (log_det - prior.log_det) - 0.5 * penalty.sum(axis=(1, 2)),
    )


def _in_blocks(matrices: Floats) -> tuple[Floats, Floats]:
    """Views of (S, D, D): blocks (S, 6 + F, 3, 6 + F, 3) of the colours, then the faces; those on the
    diagonal (S, 6 + F, 3, 3)."""
    parts = matrices.shape[1] // 3
    blocks = matrices.reshape(len(matrices), parts, 3, parts, 3)
    return blocks, np.einsum("siaib->siab", blocks)


@dataclass(frozen=True, eq=False)
class PictureSums:
    """What sums over the stickers of one picture are made with, the same at every step.

    columns (4 F, N): which stickers are on each face, and their features there
    precision (F, 6, G, 3, 3): what one sticker of each colour and variant tells on each face
    """

    columns: Floats
    precision: Floats


def picture_sums(
    model: ColourModel, features: Floats, face_of: Ints, noise_var: Floats, faces: int
) -> PictureSums:
    """For stickers with features (N, 3), measured with noise_var (N, 3), on the faces (N,) of F."""
    on_face = (face_of == np.arange(faces)[:, None]).astype(np.float64)  # (F, N)
    noise = on_face @ noise_var / np.maximum(on_face.sum(axis=1), 1.0)[:, None]
    cov = model.sticker_cov[:, None] + model.variant_cov + noise[:, None, None, None] * np.eye(3)
    columns = np.concatenate([on_face[:, None], on_face[:, None] * features.T], axis=1)  # (F, 4, N)
    return PictureSums(columns.reshape(4 * faces, len(features)), inverse_and_log_det(cov)[0])


def information(
    sums: PictureSums, responsibility: Floats, scores: StickerScores, cell_mean: Floats
) -> tuple[Floats, Floats, Floats]:
    """What soft labels say of each cell, for :func:`posterior`; glare counts as far as colour shows through.
    Third, the number (S, F, 6, G) of stickers of each colour and variant on each face.

    responsibility (S, N, 6): probability of each colour; scores and cell_mean: from the light so far, about
    which the variants are linear: x ~ centre + slope * (cell - cell_mean).
    """
    modes, stickers, _, variants = scores.share.shape
    weight = (responsibility[..., None] * scores.share).reshape(modes, stickers, 6 * variants)
    summed = (sums.columns @ weight).reshape(modes, -1, 4, 6, variants)
    count = summed[:, :, 0]
    off = summed[:, :, 1:].transpose(0, 1, 3, 4, 2) - count[..., None] * scores.centre  # (S, F, 6, G, 3)
    slope = scores.slope
    told = (slope * count[..., None])[..., None] * sums.precision * slope[..., None, :]
    cell = told.sum(axis=3)
    pull = (slope * (sums.precision @ off[..., None])[..., 0]).sum(axis=3)
    pull += (cell @ cell_mean[..., None])[..., 0]
    return cell, pull, count


def robust_centre(features: Floats) -> tuple[Floats, Floats]:
    """Median (3,) of features (N, 3), and their scatter round it as a variance (3,), at least 0.05^2."""
    half = (len(features) - 1) // 2
    centre = np.sort(features, axis=0)[half]
    spread: Floats = np.sort(np.abs(features - centre), axis=0)[half]
    return centre, (1.4826 * spread + 0.05) ** 2


def group_information(
    model: ColourModel, features: Floats, face_of: Ints, labels: Ints, faces: int
) -> tuple[Floats, Floats]:
    """First information (F, 6, 3, 3) and (F, 6, 3) from labelled stickers (label -1: not known).

    Each group of one colour on one face counts once, by its median, trusted as far as the group agrees.
    """
    cell, pull = np.zeros((faces, 6, 3, 3)), np.zeros((faces, 6, 3))
    known = np.flatnonzero(labels >= 0)
    if not len(known):
        return cell, pull
    group = 6 * face_of[known] + labels[known]
    order = np.argsort(group, kind="stable")
    numbers, starts = np.unique(group[order], return_index=True)
    parts = [robust_centre(features[rows]) for rows in np.split(known[order], starts[1:])]
    face, k = np.divmod(numbers, 6)
    spread = np.array([scatter_var for _, scatter_var in parts])[:, :, None] * np.eye(3)
    own = inverse(model.sticker_cov[k] + spread)
    cell[face, k] = own
    pull[face, k] = (own @ np.array([centre for centre, _ in parts])[:, :, None])[..., 0]
    return cell, pull


def _cell_covariance(cov: Floats) -> Floats:
    """Covariance (S, F, 6, 3, 3) of class mean + face shift from the covariance of z (S, D, D)."""
    blocks, on_diagonal = _in_blocks(cov)
    cross = blocks[:, :6, :, 6:].transpose(0, 3, 1, 2, 4)
    return np.asarray(on_diagonal[:, None, :6] + on_diagonal[:, 6:, None] + cross + cross.swapaxes(-1, -2))


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
        own = slice(3 * g, 3 * g + 3)
        cov[:, own, own] += prepared.face_cov + prepared.cell_cov[labels[:, g]] + spread[g]
    off = centre.reshape(-1) - prepared.mean[index]
    distance = (off * np.linalg.solve(cov, off[..., None])[..., 0]).sum(axis=1)
    out: Floats = -0.5 * (distance + np.linalg.slogdet(cov)[1] + 3 * groups * np.log(2.0 * np.pi))
    return out
