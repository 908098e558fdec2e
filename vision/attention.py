"""The parts of a small network of attention among tokens, in numpy: reading a picture needs no other library.

Weights are arrays under the names that PyTorch gives them, made ready by :func:`prepared`. The parts: Vaswani
et al., "Attention Is All You Need" (NeurIPS 2017), with the normalisation before each part.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from models.cube import frozen

Floats = NDArray[np.float32]
Weights = dict[str, Floats]

#: scores of attention of this size can be raised to powers as they are, in single precision
_SAFE = 60.0
#: the matrix that goes through what each normalisation gives
_AFTER = {"norm_a": "to_qkv", "norm_b": "wide", "norm": "out"}


def stored_weights(path: Path) -> Weights:
    """The arrays of an .npz file in single precision; nothing is unpickled."""
    with np.load(path, allow_pickle=False) as stored:
        return {name: stored[name].astype(np.float32) for name in stored.files}


def prepared(weights: Weights, heads: int) -> Weights:
    """The weights with what is the same for all tokens done beforehand.

    The scale and the shift after each normalisation go into the matrix that follows, and so does what scores
    of attention are divided by. Matrices lie column by column, as :func:`linear` goes through them; all is
    read-only.
    """
    out = dict(weights)
    norms = tuple(f"{norm}.weight" for norm in _AFTER)
    for place in [name.removesuffix(".weight") for name in weights if name.endswith(norms)]:
        layer, dot, norm = place.rpartition(".")
        after = f"{layer}{dot}{_AFTER[norm]}"
        matrix, scale, shift = (
            weights[f"{after}.weight"],
            out.pop(f"{place}.weight"),
            out.pop(f"{place}.bias"),
        )
        out[f"{after}.bias"] = weights[f"{after}.bias"] + matrix @ shift
        out[f"{after}.weight"] = matrix * scale
        if norm == "norm_a":  # the first third are the queries
            asked = len(matrix) // 3
            for part in ("weight", "bias"):
                out[f"{after}.{part}"][:asked] /= np.sqrt(matrix.dtype.type(asked // heads))
    return {name: frozen(np.asfortranarray(array)) for name, array in out.items()}


def linear(x: Floats, weights: Weights, name: str) -> Floats:
    """(T, in) to (T, out)."""
    out = x @ weights[f"{name}.weight"].T
    out += weights[f"{name}.bias"]
    return np.asarray(out)


def normalised(x: Floats) -> Floats:
    """Layer normalisation of (T, width): no mean and a spread of 1 for each token."""
    # means as products with a column: numpy adds along a short axis slowly
    share = np.full((x.shape[1], 1), 1.0 / x.shape[1], x.dtype)
    off = x - x @ share
    off /= np.sqrt((off * off) @ share + 1e-5)
    return np.asarray(off)


def attended(x: Floats, weights: Weights, heads: int, groups: int = 1) -> Floats:
    """All layers of attention on tokens (groups T, width), those of each group among themselves; the weights
    as :func:`prepared` gives them."""
    (total, width), count = x.shape, len(x) // groups
    layers = sum(1 for name in weights if name.endswith("to_out.bias"))
    one = np.ones((count, 1), x.dtype)
    for k in range(layers):
        name = f"layers.{k}"
        qkv = linear(normalised(x), weights, f"{name}.to_qkv")
        q, key, value = qkv.reshape(groups, count, 3, heads, width // heads).transpose(2, 0, 3, 1, 4)
        score = q @ key.swapaxes(2, 3)
        if score.max() > _SAFE or score.min() < -_SAFE:  # a shift changes nothing else, and is slow
            score -= score.max(axis=3, keepdims=True)
        score = np.exp(score, out=score)
        heard = (score @ value) / (score @ one)
        x = x + linear(heard.swapaxes(1, 2).reshape(total, width), weights, f"{name}.to_out")
        wide = linear(normalised(x), weights, f"{name}.wide")
        x = x + linear(np.maximum(wide, 0, out=wide), weights, f"{name}.narrow")
    return x
