"""How the light and the camera move the six class means of one and the same cube.

What a lamp does to a colour depends on the colour: a stronger one moves white and leaves black where the
sensor's floor holds it, a contrast curve moves the dark most, less saturation moves strong colours and no
grey. So the covariance is not kept by colour's number, which would bind it to the usual six, but as a few
moves of linear light, each seen through the logarithm at the cube's own colours:

* 9 mix the channels (brightness, lamp colour, white balance, saturation): channel c gains a share of e
* 1 is the contrast of the camera's curve: all channels take on another power
* 3 lift a channel by a constant (haze, stray light, black level)

The moves are Gaussian; ``data/light.json`` holds their covariance and the variance of what they leave of each
number, fitted by ``tests/studio/fit_light.py``.

What one colour does by itself on one face (haze, a neighbour's light) and what single stickers do are moves
as well: :func:`moves_behind` finds them behind the scatter of some colours, :func:`scatter_at` says what they
do to others. Haze hardly moves the red of a pale blue, and that of a deep blue by half.
"""

from __future__ import annotations

import json
from functools import lru_cache
from importlib import resources
from typing import Final

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

MOVES: Final = 13
"""Moves of the light (module docstring)."""
LIFT: Final = 0.05
"""Linear light that one unit of a lift adds."""
DARKEST: Final = 0.003
"""Linear light below which a class counts as this dark: a curve has no slope at 0."""
IN_COMMON: Final = 0.9
"""Share of a light's variance that the pictures of a sitting have in common."""
ROUNDS: Final = 200
"""Steps in which the moves behind a scatter are found."""
REST_SHARE: Final = 0.1
"""Share of a scatter that counts as no move to begin with."""
#: how bright a light is, as a mean of the moves: what the channels gain of themselves
_BRIGHTNESS = np.eye(MOVES)[[0, 4, 8]].mean(axis=0)


@lru_cache(maxsize=1)
def usual_moves() -> tuple[Floats, float]:
    """Covariance (13, 13) of the moves, and the variance of what is left of each class mean."""
    text = resources.files("calibration").joinpath("data/light.json").read_text(encoding="utf-8")
    content = json.loads(text)
    return np.array(content["moves_cov"], dtype=np.float64), float(content["rest_var"])


def light_moves(mean: Floats, floor: float) -> Floats:
    """Derivative (18, 13) of the class means (6, 3), log light, by each move; rows 3 * colour + channel."""
    linear = np.maximum(np.exp(np.asarray(mean).reshape(6, 3)) - floor, DARKEST)
    by_light = 1.0 / (linear + floor)
    out = np.zeros((6, 3, MOVES))
    for channel in range(3):
        for other in range(3):
            out[:, channel, 3 * channel + other] = linear[:, other] * by_light[:, channel]
        out[:, channel, 10 + channel] = LIFT * by_light[:, channel]
    out[:, :, 9] = linear * np.log(linear) * by_light
    return out.reshape(18, MOVES)


def light_covariance(mean: Floats, floor: float) -> Floats:
    """Covariance (18, 18) of the class means between the lights and cameras that one cube is seen under."""
    moves_cov, rest_var = usual_moves()
    moves = light_moves(mean, floor)
    return np.asarray(moves @ moves_cov @ moves.T + rest_var * np.eye(18))


def shared_covariance(mean: Floats, floor: float) -> Floats:
    """Covariance (18, 18) of what the lights of one sitting's pictures have in common, if one lamp gave them.

    IN_COMMON of what the light does, but nothing of how bright it is: each picture is exposed anew, and
    another corner of the cube turns other faces to the lamp.
    """
    moves_cov, rest_var = usual_moves()
    with_brightness = moves_cov @ _BRIGHTNESS
    others = moves_cov - np.outer(with_brightness, with_brightness) / (_BRIGHTNESS @ with_brightness)
    moves = light_moves(mean, floor)
    return np.asarray(IN_COMMON * (moves @ others @ moves.T + rest_var * np.eye(18)))


def scatter_at(moves_cov: Floats, rest_var: float, mean: Floats, floor: float) -> Floats:
    """Covariance (6, 3, 3) of each of the colours ``mean`` (6, 3), log light, where each moves by itself."""
    moves = light_moves(mean, floor).reshape(6, 3, MOVES)
    return np.asarray(moves @ moves_cov @ moves.swapaxes(1, 2) + rest_var * np.eye(3))


def moves_behind(scatter: Floats, mean: Floats, floor: float) -> tuple[Floats, float]:
    """Covariance (13, 13) of the moves, and the variance left, that explain ``scatter`` (6, 3, 3) of the
    colours ``mean`` (6, 3): the arguments of :func:`scatter_at`, which gives it back nearly.

    Expectation-maximisation from the light's own moves; what the six colours do not tell stays like those.
    """
    moves = light_moves(mean, floor).reshape(6, 3, MOVES)
    across = moves.swapaxes(1, 2)
    usual_cov = usual_moves()[0]
    size = float(np.trace(scatter, axis1=1, axis2=2).sum())
    moves_cov = usual_cov * size / float(np.trace(moves @ usual_cov @ across, axis1=1, axis2=2).sum())
    rest = REST_SHARE * size / 18.0
    for _ in range(ROUNDS):
        inverse = np.linalg.inv(moves @ moves_cov @ across + rest * np.eye(3))
        gain = moves_cov @ across @ inverse
        moment = gain @ scatter @ gain.swapaxes(1, 2) + moves_cov - gain @ moves @ moves_cov
        left = rest**2 * np.trace(inverse @ scatter @ inverse - inverse, axis1=1, axis2=2)
        moves_cov = (moment.mean(axis=0) + moment.mean(axis=0).T) / 2.0
        rest += float(left.mean()) / 3.0
    return moves_cov, rest
