"""Loudness and peaks of audio that streams by, block by block.

Integrated loudness after ITU-R BS.1770-4 for mono, stereo and loudspeakers around, true peak after its annex 2,
sample peak. What is read depends neither on how the audio is cut nor on what is measured beside it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray
from pyloudnorm.iirfilter import IIRfilter
from scipy.signal import firwin

__all__ = ["Loudness", "LoudnessMeter", "channel_weights", "gain_to", "matching_gains"]

_ABSOLUTE_GATE_LUFS = -70.0  # ITU-R BS.1770-4, eq. 6
_RELATIVE_GATE_LU = -10.0  # ITU-R BS.1770-4, eq. 6
_OFFSET_DB = -0.691  # ITU-R BS.1770-4, eq. 2
# Gain in dB, quality, frequency in Hz of pyloudnorm's filter class "DeMan". Its default K-weighting reads
# 0.04 LU low; these give the standard's coefficients at 48 kHz (tables 1 and 2) to eight digits.
_K_WEIGHTING = {
    "high_shelf_DeMan": (3.99984385397, 0.7071752369554193, 1681.9744509555319),
    "high_pass_DeMan": (0.0, 0.5003270373253953, 38.13547087613982),
}
_SURROUND_WEIGHT = 1.41  # ITU-R BS.1770-4, table 3
_STEPS = 4  # 400 ms blocks that overlap by 75 %: one starts every 100 ms
_OVERSAMPLING = 4  # ITU-R BS.1770-4, annex 2: at least four times at 48 kHz
# Taps between two samples. The annex' own table has 12; these are flat to 0.01 dB up to 0.45 of the sample rate.
_TAPS = 64
_NEAR = 8  # the taps around the gap, which decide whether the others are worth adding up
_SPAN = 64  # samples that share a bound for what is farther away


@dataclass(frozen=True)
class Loudness:
    """What a meter read.

    Attributes
    ----------
    lufs : float or None
        Integrated loudness; None where it isn't defined.
    reason : str or None
        Why the loudness isn't defined.
    peak_dbfs : float
        Highest sample, dB re full scale; minus infinity for silence.
    true_peak_dbtp : float
        Highest value of the four times oversampled signal, dB re full scale; minus infinity for silence.
    """

    lufs: float | None
    reason: str | None
    peak_dbfs: float
    true_peak_dbtp: float


def channel_weights(loudspeakers: Sequence[str]) -> tuple[float, ...]:
    """Return the weight of each loudspeaker's energy in loudness.

    1.41 for those at 60° to 120° to the sides and less than 30° up, 0 for low frequencies, 1 for all others (ITU-R
    BS.1770-4, annex 1, table 3, and annex 3, table 4): the sides, or where there are none the only pair of surrounds.
    """
    beside = ("SL", "SR") if "SL" in loudspeakers else ("BL", "BR")
    weights = {"LFE": 0.0} | dict.fromkeys(beside, _SURROUND_WEIGHT)
    return tuple(weights.get(name, 1.0) for name in loudspeakers)


def gain_to(found: Loudness, lufs: float, true_peak_dbtp: float) -> float | None:
    """Return the gain in dB that brings audio to a loudness, or less, to keep its true peak at or below a ceiling.

    Parameters
    ----------
    found : Loudness
        What a meter read of it.
    lufs : float
        Wanted.
    true_peak_dbtp : float
        The ceiling.

    Returns
    -------
    float or None
        None where it has no loudness; `found.reason` says why.
    """
    if found.lufs is None:
        return None
    return min(lufs - found.lufs, true_peak_dbtp - found.true_peak_dbtp)


def matching_gains(found: Sequence[Loudness], lufs: float, true_peak_dbtp: float) -> tuple[list[float], float]:
    """Return gains in dB that make sounds equally loud, and how loud, so that none is preferred for its level.

    Parameters
    ----------
    found : sequence of Loudness
        What a meter read of each; one without a loudness gets 0 dB.
    lufs : float
        Wanted; less where the peaks of one of them ask for it.
    true_peak_dbtp : float
        The ceiling.
    """
    heard = [of for of in found if of.lufs is not None]
    reached = min([lufs, *((of.lufs or 0.0) + true_peak_dbtp - of.true_peak_dbtp for of in heard)])
    return [0.0 if of.lufs is None else reached - of.lufs for of in found], reached


class LoudnessMeter:
    """Measures audio fed block by block, cut anywhere; keeps one number for each 100 ms.

    Parameters
    ----------
    sample_rate : int
        In hertz.
    channels : int
        1 or more.
    weights : sequence of float, optional
        Of each channel's energy, see `channel_weights`; left out: 1 for one or two channels, and for more, which have
        no loudness then, the peaks are measured and `lufs` is None.
    """

    def __init__(self, sample_rate: int, channels: int, weights: Sequence[float] | None = None) -> None:
        self._step = sample_rate / 10  # samples; not whole at 11025 Hz and its like
        self._channels = channels
        self._weights = np.array(weights if weights is not None else [1.0] * channels if channels <= 2 else [])
        stages = (IIRfilter(*parameters, sample_rate, kind) for kind, parameters in _K_WEIGHTING.items())
        self._stages = np.array([(stage.b, stage.a) for stage in stages])
        self._states = np.zeros((channels, 2, 2))
        self._recent = np.zeros((channels, _TAPS), np.float32)  # what the next gaps' taps reach back to
        self._counted = 0
        self._energies: list[float] = []  # of whole steps, summed over channels
        self._open_energy = 0.0
        self._peak = 0.0
        self._true_peak = 0.0

    def add(self, block: NDArray[np.float32]) -> None:
        """Take the next (channels, n) samples."""
        if block.shape[1] == 0:
            return
        self._peak = max(self._peak, float(block.max()), -float(block.min()))
        self._oversample(block)
        if self._weights.size:
            self._weigh(block)

    def result(self) -> Loudness:
        """Return the reading of all that was added; nothing can be added after it."""
        self._oversample(np.zeros((self._channels, _TAPS), np.float32))  # the last gaps lie behind the last sample
        lufs, reason = self._integrated()
        with np.errstate(divide="ignore"):  # silence: minus infinity
            peak, true_peak = 20 * np.log10([self._peak, max(self._peak, self._true_peak)])
        return Loudness(lufs, reason, float(peak), float(true_peak))

    def _weigh(self, block: NDArray[np.float32]) -> None:
        """Add the energy of the K-weighted block to the steps it belongs to."""
        squares = _weighted_squares(block, self._weights, self._stages, self._states)
        done = self._counted + squares.size
        # Where steps end within this block; the last piece stays open.
        ends = np.floor(np.arange(len(self._energies) + 1, done / self._step + 1) * self._step).astype(int)
        pieces = np.split(squares, ends[ends <= done] - self._counted)
        for piece in pieces[:-1]:
            self._energies.append(self._open_energy + float(piece.sum()))
            self._open_energy = 0.0
        self._open_energy += float(pieces[-1].sum())
        self._counted = done

    def _oversample(self, block: NDArray[np.float32]) -> None:
        """Keep the highest value between the samples."""
        joined = np.concatenate([self._recent, block], axis=1)
        self._recent = joined[:, -_TAPS:]
        for samples in joined:
            self._true_peak = _highest_between(samples, _GAPS, self._true_peak)

    def _integrated(self) -> tuple[float | None, str | None]:
        """Return the gated loudness, or the reason why there is none."""
        if not self._weights.size:
            return (
                None,
                f"loudness is defined for mono, stereo and loudspeakers around, not for {self._channels} channels",
            )
        if len(self._energies) < _STEPS:
            return None, f"shorter than 0.4 s ({self._counted} of {_STEPS * self._step:.0f} samples)"
        # ITU-R BS.1770-4, eq. 3: mean square of each 400 ms block, channels weighted.
        power = sliding_window_view(np.array(self._energies), _STEPS).sum(-1) / (_STEPS * self._step)
        loud = power[power > _power(_ABSOLUTE_GATE_LUFS)]
        if loud.size == 0:
            return None, f"nowhere above the gate at {_ABSOLUTE_GATE_LUFS:.0f} LUFS"
        relative_gate = loud.mean() * 10 ** (_RELATIVE_GATE_LU / 10)  # eq. 6
        return float(_OFFSET_DB + 10 * np.log10(loud[loud > relative_gate].mean())), None  # eq. 7


def _gap_filters() -> NDArray[np.float32]:
    """Return the taps that give the values at 1/4, 1/2 and 3/4 between two samples, shape (3, taps)."""
    taps = firwin(_OVERSAMPLING * _TAPS - 1, 1 / _OVERSAMPLING, window=("kaiser", 8.0))
    phases = np.append(taps, 0.0).reshape(_TAPS, _OVERSAMPLING).T[:, ::-1]
    # The middle tap belongs to the samples themselves, which are known already.
    values: NDArray[np.float32] = (phases[:3] / phases[:3].sum(axis=1, keepdims=True)).astype(np.float32)
    return values


_GAPS = _gap_filters()


@njit(nogil=True, cache=True)
def _weighted_squares(
    block: NDArray[np.float32],
    weights: NDArray[np.float64],
    stages: NDArray[np.float64],
    states: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Return the squares of the filtered (channels, n) samples, summed over channels with weights; the states move on.

    Two second-order filters, each as its transposed direct form II.
    """
    squares = np.zeros(block.shape[1])
    (b0, b1, b2), (_, a1, a2) = stages[0]
    (d0, d1, d2), (_, c1, c2) = stages[1]
    for channel in range(block.shape[0]):
        (s1, s2), (t1, t2) = states[channel]
        weight = weights[channel]
        for n in range(block.shape[1]):
            x = np.float64(block[channel, n])
            y = b0 * x + s1
            s1 = b1 * x - a1 * y + s2
            s2 = b2 * x - a2 * y
            z = d0 * y + t1
            t1 = d1 * y - c1 * z + t2
            t2 = d2 * y - c2 * z
            squares[n] += weight * z * z
        states[channel, 0, 0], states[channel, 0, 1] = s1, s2
        states[channel, 1, 0], states[channel, 1, 1] = t1, t2
    return squares


@njit(nogil=True, fastmath={"nnan", "nsz"}, cache=True)
def _highest_between(samples: NDArray[np.float32], gaps: NDArray[np.float32], peak: float) -> float:
    """Return the highest magnitude between the samples, or `peak` if that is higher.

    Where the near taps' sum and the most that the far ones can add stay below what was found, the far ones are
    left out; the result is the same. (There is no NaN here: what is measured has been written.)
    """
    taps = gaps.shape[1]
    first = (taps - _NEAR) // 2
    near = np.empty(_SPAN, np.float32)
    of_all = [np.abs(gap).sum() for gap in gaps]
    of_near = [np.abs(gap[first : first + _NEAR]).sum() for gap in gaps]
    for start in range(0, samples.size - taps, _SPAN):
        count = min(_SPAN, samples.size - taps - start)
        loudest = np.float32(0)
        for sample in samples[start : start + count + taps]:
            loudest = max(loudest, abs(sample))
        for g, gap in enumerate(gaps):
            most = of_all[g] * loudest
            if most <= peak:
                continue
            near[:] = 0
            for k in range(first, first + _NEAR):
                tap, moved = gap[k], samples[start + k : start + k + count]
                for n in range(moved.size):
                    near[n] += tap * moved[n]
            far = 1.0001 * (most - of_near[g] * loudest)  # a little more, for rounding
            for n in range(count):
                if abs(near[n]) + far > peak:
                    value = 0.0
                    for k in range(taps):
                        value += gap[k] * samples[start + n + k]
                    peak = max(peak, abs(value))
    return peak


def _power(lufs: float) -> float:
    """Return the weighted mean square that has this loudness (ITU-R BS.1770-4, eq. 2 solved)."""
    return 10 ** ((lufs - _OFFSET_DB) / 10)
