"""The early part of a measured response: onset, direct sound against the rest, initial time gap, first reflections.

References
----------
ISO 3382-1:2009, A.3.4, for the onset.
P. Zahorik, Direct-to-reverberant energy ratio sensitivity, J. Acoust. Soc. Am. 112, 2110 (2002), for the 2.5 ms of
direct sound (from memory).
L. L. Beranek, Concert Halls and Opera Houses, 2nd ed. (2004), for the initial time gap (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.fft
from numpy.typing import ArrayLike, NDArray

from rooms.errors import InputError
from rooms.octaves import octave_gain, octave_midbands, reaches_nyquist
from rooms.units import BANDS, energy_db

__all__ = ["DIRECT_S", "Reflection", "clarity_deviation", "direct_to_reverberant", "first_reflections", "onset_sample"]

DIRECT_S = 0.0025
"""How long after its onset the direct sound lasts, in seconds (Zahorik 2002)."""

LEAD_S = 0.001
"""What before the onset belongs to the direct sound, in seconds: where a band-limited pulse begins."""

WINDOW_S = 0.001
"""Over how long a reflection's energy is summed, in seconds (our choice, no source)."""

SURROUNDINGS_S = 0.02
"""What a reflection must stand out of: the mean over so long, itself included, in seconds (our choice, no source)."""

STANDS_OUT_DB = 4.0
"""By how much it must stand out of that mean, in dB: in noise as wide as an octave at 4 kHz one in some hundred
windows does (our choice, no source)."""

WEAKEST_DB = -30.0
"""Level re the direct sound below which no reflection is counted (our choice, no source)."""

EARLY_S = 0.08
"""Until when after the direct sound reflections are looked for, in seconds."""


@dataclass(frozen=True)
class Reflection:
    """A reflection that stands out.

    Attributes
    ----------
    time_s : float
        After the direct sound, in seconds.
    level_db : float
        Energy of `WINDOW_S` around it re that of the direct sound, in dB.
    """

    time_s: float
    level_db: float


def onset_sample(response: ArrayLike, sample_rate: float) -> int:
    """Return at which sample the direct sound arrives.

    Parameters
    ----------
    response : array_like, shape (samples,)
        Sound pressure; not silent.
    sample_rate : float
        Hz.

    Notes
    -----
    The first sample within 20 dB of the peak (ISO 3382-1, A.3.4) and at least five times as high as the noise before:
    the effective value up to 50 ms before the peak, if there is that much.
    """
    magnitude = np.abs(np.asarray(response, dtype=np.float64))
    peak = int(np.argmax(magnitude))
    if not magnitude[peak] > 0:
        raise InputError("response: found silence, allowed: an impulse response")
    before = magnitude[: max(0, peak - round(0.05 * sample_rate))]
    noise = float(np.sqrt(np.mean(before**2))) if before.size >= 0.01 * sample_rate else 0.0
    return int(np.argmax(magnitude >= min(max(0.1 * magnitude[peak], 5.0 * noise), magnitude[peak])))


def direct_to_reverberant(
    response: ArrayLike, sample_rate: float, onset: int, *, direct_s: float = DIRECT_S, bands: ArrayLike = BANDS
) -> NDArray[np.float64]:
    """Return the energy of the direct sound over that of everything after it.

    Parameters
    ----------
    response : array_like, shape (samples,)
        Sound pressure.
    sample_rate : float
        Hz.
    onset : int
        The direct sound's first sample.
    direct_s : float
        How long it lasts, in seconds.
    bands : array_like, shape (bands,), optional
        Nominal octave mid-bands in Hz.

    Returns
    -------
    ndarray, shape (bands,)
        dB. NaN where the direct sound is shorter than a period of the band, or the band reaches above half the sample
        rate; infinite where nothing follows.

    Notes
    -----
    What is before and after the limit is parted first and filtered then, or the filter would smear one into the other.
    """
    pressure = np.asarray(response, dtype=np.float64)
    split = onset + round(direct_s * sample_rate)
    direct = _band_energy(pressure[max(0, onset - round(LEAD_S * sample_rate)) : split], sample_rate, bands)
    rest = _band_energy(pressure[split:], sample_rate, bands)
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = energy_db(direct / rest)
    return np.where(octave_midbands(bands) * direct_s < 1.0, np.nan, ratio)


def first_reflections(response: ArrayLike, sample_rate: float, onset: int) -> tuple[Reflection, ...]:
    """Return the reflections of the first 80 ms that stand out, in the order they arrive.

    Parameters
    ----------
    response, sample_rate, onset
        As `direct_to_reverberant` takes them.

    Returns
    -------
    tuple of Reflection
        The first one's time is the initial time gap.

    Notes
    -----
    The energy of 1 ms, slid over what comes `DIRECT_S` after the onset and later. A reflection is where it is highest
    within 1 ms to both sides, 4 dB above the mean of the 20 ms around it, and at most 30 dB below the direct sound.
    """
    pressure = np.asarray(response, dtype=np.float64)
    split = onset + round(DIRECT_S * sample_rate)
    direct = float(np.sum(pressure[max(0, onset - round(LEAD_S * sample_rate)) : split] ** 2))
    half = max(1, round(WINDOW_S / 2.0 * sample_rate))
    wide = max(half, round(SURROUNDINGS_S / 2.0 * sample_rate))
    last = split + round(EARLY_S * sample_rate) + wide
    # The strongest sample of the pulse: its energy starts at the onset, a reflection's is centred on it.
    arrival = onset + int(np.argmax(np.abs(pressure[onset:split])))
    energy = pressure[split:last] ** 2
    if not energy.size or not direct > 0:
        return ()
    total = np.concatenate(([0.0], np.cumsum(energy)))

    def around(reach: int) -> tuple[NDArray[np.float64], NDArray[np.intp]]:
        first = np.maximum(np.arange(energy.size) - reach, 0)
        stop = np.minimum(np.arange(energy.size) + reach + 1, energy.size)
        return total[stop] - total[first], stop - first

    near, _ = around(half)
    far, counted = around(wide)
    level = energy_db(near / direct)
    stands_out = near > 10.0 ** (STANDS_OUT_DB / 10.0) * far / counted * (2 * half + 1)
    padded = np.pad(near, 2 * half, constant_values=-1.0)
    highest = near >= np.lib.stride_tricks.sliding_window_view(padded, 4 * half + 1).max(axis=1)
    limit = arrival + EARLY_S * sample_rate
    found: list[Reflection] = []
    previous = -4 * half
    for sample in np.flatnonzero(stands_out & highest & (level >= WEAKEST_DB)).tolist():
        if sample - previous > 2 * half and split + sample <= limit:
            # The window holds a lone pulse as long as it is inside: the pulse is the strongest sample in it.
            inside = slice(max(0, sample - half), sample + 2 * half + 1)
            pulse = inside.start + int(np.argmax(energy[inside]))
            found.append(Reflection((split + pulse - arrival) / sample_rate, float(level[sample])))
            previous = sample
    return tuple(found)


def clarity_deviation(T_s: ArrayLike, bands: ArrayLike = BANDS) -> NDArray[np.float64]:
    """Return by how much C80 of one diffuse decay scatters about that of the expected one.

    Parameters
    ----------
    T_s : array_like, shape (bands,)
        Reverberation time in seconds.
    bands : array_like, shape (bands,), optional
        As `direct_to_reverberant` takes them.

    Returns
    -------
    ndarray, shape (bands,)
        Standard deviation in dB; a strong direct sound makes it smaller.

    Notes
    -----
    The energy of Gaussian noise of bandwidth B with an envelope e has the relative variance ∫e²/(B·(∫e)²) (textbook);
    early and late part scatter independently.
    """
    rate = 6.0 * np.log(10.0) / np.asarray(T_s, dtype=np.float64)
    bandwidth = octave_midbands(bands) * (10.0**0.15 - 10.0**-0.15)
    late = rate / (2.0 * bandwidth)
    left = np.exp(-rate * EARLY_S)
    early = late * (1.0 + left) / (1.0 - left)
    return np.asarray(10.0 / np.log(10.0) * np.sqrt(early + late))


def _band_energy(pressure: NDArray[np.float64], sample_rate: float, bands: ArrayLike) -> NDArray[np.float64]:
    """Return the energy in each octave of a piece of signal, NaN above half the sample rate; nothing is cut off."""
    size = scipy.fft.next_fast_len(max(pressure.size, round(0.25 * sample_rate)), real=True)
    frequency = scipy.fft.rfftfreq(size, 1.0 / sample_rate)
    power = np.abs(scipy.fft.rfft(pressure, size)) ** 2 / size
    return np.array(
        [
            np.nan if reaches_nyquist(midband, sample_rate) else float(power @ octave_gain(frequency, midband) ** 2)
            for midband in octave_midbands(bands).tolist()
        ]
    )
