"""The parts of a small network of attention among tokens, in numpy: reading a picture needs no other library.

Weights are arrays under the names that PyTorch gives them. The parts: Vaswani et al., "Attention Is
All You Need" (NeurIPS 2017), with the normalisation before each part.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float32]
Weights = dict[str, Floats]


def stored_weights(path: Path) -> Weights:
    """The arrays of an .npz file in single precision; nothing is unpickled."""
    with np.load(path, allow_pickle=False) as stored:
        return {name: stored[name].astype(np.float32) for name in stored.files}


def linear(x: Floats, weights: Weights, name: str) -> Floats:
    """(T, in) to (T, out)."""
    return np.asarray(x @ weights[f"{name}.weight"].T + weights[f"{name}.bias"])


def normalised(x: Floats, weights: Weights, name: str) -> Floats:
    """Layer normalisation of (T, width)."""
    off = x - x.mean(axis=1, keepdims=True)
    scale = np.sqrt((off * off).mean(axis=1, keepdims=True) + 1e-5)
    return np.asarray(off / scale * weights[f"{name}.weight"] + weights[f"{name}.bias"])


def attended(x: Floats, weights: Weights, heads: int) -> Floats:
    """All layers of attention on tokens (T, width)."""
    count, width = x.shape
    layers = sum(1 for name in weights if name.endswith("to_out.bias"))
    for k in range(layers):
        name = f"layers.{k}"
        qkv = linear(normalised(x, weights, f"{name}.norm_a"), weights, f"{name}.to_qkv")
        q, key, value = qkv.reshape(count, 3, heads, width // heads).transpose(1, 2, 0, 3)
        score = q @ key.transpose(0, 2, 1) / np.sqrt(np.float32(width // heads))
        score = np.exp(score - score.max(axis=2, keepdims=True))
        score /= score.sum(axis=2, keepdims=True)
        x = x + linear((score @ value).transpose(1, 0, 2).reshape(count, width), weights, f"{name}.to_out")
        wide = np.maximum(linear(normalised(x, weights, f"{name}.norm_b"), weights, f"{name}.wide"), 0)
        x = x + linear(wide, weights, f"{name}.narrow")
    return x
