"""Free decays of single partials: in bands so narrow that one voice's note ends in them while other voices sound.

An octave of an orchestra that never rests never falls silent. A note's partials do, each in a band of its own, until
another note comes there; and a band's level can't fall faster than the room lets it. Each fall says little, as few
things beat in so narrow a band, but there are dozens in an octave of a minute of music.

References
----------
T. de M. Prego, A. A. de Lima, S. L. Netto, B. Lee, A. Said, R. W. Schafer & T. Kalker, A blind algorithm for
reverberation-time estimation using subband decomposition of speech signals, J. Acoust. Soc. Am. 131, 2811 (2012):
free decays looked for in each bin of a short-time transform (from memory).
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import scipy.fft
from numpy.typing import ArrayLike, NDArray

from rooms.decay_fit import FRAME_S, fit_decay
from rooms.free_decays import moving_mean, quietest, turns
from rooms.octaves import reaches_nyquist
from rooms.units import energy_db

__all__ = ["PartialDecays", "partial_decays", "partial_energies"]

WINDOW_S = 0.064
"""Length of the window, in seconds: its bands are 23 Hz wide, about what vibrato makes of a partial at 1 kHz."""

BANDWIDTH_HZ = 1.5 / WINDOW_S
"""Noise bandwidth of a Hann window (textbook)."""

APART = 2
"""Every second bin is taken: their noises are all but independent."""

MOST_BANDS = 64
"""So many bins of an octave at most."""

SMOOTH_S = 0.15
"""Falls are looked for in a level smoothed over so long, in seconds."""

TURN_DB = 6.0
"""A level that rises by so much ends a fall: in a narrow band a decay itself wavers (our choice, no source)."""

SKIPPED_DB = 5.0
"""The first part of a fall, which isn't fitted (as in ISO 3382-1)."""

RANGE_DB = 25.0
"""The part that is fitted, if there is as much."""

LEAST_RANGE_DB = 12.0
"""The least of it."""

CLEAR_DB = 4.0
"""So far above the noise floor a decay still counts for its range."""

QUIETEST = 2.0
"""Noise in so narrow a band is so many times as strong as in its quietest moment (measured on noise: 2 to 3)."""

FLOOR_S = 1.0
"""Where a decay reaches the noise floor, so much of that is fitted too, in seconds, if the band stays quiet."""

SHORTEST = 8
"""Frames that a decay has at least."""

STEEPER = 2.5
"""A fall whose second half is so many times as fast as its first is no room's (our choice, no source)."""

WIDEST = 0.35
"""Largest standard deviation of a decay's log T with which it is used (our choice, no source)."""

FEWEST = 8
"""So few decays tell nothing together (our choice, no source)."""


class PartialDecays(NamedTuple):
    """An octave's decays.

    Attributes
    ----------
    log_T, deviation : ndarray, shape (decays,)
        Natural logarithm of T in seconds, and its standard deviation.
    lean : ndarray, shape (decays,)
        Natural logarithm of how many times as long the first half of a fall takes as the second: about 0 in a room.
    """

    log_T: NDArray[np.float64]
    deviation: NDArray[np.float64]
    lean: NDArray[np.float64]


def partial_energies(
    samples: NDArray[np.float64], sample_rate: float, midbands: ArrayLike
) -> list[NDArray[np.float32] | None]:
    """Return the energy of narrow bands over time, octave by octave.

    Parameters
    ----------
    samples : ndarray, shape (channels, samples)
        Their energies are averaged.
    sample_rate : float
        Hz.
    midbands : array_like, shape (octaves,)
        Exact mid-bands in Hz.

    Returns
    -------
    list of ndarray, shape (bands, frames)
        A frame every 10 ms; None for an octave above half the sample rate.
    """
    size, step = round(WINDOW_S * sample_rate), round(FRAME_S * sample_rate)
    bins = [
        None if reaches_nyquist(midband, sample_rate) else _bins(midband, sample_rate / size)
        for midband in np.asarray(midbands, dtype=np.float64).tolist()
    ]
    window = np.hanning(size + 1)[:size].astype(np.float32)
    padded = np.pad(samples, ((0, 0), (size // 2, size // 2))).astype(np.float32)
    pieces = np.lib.stride_tricks.sliding_window_view(padded, size, axis=-1)[:, ::step]
    frames = samples.shape[-1] // step
    energies = [None if chosen is None else np.zeros((chosen.size, frames), dtype=np.float32) for chosen in bins]
    for start in range(0, frames, 512):
        stop = min(start + 512, frames)
        for channel in pieces[:, start:stop]:
            power = np.abs(scipy.fft.rfft(channel * window)) ** 2 / len(samples)
            for energy, chosen in zip(energies, bins, strict=True):
                if energy is not None:
                    energy[:, start:stop] += power[:, chosen].T
    return energies


def _bins(midband: float, spacing: float) -> NDArray[np.intp]:
    """Return which bins of a transform are an octave's."""
    first, last = np.ceil(midband * 10.0**-0.15 / spacing), np.floor(midband * 10.0**0.15 / spacing)
    count = min(int(last - first) // APART + 1, MOST_BANDS)
    return np.round(np.linspace(first, first + APART * ((last - first) // APART), count)).astype(np.intp)


def partial_decays(energies: NDArray[np.float32]) -> PartialDecays:
    """Return the free decays of an octave's narrow bands.

    Parameters
    ----------
    energies : ndarray, shape (bands, frames)
        As of `partial_energies`.

    Returns
    -------
    PartialDecays
        Fewer than `FEWEST` are none.
    """
    found = [fall for energy in energies.astype(np.float64) if energy.any() for fall in _falls(energy)]
    return PartialDecays(*np.array(found if len(found) >= FEWEST else []).reshape(-1, 3).T)


def _falls(energy: NDArray[np.float64]) -> list[tuple[float, float, float]]:
    """Return log T, its deviation and lean of each usable fall of a band."""
    floor = 1e-12 * float(np.max(energy))
    smooth = round(SMOOTH_S / FRAME_S) | 1
    quiet = QUIETEST * quietest(energy)
    level = energy_db(np.maximum(moving_mean(energy, smooth), floor))
    found = []
    for peak, trough in turns(level, TURN_DB):
        fall = level[peak : trough + 1]
        first = int(np.flatnonzero(fall > fall[0] - SKIPPED_DB)[-1]) + 1
        if first == fall.size:
            continue
        bottom = max(float(fall[-1]), float(energy_db(quiet)) + CLEAR_DB, float(fall[first]) - RANGE_DB)
        depth = float(fall[first]) - bottom
        if depth < LEAST_RANGE_DB:
            continue
        half, end = int(np.argmax(fall <= fall[first] - depth / 2.0)), int(np.argmax(fall <= bottom))
        if end - first < SHORTEST or half - first > STEEPER * (end - half):
            continue
        lean = float(np.log(max(half - first, 0.5) / (end - half)))
        if bottom > max(float(fall[-1]), float(fall[first]) - RANGE_DB):
            end += round(FLOOR_S / FRAME_S)
        end = min(end, fall.size - 1 - smooth // 2)  # what comes after the fall is smoothed into its end
        if end - first < SHORTEST:
            continue
        parameters, covariance, _ = fit_decay(np.maximum(energy[peak + first : peak + end], floor), 1, quiet)
        deviation = float(np.sqrt(covariance[1, 1] / (BANDWIDTH_HZ * FRAME_S)))
        if deviation < WIDEST:
            found.append((float(parameters[1]), deviation, lean))
    return found
