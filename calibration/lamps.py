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
