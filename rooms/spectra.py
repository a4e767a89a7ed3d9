"""Long-term spectrum and noise floor of a recording."""

from __future__ import annotations

import numpy as np
import scipy.fft
from numpy.typing import ArrayLike, NDArray

from rooms.octave_frames import frame_energies
from rooms.units import BANDS, energy_db

__all__ = ["THIRD_OCTAVES", "long_term_spectrum", "noise_floor", "stands_out"]

THIRD_OCTAVES: NDArray[np.float64] = 10.0 ** (np.arange(17, 43) / 10.0)
"""Exact mid-bands from 50 Hz to 16 kHz (IEC 61260-1, base ten)."""

WINDOW_S = 0.25
"""Length of a spectrum's window, in seconds: two bins and more in the lowest third octave."""

FRAME_S = 0.05
"""Frames whose levels are counted for the noise floor, in seconds."""

QUIET_SHARE = 5.0
"""Percent of the frames that are quieter than the noise floor: the level exceeded for 95 % of the time."""

STANDS_OUT_DB = 3.0
"""A third octave whose mean is less above its quietest moments is noise for the most part (our choice, no source)."""


def long_term_spectrum(signals: ArrayLike, sample_rate: float) -> NDArray[np.float64]:
    """Return the level in each third octave, re the mean of those levels.

    Parameters
    ----------
    signals : array_like, shape (channels, samples)
        Their energies are added.
    sample_rate : float
        Hz.

    Returns
    -------
    ndarray, shape (26,)
        dB, for `THIRD_OCTAVES`; NaN where a band reaches above half the sample rate or is empty.
    """
    level = energy_db(_third_octaves(signals, sample_rate).mean(axis=0))
    return np.asarray(level - np.nanmean(level)) if np.isfinite(level).any() else level


def stands_out(signals: ArrayLike, sample_rate: float) -> NDArray[np.bool_]:
    """Return in which third octaves a recording is more than its noise.

    Parameters
    ----------
    signals, sample_rate
        As `long_term_spectrum` takes them.

    Returns
    -------
    ndarray of bool, shape (26,)
        Whether the mean is `STANDS_OUT_DB` above what 95 % of the time exceeds.
    """
    energy = _third_octaves(signals, sample_rate)
    with np.errstate(invalid="ignore"):
        quiet = np.percentile(energy, QUIET_SHARE, axis=0)
        return np.asarray(energy.mean(axis=0) > 10.0 ** (STANDS_OUT_DB / 10.0) * quiet)


def _third_octaves(signals: ArrayLike, sample_rate: float) -> NDArray[np.float64]:
    """Return the energy in each third octave, window by window, (windows, 26); NaN where there is none at all."""
    given = np.asarray(signals, dtype=np.float64)
    size = round(WINDOW_S * sample_rate)
    padded = np.pad(given, ((0, 0), (0, max(0, size - given.shape[-1]))))
    window = np.hanning(size)
    frequency = scipy.fft.rfftfreq(size, 1.0 / sample_rate)
    middles = np.append(frequency, frequency[-1] + frequency[1]) - frequency[1] / 2.0
    edges = np.append(THIRD_OCTAVES * 10.0**-0.05, THIRD_OCTAVES[-1] * 10.0**0.05)
    pieces = []
    for at in range(0, padded.shape[-1] - size + 1, size // 2):
        power = (np.abs(scipy.fft.rfft(padded[:, at : at + size] * window)) ** 2).sum(axis=0)
        pieces.append(np.diff(np.interp(edges, middles, np.concatenate(([0.0], np.cumsum(power))))))
    energy = np.array(pieces)
    energy[:, (edges[1:] > sample_rate / 2.0) | ~(energy.sum(axis=0) > 0)] = np.nan
    return energy


def noise_floor(signals: ArrayLike, sample_rate: float, bands: ArrayLike = BANDS) -> NDArray[np.float64]:
    """Return the level exceeded for 95 % of the time, at least that of the noise.

    Parameters
    ----------
    signals : array_like, shape (channels, samples)
        Their energies are averaged.
    sample_rate : float
        Hz.
    bands : array_like, shape (bands,), optional
        Nominal octave mid-bands in Hz.

    Returns
    -------
    ndarray, shape (bands,)
        dB re full scale (a mean square of 1 is 0 dB); NaN above half the sample rate, −inf for digital silence.
    """
    given = np.asarray(signals, dtype=np.float64)
    frame = min(round(FRAME_S * sample_rate), given.shape[-1])
    energies = frame_energies(given, sample_rate, frame, bands)
    levels = [np.nan if energy is None else float(np.percentile(energy, QUIET_SHARE)) for energy in energies]
    floor = np.array(levels)
    # Below −200 dB only the filter's own rounding is left.
    return np.asarray(energy_db(np.where(floor < 1e-20, 0.0, floor)))
