"""How fast `find` is, beside a plain numpy gather of the same arrays: python tests/bench_search.py [--toy].

For 5 + 5 turns (and 6 + 6 unless --toy): all minimal sequences of the 54 odd cases round one core from the
front. The floor is what no search of this kind can do without: following every piece of every sequence
through one gather, here of the same arrays, in the same run.
"""

from __future__ import annotations

import argparse
import resource
import sys
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from models.search import all_odd_codes, find
from models.search_result import Core
from models.search_space import OUTER, destination, enumerate_space, turn_set
from models.sequences import read_cores


def gather_floor(depth: int) -> tuple[float, int]:
    """(seconds, positions) of one gather through a table of every piece of every sequence of that depth."""
    space = enumerate_space(turn_set(OUTER, 3), 3, depth)
    table = destination(np.arange(54)).astype(np.uint8)
    began = time.perf_counter()
    for row in space.positions:
        for start in range(0, len(row), 1 << 18):
            table[row[start : start + (1 << 18)]]
    return time.perf_counter() - began, len(space)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--toy", action="store_true", help="4 + 4 turns only")
    toy = parser.parse_args().toy
    core = Core("flip-one", read_cores()["flip-one"])
    print(
        f"{'turns':>6} {'sequences':>11} {'search s':>9} {'gather s':>9} {'ratio':>6} {'positions/s':>12} "
        f"{'gather/s':>12} {'peak MiB':>9} {'e1 sum':>7} {'minimal':>8}"
    )
    for depth in (4,) if toy else (5, 6):
        began = time.perf_counter()
        result = find(all_odd_codes(), size=4, cores=(core,), depth=depth, keep=0)
        took = time.perf_counter() - began
        floor, count = gather_floor(depth)
        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        found = {code: case.shortest for code, case in result.cases.items()}
        e1 = [found[code] for code in found if code.startswith("e1")]
        total = "-" if None in e1 else sum(t for t in e1 if t is not None)
        minimal = sum(case.minimal for case in result.cases.values())
        print(
            f"{depth}+{depth:<4} {count:>11,} {took:>9.2f} {floor:>9.2f} {took / floor:>6.1f} "
            f"{2 * count / took:>12,.0f} {count / floor:>12,.0f} {peak:>9.0f} {total:>7} {minimal:>8}"
        )


if __name__ == "__main__":
    main()
