"""The small network's parts against a plain computation in double precision.

Sources: softmax of scipy; attention as in Vaswani et al., "Attention Is All You Need" (2017), eq. 1; layer
normalisation as in Ba, Kiros and Hinton (2016), eq. 4.
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.special import softmax

from vision.attention import attended, normalised, prepared

WIDTH, HEADS = 8, 2
SHAPES = {
    "norm_a.weight": (WIDTH,),
    "norm_a.bias": (WIDTH,),
    "to_qkv.weight": (3 * WIDTH, WIDTH),
    "to_qkv.bias": (3 * WIDTH,),
    "to_out.weight": (WIDTH, WIDTH),
    "to_out.bias": (WIDTH,),
    "norm_b.weight": (WIDTH,),
    "norm_b.bias": (WIDTH,),
    "wide.weight": (2 * WIDTH, WIDTH),
    "wide.bias": (2 * WIDTH,),
    "narrow.weight": (WIDTH, 2 * WIDTH),
    "narrow.bias": (WIDTH,),
}


def layer(rng: np.random.Generator, k: int) -> dict[str, np.ndarray]:
    """One layer's weights at random."""
    return {f"layers.{k}.{name}": rng.normal(0, 0.5, shape) for name, shape in SHAPES.items()}


def by_hand(x: np.ndarray, w: dict[str, np.ndarray], k: int) -> np.ndarray:
    """One layer, token by token and head by head."""
    part = {name: w[f"layers.{k}.{name}"] for name in SHAPES}
    even = (x - x.mean(1, keepdims=True)) / np.sqrt(x.var(1, keepdims=True) + 1e-5)
    q, key, value = np.split(
        (even * part["norm_a.weight"] + part["norm_a.bias"]) @ part["to_qkv.weight"].T + part["to_qkv.bias"],
        3,
        axis=1,
    )
    room, heads = WIDTH // HEADS, []
    for h in range(HEADS):
        at = slice(h * room, (h + 1) * room)
        heads.append(softmax(q[:, at] @ key[:, at].T / np.sqrt(room), axis=1) @ value[:, at])
    x = x + np.concatenate(heads, axis=1) @ part["to_out.weight"].T + part["to_out.bias"]
    even = (x - x.mean(1, keepdims=True)) / np.sqrt(x.var(1, keepdims=True) + 1e-5)
    wide = (even * part["norm_b.weight"] + part["norm_b.bias"]) @ part["wide.weight"].T + part["wide.bias"]
    return x + np.maximum(wide, 0) @ part["narrow.weight"].T + part["narrow.bias"]


@given(st.integers(0, 10_000), st.integers(1, 12), st.integers(0, 3))
def test_layers_agree_with_a_plain_computation(seed: int, count: int, layers: int) -> None:
    rng = np.random.default_rng(seed)
    weights = {name: w for k in range(layers) for name, w in layer(rng, k).items()}
    x = rng.normal(size=(count, WIDTH))
    expected = x
    for k in range(layers):
        expected = by_hand(expected, weights, k)
    assert attended(x, prepared(weights, HEADS), HEADS) == pytest.approx(expected, abs=1e-8)


def test_scores_that_would_overflow_agree_as_well() -> None:
    rng = np.random.default_rng(3)
    weights, x = layer(rng, 0), rng.normal(size=(6, WIDTH))
    weights["layers.0.to_qkv.weight"] *= 40.0
    assert attended(x, prepared(weights, HEADS), HEADS) == pytest.approx(by_hand(x, weights, 0), abs=1e-6)


def test_groups_attend_to_themselves_alone() -> None:
    rng = np.random.default_rng(4)
    weights, x = prepared(layer(rng, 0), HEADS), rng.normal(size=(3, 5, WIDTH))
    alone = np.concatenate([attended(one, weights, HEADS) for one in x])
    assert attended(x.reshape(15, WIDTH), weights, HEADS, 3) == pytest.approx(alone, abs=1e-9)


@given(st.integers(0, 10_000))
def test_the_order_of_tokens_does_not_matter(seed: int) -> None:
    rng = np.random.default_rng(seed)
    weights, x, order = prepared(layer(rng, 0), HEADS), rng.normal(size=(7, WIDTH)), rng.permutation(7)
    assert attended(x[order], weights, HEADS) == pytest.approx(attended(x, weights, HEADS)[order], abs=1e-8)


def test_normalised_tokens_have_no_mean_and_a_spread_of_one() -> None:
    x = np.random.default_rng(1).normal(3, 5, (9, 64))
    even = normalised(x)
    assert even.mean(1) == pytest.approx(np.zeros(9), abs=1e-9)
    assert even.std(1) == pytest.approx(np.ones(9), abs=1e-5)
