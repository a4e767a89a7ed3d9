"""Reads stems: what a file is, and its samples block by block at the scene's rate."""

from __future__ import annotations

import struct
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from itertools import chain
from pathlib import Path

import numpy as np
import soundfile
import soxr
from numpy.typing import NDArray

from render.naming import SOUND_SUFFIXES
from rooms.errors import InputError, did_you_mean

__all__ = ["StemInfo", "probe", "read_blocks"]

_FORMATS = "WAV, RF64, FLAC, AIFF or OGG"
_UNKNOWN_SIZE = 0xFFFFFFFF


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
    try:
        if path.is_dir():
            raise InputError(f"{path}: is a folder; name a sound file in it")
        if not path.exists():
            folder = path.parent
            entries = folder.iterdir() if folder.is_dir() else ()
            sounds = [entry.name for entry in entries if entry.suffix.lower() in SOUND_SUFFIXES]
            raise InputError(f"{path}: no such file; {did_you_mean(path.name, sounds)}")
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
