"""From sticker samples to the posterior over last-layer states, with the picture's light fitted on the way.

A cube with only its last layer left lights its own colour chart: the lower rows of each visible side and
the centres of the top are one known colour each. So reading starts from hypotheses, not from a guess of the
light: for each face that may be the top and each way the cube can be coloured, the evidence of those
groups with light and class means integrated out (closed form). The best few become modes; each fits its own
light by a few EM steps over all stickers, soft labels first sticker by sticker, then from the decoder. The
answer mixes the modes' decoder posteriors by their evidence, the light's price included, so a reading that
hangs on an unlikely light says so in its probability.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calibration.classifier import StickerScores, face_variants, inverse_and_log_det, sticker_loglik
from calibration.colour import log_light
from calibration.light import (
    LightFit,
    Prepared,
    group_evidence,
    information,
    posterior,
    prepare,
    robust_centre,
)
from calibration.profile import ColourModel, Profile, default_profile
from calibration.samples import StickerSamples
from calibration.second_opinion import joined, shifted
from calibration.unbound import unbound_evidence
from models.decode import Posterior, decode, log_sum
from models.decode_tables import under_top

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]

MAX_MODES = 6
#: Modes this many nats below the best are given up, at the start and once stickers have spoken.
START_NATS = 14.0
GIVE_UP_NATS = ((16.0, 27.0), (6.0, 18.0))  # for each EM step: with the same top, with another top
KEEP_NATS = 6.0
#: Where a last layer is likelier than any colours by less than this, the latter get a light of their own.
DOUBTED_NATS = 25.0
#: Where the decoder moves no sticker's colour by more than this probability, its first answer stands.
SETTLED_SHARE = 0.05
#: Standard deviation of a pixel average in linear light, from noise and JPEG, at full coverage.
PIXEL_NOISE = 0.004
#: How much of the spread within a sticker stays in its average (texture, glare edges, neighbours).
SPREAD_SHARE = 0.7
#: Prior of a top-layer sticker to carry the top's colour: on the top face, on a side face.
TOP_SHARE, SIDE_SHARE = 0.55, 0.45


@dataclass(frozen=True, eq=False)
class Reading:
    """What one picture's stickers say.

    posterior      models.decode.Posterior, the modes mixed
    loglik         (6, n, n, 6) log-likelihoods under the best mode's light, nats, 0 where nothing was seen
    class_features (6, 6, 3) expected log light of each colour on each pose face under that light
                   (NaN on faces that were not seen)
    clean          (6, n, n) probability that the sticker's pixels are its own, free of glare and cover
    light_oddity   squared standardised distance of the fitted light from the profile's usual ones, for each
                   degree of freedom; about 1 for a cube of the profile's kind, large for another cube or lamp
    log_light      what the best mode's light costs, nats (its prior, and how finely it had to be chosen)
    """

    posterior: Posterior
    loglik: Floats
    class_features: Floats
    clean: Floats
    light_oddity: float
    log_light: float = 0.0

    @property
    def log_evidence(self) -> float:
        """Log evidence with the price of the light in it: comparable between profiles and schemes."""
        return self.posterior.log_evidence + self.log_light


@dataclass(frozen=True, eq=False)
class _Seen:
    """The visible stickers as flat arrays: index among 6 n n, visible-face index, features, shares.

    ``second`` (N, 6): a second opinion's log probabilities of the colour of each pose face, None without.
    """

    faces: tuple[int, ...]
    place: Ints
    face_of: Ints
    features: Floats
    measure_var: Floats
    outlier_share: Floats
    coverage: Floats
    second: Floats | None


@dataclass(frozen=True, eq=False)
class _Groups:
    """The one-coloured groups under one top: visible-face index, pose face, centre (g, 3), scatter (g, 3)."""

    index: Ints
    faces: Ints
    centre: Floats
    scatter_var: Floats


@dataclass(frozen=True, eq=False)
class _Modes:
    """S hypotheses: top face, colours of all pose faces (S, 6)."""

    tops: Ints
    colours: Ints
    groups: dict[int, _Groups]

    def chosen(self, keep: NDArray[np.bool_]) -> _Modes:
        """The modes that the mask selects."""
        return _Modes(self.tops[keep], self.colours[keep], self.groups)


def _gather(samples: StickerSamples, profile: Profile, second: NDArray[np.floating] | None) -> _Seen:
    model = profile.model
    coverage = samples.coverage.reshape(-1).astype(np.float64)
    place = np.flatnonzero(coverage > 0.05)
    per_face = samples.size * samples.size
    faces = tuple(int(f) for f in np.unique(place // per_face))
    linear = samples.linear_rgb.reshape(-1, 3)[place].astype(np.float64)
    seen = coverage[place]
    spread = samples.spread_rgb.reshape(-1, 3)[place].astype(np.float64)
    noise_var = (PIXEL_NOISE**2 + (SPREAD_SHARE * spread) ** 2) / seen[:, None]
    share = 1.0 - (1.0 - model.outlier_share) * np.clip(seen, 0.0, 1.0)
    return _Seen(
        faces=faces,
        place=place,
        face_of=np.searchsorted(np.array(faces, dtype=np.intp), place // per_face),
        features=log_light(linear, model.floor),
        measure_var=noise_var / (linear + model.floor) ** 2,
        outlier_share=np.minimum(share, 0.98),
        coverage=seen,
        second=None if second is None else second.reshape(-1, 6)[place].astype(np.float64),
    )


def _groups(seen: _Seen, size: int, top: int, scheme: tuple[int, ...], mirror: bool) -> _Groups:
    is_fixed = under_top(size, top, scheme, mirror)[0][seen.place]
    index, centres, scatters = [], [], []
    for face in range(len(seen.faces)):
        rows = np.flatnonzero(is_fixed & (seen.face_of == face))
        if len(rows):
            centre, scatter_var = robust_centre(seen.features[rows])
            index.append(face)
            centres.append(centre)
            scatters.append(scatter_var)
    return _Groups(
        index=np.array(index, dtype=np.intp),
        faces=np.array([seen.faces[i] for i in index], dtype=np.intp),
        centre=np.array(centres).reshape(-1, 3),
        scatter_var=np.array(scatters).reshape(-1, 3),
    )


def _start(
    seen: _Seen, prepared: Prepared, profile: Profile, size: int, tops: Sequence[int], mirror: bool
) -> _Modes:
    """The best hypotheses by the evidence of the one-coloured groups alone."""
    found_tops, found_colours, found_log = [], [], []
    groups = {top: _groups(seen, size, top, profile.scheme, mirror) for top in tops}
    for top in tops:
        _, colours, mirrored = under_top(size, top, profile.scheme, mirror)
        own = groups[top]
        spread = own.scatter_var[:, :, None] * np.eye(3)
        log_evidence = group_evidence(prepared, own.centre, spread, colours[:, own.faces])
        log_evidence = log_evidence + np.where(mirrored == 1, np.log(0.01), np.log(0.99))
        found_tops.append(np.full(len(colours), top, dtype=np.intp))
        found_colours.append(colours)
        found_log.append(log_evidence)
    tops_all, colours_all = np.concatenate(found_tops), np.concatenate(found_colours)
    log_all = np.concatenate(found_log)
    chosen: list[int] = []
    known: set[tuple[int, ...]] = set()
    for h in np.argsort(-log_all, kind="stable"):
        if log_all[h] < log_all.max() - START_NATS or len(chosen) == MAX_MODES:
            break
        # colourings that differ only on hidden faces start the same light
        key = (
            int(tops_all[h]),
            int(colours_all[h, tops_all[h]]),
            *(int(c) for c in colours_all[h, list(seen.faces)]),
        )
        if key not in known:
            known.add(key)
            chosen.append(int(h))
    return _Modes(tops_all[chosen], colours_all[chosen], groups)


def _label_prior(seen: _Seen, modes: _Modes, profile: Profile, size: int, mirror: bool) -> Floats:
    """Log prior (S, N, 6) of each sticker's colour under each mode, before the decoder has spoken."""
    per_face = size * size
    opposite = {c: profile.scheme[(f + 3) % 6] for f, c in enumerate(profile.scheme)}
    faces = seen.place // per_face
    out = np.full((len(modes.tops), len(seen.place), 6), -40.0)
    for s, (top, colours) in enumerate(zip(modes.tops, modes.colours, strict=True)):
        fixed = under_top(size, int(top), profile.scheme, mirror)[0][seen.place]
        top_colour = int(colours[top])
        share = np.where(faces == top, TOP_SHARE, SIDE_SHARE)
        moving = np.repeat(np.log((1.0 - share) / 4.0)[:, None], 6, axis=1)
        moving[:, top_colour] = np.log(share)
        moving[:, opposite[top_colour]] = -40.0
        out[s, ~fixed] = moving[~fixed]
        if seen.second is not None and top == 0:
            out[s] = shifted(out[s], seen.second, colours)
        out[s, np.flatnonzero(fixed), colours[faces[fixed]]] = 0.0
    return out


def _score(seen: _Seen, model: ColourModel, light: LightFit, shares: Floats) -> StickerScores:
    return sticker_loglik(
        model,
        seen.features,
        seen.face_of,
        light.cell_mean,
        light.cell_cov,
        seen.measure_var,
        seen.outlier_share,
        shares,
    )


def _update(
    seen: _Seen,
    prepared: Prepared,
    model: ColourModel,
    responsibility: Floats,
    scores: StickerScores,
    cell_mean: Floats,
) -> LightFit:
    """The light of each mode from soft labels (S, N, 6)."""
    return posterior(
        prepared,
        *information(model, seen.features, seen.face_of, seen.measure_var, responsibility, scores, cell_mean),
    )


def _full(seen: _Seen, values: Floats, size: int) -> Floats:
    out = np.zeros((6 * size * size, *values.shape[1:]))
    out[seen.place] = values
    return out.reshape(6, size, size, *values.shape[1:])


def read_stickers(
    samples: StickerSamples,
    profile: Profile | None = None,
    *,
    tops: Sequence[int] | None = None,
    front: int = 2,
    mirror: bool = True,
    second: NDArray[np.floating] | None = None,
) -> Reading:
    """Read the stickers of one cube in one picture.

    profile  colour model and scheme; None for the built-in one
    tops     pose faces that may be the last layer's; None for all that are visible
    front    pose face to be called F in the state
    second   (6, n, n, 6) log probabilities that a sticker has the colour of each pose face, from elsewhere,
             made under pose face 0 as the top; all 0 where nothing is known
    Raises ValueError when no sticker was seen at all.
    """
    profile = profile or default_profile()
    size = samples.size
    seen = _gather(samples, profile, second)
    if not len(seen.place):
        raise ValueError("no sticker of the cube was seen")
    prepared = prepare(profile)
    model = profile.model
    tries = tuple(tops) if tops is not None else seen.faces
    modes = _start(seen, prepared, profile, size, tries, mirror)
    prior = _label_prior(seen, modes, profile, size, mirror)
    light = _first_light(modes, prepared, model, len(seen.faces))
    faces = len(seen.faces)
    shares = np.broadcast_to(model.glare_share, (len(prior), faces, len(model.glare_share)))
    for give_up in GIVE_UP_NATS:
        scores = _score(seen, model, light, shares)
        joint = prior + scores.loglik
        evidence = log_sum(joint).sum(axis=1) + light.log_occam
        # another top may explain away more than the same one in other colours
        same_top = modes.tops == modes.tops[evidence.argmax()]
        keep = evidence > evidence.max() - np.where(same_top, give_up[0], give_up[1])
        if not keep.all():
            joint, prior, light, scores = joint[keep], prior[keep], light.chosen(keep), scores.chosen(keep)
            modes = modes.chosen(keep)
        responsibility = np.exp(joint - log_sum(joint)[..., None])
        light = _update(seen, prepared, model, responsibility, scores, light.cell_mean)
        shares = face_variants(model, seen.face_of, responsibility, scores.share, faces)
    return _decode_modes(samples, profile, seen, prepared, modes, light, shares, prior, front, mirror)


def _first_light(modes: _Modes, prepared: Prepared, model: ColourModel, faces: int) -> LightFit:
    """Light of each mode from the groups whose colour it knows."""
    count = len(modes.tops)
    told, pull = np.zeros((count, faces, 6, 3, 3)), np.zeros((count, faces, 6, 3))
    for s, top in enumerate(modes.tops):
        own = modes.groups[int(top)]
        labels = modes.colours[s, own.faces]
        cov = model.sticker_cov[labels] + own.scatter_var[:, :, None] * np.eye(3)
        told[s, own.index, labels] = inverse_and_log_det(cov)[0]
        pull[s, own.index, labels] = (told[s, own.index, labels] @ own.centre[..., None])[..., 0]
    return posterior(prepared, told, pull)


def _decode_modes(
    samples: StickerSamples,
    profile: Profile,
    seen: _Seen,
    prepared: Prepared,
    modes: _Modes,
    light: LightFit,
    shares: Floats,
    prior: Floats,
    front: int,
    mirror: bool,
) -> Reading:
    size, model = samples.size, profile.model

    def decoded(values: Floats, mode: int) -> Posterior:
        top = int(modes.tops[mode])
        told = values
        if seen.second is not None and top == 0:
            told = joined(values, seen.second, modes.colours[mode])
        return decode(
            _full(seen, told, size) / model.temperature,
            scheme=profile.scheme,
            tops=(top,),
            front=front,
            mirror=mirror,
        )

    scores = _score(seen, model, light, shares)
    loglik = scores.loglik
    first = [decoded(loglik[s], s) for s in range(len(modes.tops))]
    weight = np.array([p.log_evidence for p in first]) + light.log_occam / model.temperature
    keep = np.flatnonzero(weight > weight.max() - KEEP_NATS)
    marginals = np.stack([first[s].marginals.reshape(-1, 6)[seen.place] for s in keep])
    joint = (prior + loglik)[keep]
    by_itself = np.exp(joint - log_sum(joint)[..., None])
    light, scores = light.chosen(keep), scores.chosen(keep)
    loglik, final = loglik[keep], [first[s] for s in keep]
    if np.abs(marginals - by_itself).max() > SETTLED_SHARE:
        light = _update(seen, prepared, model, marginals, scores, light.cell_mean)
        shares = face_variants(model, seen.face_of, marginals, scores.share, len(seen.faces))
        scores = _score(seen, model, light, shares)
        loglik = scores.loglik
        final = [decoded(loglik[i], int(s)) for i, s in enumerate(keep)]
    price = light.log_occam / model.temperature
    best = int(np.argmax([p.log_evidence + c for p, c in zip(final, price, strict=True)]))
    scored = tuple(
        replace(part, log_weight=part.log_weight + c - price[best])
        for p, c in zip(final, price, strict=True)
        for part in p.scored
    )
    log_evidence = float(log_sum(np.concatenate([part.log_weight for part in scored])))
    log_any = final[best].log_evidence_any
    if log_evidence - log_any < DOUBTED_NATS:
        free = unbound_evidence(
            prepared, model, seen.features, seen.face_of, seen.measure_var, seen.outlier_share
        )
        log_any = max(log_any, free / model.temperature - float(price[best]))
    mixed = replace(final[best], scored=scored, log_evidence=log_evidence, log_evidence_any=log_any)
    features = np.full((6, 6, 3), np.nan)
    features[list(seen.faces)] = light.cell_mean[best]
    marginal = np.exp(loglik[best] - log_sum(loglik[best])[:, None])
    return Reading(
        posterior=mixed,
        loglik=_full(seen, loglik[best], size),
        class_features=features,
        clean=_full(seen, (marginal * scores.share[best, ..., 0]).sum(axis=1)[:, None], size)[..., 0],
        light_oddity=_oddity(prepared, light, best),
        log_light=float(price[best]),
    )


def _oddity(prepared: Prepared, light: LightFit, mode: int) -> float:
    """Squared distance of a mode's class means from the profile's, over what it is for such a cube."""
    off = light.mean[mode, :18] - prepared.mean
    distance = float(off @ prepared.picture_precision @ off)
    told = 18.0 - float(np.sum(prepared.picture_precision * light.cov[mode, :18, :18]))
    return distance / max(told, 1.0)
