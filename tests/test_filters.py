"""Filters between octave-band numbers and samples."""

from __future__ import annotations

import numpy as np
import pytest
import scipy.fft
import scipy.signal
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from rooms.filters import band_weights, exponentials, high_pass, minimum_phase, minimum_phase_basis, nyquist_taper
from rooms.units import MIDBANDS

SIZE = 4096

gains = arrays(np.float64, 9, elements=st.floats(-3.0, 0.0))


@given(arrays(np.float64, 50, elements=st.floats(0.0, 96000.0)))
def test_bands_share_every_frequency_among_at_most_two_neighbours(frequency: np.ndarray) -> None:
    weights = band_weights(frequency)
    assert np.all((weights >= 0.0) & (weights <= 1.0))
    np.testing.assert_allclose(weights.sum(axis=0), 1.0, rtol=1e-12)
    assert np.all((weights > 1e-12).sum(axis=0) <= 2)


def test_a_mid_band_belongs_to_its_band_and_an_edge_to_both() -> None:
    np.testing.assert_allclose(band_weights(MIDBANDS), np.eye(9), atol=1e-12)
    edges = MIDBANDS[:-1] * 10**0.15  # IEC 61260-1, 5.6: band edges
    np.testing.assert_allclose(band_weights(edges)[:-1].diagonal(), 0.5, rtol=1e-9)
    np.testing.assert_array_equal(band_weights(np.array([0.0, 20.0, 22000.0]))[[0, 0, -1], [0, 1, 2]], 1.0)


@pytest.mark.parametrize("zero", [0.5, -0.8])
def test_minimum_phase_of_a_known_filter_is_that_filter(zero: float) -> None:
    """1 − z₀·z⁻¹ with |z₀| < 1 is minimum phase; its reverse has the same magnitude and comes back turned round."""
    known = np.fft.rfft([1.0, -zero], SIZE)
    reverse = np.fft.rfft([-zero, 1.0], SIZE)
    found = np.exp(minimum_phase(np.log(np.abs(reverse)), SIZE))
    np.testing.assert_allclose(found, known, atol=1e-12)


@settings(max_examples=30)
@given(gains)
def test_band_gains_are_kept_as_magnitude_and_leave_nothing_before_the_beginning(log_gain: np.ndarray) -> None:
    """Up to 26 dB from band to band; energy at negative times, wrapped to the end, below −100 dB of the whole."""
    spectrum = np.exp(log_gain @ minimum_phase_basis(1 << 16, 48000.0))
    weights = band_weights(scipy.fft.rfftfreq(1 << 16, 1 / 48000))
    np.testing.assert_allclose(np.abs(spectrum), np.exp(log_gain @ weights), rtol=1e-9)
    samples = scipy.fft.irfft(spectrum, 1 << 16)
    assert np.sum(samples[1 << 15 :] ** 2) < 1e-10 * np.sum(samples**2)


def test_a_shorter_basis_is_the_same_at_its_bins() -> None:
    long, short = (minimum_phase_basis(size, 48000.0) for size in (1 << 16, SIZE))
    np.testing.assert_array_equal(short, long[:, :: (1 << 16) // SIZE])
    assert short.shape == (9, SIZE // 2 + 1)


def test_equal_gains_are_one_gain() -> None:
    np.testing.assert_allclose(np.exp(-0.7 * minimum_phase_basis(SIZE, 48000.0).sum(axis=0)), np.exp(-0.7), rtol=1e-9)


@pytest.mark.parametrize(("rate", "edge"), [(44100, 19845.0), (48000, 20000.0), (96000, 40000.0)])
def test_the_taper_is_one_to_its_edge_and_zero_at_nyquist(rate: int, edge: float) -> None:
    frequency = np.linspace(0.0, rate / 2.0, 2001)
    taper = nyquist_taper(frequency, rate)
    np.testing.assert_array_equal(taper[frequency <= edge], 1.0)
    assert taper[-1] == pytest.approx(0.0, abs=1e-12)
    assert np.all(np.diff(taper) <= 0.0)


@pytest.mark.parametrize(("corner", "rate"), [(10.0, 192000.0), (80.0, 48000.0), (2000.0, 8000.0)])
def test_the_high_pass_is_butterworth_s_of_second_order(corner: float, rate: float) -> None:
    """Against SciPy's own design, an independent one; 3.01 dB at the corner (1/√2) and 12 dB an octave below.

    The far slope is told from a corner far below the rate; the bilinear transform bends it elsewhere.
    """
    signals = np.random.default_rng(1).standard_normal((2, 20000))
    wanted = scipy.signal.sosfilt(scipy.signal.butter(2, corner, "highpass", fs=rate, output="sos"), signals)
    np.testing.assert_allclose(high_pass(signals, corner, rate), wanted, rtol=0.0, atol=1e-9)
    impulse = np.zeros(1 << 17)
    impulse[0] = 1.0
    response = high_pass(impulse, corner, rate)
    at = corner * np.array([1.0, 1 / 16, 1 / 32])
    level = 20.0 * np.log10(np.abs(np.exp(-2j * np.pi * np.outer(at, np.arange(impulse.size)) / rate) @ response))
    assert level[0] == pytest.approx(-10.0 * np.log10(2.0), abs=1e-3)
    if corner < rate / 100:
        assert level[1] - level[2] == pytest.approx(40.0 * np.log10(2.0), abs=0.02)


def test_the_high_pass_is_minimum_phase_and_rings_down_in_1_6_periods() -> None:
    """Its first sample is the mean of the log magnitude, which no filter of that magnitude exceeds (Jensen's formula;
    Oppenheim & Schafer, Discrete-Time Signal Processing, on minimum energy delay, from memory); 20 ms after an impulse
    60 dB are gone at 80 Hz.

    The double zero at 0 Hz, met half a bin away, leaves ln 4 of a bin: 2e-5.
    """
    size, rate = 1 << 16, 48000.0
    impulse = np.zeros(size)
    impulse[0] = 1.0
    response = high_pass(impulse, 80.0, rate)
    between_bins = np.abs(np.fft.fft(response * np.exp(-1j * np.pi * np.arange(size) / size)))
    assert response[0] == pytest.approx(np.exp(np.mean(np.log(between_bins))), rel=3e-5)
    remaining = np.cumsum(response[::-1] ** 2)[::-1] / np.sum(response[1:] ** 2)
    assert 10.0 * np.log10(remaining[round(1.6 / 80.0 * rate)]) < -60.0


def test_exponentials_of_many_numbers_are_those_of_each() -> None:
    """Of 1e-8 where they are heard, |z| ≤ 4; a path that walls have all but swallowed stays swallowed."""
    random = np.random.default_rng(3)
    z = random.uniform(-2.8, 2.8, 500) + 1j * random.uniform(-2.8, 2.8, 500)
    re, im = z.real.copy(), z.imag.copy()
    exponentials(re, im)
    np.testing.assert_allclose(re + 1j * im, np.exp(z), rtol=1e-8)
    re, im = np.array([-20.0, -120.0]), np.array([15.0, -90.0])
    exponentials(re, im)
    assert np.all(np.abs(re + 1j * im) < [1e-8, 1e-40])
