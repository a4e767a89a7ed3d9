"""Reads stems: what a file is, its samples block by block at the scene's rate, and what may be wrong with it."""

from __future__ import annotations

import struct
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from itertools import chain, pairwise
from pathlib import Path

import numpy as np
import scipy.fft
import scipy.signal
import soundfile
import soxr
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from render.loudness import LoudnessMeter
from render.naming import SOUND_SUFFIXES
from rooms.errors import InputError, did_you_mean
from rooms.units import level_db

__all__ = ["Listener", "StemDescription", "StemInfo", "describe", "probe", "read_blocks"]

_FORMATS = "WAV, RF64, FLAC, AIFF or OGG"
_UNKNOWN_SIZE = 0xFFFFFFFF

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
class StemInfo:
    """What a stem's header says.

    Attributes
    ----------
    path : Path
        The file.
    sample_rate : int
        In hertz.
    channels : int
        How many.
    frames : int
        Length in samples of one channel.
    subtype : str
        Encoding of a sample, in libsndfile's words.
    time_reference : int
        Samples since midnight of the file's start (EBU Tech 3285); 0 where the file doesn't say.
    """

    path: Path
    sample_rate: int
    channels: int
    frames: int
    subtype: str
    time_reference: int


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


def probe(path: Path) -> StemInfo:
    """Read a stem's header and check that the file is whole.

    Parameters
    ----------
    path : Path
        WAV, RF64, FLAC, AIFF or OGG.

    Returns
    -------
    StemInfo

    Raises
    ------
    InputError
        If it is missing, a folder, empty, not audio, without samples, or shorter than its header says.
    """
    missing_bytes, time_reference = _chunks(path)
    with _opened(path) as file:
        info = StemInfo(path, file.samplerate, file.channels, file.frames, file.subtype, time_reference)
        if info.frames <= 0:
            raise InputError(f"{path}: holds no samples; export it again")
        if missing_bytes > 0:
            raise InputError(f"{path}: cut off, {missing_bytes} bytes short of its header; export it again")
        try:  # compressed files have no byte count, but their last sample is there or not
            file.seek(info.frames - 1)
            whole = len(file.read(1)) == 1
        except soundfile.SoundFileError:
            whole = False
    if not whole:
        raise InputError(f"{path}: cut off, ends before the {info.frames} samples of its header; export it again")
    return info


def read_blocks(
    info: StemInfo,
    sample_rate: int,
    block: int,
    signals: Sequence[Sequence[int]] | None = None,
    listen: Callable[[NDArray[np.float32]], None] | None = None,
    first: int = 0,
) -> Iterator[NDArray[np.float32]]:
    """Read a stem at the scene's sample rate.

    Parameters
    ----------
    info : StemInfo
        The stem.
    sample_rate : int
        Wanted, in hertz; another rate is converted, with no shift in time.
    block : int
        Samples a block.
    signals : sequence of sequences of int, optional
        The channels that each signal is the mean of, counted from 0; left out: each channel is one.
    listen : callable, optional
        Given all samples as they are in the file, (channels, n) of those in use in ascending order, block by block.
    first : int
        Samples left out at the start; not even read, unless the rate is converted.

    Yields
    ------
    (signals, block) float32 array
        Only the last one may be shorter. The total length is the file's times the ratio of the rates, rounded, less
        what is left out.

    Raises
    ------
    InputError
        If the file can't be read to its end, or a sample in use isn't a finite number: it says where the first one is.

    Notes
    -----
    Conversion is flat within 0.01 dB up to 0.9 of the lower rate's half, and what it mirrors stays 120 dB down.
    """
    signals = [[c] for c in range(info.channels)] if signals is None else signals
    used = sorted({channel for signal in signals for channel in signal})
    rows = [[used.index(channel) for channel in signal] for signal in signals]
    converted = info.sample_rate != sample_rate
    blocks = (
        np.stack([samples[row].mean(axis=0) if len(row) > 1 else samples[row[0]] for row in rows])
        for samples in _heard(_file_blocks(info, block, used, 0 if converted else first), listen)
    )
    if not converted:
        return blocks
    length = (2 * info.frames * sample_rate + info.sample_rate) // (2 * info.sample_rate)
    # What a converter gives depends on all it was given before.
    resampled = _without(_resampled(blocks, len(rows), info.sample_rate, sample_rate), first)
    return _cut(resampled, len(rows), block, max(length - first, 0))


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
    for samples in _file_blocks(info, 500 * frame, used):
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


def _opened(path: Path) -> soundfile.SoundFile:
    """Open a sound file, or say why it isn't one."""
    try:
        return soundfile.SoundFile(path)
    except (soundfile.SoundFileError, TypeError) as error:  # TypeError: headerless, by its suffix
        raise InputError(f"{path}: not a sound file that can be read; allowed: {_FORMATS}") from error


def _chunks(path: Path) -> tuple[int, int]:
    """Return how many bytes of samples are missing, and the time reference; 0 and 0 where the format has neither.

    Raises
    ------
    InputError
        If there is no such file, it is a folder, empty, or must not be read.
    """
    if path.is_dir():
        raise InputError(f"{path}: is a folder; name a sound file in it")
    if not path.exists():
        folder = path.parent
        entries = folder.iterdir() if folder.is_dir() else ()
        sounds = [entry.name for entry in entries if entry.suffix.lower() in SOUND_SUFFIXES]
        raise InputError(f"{path}: no such file; {did_you_mean(path.name, sounds)}")
    try:
        file_bytes = path.stat().st_size
        if file_bytes == 0:
            raise InputError(f"{path}: is empty; export it again")
        with path.open("rb") as file:
            form, _, _ = struct.unpack("<4sI4s", file.read(12).ljust(12))
            order = {b"RIFF": "<", b"RF64": "<", b"FORM": ">"}.get(form)
            missing, time_reference, long_size = 0, 0, 0
            while order and len(header := file.read(8)) == 8:
                name, size = struct.unpack(f"{order}4sI", header)
                if name == bytes(4):
                    break  # not a chunk: what follows the last one is none of our business
                start = file.tell()
                if name == b"ds64":  # EBU Tech 3306: sizes of the file, of the data, …
                    long_size = struct.unpack("<QQ", file.read(16).ljust(16, b"\0"))[1]
                elif name == b"bext":  # EBU Tech 3285: after 338 bytes of text
                    time_reference = struct.unpack("<Q", file.read(346).ljust(346, b"\0")[338:])[0]
                elif name in (b"data", b"SSND"):
                    if size == _UNKNOWN_SIZE:
                        size = long_size or file_bytes - start  # a stream never knew its length
                    missing = max(0, start + size - file_bytes)
                file.seek(start + size + size % 2)
    except OSError as error:
        raise InputError(f"cannot read {path}: {error.strerror}") from error
    return missing, time_reference


def _heard(
    blocks: Iterator[NDArray[np.float32]], listen: Callable[[NDArray[np.float32]], None] | None
) -> Iterator[NDArray[np.float32]]:
    """Yield the same blocks after telling them."""
    for samples in blocks:
        if listen is not None:
            listen(samples)
        yield samples


def _file_blocks(info: StemInfo, block: int, channels: Sequence[int], first: int = 0) -> Iterator[NDArray[np.float32]]:
    """Yield (channels, block) arrays as they are in the file from a sample on, of the channels wanted."""
    position = min(first, info.frames)
    with _opened(info.path) as file:
        file.seek(position)
        while position < info.frames:
            try:
                samples = np.ascontiguousarray(file.read(block, dtype="float32", always_2d=True).T[channels])
            except soundfile.SoundFileError:
                samples = np.zeros((len(channels), 0), np.float32)
            if samples.shape[1] == 0:
                raise InputError(
                    f"{info.path}: damaged, can't be read past {position / info.sample_rate:.3f} s; export it again"
                )
            bad = np.argwhere(~np.isfinite(samples.T))
            if bad.size:
                sample, row = bad[0]
                kind = "not a number" if np.isnan(samples[row, sample]) else "an infinite number"
                seconds = (position + int(sample)) / info.sample_rate
                raise InputError(
                    f"{info.path}: {kind} at {seconds:.3f} s, channel {channels[row] + 1}; export it again"
                )
            position += samples.shape[1]
            yield samples


def _resampled(
    blocks: Iterator[NDArray[np.float32]], channels: int, source_rate: int, sample_rate: int
) -> Iterator[NDArray[np.float32]]:
    """Yield (channels, n) arrays at the other rate, aligned in time."""
    stream = soxr.ResampleStream(source_rate, sample_rate, channels, dtype="float32", quality="VHQ")
    for block in blocks:
        yield stream.resample_chunk(np.ascontiguousarray(block.T)).T
    yield stream.resample_chunk(np.zeros((0, channels), np.float32), last=True).T


def _without(pieces: Iterator[NDArray[np.float32]], first: int) -> Iterator[NDArray[np.float32]]:
    """Yield the same samples, less so many at the start."""
    for piece in pieces:
        yield piece[:, first:]
        first = max(first - piece.shape[1], 0)


def _cut(
    pieces: Iterator[NDArray[np.float32]], channels: int, block: int, length: int
) -> Iterator[NDArray[np.float32]]:
    """Yield the same samples in blocks, `length` in total: the resampler may be one short or over."""
    kept = np.zeros((channels, 0), np.float32)
    for piece in chain(pieces, [np.zeros((channels, 1), np.float32)]):
        kept = np.concatenate([kept, piece], axis=1)
        while kept.shape[1] >= block and length >= block:
            yield kept[:, :block].copy()
            kept = kept[:, block:]
            length -= block
    if length:
        yield kept[:, :length].copy()


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
