"""Stems: read whole or refused in one line, aligned to the sample at any rate, with what is wrong named."""

from __future__ import annotations

import struct
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest
import soundfile
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from render.export import open_audio
from render.stem_sound import StemDescription, describe
from render.stems import probe, read_blocks
from rooms.errors import InputError

FORMATS = {"wav": "WAV", "rf64": "RF64", "flac": "FLAC", "aiff": "AIFF", "ogg": "OGG"}


def described(path: Path, channels: Sequence[int] | None = None, *, fold: bool = False) -> StemDescription:
    """Return what a stem sounds like."""
    return describe(probe(path), channels, fold=fold)


def noise(channels: int, count: int, level: float = 0.1, seed: int = 0) -> NDArray:
    return level * np.random.default_rng(seed).standard_normal((channels, count), np.float32)


def save(path: Path, signal: NDArray, sample_rate: int = 48000, **options: str) -> Path:
    soundfile.write(path, signal.T, sample_rate, format=FORMATS[path.suffix[1:]], **options)
    return path


def joined(
    path: Path, sample_rate: int = 48000, block: int = 1000, signals: Sequence[Sequence[int]] | None = None
) -> NDArray:
    return np.concatenate(list(read_blocks(probe(path), sample_rate, block, signals)), axis=1)


@pytest.mark.parametrize("suffix", FORMATS)
@pytest.mark.parametrize("channels", [1, 2])
def test_every_allowed_format_is_read(tmp_path: Path, suffix: str, channels: int) -> None:
    """Rate, channels, length as written."""
    info = probe(save(tmp_path / f"a.{suffix}", noise(channels, 4321), 44100))
    assert (info.sample_rate, info.channels, info.frames, info.time_reference) == (44100, channels, 4321, 0)


@pytest.mark.parametrize("suffix", ["wav", "rf64", "aiff"])
@pytest.mark.parametrize("subtype", ["PCM_16", "PCM_24", "FLOAT"])
def test_uncompressed_samples_arrive_bit_exact(tmp_path: Path, suffix: str, subtype: str) -> None:
    """As another reader of float32 has them, whatever the block."""
    path = save(tmp_path / f"a.{suffix}", noise(2, 4321), subtype=subtype)
    wanted, _ = soundfile.read(path, dtype="float32")
    for block in (1, 1000, 4321, 10_000):
        np.testing.assert_array_equal(joined(path, block=block), wanted.T)


@pytest.mark.parametrize("channels", [1, 2])
def test_the_time_reference_of_a_broadcast_wave_is_kept(tmp_path: Path, channels: int) -> None:
    """Written by the export side, before and after the samples; 64 bits of it."""
    path = tmp_path / "a.wav"
    with open_audio(
        path,
        sample_rate=48000,
        channels=channels,
        encoding="pcm24",
        time_reference=2**33 + 5,
    ) as writer:
        writer.write(noise(channels, 99))
    assert probe(path).time_reference == 2**33 + 5
    plain = save(tmp_path / "b.wav", noise(1, 99), subtype="PCM_24")  # an odd size: a pad byte follows
    data = plain.read_bytes() + time_reference_chunk(77)
    plain.write_bytes(data[:4] + struct.pack("<I", len(data) - 8) + data[8:])
    assert probe(plain).time_reference == 77


@pytest.mark.parametrize("suffix", ["wav", "rf64", "flac", "aiff"])
@pytest.mark.parametrize("kept", [0.5, 0.9, 0.999])
def test_a_file_that_was_cut_off_is_refused(tmp_path: Path, suffix: str, kept: float) -> None:
    """libsndfile would read what is there and say nothing."""
    path = save(tmp_path / f"a.{suffix}", noise(1, 100_000))
    data = path.read_bytes()
    path.write_bytes(data[: int(len(data) * kept)])
    with pytest.raises(InputError, match=r"a\.\w+: cut off, .* export it again"):
        probe(path)


def time_reference_chunk(samples: int) -> bytes:
    return struct.pack("<4sI", b"bext", 602) + bytes(338) + struct.pack("<Q", samples) + bytes(256)


def test_a_stream_that_never_knew_its_length_is_read_to_its_end(tmp_path: Path) -> None:
    """The size of the samples all ones, as programs write that can't go back; samples aren't taken for chunks."""
    path = tmp_path / "a.wav"
    samples = np.frombuffer(time_reference_chunk(77), np.int16)
    soundfile.write(path, samples, 48000, subtype="PCM_16")
    data = bytearray(path.read_bytes())
    struct.pack_into("<I", data, data.index(b"data") + 4, 0xFFFFFFFF)
    path.write_bytes(data)
    info = probe(path)
    assert (info.frames, info.time_reference) == (samples.size, 0)


def test_what_follows_the_last_chunk_is_ignored(tmp_path: Path) -> None:
    """Zeros and anything after them."""
    path = save(tmp_path / "a.wav", noise(1, 1000), subtype="PCM_16")
    path.write_bytes(path.read_bytes() + bytes(4096) + time_reference_chunk(77))
    info = probe(path)
    assert (info.frames, info.time_reference) == (1000, 0)


def test_damage_in_the_middle_is_named_with_its_place(tmp_path: Path) -> None:
    """A compressed file whose header and end are fine."""
    path = save(tmp_path / "a.flac", noise(1, 480_000))
    data = bytearray(path.read_bytes())
    data[len(data) // 2 : len(data) // 2 + 60_000] = bytes(60_000)
    path.write_bytes(data)
    with pytest.raises(InputError, match=r"a\.flac: damaged, can't be read past \d\.\d+ s"):
        joined(path, block=4096)


def test_what_is_no_stem_is_refused_in_one_line(tmp_path: Path) -> None:
    """What, where, and what is allowed or near."""
    save(tmp_path / "violins-1.wav", noise(1, 10))
    save(tmp_path / "nothing.wav", noise(1, 0))
    (tmp_path / "empty.wav").touch()
    (tmp_path / "text.wav").write_text("dear diary\n")
    (tmp_path / "noise.raw").write_bytes(bytes(range(256)))
    (tmp_path / "folder").mkdir()
    for name, message in {
        "violin-1.wav": "no such file; did you mean 'violins-1.wav'?",
        "none/a.wav": "no such file; none exists",
        "nothing.wav": "holds no samples; export it again",
        "empty.wav": "is empty; export it again",
        "text.wav": "not a sound file that can be read; allowed: WAV, RF64, FLAC, AIFF or OGG",
        "noise.raw": "not a sound file that can be read; allowed: WAV, RF64, FLAC, AIFF or OGG",
        "folder": "is a folder; name a sound file in it",
    }.items():
        for reader in (probe, described, joined):
            with pytest.raises(InputError) as caught:
                reader(tmp_path / name)
            assert str(caught.value) == f"{tmp_path / name}: {message}"


def test_signals_are_channels_or_the_mean_of_several_in_any_order(tmp_path: Path) -> None:
    """Of a file with six channels; soundfile reads them all alike. Conversion keeps them apart."""
    signal = noise(6, 5000)
    path = save(tmp_path / "a.wav", signal, subtype="FLOAT")
    np.testing.assert_array_equal(joined(path), signal)
    np.testing.assert_array_equal(joined(path, signals=[[4], [1], [4]]), signal[[4, 1, 4]])
    wanted = np.stack([signal[[0, 5]].mean(axis=0), signal[2]])
    np.testing.assert_allclose(joined(path, signals=[[0, 5], [2]]), wanted, rtol=1e-6, atol=1e-9)
    np.testing.assert_allclose(
        joined(path, 44100, signals=[[5], [0]]), joined(path, 44100)[[5, 0]], rtol=0, atol=1e-6 * np.abs(signal).max()
    )


def test_a_channel_that_is_not_in_use_may_hold_anything(tmp_path: Path) -> None:
    """A number that is none is told with the file's own count of channels, not with that of the channels in use."""
    signal = noise(6, 5000)
    signal[4, 960] = np.nan
    path = save(tmp_path / "a.wav", signal, subtype="FLOAT")
    np.testing.assert_array_equal(joined(path, signals=[[0], [5]]), signal[[0, 5]])
    assert described(path, [0, 5]).warnings == ()
    with pytest.raises(InputError, match=r"a\.wav: not a number at 0\.020 s, channel 5; export"):
        joined(path, signals=[[5], [4]])


@settings(deadline=None, max_examples=40)
@given(
    st.sampled_from([(44100, 48000), (48000, 44100), (96000, 48000), (88200, 48000), (22050, 48000)]),
    st.integers(1, 30_000),
    st.integers(1, 9000),
    st.integers(1, 2),
)
def test_a_converted_stem_comes_in_whole_blocks_and_rounded_length(
    tmp_path_factory: pytest.TempPathFactory, rates: tuple[int, int], frames: int, block: int, channels: int
) -> None:
    """Only the last block is shorter, and none is empty."""
    path = save(tmp_path_factory.mktemp("rates") / "a.wav", noise(channels, frames), rates[0])
    blocks = list(read_blocks(probe(path), rates[1], block))
    assert [b.shape for b in blocks[:-1]] == [(channels, block)] * (len(blocks) - 1)
    assert all(b.dtype == np.float32 for b in blocks)
    assert 1 <= blocks[-1].shape[1] <= block or frames * rates[1] / rates[0] < 0.5
    assert sum(b.shape[1] for b in blocks) == pytest.approx(frames * rates[1] / rates[0], abs=0.5)


@pytest.mark.parametrize("source_rate", [44100, 88200, 96000, 192000])
@pytest.mark.parametrize("at_s", [0.1, 1.0, 1.9])
def test_conversion_moves_nothing_in_time(tmp_path: Path, source_rate: int, at_s: float) -> None:
    """An impulse stays at its time, and the centre of its energy with it, to a hundredth of a sample."""
    signal = np.zeros((1, 2 * source_rate), np.float32)
    signal[0, round(at_s * source_rate)] = 1
    got = joined(save(tmp_path / "a.wav", signal, source_rate, subtype="FLOAT"), 48000, 4096)[0]
    assert np.argmax(np.abs(got)) == round(at_s * 48000)
    energy = got.astype(float) ** 2
    assert np.arange(got.size) @ energy / energy.sum() == pytest.approx(at_s * 48000, abs=0.01)


@pytest.mark.parametrize("frequency", [1000.0, 10_000.0, 20_000.0])
def test_a_converted_sine_is_the_sine_at_the_other_rate(tmp_path: Path, frequency: float) -> None:
    """Closed form: residual below −90 dB re the sine away from its ends; float32 files allow no better by far."""
    at_44100 = np.sin(2 * np.pi * frequency / 44100 * np.arange(88_200))[None].astype(np.float32)
    got = joined(save(tmp_path / "a.wav", at_44100, 44100, subtype="FLOAT"), 48000, 7777)[0]
    wanted = np.sin(2 * np.pi * frequency / 48000 * np.arange(96_000))
    middle = slice(4800, -4800)
    ratio = np.dot(got[middle], wanted[middle]) / np.dot(wanted[middle], wanted[middle])
    assert 20 * np.log10(ratio) == pytest.approx(0, abs=0.01)
    assert np.sqrt(np.mean((got - ratio * wanted)[middle] ** 2)) <= 10 ** (-90 / 20) * np.sqrt(0.5)


@pytest.mark.parametrize(
    ("value", "words"),
    [(np.nan, "not a number"), (np.inf, "an infinite number"), (-np.inf, "an infinite number")],
)
def test_the_first_sample_that_is_no_number_is_named(tmp_path: Path, value: float, words: str) -> None:
    """By time and channel, the earliest of several."""
    signal = noise(2, 48_000)
    signal[1, 24_000] = value
    signal[0, 40_000] = np.nan
    path = save(tmp_path / "violins.wav", signal, subtype="FLOAT")
    for reader in (joined, described):
        with pytest.raises(InputError, match=rf"violins\.wav: {words} at 0\.500 s, channel 2; export"):
            reader(path)


def test_memory_stays_flat(tmp_path: Path) -> None:
    """Four minutes take no more than half a one (within 5 %), conversion and description included."""
    for seconds in (30, 240):
        with open_audio(tmp_path / f"{seconds}.wav", sample_rate=44100, channels=2, encoding="pcm16") as writer:
            for _ in range(seconds):
                writer.write(noise(2, 44_100))
    script = f"""
import resource
from pathlib import Path
from render.stem_sound import describe
from render.stems import probe, read_blocks
for name in ("30.wav", "240.wav"):
    path = Path({str(tmp_path)!r}) / name
    for _ in read_blocks(probe(path), 48000, 65536):
        pass
    describe(probe(path))
    print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss)
"""
    result = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    short, long = map(int, result.stdout.split())
    assert long <= 1.05 * short


@pytest.mark.parametrize("suffix", [".wav", ".flac", ".ogg", ".aiff"])
@pytest.mark.parametrize("rate", [48000, 44100])
def test_a_stem_read_from_its_middle_has_the_bits_of_the_whole(tmp_path: Path, suffix: str, rate: int) -> None:
    """Every format, converted or not; past its end there is nothing."""
    path = tmp_path / f"stem{suffix}"
    soundfile.write(path, np.random.default_rng(1).uniform(-0.5, 0.5, (150_000, 2)), 48000)
    whole = np.concatenate(list(read_blocks(probe(path), rate, 10_000)), axis=1)
    for first in (0, 1, 65_537, 130_001):
        part = np.concatenate(list(read_blocks(probe(path), rate, 10_000, first=first)), axis=1)
        np.testing.assert_array_equal(part, whole[:, first:])
    assert list(read_blocks(probe(path), rate, 10_000, first=200_000)) == []
