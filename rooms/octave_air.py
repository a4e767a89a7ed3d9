"""What an octave's decay says of its middle: air takes the more the higher, so an octave's lower edge rings longest.

Halls' reverberation times are those of octaves' middles. What is read from an octave's level is its lower edge's before
long: above 2 kHz it is longer, at 8 kHz by a sixth or so, and longer still if the sound is weaker at the upper edge.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from rooms.octaves import octave_gain, octave_midbands
from rooms.units import BANDS, air_attenuation, speed_of_sound

__all__ = ["at_middle_s", "of_even_spectrum_s"]

REACH, IN_AN_OCTAVE = 1.0, 24
"""Octaves to either side of the middle that an octave's filter hears, and frequencies in each."""

LEVELS_DB = {"even": (-5.0, -35.0), "played": (-5.0, -25.0)}
"""dB between which a decay is read: T30 (ISO 3382-1), and about what the free decays of music show."""

TIMES, MOST_T_S = 60, 30.0
"""So many reverberation times in s, up to this one, are read; others lie between them."""

STEPS = 240
"""Instants of a decay."""

_FALL = 6.0 * np.log(10.0)  # of energy in one reverberation time, as a logarithm


def _heard(midband: float) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return frequencies in Hz about a mid-band, and how much of an even spectrum the octave's filter hears there."""
    octaves = np.linspace(-REACH, REACH, round(2 * REACH * IN_AN_OCTAVE) + 1)
    frequency = midband * 2.0**octaves
    weight = octave_gain(frequency, midband) ** 2 * frequency  # as wide as it is high
    return frequency, weight / weight.sum()


def _air_per_s(frequency: NDArray[np.float64], temperature: float, humidity: float) -> NDArray[np.float64]:
    """Return how much energy air takes in a second, as a logarithm."""
    decibels = air_attenuation(frequency, temperature, humidity) * speed_of_sound(temperature)
    return np.asarray(decibels * np.log(10.0) / 10.0)


def _read_s(
    middle_s: NDArray[np.float64],
    excess_per_s: NDArray[np.float64],
    weight: NDArray[np.float64],
    levels_db: tuple[float, float],
) -> NDArray[np.float64]:
    """Return the times that a line through an octave's decay reads, (times,), given those of its middle."""
    rate = _FALL / middle_s[:, None] + excess_per_s  # (times, frequencies)
    after = middle_s[:, None] * np.linspace(0.0, 1.0, STEPS)  # (times, instants)
    left = np.einsum("tif,tf->ti", np.exp(-after[..., None] * rate[:, None]), weight / rate)
    level = 10.0 * np.log10(left / left[:, :1])
    high, low = levels_db
    counted = ((level <= high) & (level >= low)).astype(float)
    number = counted.sum(axis=1, keepdims=True)
    away = (after - (counted * after).sum(axis=1, keepdims=True) / number) * counted
    return np.asarray(-60.0 * (away**2).sum(axis=1) / (away * level).sum(axis=1))


def _longer(
    midband: float, temperature: float, humidity: float, weight: NDArray[np.float64], levels_db: tuple[float, float]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return times of an octave's middle in s, and what is read instead, (times,) each."""
    frequency, _ = _heard(midband)
    excess = _air_per_s(frequency, temperature, humidity)
    middle = float(_air_per_s(np.array([midband]), temperature, humidity)[0])
    # Walls take something at every frequency: less than nothing is left at the lower edge else.
    longest = min(MOST_T_S, 0.95 * _FALL / middle)
    times = np.geomspace(0.02, longest, TIMES)
    return times, _read_s(times, excess - middle, weight, levels_db)


def at_middle_s(read_s: ArrayLike, temperature: float, humidity: float) -> NDArray[np.float64]:
    """Return the reverberation times of octaves' middles.

    Parameters
    ----------
    read_s : array_like, shape (..., bands)
        As a response's octaves tell, in s; NaN: not known.
    temperature, humidity : float
        Of the air, in °C and %.

    Returns
    -------
    ndarray, shape (..., bands)
        s.

    Notes
    -----
    Surfaces are taken to absorb alike throughout an octave, air as ISO 9613-1 has it at each frequency; what is read is
    the slope of the energy left, from −5 to −35 dB. Where air alone lets an octave ring for less long than was read,
    the last ratio holds.
    """
    out = np.array(read_s, dtype=np.float64)
    for band, midband in enumerate(octave_midbands(BANDS).tolist()):
        times, read = _longer(midband, temperature, humidity, _heard(midband)[1], LEVELS_DB["even"])
        out[..., band] *= np.interp(out[..., band], read, times / read)
    return out


def of_even_spectrum_s(
    read_s: ArrayLike,
    frequencies: NDArray[np.float64],
    density_db: NDArray[np.float64],
    bands: ArrayLike,
    temperature: float,
    humidity: float,
) -> NDArray[np.float64]:
    """Return what octaves of an even spectrum, a response's, would have told of the same decays.

    Parameters
    ----------
    read_s : array_like, shape (bands,)
        Times that octaves of what was played tell, in s.
    frequencies, density_db : ndarray, shape (frequencies,)
        Hz, and what was played there in dB per Hz; NaN: not known.
    bands : array_like, shape (bands,)
        Nominal octave mid-bands in Hz.
    temperature, humidity : float
        °C and %.
    """
    known = np.isfinite(density_db)
    out = np.array(read_s, dtype=np.float64)
    for band, midband in enumerate(octave_midbands(bands).tolist()):
        frequency, even = _heard(midband)
        if not known.any() or not np.isfinite(out[band]):
            continue
        density = np.interp(np.log(frequency), np.log(frequencies[known]), density_db[known])
        played = even * 10.0 ** ((density - density.max()) / 10.0)
        _, as_even = _longer(midband, temperature, humidity, even, LEVELS_DB["even"])
        _, as_played = _longer(midband, temperature, humidity, played / played.sum(), LEVELS_DB["played"])
        out[band] *= np.interp(out[band], as_played, as_even / as_played)
    return out
