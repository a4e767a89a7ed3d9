"""Reads stems: what a file is, its samples block by block at the scene's rate, and what may be wrong with it."""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import chain
from pathlib import Path

import numpy as np
import scipy.signal
import soundfile
import soxr
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from render.loudness import LoudnessMeter
from rooms.errors import InputError, did_you_mean

__all__ = ["StemDescription", "StemInfo", "describe", "probe", "read_blocks"]

_SUFFIXES = {".wav", ".wave", ".rf64", ".flac", ".aif", ".aiff", ".aifc", ".ogg", ".oga"}
_FORMATS = "WAV, RF64, FLAC, AIFF or OGG"
_UNKNOWN_SIZE = 0xFFFFFFFF

_CLIP_RUN = 3  # samples
_FULL_SCALE = 1 - 2.0**-15  # the highest value of 16 bit, the coarsest encoding in use
_SILENT_DBFS = -60.0
_LARGEST_OFFSET = 0.005  # of full scale
_DECAY_BAND_HZ = (500.0, 2000.0)
_DECAY_RANGE_DB = 30.0
_DECAY_HOLD = 20  # frames of 10 ms: so long a level must stay down to count as fallen
# Measured: sampled strings with their own release up to 1.5 s, the same in 2 s of reverberation 1.7 s and
# more. What is shorter can be either; what is longer than 6 s is a diminuendo rather than a hall.
_LONGEST_RELEASE_S = 1.6
_LONGEST_DECAY_S = 6.0


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
        1 or 2.
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
        If it is missing, a folder, empty, not audio, without samples, shorter than its header says, or of more
        than two channels.
    """
    missing_bytes, time_reference = _chunks(path)
    with _opened(path) as file:
        info = StemInfo(path, file.samplerate, file.channels, file.frames, file.subtype, time_reference)
        if info.channels > 2:
            raise InputError(f"{path}: has {info.channels} channels; a stem has 1 or 2; split the file")
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


def read_blocks(path: Path, sample_rate: int, block: int, *, fold: bool = False) -> Iterator[NDArray[np.float32]]:
    """Read a stem at the scene's sample rate.

    Parameters
    ----------
    path : Path
        The stem.
    sample_rate : int
        Wanted, in hertz; another rate is converted, with no shift in time.
    block : int
        Samples a block.
    fold : bool
        Whether two channels become their mean.

    Yields
    ------
    (channels, block) float32 array
        Only the last one may be shorter. The total length is the file's times the ratio of the rates, rounded.

    Raises
    ------
    InputError
        As `probe`, and if a sample isn't a finite number: it says where the first one is.
    """
    info = probe(path)
    blocks = _file_blocks(info, block)
    if fold and info.channels == 2:
        blocks = (both.mean(axis=0, keepdims=True) for both in blocks)
    if info.sample_rate == sample_rate:
        return blocks
    channels = 1 if fold else info.channels
    length = (2 * info.frames * sample_rate + info.sample_rate) // (2 * info.sample_rate)
    return _cut(_resampled(blocks, channels, info.sample_rate, sample_rate), channels, block, length)


def describe(path: Path) -> StemDescription:
    """Listen through a stem once and note what may be wrong with it.

    Parameters
    ----------
    path : Path
        The stem.

    Returns
    -------
    StemDescription
        Its warnings name clipping, silence, an offset, and decays so slow that the stem hardly is dry.

    Raises
    ------
    InputError
        As `read_blocks`.
    """
    info = probe(path)
    meter = LoudnessMeter(info.sample_rate, info.channels)
    total = np.zeros(info.channels)
    clips, first_clip_s = 0, 0.0
    before = np.zeros((info.channels, _CLIP_RUN), np.float32)
    energies = []
    frame = max(1, info.sample_rate // 100)
    band = np.minimum(_DECAY_BAND_HZ, np.array([0.2, 0.45]) * info.sample_rate)
    sections = scipy.signal.butter(2, band, "bandpass", fs=info.sample_rate, output="sos")
    state = np.zeros((len(sections), info.channels, 2))
    for index, samples in enumerate(_file_blocks(info, 500 * frame)):
        meter.add(samples)
        total += samples.sum(axis=1, dtype=np.float64)
        starts = _clip_starts(np.concatenate([before, samples], axis=1))
        if starts.size and not clips:
            first_clip_s = (index * 500 * frame + int(starts[0])) / info.sample_rate
        clips += starts.size
        before = np.concatenate([before, samples], axis=1)[:, -_CLIP_RUN:]
        filtered, state = scipy.signal.sosfilt(sections, samples, zi=state)
        whole = filtered[:, : samples.shape[1] // frame * frame].reshape(info.channels, -1, frame)
        energies.append(np.einsum("cfn,cfn->f", whole, whole))
    loudness = meter.result()
    offset = float(max(total / info.frames, key=abs))

    warnings = []
    if clips:
        warnings.append(
            f"clipped: {clips} times at full scale for {_CLIP_RUN} samples or more, first at {first_clip_s:.3f} s"
        )
    if loudness.peak_dbfs < _SILENT_DBFS:
        warnings.append(f"silent: peaks at {loudness.peak_dbfs:.1f} dBFS")
    if abs(offset) > _LARGEST_OFFSET:
        warnings.append(f"has a DC offset of {100 * offset:.1f} % of full scale")
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
        offset,
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
        sounds = [entry.name for entry in entries if entry.suffix.lower() in _SUFFIXES]
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


def _file_blocks(info: StemInfo, block: int) -> Iterator[NDArray[np.float32]]:
    """Yield (channels, block) arrays as they are in the file."""
    position = 0
    with _opened(info.path) as file:
        while position < info.frames:
            try:
                samples = file.read(block, dtype="float32", always_2d=True).T
            except soundfile.SoundFileError:
                samples = np.zeros((info.channels, 0), np.float32)
            if samples.shape[1] == 0:
                raise InputError(
                    f"{info.path}: damaged, can't be read past {position / info.sample_rate:.3f} s; export it again"
                )
            bad = np.argwhere(~np.isfinite(samples.T))
            if bad.size:
                sample, channel = bad[0]
                kind = "not a number" if np.isnan(samples[channel, sample]) else "an infinite number"
                seconds = (position + int(sample)) / info.sample_rate
                raise InputError(f"{info.path}: {kind} at {seconds:.3f} s, channel {channel + 1}; export it again")
            position += samples.shape[1]
            yield np.ascontiguousarray(samples)


def _resampled(
    blocks: Iterator[NDArray[np.float32]], channels: int, source_rate: int, sample_rate: int
) -> Iterator[NDArray[np.float32]]:
    """Yield (channels, n) arrays at the other rate, aligned in time."""
    stream = soxr.ResampleStream(source_rate, sample_rate, channels, dtype="float32", quality="VHQ")
    for block in blocks:
        yield stream.resample_chunk(np.ascontiguousarray(block.T)).T
    yield stream.resample_chunk(np.zeros((0, channels), np.float32), last=True).T


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


def _clip_starts(samples: NDArray[np.float32]) -> NDArray[np.int64]:
    """Return where runs of equal samples at full scale begin; the first three samples are of the block before."""
    full = np.abs(samples) >= _FULL_SCALE
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
    In a room no level can fall faster than the room's own decay, so the fastest one is its upper bound. A fall counts
    from within 30 dB of the loudest frame, over 30 dB, and only if the level then stays down for 0.2 s.
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
