"""A gentle filter that brings one spectrum nearer to another, minimum phase, so that it adds no delay.

Conventions: spectra are levels in dB per third octave (IEC 61260-1); only their shapes count, not how loud they are.
"""

from __future__ import annotations

import numpy as np
import scipy.fft
from numpy.typing import ArrayLike, NDArray

from rooms.errors import InputError
from rooms.filters import minimum_phase

__all__ = ["MOST_DB", "correction_filter", "gentle_gains"]

MOST_DB = 6.0
"""No third octave is raised or lowered by more; what asks for more isn't mended by equalising (common practice, no
source)."""

SMOOTHING_OCTAVES = 1.0
"""Width of the smoothing: it follows the balance, not single notes or peaks."""

LENGTH_S = 0.2
"""Length of the filter in s; one smooth to an octave has rung down to −60 dB by then at 40 Hz."""


def gentle_gains(wanted_db: ArrayLike, found_db: ArrayLike, frequency_hz: ArrayLike) -> NDArray[np.float64]:
    """Return the gains in dB that bring a spectrum nearer to a wanted one.

    Parameters
    ----------
    wanted_db, found_db : array_like, shape (frequencies,)
        Levels in dB; NaN where one isn't known: there the gain is that of the nearest frequencies known.
    frequency_hz : array_like, shape (frequencies,)
        Mid-frequencies in Hz, increasing, evenly spaced on a logarithmic axis.

    Returns
    -------
    ndarray, shape (frequencies,)
        Smoothed over an octave, at most `MOST_DB` up or down, 0 dB in the middle between 200 Hz and 4 kHz.

    Raises
    ------
    InputError
        If shapes disagree, or at fewer than three frequencies both levels are known.
    """
    wanted, found, frequency = (np.asarray(v, dtype=np.float64) for v in (wanted_db, found_db, frequency_hz))
    if not wanted.shape == found.shape == frequency.shape or frequency.ndim != 1:
        raise InputError(f"spectra: found shapes {wanted.shape}, {found.shape}, {frequency.shape}, allowed: equal ones")
    difference = wanted - found
    known = np.isfinite(difference)
    if known.sum() < 3:
        raise InputError(f"spectra: found {known.sum()} frequencies known in both, allowed: at least 3")
    octaves = np.log2(frequency)
    # Beyond what is known the edge goes on, so that smoothing invents no slope.
    filled = np.interp(octaves, octaves[known], difference[known])
    middle = (frequency >= 200.0) & (frequency <= 4000.0) & known
    filled -= np.median(filled[middle if middle.any() else known])
    # A raised cosine of an octave to either side.
    away = np.clip(np.abs(octaves[:, None] - octaves) / SMOOTHING_OCTAVES, 0.0, 1.0)
    weights = np.cos(np.pi / 2.0 * away) ** 2
    return np.asarray(np.clip(weights @ filled / weights.sum(axis=1), -MOST_DB, MOST_DB))


def correction_filter(gains_db: ArrayLike, frequency_hz: ArrayLike, sample_rate: float) -> NDArray[np.float32]:
    """Return the minimum-phase impulse response that has these gains.

    Parameters
    ----------
    gains_db : array_like, shape (frequencies,)
        dB; straight lines over the logarithm of frequency between them, level beyond.
    frequency_hz : array_like, shape (frequencies,)
        Hz, increasing.
    sample_rate : float
        Hz.

    Returns
    -------
    ndarray of float32, shape (samples,)
        `LENGTH_S` long; sample 0 is the first that sounds.

    Raises
    ------
    InputError
        If a gain isn't a finite number.
    """
    gains, frequency = np.asarray(gains_db, dtype=np.float64), np.asarray(frequency_hz, dtype=np.float64)
    if not np.isfinite(gains).all():
        raise InputError("gains: found one that is not a finite number")
    size = 1 << int(np.ceil(np.log2(4.0 * LENGTH_S * sample_rate)))
    bins = scipy.fft.rfftfreq(size, 1.0 / sample_rate)
    level = np.interp(np.log2(np.maximum(bins, 1.0)), np.log2(frequency), gains) * (np.log(10.0) / 20.0)
    response = scipy.fft.irfft(np.exp(minimum_phase(level, size)), size)[: int(LENGTH_S * sample_rate)]
    fade = max(len(response) // 8, 1)
    response[-fade:] *= np.cos(np.pi / 2.0 * (np.arange(fade) + 1.0) / fade) ** 2
    return np.asarray(response, dtype=np.float32)
