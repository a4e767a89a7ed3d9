"""What may be wrong with a stem is named, and nothing else."""

from __future__ import annotations

import re
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest
import scipy.signal
import soundfile
from numpy.typing import NDArray

from render.stem_sound import StemDescription, describe
from render.stems import probe


def described(path: Path, channels: Sequence[int] | None = None, *, fold: bool = False) -> StemDescription:
    """Return what a stem sounds like."""
    return describe(probe(path), channels, fold=fold)


def noise(channels: int, count: int, level: float = 0.1, seed: int = 0) -> NDArray:
    return level * np.random.default_rng(seed).standard_normal((channels, count), np.float32)


def save(path: Path, signal: NDArray, sample_rate: int = 48000, **options: str) -> Path:
    soundfile.write(path, signal.T, sample_rate, **options)
    return path


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
