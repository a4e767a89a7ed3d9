"""Reverberation time from music or speech: the room is heard alone where the sound stops.

Every octave's energy in frames of 10 ms is searched for long falls, its free decays, and so is each of its partials'.
Each is fitted by maximum likelihood with an exponential over a steady noise floor, and all of them give one time with
its interval: what else still sounds only ever makes a decay longer.

References
----------
R. Ratnam, D. L. Jones, B. C. Wheeler, W. D. O'Brien, C. R. Lansing & A. S. Feng, Blind estimation of reverberation
time, J. Acoust. Soc. Am. 114, 2877 (2003): maximum likelihood of a decaying Gaussian noise (from memory).
P. Kendrick, T. J. Cox, F. F. Li, Y. Zhang & J. A. Chambers, Monaural room acoustic parameters from music and speech,
J. Acoust. Soc. Am. 124, 278 (2008), and their conference paper of 2007: free decays of music, octave by octave, with
two slopes; the shortest of them are the room's (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import scipy.special
from numpy.typing import ArrayLike, NDArray

from rooms.decay_fit import FRAME_S
from rooms.errors import InputError
from rooms.free_decays import BANDWIDTH_TIME, FreeDecay, free_decays, quietest
from rooms.octave_air import of_even_spectrum_s
from rooms.octave_frames import frame_energies
from rooms.octaves import octave_midbands
from rooms.partial_decays import FEWEST, PartialDecays, partial_decays, partial_energies
from rooms.spectra import THIRD_OCTAVES, long_term_spectrum
from rooms.units import BANDS, INTERVAL, energy_db

__all__ = ["SOURCE_RELEASE_S", "BlindDecay", "blind_decay", "room_quantiles"]

SOURCE_RELEASE_S = 0.8
"""Reverberation times below it are upper bounds, in seconds: instruments ring on so long themselves."""

SHORTEST_S = 1.0
"""Shorter recordings hold no decay worth the name, in seconds (our choice, no source)."""

LEAN = 1.15
"""Falls whose first half takes so many times as long as the second are fades, swells or tremolo, no room's: in the mean
those have 1.3 to 1.7, rooms above 0.8 s 0.75 to 1.1 (measured)."""

STRAY = 0.01
"""Density of log T of falls that are no decays (our choice, no source)."""

SCATTERS = (0.03, 0.06, 0.12, 0.25)
"""Standard deviations that clean decays' log T may have beside what each fit says (our choice)."""

SHARES = ((0.02, 8.0), (0.1, 4.0), (0.3, 2.0), (0.6, 1.0), (0.9, 0.5))
"""Shares of decays that may be masked, and how plausible each is beforehand (our choice, no source)."""

LENGTHS = (0.3, 0.6, 1.2)
"""By how much masked decays' log T may be longer in the mean."""

PARTIALS_ERROR = 0.07
"""What an octave's decays of partials are wrong by together, as a standard deviation of log T: octaves whose
frequencies decay differently, falls that all are masked (measured on made-up strings)."""

AIR = (20.0, 50.0)
"""°C and relative humidity in %, which a recording doesn't tell (common practice, no source)."""

AIR_ERROR = 0.5
"""What is not known of how much longer a weak upper edge lets an octave ring, re the logarithm of that (our choice)."""

CORRELATION = 0.5
"""Between the errors of an octave's decays and its partials', which are in part the same stops (our choice)."""

EARLY_S = 0.08
"""Limit of clarity, in seconds."""

DROP_ERROR_DB = 3.0
"""How far one stop's drop is off at least, as a standard deviation (our choice, no source)."""

STOP_ERROR_DB = 1.0
"""What is not known of the level before all stops, as a standard deviation (by made-up strings in exponential noise:
97 % of 90 % intervals hold C80)."""

STOP_ERROR_S = 0.02
"""What is not known of when a source stops, in seconds (as `STOP_ERROR_DB`)."""

DIRECT_DEVIATIONS = 3.0
"""So many standard deviations must the level drop at the stops for a direct sound to be told: with 1.6, six octaves of
a hundred told one, 6 dB too strong, where there was hardly any; with 3 one of 200 (made-up strings, measured)."""

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
    decays, partial_decays : ndarray of int, shape (bands,)
        How many free decays of the whole octave and of its partials it was taken from.
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
    partial_decays: NDArray[np.int64]
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
    quantiles of the posterior over all shares, lengths and scatters: once of the whole octave's decays, once of those
    of its partials. Both together, in inverse proportion to their variances, are the octave's.

    Air takes more at an octave's upper edge than at its lower: T is what an even spectrum, a response's, would have
    told, given the long-term spectrum of what was played (`rooms.octave_air`).

    After a source stops the level follows the backward integral of the response (Schroeder 1965): its fall within
    80 ms gives C80, and what it loses at once the direct sound's share. Both need the moment of the stop, which the
    source's release blurs: their errors are wide.
    """
    given = np.atleast_2d(np.asarray(samples, dtype=np.float64))
    if not np.isfinite(given).all():
        raise InputError("samples: found NaN or infinity, allowed: numbers")
    midbands = octave_midbands(bands)
    if given.shape[-1] < SHORTEST_S * sample_rate:
        return _together([_Octave(reason=f"cannot tell: too short; {_REMEDY}")] * midbands.size, midbands)
    frame = round(FRAME_S * sample_rate)
    energies = frame_energies(given, sample_rate, frame, bands)
    loudest = max((float(np.max(y)) for y in energies if y is not None), default=0.0)
    octaves, leans = [], [np.empty(0)]
    for energy, midband, partials in zip(
        energies, midbands.tolist(), partial_energies(given, sample_rate, midbands), strict=True
    ):
        if energy is None or partials is None:
            octaves.append(_Octave(reason="cannot tell: the octave reaches above half the sample rate"))
        elif np.max(energy) <= 1e-10 * loudest or not loudest > 0:
            octaves.append(_Octave(reason=f"cannot tell: nothing sounds in this octave; {_REMEDY}"))
        else:
            falls = partial_decays(partials)
            octaves.append(_octave(energy, falls, float(_bandwidth(midband))))
            leans += [falls.lean] if octaves[-1].T_s >= SOURCE_RELEASE_S else []
    if _faded(np.concatenate(leans)):
        reason = f"cannot tell: its falls get steeper, as where someone turns the level down; {_REMEDY}"
        octaves = [
            _Octave(noise_floor_db=octave.noise_floor_db, reason=reason) if octave.T_s >= SOURCE_RELEASE_S else octave
            for octave in octaves
        ]
    density_db = long_term_spectrum(given, sample_rate) - 10.0 * np.log10(THIRD_OCTAVES)
    return _evened(_together(octaves, midbands), density_db, bands)


def _evened(found: BlindDecay, density_db: NDArray[np.float64], bands: ArrayLike) -> BlindDecay:
    """Return times as a response would have told them: what is played is weak at an octave's upper edge.

    Upper bounds stay what they are.
    """
    even = of_even_spectrum_s(found.T_s, THIRD_OCTAVES, density_db, bands, *AIR)
    change = np.where(found.upper_bound, 0.0, np.log(even / found.T_s))
    interval = np.log([found.low_s, found.high_s] / found.T_s)
    wider = np.hypot(interval, INTERVAL * AIR_ERROR * change) * np.sign(interval)
    low_s, high_s = found.T_s * np.exp(change + wider)
    return replace(found, T_s=found.T_s * np.exp(change), low_s=low_s, high_s=high_s)


def _faded(lean: NDArray[np.float64]) -> bool:
    """Return whether falls get steeper on the whole, by two standard deviations more than a room's may."""
    if lean.size < FEWEST:
        return False
    return bool(np.mean(lean) - 2.0 * np.std(lean) / np.sqrt(lean.size) > np.log(LEAN))


_REMEDY = "record ten seconds with a stop, or a clap"


@dataclass
class _Octave:
    """One octave's part of a `BlindDecay`."""

    T_s: float = np.nan
    low_s: float = np.nan
    high_s: float = np.nan
    decays: int = 0
    partial_decays: int = 0
    early_s: float = np.nan
    two_slopes: bool = False
    noise_floor_db: float = np.nan
    C80_db: float = np.nan
    C80_error_db: float = np.nan
    drr_db: float = np.nan
    drr_error_db: float = np.nan
    reason: str = ""


def _octave(energy: NDArray[np.float64], partials: PartialDecays, bandwidth: float) -> _Octave:
    """Return what an octave's level and its partials' tell."""
    quiet = quietest(energy)
    octave = _Octave(noise_floor_db=float(energy_db(quiet)))
    found, octave.reason = free_decays(energy, quiet, bandwidth)
    log_T = np.array([decay.log_T for decay in found])
    deviation = np.array([decay.deviation for decay in found])
    octave.decays, octave.partial_decays = len(found), partials.log_T.size
    estimates = []
    if found:
        estimates.append(_estimate(room_quantiles(log_T, deviation, SCATTERS), 0.0))
    if partials.log_T.size:
        estimates.append(_estimate(room_quantiles(partials.log_T, partials.deviation, SCATTERS[:1]), PARTIALS_ERROR))
    if not estimates:
        return octave
    middle, sigma = _combined(np.array(estimates))
    octave.reason = ""
    octave.T_s = float(np.exp(middle))
    octave.low_s, octave.high_s = np.exp([middle - INTERVAL * sigma, middle + INTERVAL * sigma]).tolist()
    if found:
        near = np.abs(log_T - middle) < np.maximum(0.2, 2.0 * deviation)
        near = near if near.any() else np.ones_like(near)
        clean = [decay for decay, used in zip(found, near, strict=True) if used]
        _stops(octave, clean)
    return octave


def _estimate(quantiles: NDArray[np.float64], error: float) -> tuple[float, float]:
    """Return the middle of a posterior, and its standard deviation with an error that all decays share."""
    low, middle, high = quantiles.tolist()
    return middle, float(np.hypot((high - low) / (2.0 * INTERVAL), error))


def _combined(estimates: NDArray[np.float64]) -> tuple[float, float]:
    """Return the mean of estimates (middle, standard deviation), weighted by variance, and its standard deviation."""
    middles, sigmas = estimates.T
    weights = sigmas**-2.0 / np.sum(sigmas**-2.0)
    parts = weights * sigmas
    variance = (1.0 - CORRELATION) * np.sum(parts**2) + CORRELATION * np.sum(parts) ** 2
    return float(weights @ middles), float(np.sqrt(variance))


def _together(octaves: list[_Octave], midbands: NDArray[np.float64]) -> BlindDecay:
    """Return octaves side by side."""
    values = {name: np.array([getattr(octave, name) for octave in octaves]) for name in _Octave.__annotations__}
    reasons = tuple(values.pop("reason").tolist())
    bound = values["T_s"] < SOURCE_RELEASE_S
    values["low_s"] = np.where(bound, BANDWIDTH_TIME / _bandwidth(midbands), values["low_s"])
    return BlindDecay(upper_bound=bound, reasons=reasons, **values)


def _bandwidth(midband: ArrayLike) -> NDArray[np.float64]:
    """Return an octave's width in Hz."""
    return np.asarray(np.asarray(midband, dtype=np.float64) * (10.0**0.15 - 10.0**-0.15))


def _stops(octave: _Octave, clean: list[FreeDecay]) -> None:
    """Set what clean decays of the whole octave tell: how it begins to fall, and how far it drops at once."""
    T_s = octave.T_s
    octave.early_s = float(np.nanmedian([decay.early_s for decay in clean]))
    octave.two_slopes = sum(decay.gain for decay in clean) > _TWICE_AS_LIKELY and (
        float(np.median([decay.slope_ratio for decay in clean])) > _SLOPES
    )
    drops = np.array([decay.drop_db for decay in clean])
    drop = float(np.median(drops))
    # Of a median, by the median deviation: of five drops one is often masked.
    scatter = max(1.25 * 1.4826 * float(np.median(np.abs(drops - drop))), DROP_ERROR_DB) / np.sqrt(drops.size)
    error = float(np.hypot(scatter, np.hypot(STOP_ERROR_DB, 60.0 * STOP_ERROR_S / T_s)))
    late = 10.0 ** ((min(drop, 0.0) - 60.0 * EARLY_S / T_s) / 10.0)
    octave.C80_db = float(energy_db((1.0 - late) / late))
    octave.C80_error_db = error / (1.0 - late)
    reverberant = 10.0 ** (drop / 10.0)
    if drop + DIRECT_DEVIATIONS * error < 0.0:
        octave.drr_db = float(energy_db((1.0 - reverberant) / reverberant))
        octave.drr_error_db = error / (1.0 - reverberant)


def room_quantiles(
    log_T: NDArray[np.float64], deviation: NDArray[np.float64], scatters: tuple[float, ...]
) -> NDArray[np.float64]:
    """Return the 5, 50 and 95 % quantiles of the room's log T, given those of its decays and their deviations.

    Clean decays scatter normally about it; of masked ones, an exponential's length is added; a few are anything.
    """
    reach = 4.0 * float(np.max(deviation)) + 0.8
    grid = np.linspace(float(np.min(log_T)) - reach, float(np.max(log_T)) + reach, 300)
    posterior = np.zeros(grid.size)
    highest = -np.inf
    away = log_T[:, None] - grid[None, :]
    terms = []
    for scatter in scatters:
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
