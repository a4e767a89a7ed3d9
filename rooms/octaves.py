"""Octave bands of measured signals: filters without phase, so that what is filtered stays where it was in time."""

from __future__ import annotations

import numpy as np
import scipy.fft
from numpy.typing import ArrayLike, NDArray

from rooms.errors import InputError
from rooms.units import BANDS

__all__ = ["in_octaves", "octave_gain", "octave_midbands", "reaches_nyquist"]

FILTER_ORDER = 6
"""Order of the octave filters' Butterworth magnitude: class 1 of IEC 61260-1, and steep enough that a slowly
decaying neighbour doesn't take over."""


def octave_midbands(bands: ArrayLike) -> NDArray[np.float64]:
    """Return the exact mid-bands of octaves called by their nominal ones (IEC 61260-1, eq. 1, base ten).

    Parameters
    ----------
    bands : array_like, shape (bands,)
        Nominal octave mid-bands in Hz.

    Raises
    ------
    InputError
        If one isn't an octave's.
    """
    nominal = np.asarray(bands, dtype=np.float64)
    exact = 1000.0 * 10.0 ** (0.3 * np.round(np.log10(nominal / 1000.0) / 0.3))
    if not np.allclose(nominal, exact, rtol=0.02, atol=0.0):
        raise InputError(f"bands: found {nominal.tolist()}, allowed: octave mid-bands such as 500 or 1000 Hz")
    return np.asarray(exact)


def reaches_nyquist(midband: float, sample_rate: float) -> bool:
    """Return whether an octave reaches above half the sample rate, both in Hz."""
    return bool(midband * 10.0**0.15 > sample_rate / 2.0)


def octave_gain(frequency: NDArray[np.float64], midband: float) -> NDArray[np.float64]:
    """Return the gain of an octave filter, −3 dB at its edges: a Butterworth band-pass without its phase.

    Parameters
    ----------
    frequency : ndarray, shape (frequencies,)
        Hz, from 0.
    midband : float
        Exact mid-band in Hz.
    """
    width = 10.0**0.15 - 10.0**-0.15
    with np.errstate(divide="ignore"):
        detuning = (frequency / midband - midband / frequency) / width
    return np.asarray(1.0 / np.hypot(1.0, np.abs(detuning) ** FILTER_ORDER))


def in_octaves(signals: ArrayLike, sample_rate: float, bands: ArrayLike = BANDS) -> NDArray[np.float64]:
    """Return signals in octave bands, not moved in time.

    Parameters
    ----------
    signals : array_like, shape (..., samples)
        What goes on beyond their ends is taken for silence; what rings out of a filter beyond them comes back at the
        other end, so zeros belong around what is short.
    sample_rate : float
        Hz.
    bands : array_like, shape (bands,), optional
        Nominal octave mid-bands in Hz.

    Returns
    -------
    ndarray, shape (bands, ..., samples)
        NaN in a band that reaches above half the sample rate.

    Raises
    ------
    InputError
        If a band isn't an octave's.
    """
    given = np.asarray(signals, dtype=np.float64)
    midbands = octave_midbands(bands)
    samples = given.shape[-1]
    size = scipy.fft.next_fast_len(samples, real=True)
    spectrum = scipy.fft.rfft(given, size)
    frequency = scipy.fft.rfftfreq(size, 1.0 / sample_rate)
    filtered = np.full((midbands.size, *given.shape), np.nan)
    for band, midband in enumerate(midbands.tolist()):
        if not reaches_nyquist(midband, sample_rate):
            filtered[band] = scipy.fft.irfft(spectrum * octave_gain(frequency, midband), size)[..., :samples]
    return filtered
