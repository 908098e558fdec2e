"""How many layers: drawn cubes, whose seams lie where they were drawn."""

from __future__ import annotations

import numpy as np
import pytest
from drawn_clip import SCHEME, DrawnCube, desk, draw_frame, held_pose
from hypothesis import given
from hypothesis import strategies as st

from vision.found import Surface
from vision.layer_count import layer_shares, seam_contrast

WH = (480, 360)
SIZES = (2, 3, 4, 5)


def surface(seen: float = 1.0) -> Surface:
    """One that is seen to the same degree all over the picture."""
    return Surface(0.0, 0.0, (64 / WH[0], 64 / WH[1]), np.full((64, 64), seen, np.float32))


def drawn(n: int, *, seed: int, solved: bool) -> np.ndarray:
    rng = np.random.default_rng(seed)
    facelets = np.repeat(np.array(SCHEME, np.int8), n * n).reshape(6, n, n)
    if not solved:
        facelets = rng.permutation(facelets.reshape(-1)).reshape(6, n, n)
    pose = held_pose(n, WH, azimuth_deg=30 + 5 * seed, elevation_deg=40, roll_deg=4 * seed, distance=3.5)
    return draw_frame(DrawnCube(facelets), pose, desk(WH), noise=3.0, seed=seed)


@pytest.mark.parametrize("solved", [True, False])
@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("n", SIZES)
def test_seams_outweigh_a_network_that_leans_the_other_way(n: int, seed: int, solved: bool) -> None:
    image = drawn(n, seed=seed, solved=solved)
    contrasts = {}
    for size in SIZES:
        pose = held_pose(
            size, WH, azimuth_deg=30 + 5 * seed, elevation_deg=40, roll_deg=4 * seed, distance=3.5
        )
        contrasts[size] = seam_contrast(image, pose, surface())
    leaning = {size: 0.1 if size == n else 0.3 for size in SIZES}
    shares = layer_shares(leaning, contrasts)
    assert max(shares, key=lambda size: shares[size]) == n
    assert sum(shares.values()) == pytest.approx(1)


def test_a_covered_cube_tells_nothing_of_its_seams() -> None:
    pose = held_pose(4, WH, azimuth_deg=30, elevation_deg=40)
    image = drawn(4, seed=0, solved=True)
    assert seam_contrast(image, pose, surface(0.0)).tolist() == [0, 0, 0]


@given(
    st.dictionaries(st.sampled_from(SIZES), st.floats(1e-3, 1), min_size=2),
    st.lists(st.floats(-5, 5), min_size=3, max_size=3),
)
def test_seams_that_tell_nothing_leave_the_order_of_the_network(
    network: dict[int, float], alike: list[float]
) -> None:
    shares = layer_shares(network, {size: np.array(alike) for size in network})
    assert sum(shares.values()) == pytest.approx(1)
    order = sorted(network, key=lambda size: network[size])
    assert [shares[size] for size in order] == sorted(shares.values())
