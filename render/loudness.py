"""Loudness and peaks of audio that streams by, block by block.

Integrated loudness after ITU-R BS.1770-4 for mono and stereo, true peak after its annex 2, sample peak.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.signal
import soxr
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray
from pyloudnorm.iirfilter import IIRfilter

__all__ = ["Loudness", "LoudnessMeter"]

_ABSOLUTE_GATE_LUFS = -70.0  # ITU-R BS.1770-4, eq. 6
_RELATIVE_GATE_LU = -10.0  # ITU-R BS.1770-4, eq. 6
_OFFSET_DB = -0.691  # ITU-R BS.1770-4, eq. 2
# Gain in dB, quality, frequency in Hz of pyloudnorm's filter class "DeMan". Its default K-weighting reads
# 0.04 LU low; these give the standard's coefficients at 48 kHz (tables 1 and 2) to eight digits.
_K_WEIGHTING = {
    "high_shelf_DeMan": (3.99984385397, 0.7071752369554193, 1681.9744509555319),
    "high_pass_DeMan": (0.0, 0.5003270373253953, 38.13547087613982),
}
_CHANNELS_WITH_LOUDNESS = 2  # mono and stereo, both weighted 1 (ITU-R BS.1770-4, table 3)
_STEPS = 4  # 400 ms blocks that overlap by 75 %: one starts every 100 ms
_PIECE = 16384  # samples oversampled at once
_OVERSAMPLING = 4  # ITU-R BS.1770-4, annex 2: at least four times at 48 kHz


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


class LoudnessMeter:
    """Measures audio fed block by block, cut anywhere; keeps one number for each 100 ms.

    Parameters
    ----------
    sample_rate : int
        In hertz.
    channels : int
        1 or more. Loudness is defined here for loudspeaker signals of one or two channels; for more the peaks
        are measured and `lufs` is None.
    """

    def __init__(self, sample_rate: int, channels: int) -> None:
        self._step = sample_rate / 10  # samples; not whole at 11025 Hz and its like
        self._channels = channels
        stages = (IIRfilter(*parameters, sample_rate, kind) for kind, parameters in _K_WEIGHTING.items())
        self._stages = [(stage.b, stage.a) for stage in stages]
        self._states = [np.zeros((channels, 2)) for _ in self._stages]
        self._oversampler = soxr.ResampleStream(
            sample_rate, _OVERSAMPLING * sample_rate, channels, dtype="float32", quality="HQ"
        )
        self._counted = 0
        self._energies: list[float] = []  # of whole steps, summed over channels
        self._open_energy = 0.0
        self._peak = 0.0
        self._true_peak = 0.0

    def add(self, block: NDArray[np.float32]) -> None:
        """Take the next (channels, n) samples."""
        if block.shape[1] == 0:
            return
        self._peak = max(self._peak, float(np.abs(block).max()))
        self._oversample(block, last=False)
        if self._channels <= _CHANNELS_WITH_LOUDNESS:
            self._weigh(block)

    def result(self) -> Loudness:
        """Return the reading of all that was added; nothing can be added after it."""
        self._oversample(np.zeros((self._channels, 0), np.float32), last=True)
        lufs, reason = self._integrated()
        with np.errstate(divide="ignore"):  # silence: minus infinity
            peak, true_peak = 20 * np.log10([self._peak, max(self._peak, self._true_peak)])
        return Loudness(lufs, reason, float(peak), float(true_peak))

    def _weigh(self, block: NDArray[np.float32]) -> None:
        """Add the energy of the K-weighted block to the steps it belongs to."""
        weighted = block.astype(np.float64)
        for index, (b, a) in enumerate(self._stages):
            weighted, self._states[index] = scipy.signal.lfilter(b, a, weighted, zi=self._states[index])
        squares = np.einsum("cn,cn->n", weighted, weighted)
        done = self._counted + squares.size
        # Where steps end within this block; the last piece stays open.
        ends = np.floor(np.arange(len(self._energies) + 1, done / self._step + 1) * self._step).astype(int)
        pieces = np.split(squares, ends[ends <= done] - self._counted)
        for piece in pieces[:-1]:
            self._energies.append(self._open_energy + float(piece.sum()))
            self._open_energy = 0.0
        self._open_energy += float(pieces[-1].sum())
        self._counted = done

    def _oversample(self, block: NDArray[np.float32], *, last: bool) -> None:
        """Keep the highest value between the samples."""
        # The resampler keeps room for four times the longest piece it was ever given, so it gets short ones.
        for start in range(0, max(block.shape[1], 1), _PIECE):
            piece = np.ascontiguousarray(block[:, start : start + _PIECE].T)
            dense = self._oversampler.resample_chunk(piece, last=last)
            if dense.size:
                self._true_peak = max(self._true_peak, float(np.abs(dense).max()))

    def _integrated(self) -> tuple[float | None, str | None]:
        """Return the gated loudness, or the reason why there is none."""
        if self._channels > _CHANNELS_WITH_LOUDNESS:
            return None, f"loudness is defined for mono and stereo, not for {self._channels} channels"
        if len(self._energies) < _STEPS:
            return None, f"shorter than 0.4 s ({self._counted} of {_STEPS * self._step:.0f} samples)"
        # ITU-R BS.1770-4, eq. 3: mean square of each 400 ms block, channels weighted 1.
        power = sliding_window_view(np.array(self._energies), _STEPS).sum(-1) / (_STEPS * self._step)
        loud = power[power > _power(_ABSOLUTE_GATE_LUFS)]
        if loud.size == 0:
            return None, f"nowhere above the gate at {_ABSOLUTE_GATE_LUFS:.0f} LUFS"
        relative_gate = loud.mean() * 10 ** (_RELATIVE_GATE_LU / 10)  # eq. 6
        return float(_OFFSET_DB + 10 * np.log10(loud[loud > relative_gate].mean())), None  # eq. 7


def _power(lufs: float) -> float:
    """Return the weighted mean square that has this loudness (ITU-R BS.1770-4, eq. 2 solved)."""
    return 10 ** ((lufs - _OFFSET_DB) / 10)
