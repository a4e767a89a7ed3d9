"""The meter: independent of the cut, equal to another implementation, honest where nothing can be read."""

from __future__ import annotations

import re

import numpy as np
import pyloudnorm
import pytest
import scipy.signal
import soxr
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from render import loudness
from render.loudness import Loudness, LoudnessMeter


def read(signal: NDArray, sample_rate: int, sizes: list[int] | None = None) -> Loudness:
    """Return the reading of (channels, samples) cut into blocks of the given sizes, again and again."""
    meter = LoudnessMeter(sample_rate, signal.shape[0])
    start = 0
    index = 0
    sizes = sizes or [signal.shape[1]]
    while start < signal.shape[1]:
        size = sizes[index % len(sizes)]
        meter.add(signal[:, start : start + size])
        start += size
        index += 1
    return meter.result()


def material(seed: int, channels: int, count: int) -> NDArray:
    """Return noise whose level wanders over 50 dB, so that both gates matter."""
    rng = np.random.default_rng(seed)
    level_db = np.interp(np.arange(count), np.linspace(0, count, 9), rng.uniform(-60, -10, 9))
    return (10 ** (level_db / 20) * rng.standard_normal((channels, count))).astype(np.float32)


@pytest.mark.parametrize("sample_rate", [44100, 48000, 88200, 96000])
@pytest.mark.parametrize("channels", [1, 2])
def test_it_equals_pyloudnorm_on_random_material(sample_rate: int, channels: int) -> None:
    """Within 1e-3 LU of the library's own gating, given the same filters (its class "DeMan")."""
    signal = material(channels, channels, 8 * sample_rate)
    wanted = pyloudnorm.Meter(sample_rate, filter_class="DeMan").integrated_loudness(signal.T.astype(float))
    assert read(signal, sample_rate, [4801]).lufs == pytest.approx(wanted, abs=1e-3)


@settings(deadline=None, max_examples=25)
@given(st.integers(0, 2**32 - 1), st.lists(st.integers(1, 40_000), min_size=1, max_size=6), st.integers(1, 2))
def test_the_reading_does_not_depend_on_how_the_audio_is_cut(seed: int, sizes: list[int], channels: int) -> None:
    """Whole or in pieces: the same, loudness to rounding in double precision."""
    signal = material(seed, channels, 99_999)
    whole = read(signal, 44100)
    pieces = read(signal, 44100, [size + 50 for size in sizes])
    assert pieces.lufs == pytest.approx(whole.lufs, abs=1e-9)
    assert pieces.peak_dbfs == whole.peak_dbfs
    assert pieces.true_peak_dbtp == whole.true_peak_dbtp


def test_one_sample_at_a_time_reads_the_same() -> None:
    """The smallest cut."""
    signal = material(1, 1, 5000)
    assert read(signal, 8000, [1]).lufs == pytest.approx(read(signal, 8000).lufs, abs=1e-9)


@given(st.floats(-30, 10))
@settings(deadline=None, max_examples=10)
def test_a_gain_moves_loudness_and_peaks_by_itself(gain_db: float) -> None:
    """Where the absolute gate isn't touched."""
    signal = 0.1 * np.random.default_rng(2).standard_normal((2, 48_000)).astype(np.float32)
    before, after = read(signal, 48000), read((signal * 10 ** (gain_db / 20)).astype(np.float32), 48000)
    assert after.lufs - before.lufs == pytest.approx(gain_db, abs=1e-4)
    assert after.peak_dbfs - before.peak_dbfs == pytest.approx(gain_db, abs=1e-4)
    assert after.true_peak_dbtp - before.true_peak_dbtp == pytest.approx(gain_db, abs=1e-4)


def test_the_true_peak_is_never_below_the_sample_peak() -> None:
    """A single sample at full scale."""
    signal = np.zeros((1, 1000), np.float32)
    signal[0, 0] = 1
    got = read(signal, 48000)
    assert got.peak_dbfs == 0
    assert got.true_peak_dbtp >= 0


@pytest.mark.parametrize("sample_rate", [44100, 48000, 96000])
@pytest.mark.parametrize("seed", range(5))
def test_the_true_peak_is_that_of_another_resampler(sample_rate: int, seed: int) -> None:
    """The highest of four times the samples by soxr, of material below 0.4 of the rate, where both are flat (0.01 dB).

    The level wanders over 50 dB, so that most gaps between samples are passed over.
    """
    low_pass = scipy.signal.firwin(255, 0.8)
    signal = scipy.signal.lfilter(low_pass, 1, material(seed, 2, 2 * sample_rate), axis=1).astype(np.float32)
    dense = soxr.resample(signal.T.astype(float), sample_rate, 4 * sample_rate, quality="VHQ")
    wanted = 20 * np.log10(np.abs(dense).max())
    assert read(signal, sample_rate, [777]).true_peak_dbtp == pytest.approx(wanted, abs=0.01)


def highest(signal: NDArray) -> float:
    """Return the highest value in any gap, all taps added up."""
    return max(float(np.abs(np.convolve(signal, gap[::-1].astype(float))).max()) for gap in loudness._GAPS)


@pytest.mark.parametrize("gap", loudness._GAPS, ids=["1/4", "1/2", "3/4"])
def test_no_gap_is_passed_over_that_the_far_taps_lift_above_the_rest(gap: NDArray) -> None:
    """Half scale near a gap, full scale far from it, every sample in step with its tap; before it, one 1 % lower."""
    near = slice((gap.size - loudness._NEAR) // 2, (gap.size + loudness._NEAR) // 2)
    in_step = np.sign(gap).astype(np.float64)
    hidden = in_step.copy()
    hidden[near] *= 0.5
    lower = 0.99 * highest(hidden) / highest(in_step) * in_step
    signal = np.concatenate([lower, np.zeros(200), hidden, np.zeros(30)]).astype(np.float32)
    got = read(signal[None], 48000).true_peak_dbtp
    assert got == pytest.approx(20 * np.log10(highest(hidden)), abs=1e-4)  # float32; 1 % is 0.09 dB


def test_the_true_peak_of_the_very_last_samples_counts() -> None:
    """Forty samples at a quarter of the rate, 45° off: 3 dB above the samples (closed form), to 0.5 dB at ends."""
    signal = np.sin(np.pi / 2 * np.arange(40) + np.pi / 4)[None].astype(np.float32)
    got = read(signal, 48000)
    assert got.peak_dbfs == pytest.approx(-3.01, abs=0.005)
    assert got.true_peak_dbtp == pytest.approx(0, abs=0.5)


@pytest.mark.parametrize(
    ("signal", "reason"),
    [
        (np.ones((1, 19_199), np.float32), r"shorter than 0\.4 s \(19199 of 19200 samples\)"),
        (np.ones((1, 100), np.float32), r"shorter than 0\.4 s \(100 of 19200 samples\)"),
        (np.zeros((2, 0), np.float32), r"shorter than 0\.4 s \(0 of 19200 samples\)"),
        (np.zeros((2, 48_000), np.float32), "nowhere above the gate at -70 LUFS"),
        (np.ones((12, 48_000), np.float32), "not for 12 channels"),
    ],
)
def test_where_there_is_no_loudness_there_is_a_reason(signal: NDArray, reason: str) -> None:
    """None, never a made-up number."""
    got = read(signal, 48000)
    assert got.lufs is None
    assert got.reason is not None
    assert re.search(reason, got.reason)


def test_silence_peaks_at_minus_infinity() -> None:
    """A level of nothing."""
    got = read(np.zeros((2, 48_000), np.float32), 48000)
    assert got.peak_dbfs == got.true_peak_dbtp == -np.inf
