"""Reverberation time from statistics: what a hall's volume, surfaces and air alone say about its decay.

Conventions: T = k·V / (A + 4·m·V) with k = 24·ln 10 / c and m the energy attenuation of air in 1/m. All
functions work on one value per octave band and return as many. A room that loses no energy rings for ever:
infinity.

Formulas: `sabine_s` (W. C. Sabine 1900), `eyring_s` (C. F. Eyring 1930), `kuttruff_s` (H. Kuttruff 1970).
`critical_distance_m`: where direct and reverberant sound are equal.
The formula of Millington (1932) and Sette (1933) is Eyring's with the mean absorption
1 − ∏(1 − αᵢ)^(Sᵢ/S).

References
----------
H. Kuttruff, Room Acoustics, 6th ed., CRC Press 2016, ch. 5 (from memory).
ISO 354:2003, clause 8.1.2, for the constant 24·ln 10 / c ≈ 55.3 / c (from memory).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from rooms.errors import InputError

__all__ = ["critical_distance_m", "eyring_s", "kuttruff_s", "sabine_s"]


def sabine_s(volume_m3: float, absorption_area_m2: ArrayLike, air_per_m: ArrayLike, c: float) -> NDArray[np.float64]:
    """Return Sabine's reverberation time.

    Parameters
    ----------
    volume_m3 : float
        Volume V of the hall, above 0.
    absorption_area_m2 : array_like, shape (bands,)
        Equivalent absorption area A = Σ αᵢ·Sᵢ, at least 0.
    air_per_m : array_like, shape (bands,)
        Energy attenuation m of air in 1/m, at least 0.
    c : float
        Speed of sound in m/s, above 0.

    Returns
    -------
    ndarray, shape (bands,)
        T in seconds.

    Raises
    ------
    InputError
        If a value lies outside its range.

    Notes
    -----
    T = k·V / (A + 4·m·V), k = 24·ln 10 / c.
    """
    area = np.asarray(absorption_area_m2, dtype=np.float64)
    air = np.asarray(air_per_m, dtype=np.float64)
    for name, number in (("volume_m3", volume_m3), ("c", c)):
        if not (number > 0 and np.isfinite(number)):
            raise InputError(f"{name}: found {number}, allowed: above 0")
    for name, value in (("absorption_area_m2", area), ("air_per_m", air)):
        if not np.all(value >= 0):
            raise InputError(f"{name}: found {np.min(value)}, allowed: 0 and above")
    with np.errstate(divide="ignore"):
        return np.asarray(24.0 * np.log(10.0) / c * volume_m3 / (area + 4.0 * air * volume_m3))


def eyring_s(
    volume_m3: float, surface_m2: float, mean_absorption: ArrayLike, air_per_m: ArrayLike, c: float
) -> NDArray[np.float64]:
    """Return Eyring's reverberation time.

    Parameters
    ----------
    volume_m3, surface_m2 : float
        Volume V and total surface S of the hall, above 0.
    mean_absorption : array_like, shape (bands,)
        Area-weighted mean absorption coefficient ᾱ = Σ αᵢ·Sᵢ / S, 0 to 1.
    air_per_m, c
        As for `sabine_s`.

    Returns
    -------
    ndarray, shape (bands,)
        T in seconds.

    Raises
    ------
    InputError
        If a value lies outside its range.

    Notes
    -----
    Sabine's formula with A = −S·ln(1 − ᾱ).
    """
    return sabine_s(volume_m3, surface_m2 * _exponent(surface_m2, mean_absorption), air_per_m, c)


def kuttruff_s(
    volume_m3: float,
    surface_m2: float,
    mean_absorption: ArrayLike,
    air_per_m: ArrayLike,
    c: float,
    free_path_variance: float,
) -> NDArray[np.float64]:
    """Return Eyring's reverberation time corrected for unequal free paths.

    Parameters
    ----------
    volume_m3, surface_m2, mean_absorption, air_per_m, c
        As for `eyring_s`.
    free_path_variance : float
        Relative variance γ² of the free path lengths (variance over squared mean), at least 0; about 0.4 in
        many rooms. Zero gives Eyring's time.

    Returns
    -------
    ndarray, shape (bands,)
        T in seconds; NaN where the correction leaves no absorption (−ln(1 − ᾱ) ≥ 2/γ², or ᾱ = 1): it doesn't
        hold there.

    Raises
    ------
    InputError
        If a value lies outside its range.

    Notes
    -----
    Sabine's formula with A = S·a·(1 − γ²/2·a), a = −ln(1 − ᾱ) (Kuttruff, Room Acoustics, ch. 5; from memory).
    """
    if not free_path_variance >= 0:
        raise InputError(f"free_path_variance: found {free_path_variance}, allowed: 0 and above")
    exponent = _exponent(surface_m2, mean_absorption)
    with np.errstate(invalid="ignore"):  # 0·∞ where everything is absorbed and γ² = 0
        correction = 1.0 - free_path_variance / 2.0 * exponent
    area = surface_m2 * np.where(correction > 0, exponent * np.maximum(correction, 0.0), 0.0)
    return np.where(correction > 0, sabine_s(volume_m3, area, air_per_m, c), np.nan)


def critical_distance_m(volume_m3: float, absorption_area_m2: ArrayLike, air_per_m: ArrayLike) -> NDArray[np.float64]:
    """Return the distance from an omnidirectional source at which its direct sound is as strong as the reverberant.

    Parameters
    ----------
    volume_m3, absorption_area_m2, air_per_m
        As for `sabine_s`.

    Returns
    -------
    ndarray, shape (bands,)
        r in m.

    Notes
    -----
    r = √((A + 4·m·V) / 16π), the diffuse field of Sabine's theory; about 0.057·√(V/T).
    """
    area = np.asarray(absorption_area_m2, dtype=np.float64) + 4.0 * np.asarray(air_per_m, dtype=np.float64) * volume_m3
    return np.asarray(np.sqrt(area / (16.0 * np.pi)))


def _exponent(surface_m2: float, mean_absorption: ArrayLike) -> NDArray[np.float64]:
    """Return −ln(1 − ᾱ), infinite where everything is absorbed, after checking both inputs."""
    absorption = np.asarray(mean_absorption, dtype=np.float64)
    if not np.all((absorption >= 0) & (absorption <= 1)):
        raise InputError(f"mean_absorption: found {np.min(absorption)} to {np.max(absorption)}, allowed: 0 to 1")
    if not (surface_m2 > 0 and np.isfinite(surface_m2)):
        raise InputError(f"surface_m2: found {surface_m2}, allowed: above 0 m²")
    with np.errstate(divide="ignore"):
        return np.asarray(-np.log1p(-absorption))
