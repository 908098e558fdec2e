"""Make the colour model of one cube out of a general one and a few of its pictures.

The general model lets a picture's six class means scatter for two reasons: another cube, another light. For
one cube the first is a constant that its pictures tell. With ``y = cube + light`` for the 18 numbers of a
picture, ``cube ~ N(mean, (1 - LIGHT_SHARE) picture_cov)`` and ``light ~ N(0, LIGHT_SHARE picture_cov)``, the
posterior of ``cube`` given all pictures has a closed form; its mean becomes the class means, and what is
left to know of it plus the light becomes the picture's covariance. One picture already helps, and
many cannot claim more than their lights bear out. What stickers and faces add is re-estimated by
:func:`calibration.learning.fit_model`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from calibration.learning import LabelledPicture, fit_model, solve_picture
from calibration.light import Prepared, prepare
from calibration.profile import ColourModel, Profile

Floats = NDArray[np.float64]

LIGHT_SHARE: Final = 0.7
"""Share of the general picture covariance that light and camera make for one and the same cube: within
against all variance over the shade sets of the project's path-traced pictures."""
LIGHT_PICTURES: Final = 20.0
"""Weight of the general covariance of the light, in pictures, beside those of the cube."""


@dataclass(frozen=True, eq=False)
class PictureWord:
    """What one picture says of its own 18 class means: precision (18, 18) and precision times mean (18,)."""

    precision: Floats
    pull: Floats


def word_of(model: ColourModel, prepared: Prepared, picture: LabelledPicture) -> PictureWord:
    """The picture's evidence with the model's prior taken out."""
    light, _, _ = solve_picture(model, prepared, picture)
    inverse = np.linalg.inv(light.cov[0, :18, :18])
    precision = inverse - prepared.picture_precision
    values, vectors = np.linalg.eigh((precision + precision.T) / 2)
    precision = (vectors * np.maximum(values, 0.0)) @ vectors.T
    pull = inverse @ light.mean[0, :18] - prepared.picture_precision @ prepared.mean
    return PictureWord(precision, pull)


def cube_posterior(
    words: Sequence[PictureWord], mean: Floats, cube_cov: Floats, light_cov: Floats
) -> tuple[Floats, Floats]:
    """Mean (18,) and covariance (18, 18) of the cube's class means given its pictures."""
    prior = np.linalg.inv(cube_cov)
    precision, pull = prior.copy(), prior @ mean
    for word in words:
        damp = np.linalg.inv(np.eye(18) + word.precision @ light_cov)
        precision = precision + damp @ word.precision
        pull = pull + damp @ word.pull
    cov = np.linalg.inv((precision + precision.T) / 2)
    return np.asarray(cov @ pull), np.asarray(cov)


def light_covariance(words: Sequence[PictureWord], cube: Floats, light_cov: Floats) -> Floats:
    """The light's covariance (18, 18) re-estimated from the pictures, held by ``light_cov``."""
    total = LIGHT_PICTURES * light_cov
    prior = np.linalg.inv(light_cov)
    for word in words:
        cov = np.linalg.inv(prior + word.precision)
        off = cov @ (prior @ cube + word.pull) - cube
        total = total + np.outer(off, off) + cov
    return np.asarray(total / (LIGHT_PICTURES + len(words)))


def adapt(base: ColourModel, pictures: Sequence[LabelledPicture], *, steps: int = 3) -> ColourModel:
    """The colour model of the cube in ``pictures``, which were labelled; ``base`` is the general model.

    Raises ValueError without pictures.
    """
    if not pictures:
        raise ValueError("a cube's colours cannot be learned from no picture")
    light_cov = LIGHT_SHARE * base.picture_cov
    cube_cov = (1.0 - LIGHT_SHARE) * base.picture_cov
    model = base
    for _ in range(steps):
        prepared = prepare(Profile("adapting", model))
        words = [word_of(model, prepared, picture) for picture in pictures]
        mean, cov = cube_posterior(words, base.mean.reshape(18), cube_cov, light_cov)
        light_now = light_covariance(words, mean, light_cov)
        model = replace(model, mean=mean.reshape(6, 3), picture_cov=_symmetric(cov + light_now))
    rest = fit_model(model, pictures, steps=2, prior_pictures=12.0)
    return replace(
        rest,
        mean=model.mean,
        picture_cov=model.picture_cov,
        glare_share=model.glare_share,
        sticker_cov=_symmetric((rest.sticker_cov + base.sticker_cov) / 2.0),
    )


def _symmetric(matrix: Floats) -> Floats:
    return np.asarray((matrix + np.swapaxes(matrix, -1, -2)) / 2.0)
