"""The exact decoder: sticker likelihoods in, posterior over all legal last-layer states out.

Model. A cube with only its last layer left has, in a frame with the last layer on top, every sticker
below it (and the centres of the top face) in one known colour a face, four corner pieces and four
complete edges in any legal arrangement. Stickers are read independently given that arrangement, so

    log p(picture | arrangement) = fixed stickers + sum over corner slots + sum over edge slots

and the sum over all arrangements factorises: 24 * 27 corner states and 24 * 16 edge states (even
sizes from 4 up), coupled through the parity of the permutations and an even flip sum on odd sizes,
corners alone on a 2x2x2. Scored at once are all hypotheses of colouring: 6 colours of the top face,
4 turns, mirror image, for each face of the picture that may be the top.

The prior is uniform over legal states, colourings and tops; a mirror image has ``mirror_prior``.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from models.decode_scores import log_sum, score
from models.decode_tables import tables
from models.posterior import Posterior

MIRROR_PRIOR: Final = 2e-3
"""Probability before a look that a picture is a mirror image: as rare as hardly costs a picture that is none
its name (tests/MEASURED.md)."""
_FRONTS = (2, 1, 5, 4, 0, 3)  # pose faces asked in this order for a front beside a top


def decode(loglik: NDArray[np.floating], **options: Any) -> Posterior:
    """Posterior over all legal last-layer states.

    ``loglik`` (6, n, n, 6) is one of those that :func:`decode_each` takes, ``options`` and errors are its.
    """
    (posterior,) = decode_each(np.asarray(loglik, dtype=np.float64)[None], **options)
    return posterior


def decode_each(
    loglik: NDArray[np.floating],
    *,
    scheme: Sequence[int],
    tops: Sequence[int] = (0,),
    front: int = 2,
    mirror: bool = True,
    mirror_prior: float = MIRROR_PRIOR,
) -> list[Posterior]:
    """Posteriors over all legal last-layer states, for each of several looks at the stickers of a cube.

    loglik   (L, 6, n, n, 6): log p(pixels of the sticker | colour), nats, finite; 0 throughout for a
             sticker that was not seen. Faces URFDLB of any right-handed labelling (the pose frame).
    scheme   colour index of URFDLB of the solved cube (a turned cube is tried in all 24 ways).
    tops     pose-frame faces that may be the last layer's.
    front    pose-frame face to be called F; for a top that is this face or its opposite, the first
             neighbour of that top in the order F R B L U D.
    mirror   whether mirror images are tried, with prior probability ``mirror_prior``.
    Raises ValueError for shapes, faces or values that are none of these.
    """
    values = np.asarray(loglik, dtype=np.float64)
    if values.ndim != 5 or values.shape[1] != 6 or values.shape[4] != 6 or values.shape[2] != values.shape[3]:
        raise ValueError(f"loglik must have the shape (6, n, n, 6), not {values.shape[1:]}")
    size = values.shape[2]
    if not 2 <= size <= 7 or not np.isfinite(values).all():
        raise ValueError("loglik must be finite and of a cube with 2 to 7 layers")
    if sorted(scheme) != list(range(6)) or not tops:
        raise ValueError("a scheme names each of the six colours once, and at least one top is tried")
    stickers = values.reshape(len(values), -1, 6)
    by_top = []
    for top in tops:
        beside = front if front % 3 != top % 3 else next(f for f in _FRONTS if f % 3 != top % 3)
        t = tables(size, int(top), int(beside), tuple(int(c) for c in scheme), mirror)
        log_prior = np.full(len(t.colours), -np.log(24 * len(tops)))
        if mirror:
            log_prior += np.where(t.mirrored, np.log(mirror_prior), np.log1p(-mirror_prior))
        by_top.append(score(stickers, t, log_prior))
    anything = (log_sum(stickers) - np.log(6)).sum(axis=1)
    out = []
    for values_one, any_one, *scored in zip(values, anything.tolist(), *by_top, strict=True):
        evidence = float(log_sum(np.concatenate([s.log_weight for s in scored])))
        out.append(Posterior(size, values_one, tuple(scored), evidence, any_one))
    return out
