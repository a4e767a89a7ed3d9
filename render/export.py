"""Writes files: wave audio with chunks of our own, FLAC, text and bytes, each whole or not at all.

Everything is written to a temporary name in the same folder and renamed when complete, so nothing that
existed is lost or half overwritten. No dates are written: the same samples give the same bytes.

References
----------
Microsoft and IBM, "Multimedia Programming Interface and Data Specifications 1.0" (1991), for RIFF and fmt;
Microsoft, "Multiple channel audio data and WAVE files" (2001), for the extensible fmt; EBU Tech 3285 (2011),
for bext; EBU Tech 3306 (2009), for RF64; iXML specification 1.61, for the names of channels; RFC 9639 (2024), for
FLAC. All from memory; the tests read the files back with other readers.
"""

from __future__ import annotations

import errno
import math
import os
import struct
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any, BinaryIO, Literal
from xml.sax.saxutils import escape

import numpy as np
from numpy.typing import NDArray

from rooms.errors import InputError, SitzprobeError

__all__ = ["AudioWriter", "Encoding", "flac_holds", "open_audio", "suffix", "write_bytes", "write_text"]

Encoding = Literal["float32", "pcm24", "pcm16", "flac24", "flac16"]
"""How samples are written: 32-bit float, 24- or 16-bit integers in a wave file, or the same integers as FLAC."""

_LARGEST_RIFF = 2**32 - 1  # bytes that a 32-bit size can say; past it the file becomes RF64
_BITS: dict[Encoding, int] = {"float32": 32, "pcm24": 24, "pcm16": 16, "flac24": 24, "flac16": 16}
_EXTENSIBLE = 0xFFFE
_SUBFORMAT_TAIL = bytes.fromhex("000000001000800000aa00389b71")  # the GUID of a format tag, after the tag itself
# Loudspeakers in the order of the bits of a channel mask, which is that of the channels in a file: left, right and
# centre in front, low frequencies, back, front between centre and sides, back centre, sides, and above.
_LOUDSPEAKERS = "FL FR FC LFE BL BR FLC FRC BC SL SR TC TFL TFC TFR TBL TBC TBR".split()
# What FLAC's channels are, by their number (RFC 9639, 9.1.3); back and side are one there up to six.
_FLAC_LOUDSPEAKERS = ["FC", "FL FR", "FL FR FC", "FL FR BL BR", "FL FR FC BL BR", "FL FR FC LFE BL BR"]
_FLAC_LOUDSPEAKERS += ["FL FR FC LFE BC SL SR", "FL FR FC LFE BL BR SL SR"]
_PIECE = 1 << 24  # bytes changed at once


class AudioWriter:
    """Takes the samples of one file, block by block; made by `open_audio`.

    Attributes
    ----------
    path : Path
        The final name.
    peak : float
        Highest absolute sample so far, 1 being full scale.
    """

    def __init__(
        self, path: Path, file: BinaryIO, sample_rate: int, channels: int, encoding: Encoding, dither: tuple[int, int]
    ) -> None:
        self.path = path
        self.peak = 0.0
        self._file = file
        self._sample_rate = sample_rate
        self._channels = channels
        self._encoding = encoding
        self._dither_key, self._dither_start = dither
        self._samples = 0
        self._over = False

    def write(self, block: NDArray[np.float32]) -> None:
        """Append (channels, n) samples, 1 being full scale.

        Raises
        ------
        InputError
            If the file can't be written, a full disk for one.
        SitzprobeError
            If a sample isn't finite.
        ValueError
            If the number of channels is another than the file's.
        """
        if block.ndim != 2 or block.shape[0] != self._channels:
            raise ValueError(f"a block of shape {block.shape} doesn't fit a file of {self._channels} channels")
        if block.shape[1] == 0:
            return
        peak = max(float(block.max()), -float(block.min()))  # NaN if there is one
        if not math.isfinite(peak):
            channel, sample = np.argwhere(~np.isfinite(block.T))[0][::-1]
            seconds = (self._samples + int(sample)) / self._sample_rate
            raise SitzprobeError(
                f"cannot write {self.path}: not a finite number at {seconds:.3f} s, channel {channel + 1}"
            )
        self.peak = max(self.peak, peak)
        with _naming(self.path):
            self._put(block if self._encoding == "float32" else self._quantised(block))
            _pass_to_disk(self._file)
        self._samples += block.shape[1]

    def _quantised(self, block: NDArray[np.float32]) -> NDArray[np.int32]:
        """Return integers, dithered with a triangular density of ±1 step and rounded."""
        bits = _BITS[self._encoding]
        top = 2 ** (bits - 1) - 1
        at = self._dither_start + self._samples
        levels = np.stack([_dither(self._dither_key, c, at, block.shape[1]) for c in range(self._channels)])
        levels += block * np.float32(2.0 ** (bits - 1))  # a power of two: exact
        np.rint(levels, out=levels)
        if levels.max() > top or levels.min() < -top - 1:
            self._over = True  # refused when closed: only then the gain that fits the whole file is known
            np.clip(levels, -top - 1, top, out=levels)
        return levels.astype(np.int32)

    def _put(self, samples: NDArray[Any]) -> None:
        """Append (channels, n) samples as the file takes them: float32, or integers of its bits."""
        raise NotImplementedError

    @property
    def samples(self) -> int:
        """How many samples of each channel were written."""
        return self._samples

    @property
    def clipped(self) -> bool:
        """Whether integers were asked for that there are not."""
        return self._over

    def refuse_clipping(self, loudest: float | None = None) -> None:
        """Refuse integers that clipped; called on the loudest of several files, its gain fits them all.

        Parameters
        ----------
        loudest : float, optional
            The highest sample of everything else that shares the gain, such as other cues.

        Raises
        ------
        InputError
            With the gain that would fit.
        """
        if self._over:
            top = 1 - 2.0 ** (2 - _BITS[self._encoding])  # a step below full scale, for the dither
            gain_db = math.floor(10 * 20 * math.log10(top / max(self.peak, loudest or 0.0))) / 10
            raise InputError(
                f"{self.path}: peaks at {20 * math.log10(self.peak):+.1f} dBFS and would clip at "
                f"{_BITS[self._encoding]} bit; lower the gain by {-gain_db:.1f} dB"
                f"{'' if loudest is None else ', which fits all cues,'} or write float32"
            )

    def scale(self, gain: float) -> None:
        """Multiply all that was written so far by an amplitude; float32 only."""
        raise NotImplementedError

    def _finish(self) -> None:
        """Complete the file, or refuse one that would clip."""
        self.refuse_clipping()
        with _naming(self.path):
            self._complete()
            self._file.flush()
            os.fsync(self._file.fileno())

    def _complete(self) -> None:
        """Write what a file ends with."""
        raise NotImplementedError

    def _release(self) -> None:
        """Let go of the file before it is closed, complete or not."""


class _WaveWriter(AudioWriter):
    """A wave file, which becomes RF64 past 4 GiB."""

    def __init__(
        self,
        path: Path,
        file: BinaryIO,
        sample_rate: int,
        channels: int,
        encoding: Encoding,
        dither: tuple[int, int],
        mask: int | None,
        time_reference: int,
        channel_names: Sequence[str],
    ) -> None:
        super().__init__(path, file, sample_rate, channels, encoding, dither)
        self._mask = mask
        self._time_reference = time_reference
        self._channel_names = channel_names
        self._turned = np.empty((0, channels), "<f4" if encoding == "float32" else "<i4")
        with _naming(path):
            file.write(self._header())

    def _put(self, samples: NDArray[Any]) -> None:
        if len(self._turned) < samples.shape[1]:
            self._turned = np.empty(samples.shape[::-1], self._turned.dtype)
        frames = self._turned[: samples.shape[1]]  # memory used again: fresh pages cost more than the turning
        for channel, signal in enumerate(samples):
            frames[:, channel] = signal
        used = _BITS[self._encoding] // 8
        if used < 4:
            frames = np.ascontiguousarray(frames.view(np.uint8).reshape(-1, 4)[:, :used])
        self._file.write(frames.data)

    def _complete(self) -> None:
        if self._data_bytes() % 2:
            self._file.write(b"\0")
        self._file.seek(0)
        self._file.write(self._header())

    def scale(self, gain: float) -> None:
        start = len(self._header())
        with _naming(self.path):
            for at in range(start, start + self._data_bytes(), _PIECE):
                self._file.seek(at)
                samples = np.frombuffer(self._file.read(_PIECE), dtype="<f4")
                self._file.seek(at)
                self._file.write((samples * np.float32(gain)).tobytes())
        self.peak *= gain

    def _data_bytes(self) -> int:
        return self._samples * self._channels * _BITS[self._encoding] // 8

    def _header(self) -> bytes:
        """Return all before the samples; its length doesn't depend on how many there are."""
        data_bytes = self._data_bytes()
        chunks = b""
        if self._time_reference:
            chunks += _chunk(b"bext", _broadcast_extension(self._time_reference))
        if self._channel_names:
            chunks += _chunk(b"iXML", _track_names(self._channel_names))
        chunks += _chunk(b"fmt ", self._format())
        if self._encoding == "float32":
            chunks += _chunk(b"fact", struct.pack("<I", min(self._samples, 0xFFFFFFFF)))
        total = 4 + 36 + len(chunks) + 8 + data_bytes + data_bytes % 2  # WAVE, JUNK or ds64, chunks, data
        if total <= _LARGEST_RIFF:
            start = struct.pack("<4sI4s", b"RIFF", total, b"WAVE") + _chunk(b"JUNK", bytes(28))
            return start + chunks + struct.pack("<4sI", b"data", data_bytes)
        sizes = struct.pack("<QQQI", total, data_bytes, self._samples, 0)
        start = struct.pack("<4sI4s", b"RF64", 0xFFFFFFFF, b"WAVE") + _chunk(b"ds64", sizes)
        return start + chunks + struct.pack("<4sI", b"data", 0xFFFFFFFF)

    def _format(self) -> bytes:
        """Return the body of the fmt chunk: extensible unless it is a capsule alone."""
        bits = _BITS[self._encoding]
        frame_bytes = self._channels * bits // 8
        tag = 3 if self._encoding == "float32" else 1
        extensible = self._mask is not None
        body = struct.pack(
            "<HHIIHH",
            _EXTENSIBLE if extensible else tag,
            self._channels,
            self._sample_rate,
            self._sample_rate * frame_bytes,
            frame_bytes,
            bits,
        )
        if extensible:
            return body + struct.pack("<HHIH", 22, bits, self._mask, tag) + _SUBFORMAT_TAIL
        return body + (b"\0\0" if self._encoding == "float32" else b"")  # no extension, but its size is asked for


class _FlacWriter(AudioWriter):
    """A FLAC file."""

    def __init__(
        self, path: Path, file: BinaryIO, sample_rate: int, channels: int, encoding: Encoding, dither: tuple[int, int]
    ) -> None:
        import soundfile  # only where FLAC is wanted

        super().__init__(path, file, sample_rate, channels, encoding, dither)
        self._shift = 32 - _BITS[encoding]  # the library takes the upper bits
        self._guarded = _Guarded(file)
        with _naming(path):
            self._sound = soundfile.SoundFile(
                self._guarded, "w", sample_rate, channels, f"PCM_{_BITS[encoding]}", format="FLAC"
            )
            self._guarded.check()

    def _put(self, samples: NDArray[Any]) -> None:
        frames = np.ascontiguousarray(samples.T) << self._shift
        try:
            self._sound.write(frames)
        finally:
            self._guarded.check()  # the system's own words, rather than the library's

    def _complete(self) -> None:
        try:
            self._sound.close()
        finally:
            self._guarded.check()

    def _release(self) -> None:
        with suppress(OSError, RuntimeError):  # an incomplete file goes anyway
            self._sound.close()


class _Guarded:
    """A file whose errors are kept for later: the library calls it from where no exception gets through."""

    def __init__(self, file: BinaryIO) -> None:
        self._file = file
        self._error: OSError | None = None
        self.seek, self.tell, self.read = file.seek, file.tell, file.read

    def write(self, data: bytes) -> int:
        """Write, or keep the error and say that nothing was written."""
        try:
            return self._file.write(data)
        except OSError as error:
            self._error = self._error or error
            return 0

    def check(self) -> None:
        """Raise the first error there was."""
        if self._error is not None:
            raise self._error


def suffix(encoding: Encoding) -> str:
    """Return how the names of files of an encoding end."""
    return ".flac" if encoding.startswith("flac") else ".wav"


def flac_holds(channels: int, loudspeakers: Sequence[str]) -> bool:
    """Return whether FLAC can hold channels: one or two, or more of loudspeakers that it knows (RFC 9639, 9.1.3)."""
    if channels <= 2:
        return True
    return bool(loudspeakers) and " ".join(loudspeakers) in _FLAC_LOUDSPEAKERS


@contextmanager
def open_audio(
    path: Path,
    *,
    sample_rate: int,
    channels: int,
    encoding: Encoding,
    loudspeakers: Sequence[str] = (),
    time_reference: int = 0,
    channel_names: Sequence[str] = (),
    dither_key: int = 0,
    dither_start: int = 0,
) -> Iterator[AudioWriter]:
    """Open a sound file for writing; it appears under its name only when the block is left in peace.

    Parameters
    ----------
    path : Path
        The file; one that exists is replaced.
    sample_rate : int
        In hertz.
    channels : int
        Number of channels.
    encoding : {"float32", "pcm24", "pcm16", "flac24", "flac16"}
        Integers are dithered (triangular, ±1 step) and rounded.
    loudspeakers : sequence of str
        The loudspeaker of each channel, such as FL, FR, FC, LFE, BL and BR; a wave file labels them so. None: the
        channels carry no label, as microphones must: six of them aren't 5.1.
    time_reference : int
        Samples since midnight of the file's start (EBU Tech 3285); written when it isn't 0. FLAC has no place for it.
    channel_names : sequence of str
        One a channel, or none; a wave file carries them as iXML. FLAC has no place for them.
    dither_key : int
        Key of the dither; give each file its own, or the noise of equal channels adds up in a sum of files.
    dither_start : int
        Where the dither begins, in samples: that of a passage is then the same as in the whole.

    Yields
    ------
    AudioWriter
        Its `write` takes (channels, n) float32 blocks.

    Raises
    ------
    InputError
        If the file can't be written; on leaving, if integers would have clipped: it says by how much the gain
        must be lowered.
    ValueError
        If there are other loudspeakers than channels, or not in the order that wave files have them, or if FLAC can't
        hold the channels; see `flac_holds`.

    Notes
    -----
    The sizes' place is reserved in a wave file: past 4 GiB it becomes RF64 (EBU Tech 3306).
    """
    if loudspeakers and (len(loudspeakers) != channels or list(loudspeakers) != _in_order(loudspeakers)):
        raise ValueError(f"{channels} channels can't be the loudspeakers {', '.join(loudspeakers)} in this order")
    flac = suffix(encoding) == ".flac"
    if flac and not flac_holds(channels, loudspeakers):
        raise ValueError(f"FLAC can't hold {channels} channels, {', '.join(loudspeakers) or 'microphones'}")
    mask = None if channels == 1 and not loudspeakers else sum(1 << _LOUDSPEAKERS.index(name) for name in loudspeakers)
    with _replacing(path) as file:
        common = path, file, sample_rate, channels, encoding, (dither_key, dither_start)
        writer = _FlacWriter(*common) if flac else _WaveWriter(*common, mask, time_reference, channel_names)
        try:
            yield writer
            writer._finish()
        finally:
            writer._release()


def write_bytes(path: Path, data: bytes) -> None:
    """Write a file whole or not at all; `InputError` if it can't be written."""
    with _replacing(path) as file, _naming(path):
        file.write(data)
        file.flush()
        os.fsync(file.fileno())


def write_text(path: Path, text: str) -> None:
    """Write a file in UTF-8 whole or not at all; `InputError` if it can't be written."""
    write_bytes(path, text.encode("utf-8"))


def _in_order(loudspeakers: Sequence[str]) -> list[str]:
    """Return those of some loudspeakers that a channel mask knows, in its order, each once."""
    return [name for name in _LOUDSPEAKERS if name in loudspeakers]


@contextmanager
def _replacing(path: Path) -> Iterator[BinaryIO]:
    """Yield a temporary file in the same folder; rename it to the path, or remove it after an exception."""
    part = path.with_name(f".{path.name}.part")
    with _naming(path):
        file = part.open("w+b")
    try:
        yield file
        with _naming(path):
            file.close()
            part.replace(path)
    except BaseException:
        with suppress(OSError):
            file.close()
        part.unlink(missing_ok=True)
        raise


def _pass_to_disk(file: BinaryIO) -> None:
    """Let the system begin to write what a file has been given, and forget what is written.

    Nobody reads it soon, and it is as much as the render is long: kept in memory, it costs ever fresh pages, and all
    of it is waited for at the end.
    """
    if hasattr(os, "posix_fadvise"):  # not on macOS or Windows
        os.posix_fadvise(file.fileno(), 0, 0, os.POSIX_FADV_DONTNEED)


@contextmanager
def _naming(path: Path) -> Iterator[None]:
    """Turn the system's error into one line that names the file and what to do."""
    try:
        yield
    except OSError as error:
        if error.errno in (errno.ENOSPC, errno.EDQUOT, errno.EFBIG):
            remedy = "free some space or choose another folder"
        elif error.errno in (errno.ENOENT, errno.ENOTDIR):
            remedy = "choose a folder that exists"
        elif error.errno == errno.EISDIR:
            remedy = "choose a name that isn't a folder's"
        else:
            remedy = "choose a folder you can write to"
        raise InputError(f"cannot write {path}: {error.strerror}; {remedy}") from error


def _chunk(name: bytes, body: bytes) -> bytes:
    """Return a RIFF chunk; all bodies here are even."""
    return struct.pack("<4sI", name, len(body)) + body


def _broadcast_extension(time_reference: int) -> bytes:
    """Return the body of a bext chunk, version 1, with no dates (EBU Tech 3285)."""
    return struct.pack("<256s32s32s10s8sQH254x", b"", b"Sitzprobe", b"", b"", b"", time_reference, 1)


def _track_names(names: Sequence[str]) -> bytes:
    """Return the body of an iXML chunk that names the channels in order, of even length."""
    tracks = "".join(
        f"<TRACK><CHANNEL_INDEX>{n}</CHANNEL_INDEX><INTERLEAVE_INDEX>{n}</INTERLEAVE_INDEX>"
        f"<NAME>{escape(name)}</NAME></TRACK>"
        for n, name in enumerate(names, start=1)
    )
    body = (
        '<?xml version="1.0" encoding="UTF-8"?><BWFXML><IXML_VERSION>1.61</IXML_VERSION><TRACK_LIST>'
        f"<TRACK_COUNT>{len(names)}</TRACK_COUNT>{tracks}</TRACK_LIST></BWFXML>"
    ).encode()
    return body + b" " * (len(body) % 2)


def _dither(key: int, channel: int, start: int, count: int) -> NDArray[np.float64]:
    """Return noise of triangular density from −1 to 1 that depends on the sample's place, not on the block's.

    Notes
    -----
    The difference of two uniform variables; S. P. Lipshitz, R. A. Wannamaker and J. Vanderkooy, "Quantization
    and dither: a theoretical survey", J. Audio Eng. Soc. 40 (1992): the total error is then white and of
    constant power (from memory).
    """
    generator = np.random.Philox(key=np.array([key, channel], np.uint64))
    generator.advance(start // 4)  # one step of the counter gives four 64-bit numbers
    bits = generator.random_raw(start % 4 + count)[start % 4 :]
    high, low = bits >> np.uint64(32), bits & np.uint64(0xFFFFFFFF)
    return (high.astype(np.float64) - low.astype(np.float64)) / 2.0**32
