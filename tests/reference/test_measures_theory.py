"""Statistical reverberation times against printed examples and independent programs."""

from __future__ import annotations

import numpy as np
import pyrato
import pytest

from rooms.theory import eyring_s, kuttruff_s, sabine_s

FOOT_M = 0.3048
EN_SPEED = 24.0 * np.log(10.0) / 0.16
"""Speed of sound, m/s, behind the constant 0.16 s/m of EN 12354-6."""


def test_sabine_gives_the_printed_times_of_everest_figure_7_22() -> None:
    """F. A. Everest, K. C. Pohlmann, Master Handbook of Acoustics, 4th ed., figure 7-22, example 1.

    Printed to 0.01 s from rounded constants (0.049 in feet), hence 0.5 %.
    """
    floor = 373.0 * np.array([0.01, 0.01, 0.015, 0.02, 0.02, 0.02])
    gypsum = 1159.0 * np.array([0.29, 0.10, 0.05, 0.04, 0.07, 0.09])
    times = sabine_s(3728.0 * FOOT_M**3, (floor + gypsum) * FOOT_M**2, np.zeros(6), 343.0)
    np.testing.assert_allclose(times, [0.54, 1.53, 2.87, 3.39, 2.06, 1.63], rtol=5e-3, atol=0)


@pytest.mark.parametrize(
    ("area_m2", "air_per_m", "T_s"),
    [(2.2633, 0.0, 2.1), (2.2633, 1e-3, 2.0), (5.03, 0.0, 0.9), (10.21, 0.0, 0.5)],
)
def test_sabine_gives_the_printed_times_of_en_12354_6(area_m2: float, air_per_m: float, T_s: float) -> None:
    """EN 12354-6:2003, annex E, 1 kHz, V = 29.75 m³; printed to 0.1 s."""
    assert sabine_s(29.75, area_m2, air_per_m, EN_SPEED) == pytest.approx(T_s, abs=0.05)


def test_en_12354_6_absorption_area_with_air_to_three_digits() -> None:
    """Same example: 2.103 s without air, 1.998 s with m = 1e-3 (computed from its inputs with 0.16)."""
    area = 12.39 * (0.05 + 0.02) + 2 * 10.90 * 0.04 + 2 * 6.55 * 0.04
    np.testing.assert_allclose(sabine_s(29.75, area, [0.0, 1e-3], EN_SPEED), [2.103, 1.998], rtol=5e-4, atol=0)


def test_sabine_and_eyring_of_a_uniform_room() -> None:
    """8 × 5 × 3 m, α = 0.2, c = 343 m/s: check values of an independent program (phonometry's tests)."""
    surface = 2.0 * (8 * 5 + 8 * 3 + 5 * 3)
    assert sabine_s(120.0, 0.2 * surface, 0.0, 343.0) == pytest.approx(0.6118246547, rel=1e-9)
    assert eyring_s(120.0, surface, 0.2, 0.0, 343.0) == pytest.approx(0.5483686633, rel=1e-9)


def test_eyring_with_the_exponents_mean_is_millington_and_sette() -> None:
    """240, 600, 500 m² of α 0.1, 0.25, 0.45 in 3000 m³ (python-acoustics' tests; Millington computed)."""
    area = np.array([240.0, 600.0, 500.0])
    alpha = np.array([0.1, 0.25, 0.45])
    surface = area.sum()
    assert sabine_s(3000.0, area @ alpha, 0.0, 343.0) == pytest.approx(1.211382, rel=1e-6)
    assert eyring_s(3000.0, surface, area @ alpha / surface, 0.0, 343.0) == pytest.approx(1.020428, rel=1e-6)
    geometric = 1.0 - np.prod((1.0 - alpha) ** (area / surface))
    assert eyring_s(3000.0, surface, geometric, 0.0, 343.0) == pytest.approx(0.972882, rel=1e-6)


def test_pyrato_agrees_on_sabine_and_eyring() -> None:
    """30 × 20 × 15 m, α 0.05 to 0.9, without air: pyrato 1.x at the same speed of sound."""
    alpha = np.linspace(0.05, 0.9, 9)
    sabine = pyrato.parametric.reverberation_time_sabine(9000.0, 2700.0, alpha, 343.0)
    eyring = pyrato.parametric.reverberation_time_eyring(9000.0, 2700.0, alpha, 343.0)
    np.testing.assert_allclose(sabine_s(9000.0, 2700.0 * alpha, np.zeros(9), 343.0), sabine, rtol=1e-12)
    np.testing.assert_allclose(eyring_s(9000.0, 2700.0, alpha, np.zeros(9), 343.0), eyring, rtol=1e-12)


def test_kuttruffs_correction_lengthens_eyring_by_the_formula() -> None:
    """1/(1 + γ²/2·ln(1 − ᾱ)), γ² = 0.4, ᾱ = 0.3 (H. Kuttruff, Room Acoustics, ch. 5, from memory)."""
    eyring = eyring_s(9000.0, 2700.0, 0.3, 0.0, 343.0)
    assert kuttruff_s(9000.0, 2700.0, 0.3, 0.0, 343.0, 0.4) == pytest.approx(1.0768146 * eyring, rel=1e-7)
    assert kuttruff_s(9000.0, 2700.0, 0.3, 2e-3, 343.0, 0.0) == eyring_s(9000.0, 2700.0, 0.3, 2e-3, 343.0)
