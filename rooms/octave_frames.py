"""A long recording in octave bands, frame by frame: each band at the rate that it needs."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import scipy.fft
from numpy.typing import ArrayLike, NDArray

from rooms.octaves import octave_gain, octave_midbands, reaches_nyquist
from rooms.units import BANDS

__all__ = ["frame_energies", "octave_signals"]

RING_S = 0.25
"""Zeros after a recording, in seconds: what rings out of a filter at one end comes back at the other."""

RATE_RE_MIDBAND = 8.0
"""Least rate of a band re its mid-band: the filter is 87 dB down at half of it."""


def octave_signals(
    signals: ArrayLike, sample_rate: float, frame: int, bands: ArrayLike = BANDS
) -> Iterator[NDArray[np.float64] | None]:
    """Yield signals in octave bands, one band at a time, not moved in time.

    Parameters
    ----------
    signals : array_like, shape (..., samples)
        Of one frame at least; what is left over after the last whole one isn't returned.
    sample_rate : float
        Hz.
    frame : int
        Samples in a frame.
    bands : array_like, shape (bands,), optional
        Nominal octave mid-bands in Hz.

    Yields
    ------
    ndarray, shape (..., frames, samples of a frame)
        As many samples a frame as the band needs, at most as given; None for a band that reaches above half the sample
        rate.

    Raises
    ------
    InputError
        If a band isn't an octave's.
    """
    given = np.asarray(signals, dtype=np.float64)
    frames = given.shape[-1] // frame
    padded = scipy.fft.next_fast_len(frames + 1 + round(RING_S * sample_rate / frame), real=True)
    spectrum = scipy.fft.rfft(given, padded * frame)
    for midband in octave_midbands(bands).tolist():
        if reaches_nyquist(midband, sample_rate):
            yield None
            continue
        least = int(np.ceil(RATE_RE_MIDBAND * midband * frame / sample_rate))
        count = min(scipy.fft.next_fast_len(least, real=True), frame)
        part = spectrum[..., : padded * count // 2 + 1]
        gain = octave_gain(np.arange(part.shape[-1]) * (sample_rate / (padded * frame)), midband)
        filtered = scipy.fft.irfft(part * gain, padded * count) * (count / frame)
        yield filtered[..., : frames * count].reshape(*given.shape[:-1], frames, count)


def frame_energies(
    signals: ArrayLike, sample_rate: float, frame: int, bands: ArrayLike = BANDS
) -> list[NDArray[np.float64] | None]:
    """Return the mean square of each frame in octave bands.

    Parameters
    ----------
    signals, sample_rate, frame, bands
        As `octave_signals` takes them; signals have the shape (channels, samples).

    Returns
    -------
    list of ndarray, shape (frames,)
        The channels' mean; None for a band that reaches above half the sample rate.
    """
    octaves = octave_signals(signals, sample_rate, frame, bands)
    return [None if octave is None else np.mean(octave**2, axis=(0, 2)) for octave in octaves]
