"""From sticker samples to the posterior over last-layer states, with the picture's light fitted on the way.

Reading starts from hypotheses, not from a guess of the light (calibration/modes.py). The best few become
modes; each fits its own light by a few EM steps over all stickers, soft labels first sticker by sticker, then
from the decoder. The answer mixes the modes' decoder posteriors by their evidence, the light's price
included, so a reading that hangs on an unlikely light says so in its probability.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calibration.classifier import inverse_and_log_det
from calibration.exchange import exchanged
from calibration.light import LightFit, Prepared, posterior, prepare
from calibration.misnamed import naming_nats, with_doubt
from calibration.modes import MIRROR_START, Modes, Seen, gather, label_prior, start
from calibration.profile import ColourModel, Profile, default_profile
from calibration.samples import StickerSamples
from calibration.second_opinion import joined, weights_for
from calibration.steps import Fit, refitted, told_by
from calibration.unbound import unbound_evidence
from models.decode import MIRROR_PRIOR, decode_each
from models.decode_scores import log_sum
from models.posterior import Posterior

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]

#: Modes this many nats below the best are given up once stickers have spoken, for each EM step: with the same
#: top, with another top
GIVE_UP_NATS = ((24.0, 35.0), (6.0, 18.0))
#: The same with a cube's own colours: these pin a light down, which takes a few steps to settle, and the true
#: mode may gain more than ten nats by them.
GIVE_UP_OWN_NATS = ((24.0, 35.0), (24.0, 35.0), (18.0, 24.0), (12.0, 18.0))
KEEP_NATS = 6.0
#: Probability of a mirror image in a picture that is told to be one.
TOLD = 1.0 - 1e-6
#: Where a last layer is likelier than any colours by less than this, the latter get a light of their own.
DOUBTED_NATS = 25.0
#: Where the decoder moves no sticker's colour by more than this probability, its first answer stands.
SETTLED_SHARE = 0.05


@dataclass(frozen=True, eq=False)
class Reading:
    """What one picture's stickers say.

    posterior      models.posterior.Posterior, the modes mixed
    loglik         (6, n, n, 6) log-likelihoods under the best mode's light, nats, 0 where nothing was seen
    joined_loglik  (6, n, n, 6) the same with a second opinion weighed in, where there is one
    class_features (6, 6, 3) expected log light of each colour on each pose face under that light
                   (NaN on faces that were not seen)
    clean          (6, n, n) probability that the sticker's pixels are its own, free of glare and cover
    log_light      what the best mode's light costs, nats (its prior, and how finely it had to be chosen)
    is_general     whether the general colours were read with in place of a cube's own that were asked for
    """

    posterior: Posterior
    loglik: Floats
    joined_loglik: Floats
    class_features: Floats
    clean: Floats
    log_light: float = 0.0
    is_general: bool = False

    @property
    def log_evidence(self) -> float:
        """Log evidence with the price of the light in it: comparable between profiles and schemes."""
        return self.posterior.log_evidence + self.log_light


def _full(seen: Seen, values: Floats, size: int) -> Floats:
    """Values (..., N, K) of the stickers seen as (..., 6, n, n, K), 0 where nothing was seen."""
    out = np.zeros((*values.shape[:-2], 6 * size * size, values.shape[-1]))
    out[..., seen.place, :] = values
    return out.reshape(*values.shape[:-2], 6, size, size, values.shape[-1])


def read_stickers(
    samples: StickerSamples,
    profile: Profile | None = None,
    *,
    tops: Sequence[int] | None = None,
    front: int = 2,
    mirror: bool = True,
    mirrored: bool = False,
    second: NDArray[np.floating] | None = None,
) -> Reading:
    """Read the stickers of one cube in one picture.

    profile  colour model and scheme; None for the built-in one
    tops     pose faces that may be the last layer's; None for all that are visible
    front    pose face to be called F in the state
    mirror   whether mirror images are tried at all; ``mirrored``: whether the picture is known to be one
    second   (6, n, n, 6) log probabilities that a sticker has the colour of each pose face, from elsewhere,
             made under pose face 0 as the top; all 0 where nothing is known
    Raises ValueError when no sticker was seen at all.
    """
    profile = profile or default_profile()
    seen = _seen(samples, profile, second)
    prepared = prepare(profile)
    *_, (modes, fit) = _followed(
        seen, prepared, profile, samples.size, tops if tops is not None else seen.faces, mirror, mirrored
    )
    return _decode_modes(samples, profile, seen, prepared, modes, fit, front, mirror, mirrored=mirrored)


def likeliest_top(samples: StickerSamples, profile: Profile, *, mirrored: bool = False) -> int:
    """The pose face in view that reads best as the last layer's: the top of :func:`read_stickers`.

    Mostly one is left long before all is read. Raises ValueError when no sticker was seen at all.
    """
    seen = _seen(samples, profile, None)
    prepared = prepare(profile)
    for left in _followed(seen, prepared, profile, samples.size, seen.faces, True, mirrored):
        tops = left[0].tops
        if (tops == tops[0]).all():
            return int(tops[0])
    reading = _decode_modes(
        samples, profile, seen, prepared, *left, 2, True, any_colours=False, mirrored=mirrored
    )
    return reading.posterior.top


def _seen(samples: StickerSamples, profile: Profile, second: NDArray[np.floating] | None) -> Seen:
    seen = gather(samples, profile, second)
    if not len(seen.place):
        raise ValueError("no sticker of the cube was seen")
    return seen


def _followed(
    seen: Seen,
    prepared: Prepared,
    profile: Profile,
    size: int,
    tops: Sequence[int],
    mirror: bool,
    mirrored: bool,
) -> Iterator[tuple[Modes, Fit]]:
    """The modes left at each step, with their light so far; last those left, with their light at rest."""
    model = profile.model
    modes = start(seen, prepared, profile, size, tops, mirror, TOLD if mirrored else MIRROR_START)
    prior = label_prior(seen, modes, profile, size, mirror)
    faces = len(seen.faces)
    shares = np.broadcast_to(model.glare_share, (len(prior), faces, len(model.glare_share)))
    fit = Fit(_first_light(modes, prepared, model, faces), shares, prior)
    for give_up in GIVE_UP_OWN_NATS if profile.samples else GIVE_UP_NATS:
        told = told_by(seen, model, fit)
        evidence = told.evidence
        # another top may explain away more than the same one in other colours
        same_top = modes.tops == modes.tops[evidence.argmax()]
        keep = evidence > evidence.max() - np.where(same_top, give_up[0], give_up[1])
        if not keep.all():
            fit, told, modes = fit.chosen(keep), told.chosen(keep), modes.chosen(keep)
        yield modes, fit
        fit = refitted(seen, prepared, model, fit, told, told.labels)
    if profile.samples:  # a general model leaves so much open that such an exchange tells nothing
        fit = exchanged(seen, prepared, model, modes, fit)
    yield modes, fit


def _first_light(modes: Modes, prepared: Prepared, model: ColourModel, faces: int) -> LightFit:
    """Light of each mode from the groups whose colour it knows."""
    count = len(modes.tops)
    told, pull = np.zeros((count, faces, 6, 3, 3)), np.zeros((count, faces, 6, 3))
    for top, own in modes.groups.items():
        rows = np.flatnonzero(modes.tops == top)[:, None]
        labels = modes.colours[rows, own.faces]
        spread = own.scatter_var[:, :, None] * np.eye(3)
        precision = inverse_and_log_det(model.sticker_cov[labels] + spread)[0]
        told[rows, own.index, labels] = precision
        pull[rows, own.index, labels] = (precision @ own.centre[..., None])[..., 0]
    return posterior(prepared, told, pull)


def _decode_modes(
    samples: StickerSamples,
    profile: Profile,
    seen: Seen,
    prepared: Prepared,
    modes: Modes,
    fit: Fit,
    front: int,
    mirror: bool,
    *,
    any_colours: bool = True,
    mirrored: bool = False,
) -> Reading:
    """The reading that these modes come to; without ``any_colours`` its evidence for such is not looked for,
    with a light of its own where that is close, but only what the decoder says of it."""
    size, model = samples.size, profile.model

    def with_second(values: Floats, of_modes: Ints) -> Floats:  # modes with one top
        if seen.second is None or modes.tops[of_modes[0]] != 0:
            return values
        weights = weights_for(size, seen.place < size * size)
        return joined(values, seen.second, modes.colours[of_modes], weights)

    def decoded(values: Floats, of_modes: Ints) -> list[Posterior]:
        found: dict[int, Posterior] = {}
        tops = modes.tops[of_modes]
        for top in dict.fromkeys(tops.tolist()):
            rows = np.flatnonzero(tops == top)
            posteriors = decode_each(
                _full(seen, with_second(values[rows], of_modes[rows]), size) / model.temperature,
                scheme=profile.scheme,
                tops=(top,),
                front=front,
                mirror=mirror,
                mirror_prior=TOLD if mirrored else MIRROR_PRIOR,
            )
            found |= zip(rows.tolist(), posteriors, strict=True)
        return [found[i] for i in range(len(of_modes))]

    told = told_by(seen, model, fit)
    loglik = told.scores.loglik
    first = decoded(loglik, np.arange(len(modes.tops)))
    weight = np.array([p.log_evidence for p in first]) + fit.light.log_occam / model.temperature
    keep = np.flatnonzero(weight > weight.max() - KEEP_NATS)
    marginals = np.stack([first[s].marginals.reshape(-1, 6)[seen.place] for s in keep])
    fit, told = fit.chosen(keep), told.chosen(keep)
    final = [first[s] for s in keep]
    if np.abs(marginals - told.labels).max() > SETTLED_SHARE:
        fit = refitted(seen, prepared, model, fit, told, marginals)
        told = told_by(seen, model, fit)
        final = decoded(told.scores.loglik, keep)
    light, scores, loglik = fit.light, told.scores, told.scores.loglik
    price = light.log_occam / model.temperature
    best = int(np.argmax([p.log_evidence + c for p, c in zip(final, price, strict=True)]))
    scored = tuple(
        replace(part, log_weight=part.log_weight + c - price[best])
        for p, c in zip(final, price, strict=True)
        for part in p.scored
    )
    log_evidence = float(log_sum(np.concatenate([part.log_weight for part in scored])))
    log_any = final[best].log_evidence_any
    if any_colours and log_evidence - log_any < DOUBTED_NATS:
        # less than what a last layer has is no rival, however much less it is
        rival = (log_evidence + float(price[best])) * model.temperature
        free = unbound_evidence(seen, prepared, model, least=rival) / model.temperature
        log_any = max(log_any, free - float(price[best]))
    mixed = replace(final[best], scored=scored, log_evidence=log_evidence, log_evidence_any=log_any)
    if mixed.mirrored and not mirrored:
        own = _full(seen, loglik[best], size)
        mixed = with_doubt(mixed, naming_nats(mixed, own, samples.coverage, profile.scheme))
    features = np.full((6, 6, 3), np.nan)
    features[list(seen.faces)] = light.cell_mean[best]
    marginal = np.exp(loglik[best] - log_sum(loglik[best])[:, None])
    return Reading(
        posterior=mixed,
        loglik=_full(seen, loglik[best], size),
        joined_loglik=_full(seen, with_second(loglik[[best]], keep[[best]])[0], size),
        class_features=features,
        clean=_full(seen, (marginal * scores.share[best, ..., 0]).sum(axis=1)[:, None], size)[..., 0],
        log_light=float(price[best]),
    )
