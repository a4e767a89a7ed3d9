"""Filters: high-pass, and between octave-band numbers and samples band weights, minimum phase, the edge at Nyquist."""

from __future__ import annotations

import functools

import numba
import numpy as np
import scipy.fft
from numpy.typing import ArrayLike, NDArray

from rooms.cores import in_slices
from rooms.units import MIDBANDS

__all__ = [
    "band_weights",
    "exponentials",
    "high_pass",
    "minimum_phase",
    "minimum_phase_basis",
    "nyquist_taper",
    "smooth_knots",
]

_FINE = 1 << 16  # transform length for cepstra: time aliasing of a 63 Hz band edge stays below −100 dB


def band_weights(frequency: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the weights with which the nine bands share each frequency; they sum to one everywhere.

    Raised-cosine crossfades on a logarithmic axis between neighbouring mid-bands; flat below the lowest and above the
    highest.

    Parameters
    ----------
    frequency : ndarray, shape (frequencies,)
        Hz.

    Returns
    -------
    ndarray, shape (bands, frequencies)
    """
    position = np.log2(np.maximum(frequency, 1e-3))[None, :]
    centre = np.log2(MIDBANDS)[:, None]
    step = np.log2(MIDBANDS[1] / MIDBANDS[0])
    weights: NDArray[np.float64] = np.cos(np.pi / 2.0 * np.clip((position - centre) / step, -1.0, 1.0)) ** 2
    weights[0, frequency <= MIDBANDS[0]] = 1.0
    weights[-1, frequency >= MIDBANDS[-1]] = 1.0
    return weights


def high_pass(signals: ArrayLike, corner: float, sample_rate: float) -> NDArray[np.floating]:
    """Return signals through a second-order Butterworth high-pass: causal, minimum phase, 12 dB an octave.

    Parameters
    ----------
    signals : array_like, shape (..., samples)
        The output is as long, and of single precision if they are.
    corner : float
        Where it takes 3 dB, in Hz; above 0 and below half the rate.
    sample_rate : float
        Hz.

    Returns
    -------
    ndarray, shape (..., samples)

    Notes
    -----
    The bilinear transform, its corner prewarped, of s²/(s² + √2·s + 1). It rings down by 60 dB in 1.6 periods of the
    corner.
    """
    w = np.tan(np.pi * corner / sample_rate)
    scale = 1.0 + np.sqrt(2.0) * w + w**2
    given = np.asarray(signals)
    out: NDArray[np.floating] = np.array(given, np.float32 if given.dtype == np.float32 else np.float64, order="C")
    lines = out.reshape(-1, out.shape[-1])
    taps = 1.0 / scale, 2.0 * (w**2 - 1.0) / scale, (1.0 - np.sqrt(2.0) * w + w**2) / scale
    in_slices(lambda some: _high_pass(lines[some], *taps), len(lines))
    return out


@numba.njit(nogil=True, cache=True)
def _high_pass(lines, gain, a1, a2):  # type: ignore[no-untyped-def]
    """Filter lines (lines, samples) in place; double precision within, which low corners need."""
    for n in range(lines.shape[0]):
        first = 0.0
        second = 0.0
        for k in range(lines.shape[1]):
            x = gain * lines[n, k]
            y = x + first
            first = -2.0 * x - a1 * y + second
            second = x - a2 * y
            lines[n, k] = y


def minimum_phase(log_magnitude: NDArray[np.float64], size: int) -> NDArray[np.complex128]:
    """Return the complex logarithm of the minimum-phase spectrum that has a given magnitude.

    Parameters
    ----------
    log_magnitude : ndarray, shape (..., size // 2 + 1)
        Natural logarithm of the magnitude on the bins of a real transform.
    size : int
        Length of that transform, even.

    Returns
    -------
    ndarray, shape (..., size // 2 + 1)

    Notes
    -----
    The cepstrum is folded onto positive times; see Oppenheim & Schafer, Discrete-Time Signal Processing, section
    "Homomorphic deconvolution".
    """
    cepstrum = scipy.fft.irfft(log_magnitude, size)
    cepstrum[..., 1 : size // 2] *= 2.0
    cepstrum[..., size // 2 + 1 :] = 0.0
    return np.asarray(scipy.fft.rfft(cepstrum))


@functools.lru_cache(maxsize=8)
def minimum_phase_basis(size: int, sample_rate: float) -> NDArray[np.complex128]:
    """Return one complex log spectrum per band, so that exp(Σ gₙ·basisₙ) is minimum phase with log gains gₙ.

    Parameters
    ----------
    size : int
        Transform length whose bins are wanted; a power of two up to 65,536.
    sample_rate : float
        Hz.

    Returns
    -------
    ndarray, shape (bands, size // 2 + 1)
    """
    fine = scipy.fft.rfftfreq(_FINE, 1.0 / sample_rate)
    return minimum_phase(band_weights(fine), _FINE)[:, :: _FINE // size]


def nyquist_taper(frequency: NDArray[np.float64], sample_rate: float) -> NDArray[np.float64]:
    """Return the low-pass that keeps a fractional delay's ringing short: one up to the edge, zero at Nyquist.

    The edge is 5/12 of the rate (20 kHz at 48 kHz), or 0.45 of it below 48 kHz.
    """
    edge = (0.45 if sample_rate < 48000 else 5.0 / 12.0) * sample_rate
    part = np.clip((frequency - edge) / (sample_rate / 2.0 - edge), 0.0, 1.0)
    return np.cos(np.pi / 2.0 * part) ** 2


def smooth_knots(
    frequency: NDArray[np.float64],
) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.float64]]:
    """Return the bins at which smooth spectra are evaluated, and for every bin its lower knot and the part above it.

    24 an octave, or every bin where bins are wider: the curves between octave bands, or third octaves, bend no faster.

    Parameters
    ----------
    frequency : ndarray, shape (bins,)
        The bins of a real transform in Hz.
    """
    bins = len(frequency)
    dense = min(35, bins - 1)  # 24 an octave are a bin apart there
    sparse = dense * 2.0 ** (np.arange(1, 24 * 16) / 24.0)
    knots = np.unique(np.concatenate([np.arange(dense + 1), sparse[sparse < bins - 1].astype(np.int64), [bins - 1]]))
    every = np.arange(bins)
    below = np.clip(np.searchsorted(knots, every, side="right") - 1, 0, len(knots) - 2)
    return knots, below, (every - knots[below]) / (knots[below + 1] - knots[below])


@numba.njit(cache=True, fastmath=True)
def exponentials(re, im):  # type: ignore[no-untyped-def]
    """Replace complex numbers, real and imaginary parts (n,), by their exponentials.

    The 1,024th part's power series to the third power, squared ten times: to 1e-8 for |z| ≤ 4, and ten times as fast as
    one by one, since the processor takes several at once.
    """
    for n in range(len(re)):
        a, b = re[n] / 1024.0, im[n] / 1024.0
        a2, b2 = 0.5 * (a * a - b * b), a * b
        re[n] = 1.0 + a + a2 + (a * a2 - b * b2) / 3.0
        im[n] = b + b2 + (a * b2 + b * a2) / 3.0
    for _ in range(10):
        for n in range(len(re)):
            a, b = re[n], im[n]
            re[n] = a * a - b * b
            im[n] = 2.0 * a * b
