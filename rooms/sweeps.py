"""From a recorded sweep and its reference to the impulse response.

References
----------
A. Farina, Simultaneous measurement of impulse response and distortion with a swept-sine technique, 108th AES
Convention, paper 5093 (2000): the products of distortion arrive before the response and are cut off, but for their own
reverberation, which a sweep several times as long as the room rings keeps out.
O. Kirkeby, P. A. Nelson, H. Hamada, F. Orduna-Bustamante, Fast deconvolution of multichannel systems using
regularization, IEEE Trans. Speech Audio Process. 6, 189 (1998), for the regularised division.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.fft
from numpy.typing import ArrayLike, NDArray

from rooms.errors import InputError

__all__ = ["SweepResponse", "deconvolve"]

REGULARISATION = 1e-4
"""What is added to the reference's power, re its own smoothed power: 0.0004 dB, and no hole is divided by."""

REACH_DB = 10.0
"""How far below its strongest third octave, or hertz, the reference still counts as having a frequency, in dB."""

EDGE = 2.0 ** (1.0 / 6.0)
"""What smoothing over a third octave adds to a band at each end, and over what the response then fades, a ratio."""

LEAD_S = 0.02
"""What is kept before the arrival, in seconds: less than the products of distortion are early."""

STANDS_OUT_DB = 15.0
"""By how much the arrival must stand out of the median of what was deconvolved, in 5 ms, in dB (our choice)."""

LEAST_TAIL_S = 0.1
"""How long a recording must go on after its sweep, in seconds (our choice)."""


@dataclass(frozen=True, eq=False)
class SweepResponse:
    """An impulse response from a sweep.

    Attributes
    ----------
    samples : ndarray, shape (channels, samples)
        Re the reference: 1 where the recording is the reference itself.
    low_hz, high_hz : float
        The band that the reference has, in Hz; nothing is known outside.
    """

    samples: NDArray[np.float64]
    low_hz: float
    high_hz: float


def deconvolve(recording: ArrayLike, reference: ArrayLike, sample_rate: float) -> SweepResponse:
    """Return the response of what lies between a reference and its recording.

    Parameters
    ----------
    recording : array_like, shape (channels, samples)
        The reference as played into the room, and its decay.
    reference : array_like, shape (samples,)
        The sweep as it was played.
    sample_rate : float
        Hz, of both.

    Returns
    -------
    SweepResponse
        From 20 ms before its arrival to where the recording no longer holds the whole sweep.

    Raises
    ------
    InputError
        If the reference is silent, isn't in the recording, or the recording ends with the sweep.
    """
    recorded = np.asarray(recording, dtype=np.float64)
    played = np.asarray(reference, dtype=np.float64)
    if not played.any():
        raise InputError("reference: found silence, allowed: the sweep as it was played")
    size = scipy.fft.next_fast_len(recorded.shape[-1] + played.size, real=True)
    frequency = scipy.fft.rfftfreq(size, 1.0 / sample_rate)
    spectrum = scipy.fft.rfft(played, size)
    power = np.abs(spectrum) ** 2
    smooth = _smoothed(power)
    reach = 10.0 ** (-REACH_DB / 10.0)
    an_octave = smooth * frequency  # level for exponential sweeps, as `smooth` is for linear ones
    inside = (smooth >= reach * smooth.max()) | (an_octave >= reach * an_octave.max())
    low, high = frequency[inside][0], frequency[inside][-1]
    weight = _edges(frequency, float(low), float(high))
    filtered = scipy.fft.rfft(recorded, size) * spectrum.conj() * weight / (power + REGULARISATION * smooth + 1e-300)
    lags = scipy.fft.irfft(filtered, size)
    # Lags from −(the reference's length) on: what starts before the reference lies at the end of the transform.
    lags = np.roll(lags, played.size, axis=-1)[..., : recorded.shape[-1] + played.size]
    block = max(1, round(0.005 * sample_rate))
    whole = np.sum(lags**2, axis=0)[: lags.shape[-1] // block * block].reshape(-1, block).sum(axis=1)
    if not whole.max() > 10.0 ** (STANDS_OUT_DB / 10.0) * np.median(whole):
        raise InputError("the reference is not in the recording; allowed: the sweep exactly as it was played")
    arrival = int(np.argmax(np.sum(lags**2, axis=0)))
    end = recorded.shape[-1]  # here the reference would end with the recording
    if end - arrival < LEAST_TAIL_S * sample_rate:
        after = (end - arrival) / sample_rate
        raise InputError(
            f"the recording goes on for {after:.2f} s after its sweep, needed: {LEAST_TAIL_S:g} s and more"
        )
    kept = lags[:, max(0, arrival - round(LEAD_S * sample_rate)) : end]
    return SweepResponse(kept, float(low) * EDGE, float(high) / EDGE)


def _smoothed(power: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the mean of a power spectrum over a third octave around each frequency."""
    total = np.concatenate(([0.0], np.cumsum(power)))
    index = np.arange(power.size)
    first = np.floor(index / EDGE).astype(np.intp)
    stop = np.minimum(np.ceil(index * EDGE).astype(np.intp) + 1, power.size)
    return np.asarray((total[stop] - total[first]) / (stop - first))


def _edges(frequency: NDArray[np.float64], low: float, high: float) -> NDArray[np.float64]:
    """Return 1 inside a band, falling to 0 within the sixth of an octave at each edge inside it."""
    octaves = np.log2(np.maximum(frequency, 1e-3))
    rise = np.clip((octaves - np.log2(low)) * 6.0, 0.0, 1.0)
    fall = np.clip((np.log2(high) - octaves) * 6.0, 0.0, 1.0)
    return np.asarray(np.sin(np.pi / 2.0 * np.minimum(rise, fall)) ** 2)
