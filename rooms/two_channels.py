"""What two channels tell: lateral energy, cross-correlation of the ears, and how alike and how wide a pair is.

References
----------
ISO 3382-1:2009, A.2.4 (eqs. A.14 and A.15: lateral energy fractions) and annex B (eqs. B.1 and B.2: IACC).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from rooms.octaves import in_octaves
from rooms.units import BANDS

__all__ = ["cross_correlation", "early_late", "lateral_fractions", "pair_correlation", "side_share"]

LATERAL_S = (0.005, 0.08)
"""From when to when after the direct sound energy from the sides counts as lateral, in seconds (A.14)."""

EARS_S = 0.001
"""The largest lag between two ears, in seconds (B.1)."""

RING_S = 0.25
"""Zeros around a piece while it is filtered, in seconds."""


def lateral_fractions(
    omni: ArrayLike, figure_8: ArrayLike, sample_rate: float, onset: int, bands: ArrayLike | None = None
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the early lateral energy fractions LF and LFC.

    Parameters
    ----------
    omni, figure_8 : array_like, shape (samples,)
        Responses of an omnidirectional capsule and of a figure-of-eight with its null towards the source, equally
        sensitive on axis.
    sample_rate : float
        Hz.
    onset : int
        The direct sound's first sample.
    bands : array_like, shape (bands,), optional
        Nominal octave mid-bands in Hz; left out: all frequencies together.

    Returns
    -------
    LF, LFC : ndarray, shape (bands,) or ()
        Each the energy of 5 to 80 ms from the sides over all of the first 80 ms; NaN where there is none, and above
        half the sample rate.

    Notes
    -----
    What is early is cut out first and filtered then, or a filter would carry direct sound over the limit of 5 ms.
    """
    first, last = (round(limit * sample_rate) for limit in LATERAL_S)
    early = np.asarray(omni, dtype=np.float64)[onset : onset + last]
    side = np.array(figure_8, dtype=np.float64)[onset : onset + last]
    side[:first] = 0.0
    p_late = early.copy()
    p_late[:first] = 0.0
    signals = np.stack([early, p_late, side])
    if bands is not None:
        pad = round(RING_S * sample_rate)
        signals = in_octaves(np.pad(signals, ((0, 0), (pad, pad))), sample_rate, bands)
    p, p_late, side = np.moveaxis(signals, -2, 0)
    with np.errstate(invalid="ignore", divide="ignore"):
        energy = np.sum(p**2, axis=-1)
        LF = np.sum(side**2, axis=-1) / energy  # ISO 3382-1, eq. A.14
        LFC = np.sum(np.abs(side * p_late), axis=-1) / energy  # ISO 3382-1, eq. A.15
    return np.asarray(LF), np.asarray(LFC)


def cross_correlation(
    left: ArrayLike, right: ArrayLike, sample_rate: float, longest_s: float = EARS_S
) -> NDArray[np.float64]:
    """Return the largest magnitude of the normalised cross-correlation within a lag: IACC, where channels are ears.

    Parameters
    ----------
    left, right : array_like, shape (..., samples)
        Taken for silent beyond their ends.
    sample_rate : float
        Hz.
    longest_s : float
        Largest lag in seconds.

    Returns
    -------
    ndarray, shape (...)
        0 to 1 (ISO 3382-1, eqs. B.1 and B.2); NaN where a channel is silent.
    """
    a, b = np.asarray(left, dtype=np.float64), np.asarray(right, dtype=np.float64)
    reach = min(round(longest_s * sample_rate), a.shape[-1] - 1)
    products = [
        np.sum(
            a[..., max(0, -lag) : a.shape[-1] - max(0, lag)] * b[..., max(0, lag) : b.shape[-1] + min(0, lag)], axis=-1
        )
        for lag in range(-reach, reach + 1)
    ]
    with np.errstate(invalid="ignore", divide="ignore"):
        norm = np.sqrt(np.sum(a**2, axis=-1) * np.sum(b**2, axis=-1))
        return np.asarray(np.max(np.abs(products), axis=0) / norm)


def pair_correlation(left: ArrayLike, right: ArrayLike) -> NDArray[np.float64]:
    """Return the correlation of two channels at no lag: 1 alike, 0 unrelated, −1 opposite; NaN where one is silent.

    Parameters
    ----------
    left, right : array_like, shape (..., samples)

    Returns
    -------
    ndarray, shape (...)
    """
    a, b = np.asarray(left, dtype=np.float64), np.asarray(right, dtype=np.float64)
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.asarray(np.sum(a * b, axis=-1) / np.sqrt(np.sum(a**2, axis=-1) * np.sum(b**2, axis=-1)))


def side_share(left: ArrayLike, right: ArrayLike) -> NDArray[np.float64]:
    """Return which share of a pair's energy is in its side signal: 0 mono, 0.5 unrelated channels, 1 opposite ones.

    Parameters
    ----------
    left, right
        As `pair_correlation` takes them.

    Returns
    -------
    ndarray, shape (...)
        NaN where both are silent. A share s is a ratio of side to middle of 10·lg(s/(1 − s)) dB.
    """
    a, b = np.asarray(left, dtype=np.float64), np.asarray(right, dtype=np.float64)
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.asarray(0.5 * np.sum((a - b) ** 2, axis=-1) / np.sum(a**2 + b**2, axis=-1))


def early_late(
    pair: ArrayLike, sample_rate: float, onset: int, bands: ArrayLike = BANDS
) -> dict[str, NDArray[np.float64]]:
    """Return a pair of responses in octave bands, cut into what is early, late and both.

    Parameters
    ----------
    pair : array_like, shape (2, samples)
        Responses of two channels.
    sample_rate, onset, bands
        As `lateral_fractions` takes them; `bands` left out: all octaves.

    Returns
    -------
    dict of str to ndarray, shape (bands, 2, samples)
        ``"early"``: the first 80 ms; ``"late"``: what follows; ``"all"``. Each was cut first and filtered then, and
        begins `RING_S` before its first sample, where filters ring.
    """
    given = np.asarray(pair, dtype=np.float64)
    split = onset + round(0.08 * sample_rate)
    pad = round(RING_S * sample_rate)
    pieces = {"early": given[:, onset:split], "late": given[:, split:], "all": given[:, onset:]}
    return {name: in_octaves(np.pad(x, ((0, 0), (pad, pad))), sample_rate, bands) for name, x in pieces.items()}
