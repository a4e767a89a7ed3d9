"""Bands, levels and air: the constants and conversions every other module shares.

Octave bands are the nine nominal bands 63 Hz … 16 kHz of IEC 61260-1; the lowest stands for everything below it,
the highest for everything above. Inside formulas the exact base-ten mid-band frequencies are used.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = [
    "BANDS",
    "BAND_NAMES",
    "INTERVAL",
    "MIDBANDS",
    "air_attenuation",
    "air_energy_loss",
    "amplitude",
    "energy_db",
    "level_db",
    "speed_of_sound",
    "unit_vector",
]

BANDS: NDArray[np.float64] = np.array([63.0, 125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0, 16000.0])
"""Nominal octave mid-bands in Hz."""

BAND_NAMES: tuple[str, ...] = tuple(f"{band:.0f}" for band in BANDS)
"""The bands as the keys of tables and reports."""

MIDBANDS: NDArray[np.float64] = np.power(10.0, 3.0 + 0.3 * np.arange(-4, 5), dtype=np.float64)
"""Exact octave mid-bands in Hz (IEC 61260-1, base ten)."""

INTERVAL = 1.645
"""Half a 90 % interval of a normal distribution, in standard deviations."""


def amplitude(level: ArrayLike) -> NDArray[np.float64]:
    """Return the amplitude ratio of a level in dB."""
    return np.power(10.0, np.asarray(level, dtype=np.float64) / 20.0)


def level_db(ratio: ArrayLike) -> NDArray[np.float64]:
    """Return the level in dB of an amplitude ratio; −inf for zero."""
    with np.errstate(divide="ignore"):
        return 20.0 * np.log10(np.abs(np.asarray(ratio, dtype=np.float64)))


def energy_db(ratio: ArrayLike) -> NDArray[np.float64]:
    """Return the level in dB of an energy ratio (≥ 0); −inf for zero."""
    with np.errstate(divide="ignore"):
        return 10.0 * np.log10(np.asarray(ratio, dtype=np.float64))


def speed_of_sound(temperature: float) -> float:
    """Return the speed of sound in m/s.

    Parameters
    ----------
    temperature : float
        Air temperature in °C.

    References
    ----------
    ISO 9613-1:1993, annex A: c = 343.2·√(T/T0), T0 = 293.15 K. Humidity and pressure change it by less than 0.3 %.
    """
    return float(343.2 * np.sqrt((temperature + 273.15) / 293.15))


def air_attenuation(
    frequency: ArrayLike, temperature: float, humidity: float, pressure: float = 101.325
) -> NDArray[np.float64]:
    """Return the pure-tone attenuation of sound by air.

    Parameters
    ----------
    frequency : array_like
        Hz.
    temperature : float
        °C; the standard covers −20 to 50.
    humidity : float
        Relative humidity in %; the standard covers molar concentrations of 0.05 to 5 %.
    pressure : float
        Ambient pressure in kPa.

    Returns
    -------
    ndarray
        Attenuation in dB/m, shape of ``frequency``. The standard's accuracy is ±10 % inside its ranges;
        its tables end at 10 kHz, above which the same formula is used.

    References
    ----------
    ISO 9613-1:1993, equations (3) to (5) and annex B.
    """
    f = np.asarray(frequency, dtype=np.float64)
    kelvin = temperature + 273.15
    t = kelvin / 293.15
    p = pressure / 101.325
    saturation = 10.0 ** (-6.8346 * (273.16 / kelvin) ** 1.261 + 4.6151)  # (B.2), (B.3)
    h = humidity * saturation / p  # (B.1), molar concentration of water vapour in %
    oxygen = p * (24.0 + 4.04e4 * h * (0.02 + h) / (0.391 + h))  # (3)
    nitrogen = p * t**-0.5 * (9.0 + 280.0 * h * np.exp(-4.170 * (t ** (-1.0 / 3.0) - 1.0)))  # (4)
    relaxation = 0.01275 * np.exp(-2239.1 / kelvin) / (oxygen + f**2 / oxygen)
    relaxation = relaxation + 0.1068 * np.exp(-3352.0 / kelvin) / (nitrogen + f**2 / nitrogen)
    return np.asarray(8.686 * f**2 * (1.84e-11 / p * t**0.5 + t**-2.5 * relaxation))  # (5)


def air_energy_loss(temperature: float, humidity: float) -> NDArray[np.float64]:
    """Return m, the energy attenuation of air in 1/m per octave band, shape (9,): energy falls as exp(−m·r)."""
    return np.asarray(air_attenuation(MIDBANDS, temperature, humidity) * (np.log(10.0) / 10.0))


def unit_vector(azimuth: float, elevation: float = 0.0) -> NDArray[np.float64]:
    """Return the direction of an aim in the scene's frame.

    Parameters
    ----------
    azimuth : float
        Degrees; 0 looks upstage (+y), positive to the audience's right (+x).
    elevation : float
        Degrees above the horizon.
    """
    a, e = np.radians(azimuth), np.radians(elevation)
    return np.array([np.sin(a) * np.cos(e), np.cos(a) * np.cos(e), np.sin(e)])
