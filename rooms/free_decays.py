"""Free decays in an octave of a recording: where its level falls far and freely, each with its time and deviation.

References
----------
P. Kendrick, T. J. Cox, F. F. Li, Y. Zhang & J. A. Chambers, Monaural room acoustic parameters from music and speech,
J. Acoust. Soc. Am. 124, 278 (2008), and their conference paper of 2007: free decays of music, octave by octave, with
two slopes; the shortest of them are the room's (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numba
import numpy as np
from numpy.typing import NDArray

from rooms.decay_fit import FRAME_S, fit_decay, long_run_variance, modelled_decay
from rooms.units import energy_db

__all__ = ["BANDWIDTH_TIME", "FreeDecay", "free_decays", "moving_mean", "quietest", "turns"]

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

FADE_DB = 57.0
"""What partials' beats change of a decay's fall from start to end, as a standard deviation in dB, times the root of the
bandwidth in Hz: a narrow band has few (measured on strings: 3.0, 1.7 and 1.4 dB from 500 Hz to 2 kHz)."""

FADE_MOST_DB = 5.0
"""At most so much."""

BANDWIDTH_TIME = 16.0
"""Least product of bandwidth and reverberation time: below, the filter's own decay is heard (ISO 3382-2, 7.3)."""

_DIGITAL = 1e-12  # energy re the loudest: below it are a file's zeros and the filter's rounding


@dataclass(frozen=True)
class FreeDecay:
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


def moving_mean(energy: NDArray[np.float64], frames: int) -> NDArray[np.float64]:
    """Return the mean over an odd number of frames around each, of fewer at the ends."""
    half = frames // 2
    total = np.concatenate(([0.0], np.cumsum(energy)))
    first = np.maximum(np.arange(energy.size) - half, 0)
    stop = np.minimum(np.arange(energy.size) + half + 1, energy.size)
    return np.asarray(np.maximum(total[stop] - total[first], 0.0) / (stop - first))


def quietest(energy: NDArray[np.float64]) -> float:
    """Return the energy a frame of the quietest 0.31 s, above the zeros of a file."""
    return float(np.min(moving_mean(np.maximum(energy, _DIGITAL * np.max(energy)), 31)[15:-15]))


def free_decays(energy: NDArray[np.float64], quiet: float, bandwidth: float) -> tuple[list[FreeDecay], str]:
    """Return a band's usable decays, and why there is none."""
    least = _DIGITAL * float(np.max(energy))
    smooth = max(round(SMOOTH_S / FRAME_S), round(16.0 / (bandwidth * FRAME_S))) | 1
    level = energy_db(np.maximum(moving_mean(energy, smooth), least))
    fits = []
    longest = 0.0
    for peak, trough in turns(level, TURN_DB):
        longest = max(longest, float(level[peak] - level[trough]))
        before, stop = _stop(level, peak, trough)
        piece = _piece(level, stop, trough, before, float(energy_db(quiet)))
        if piece is None:
            continue
        y = np.maximum(energy[piece[0] : piece[1]], least)
        single, covariance, likelihood = fit_decay(y, 1, quiet)
        if np.isfinite(covariance[1, 1]) and np.exp(single[1]) * bandwidth > BANDWIDTH_TIME:
            drop = _back_at(single, FRAME_S * (piece[0] - stop)) - (before - STOPPED_DB)
            fits.append((y, single, covariance, likelihood, _early(level, stop, trough, before), drop, piece[2]))
    if not fits and longest >= SKIPPED_DB + 2.0 * LEAST_RANGE_DB:
        return [], "cannot tell: it falls too steeply for a room's decay; record ten seconds with a stop, or a clap"
    if not fits:
        least, most = round(SKIPPED_DB + LEAST_RANGE_DB), round(longest)
        text = f"the level never falls freely by {least} dB, the most is {most} dB"
        if most >= least:
            text = f"of falls by {most} dB at most, less than {LEAST_RANGE_DB:.0f} dB are clear of source and noise"
        return [], f"cannot tell: {text}; record ten seconds with a stop, or a clap"
    shape = bandwidth * FRAME_S
    spread = max(1.0, shape * long_run_variance([fit[0] / modelled_decay(fit[1], fit[0].size) - 1.0 for fit in fits]))
    fade = min(FADE_DB / np.sqrt(bandwidth), FADE_MOST_DB)
    found = []
    for y, single, covariance, likelihood, early_s, drop, depth in fits:
        deviation = float(np.hypot(np.sqrt(covariance[1, 1] * spread / shape), fade / depth))
        if deviation > WIDEST:
            continue
        double, _, two = fit_decay(y, 2, quiet)
        ratio = float(np.exp(abs(double[3] - double[1])))
        found.append(FreeDecay(float(single[1]), deviation, early_s, drop, shape / spread * (two - likelihood), ratio))
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
def turns(level, turn):  # type: ignore[no-untyped-def]
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
