"""Colour arithmetic: the sRGB transfer curve, CIE L*a*b*, CIEDE2000, and the log-light features.

Names carry the space: ``srgb`` is a display value in 0..1, ``linear_rgb`` is linear light 0..1 in the
same primaries, ``lab`` is CIE 1976 L*a*b* under D65, ``log_rgb`` is ``log(linear_rgb + floor)``.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

#: Linear sRGB to CIE XYZ, white point D65 (IEC 61966-2-1:1999, equation 7).
RGB_TO_XYZ: Floats = np.array(
    [[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]], dtype=np.float64
)
#: XYZ of the sRGB white (1, 1, 1): the row sums of the matrix above.
WHITE_XYZ: Floats = RGB_TO_XYZ.sum(axis=1)


def srgb_to_linear(srgb: ArrayLike) -> Floats:
    """Decode sRGB values 0..1 (any shape) to linear light 0..1; IEC 61966-2-1:1999, 5.2."""
    values = np.asarray(srgb, dtype=np.float64)
    dark = values / 12.92
    bright = ((np.maximum(values, 0.0) + 0.055) / 1.055) ** 2.4
    return np.where(values <= 0.04045, dark, bright)


def linear_to_srgb(linear_rgb: ArrayLike) -> Floats:
    """Encode linear light 0..1 (any shape) as sRGB 0..1; IEC 61966-2-1:1999, 5.2."""
    values = np.asarray(linear_rgb, dtype=np.float64)
    bright = 1.055 * np.maximum(values, 0.0) ** (1.0 / 2.4) - 0.055
    return np.where(values <= 0.0031308, 12.92 * values, bright)


#: Linear light of each 8-bit sRGB code, float32: indexing this decodes a whole picture.
SRGB8_TO_LINEAR: NDArray[np.float32] = srgb_to_linear(np.arange(256) / 255.0).astype(np.float32)


def linear_to_lab(linear_rgb: ArrayLike) -> Floats:
    """CIE 1976 L*a*b* (D65) of linear sRGB (..., 3) in 0..1; CIE 15:2004, 8.2.1."""
    ratio = np.asarray(linear_rgb, dtype=np.float64) @ RGB_TO_XYZ.T / WHITE_XYZ
    delta = 6.0 / 29.0
    cube = np.where(ratio > delta**3, np.cbrt(ratio), ratio / (3.0 * delta**2) + 4.0 / 29.0)
    x, y, z = cube[..., 0], cube[..., 1], cube[..., 2]
    return np.stack([116.0 * y - 16.0, 500.0 * (x - y), 200.0 * (y - z)], axis=-1)


def log_light(linear_rgb: ArrayLike, floor: float) -> Floats:
    """``log(linear_rgb + floor)``: gains of the light become shifts, sensor noise in the dark stays bounded.

    Values below 0 count as 0. ``floor`` > 0 is in units of linear light (full white = 1).
    """
    return np.log(np.maximum(np.asarray(linear_rgb, dtype=np.float64), 0.0) + floor)


def ciede2000(lab_a: ArrayLike, lab_b: ArrayLike) -> Floats:
    """CIEDE2000 colour difference of L*a*b* values (..., 3), broadcast against each other.

    Formulae (2)-(22) of Sharma, Wu, Dalal, "The CIEDE2000 color-difference formula: implementation
    notes, supplementary test data, and mathematical observations", Color Res. Appl. 30 (2005) 21-30,
    with kL = kC = kH = 1.
    """
    first = np.asarray(lab_a, dtype=np.float64)
    second = np.asarray(lab_b, dtype=np.float64)
    l1, a1, b1 = first[..., 0], first[..., 1], first[..., 2]
    l2, a2, b2 = second[..., 0], second[..., 1], second[..., 2]
    chroma_mean7 = ((np.hypot(a1, b1) + np.hypot(a2, b2)) / 2.0) ** 7
    stretch = 1.0 + 0.5 * (1.0 - np.sqrt(chroma_mean7 / (chroma_mean7 + 25.0**7)))
    a1p, a2p = stretch * a1, stretch * a2
    c1, c2 = np.hypot(a1p, b1), np.hypot(a2p, b2)
    h1 = np.degrees(np.arctan2(b1, a1p)) % 360.0
    h2 = np.degrees(np.arctan2(b2, a2p)) % 360.0
    grey = c1 * c2 == 0.0

    dl, dc = l2 - l1, c2 - c1
    turn = h2 - h1
    dh_deg = np.where(turn > 180.0, turn - 360.0, np.where(turn < -180.0, turn + 360.0, turn))
    dh_deg = np.where(grey, 0.0, dh_deg)
    dh = 2.0 * np.sqrt(c1 * c2) * np.sin(np.radians(dh_deg) / 2.0)

    l_mean, c_mean, h_sum = (l1 + l2) / 2.0, (c1 + c2) / 2.0, h1 + h2
    wrapped = np.where(h_sum < 360.0, h_sum + 360.0, h_sum - 360.0)
    h_mean = np.where(grey, h_sum, np.where(np.abs(h1 - h2) <= 180.0, h_sum, wrapped) / 2.0)
    t = (
        1.0
        - 0.17 * np.cos(np.radians(h_mean - 30.0))
        + 0.24 * np.cos(np.radians(2.0 * h_mean))
        + 0.32 * np.cos(np.radians(3.0 * h_mean + 6.0))
        - 0.20 * np.cos(np.radians(4.0 * h_mean - 63.0))
    )
    l_off = (l_mean - 50.0) ** 2
    s_l = 1.0 + 0.015 * l_off / np.sqrt(20.0 + l_off)
    s_c = 1.0 + 0.045 * c_mean
    s_h = 1.0 + 0.015 * c_mean * t
    c_mean7 = c_mean**7
    bend = np.radians(30.0 * np.exp(-(((h_mean - 275.0) / 25.0) ** 2)))
    r_t = -2.0 * np.sqrt(c_mean7 / (c_mean7 + 25.0**7)) * np.sin(2.0 * bend)
    lightness, chroma, hue = dl / s_l, dc / s_c, dh / s_h
    squared = lightness**2 + chroma**2 + hue**2 + r_t * chroma * hue
    return np.asarray(np.sqrt(np.maximum(squared, 0.0)), dtype=np.float64)
