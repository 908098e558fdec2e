"""Where a reading starts: the stickers seen, and hypotheses of the top face and of how the cube is coloured.

A cube with only its last layer left lights its own colour chart: the lower rows of each visible side and the
centres of the top are one known colour each. The evidence of these groups, with light and class means
integrated out (closed form), chooses the hypotheses that are followed up.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calibration.classifier import StickerScores, face_variants, sticker_loglik
from calibration.colour import log_light
from calibration.light import (
    LightFit,
    PictureSums,
    Prepared,
    group_evidence,
    information,
    picture_sums,
    posterior,
    robust_centre,
)
from calibration.profile import ColourModel, Profile
from calibration.samples import LEAST_COVERAGE, StickerSamples
from calibration.second_opinion import in_full, shifted, weights_for
from models.decode_tables import under_top

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]

MAX_MODES = 24
#: Modes this many nats below the best are not followed.
START_NATS = 25.0
#: Prior of a mirror image where modes are chosen, above the decoder's (``models.decode.MIRROR_PRIOR``): it is
#: given a light of its own before the stickers are asked.
MIRROR_START = 0.01
#: Standard deviation of a pixel average in linear light, from noise and JPEG, at full coverage.
PIXEL_NOISE = 0.004
#: How much of the spread within a sticker stays in its average (texture, glare edges, neighbours).
SPREAD_SHARE = 0.7
#: Prior of pixels to be anything where none were read: no colour is any likelier for them.
UNREAD_SHARE = 1.0 - 1e-6
#: Prior of a top-layer sticker to carry the top's colour: on the top face, on a side face.
TOP_SHARE, SIDE_SHARE = 0.55, 0.45


@dataclass(frozen=True, eq=False)
class Seen:
    """The visible stickers as flat arrays: index among 6 n n, visible-face index, features, shares.

    ``is_read`` (N,) tells which have pixels that say anything; ``sums`` is what sums over them are made with;
    ``second`` (N, 6) a second opinion's log probabilities of the colour of each pose face, None without.
    """

    faces: tuple[int, ...]
    place: Ints
    face_of: Ints
    features: Floats
    measure_var: Floats
    outlier_share: Floats
    coverage: Floats
    is_read: NDArray[np.bool_]
    sums: PictureSums
    second: Floats | None

    def scored(self, model: ColourModel, light: LightFit, shares: Floats) -> StickerScores:
        """Log-likelihoods under the light of S modes; ``shares`` (S, F, G) of each variant on each face.

        Those of a sticker that was not read are 0: it is no evidence, or readings that open other sides of
        the same cube could not be held beside each other.
        """
        scores = sticker_loglik(
            model,
            self.features,
            self.face_of,
            light.cell_mean,
            light.cell_cov,
            self.measure_var,
            self.outlier_share,
            shares,
        )
        if self.is_read.all():
            return scores
        return replace(scores, loglik=np.where(self.is_read[:, None], scores.loglik, 0.0))

    def relit(
        self, prepared: Prepared, model: ColourModel, labels: Floats, scores: StickerScores, cell_mean: Floats
    ) -> tuple[LightFit, Floats]:
        """The light of each mode, and the shares (S, F, G) of the variants on each face, from soft labels
        (S, N, 6)."""
        told, pull, count = information(self.sums, labels, scores, cell_mean)
        return posterior(prepared, told, pull), face_variants(model, count)


@dataclass(frozen=True, eq=False)
class Groups:
    """The one-coloured groups under one top: visible-face index, pose face, centre (g, 3), scatter (g, 3)."""

    index: Ints
    faces: Ints
    centre: Floats
    scatter_var: Floats


@dataclass(frozen=True, eq=False)
class Modes:
    """S hypotheses: top face, colours of all pose faces (S, 6)."""

    tops: Ints
    colours: Ints
    groups: dict[int, Groups]

    def chosen(self, keep: NDArray[np.bool_]) -> Modes:
        """The modes that the mask selects."""
        return Modes(self.tops[keep], self.colours[keep], self.groups)


def gather(samples: StickerSamples, profile: Profile, second: NDArray[np.floating] | None) -> Seen:
    """The stickers seen, with what their pixels are worth; ``second`` (6, n, n, 6) as in read_stickers.

    A sticker whose own colour cannot be read is among them where the second opinion tells of it.
    """
    model = profile.model
    coverage = samples.coverage.reshape(-1).astype(np.float64)
    is_read = coverage > LEAST_COVERAGE
    told = None if second is None else second.reshape(-1, 6).astype(np.float64)
    place = np.flatnonzero(is_read if told is None else is_read | told.any(axis=1))
    per_face = samples.size * samples.size
    # (not np.unique, which loads numpy's masked arrays: 10 ms of a command)
    faces = tuple(np.flatnonzero(np.bincount(place // per_face)).tolist())
    linear = samples.linear_rgb.reshape(-1, 3)[place].astype(np.float64)
    seen = coverage[place]
    spread = samples.spread_rgb.reshape(-1, 3)[place].astype(np.float64)
    noise_var = (PIXEL_NOISE**2 + (SPREAD_SHARE * spread) ** 2) / np.maximum(seen, LEAST_COVERAGE)[:, None]
    share = 1.0 - (1.0 - model.outlier_share) * np.clip(seen, 0.0, 1.0)
    if told is not None:
        told = told[place]
        unread = ~is_read[place]
        if unread.any():
            weights = weights_for(samples.size, place[unread] < per_face)
            told[unread] = in_full(told[unread], weights)
    face_of = np.searchsorted(np.array(faces, dtype=np.intp), place // per_face)
    features = log_light(linear, model.floor)
    measure_var = noise_var / (linear + model.floor) ** 2
    return Seen(
        faces=faces,
        place=place,
        face_of=face_of,
        features=features,
        measure_var=measure_var,
        outlier_share=np.where(is_read[place], np.minimum(share, 0.98), UNREAD_SHARE),
        coverage=seen,
        is_read=is_read[place],
        sums=picture_sums(model, features, face_of, measure_var, len(faces)),
        second=told,
    )


def _groups(seen: Seen, size: int, top: int, scheme: tuple[int, ...], mirror: bool) -> Groups:
    is_fixed = under_top(size, top, scheme, mirror)[0][seen.place]
    index, centres, scatters = [], [], []
    for face in range(len(seen.faces)):
        rows = np.flatnonzero(is_fixed & (seen.face_of == face))
        if len(rows):
            centre, scatter_var = robust_centre(seen.features[rows])
            index.append(face)
            centres.append(centre)
            scatters.append(scatter_var)
    return Groups(
        index=np.array(index, dtype=np.intp),
        faces=np.array([seen.faces[i] for i in index], dtype=np.intp),
        centre=np.array(centres).reshape(-1, 3),
        scatter_var=np.array(scatters).reshape(-1, 3),
    )


def start(
    seen: Seen,
    prepared: Prepared,
    profile: Profile,
    size: int,
    tops: Sequence[int],
    mirror: bool,
    mirror_prior: float = MIRROR_START,
) -> Modes:
    """The best hypotheses by the evidence of the one-coloured groups alone."""
    found_tops, found_colours, found_log = [], [], []
    groups = {top: _groups(seen, size, top, profile.scheme, mirror) for top in tops}
    for top in tops:
        _, colours, mirrored = under_top(size, top, profile.scheme, mirror)
        own = groups[top]
        spread = own.scatter_var[:, :, None] * np.eye(3)
        log_evidence = group_evidence(prepared, own.centre, spread, colours[:, own.faces])
        log_evidence = log_evidence + np.log(np.where(mirrored == 1, mirror_prior, 1.0 - mirror_prior))
        found_tops.append(np.full(len(colours), top, dtype=np.intp))
        found_colours.append(colours)
        found_log.append(log_evidence)
    tops_all, colours_all = np.concatenate(found_tops), np.concatenate(found_colours)
    log_all = np.concatenate(found_log)
    likely = np.argsort(-log_all, kind="stable")
    likely = likely[log_all[likely] >= log_all[likely[0]] - START_NATS]
    # colourings that differ only on hidden faces start the same light
    tops_likely, colours_likely = tops_all[likely], colours_all[likely]
    of_top = colours_likely[np.arange(len(likely)), tops_likely]
    keys = np.column_stack([tops_likely, of_top, colours_likely[:, list(seen.faces)]]).tolist()
    first: dict[tuple[int, ...], int] = {}
    for key, h in zip(keys, likely.tolist(), strict=True):
        first.setdefault(tuple(key), h)
    chosen = list(first.values())[:MAX_MODES]
    return Modes(tops_all[chosen], colours_all[chosen], groups)


def label_prior(seen: Seen, modes: Modes, profile: Profile, size: int, mirror: bool) -> Floats:
    """Log prior (S, N, 6) of each sticker's colour under each mode, before the decoder has spoken."""
    per_face = size * size
    opposite = {c: profile.scheme[(f + 3) % 6] for f, c in enumerate(profile.scheme)}
    faces = seen.place // per_face
    out = np.full((len(modes.tops), len(seen.place), 6), -40.0)
    for top in set(modes.tops.tolist()):
        rows = np.flatnonzero(modes.tops == top)
        colours = modes.colours[rows]
        fixed = under_top(size, top, profile.scheme, mirror)[0][seen.place]
        share = np.where(faces == top, TOP_SHARE, SIDE_SHARE)
        moving = np.repeat(np.log((1.0 - share) / 4.0)[None, :, None], 6, axis=2).repeat(len(rows), axis=0)
        here = np.arange(len(rows))
        moving[here, :, colours[:, top]] = np.log(share)
        moving[here, :, [opposite[int(k)] for k in colours[:, top]]] = -40.0
        moving[:, fixed] = -40.0
        if seen.second is not None and top == 0:
            moving = shifted(moving, seen.second, colours, weights_for(size, faces == 0))
        moving[here[:, None], np.flatnonzero(fixed), colours[:, faces[fixed]]] = 0.0
        out[rows] = moving
    return out
