"""Arrays kept for all pictures are read-only: much is worked out in place, and in several threads."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import fields, is_dataclass

import numpy as np
import pytest

import vision.pose
from vision.orientation import _spread_out, orientation_table
from vision.patches import middles
from vision.placement import NONE, lattice, marks_of
from vision.pose import _with_top, cube_rotations
from vision.seams import _lines
from vision.turning import slices
from vision.whose_colour import _is_open, _weights

KEPT = {
    "pose": {name: value for name, value in vars(vision.pose).items() if isinstance(value, np.ndarray)},
    "cube_rotations": cube_rotations(),
    "with_top": _with_top(3),
    "orientation_table": orientation_table(),
    "spread_out": _spread_out(),
    "lattice": lattice(3),
    "marks_of": marks_of(3, (True, True, True, False, False, False), True, NONE),
    "lines": _lines(3, (0, 1)),
    "middles": middles(0, 3),
    "slices": slices(3),
    "is_open": _is_open(3),
    "weights": _weights(has_middle=True),
    "weights of a 2x2x2": _weights(has_middle=False),
}


def arrays(value: object) -> Iterator[np.ndarray]:
    """All arrays in a value, in tuples, mappings and dataclasses as well."""
    if isinstance(value, np.ndarray):
        yield value
    elif isinstance(value, tuple):
        for part in value:
            yield from arrays(part)
    elif isinstance(value, Mapping):
        yield from arrays(tuple(value.values()))
    elif is_dataclass(value):
        yield from arrays(tuple(getattr(value, field.name) for field in fields(value)))


@pytest.mark.parametrize("name", KEPT)
def test_what_is_kept_for_all_pictures_cannot_be_written(name: str) -> None:
    kept = list(arrays(KEPT[name]))
    assert kept and not any(array.flags.writeable for array in kept)
