"""Colour arithmetic against colour-science, IEC 61966-2-1 and the published CIEDE2000 pairs."""

from __future__ import annotations

import colour
import numpy as np
import pytest

from calibration.colour import (
    SRGB8_TO_LINEAR,
    ciede2000,
    linear_to_lab,
    linear_to_srgb,
    log_light,
    srgb_to_linear,
)

# Sharma, Wu, Dalal, Color Res. Appl. 30 (2005) 21-30, Table 1 (supplementary test data), typed from
# memory; colour-science's own implementation is asked below as well, so that a slip cannot pass.
SHARMA = np.array(
    [
        (50.0, 2.6772, -79.7751, 50.0, 0.0, -82.7485, 2.0425),
        (50.0, 3.1571, -77.2803, 50.0, 0.0, -82.7485, 2.8615),
        (50.0, 2.8361, -74.0200, 50.0, 0.0, -82.7485, 3.4412),
        (50.0, -1.3802, -84.2814, 50.0, 0.0, -82.7485, 1.0000),
        (50.0, -1.1848, -84.8006, 50.0, 0.0, -82.7485, 1.0000),
        (50.0, -0.9009, -85.5211, 50.0, 0.0, -82.7485, 1.0000),
        (50.0, 0.0, 0.0, 50.0, -1.0, 2.0, 2.3669),
        (50.0, -1.0, 2.0, 50.0, 0.0, 0.0, 2.3669),
        (50.0, 2.49, -0.001, 50.0, -2.49, 0.0009, 7.1792),
        (50.0, 2.49, -0.001, 50.0, -2.49, 0.0010, 7.1792),
        (50.0, 2.49, -0.001, 50.0, -2.49, 0.0011, 7.2195),
        (50.0, 2.49, -0.001, 50.0, -2.49, 0.0012, 7.2195),
        (50.0, -0.001, 2.49, 50.0, 0.0009, -2.49, 4.8045),
        (50.0, -0.001, 2.49, 50.0, 0.0010, -2.49, 4.8045),
        (50.0, -0.001, 2.49, 50.0, 0.0011, -2.49, 4.7461),
        (50.0, 2.5, 0.0, 50.0, 0.0, -2.5, 4.3065),
        (50.0, 2.5, 0.0, 73.0, 25.0, -18.0, 27.1492),
        (50.0, 2.5, 0.0, 61.0, -5.0, 29.0, 22.8977),
        (50.0, 2.5, 0.0, 56.0, -27.0, -3.0, 31.9030),
        (50.0, 2.5, 0.0, 58.0, 24.0, 15.0, 19.4535),
        (50.0, 2.5, 0.0, 50.0, 3.1736, 0.5854, 1.0000),
        (50.0, 2.5, 0.0, 50.0, 3.2972, 0.0, 1.0000),
        (50.0, 2.5, 0.0, 50.0, 1.8634, 0.5757, 1.0000),
        (50.0, 2.5, 0.0, 50.0, 3.2592, 0.3350, 1.0000),
        (60.2574, -34.0099, 36.2677, 60.4626, -34.1751, 39.4387, 1.2644),
        (63.0109, -31.0961, -5.8663, 62.8187, -29.7946, -4.0864, 1.2630),
        (61.2901, 3.7196, -5.3901, 61.4292, 2.2480, -4.9620, 1.8731),
        (35.0831, -44.1164, 3.7933, 35.0232, -40.0716, 1.5901, 1.8645),
        (22.7233, 20.0904, -46.6940, 23.0331, 14.9730, -42.5619, 2.0373),
        (36.4612, 47.8580, 18.3852, 36.2715, 50.5065, 21.2231, 1.4146),
        (90.8027, -2.0831, 1.4410, 91.1528, -1.6435, 0.0447, 1.4441),
        (90.9257, -0.5406, -0.9208, 88.6381, -0.8985, -0.7239, 1.5381),
        (6.7747, -0.2908, -2.4247, 5.8714, -0.0985, -2.2286, 0.6377),
        (2.0776, 0.0795, -1.1350, 0.9033, -0.0636, -0.5514, 0.9082),
    ]
)


def test_ciede2000_gives_the_published_differences() -> None:
    measured = ciede2000(SHARMA[:, :3], SHARMA[:, 3:6])
    assert np.abs(measured - SHARMA[:, 6]).max() < 1e-4


def test_ciede2000_is_colour_sciences_on_random_pairs_and_symmetric() -> None:
    rng = np.random.default_rng(5)
    first, second = (rng.uniform((0, -90, -90), (100, 90, 90), (4000, 3)) for _ in range(2))
    ours = ciede2000(first, second)
    assert np.allclose(ours, colour.delta_E(first, second, method="CIE 2000"), atol=1e-9)
    assert np.allclose(ours, ciede2000(second, first), atol=1e-9)
    assert np.allclose(ciede2000(first, first), 0.0)


def test_srgb_transfer_is_that_of_iec_61966_2_1() -> None:
    values = np.linspace(0, 1, 4001)
    assert np.allclose(srgb_to_linear(values), colour.models.eotf_sRGB(values), atol=1e-12)
    assert np.allclose(linear_to_srgb(values), colour.models.eotf_inverse_sRGB(values), atol=1e-12)
    assert np.allclose(linear_to_srgb(srgb_to_linear(values)), values, atol=2e-7)
    assert np.allclose(SRGB8_TO_LINEAR, colour.models.eotf_sRGB(np.arange(256) / 255), atol=1e-7)


def test_lab_is_cie_1976_under_d65() -> None:
    rgb = np.random.default_rng(6).random((500, 3))
    space = colour.RGB_COLOURSPACES["sRGB"]
    xyz = colour.RGB_to_XYZ(rgb, space, apply_cctf_decoding=False)
    # the standard prints its matrix to four places; the white point differs by its rounding
    theirs = colour.XYZ_to_Lab(xyz, space.whitepoint)
    assert np.abs(linear_to_lab(rgb) - theirs).max() < 0.05
    assert linear_to_lab([1.0, 1.0, 1.0]) == pytest.approx([100.0, 0.0, 0.0], abs=1e-9)


def test_a_gain_of_the_light_is_a_shift_of_bright_features() -> None:
    rgb = np.random.default_rng(7).uniform(0.2, 0.5, (50, 3))
    gain = np.array([1.4, 1.0, 0.6])
    shift = log_light(rgb * gain, 1e-9) - log_light(rgb, 1e-9)
    assert np.allclose(shift, np.log(gain), atol=1e-6)
    assert np.isfinite(log_light([-0.1, 0.0, 2.0], 0.02)).all()
