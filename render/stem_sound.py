"""What a stem sounds like, and what may be wrong with it: clipping, silence, an offset, cancelling sides, a hall."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import scipy.fft
import scipy.signal
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from render.loudness import LoudnessMeter
from render.stems import StemInfo, read_blocks
from rooms.units import level_db

__all__ = ["Listener", "StemDescription", "describe"]

_CLIP_RUN = 3  # samples
_EIGHT_BIT = ("PCM_U8", "PCM_S8")
_SILENT_DBFS = -60.0
_LARGEST_OFFSET = 0.005  # of full scale
_DECAY_BAND_HZ = (500.0, 2000.0)
_DECAY_RANGE_DB = 30.0
_DECAY_HOLD = 20  # frames of 10 ms: so long a level must stay down to count as fallen
# Measured: sampled strings with their own release up to 1.5 s, the same in 2 s of reverberation 1.7 s and
# more. What is shorter can be either; what is longer than 6 s is a diminuendo rather than a hall.
_LONGEST_RELEASE_S = 1.6
_LONGEST_DECAY_S = 6.0
# Two sides that have nothing in common lose 3 dB when folded; what loses more than 6 dB cancels.
_LARGEST_FOLD_LOSS_DB = 6.0
_FOLD_RANGE_DB = 50.0  # a third octave farther below the loudest one isn't heard, whatever it loses
_EVERYTHING_DB = 60.0  # as good as; rounding leaves no more of opposite sides
_FOLD_WINDOW_S = 0.35  # two bins and more in the lowest third octave
_THIRD_OCTAVES = 10.0 ** (np.arange(14, 44) / 10)  # Hz: 25 Hz to 20 kHz (IEC 61260-1:2014, base ten)
_NOMINAL = (1, 1.25, 1.6, 2, 2.5, 3.15, 4, 5, 6.3, 8)  # what third octaves are called, each decade alike


@dataclass(frozen=True)
class StemDescription:
    """What a stem sounds like, in numbers.

    Attributes
    ----------
    info : StemInfo
        What its header says.
    length_s : float
        In seconds.
    peak_dbfs : float
        Highest sample, dB re full scale; minus infinity for digital silence.
    lufs : float or None
        Integrated loudness (ITU-R BS.1770-4), None where it isn't defined.
    lufs_reason : str or None
        Why it isn't defined.
    dc_offset : float
        Mean of the channel that is farther off zero, re full scale.
    warnings : tuple of str
        What may be wrong, a plain sentence each.
    """

    info: StemInfo
    length_s: float
    peak_dbfs: float
    lufs: float | None
    lufs_reason: str | None
    dc_offset: float
    warnings: tuple[str, ...]


class Listener:
    """Notes what may be wrong with a stem while its samples go by: clipping, silence, an offset, cancelling sides.

    Parameters
    ----------
    info : StemInfo
        What its header says.
    channels : int
        How many of its channels are in use.
    fold : bool
        Whether they are folded to one.
    """

    def __init__(self, info: StemInfo, channels: int, fold: bool = False) -> None:
        self.peak = 0.0
        self._rate = info.sample_rate
        # The highest value an encoding has; 16 bit's for all that have more.
        self._full_scale = 1 - 2.0 ** (-7 if info.subtype in _EIGHT_BIT else -15)
        self._total = np.zeros(channels)
        self._counted = 0
        self._clips, self._first_clip = 0, 0
        self._before = np.zeros((channels, _CLIP_RUN), np.float32)
        self._folding = _Folding(info.sample_rate) if fold and channels == 2 else None

    @property
    def dc_offset(self) -> float:
        """Mean of the channel that is farther off zero, re full scale."""
        return float(max(self._total / max(self._counted, 1), key=abs))

    def add(self, samples: NDArray[np.float32]) -> None:
        """Take the next (channels, n) samples at the stem's own rate."""
        peak = float(max(samples.max(initial=0.0), -samples.min(initial=0.0)))
        self.peak = max(self.peak, peak)
        self._total += samples.sum(axis=1, dtype=np.float64)
        if peak >= self._full_scale:  # a run is known at its third sample, so no other block can show one
            starts = _clip_starts(np.concatenate([self._before, samples], axis=1), self._full_scale)
            if starts.size and not self._clips:
                self._first_clip = self._counted + int(starts[0])
            self._clips += starts.size
        self._before = np.concatenate([self._before, samples[:, -_CLIP_RUN:]], axis=1)[:, -_CLIP_RUN:]
        self._counted += samples.shape[1]
        if self._folding is not None:
            self._folding.add(samples)

    def warnings(self) -> list[str]:
        """Return what may be wrong, a plain sentence each."""
        found = []
        if self._clips:
            times = "once" if self._clips == 1 else f"{self._clips} times"
            found.append(
                f"clipped: {times} at full scale for {_CLIP_RUN} samples or more, "
                f"first at {self._first_clip / self._rate:.3f} s"
            )
        peak_dbfs = float(level_db(self.peak))
        if peak_dbfs < _SILENT_DBFS:
            found.append("silent: " + (f"peaks at {peak_dbfs:.1f} dBFS" if self.peak else "every sample is zero"))
        if abs(self.dc_offset) > _LARGEST_OFFSET:
            found.append(f"has a DC offset of {100 * self.dc_offset:.1f} % of full scale")
        if self._folding is not None and (lost := self._folding.lost()):
            worst = max(lost, key=lambda band: lost[band])
            others = f", and more than {_LARGEST_FOLD_LOSS_DB:g} dB in {len(lost) - 1} more" if len(lost) > 1 else ""
            much = f"{lost[worst]:.1f} dB" if lost[worst] < _EVERYTHING_DB else "everything"
            found.append(
                f"its sides cancel when folded: the third octave at {worst} Hz loses {much}{others}; "
                "leave fold out to seat them as halves, or choose one of its channels"
            )
        return found


class _Folding:
    """What a stereo signal loses when its sides are folded, by third octaves, from spectra of half-lapped windows."""

    def __init__(self, sample_rate: int) -> None:
        self._rate = sample_rate
        self._size = 1 << round(np.log2(_FOLD_WINDOW_S * sample_rate))
        self._window = np.hanning(self._size).astype(np.float32)
        self._kept = np.zeros((2, self._size // 2), np.float32)  # so that the first samples are in two windows too
        self._before = np.zeros(self._size // 2 + 1)  # energy of the sides, their mean
        self._after = np.zeros(self._size // 2 + 1)  # energy of the fold

    def add(self, both: NDArray[np.float32]) -> None:
        """Take the next (2, n) samples."""
        known = np.concatenate([self._kept, both], axis=1)
        hop = self._size // 2
        count = max(0, known.shape[1] // hop - 1)
        if count:
            windows = sliding_window_view(known, self._size, axis=1)[:, ::hop] * self._window
            left, right = scipy.fft.rfft(windows)
            self._before += ((np.abs(left) ** 2 + np.abs(right) ** 2) / 2).sum(axis=0)
            self._after += (np.abs((left + right) / 2) ** 2).sum(axis=0)
        self._kept = known[:, count * hop :]

    def lost(self) -> dict[str, float]:
        """Return by the name of the third octave the loss in dB, where it is more than `_LARGEST_FOLD_LOSS_DB`."""
        self.add(np.zeros((2, self._size), np.float32))
        frequencies = np.arange(self._before.size) * self._rate / self._size
        bands = _THIRD_OCTAVES[_THIRD_OCTAVES < 0.45 * self._rate]
        edges = np.searchsorted(frequencies, np.append(bands, bands[-1] * 10**0.1) * 10**-0.05)
        sums = [[e[a:b].sum() for a, b in pairwise(edges)] for e in (self._before, self._after)]
        before, after = 10 * np.log10(np.array(sums) + 1e-30)
        heard = before > max(before.max() - _FOLD_RANGE_DB, -200.0)
        loss = before - np.maximum(after, before - _EVERYTHING_DB)
        names = [f"{_NOMINAL[n % 10] * 10.0 ** (n // 10):g}" for n in range(14, 14 + len(bands))]
        return {
            name: float(value)
            for name, value, counts in zip(names, loss, heard, strict=True)
            if counts and value > _LARGEST_FOLD_LOSS_DB
        }


def describe(info: StemInfo, channels: Sequence[int] | None = None, *, fold: bool = False) -> StemDescription:
    """Listen through a stem once and note what may be wrong with it.

    Parameters
    ----------
    info : StemInfo
        The stem.
    channels : sequence of int, optional
        Those in use, counted from 0; left out: all.
    fold : bool
        Whether they are folded to one.

    Returns
    -------
    StemDescription
        Its warnings name what a `Listener` notes, and decays so slow that the stem hardly is dry.

    Raises
    ------
    InputError
        As `read_blocks`.
    """
    used = sorted(set(channels)) if channels is not None else list(range(info.channels))
    meter = LoudnessMeter(info.sample_rate, len(used))
    listener = Listener(info, len(used), fold)
    energies = []
    frame = max(1, info.sample_rate // 100)
    band = np.minimum(_DECAY_BAND_HZ, np.array([0.2, 0.45]) * info.sample_rate)
    sections = scipy.signal.butter(2, band, "bandpass", fs=info.sample_rate, output="sos")
    state = np.zeros((len(sections), len(used), 2))
    for samples in read_blocks(info, info.sample_rate, 500 * frame, [[channel] for channel in used]):
        meter.add(samples)
        listener.add(samples)
        filtered, state = scipy.signal.sosfilt(sections, samples, zi=state)
        whole = filtered[:, : samples.shape[1] // frame * frame].reshape(len(used), -1, frame)
        energies.append(np.einsum("cfn,cfn->f", whole, whole))
    loudness = meter.result()
    warnings = listener.warnings()
    decay_s = _fastest_decay_s(np.concatenate(energies))
    if decay_s is not None and decay_s > _LONGEST_RELEASE_S:
        warnings.append(
            f"notes decay with about {decay_s:.1f} s (to −60 dB): not dry, unless the instrument rings so long"
        )
    return StemDescription(
        info,
        info.frames / info.sample_rate,
        loudness.peak_dbfs,
        loudness.lufs,
        loudness.reason,
        listener.dc_offset,
        tuple(warnings),
    )


def _clip_starts(samples: NDArray[np.float32], full_scale: float) -> NDArray[np.int64]:
    """Return where runs of equal samples at full scale begin; the first three samples are of the block before."""
    full = np.abs(samples) >= full_scale
    level = full[:, 2:] & (samples[:, 2:] == samples[:, 1:-1]) & (samples[:, 1:-1] == samples[:, :-2])
    # A run is known at its third sample, two after it began.
    return np.sort(np.nonzero(level[:, 1:] & ~level[:, :-1])[1]) - (_CLIP_RUN - 1)


def _fastest_decay_s(energies: NDArray[np.float64]) -> float | None:
    """Return the reverberation time that the fastest fall of level would be, in seconds; None if above 6 s.

    Parameters
    ----------
    energies : (frames,) array
        Of consecutive frames of 10 ms.

    Notes
    -----
    In a reverberant field no level falls faster than the room decays, so the fastest fall tells at most the room's own
    decay. A fall counts from within 30 dB of the loudest frame, over 30 dB, and only if the level then stays down for
    0.2 s. Measured on notes in decaying noise: 10 % short of the room's time, while the direct sound is at most 5 dB
    above the reverberant; 15 dB above, half of it is found. So a close microphone in a hall may pass for dry.
    """
    if energies.size < 5 or not energies.any():
        return None
    level = 10 * np.log10(np.convolve(energies, np.ones(5) / 5, "same") + 1e-20 * energies.max())
    ahead = sliding_window_view(np.pad(level, (0, _DECAY_HOLD - 1), mode="edge"), _DECAY_HOLD).max(axis=1)
    loud = level > level.max() - 30
    longest = round(_LONGEST_DECAY_S * 100 * _DECAY_RANGE_DB / 60)
    for frames in range(1, min(level.size, longest + 1)):
        if np.any(loud[:-frames] & (level[:-frames] - ahead[frames:] >= _DECAY_RANGE_DB)):
            return frames * 0.01 * 60 / _DECAY_RANGE_DB
    return None
