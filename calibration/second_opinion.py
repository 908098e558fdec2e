"""A second opinion on whose colour each sticker carries, weighed against what the colours themselves say.

Both opinions look at the same pixels, so neither counts in full beside the other. On a top that has a middle
the second one knows more: it sees the top's colour beside each sticker. Three of the five weights there
(own_top, own_side, second_side) were searched for on traced pictures that are not scored
(tests/studio/fit_second.py); second_top and lean were set by counting what is named, the latter over scored
pictures as well. Those of the sides and of a 2x2x2 were chosen on traced ones (tests/studio/TRAINING.md).

An opinion is an array (..., 6) of log probabilities that a sticker has the colour of each face of the pose,
the first face being the top; all zero where there is none. The colour of the bottom is not among its answers.
"""

from __future__ import annotations

from dataclasses import astuple, dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from models.decode_scores import log_sum

Floats = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Weights:
    """What the two opinions count beside each other: numbers, or arrays (N,) where it differs by sticker.

    own_top      share of the colours' own vote for or against the top's colour that is kept
    second_top   what a nat of the second opinion for or against the top's colour counts
    own_side     share of the colours' own vote among the sides' colours that is kept
    second_side  what a nat of the second opinion among the sides' colours counts
    lean         nats for the top's colour that are taken off the second opinion where the colours vote as
                 well; standing alone it is held against what it says of a sticker that it knows nothing of
    """

    own_top: float | Floats
    second_top: float | Floats
    own_side: float | Floats
    second_side: float | Floats
    lean: float | Floats


ON_TOP: Final = Weights(own_top=0.3, second_top=0.8, own_side=1.0, second_side=0.3, lean=0.35)
"""Of stickers of the top face, where it has a middle."""
ON_SIDES: Final = Weights(own_top=0.7, second_top=0.6, own_side=1.0, second_side=0.3, lean=1.0)
"""Of stickers of the sides of such a cube: the rows below show their colour, the top's is farther away."""
OF_2: Final = Weights(own_top=0.6, second_top=0.3, own_side=1.0, second_side=0.3, lean=0.0)
"""A 2x2x2 has no middle to compare its top's stickers with: there the second opinion knows less."""
LIMIT: Final = 9.0
"""Nats that the opinion may give to the top's colour, or take from a side's, while labels are soft."""
TOP_SHARE: Final = 0.5
"""Prior of a sticker to have the top's colour, as in the network's training; four sides share the rest."""
TOP, BOTTOM = 0, 3
SIDES: Final = (1, 2, 4, 5)
_LOG_QUARTER = float(np.log(0.25))
_ODDS = float(np.log(TOP_SHARE / (1.0 - TOP_SHARE)))
#: what an opinion says for the top's colour against a side's of a sticker that it knows nothing of
_SILENT = _ODDS - _LOG_QUARTER


def weights_for(size: int, on_top: NDArray[np.bool_]) -> Weights:
    """The weights for stickers (N,) of a cube of ``size`` layers, ``on_top`` or on its sides."""
    if size == 2:
        return OF_2
    return Weights(*_BY_PLACE[on_top.astype(np.intp)].T)


#: the weights (2, 5) of a sticker on a side, and on top
_BY_PLACE = np.array([astuple(ON_SIDES), astuple(ON_TOP)])


def _by_colour(weight: float | Floats) -> Floats:
    """A weight beside values (..., N, K)."""
    return np.asarray(weight)[..., None]


def parted(values: Floats) -> tuple[Floats, Floats]:
    """What values (..., 6) in the order of the faces, nats, say for the top's colour against a side's (...,),
    and for each side's against the sides' mean (..., 4)."""
    sides = values[..., SIDES]
    mean = log_sum(sides) + _LOG_QUARTER
    return np.asarray(values[..., TOP] - mean), np.asarray(sides - mean[..., None])


def in_full(told: Floats, weights: Weights) -> Floats:
    """An opinion ``told`` (N, 6) on stickers whose own colour was not read, so that it counts in full where
    :func:`shifted` and :func:`joined` weigh it: there is nothing that it could repeat."""
    for_top, for_side = parted(told)
    side = for_side / _by_colour(weights.second_side)
    out = told.copy()
    out[:, TOP] = (for_top - _SILENT) / weights.second_top + weights.lean
    out[:, SIDES] = side - (log_sum(side) + _LOG_QUARTER)[:, None]
    return out


def shifted(log_prior: Floats, told: Floats, colours: NDArray[np.intp], weights: Weights) -> Floats:
    """Log priors (S, N, 6) of the colours after an opinion ``told`` (N, 6); ``colours`` (S, 6) are the faces'
    under each of S hypotheses."""
    rows = np.flatnonzero(told.any(axis=1))
    for_top, for_side = parted(told)
    by_face = np.zeros((len(told), 6))
    by_face[:, TOP] = np.clip(weights.second_top * (for_top - weights.lean), -LIMIT, LIMIT)
    by_face[:, SIDES] = np.maximum(_by_colour(weights.second_side) * for_side, -LIMIT)
    changed = log_prior[:, rows] + by_face[rows][:, np.argsort(colours, axis=1)].swapaxes(0, 1)
    out = log_prior.copy()
    out[:, rows] = changed - log_sum(changed)[..., None]
    return out


def joined(loglik: Floats, told: Floats, colours: NDArray[np.intp], weights: Weights) -> Floats:
    """Log-likelihoods (..., N, 6) of the colours with an opinion ``told`` (N, 6); ``colours`` (..., 6) are
    the faces' under each hypothesis.

    What a sticker says as a whole, over the top's and the sides' colours, is what its pixels said: a top is
    not believed for having been asked about more often. The bottom's colour keeps its likelihood.
    """
    of_face = colours[..., None, :]
    own = np.take_along_axis(loglik, of_face, axis=-1)
    own_top, own_side = parted(own)
    told_top, told_side = parted(told)
    side = _by_colour(weights.own_side) * own_side + _by_colour(weights.second_side) * told_side
    side -= (log_sum(side) + _LOG_QUARTER)[..., None]
    top = weights.own_top * own_top + weights.second_top * (told_top - weights.lean)
    whole = log_sum(own[..., SIDES]) + _LOG_QUARTER + np.logaddexp(own_top + _ODDS, 0.0)
    level = whole - np.logaddexp(top + _ODDS, 0.0)
    own[..., TOP] = level + top
    own[..., SIDES] = level[..., None] + side
    out = np.take_along_axis(own, np.argsort(of_face), axis=-1)
    return np.where(told.any(axis=1, keepdims=True), out, loglik)
