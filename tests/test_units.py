"""Bands, levels, air and directions."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rooms.units import (
    BAND_NAMES,
    BANDS,
    MIDBANDS,
    air_attenuation,
    air_energy_loss,
    amplitude,
    energy_db,
    level_db,
    speed_of_sound,
    unit_vector,
)


def test_midbands_are_the_exact_ones_of_iec_61260_1() -> None:
    """IEC 61260-1:2014, 5.2 to 5.4: G = 10^(3/10), reference 1 kHz; the nominal names are within 1.3 % of them."""
    assert MIDBANDS[4] == 1000.0
    np.testing.assert_allclose(MIDBANDS[1:] / MIDBANDS[:-1], 10**0.3, rtol=1e-12)
    np.testing.assert_allclose(MIDBANDS, BANDS, rtol=0.013)
    assert BAND_NAMES == ("63", "125", "250", "500", "1000", "2000", "4000", "8000", "16000")


@given(st.floats(-120, 60))
def test_a_level_comes_back_from_its_amplitude_and_its_energy(level: float) -> None:
    assert level_db(amplitude(level)) == pytest.approx(level, abs=1e-9)
    assert level_db(-amplitude(level)) == pytest.approx(level, abs=1e-9)
    assert energy_db(amplitude(level) ** 2) == pytest.approx(level, abs=1e-9)


def test_nothing_has_the_level_minus_infinity() -> None:
    assert level_db(0.0) == -np.inf
    assert energy_db(0.0) == -np.inf


@pytest.mark.parametrize(("celsius", "metres_per_second"), [(10, 337.62), (15, 340.71), (20, 343.83), (25, 346.98)])
def test_speed_of_sound_is_that_of_humid_air_within_the_formula_s_promise(
    celsius: float, metres_per_second: float
) -> None:
    """Reference: ideal gas at 50 % humidity (values of the package pyfar); the formula leaves humidity out: 0.3 %."""
    assert speed_of_sound(celsius) == pytest.approx(metres_per_second, rel=3e-3)
    assert speed_of_sound(20.0) == 343.2


@given(st.floats(-20, 50), st.floats(10, 100))
def test_air_takes_more_from_higher_bands(celsius: float, humidity: float) -> None:
    loss = air_energy_loss(celsius, humidity)
    assert loss.shape == (9,)
    assert np.all(np.diff(loss) > 0)
    np.testing.assert_allclose(
        10 * np.log10(np.exp(-loss * 100.0)), -100.0 * air_attenuation(MIDBANDS, celsius, humidity), rtol=1e-9
    )


def test_azimuth_turns_right_from_upstage_and_elevation_up() -> None:
    for aim, vector in {
        (0, 0): (0, 1, 0),
        (90, 0): (1, 0, 0),
        (-90, 0): (-1, 0, 0),
        (180, 0): (0, -1, 0),
        (0, 90): (0, 0, 1),
        (30, 60): (0.25, np.sqrt(3) / 4, np.sqrt(3) / 2),
    }.items():
        np.testing.assert_allclose(unit_vector(*aim), vector, atol=1e-12)


@given(st.floats(-360, 360), st.floats(-90, 90))
def test_an_aim_is_a_unit_vector(azimuth: float, elevation: float) -> None:
    assert np.linalg.norm(unit_vector(azimuth, elevation)) == pytest.approx(1.0, abs=1e-12)
