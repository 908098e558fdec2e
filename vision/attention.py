"""The parts of a small network of attention among tokens, in numpy: reading a picture needs no other library.

Weights are arrays under the names that PyTorch gives them. The parts: Vaswani et al., "Attention Is
All You Need" (NeurIPS 2017), with the normalisation before each part.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from models.cube import frozen

Floats = NDArray[np.float32]
Weights = dict[str, Floats]


def stored_weights(path: Path) -> Weights:
    """The arrays of an .npz file in single precision; nothing is unpickled.

    Matrices lie column by column, as :func:`linear` goes through them; read-only.
    """
    with np.load(path, allow_pickle=False) as stored:
        return {name: frozen(np.asfortranarray(stored[name], dtype=np.float32)) for name in stored.files}


def linear(x: Floats, weights: Weights, name: str) -> Floats:
    """(T, in) to (T, out)."""
    out = x @ weights[f"{name}.weight"].T
    out += weights[f"{name}.bias"]
    return np.asarray(out)


def normalised(x: Floats, weights: Weights, name: str) -> Floats:
    """Layer normalisation of (T, width)."""
    # means as products with a column: numpy adds along a short axis slowly
    share = np.full((x.shape[1], 1), 1.0 / x.shape[1], x.dtype)
    off = x - x @ share
    off /= np.sqrt((off * off) @ share + 1e-5)
    off *= weights[f"{name}.weight"]
    off += weights[f"{name}.bias"]
    return np.asarray(off)


def attended(x: Floats, weights: Weights, heads: int) -> Floats:
    """All layers of attention on tokens (T, width)."""
    count, width = x.shape
    layers = sum(1 for name in weights if name.endswith("to_out.bias"))
    one = np.ones((count, 1), x.dtype)
    for k in range(layers):
        name = f"layers.{k}"
        qkv = linear(normalised(x, weights, f"{name}.norm_a"), weights, f"{name}.to_qkv")
        q, key, value = qkv.reshape(count, 3, heads, width // heads).transpose(1, 2, 0, 3)
        score = (q / np.sqrt(x.dtype.type(width // heads))) @ key.transpose(0, 2, 1)
        score -= score.max(axis=2, keepdims=True)
        score = np.exp(score, out=score)
        heard = (score @ value) / (score @ one)
        x = x + linear(heard.transpose(1, 0, 2).reshape(count, width), weights, f"{name}.to_out")
        wide = linear(normalised(x, weights, f"{name}.norm_b"), weights, f"{name}.wide")
        x = x + linear(np.maximum(wide, 0, out=wide), weights, f"{name}.narrow")
    return x
