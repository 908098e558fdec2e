"""A second opinion on which stickers carry the top's colour, weighed against what the colours themselves say.

Both opinions look at the same pixels, so neither counts in full beside the other. The two weights are those
of a logistic regression of the truth on both, over stickers of traced pictures (tests/studio/fit_second.py).
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from models.decode import log_sum

Floats = NDArray[np.float64]

OWN_VOTE: Final = 0.4
"""Share of the colours' own vote for or against the top's colour that is kept beside a second opinion."""
SECOND_VOTE: Final = 0.7
"""What a nat of the second opinion counts."""
LIMIT: Final = 9.0


def weighed(log_odds: NDArray[np.floating]) -> Floats:
    """The opinion as it counts, nats."""
    return SECOND_VOTE * log_odds.astype(np.float64)


def shifted(share: Floats, opinion: Floats) -> Floats:
    """Prior shares (N,) of the top's colour, 0..1, after the opinion (N,), nats."""
    return np.asarray(1.0 / (1.0 + (1.0 / share - 1.0) * np.exp(-np.clip(opinion, -LIMIT, LIMIT))))


def joined(loglik: Floats, log_prior: Floats, colour: int, opinion: Floats) -> Floats:
    """Log-likelihoods (N, 6) of the colours with the opinion (N,) on which stickers have ``colour``.

    ``log_prior`` (N, 6) says which colours can be there at all. Against a reading without the opinion a
    sticker gains at most ln 2, so a top is not believed for having been asked about more often.
    """
    is_open = opinion != 0.0
    others = np.where(log_prior > -30.0, loglik, -np.inf)
    others[:, colour] = -np.inf
    own = loglik[is_open, colour] - log_sum(others[is_open]) + np.log(4.0)
    out = loglik.copy()
    out[is_open] += np.log(2.0) - np.logaddexp(0.0, opinion[is_open])[:, None]
    out[is_open, colour] += (OWN_VOTE - 1.0) * own + opinion[is_open]
    return out
