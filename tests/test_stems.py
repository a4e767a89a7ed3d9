"""Stems: read whole or refused in one line, aligned to the sample at any rate, with what is wrong named."""

from __future__ import annotations

import struct
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import scipy.signal
import soundfile
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from render.export import open_wave
from render.stems import describe, probe, read_blocks
from rooms.errors import InputError

FORMATS = {"wav": "WAV", "rf64": "RF64", "flac": "FLAC", "aiff": "AIFF", "ogg": "OGG"}


def noise(channels: int, count: int, level: float = 0.1, seed: int = 0) -> NDArray:
    return level * np.random.default_rng(seed).standard_normal((channels, count), np.float32)


def save(path: Path, signal: NDArray, sample_rate: int = 48000, **options: str) -> Path:
    soundfile.write(path, signal.T, sample_rate, format=FORMATS[path.suffix[1:]], **options)
    return path


def joined(path: Path, sample_rate: int = 48000, block: int = 1000, *, fold: bool = False) -> NDArray:
    return np.concatenate(list(read_blocks(path, sample_rate, block, fold=fold)), axis=1)


# probe


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
    with open_wave(
        path,
        sample_rate=48000,
        channels=channels,
        encoding="pcm24",
        loudspeakers=True,
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
    save(tmp_path / "six.wav", noise(6, 10))
    save(tmp_path / "nothing.wav", noise(1, 0))
    (tmp_path / "empty.wav").touch()
    (tmp_path / "text.wav").write_text("dear diary\n")
    (tmp_path / "noise.raw").write_bytes(bytes(range(256)))
    (tmp_path / "folder").mkdir()
    for name, message in {
        "violin-1.wav": "no such file; did you mean 'violins-1.wav'?",
        "none/a.wav": "no such file; none exists",
        "six.wav": "has 6 channels; a stem has 1 or 2; split the file",
        "nothing.wav": "holds no samples; export it again",
        "empty.wav": "is empty; export it again",
        "text.wav": "not a sound file that can be read; allowed: WAV, RF64, FLAC, AIFF or OGG",
        "noise.raw": "not a sound file that can be read; allowed: WAV, RF64, FLAC, AIFF or OGG",
        "folder": "is a folder; name a sound file in it",
    }.items():
        for reader in (probe, describe, joined):
            with pytest.raises(InputError) as caught:
                reader(tmp_path / name)
            assert str(caught.value) == f"{tmp_path / name}: {message}"


# read_blocks


def test_folding_is_the_mean_of_both(tmp_path: Path) -> None:
    """And leaves mono alone."""
    signal = noise(2, 5000)
    path = save(tmp_path / "a.wav", signal, subtype="FLOAT")
    np.testing.assert_allclose(joined(path, fold=True), signal.mean(axis=0)[None], rtol=1e-6)
    mono = save(tmp_path / "b.wav", signal[:1], subtype="FLOAT")
    np.testing.assert_array_equal(joined(mono, fold=True), signal[:1])
    assert joined(path, 44100, fold=True).shape == (1, 4594)


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
    blocks = list(read_blocks(path, rates[1], block))
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
    for reader in (joined, describe):
        with pytest.raises(InputError, match=rf"violins\.wav: {words} at 0\.500 s, channel 2; export"):
            reader(path)


def test_memory_stays_flat(tmp_path: Path) -> None:
    """Ten minutes take no more than one (within 5 %), conversion and description included."""
    for minutes in (1, 10):
        with open_wave(
            tmp_path / f"{minutes}.wav", sample_rate=44100, channels=2, encoding="pcm16", loudspeakers=True
        ) as writer:
            for _ in range(minutes * 60):
                writer.write(noise(2, 44_100))
    script = f"""
import resource
from pathlib import Path
from render.stems import describe, read_blocks
for name in ("1.wav", "10.wav"):
    path = Path({str(tmp_path)!r}) / name
    for _ in read_blocks(path, 48000, 65536):
        pass
    describe(path)
    print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss)
"""
    result = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    short, long = map(int, result.stdout.split())
    assert long <= 1.05 * short


# describe


def notes(release_s: float = 0.3, sample_rate: int = 48000) -> NDArray:
    """Return eight held notes with vibrato, then a stop; each fades by 30 dB in the release, as samples do."""
    time = np.arange(4 * sample_rate) / sample_rate
    envelope = np.minimum(1, time / 0.05) * 10 ** (-30 / 20 * np.maximum(0, time - 0.6) / release_s)
    melody = np.zeros(12 * sample_rate)
    for place, midi in enumerate((62, 65, 69, 74, 72, 69, 65, 62)):
        phase = 2 * np.pi * 440 * 2 ** ((midi - 69) / 12) * (time + 0.0005 * np.sin(2 * np.pi * 5.5 * time))
        tone = envelope * sum(np.sin(k * phase) / k for k in range(1, 12))
        melody[place * sample_rate : (place + 4) * sample_rate] += tone
    return 0.1 * melody[None]


def in_a_room(signal: NDArray, reverberation_s: float, sample_rate: int = 48000) -> NDArray:
    """Return the signal convolved with exponentially decaying noise."""
    time = np.arange(round(1.2 * reverberation_s * sample_rate)) / sample_rate
    response = np.random.default_rng(1).standard_normal(time.size) * 10 ** (-3 * time / reverberation_s)
    return 0.02 * scipy.signal.oaconvolve(signal, response[None], axes=1)[:, : signal.shape[1]]


@pytest.mark.parametrize("release_s", [0.02, 0.1, 0.3, 0.6])
def test_dry_notes_with_their_own_release_do_not_pass_for_reverberant(tmp_path: Path, release_s: float) -> None:
    """0.6 s over 30 dB is the slowest release of the sampled strings tried: 1.2 s to −60 dB."""
    assert describe(save(tmp_path / "a.wav", notes(release_s))).warnings == ()


@pytest.mark.parametrize("reverberation_s", [2.0, 3.0])
@pytest.mark.parametrize("release_s", [0.02, 0.3])
def test_notes_from_a_hall_are_suspected(tmp_path: Path, reverberation_s: float, release_s: float) -> None:
    """And the decay named is the hall's, within a quarter (the fastest of several falls is a little faster)."""
    (warning,) = describe(save(tmp_path / "a.wav", in_a_room(notes(release_s), reverberation_s))).warnings
    assert warning.startswith("notes decay with about ")
    assert float(warning.split()[4]) == pytest.approx(reverberation_s, rel=0.25)


def test_a_short_dropout_does_not_make_a_reverberant_stem_dry(tmp_path: Path) -> None:
    """The level must stay down to have decayed."""
    signal = in_a_room(notes(0.1), 2.0)
    signal[:, 48_000 * 7 + 20_000 : 48_000 * 7 + 26_000] = 0
    assert describe(save(tmp_path / "a.wav", signal)).warnings != ()


def test_a_long_diminuendo_is_no_hall(tmp_path: Path) -> None:
    """Thirty decibels over six seconds, and a clean stop at its end."""
    tone = noise(1, 480_000) * np.interp(np.arange(480_000), [0, 100_000, 388_000], [1, 1, 0.03])
    assert describe(save(tmp_path / "a.wav", tone.astype(np.float32))).warnings == ()


def test_clipping_is_found_across_blocks_and_only_from_three_samples_on(tmp_path: Path) -> None:
    """Blocks are five seconds long: one run lies across their border."""
    signal = noise(2, 500_000, level=0.01)
    signal[0, 1000:1002] = 1  # two: a peak
    signal[0, 2000:2003] = (1, 0.9, 1)
    assert describe(save(tmp_path / "a.wav", signal, subtype="PCM_24")).warnings == ()
    signal[1, 239_998:240_002] = -1
    signal[0, 480_000:480_003] = 1
    (warning,) = describe(save(tmp_path / "a.wav", signal, subtype="PCM_24")).warnings
    assert warning == "clipped: 2 times at full scale for 3 samples or more, first at 5.000 s"


def test_floating_point_above_full_scale_is_not_clipped(tmp_path: Path) -> None:
    """Nothing is lost there."""
    signal = noise(1, 48_000, level=2.0)
    signal -= signal.mean()
    assert describe(save(tmp_path / "a.wav", signal, subtype="FLOAT")).warnings == ()


@pytest.mark.parametrize("peak_db", [-59.0, -61.0, -np.inf])
def test_a_stem_that_peaks_below_minus_60_db_is_called_silent(tmp_path: Path, peak_db: float) -> None:
    """A muted track that was exported."""
    signal = noise(1, 48_000)
    signal *= 10 ** (peak_db / 20) / np.abs(signal).max()
    got = describe(save(tmp_path / "a.wav", signal, subtype="FLOAT"))
    assert got.peak_dbfs == pytest.approx(peak_db, abs=1e-3)
    assert bool(got.warnings) == (peak_db < -60)
    assert all(warning.startswith("silent: peaks at ") for warning in got.warnings)


@pytest.mark.parametrize("offset", [0.0, 0.004, 0.006, -0.02])
def test_an_offset_is_measured_and_named_from_half_a_percent_on(tmp_path: Path, offset: float) -> None:
    """The channel farther off counts."""
    signal = noise(2, 96_000) - noise(2, 96_000).mean(axis=1, keepdims=True)
    signal[1] += np.float32(offset)
    got = describe(save(tmp_path / "a.wav", signal, subtype="FLOAT"))
    assert got.dc_offset == pytest.approx(offset, abs=1e-6)
    assert bool(got.warnings) == (abs(offset) > 0.005)


def test_numbers_of_a_known_signal(tmp_path: Path) -> None:
    """Full scale 997 Hz in one channel reads −3.01 LKFS (ITU-R BS.1770-4, annex 1)."""
    sine = np.sin(2 * np.pi * 997 / 48000 * np.arange(480_000))[None]
    got = describe(save(tmp_path / "a.wav", sine.astype(np.float32), subtype="FLOAT"))
    assert got.length_s == 10
    assert got.lufs == pytest.approx(-3.01, abs=0.005)
    assert got.lufs_reason is None
    assert got.peak_dbfs == pytest.approx(0, abs=1e-3)
    short = describe(save(tmp_path / "b.wav", sine[:, :4800], subtype="PCM_16"))
    assert short.lufs is None
    assert short.lufs_reason == "shorter than 0.4 s (4800 of 19200 samples)"
