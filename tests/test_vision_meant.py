"""Which of several cubes in a picture is meant."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any, cast

import pytest

from vision.answer import Answer, NamedCase
from vision.pipeline import _gives_way

READ = Answer(image="", ok=True, size=4, case=NamedCase("e1-pi-left", "", "", 0.99))
SOLVED = Answer(image="", ok=True, size=4, case=NamedCase("e0-solved", "", "", 0.99))


def found(probability: float, edge_px: float) -> Any:
    return cast(Any, SimpleNamespace(probability=probability, edge_px=edge_px))


def refused(reason: str) -> Answer:
    return Answer(image="", ok=False, reason=cast(Any, reason))


@pytest.mark.parametrize("reason", ["top-hidden", "ambiguous"])
def test_the_cube_that_is_held_up_stays_the_one_that_is_meant(reason: str) -> None:
    """Open or half hidden, and surely a cube: a second one that reads well is not asked about."""
    assert not _gives_way(found(0.99, 100), refused(reason), found(1.0, 90), READ)
    assert not _gives_way(found(0.8, 100), refused(reason), found(1.0, 90), READ)


def test_a_scrambled_cube_gives_way_to_one_in_practice_of_its_size() -> None:
    nearest, first = found(0.99, 100), refused("not-last-layer")
    assert _gives_way(nearest, first, found(1.0, 80), READ)
    assert not _gives_way(nearest, first, found(1.0, 40), READ), "one that lies far behind"
    assert not _gives_way(nearest, first, found(1.0, 80), SOLVED), "one that waits its turn"
    assert not _gives_way(nearest, first, found(1.0, 80), refused("ambiguous"))


def test_what_may_be_none_and_reads_like_none_gives_way_to_a_smaller_cube() -> None:
    """A large printed grid, say, beside the cube."""
    assert _gives_way(found(0.84, 100), refused("not-last-layer"), found(1.0, 40), READ)
    assert _gives_way(found(0.3, 100), refused("ambiguous"), found(1.0, 40), READ)
