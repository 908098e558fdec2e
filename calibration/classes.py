"""A profile's six classes as a person looks at them: their colours, how they scatter, the closest pair."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from calibration.colour import ciede2000, linear_to_lab, linear_to_srgb
from calibration.profile import Profile

Floats = NDArray[np.float64]
STEP = 1e-4
"""Log light by which a channel is moved for the derivative."""


@dataclass(frozen=True, eq=False)
class ColourClass:
    """One class under the profile's usual light.

    ``srgb`` (3,) 0..1; ``lab`` (3,) CIE L*a*b* (D65); ``ab_cov`` (2, 2) covariance of a* and b* of its
    stickers under one light; ``stickers`` how many samples the profile keeps of it.
    """

    name: str
    srgb: Floats
    lab: Floats
    ab_cov: Floats
    stickers: int


@dataclass(frozen=True, slots=True)
class ClosestPair:
    """The two classes nearest to each other in CIEDE2000.

    ``deviations`` is how far apart they are in standard deviations of their stickers' log light, all three
    channels together (Mahalanobis distance), under one light.
    """

    first: str
    second: str
    ciede2000: float
    deviations: float


def classes_of(profile: Profile) -> list[ColourClass]:
    """The six classes. Brightness is raised so that the brightest channel of all is at full white."""
    model = profile.model
    linear = np.maximum(np.exp(model.mean) - model.floor, 0.0)
    gain = 1.0 / max(float(linear.max()), 1e-6)
    out = []
    for k, name in enumerate(profile.colours):
        colour = np.minimum(linear[k] * gain, 1.0)
        lab = linear_to_lab(colour)
        # derivative of Lab by log light, for the scatter
        slope = np.stack(
            [
                (
                    linear_to_lab(_moved(model.mean[k], j, model.floor) * gain)
                    - linear_to_lab(linear[k] * gain)
                )
                / STEP
                for j in range(3)
            ],
            axis=1,
        )
        cov = slope @ (model.sticker_cov[k] + model.cell_cov[k]) @ slope.T
        count = sum(sample.colour == k for sample in profile.samples)
        out.append(ColourClass(name, linear_to_srgb(colour), lab, cov[1:, 1:], count))
    return out


def _moved(mean: Floats, channel: int, floor: float) -> Floats:
    shifted = mean.copy()
    shifted[channel] += STEP
    return np.asarray(np.maximum(np.exp(shifted) - floor, 0.0))


def closest_pair(profile: Profile) -> ClosestPair:
    """The pair of classes that is hardest to part, by CIEDE2000 (Sharma, Wu, Dalal 2005)."""
    classes = classes_of(profile)
    model = profile.model

    def apart(pair: tuple[int, int]) -> float:
        return float(ciede2000(classes[pair[0]].lab, classes[pair[1]].lab))

    first, second = min(combinations(range(6), 2), key=apart)
    off = model.mean[first] - model.mean[second]
    cov = (
        model.sticker_cov[first] + model.cell_cov[first] + model.sticker_cov[second] + model.cell_cov[second]
    ) / 2.0
    deviations = float(np.sqrt(off @ np.linalg.solve(cov, off)))
    return ClosestPair(classes[first].name, classes[second].name, apart((first, second)), deviations)
