"""Reverberation time from music or speech: the room is heard alone where the sound stops.

Every octave's energy in frames of 10 ms is searched for long falls, its free decays. Each is fitted by maximum
likelihood with an exponential over a steady noise floor, and all of them give one time with its interval: what else
still sounds only ever makes a decay longer.

References
----------
R. Ratnam, D. L. Jones, B. C. Wheeler, W. D. O'Brien, C. R. Lansing & A. S. Feng, Blind estimation of reverberation
time, J. Acoust. Soc. Am. 114, 2877 (2003): maximum likelihood of a decaying Gaussian noise (from memory).
P. Kendrick, T. J. Cox, F. F. Li, Y. Zhang & J. A. Chambers, Monaural room acoustic parameters from music and speech,
J. Acoust. Soc. Am. 124, 278 (2008), and their conference paper of 2007: free decays of music, octave by octave, with
two slopes; the shortest of them are the room's (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.special
from numpy.typing import ArrayLike, NDArray

from rooms.decay_fit import FRAME_S
from rooms.errors import InputError
from rooms.free_decays import BANDWIDTH_TIME, band_frames, free_decays, quietest
from rooms.octaves import octave_midbands
from rooms.units import BANDS, energy_db

__all__ = ["SOURCE_RELEASE_S", "BlindDecay", "blind_decay"]

SOURCE_RELEASE_S = 0.8
"""Reverberation times below it are upper bounds, in seconds: instruments ring on so long themselves."""

SHORTEST_S = 1.0
"""Shorter recordings hold no decay worth the name, in seconds (our choice, no source)."""

STRAY = 0.01
"""Density of log T of falls that are no decays (our choice, no source)."""

SCATTERS = (0.03, 0.06, 0.12, 0.25)
"""Standard deviations that clean decays' log T may have beside what each fit says (our choice)."""

SHARES = ((0.02, 8.0), (0.1, 4.0), (0.3, 2.0), (0.6, 1.0), (0.9, 0.5))
"""Shares of decays that may be masked, and how plausible each is beforehand (our choice, no source)."""

LENGTHS = (0.3, 0.6, 1.2)
"""By how much masked decays' log T may be longer in the mean."""

EARLY_S = 0.08
"""Limit of clarity, in seconds."""

STOP_ERROR_DB = 1.5
"""What is not known of the level before a stop, as a standard deviation (our choice, no source)."""

STOP_ERROR_S = 0.03
"""What is not known of when a source stops, in seconds (our choice, no source)."""

_TWICE_AS_LIKELY = 10.0  # log likelihood that a second slope must gain (Kass & Raftery 1995: very strong, from memory)
_SLOPES = 1.3  # times as long: two slopes that differ by less are one


@dataclass(frozen=True, eq=False)
class BlindDecay:
    """Reverberation by octave band; NaN where it can't be told.

    Attributes
    ----------
    T_s : ndarray, shape (bands,)
        Reverberation time, from at most 30 dB of decay beginning 5 dB below the level before it.
    low_s, high_s : ndarray, shape (bands,)
        Its 90 % interval.
    decays : ndarray of int, shape (bands,)
        How many free decays it was taken from.
    upper_bound : ndarray of bool, shape (bands,)
        Where the room may be shorter still, as the source's own release is as long; `low_s` is the
        shortest time the octave can tell.
    early_s : ndarray, shape (bands,)
        From the first 10 dB after the stops: like EDT, but for how long the source takes to stop.
    two_slopes : ndarray of bool, shape (bands,)
        Where decays bend so much that an early and a late slope explain them better.
    noise_floor_db : ndarray, shape (bands,)
        Level of the quietest 0.31 s, which the noise is at most, in dB re full scale (a mean square of 1 is 0 dB).
    C80_db, C80_error_db : ndarray, shape (bands,)
        Clarity of the recording, and its standard deviation.
    drr_db, drr_error_db : ndarray, shape (bands,)
        Direct-to-reverberant ratio, and its standard deviation. NaN where the level falls so little at the stops that
        there may be no direct sound.
    reasons : tuple of str
        Why a band has no T, else empty.
    """

    T_s: NDArray[np.float64]
    low_s: NDArray[np.float64]
    high_s: NDArray[np.float64]
    decays: NDArray[np.int64]
    upper_bound: NDArray[np.bool_]
    early_s: NDArray[np.float64]
    two_slopes: NDArray[np.bool_]
    noise_floor_db: NDArray[np.float64]
    C80_db: NDArray[np.float64]
    C80_error_db: NDArray[np.float64]
    drr_db: NDArray[np.float64]
    drr_error_db: NDArray[np.float64]
    reasons: tuple[str, ...]


def blind_decay(samples: ArrayLike, sample_rate: float, bands: ArrayLike = BANDS) -> BlindDecay:
    """Return the reverberation heard in music or speech.

    Parameters
    ----------
    samples : array_like, shape (samples,) or (channels, samples)
        Their energies are averaged.
    sample_rate : float
        Hz.
    bands : array_like, shape (bands,), optional
        Nominal octave mid-bands in Hz.

    Returns
    -------
    BlindDecay

    Raises
    ------
    InputError
        If a band isn't an octave's, or a sample isn't a number.

    Notes
    -----
    The energy of a frame is taken for gamma distributed about A·exp(−6·ln(10)·t/T) + N, of shape B·10 ms, B being the
    band's width: that of Gaussian noise. Music has fewer degrees of freedom: standard deviations grow by what the
    residuals' correlation says, and by the slow beats of few partials (`FADE_DB`).

    Decays' log T are a mixture: clean ones scatter about the room's, masked ones are longer by an exponentially
    distributed amount, and some hundredth is no decay at all. T and its interval are the median and the 5 and 95 %
    quantiles of the posterior over all shares, lengths and scatters.

    After a source stops the level follows the backward integral of the response (Schroeder 1965): its fall within
    80 ms gives C80, and what it loses at once the direct sound's share. Both need the moment of the stop, which the
    source's release blurs: their errors are wide.
    """
    given = np.atleast_2d(np.asarray(samples, dtype=np.float64))
    if not np.isfinite(given).all():
        raise InputError("samples: found NaN or infinity, allowed: numbers")
    midbands = octave_midbands(bands)
    count = midbands.size
    number = {name: np.full(count, np.nan) for name in _NUMBERS}
    decays = np.zeros(count, dtype=np.int64)
    two_slopes = np.zeros(count, dtype=bool)
    reasons = [""] * count
    frame = round(FRAME_S * sample_rate)
    if given.shape[-1] < SHORTEST_S * sample_rate:
        reasons = ["cannot tell: too short; record ten seconds with a stop, or a clap"] * count
        return _result(number, decays, two_slopes, reasons, midbands)
    energies = [band_frames(given, sample_rate, band, frame) for band in np.asarray(bands, dtype=np.float64).tolist()]
    loudest = max((float(np.max(y)) for y in energies if y is not None), default=0.0)
    for band, (energy, midband) in enumerate(zip(energies, midbands.tolist(), strict=True)):
        if energy is None:
            reasons[band] = "cannot tell: the octave reaches above half the sample rate"
            continue
        if np.max(energy) <= 1e-10 * loudest or not loudest > 0:
            reasons[band] = "cannot tell: nothing sounds in this octave; record ten seconds with a stop, or a clap"
            continue
        bandwidth = float(_bandwidth(midband))
        quiet = quietest(energy)
        number["noise_floor_db"][band] = float(energy_db(quiet))
        found, reason = free_decays(energy, quiet, bandwidth)
        if not found:
            reasons[band] = reason
            continue
        decays[band] = len(found)
        log_T = np.array([decay.log_T for decay in found])
        deviation = np.array([decay.deviation for decay in found])
        low, middle, high = np.exp(_quantiles(log_T, deviation))
        number["T_s"][band], number["low_s"][band], number["high_s"][band] = middle, low, high
        weight = 1.0 / (deviation**2 + 0.01)
        near = np.abs(log_T - np.log(middle)) < np.maximum(0.2, 2.0 * deviation)
        near = near if near.any() else np.ones_like(near)
        clean = [decay for decay, used in zip(found, near, strict=True) if used]
        number["early_s"][band] = float(np.nanmedian([decay.early_s for decay in clean]))
        two_slopes[band] = sum(decay.gain for decay in clean) > _TWICE_AS_LIKELY and (
            float(np.median([decay.slope_ratio for decay in clean])) > _SLOPES
        )
        drops = np.array([decay.drop_db for decay in clean])
        _clarity(number, band, float(middle), drops, weight[near])
    return _result(number, decays, two_slopes, reasons, midbands)


_NUMBERS = (
    "T_s",
    "low_s",
    "high_s",
    "early_s",
    "noise_floor_db",
    "C80_db",
    "C80_error_db",
    "drr_db",
    "drr_error_db",
)


def _result(
    number: dict[str, NDArray[np.float64]],
    decays: NDArray[np.int64],
    two_slopes: NDArray[np.bool_],
    reasons: list[str],
    midbands: NDArray[np.float64],
) -> BlindDecay:
    bound = number["T_s"] < SOURCE_RELEASE_S
    number["low_s"] = np.where(bound, BANDWIDTH_TIME / _bandwidth(midbands), number["low_s"])
    return BlindDecay(decays=decays, upper_bound=bound, two_slopes=two_slopes, reasons=tuple(reasons), **number)


def _bandwidth(midband: ArrayLike) -> NDArray[np.float64]:
    """Return an octave's width in Hz."""
    return np.asarray(np.asarray(midband, dtype=np.float64) * (10.0**0.15 - 10.0**-0.15))


def _clarity(
    number: dict[str, NDArray[np.float64]],
    band: int,
    T_s: float,
    drops: NDArray[np.float64],
    weight: NDArray[np.float64],
) -> None:
    """Set C80 and the direct-to-reverberant ratio by how far decays lie below the level before the stops."""
    drop = float(np.average(drops, weights=weight))
    scatter = float(np.sqrt(np.average((drops - drop) ** 2, weights=weight) / max(1, drops.size - 1)))
    error = float(np.hypot(max(scatter, 3.0 / np.sqrt(drops.size)), np.hypot(STOP_ERROR_DB, 60.0 * STOP_ERROR_S / T_s)))
    late = 10.0 ** ((min(drop, 0.0) - 60.0 * EARLY_S / T_s) / 10.0)
    number["C80_db"][band] = float(energy_db((1.0 - late) / late))
    number["C80_error_db"][band] = error / (1.0 - late)
    reverberant = 10.0 ** (drop / 10.0)
    if drop + error < 0.0:
        number["drr_db"][band] = float(energy_db((1.0 - reverberant) / reverberant))
        number["drr_error_db"][band] = error / (1.0 - reverberant)


def _quantiles(log_T: NDArray[np.float64], deviation: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the 5, 50 and 95 % quantiles of the room's log T, given those of its decays and their deviations.

    Clean decays scatter normally about it; of masked ones, an exponential's length is added; a few are anything.
    """
    reach = 4.0 * float(np.max(deviation)) + 0.8
    grid = np.linspace(float(np.min(log_T)) - reach, float(np.max(log_T)) + reach, 600)
    posterior = np.zeros(grid.size)
    highest = -np.inf
    away = log_T[:, None] - grid[None, :]
    terms = []
    for scatter in SCATTERS:
        width = np.hypot(deviation, scatter)[:, None]
        clean = -0.5 * (away / width) ** 2 - np.log(width * np.sqrt(2.0 * np.pi))
        for length in LENGTHS:
            # Normal plus exponential: the exponentially modified Gaussian.
            masked = (
                0.5 * (width / length) ** 2
                - away / length
                + scipy.special.log_ndtr(away / width - width / length)
                - np.log(length)
            )
            for share, prior in SHARES:
                each = np.logaddexp(np.log1p(-share) + clean, np.log(share) + masked)
                terms.append(np.logaddexp(each, np.log(STRAY)).sum(axis=0) + np.log(prior))
                highest = max(highest, float(np.max(terms[-1])))
    for term in terms:
        posterior += np.exp(term - highest)
    total = np.cumsum(posterior)
    return np.asarray(np.interp([0.05, 0.5, 0.95], total / total[-1], grid))
