"""Files that other readers read back bit by bit, that never clip in silence and never half exist."""

from __future__ import annotations

import io
import signal
import struct
import subprocess
import sys
from contextlib import nullcontext
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import numpy as np
import pytest
import scipy.io.wavfile
import soundfile
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from render import export
from render.export import open_audio, write_bytes, write_text
from rooms.errors import InputError, SitzprobeError


def save(path: Path, signal: NDArray, encoding: str = "float32", block: int = 1000, **options: Any) -> bytes:
    """Write (channels, samples) in blocks and return the file's bytes."""
    options = {"sample_rate": 48000} | options
    with open_audio(path, channels=signal.shape[0], encoding=encoding, **options) as writer:
        for start in range(0, signal.shape[1], block):
            writer.write(signal[:, start : start + block])
    return path.read_bytes()


def noise(channels: int, count: int, level: float = 0.1, seed: int = 0) -> NDArray:
    return level * np.random.default_rng(seed).standard_normal((channels, count), np.float32)


@pytest.mark.parametrize("channels", [1, 2, 3, 6, 12])
@pytest.mark.parametrize("time_reference", [0, 172_800_007, 2**40 + 3])
def test_float_comes_back_bit_exact_in_two_other_readers(tmp_path: Path, channels: int, time_reference: int) -> None:
    """libsndfile and SciPy, values beyond full scale included."""
    signal = noise(channels, 4321, level=2.0)
    path = tmp_path / "a.wav"
    data = save(path, signal, time_reference=time_reference)
    read, rate = soundfile.read(path, dtype="float32", always_2d=True)
    assert rate == 48000
    assert soundfile.info(path).subtype == "FLOAT"
    np.testing.assert_array_equal(read.T, signal)
    with pytest.warns(scipy.io.wavfile.WavFileWarning) if time_reference else nullcontext():
        rate, read = scipy.io.wavfile.read(path)  # SciPy warns of bext, which it doesn't know
    np.testing.assert_array_equal(read.reshape(-1, channels).T, signal)
    assert struct.unpack("<I", data[4:8])[0] == len(data) - 8
    assert (b"bext" in data) == bool(time_reference)


@pytest.mark.parametrize("time_reference", [1, 172_800_007, 2**40 + 3])
@pytest.mark.parametrize("kind", ["RIFF", "RF64"])
def test_the_time_reference_is_read_by_libsndfile(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, time_reference: int, kind: str
) -> None:
    """By its own broadcast-info call; EBU Tech 3285 stores samples since midnight. Past 4 GiB (lowered), too."""
    path = tmp_path / "a.wav"
    if kind == "RF64":
        monkeypatch.setattr(export, "_LARGEST_RIFF", 100)
    data = save(path, noise(1, 10), time_reference=time_reference)
    assert data[:4] == kind.encode()
    with soundfile.SoundFile(path) as file:
        info = soundfile._ffi.new("char[864]")
        assert soundfile._snd.sf_command(file._file, 0x10F0, info, 864) == 1  # SFC_GET_BROADCAST_INFO
        low, high, version = struct.unpack_from("<IIh", bytes(soundfile._ffi.buffer(info)), 340)
    assert (high << 32) + low == time_reference
    assert version == 1


@pytest.mark.parametrize(("encoding", "bits"), [("flac24", 24), ("flac16", 16)])
def test_flac_holds_the_very_integers_of_the_wave_file(tmp_path: Path, encoding: str, bits: int) -> None:
    """Read by libsndfile; the same samples give the same bytes."""
    signal = noise(2, 43_210)
    data = save(tmp_path / "a.flac", signal, encoding, loudspeakers=["FL", "FR"], dither_key=5)
    assert soundfile.info(tmp_path / "a.flac").format == "FLAC"
    assert soundfile.info(tmp_path / "a.flac").subtype == f"PCM_{bits}"
    save(tmp_path / "a.wav", signal, f"pcm{bits}", dither_key=5)
    flac, wave = (soundfile.read(tmp_path / f"a.{kind}", dtype="int32")[0] for kind in ("flac", "wav"))
    np.testing.assert_array_equal(flac, wave)
    assert save(tmp_path / "b.flac", signal, encoding, loudspeakers=["FL", "FR"], dither_key=5, block=777) == data


@pytest.mark.parametrize(
    ("channels", "loudspeakers"),
    [(3, ""), (6, ""), (5, "FL FR FC SL SR"), (12, "FL FR FC LFE BL BR SL SR TFL TFR TBL TBR")],
)
def test_flac_never_labels_channels_as_other_loudspeakers(tmp_path: Path, channels: int, loudspeakers: str) -> None:
    """More than two of its channels are loudspeakers by definition (RFC 9639), and more than eight it can't hold."""
    with pytest.raises(ValueError, match=f"FLAC can't hold {channels} channels"):
        save(tmp_path / "a.flac", noise(channels, 10), "flac24", loudspeakers=loudspeakers.split())
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(("encoding", "bits"), [("pcm24", 24), ("pcm16", 16)])
@pytest.mark.parametrize("channels", [1, 3])
def test_integers_come_back_as_the_dithered_signal(tmp_path: Path, encoding: str, bits: int, channels: int) -> None:
    """Within the 1.5 steps of triangular dither and rounding, odd sizes padded."""
    signal = noise(channels, 4321)
    path = tmp_path / "a.wav"
    data = save(path, signal, encoding)
    read, _ = soundfile.read(path, dtype="float64", always_2d=True)
    assert soundfile.info(path).subtype == f"PCM_{bits}"
    assert read.shape == (4321, channels)
    assert np.abs(read.T - signal).max() <= 1.5 * 2.0 ** (1 - bits)
    assert len(data) % 2 == 0
    assert struct.unpack("<I", data[4:8])[0] == len(data) - 8


@pytest.mark.parametrize(("encoding", "bits"), [("pcm24", 24), ("pcm16", 16), ("flac24", 24), ("flac16", 16)])
def test_the_total_error_of_integers_is_white_unbiased_and_half_a_step(
    tmp_path: Path, encoding: str, bits: int
) -> None:
    """Lipshitz, Wannamaker, Vanderkooy 1992: 1/12 (rounding) + 1/6 (dither) = 1/4 step².

    Half a step is 2^−bits of full scale: −96.3 dBFS at 16 bit, −144.5 dBFS at 24 (a full-scale sine lies 3.0 dB lower
    than full scale, so −93.3 and −141.5 dB below one). Tolerances: five standard errors of 200 000 samples.
    """
    count = 200_000
    full = 2.0 ** (bits - 1)
    steps = 1000 * np.sin(0.01 * np.arange(count)) + 0.3  # not on the grid
    path = tmp_path / "a.wav"
    save(path, (steps / full).astype(np.float32)[None], encoding)
    read, _ = soundfile.read(path, dtype="int32")
    error = (read >> (32 - bits)) - (steps / full).astype(np.float32) * full
    assert 20 * np.log10(np.sqrt(np.mean(error**2)) / full) == pytest.approx(-20 * np.log10(2) * bits, abs=0.07)
    assert error.mean() == pytest.approx(0, abs=5 * 0.5 / np.sqrt(count))
    assert np.sqrt(np.mean(error**2)) == pytest.approx(0.5, rel=5 / np.sqrt(2 * count))
    correlation = [np.mean(error[lag:] * error[:-lag]) / np.mean(error**2) for lag in range(1, 50)]
    assert np.abs(correlation).max() <= 5 / np.sqrt(count)
    assert abs(np.corrcoef(error, steps)[0, 1]) <= 5 / np.sqrt(count)
    thirds = np.abs(np.fft.rfft(error)[1:]) ** 2
    in_bands = [band.mean() / thirds.mean() for band in np.array_split(thirds, 20)]
    np.testing.assert_allclose(in_bands, 1, rtol=5 / np.sqrt(thirds.size / 20))


def test_a_tone_below_one_step_survives_dither(tmp_path: Path) -> None:
    """A quarter of a step, which plain rounding would erase."""
    count = 96_000
    tone = 0.25 * np.sin(2 * np.pi * 1000 / 48000 * np.arange(count))
    path = tmp_path / "a.wav"
    save(path, (tone / 2**23).astype(np.float32)[None], "pcm24")
    read, _ = soundfile.read(path, dtype="int32")
    amplitude = 2 * abs(np.mean((read >> 8) * np.exp(-2j * np.pi * 1000 / 48000 * np.arange(count))))
    assert amplitude == pytest.approx(0.25, abs=5 * 0.5 * np.sqrt(2 / count))


@settings(max_examples=20, deadline=None)
@given(st.lists(st.integers(1, 700), min_size=1, max_size=4), st.sampled_from(["float32", "pcm24", "pcm16"]))
def test_the_bytes_do_not_depend_on_the_blocks(
    tmp_path_factory: pytest.TempPathFactory, sizes: list[int], encoding: str
) -> None:
    """Nor on the moment of writing: no dates, and dither keyed by the sample's place."""
    folder = tmp_path_factory.mktemp("blocks")
    signal = noise(3, 2000)
    whole = save(folder / "a.wav", signal, encoding, block=2000)
    for size in sizes:
        assert save(folder / "a.wav", signal, encoding, block=size) == whole


def test_dither_differs_between_channels_and_seeds_and_repeats_for_the_same(tmp_path: Path) -> None:
    """So that equal channels don't add up their noise."""
    silence = np.zeros((2, 1000), np.float32)
    first = save(tmp_path / "a.wav", silence, "pcm24", dither_key=1)
    assert save(tmp_path / "b.wav", silence, "pcm24", dither_key=1) == first
    assert save(tmp_path / "c.wav", silence, "pcm24", dither_key=2) != first
    read, _ = soundfile.read(tmp_path / "a.wav", dtype="int32")
    assert abs(np.corrcoef(read.T)[0, 1]) <= 5 / np.sqrt(1000)


@pytest.mark.parametrize(
    ("channels", "loudspeakers", "mask"),
    [
        (2, "", 0),
        (2, "FL FR", 0x3),
        (6, "", 0),
        (6, "FL FR FC LFE BL BR", 0x3F),
        (6, "FL FR FC LFE SL SR", 0x60F),
        (12, "", 0),
        (12, "FL FR FC LFE BL BR SL SR TFL TFR TBL TBR", 0x2D63F),
        (10, "FL FR FC LFE BL BR TFL TFR TBL TBR", 0x2D03F),
        (5, "FL FR FC BL BR", 0x37),
        (8, "FL FR FC LFE BL BR SL SR", 0x63F),
    ],
)
def test_channels_are_labelled_as_the_loudspeakers_they_are_and_microphones_not_at_all(
    tmp_path: Path, channels: int, loudspeakers: str, mask: int
) -> None:
    """Six microphones aren't 5.1. Masks: Microsoft's speaker positions (from memory)."""
    data = save(tmp_path / "a.wav", noise(channels, 10), loudspeakers=loudspeakers.split())
    body = data.index(b"fmt ") + 8
    assert struct.unpack_from("<H", data, body)[0] == 0xFFFE
    assert struct.unpack_from("<I", data, body + 20)[0] == mask


def test_a_capsule_alone_is_a_plain_wave_file(tmp_path: Path) -> None:
    """One channel has no place to be labelled with."""
    data = save(tmp_path / "a.wav", noise(1, 10))
    assert struct.unpack_from("<H", data, data.index(b"fmt ") + 8)[0] == 3  # WAVE_FORMAT_IEEE_FLOAT


@pytest.mark.parametrize("names", [["left"], ["left & <right>", "centre", "Überhang"]])
def test_the_names_of_channels_are_read_back_in_order(tmp_path: Path, names: list[str]) -> None:
    """From the iXML chunk by the standard library's XML reader; libsndfile still reads the samples."""
    signal = noise(len(names), 100)
    path = tmp_path / "a.wav"
    data = save(path, signal, channel_names=names)
    at = data.index(b"iXML")
    (size,) = struct.unpack_from("<I", data, at + 4)
    assert size % 2 == 0
    tracks = ElementTree.fromstring(data[at + 8 : at + 8 + size]).findall("TRACK_LIST/TRACK")
    assert [track.findtext("NAME") for track in tracks] == names
    assert [track.findtext("INTERLEAVE_INDEX") for track in tracks] == [str(n + 1) for n in range(len(names))]
    np.testing.assert_array_equal(soundfile.read(path, dtype="float32", always_2d=True)[0].T, signal)


@pytest.mark.parametrize("loudspeakers", ["FR FL", "FL FL", "FL", "FL FR FC", "FL XX"])
def test_loudspeakers_in_no_order_of_wave_files_are_refused(tmp_path: Path, loudspeakers: str) -> None:
    """Two channels can't be right and left, one loudspeaker twice, or others than there are."""
    with pytest.raises(ValueError, match="2 channels can't be the loudspeakers"):
        save(tmp_path / "a.wav", noise(2, 10), loudspeakers=loudspeakers.split())
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("channels", [1, 2, 4])
@pytest.mark.parametrize("encoding", ["float32", "pcm24"])
def test_past_the_limit_it_becomes_rf64(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, channels: int, encoding: str
) -> None:
    """EBU Tech 3306; the limit is lowered, the reader is libsndfile."""
    signal = noise(channels, 5001)
    plain = save(tmp_path / "plain.wav", signal, encoding)
    monkeypatch.setattr(export, "_LARGEST_RIFF", len(plain) - 8)
    assert save(tmp_path / "still.wav", signal, encoding) == plain
    monkeypatch.setattr(export, "_LARGEST_RIFF", len(plain) - 9)
    path = tmp_path / "large.wav"
    data = save(path, signal, encoding, time_reference=77)
    assert data[:4] == b"RF64"
    assert struct.unpack_from("<QQQ", data, 20) == (
        len(data) - 8,
        signal.size * (4 if encoding == "float32" else 3),
        5001,
    )
    assert soundfile.info(path).format == "RF64"
    read, _ = soundfile.read(path, dtype="float32", always_2d=True)
    assert read.shape == (5001, channels)
    np.testing.assert_allclose(read.T, signal, rtol=0, atol=0 if encoding == "float32" else 1.5 * 2.0**-23)


def test_the_header_of_five_gibibytes_is_consistent(tmp_path: Path) -> None:
    """A sparse file: the real limit, with no five gibibytes on disk."""
    path = tmp_path / "a.wav"
    with open_audio(path, sample_rate=48000, channels=2, encoding="float32", loudspeakers=["FL", "FR"]) as writer:
        writer.write(noise(2, 8))
        frames = 5 * 2**30 // 8
        writer._file.seek(frames * 8 - 64, io.SEEK_CUR)
        writer._file.truncate()
        writer._samples = frames
    info = soundfile.info(path)
    assert info.format == "RF64"
    assert info.frames == frames


def test_a_file_that_would_clip_is_refused_with_the_gain_that_fits(tmp_path: Path) -> None:
    """The gain is the whole file's, and with it the file fits."""
    signal = noise(2, 3000)
    signal[1, 500] = 1.2
    signal[0, 2500] = -1.9
    path = tmp_path / "a.wav"
    with pytest.raises(InputError, match=r"peaks at \+5\.6 dBFS .* lower the gain by 5\.6 dB"):
        save(path, signal, "pcm24")
    assert list(tmp_path.iterdir()) == []
    save(path, signal * np.float32(10 ** (-5.6 / 20)), "pcm24")
    with pytest.raises(InputError, match="would clip at 16 bit"):
        save(path, np.ones((1, 1000), np.float32), "pcm16")


@pytest.mark.parametrize("value", [np.nan, np.inf, -np.inf])
@pytest.mark.parametrize("encoding", ["float32", "pcm24"])
def test_what_is_not_a_number_is_never_written(tmp_path: Path, value: float, encoding: str) -> None:
    """The message says where."""
    signal = noise(2, 48_000)
    signal[1, 24_000] = value
    with pytest.raises(SitzprobeError, match=r"not a finite number at 0\.500 s, channel 2"):
        save(tmp_path / "a.wav", signal, encoding)
    assert list(tmp_path.iterdir()) == []


def test_a_block_with_other_channels_is_a_programming_error(tmp_path: Path) -> None:
    """Named."""
    with (
        pytest.raises(ValueError, match="doesn't fit a file of 2 channels"),
        open_audio(
            tmp_path / "a.wav", sample_rate=48000, channels=2, encoding="float32", loudspeakers=["FL", "FR"]
        ) as writer,
    ):
        writer.write(noise(3, 5))


@pytest.mark.parametrize("failure", [RuntimeError, KeyboardInterrupt])
def test_an_exception_half_way_keeps_what_was_there(tmp_path: Path, failure: type[BaseException]) -> None:
    """And leaves nothing else behind."""
    path = tmp_path / "a.wav"
    before = save(path, noise(1, 100))

    def interrupted() -> None:
        with open_audio(path, sample_rate=48000, channels=1, encoding="float32", loudspeakers=["FC"]) as writer:
            writer.write(noise(1, 50))
            raise failure

    with pytest.raises(failure):
        interrupted()
    assert path.read_bytes() == before
    assert list(tmp_path.iterdir()) == [path]


def test_a_killed_process_leaves_the_earlier_file(tmp_path: Path) -> None:
    """SIGKILL in the middle: the final name still holds the old file."""
    path = tmp_path / "a.wav"
    before = save(path, noise(1, 100))
    script = f"""
import numpy as np, pathlib
from render.export import open_audio
path = pathlib.Path({str(path)!r})
with open_audio(path, sample_rate=48000, channels=1, encoding="float32", loudspeakers=["FC"]) as writer:
    writer.write(np.zeros((1, 1_000_000), np.float32))
    print("half", flush=True)
    input()
"""
    with subprocess.Popen(
        [sys.executable, "-c", script], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == "half\n"
        process.send_signal(signal.SIGKILL)
    assert path.read_bytes() == before


def test_a_full_disk_is_one_line_and_keeps_what_was_there(tmp_path: Path) -> None:
    """A real limit on the size of files, in a process of its own (the system says 'File too large')."""
    path = tmp_path / "a.wav"
    before = save(path, noise(1, 100))
    script = f"""
import numpy as np, pathlib, resource
from render.export import open_audio
from rooms.errors import InputError
resource.setrlimit(resource.RLIMIT_FSIZE, (100_000, 100_000))
path = pathlib.Path({str(path)!r})
try:
    with open_audio(path, sample_rate=48000, channels=1, encoding="float32", loudspeakers=["FC"]) as writer:
        for _ in range(100):
            writer.write(np.zeros((1, 1000), np.float32))
except InputError as error:
    print(error)
"""
    result = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    assert result.stdout == (f"cannot write {path}: File too large; free some space or choose another folder\n")
    assert path.read_bytes() == before
    assert list(tmp_path.iterdir()) == [path]


def test_no_space_left_is_said_in_those_words(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The always-full device stands in for the temporary file."""
    opened = Path.open
    monkeypatch.setattr(
        Path, "open", lambda self, mode: opened(Path("/dev/full") if self.suffix == ".part" else self, mode)
    )
    with pytest.raises(InputError, match=r"cannot write .*a\.wav: No space left on device; free some space"):
        save(tmp_path / "a.wav", noise(1, 100_000))
    with pytest.raises(InputError, match=r"cannot write .*a\.flac: No space left on device; free some space"):
        save(tmp_path / "a.flac", noise(1, 100_000), "flac24")
    with pytest.raises(InputError, match=r"cannot write .*a\.txt: No space left on device; free some space"):
        write_text(tmp_path / "a.txt", "report")


@pytest.mark.parametrize(
    ("place", "message"),
    [("missing/a.wav", "choose a folder that exists"), ("folder", "choose a name that isn't a folder's")],
)
def test_a_place_that_cannot_be_written_is_named(tmp_path: Path, place: str, message: str) -> None:
    """No traceback of the system's own."""
    (tmp_path / "folder").mkdir()
    with pytest.raises(InputError, match=message):
        save(tmp_path / place, noise(1, 10))
    assert [entry.name for entry in tmp_path.iterdir()] == ["folder"]


def test_a_foreign_error_inside_the_block_stays_what_it_was(tmp_path: Path) -> None:
    """A stem that can't be read isn't a disk that can't be written."""
    with (
        pytest.raises(FileNotFoundError),
        open_audio(tmp_path / "a.wav", sample_rate=48000, channels=1, encoding="float32", loudspeakers=["FC"]),
    ):
        (tmp_path / "stem.wav").open()


def test_text_and_bytes_are_replaced_whole(tmp_path: Path) -> None:
    """Umlauts in UTF-8, no line ends changed."""
    path = tmp_path / "report.txt"
    write_text(path, "alt\n")
    write_text(path, "Hörprobe\r\n")
    assert path.read_bytes() == "Hörprobe\r\n".encode()
    write_bytes(path, b"\0\1")
    assert path.read_bytes() == b"\0\1"
    assert list(tmp_path.iterdir()) == [path]
