"""A mirror image, or two opposite colours taken for each other: the same stickers, told in two ways.

With red called orange, or white yellow, a cube looks like its mirror image. Pictures in a mirror are rare,
and stickers of one colour err together, so twenty of them are not twenty witnesses for its name: what one
says on average counts. Where that is little, the picture is rather the cube itself, misnamed.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from calibration.samples import LEAST_COVERAGE, SEEN_FROM
from models.decode import MIRROR_PRIOR
from models.decode_scores import Scored, log_sum
from models.posterior import Posterior

Floats = NDArray[np.float64]

COUNTS: Final = 4.0
"""As many stickers as the look of all stickers of one colour counts for."""
LEAST: Final = 2
"""Stickers from which on a colour counts as seen."""


def naming_nats(
    posterior: Posterior, loglik: Floats, coverage: NDArray[np.floating], scheme: tuple[int, ...]
) -> float:
    """By how much the stickers speak for the colours' names against two opposite ones exchanged, at least.

    ``loglik`` (6, n, n, 6) what each sticker says by itself, ``coverage`` (6, n, n) the share of it that was
    sampled, ``scheme`` (6,) colours of the faces URFDLB. Infinite where no sticker is seen. A side of which
    some are read and none is seen well, a sliver, is asked by itself: nothing else may tell its colour. One
    without a pixel of its own has no colour that could be misnamed.
    """
    named = posterior.marginals.argmax(axis=-1)
    is_read, is_seen = coverage > LEAST_COVERAGE, coverage >= SEEN_FROM
    slivers = is_read.any(axis=(1, 2)) & ~is_seen.any(axis=(1, 2))
    asked = [is_seen, *(np.eye(6, dtype=bool)[side][:, None, None] for side in np.flatnonzero(slivers))]
    return min(_naming_nats(named, loglik, rows, scheme) for rows in asked)


def _naming_nats(
    named: NDArray[np.intp], loglik: Floats, is_asked: NDArray[np.bool_], scheme: tuple[int, ...]
) -> float:
    least = np.inf
    for a, b in ((scheme[face], scheme[face + 3]) for face in range(3)):
        told = []
        for one, other in ((a, b), (b, a)):
            rows = is_asked & (named == one)
            told.append((int(rows.sum()), float((loglik[..., one] - loglik[..., other])[rows].sum())))
        enough = [total / count for count, total in told if count >= LEAST]
        few = [total / count for count, total in told if count]
        if few:
            least = min(least, sum(enough) if enough else max(few))
    return least


def with_doubt(posterior: Posterior, nats: float) -> Posterior:
    """The posterior with mirror images also taken for the cube itself, as far as ``nats`` leave it open.

    The evidence stays as it was: a cube with only its last layer left gets no likelier by it.
    """
    change = -COUNTS * nats - float(np.log(MIRROR_PRIOR))
    twins = (_unmirrored(part, change) for part in posterior.scored)
    scored = (*posterior.scored, *(part for part in twins if np.isfinite(part.log_weight).any()))
    more = float(log_sum(np.concatenate([part.log_weight for part in scored]))) - posterior.log_evidence
    return replace(posterior, scored=tuple(replace(p, log_weight=p.log_weight - more) for p in scored))


def _unmirrored(part: Scored, change: float) -> Scored:
    """The mirror images alone, taken for cubes as they are, ``change`` nats likelier."""
    mirrored = part.tables.mirrored.astype(bool)
    weight = np.where(mirrored, part.log_weight + change, -np.inf)
    return replace(
        part, tables=replace(part.tables, mirrored=np.zeros_like(part.tables.mirrored)), log_weight=weight
    )
