"""Filters between octave-band numbers and samples."""

from __future__ import annotations

import numpy as np
import pytest
import scipy.fft
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from rooms.filters import band_weights, minimum_phase, minimum_phase_basis, nyquist_taper
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
