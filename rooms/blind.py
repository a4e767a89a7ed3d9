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

import numba
import numpy as np
import scipy.special
from numpy.typing import ArrayLike, NDArray

from rooms.errors import InputError
from rooms.octaves import in_octaves, octave_midbands, reaches_nyquist
from rooms.units import BANDS, energy_db

__all__ = ["SOURCE_RELEASE_S", "BlindDecay", "blind_decay"]

SOURCE_RELEASE_S = 0.8
"""Reverberation times below it are upper bounds, in seconds: instruments ring on so long themselves."""

FRAME_S = 0.01
"""Energy is summed over so long, in seconds."""

SHORTEST_S = 1.0
"""Shorter recordings hold no decay worth the name, in seconds (our choice, no source)."""

SMOOTH_S = 0.05
"""Decays are looked for in a level smoothed over so long, in seconds, or longer in low bands."""

TURN_DB = 4.0
"""A level that rises by so much ends a decay."""

SKIPPED_DB = 5.0
"""The first part of a decay, which isn't fitted (as in ISO 3382-1): there the source and the direct sound die away."""

RANGE_DB = 30.0
"""The part that is fitted, if there is as much."""

LEAST_RANGE_DB = 10.0
"""The least of it."""

BEFORE = 30
"""Frames whose mean is the level before a stop."""

STOPPED_DB = 1.0
"""A level lower than before by so much has begun to fall, in dB (our choice, no source)."""

CLEAR_DB = 3.0
"""So far above the noise floor a decay still counts for its range."""

WIDEST = 0.25
"""Largest standard deviation of a decay's log T with which it is used (our choice, no source)."""

STEEPER = 2.0
"""A fall whose second half is so many times as fast as its first is no room's (our choice, no source)."""

STRAY = 0.01
"""Density of log T of falls that are no decays (our choice, no source)."""

SCATTERS = (0.03, 0.06, 0.12, 0.25)
"""Standard deviations that clean decays' log T may have beside what each fit says (our choice)."""

SHARES = ((0.02, 8.0), (0.1, 4.0), (0.3, 2.0), (0.6, 1.0), (0.9, 0.5))
"""Shares of decays that may be masked, and how plausible each is beforehand (our choice, no source)."""

LENGTHS = (0.3, 0.6, 1.2)
"""By how much masked decays' log T may be longer in the mean."""

FADE_DB = 57.0
"""What partials' beats change of a decay's fall from start to end, as a standard deviation in dB, times the root of the
bandwidth in Hz: a narrow band has few (measured on strings: 3.0, 1.7 and 1.4 dB from 500 Hz to 2 kHz)."""

FADE_MOST_DB = 5.0
"""At most so much."""

BANDWIDTH_TIME = 16.0
"""Least product of bandwidth and reverberation time: below, the filter's own decay is heard (ISO 3382-2, 7.3)."""

EARLY_S = 0.08
"""Limit of clarity, in seconds."""

STOP_ERROR_DB = 1.5
"""What is not known of the level before a stop, as a standard deviation (our choice, no source)."""

STOP_ERROR_S = 0.03
"""What is not known of when a source stops, in seconds (our choice, no source)."""

_DIGITAL = 1e-12  # energy re the loudest: below it are a file's zeros and the filter's rounding
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


@dataclass(frozen=True)
class _Decay:
    """One free decay.

    Attributes
    ----------
    log_T, deviation : float
        Natural logarithm of T in seconds, and its standard deviation.
    early_s : float
        Reverberation time of the first 10 dB.
    drop_db : float
        Level of the fitted decay, led back to the stop, re the level before.
    gain : float
        Log likelihood that a second slope adds.
    slope_ratio : float
        How many times as long the longer of two slopes is.
    """

    log_T: float
    deviation: float
    early_s: float
    drop_db: float
    gain: float
    slope_ratio: float


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
    energies = [_frames(given, sample_rate, band, frame) for band in np.asarray(bands, dtype=np.float64).tolist()]
    loudest = max((float(np.max(y)) for y in energies if y is not None), default=0.0)
    for band, (energy, midband) in enumerate(zip(energies, midbands.tolist(), strict=True)):
        if energy is None:
            reasons[band] = "cannot tell: the octave reaches above half the sample rate"
            continue
        if np.max(energy) <= 1e-10 * loudest or not loudest > 0:
            reasons[band] = "cannot tell: nothing sounds in this octave; record ten seconds with a stop, or a clap"
            continue
        bandwidth = float(_bandwidth(midband))
        quiet = _quiet(energy)
        number["noise_floor_db"][band] = float(energy_db(quiet))
        found, reason = _free_decays(energy, quiet, bandwidth)
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


def _frames(given: NDArray[np.float64], sample_rate: float, band: float, frame: int) -> NDArray[np.float64] | None:
    """Return the mean square of each frame in an octave, None above half the sample rate."""
    if reaches_nyquist(float(octave_midbands([band])[0]), sample_rate):
        return None
    # Zeros around, or what rings out of the filter at one end comes back at the other.
    padded = np.pad(given, ((0, 0), (0, round(0.25 * sample_rate))))
    total = np.zeros(given.shape[-1] // frame)
    for channel in padded:
        square = in_octaves(channel, sample_rate, [band])[0][: total.size * frame] ** 2
        total += square.reshape(-1, frame).mean(axis=1)
    return total / len(given)


def _moving_mean(energy: NDArray[np.float64], frames: int) -> NDArray[np.float64]:
    """Return the mean over an odd number of frames around each, of fewer at the ends."""
    half = frames // 2
    total = np.concatenate(([0.0], np.cumsum(energy)))
    first = np.maximum(np.arange(energy.size) - half, 0)
    stop = np.minimum(np.arange(energy.size) + half + 1, energy.size)
    return np.asarray(np.maximum(total[stop] - total[first], 0.0) / (stop - first))


def _quiet(energy: NDArray[np.float64]) -> float:
    """Return the energy a frame of the quietest 0.31 s, above the zeros of a file."""
    return float(np.min(_moving_mean(np.maximum(energy, _DIGITAL * np.max(energy)), 31)[15:-15]))


def _free_decays(energy: NDArray[np.float64], quiet: float, bandwidth: float) -> tuple[list[_Decay], str]:
    """Return a band's usable decays, and why there is none."""
    least = _DIGITAL * float(np.max(energy))
    smooth = max(round(SMOOTH_S / FRAME_S), round(16.0 / (bandwidth * FRAME_S))) | 1
    level = energy_db(np.maximum(_moving_mean(energy, smooth), least))
    fits = []
    longest = 0.0
    for peak, trough in _turns(level, TURN_DB):
        longest = max(longest, float(level[peak] - level[trough]))
        before, stop = _stop(level, peak, trough)
        piece = _piece(level, stop, trough, before, float(energy_db(quiet)))
        if piece is None:
            continue
        y = np.maximum(energy[piece[0] : piece[1]], least)
        single, covariance, likelihood = _fit(y, 1, quiet)
        if np.isfinite(covariance[1, 1]) and np.exp(single[1]) * bandwidth > BANDWIDTH_TIME:
            drop = _back_at(single, FRAME_S * (piece[0] - stop)) - (before - STOPPED_DB)
            fits.append((y, single, covariance, likelihood, _early(level, stop, trough, before), drop, piece[2]))
    if not fits:
        return [], (
            f"cannot tell: the level never falls freely by {SKIPPED_DB + LEAST_RANGE_DB:.0f} dB, the most is "
            f"{longest:.0f} dB; record ten seconds with a stop, or a clap"
        )
    shape = bandwidth * FRAME_S
    spread = max(1.0, shape * _long_run_variance([fit[0] / _model(fit[1], fit[0].size) - 1.0 for fit in fits]))
    fade = min(FADE_DB / np.sqrt(bandwidth), FADE_MOST_DB)
    found = []
    for y, single, covariance, likelihood, early_s, drop, depth in fits:
        deviation = float(np.hypot(np.sqrt(covariance[1, 1] * spread / shape), fade / depth))
        if deviation > WIDEST:
            continue
        double, _, two = _fit(y, 2, quiet)
        ratio = float(np.exp(abs(double[3] - double[1])))
        found.append(_Decay(float(single[1]), deviation, early_s, drop, shape / spread * (two - likelihood), ratio))
    if not found:
        return [], "cannot tell: its decays are too short or uneven; record ten seconds with a stop, or a clap"
    return found, ""


def _stop(level: NDArray[np.float64], peak: int, trough: int) -> tuple[float, int]:
    """Return the level before a fall, and the frame from which it stays a decibel lower: the sound stopped before."""
    fall = level[peak : trough + 1]
    down = int(np.argmax(fall <= fall[0] - SKIPPED_DB - STOPPED_DB))
    # Back to the last peak: what is lower before it doesn't belong to the fall.
    back = fall[down::-1]
    highest = np.maximum.accumulate(back)
    rising = back < highest - STOPPED_DB
    last = down - int(np.argmax(back[: int(np.argmax(rising)) if rising.any() else back.size]))
    frames = level[max(0, peak + last - BEFORE) : peak + last + 1]
    before = float(energy_db(np.mean(10.0 ** (frames / 10.0))))
    high = np.flatnonzero(fall[: down + 1] >= min(before - STOPPED_DB, float(fall[last])))
    return before, peak + int(high[-1])


def _piece(
    level: NDArray[np.float64], stop: int, trough: int, before: float, floor: float
) -> tuple[int, int, float] | None:
    """Return the first frame to fit of a fall, the one after the last and the fall in dB, None if it isn't a room's."""
    fall = level[stop : trough + 1]
    below = fall <= before - SKIPPED_DB
    if not below.any():
        return None
    first = int(np.argmax(below))
    bottom = max(float(fall[-1]), floor + CLEAR_DB, float(fall[first]) - RANGE_DB)
    depth = float(fall[first]) - bottom
    if depth < LEAST_RANGE_DB:
        return None
    half = int(np.argmax(fall <= fall[first] - depth / 2.0))
    end = int(np.argmax(fall <= bottom))
    if end - first < 5 or half - first > STEEPER * (end - half):
        return None
    # Where the decay reaches the floor, a second of that is fitted too.
    reaches = floor + CLEAR_DB >= fall[first] - RANGE_DB
    return stop + first, stop + (min(fall.size, end + 100) if reaches else end), depth


@numba.njit(cache=True)
def _turns(level, turn):  # type: ignore[no-untyped-def]
    """Return pairs of a peak and the trough after it, between which the level never rises by a turn, in dB."""
    pairs = [(0, 0) for _ in range(0)]
    high = 0
    low = 0
    falling = False
    for k in range(1, len(level)):
        if falling:
            if level[k] < level[low]:
                low = k
            elif level[k] > level[low] + turn:
                pairs.append((high, low))
                falling = False
                high = k
        elif level[k] > level[high]:
            high = k
        elif level[k] < level[high] - turn:
            falling = True
            low = k
    if falling:
        pairs.append((high, low))
    return pairs


def _model(parameters: NDArray[np.float64], frames: int) -> NDArray[np.float64]:
    """Return a decay: log A and log T of each slope, then log N."""
    time = FRAME_S * np.arange(frames)
    total = np.full(frames, np.exp(parameters[-1]))
    for k in range(0, len(parameters) - 1, 2):
        total += np.exp(parameters[k] - 6.0 * np.log(10.0) * time / np.exp(parameters[k + 1]))
    return total


def _fit(y: NDArray[np.float64], slopes: int, quiet: float) -> tuple[NDArray[np.float64], NDArray[np.float64], float]:
    """Return the most likely parameters of a decay, their covariance and log likelihood, both for a shape of one."""
    part = max(1, y.size // 8)
    top, bottom = np.log(np.mean(y[:part])), np.log(np.mean(y[-part:]))
    T_s = 6.0 * np.log(10.0) * FRAME_S * y.size / max(top - bottom, 0.5)
    first = [top, np.log(T_s)] if slopes == 1 else [top, np.log(0.6 * T_s), top - 2.0, np.log(1.5 * T_s)]
    start = np.array([*first, np.log(0.5 * quiet)])
    most = np.log(1.5 * quiet)
    parameters, information, likelihood = _newton(y, start, slopes, FRAME_S, most)
    with np.errstate(all="ignore"):
        try:
            covariance = np.linalg.inv(information)
        except np.linalg.LinAlgError:
            covariance = np.full_like(information, np.nan)
    if not covariance[1, 1] > 0:
        covariance = np.full_like(information, np.nan)
    return parameters, covariance, likelihood


@numba.njit(cache=True)
def _statistics(y, parameters, slopes, step):  # type: ignore[no-untyped-def]
    """Return log likelihood of a shape of one, its gradient and Fisher's information."""
    count = 2 * slopes + 1
    gradient = np.zeros(count)
    information = np.zeros((count, count))
    part = np.zeros(count)
    likelihood = 0.0
    floor = np.exp(parameters[count - 1])
    for k in range(len(y)):
        mean = floor
        for s in range(slopes):
            x = 6.0 * np.log(10.0) * step * k / np.exp(parameters[2 * s + 1])
            e = np.exp(parameters[2 * s] - x)
            part[2 * s] = e
            part[2 * s + 1] = e * x
            mean += e
        part[count - 1] = floor
        ratio = y[k] / mean
        likelihood -= ratio + np.log(mean)
        for i in range(count):
            gradient[i] += (ratio - 1.0) * part[i] / mean
            for j in range(count):
                information[i, j] += part[i] * part[j] / (mean * mean)
    return likelihood, gradient, information


@numba.njit(cache=True)
def _newton(y, start, slopes, step, most):  # type: ignore[no-untyped-def]
    """Climb to the highest likelihood by damped scoring (Levenberg & Marquardt); log N stays between two bounds."""
    count = 2 * slopes + 1
    parameters = start.copy()
    likelihood, gradient, information = _statistics(y, parameters, slopes, step)
    damping = 1e-2
    for _ in range(60):
        system = information.copy()
        for i in range(count):
            system[i, i] += damping * (information[i, i] + 1e-3)
        change = np.linalg.solve(system, gradient)
        trial = parameters + np.minimum(np.maximum(change, -0.7), 0.7)
        trial[count - 1] = min(max(trial[count - 1], most - 7.0), most)
        for s in range(slopes):
            trial[2 * s + 1] = min(max(trial[2 * s + 1], np.log(0.02)), np.log(100.0))
        new, new_gradient, new_information = _statistics(y, trial, slopes, step)
        if new > likelihood:
            small = new - likelihood < 1e-7
            parameters, likelihood, gradient, information = trial, new, new_gradient, new_information
            damping *= 0.2
            if small:
                break
        else:
            damping *= 5.0
            if damping > 1e8:
                break
    information[count - 1, count - 1] += 0.05  # what little is known of the floor beforehand: a factor of 90
    return parameters, information, likelihood


def _long_run_variance(residuals: list[NDArray[np.float64]], lags: int = 15) -> float:
    """Return the variance of residuals' sum a frame, correlation included (Newey & West 1987), of several pieces."""
    total = np.zeros(lags + 1)
    count = 0
    for residual in residuals:
        for lag in range(min(lags, residual.size - 1) + 1):
            total[lag] += float(residual[lag:] @ residual[: residual.size - lag])
        count += residual.size
    weight = 2.0 * (1.0 - np.arange(lags + 1) / (lags + 1))
    weight[0] = 1.0
    return float(weight @ total) / count


def _early(level: NDArray[np.float64], stop: int, trough: int, before: float) -> float:
    """Return the reverberation time of the first 10 dB of a decay, in seconds."""
    fall = level[stop : trough + 1]
    part = fall[: int(np.argmax(fall <= before - 10.0)) + 1]
    if part.size < 3:
        return float("nan")
    return float(-60.0 / np.polyfit(FRAME_S * np.arange(part.size), part, 1)[0])


def _back_at(single: NDArray[np.float64], time: float) -> float:
    """Return the level of a fitted decay so long before its first frame, in dB; time in seconds."""
    return 10.0 / float(np.log(10.0)) * float(single[0]) + 60.0 * time / float(np.exp(single[1]))


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
