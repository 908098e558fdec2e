"""How long the decoder takes, beside adding up the stickers state by state.

    python tests/bench_decode.py [--toy]

The exact posterior over all last-layer states with all 48 colourings (4 turns, 6 top colours, mirror), and
what may be asked of it afterwards. The plain way scores every state of one colouring by gathering its
stickers. Times are medians of one process, in milliseconds.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from models.decode import decode
from models.decode_doubt import alternatives, misfits
from models.decode_view import next_view
from models.layer import LastLayer
from models.layer_tables import corner_positions, corner_stickers, edge_positions, edge_stickers, legal_mask
from models.library import Library, load_library
from models.posterior import Posterior

SCHEME = (0, 2, 5, 1, 3, 4)


def middle_ms(action: Callable[[], object], rounds: int) -> float:
    """Median time of a call, in milliseconds, after one call to warm up."""
    action()
    times = []
    for _ in range(rounds):
        began = time.perf_counter()
        action()
        times.append(time.perf_counter() - began)
    return 1000 * float(np.median(times))


def plain(loglik: np.ndarray, size: int) -> Callable[[], object]:
    corner, edge = np.nonzero(legal_mask(size))
    flat = loglik.reshape(-1, 6)[:, list(SCHEME)]

    def score() -> object:
        total = flat[corner_positions(size)[None], corner_stickers()[corner]].sum(axis=(1, 2))
        shown = edge_stickers()[edge][:, :, None, :]
        return total + flat[edge_positions(size)[None], shown].sum(axis=(1, 2, 3))

    return score


def measure(size: int, rounds: int, library: Library) -> None:
    """Print one row: the decoder, its answers, the plain way, and the library's suggestion."""
    legal = np.argwhere(legal_mask(size))
    state = LastLayer.from_indices(size, *legal[len(legal) // 3 + 5].tolist())
    true = np.array(SCHEME)[state.facelets()]
    loglik = np.where(true[..., None] == np.arange(6), 0.0, -4.0)
    loglik += np.random.default_rng(0).normal(scale=0.5, size=loglik.shape)
    loglik[3:] = 0.0
    few = max(3, rounds // 10)

    def fresh() -> Posterior:
        return decode(loglik, scheme=SCHEME)

    posterior = fresh()
    took = middle_ms(fresh, rounds)
    full = middle_ms(lambda: fresh().marginals, rounds) - took
    named = middle_ms(lambda: (p := fresh(), p.candidates, p.state), rounds) - took
    doubt = middle_ms(lambda: (alternatives(posterior), misfits(posterior)), few)
    view = middle_ms(lambda: next_view(posterior), few)
    slow = middle_ms(plain(loglik, size), 3) if size > 2 else float("nan")
    suggest = middle_ms(lambda: library.suggest(state, size), rounds)
    print(
        f"{size:>4} {len(legal):>8,} {took:>10.2f} {slow:>9.1f} {slow / took:>7.1f} {full:>10.2f} "
        f"{named:>11.2f} {doubt:>7.2f} {view:>10.2f} {suggest:>8.2f}"
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--toy", action="store_true", help="few rounds, 3x3x3 and 4x4x4 only")
    toy = parser.parse_args().toy
    library = load_library()
    print(
        f"{'size':>4} {'states':>8} {'decode':>10} {'plain':>9} {'ratio':>7} {'marginals':>10} "
        f"{'case, state':>11} {'doubt':>7} {'next view':>10} {'suggest':>8}"
    )
    for size in (3, 4) if toy else (2, 3, 4, 5, 6, 7):
        measure(size, 10 if toy else 200, library)


if __name__ == "__main__":
    main()
