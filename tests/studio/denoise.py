"""Takes path-tracing noise out of a picture, led by the noise-free albedo and normals (an a-trous filter).

After Dammertz et al., "Edge-avoiding A-Trous wavelet transform for fast global illumination filtering"
(2010), with the variance taken from two independent halves of the samples.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

Picture = NDArray[np.float32]


def denoised(half_a: Picture, half_b: Picture, albedo: Picture, normal: Picture, levels: int = 4) -> Picture:
    """(H, W, 3) linear light from two half pictures (each with independent noise) and the guides of their
    mean."""
    base = albedo + 0.05
    a, b = half_a / base, half_b / base
    light = 0.5 * (a + b)
    weight = np.array([0.25, 0.5, 0.25], dtype=np.float32)
    variance = 0.25 * ((a - b) @ weight) ** 2
    kernel = np.array([1 / 16, 1 / 4, 3 / 8, 1 / 4, 1 / 16], dtype=np.float32)
    for level in range(levels):
        step = 2**level
        spread = cv2.GaussianBlur(variance, (0, 0), 1.5)
        grey = light @ weight
        scale = 1.0 / (2.5 * np.sqrt(np.maximum(spread, 0)) + 1e-3)
        total = np.zeros_like(light)
        total_variance = np.zeros_like(variance)
        norm = np.zeros_like(variance)
        padded = [
            cv2.copyMakeBorder(x, 2 * step, 2 * step, 2 * step, 2 * step, cv2.BORDER_REFLECT_101)
            for x in (light, variance, grey, albedo, normal)
        ]
        h, w = grey.shape
        for dy in range(-2, 3):
            for dx in range(-2, 3):
                at = (
                    slice((2 + dy) * step, (2 + dy) * step + h),
                    slice((2 + dx) * step, (2 + dx) * step + w),
                )
                there, var, g, alb, nrm = (p[at] for p in padded)
                apart = np.abs(g - grey) * scale
                apart = (
                    apart
                    + 400.0 * ((alb - albedo) ** 2).sum(axis=-1)
                    + 12.0 * ((nrm - normal) ** 2).sum(axis=-1)
                )
                wgt = (kernel[dy + 2] * kernel[dx + 2] * np.exp(-apart)).astype(np.float32)
                total += wgt[..., None] * there
                total_variance += wgt**2 * var
                norm += wgt
        light = total / norm[..., None]
        variance = total_variance / norm**2
    return np.asarray(light * base, dtype=np.float32)
