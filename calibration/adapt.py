"""Make the colour model of one cube out of a general one and a few of its pictures.

The general model lets a picture's six class means scatter for two reasons: another cube, another light. For
one cube the first is a constant that its pictures tell. With ``y = cube + light`` for the 18 numbers of a
picture, ``cube ~ N(mean, cube_cov)`` and the light's covariance as its colours have it
(:mod:`calibration.lamps`), the posterior of ``cube`` given all pictures has a closed form; its mean becomes
the class means, and what is left to know of it plus the light becomes the picture's covariance.

Two things keep it honest. Pictures taken to calibrate are mostly taken under one lamp, so most of the light,
though not its brightness, counts as theirs in common, unless they speak against it: agreeing pictures do not
take the lamp for the cube. And each colour may be an unusual one, black for white or a pastel: its own part
of ``cube_cov`` is widened where the pictures bear that out. What single colours on a face and single stickers
add is carried over from the general model to the colours found (:func:`calibration.lamps.scatter_at`), and
re-estimated by :func:`calibration.learning.fit_model`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

from calibration.lamps import light_covariance, moves_behind, scatter_at, shared_covariance
from calibration.learning import LabelledPicture, fit_model, solve_pictures
from calibration.light import Prepared, prepare_model
from calibration.profile import ColourModel

Floats = NDArray[np.float64]

DIFFERENT_NATS: Final = 2.0
"""How much better lights that differ must explain the pictures."""
UNUSUAL: Final = ((0.25, 0.2), (0.7, 0.4), (2.0, 0.6))
"""Standard deviations, log units, by which an unusual colour may be lighter, and of another hue, than the
general model's cubes allow: another batch, a pastel, black for white."""
UNUSUAL_NATS: Final = 0.5
"""How much better an unusual colour must explain the pictures."""
LEAST_VAR: Final = 1e-4
"""Variance that a direction of the cubes' covariance keeps at least, square log units."""
STEPS: Final = 3
"""How often the cube's colours are found anew, each time with the light as those colours have it."""


@dataclass(frozen=True, eq=False)
class PictureWord:
    """What one picture says of its own 18 class means: precision (18, 18) and precision times mean (18,)."""

    precision: Floats
    pull: Floats


@dataclass(frozen=True, eq=False)
class TogetherWord:
    """What pictures say together of what they have in common, each with a light of its own taken out.

    ``log_scale``: log evidence that does not depend on what they have in common.
    """

    precision: Floats
    pull: Floats
    log_scale: float


def words_of(
    model: ColourModel, prepared: Prepared, pictures: Sequence[LabelledPicture]
) -> list[PictureWord]:
    """Each picture's evidence with the model's prior taken out."""
    lights = [one.light for one in solve_pictures(model, prepared, pictures)]
    inverse = np.linalg.inv(np.stack([light.cov[0, :18, :18] for light in lights]))
    precision = inverse - prepared.picture_precision
    values, vectors = np.linalg.eigh(_symmetric(precision))
    precision = (vectors * np.maximum(values, 0.0)[:, None]) @ vectors.swapaxes(-1, -2)
    before = prepared.picture_precision @ prepared.mean
    pulls = [own @ light.mean[0, :18] - before for own, light in zip(inverse, lights, strict=True)]
    return [PictureWord(own, pull) for own, pull in zip(precision, pulls, strict=True)]


def words_together(words: Sequence[PictureWord], light_cov: Floats) -> TogetherWord:
    """The pictures' evidence with each picture's own light, N(0, light_cov), integrated out."""
    precision, pull, log_scale = np.zeros((18, 18)), np.zeros(18), 0.0
    for word in words:
        spread = np.eye(18) + light_cov @ word.precision
        damp = np.linalg.inv(spread).T
        precision = precision + damp @ word.precision
        pull = pull + damp @ word.pull
        log_scale += 0.5 * float(word.pull @ np.linalg.solve(spread, light_cov @ word.pull))
        log_scale -= 0.5 * float(np.linalg.slogdet(spread)[1])
    return TogetherWord((precision + precision.T) / 2, pull, log_scale)


def log_evidence(word: TogetherWord, mean: Floats, cov: Floats) -> float:
    """Log evidence of the pictures if what they have in common is N(mean (18,), cov (18, 18))."""
    spread = np.eye(18) + cov @ word.precision
    off = word.pull - word.precision @ mean
    value = word.pull @ mean - 0.5 * mean @ word.precision @ mean
    value += 0.5 * off @ np.linalg.solve(spread, cov @ off) - 0.5 * np.linalg.slogdet(spread)[1]
    return word.log_scale + float(value)


def cube_posterior(
    words: Sequence[PictureWord],
    mean: Floats,
    cube_cov: Floats,
    light_cov: Floats,
    shared_cov: Floats | None = None,
) -> tuple[Floats, Floats]:
    """Mean (18,) and covariance (18, 18) of the cube's class means given its pictures.

    ``shared_cov`` (18, 18): the part of the light's covariance that all pictures have in common; None: none.
    """
    shared_cov = np.zeros_like(light_cov) if shared_cov is None else shared_cov
    own = words_together(words, light_cov - shared_cov)
    both_cov = cube_cov + shared_cov
    seen_cov = np.linalg.inv(np.linalg.inv(both_cov) + own.precision)
    seen = mean + seen_cov @ (own.pull - own.precision @ mean)
    gain = cube_cov @ np.linalg.inv(both_cov)
    cov = cube_cov - gain @ cube_cov + gain @ seen_cov @ gain.T
    return np.asarray(mean + gain @ (seen - mean)), _symmetric(cov)


def usual_cubes(base: ColourModel) -> Floats:
    """Covariance (18, 18) between cubes of the general model: its pictures' without the light's."""
    values, vectors = np.linalg.eigh(base.picture_cov - light_covariance(base.mean, base.floor))
    return np.asarray((vectors * np.maximum(values, LEAST_VAR)) @ vectors.T)


def scatter(lightness: float, hue: float) -> Floats:
    """Covariance (3, 3) of a colour's log light that may be off by these standard deviations, log units: by
    ``lightness`` in all channels alike, by ``hue`` in each by itself."""
    return np.asarray(lightness**2 * np.ones((3, 3)) + hue**2 * np.eye(3))


def widened(
    cube_cov: Floats, words: Sequence[PictureWord], mean: Floats, light_cov: Floats, shared_cov: Floats
) -> tuple[Floats, bool]:
    """``cube_cov`` with the colours that the pictures show to be unusual let free, and whether one light is
    likelier, which gives them ``shared_cov`` in common.

    Colour by colour, each as unusual as explains the pictures best, until none changes.
    """
    shared = words_together(words, light_cov - shared_cov)
    apart = words_together(words, light_cov)

    def cov_of(levels: Sequence[int]) -> Floats:
        out = cube_cov.copy()
        for k, level in enumerate(levels):
            if level:
                span = slice(3 * k, 3 * k + 3)
                out[span, span] += scatter(*UNUSUAL[level - 1])
        return out

    def worth(levels: Sequence[int]) -> tuple[float, bool]:
        cov = cov_of(levels)
        together = log_evidence(shared, mean, cov + shared_cov)
        different = log_evidence(apart, mean, cov) - DIFFERENT_NATS if len(words) > 1 else -np.inf
        price = UNUSUAL_NATS * sum(level > 0 for level in levels)
        return max(together, different) - price, together >= different

    levels = [0] * 6
    best, one_light = worth(levels)
    changed = True
    while changed:
        changed = False
        for k in range(6):
            for level in range(len(UNUSUAL) + 1):
                tried = [*levels[:k], level, *levels[k + 1 :]]
                value, its_light = worth(tried)
                if value > best + 1e-9:
                    best, one_light, levels, changed = value, its_light, tried, True
    return cov_of(levels), one_light


@lru_cache(maxsize=4)
def _moves_behind(base: ColourModel) -> tuple[tuple[Floats, float], tuple[Floats, float]]:
    return (
        moves_behind(base.cell_cov, base.mean, base.floor),
        moves_behind(base.sticker_cov, base.mean, base.floor),
    )


def carried_over(base: ColourModel, model: ColourModel) -> ColourModel:
    """``model`` with the cells and stickers of ``base`` as they scatter at the colours of ``model``."""
    cells, stickers = _moves_behind(base)
    return replace(
        model,
        cell_cov=scatter_at(*cells, model.mean, base.floor),
        sticker_cov=scatter_at(*stickers, model.mean, base.floor),
    )


def first_word(base: ColourModel, picture: LabelledPicture) -> PictureWord | None:
    """What a picture says under the general model, which no other picture changes; None without stickers."""
    return words_of(base, prepare_model(base), [picture])[0] if len(picture.labels) else None


def adapt(
    base: ColourModel,
    pictures: Sequence[LabelledPicture],
    first: Sequence[PictureWord | None] | None = None,
    *,
    carry: bool = True,
) -> ColourModel:
    """The colour model of the cube in ``pictures``, which were labelled; ``base`` is the general model.

    ``first``: the :func:`first_word` of each, where these are known already. ``carry``: whether the scatter
    is :func:`carried_over`, not where the labels themselves are in question: it would suit any. Pictures
    without a labelled sticker say nothing. Raises ValueError without others.
    """
    known = None if first is None else [word for word in first if word is not None]
    pictures = [one for one in pictures if len(one.labels)]
    if not pictures:
        raise ValueError("a cube's colours cannot be learned from no picture")
    mean0 = base.mean.reshape(18)
    model, cube_cov, one_light = base, usual_cubes(base), True
    for step in range(STEPS):
        prepared = prepare_model(model)
        light_cov = light_covariance(model.mean, base.floor)
        shared_cov = shared_covariance(model.mean, base.floor)
        words = known if step == 0 and known is not None else words_of(model, prepared, pictures)
        if step == 0:  # later the light is that of the colours found, which would argue in a circle
            cube_cov, one_light = widened(cube_cov, words, mean0, light_cov, shared_cov)
        mean, cov = cube_posterior(words, mean0, cube_cov, light_cov, shared_cov if one_light else None)
        light_cov = light_covariance(mean, base.floor)
        model = replace(model, mean=mean.reshape(6, 3), picture_cov=_symmetric(cov + light_cov))
        model = carried_over(base, model) if carry else model
    rest = fit_model(model, pictures, steps=2, prior_pictures=12.0)
    return replace(
        rest,
        mean=model.mean,
        picture_cov=model.picture_cov,
        glare_share=model.glare_share,
        sticker_cov=_symmetric((rest.sticker_cov + model.sticker_cov) / 2.0),
    )


def _symmetric(matrix: Floats) -> Floats:
    return np.asarray((matrix + np.swapaxes(matrix, -1, -2)) / 2.0)
