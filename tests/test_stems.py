"""Stems: read whole or refused in one line, aligned to the sample at any rate, with what is wrong named."""

from __future__ import annotations

import re
import struct
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest
import scipy.signal
import soundfile
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from render.export import open_audio
from render.stems import StemDescription, describe, probe, read_blocks
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


# read_blocks


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
    """Ten minutes take no more than one (within 5 %), conversion and description included."""
    for minutes in (1, 10):
        with open_audio(tmp_path / f"{minutes}.wav", sample_rate=44100, channels=2, encoding="pcm16") as writer:
            for _ in range(minutes * 60):
                writer.write(noise(2, 44_100))
    script = f"""
import resource
from pathlib import Path
from render.stems import describe, probe, read_blocks
for name in ("1.wav", "10.wav"):
    path = Path({str(tmp_path)!r}) / name
    for _ in read_blocks(probe(path), 48000, 65536):
        pass
    describe(probe(path))
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
    assert described(save(tmp_path / "a.wav", notes(release_s))).warnings == ()


@pytest.mark.parametrize("reverberation_s", [2.0, 3.0])
@pytest.mark.parametrize("release_s", [0.02, 0.3])
def test_notes_from_a_hall_are_suspected(tmp_path: Path, reverberation_s: float, release_s: float) -> None:
    """And the decay named is the hall's, within a quarter (the fastest of several falls is a little faster)."""
    (warning,) = described(save(tmp_path / "a.wav", in_a_room(notes(release_s), reverberation_s))).warnings
    assert warning.startswith("notes decay with about ")
    assert float(warning.split()[4]) == pytest.approx(reverberation_s, rel=0.25)


def test_notes_from_a_hall_are_suspected_though_the_direct_sound_is_louder(tmp_path: Path) -> None:
    """By 5 dB, and the decay is still the hall's within a quarter; the direct sound's fall shortens it a little."""
    dry = notes(0.3)
    hall = in_a_room(dry, 3.0)
    hall *= 10 ** (-5 / 20) * np.sqrt(np.mean(dry**2) / np.mean(hall**2))
    (warning,) = described(save(tmp_path / "a.wav", dry + hall)).warnings
    assert float(warning.split()[4]) == pytest.approx(3.0, rel=0.25)


def test_a_short_dropout_does_not_make_a_reverberant_stem_dry(tmp_path: Path) -> None:
    """The level must stay down to have decayed."""
    signal = in_a_room(notes(0.1), 2.0)
    signal[:, 48_000 * 7 + 20_000 : 48_000 * 7 + 26_000] = 0
    assert described(save(tmp_path / "a.wav", signal)).warnings != ()


def test_a_long_diminuendo_is_no_hall(tmp_path: Path) -> None:
    """Thirty decibels over six seconds, and a clean stop at its end."""
    tone = noise(1, 480_000) * np.interp(np.arange(480_000), [0, 100_000, 388_000], [1, 1, 0.03])
    assert described(save(tmp_path / "a.wav", tone.astype(np.float32))).warnings == ()


def test_clipping_is_found_across_blocks_and_only_from_three_samples_on(tmp_path: Path) -> None:
    """Blocks are five seconds long: one run lies across their border."""
    signal = noise(2, 500_000, level=0.01)
    signal[0, 1000:1002] = 1  # two: a peak
    signal[0, 2000:2003] = (1, 0.9, 1)
    assert described(save(tmp_path / "a.wav", signal, subtype="PCM_24")).warnings == ()
    signal[1, 239_998:240_002] = -1
    signal[0, 480_000:480_003] = 1
    (warning,) = described(save(tmp_path / "a.wav", signal, subtype="PCM_24")).warnings
    assert warning == "clipped: 2 times at full scale for 3 samples or more, first at 5.000 s"


@pytest.mark.parametrize("subtype", ["PCM_U8", "PCM_16", "PCM_24", "PCM_32", "FLOAT"])
def test_clipping_is_found_at_the_full_scale_of_each_encoding(tmp_path: Path, subtype: str) -> None:
    """127/128 is the most that 8 bits hold."""
    signal = noise(1, 48_000, level=0.01)
    signal[0, 4800:4810] = 1
    (warning,) = described(save(tmp_path / "a.wav", signal, subtype=subtype)).warnings
    assert warning == "clipped: once at full scale for 3 samples or more, first at 0.100 s"
    signal[0, 4800:4810] = 0.985  # 126/128
    assert described(save(tmp_path / "a.wav", signal, subtype=subtype)).warnings == ()


def sides(band: tuple[float, float], correlation: float, rate: int = 48000) -> NDArray:
    """Return two channels of noise that correlate so in a band, and are alike elsewhere."""
    left, other = noise(2, 10 * rate)
    filters = scipy.signal.butter(8, band, "bandpass", fs=rate, output="sos")
    one, two = (scipy.signal.sosfiltfilt(filters, x) for x in (left, other))
    return np.stack([left, left - one + correlation * one + np.sqrt(1 - correlation**2) * two]).astype(np.float32)


@pytest.mark.parametrize("rate", [44100, 48000, 96000])
def test_sides_that_cancel_in_a_third_octave_are_named_where_they_are_folded(tmp_path: Path, rate: int) -> None:
    """Closed form: sides of equal level and correlation r lose 10 lg(2/(1 + r)) dB, 10 dB for r = −0.8.

    Bands away from the edges of the filter, within 0.5 dB: some ninety windows of a noise of 230 Hz bandwidth scatter
    by 0.1 dB, and the filter's slopes let a little of the rest in.
    """
    path = save(tmp_path / "a.wav", sides((600, 1700), -0.8, rate), rate, subtype="FLOAT")
    (warning,) = described(path, fold=True).warnings
    found = re.fullmatch(
        r"its sides cancel when folded: the third octave at (800|1000|1250) Hz loses ([\d.]+) dB, "
        r"and more than 6 dB in 2 more; leave fold out to seat them as halves, or choose one of its channels",
        warning,
    )
    assert found, warning
    assert float(found[2]) == pytest.approx(10 * np.log10(2 / 0.2), abs=0.5)
    assert described(path).warnings == ()
    assert described(path, [0], fold=True).warnings == ()


@pytest.mark.parametrize("correlation", [1.0, 0.5, 0.0, -0.4])
def test_sides_that_lose_less_than_6_db_fold_without_a_word(tmp_path: Path, correlation: float) -> None:
    """10 lg(2/(1 + r)) is 0, 1.2, 3.0 and 5.2 dB; a third octave of its own, and the rest alike."""
    assert described(save(tmp_path / "a.wav", sides((500, 2000), correlation)), fold=True).warnings == ()


def test_opposite_sides_lose_everything_and_a_band_nobody_hears_does_not_count(tmp_path: Path) -> None:
    """A low hum of opposite sign 70 dB below the music is no reason to warn; 30 dB below, it is."""
    music = noise(1, 480_000)
    (warning,) = described(save(tmp_path / "a.wav", np.concatenate([music, -music])), fold=True).warnings
    assert "loses everything, and more than 6 dB in 29 more" in warning
    hum = 0.1 * np.sin(2 * np.pi * 50 * np.arange(480_000) / 48_000)
    high = scipy.signal.sosfilt(scipy.signal.butter(8, 500, "highpass", fs=48000, output="sos"), music)
    for level_db, warned in ((-70, False), (-30, True)):
        part = 10 ** (level_db / 20) * hum
        path = save(tmp_path / "b.wav", np.concatenate([high + part, high - part]), subtype="FLOAT")
        # Hann windows let the music leak into the band, so that not everything is lost there.
        lost = [re.findall(r"at 50 Hz loses ([\d.]+) dB;", w) for w in described(path, fold=True).warnings]
        assert [float(db) > 40 for (db,) in lost] == [True] * warned


def test_floating_point_above_full_scale_is_not_clipped(tmp_path: Path) -> None:
    """Nothing is lost there."""
    signal = noise(1, 48_000, level=2.0)
    signal -= signal.mean()
    assert described(save(tmp_path / "a.wav", signal, subtype="FLOAT")).warnings == ()


@pytest.mark.parametrize("peak_db", [-59.0, -61.0, -np.inf])
def test_a_stem_that_peaks_below_minus_60_db_is_called_silent(tmp_path: Path, peak_db: float) -> None:
    """A muted track that was exported."""
    signal = noise(1, 48_000)
    signal *= 10 ** (peak_db / 20) / np.abs(signal).max()
    got = described(save(tmp_path / "a.wav", signal, subtype="FLOAT"))
    assert got.peak_dbfs == pytest.approx(peak_db, abs=1e-3)
    assert bool(got.warnings) == (peak_db < -60)
    words = f"silent: peaks at {peak_db:.1f} dBFS" if np.isfinite(peak_db) else "silent: every sample is zero"
    assert got.warnings == ((words,) if peak_db < -60 else ())


@pytest.mark.parametrize("offset", [0.0, 0.004, 0.006, -0.02])
def test_an_offset_is_measured_and_named_from_half_a_percent_on(tmp_path: Path, offset: float) -> None:
    """The channel farther off counts."""
    signal = noise(2, 96_000) - noise(2, 96_000).mean(axis=1, keepdims=True)
    signal[1] += np.float32(offset)
    got = described(save(tmp_path / "a.wav", signal, subtype="FLOAT"))
    assert got.dc_offset == pytest.approx(offset, abs=1e-6)
    assert bool(got.warnings) == (abs(offset) > 0.005)


def test_numbers_of_a_known_signal(tmp_path: Path) -> None:
    """Full scale 997 Hz in one channel reads −3.01 LKFS (ITU-R BS.1770-4, annex 1)."""
    sine = np.sin(2 * np.pi * 997 / 48000 * np.arange(480_000))[None]
    got = described(save(tmp_path / "a.wav", sine.astype(np.float32), subtype="FLOAT"))
    assert got.length_s == 10
    assert got.lufs == pytest.approx(-3.01, abs=0.005)
    assert got.lufs_reason is None
    assert got.peak_dbfs == pytest.approx(0, abs=1e-3)
    short = described(save(tmp_path / "b.wav", sine[:, :4800], subtype="PCM_16"))
    assert short.lufs is None
    assert short.lufs_reason == "shorter than 0.4 s (4800 of 19200 samples)"


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
