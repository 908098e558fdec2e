"""A truth file beside a picture, as labels of the stickers that were sampled there."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from models.cube import rotation_permutations
from models.errors import LastlookError
from models.turns import FACES
from vision.paths import is_file
from vision.settle import settle
from vision.truth import Truth, truth_of
from vision.truth_file import is_truth, truth_path

if TYPE_CHECKING:
    from vision.answer import Answer
    from vision.one_cube import Read

Labels = NDArray[np.intp]
_AROUND: Final = "BRFL"
NEAR: Final = 0.5
"""Widths of the top face by which its corners in the truth may lie off those found, to be the same face."""


def told_labels(picture: Path, whole: Read, colours: Sequence[str]) -> Labels | None:
    """Colour index (6, n, n) of every sticker in the labelling of ``whole.samples``, by the truth file.

    None where there is no such file, where it holds something else, or a guess that nobody has confirmed, and
    where the picture is grey or a mirror image.
    ``colours`` are the names by index. Raises LastlookError when the truth is wrong or cut short, or says
    that no case is to be seen, or was written about another cube.
    """
    path = truth_path(picture)
    if not is_file(path) or not is_truth(path):
        return None
    truth = truth_of(picture, colours)
    if whole.samples is None or whole.reading is None or whole.reading.posterior.mirrored:
        return None
    if truth.code is None or truth.size is None:
        raise LastlookError(f"{path.name} says that no case can be named there")
    n = whole.samples.size
    if truth.size != n:
        raise LastlookError(f"{path.name} is about a cube of {truth.size} layers; {n} were found")
    ways = rotation_permutations(n)
    by_quad = _way_by_quad(whole.answer, truth, ways)
    loglik = whole.reading.loglik.reshape(-1, 6)
    place = np.arange(len(loglik))
    # what the file leaves open is settled by what was seen: how the cube is held, and how the layers below
    # the top one are turned against it
    candidates = [
        labels[way]
        for labels in _whole_cubes(truth, n, colours)
        for way in (ways if by_quad is None else by_quad[None])
    ]
    fits = [float(loglik[place, labels].sum()) for labels in candidates]
    best: Labels = candidates[int(np.argmax(fits))].reshape(6, n, n)
    return best


def told_size(picture: Path, colours: Sequence[str]) -> int | None:
    """The number of layers that the truth file beside a picture gives; None where it gives none."""
    path = truth_path(picture)
    try:
        return truth_of(picture, colours).size if is_file(path) and is_truth(path) else None
    except LastlookError:
        return None


def _whole_cubes(truth: Truth, n: int, colours: Sequence[str]) -> list[Labels]:
    """Colour indices (6 n n) of the cubes that the file can mean: one where it gives all rows of a side, else
    one for each turn of the top layer."""
    settled = settle(truth.facelets, n, scheme=truth.scheme, colours=colours)
    sides = [FACES.index(face) for face in _AROUND]
    face_colours = np.array([list(colours).index(name) for name in settled.face_colours], np.intp)
    labels: Labels = face_colours[settled.layer.facelets().astype(np.intp)]
    if any(len(truth.facelets[face]) > 1 for face in _AROUND):
        return [labels.ravel()]
    out = []
    for turn in range(4):
        cube = labels.copy()
        cube[sides, 1:] = face_colours[np.roll(sides, turn)][:, None, None]
        out.append(cube.ravel())
    return out


def _way_by_quad(answer: Answer, truth: Truth, ways: NDArray[np.intp]) -> NDArray[np.intp] | None:
    """The way to hold the truth's cube as the answer's, by the corners of its top face, whichever face of the
    answer that is: a solved cube shows three tops.

    None where they do not tell, or are not of one face.
    """
    if truth.top_quad_xy is None or truth.size is None:
        return None
    there = np.asarray(truth.top_quad_xy, np.float64)
    width = np.hypot(*(there - np.roll(there, 1, axis=0)).T).mean()
    last = truth.size - 1
    ends = [(0, 0), (0, last), (last, last), (last, 0)]
    corners = np.array([row * truth.size + column for row, column in ends])
    found = []
    for face, grid in answer.grids.items():
        nodes = np.asarray(grid, np.float64)
        quad = nodes[[0, 0, -1, -1], [0, -1, -1, 0]]
        for turn in range(4):
            off = float(np.hypot(*(np.roll(quad, -turn, axis=0) - there).T).mean())
            found.append((off, FACES.index(face), turn))
    if not found or min(found)[0] > NEAR * width:
        return None
    _, face_index, turn = min(found)
    shown = face_index * truth.size**2 + np.roll(corners, -turn)
    return np.asarray(ways[int(np.flatnonzero((ways[:, shown] == corners).all(axis=1))[0])])
