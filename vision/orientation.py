"""Names for the orientation of a cube whose faces are not told apart, and ways from a name to a rotation.

A cube looks the same under 24 rotations. The sum over its three axes of their fourth tensor powers is the
same for all of them and for no other orientation; its 15 different entries are the name that the second
network gives (degree-4 polynomials are the first that tell orientations of a cube apart).
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from models.cube import frozen
from vision.pose import cube_rotations

Floats = NDArray[np.float32]

_MONOMIALS = [(i, j, 4 - i - j) for i in range(5) for j in range(5 - i)]
_FACTORIALS = (1, 1, 2, 6, 24)
_WEIGHTS = np.array(
    [(24 / (_FACTORIALS[i] * _FACTORIALS[j] * _FACTORIALS[k])) ** 0.5 for i, j, k in _MONOMIALS], np.float32
)


def orientation_monomials(rotations: NDArray[np.floating]) -> Floats:
    """A name (M, 15) for each of (M, 3, 3) rotations that all 24 labellings of a cube share."""
    powers = [np.ones_like(rotations), rotations, rotations**2, rotations**3, rotations**4]
    terms = [(powers[i][:, 0] * powers[j][:, 1] * powers[k][:, 2]).sum(-1) for i, j, k in _MONOMIALS]
    return np.asarray(np.stack(terms, -1) * _WEIGHTS, dtype=np.float32)


@lru_cache(maxsize=1)
def orientation_table() -> tuple[Floats, Floats]:
    """About 2,400 rotations (M, 3, 3), one an orientation of an unlabelled cube, and their names (M, 15).

    Super-Fibonacci spirals (Alexa, CVPR 2022) spread over all rotations; kept is the part nearer to the
    identity than to any other labelling (bounds of the cubic fundamental zone in Rodrigues vectors).
    """
    count = 58_000
    s = np.arange(count) + 0.5
    phi, psi = np.sqrt(2.0), 1.533751168755204288118041
    w = np.sqrt(1 - s / count) * np.cos(2 * np.pi * s / psi)
    s, w = s[np.abs(w) > 0.85], w[np.abs(w) > 0.85]  # the zone lies within 63 degrees of the identity
    r, big_r = np.sqrt(s / count), np.sqrt(1 - s / count)
    alpha, beta = 2 * np.pi * s / phi, 2 * np.pi * s / psi
    x, y, z = r * np.sin(alpha), r * np.cos(alpha), big_r * np.sin(beta)
    vector = np.abs(np.stack([x, y, z]) / w)
    keep = (vector.max(0) <= np.sqrt(2) - 1 + 0.01) & (vector.sum(0) <= 1.01)
    x, y, z, w = x[keep], y[keep], z[keep], w[keep]
    rotations = np.stack(
        [
            np.stack([1 - 2 * (y * y + z * z), 2 * (x * y - z * w), 2 * (x * z + y * w)], -1),
            np.stack([2 * (x * y + z * w), 1 - 2 * (x * x + z * z), 2 * (y * z - x * w)], -1),
            np.stack([2 * (x * z - y * w), 2 * (y * z + x * w), 1 - 2 * (x * x + y * y)], -1),
        ],
        1,
    ).astype(np.float32)
    # number by number: numpy is slow along a short last axis
    return frozen(rotations), frozen(np.asfortranarray(orientation_monomials(rotations)))


def likely_orientations(monomials: Floats, least_apart_rad: float = 0.26) -> Iterator[Floats]:
    """The two of the table's rotations nearest to a name (15,), best first, so far apart at least."""
    rotations, names = orientation_table()
    gaps = np.square(names - monomials).sum(1)
    first = int(gaps.argmin())
    yield rotations[first]
    near = np.argpartition(gaps, 80)[:80]
    near = near[np.argsort(gaps[near])]
    overlap = np.einsum("nij,mij->mn", cube_rotations(), rotations[first].T @ rotations[near]).max(1)
    apart = np.arccos(np.clip((overlap - 1) / 2, -1, 1)) > least_apart_rad
    if apart.any():
        yield rotations[near[int(apart.argmax())]]


@lru_cache(maxsize=1)
def _spread_out() -> tuple[NDArray[np.int64], Floats]:
    """Of each entry of a symmetric (3, 3, 3, 3) its monomial, and the factor from the name's number to it."""
    axes = np.stack(np.meshgrid(*4 * [np.arange(3)], indexing="ij"), -1).reshape(81, 4)
    powers = (axes[:, :, None] == np.arange(3)).sum(1)
    which = (powers[:, None] == np.array(_MONOMIALS)).all(2).argmax(1)
    return frozen(which), frozen((1 / _WEIGHTS)[which])


def told_tensor(monomials: Floats) -> NDArray[np.float64]:
    """A name (15,) as the symmetric tensor of fourth powers that it stands for, (3, 27)."""
    which, factors = _spread_out()
    return np.asarray((monomials[which] * factors).reshape(3, 27), np.float64)


def turn_towards(rotation: NDArray[np.float64], told: NDArray[np.float64]) -> NDArray[np.float64]:
    """The turn (3,), in the axes of a rotation (3, 3), that brings it to the orientation told (a tensor).

    Half the squared distance between the names grows by 4 rad^-2 times the squared angle, about any axis.
    """
    squared = (rotation[:, None] * rotation).reshape(9, 3)
    pulls = told @ (squared[:, None] * rotation).reshape(27, 3)
    # the sum of the axes' cross products with their pulls is twice an antisymmetric part
    by = rotation @ pulls.T
    return np.array([by[1, 2] - by[2, 1], by[2, 0] - by[0, 2], by[0, 1] - by[1, 0]]) / 2
