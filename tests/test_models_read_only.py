"""Arrays that are kept and shared are read-only: writing into one would change the answers that follow."""

from __future__ import annotations

import pkgutil
from collections.abc import Iterator
from dataclasses import fields, is_dataclass
from importlib import import_module
from types import ModuleType

import numpy as np
import pytest

import models
from models.layer import LastLayer
from models.notation import parse_moves
from models.turns import Turn

MODULES = [import_module(f"models.{found.name}") for found in pkgutil.iter_modules(models.__path__)]
SCHEME = (0, 3, 4, 1, 2, 5)
ARGUMENTS = {
    "sticker_positions": (4,),
    "turn_permutation": (Turn("R", 1), 4),
    "rotation_permutations": (4,),
    "corner_positions": (4,),
    "edge_positions": (4,),
    "fixed_mask": (4,),
    "corner_stickers": (),
    "edge_stickers": (),
    "legal_mask": (5,),
    "_moved": (),
    "case_table": (4,),
    "_is_case": (4, False),
    "_piece_looks": (4,),
    "_corner_looks": (4,),
    "_edge_looks": (4,),
    "frame_stickers": (4, 0, 2),
    "tables": (4, 0, 2, SCHEME, True),
    "under_top": (4, 0, SCHEME, True),
    "_permutation": (parse_moves("R U"), 4),
    "_moving": (4,),
    "_home": (4,),
    "piece_model": (4, True),
}


def arrays(value: object) -> Iterator[np.ndarray]:
    """All arrays in a value, in tuples, lists and dataclasses as well."""
    if isinstance(value, np.ndarray):
        yield value
    elif isinstance(value, tuple | list):
        for part in value:
            yield from arrays(part)
    elif is_dataclass(value) and not isinstance(value, type | LastLayer):
        for field in fields(value):
            yield from arrays(getattr(value, field.name))


@pytest.mark.parametrize("module", MODULES, ids=lambda module: module.__name__)
def test_what_a_module_shares_is_read_only(module: ModuleType) -> None:
    for name, value in vars(module).items():
        assert not any(array.flags.writeable for array in arrays(value)), name
        if hasattr(value, "cache_info") and value.__module__ == module.__name__:
            kind = str(value.__wrapped__.__annotations__["return"])
            if any(word in kind for word in ("Array", "Tables", "PieceModel")):
                kept = list(arrays(value(*ARGUMENTS[name])))
                assert kept and not any(array.flags.writeable for array in kept), name
