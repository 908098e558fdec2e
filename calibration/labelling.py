"""Shots of a cube and the labels of their stickers: by the decoder's posterior, or as they were told."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

from calibration.adapt import PictureWord, adapt, first_word
from calibration.colour import log_light
from calibration.learning import LabelledPicture
from calibration.modes import PIXEL_NOISE, SPREAD_SHARE
from calibration.profile import COLOURS, ColourModel, ColourSample, Profile
from calibration.reading import Reading, read_stickers
from calibration.samples import StickerSamples
from models.decode_doubt import is_doubted
from models.turns import FACES

Ints = NDArray[np.intp]

SURE: Final = 0.9
"""Posterior from which a sticker's label is taken."""
COVERED: Final = 0.5
"""A sticker teaches where more than this share of it is seen."""
WHITE: Final = COLOURS.index("white")
"""The lightest of the usual colours."""
DIFFERING: Final = 0.12
"""Share of a picture's stickers that may be labelled otherwise by the model of the other pictures."""


@dataclass(frozen=True, eq=False)
class Shot:
    """The stickers of one picture; ``light`` names the light where the person told it, ``told`` (6, n, n) the
    colour index of every sticker. ``mirror_of`` names a picture that is the mirror image of this one as a
    whole."""

    name: str
    samples: StickerSamples
    light: str = ""
    told: Ints | None = None
    mirror_of: str = ""


@dataclass(frozen=True, eq=False)
class LabelledShot:
    """A shot with its labels (colour index (6, n, n), -1: none is sure) and the reading behind them."""

    shot: Shot
    labels: Ints
    reading: Reading

    @property
    def size(self) -> int:
        """n of the cube."""
        return self.shot.samples.size


def teaching(samples: StickerSamples, labels: Ints) -> NDArray[np.bool_]:
    """Which stickers (6, n, n) teach: labelled (label >= 0), seen well enough, not burnt out by light.

    White may be burnt out: it is so first, and nothing that is brighter could be meant.
    """
    burnt_out = samples.burnt_out & (labels != WHITE)
    return np.asarray((labels >= 0) & (samples.coverage > COVERED) & ~burnt_out)


def labelled_picture(samples: StickerSamples, labels: Ints, model: ColourModel) -> LabelledPicture:
    """Features of the stickers that teach, for learning."""
    rows = np.argwhere(teaching(samples, labels))
    index = tuple(rows.T)
    linear = samples.linear_rgb[index].astype(np.float64)
    spread = samples.spread_rgb[index].astype(np.float64)
    faces = np.unique(rows[:, 0])
    noise_var = (PIXEL_NOISE**2 + (SPREAD_SHARE * spread) ** 2) / samples.coverage[index][:, None]
    return LabelledPicture(
        features=log_light(linear, model.floor),
        face_of=np.searchsorted(faces, rows[:, 0]),
        labels=labels[index].astype(np.intp),
        measure_var=noise_var / (linear + model.floor) ** 2,
        weight=np.ones(len(rows)),
    )


def label_shot(shot: Shot, profile: Profile, otherwise: Ints | None = None) -> LabelledShot:
    """Label a shot's stickers with the decoder's posterior under ``profile``, or as a person told them.

    ``otherwise`` (6, n, n): labels that all pictures together gave. They fill in where the posterior is not
    sure, and stand where it contradicts them throughout: one picture alone knows less.
    """
    reading = read_stickers(shot.samples, profile, mirror=False)
    marginals = reading.posterior.marginals
    labels = marginals.argmax(axis=-1).astype(np.intp)
    unsure = marginals.max(axis=-1) < SURE
    if otherwise is None:
        labels[unsure] = -1
    else:
        both = ~unsure & (otherwise >= 0)
        against = both.any() and (labels[both] != otherwise[both]).mean() > DIFFERING
        labels = otherwise.copy() if against else np.where(unsure, otherwise, labels)
    if shot.told is not None:
        labels = shot.told.astype(np.intp)
    labels[shot.samples.coverage <= COVERED] = -1
    return LabelledShot(shot, labels, reading)


def is_clear(shot: Shot) -> bool:
    """Whether any sticker is seen well enough to be labelled."""
    return bool((shot.samples.coverage > COVERED).any())


def problem_of(labelled: LabelledShot) -> str | None:
    """Why a picture cannot teach anything by itself, or None."""
    if labelled.shot.told is None and is_doubted(labelled.reading.posterior):
        return "shows no cube that is solved or at its last layer"
    if (labelled.labels >= 0).sum() < 2 * labelled.size:
        return "shows too few stickers clearly"
    if teaching(labelled.shot.samples, labelled.labels).sum() < 2 * labelled.size:
        return "is too bright: its stickers are burnt out"
    return None


def fit(kept: Sequence[LabelledShot], base: ColourModel) -> ColourModel:
    """The colour model of labelled shots; one that was fitted a short while ago is not fitted again."""
    return _fitted(tuple(kept), base)


@lru_cache(maxsize=64)
def _fitted(kept: tuple[LabelledShot, ...], base: ColourModel) -> ColourModel:
    seen = [_as_base_has_it(one, base) for one in kept]
    return adapt(base, [picture for picture, _ in seen], [word for _, word in seen])


@lru_cache(maxsize=512)
def _as_base_has_it(one: LabelledShot, base: ColourModel) -> tuple[LabelledPicture, PictureWord | None]:
    """Kept, since each picture goes into the models without any one of the others."""
    picture = labelled_picture(one.shot.samples, one.labels, base)
    return picture, first_word(base, picture)


def untaught_colours(kept: Sequence[LabelledShot]) -> tuple[list[int], list[int]]:
    """Colour indices of which no sticker was seen, and of which all that were are burnt out by light."""
    seen = {k for one in kept for k in np.unique(one.labels).tolist()}
    taught = {
        k for one in kept for k in np.unique(one.labels[teaching(one.shot.samples, one.labels)]).tolist()
    }
    return [k for k in range(6) if k not in seen], [k for k in range(6) if k in seen - taught]


def light_of(labelled: LabelledShot, base: ColourModel) -> tuple[float, float, float]:
    """Linear colour of the picture's white: the general white, moved as all six colours are on average."""
    features = labelled.reading.class_features
    shift = np.nanmean(features - base.mean, axis=(0, 1))
    red, green, blue = np.exp(base.mean[0] + shift) - base.floor
    return (max(float(red), 0.0), max(float(green), 0.0), max(float(blue), 0.0))


def samples_of(labelled: LabelledShot, base: ColourModel) -> list[ColourSample]:
    """The stickers that teach as the profile keeps them; ``picture`` is "NAME#FACE"."""
    light = light_of(labelled, base)
    samples = labelled.shot.samples
    out = []
    for face, row, col in np.argwhere(teaching(samples, labelled.labels)):
        red, green, blue = (min(1.0, max(0.0, float(v))) for v in samples.linear_rgb[face, row, col])
        key = f"{labelled.shot.name}#{FACES[face]}"
        out.append(ColourSample(int(labelled.labels[face, row, col]), (red, green, blue), light, key))
    return out
