"""Responses known from outside: closed forms, a sweep through a known response."""

from __future__ import annotations

import numpy as np
import pytest
import scipy.signal
from numpy.typing import NDArray

from rooms.early_measures import clarity_deviation, direct_to_reverberant, first_reflections, onset_sample
from rooms.errors import InputError
from rooms.jnd import in_jnds
from rooms.measures import from_echogram, from_response
from rooms.spectra import THIRD_OCTAVES, long_term_spectrum, noise_floor
from rooms.sweeps import deconvolve
from rooms.two_channels import cross_correlation, early_late, lateral_fractions, pair_correlation, side_share

RATE = 16000
LN_60_DB = 6.0 * np.log(10.0)


def pulses(*found: tuple[float, float], length_s: float = 0.3) -> NDArray[np.float64]:
    """Return a signal with pulses (time in seconds, amplitude)."""
    signal = np.zeros(round(length_s * RATE))
    for time_s, amplitude in found:
        signal[round(time_s * RATE)] += amplitude
    return signal


def noise_decay(T_s: float, length_s: float, seed: int, count: int = 1) -> NDArray[np.float64]:
    time = np.arange(round(length_s * RATE)) / RATE
    noise = np.random.default_rng(seed).standard_normal((count, time.size))
    return noise * np.exp(-LN_60_DB / 2.0 * time / T_s)


# two channels


@pytest.mark.parametrize("angle", [0.0, 30.0, 60.0, 90.0])
def test_a_lone_reflection_has_the_lateral_fraction_of_its_angle(angle: float) -> None:
    """Half as strong, 20 ms late, at an angle from the figure-of-eight's axis (ISO 3382-1, A.14 and A.15)."""
    towards = np.cos(np.radians(angle))
    omni, side = pulses((0.01, 1.0), (0.03, 0.5)), pulses((0.03, 0.5 * towards))
    LF, LFC = lateral_fractions(omni, side, RATE, round(0.01 * RATE))
    assert LF == pytest.approx(0.25 * towards**2 / 1.25, abs=1e-12)
    assert LFC == pytest.approx(0.25 * abs(towards) / 1.25, abs=1e-12)


def test_reflections_from_both_sides_add_up_whatever_their_sign() -> None:
    """At 45° and 135°: 2·0.25·cos 45° over 1.5 is 0.2357; without the modulus it would be 0."""
    c = np.sqrt(0.5)
    omni, side = pulses((0.0, 1.0), (0.02, 0.5), (0.03, 0.5)), pulses((0.02, 0.5 * c), (0.03, -0.5 * c))
    assert lateral_fractions(omni, side, RATE, 0)[1] == pytest.approx(0.2357, abs=5e-5)  # the printed digits


@pytest.mark.parametrize("late_s", [0.003, 0.09])
def test_what_comes_before_5_ms_or_after_80_ms_is_not_lateral(late_s: float) -> None:
    LF, LFC = lateral_fractions(pulses((0.0, 1.0), (late_s, 0.5)), pulses((late_s, 0.5)), RATE, 0)
    assert (LF, LFC) == (0.0, 0.0)


def test_the_lateral_fraction_of_an_octave_is_that_of_all_for_pulses_that_do_not_meet_in_it() -> None:
    """At 2 kHz the filter rings for 2 ms; the reflection comes 40 ms later. 1e-3: what is left of ringing there."""
    omni, side = pulses((0.01, 1.0), (0.05, 0.5)), pulses((0.05, 0.25))
    LF, LFC = lateral_fractions(omni, side, RATE, round(0.01 * RATE), [2000.0])
    assert LF[0] == pytest.approx(0.0625 / 1.25, rel=1e-3)
    assert LFC[0] == pytest.approx(0.125 / 1.25, rel=1e-3)


def test_ears_that_hear_the_same_are_fully_correlated_at_any_lag_of_a_millisecond() -> None:
    """IACC(x, −x) is 1 (modulus of B.2), a shifted copy's too; unrelated noise has little, a later copy none."""
    x = np.random.default_rng(1).standard_normal(RATE)
    shift = RATE // 1000
    assert cross_correlation(x, -x, RATE) == pytest.approx(1.0, abs=1e-12)
    assert cross_correlation(x[shift:], x[:-shift], RATE) == pytest.approx(1.0, abs=1e-3)  # a few samples stick out
    assert cross_correlation(pulses((0.0, 1.0)), pulses((0.002, 1.0)), RATE) == 0.0
    assert np.isnan(cross_correlation(x, np.zeros(RATE), RATE))


def test_early_and_late_parts_of_an_octave_are_correlated_each_by_itself() -> None:
    """The same direct sound in both ears, unrelated decays from 100 ms on."""
    late = np.pad(noise_decay(0.5, 0.6, 2, 2), ((0, 0), (round(0.1 * RATE), 0)))
    pair = 0.03 * late  # so weak that the direct sound decides wherever it is let in
    pair[:, 0] = 1.0
    parts = early_late(pair, RATE, 0, [1000.0])
    early, after = (cross_correlation(parts[p][0, 0], parts[p][0, 1], RATE) for p in ("early", "late"))
    assert early == pytest.approx(1.0, abs=1e-9)
    assert after < 0.4


def test_width_and_correlation_of_a_pair_have_their_closed_forms() -> None:
    """Of equal levels and correlation ρ the side has (1 − ρ)/2 of the energy."""
    a, b = np.linalg.qr(np.random.default_rng(3).standard_normal((500, 2)))[0].T  # unit energy, orthogonal
    for rho in (-1.0, -0.3, 0.0, 0.6, 1.0):
        other = rho * a + np.sqrt(1.0 - rho**2) * b
        assert pair_correlation(a, other) == pytest.approx(rho, abs=1e-12)
        assert side_share(a, other) == pytest.approx((1.0 - rho) / 2.0, abs=1e-12)


# early


def test_reflections_are_found_where_and_as_strong_as_they_are() -> None:
    """Three pulses over a weak decay; the initial time gap is the first one's."""
    response = pulses((0.05, 1.0), (0.068, -0.5), (0.075, 0.3), (0.11, 0.25), length_s=0.6)
    response[round(0.05 * RATE) :] += 0.003 * noise_decay(1.0, 0.55, 4)[0]
    onset = onset_sample(response, RATE)
    found = first_reflections(response, RATE, onset)
    assert onset == round(0.05 * RATE)
    np.testing.assert_allclose([r.time_s for r in found], [0.018, 0.025, 0.06], atol=1.0 / RATE)
    # 0.2 dB: what the decay adds within the window
    np.testing.assert_allclose([r.level_db for r in found], 20.0 * np.log10([0.5, 0.3, 0.25]), atol=0.2)


def test_a_plain_decay_has_no_reflection_that_stands_out() -> None:
    counts = [len(first_reflections(noise_decay(1.0, 0.5, seed)[0], RATE, 0)) for seed in range(10)]
    assert sum(counts) <= 2


def test_the_onset_is_not_the_noise_before() -> None:
    """Noise 30 dB below the peak has samples within 20 dB of it; the clap comes after a second of it."""
    response = pulses((1.0, 1.0), length_s=1.5) + 0.03 * np.random.default_rng(5).standard_normal(round(1.5 * RATE))
    assert np.argmax(np.abs(response) >= 0.1) < 0.9 * RATE
    assert onset_sample(response, RATE) == RATE


def test_direct_to_reverberant_ratio_of_a_pulse_and_a_tail_is_that_of_their_energies() -> None:
    """White both: 10·lg(1/E) in every octave where the direct sound holds a period."""
    tail = np.pad(noise_decay(0.8, 1.0, 6)[0], (round(0.01 * RATE), 0))
    tail *= np.sqrt(0.25 / np.sum(tail**2))
    response = tail + pulses((0.0, 1.0), length_s=1.01)
    ratio = direct_to_reverberant(response, RATE, 0, bands=[250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0])
    assert np.isnan(ratio[[0, 5]]).all()
    # three standard deviations of the decay's energy in the band, 4.34·√(6.9/(B·T)) dB
    scatter = 4.34 * np.sqrt(6.9 / (0.707 * np.array([500.0, 1000.0, 2000.0, 4000.0]) * 0.8))
    assert np.all(np.abs(ratio[1:5] - 10.0 * np.log10(4.0)) < 3.0 * scatter)


def test_clarity_of_noise_decays_scatters_as_stated() -> None:
    """200 decays; the standard deviation of a standard deviation is 5 %, three of them are allowed."""
    T_s, bands = 0.6, [500.0, 1000.0]
    found = [from_response(x, 8000, arrival_s=0.0, bands=bands).C80_db for x in _decays_8k(T_s, 200)]
    np.testing.assert_allclose(np.std(found, axis=0), clarity_deviation([T_s, T_s], bands), rtol=0.15)


def _decays_8k(T_s: float, count: int) -> NDArray[np.float64]:
    time = np.arange(round(1.2 * T_s * 8000)) / 8000
    return np.random.default_rng(7).standard_normal((count, time.size)) * np.exp(-LN_60_DB / 2.0 * time / T_s)


# curvature


def test_curvature_of_two_slopes_is_that_of_the_closed_form_curve_and_none_of_one_slope() -> None:
    """ISO 3382-2:2008, annex B (from memory): C = 100·(T30/T20 − 1) %, ξ = 1000·(1 − r²) ‰ of a straight line."""
    edges = np.arange(4001) * 1e-3
    time = np.arange(40000) * 1e-4

    def of(late: float) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        parts = [(1.0 - late, 0.8), (late, 2.4)]
        return tuple(sum(a * np.exp(-LN_60_DB * x / T) for a, T in parts) for x in (edges, time))

    straight = from_echogram([-np.diff(of(0.0)[0])], 1e-3, 0.0, bands=[1000.0])
    assert straight.curvature_percent[0] == pytest.approx(0.0, abs=1e-3)
    assert straight.nonlinearity_permille[0] == pytest.approx(0.0, abs=1e-3)
    cumulative, fine = of(0.03)
    bent = from_echogram([-np.diff(cumulative)], 1e-3, 0.0, bands=[1000.0])
    level = 10.0 * np.log10(fine)
    T = {}
    for lower in (25.0, 35.0):
        inside = (level <= -5.0) & (level >= -lower)
        T[lower] = -60.0 / np.polyfit(time[inside], level[inside], 1)[0]
    curvature = 100.0 * (T[35.0] / T[25.0] - 1.0)
    assert curvature > 10.0
    r = np.corrcoef(time[inside], level[inside])[0, 1]
    assert bent.curvature_percent[0] == pytest.approx(curvature, rel=0.02)
    assert bent.nonlinearity_permille[0] == pytest.approx(1000.0 * (1.0 - r**2), rel=0.02)


# sweeps


def swept(length_s: float = 2.0, low: float = 60.0, high: float = 7000.0) -> NDArray[np.float64]:
    """Return an exponential sweep (Farina 2000)."""
    time = np.arange(round(length_s * RATE)) / RATE
    rate = np.log(high / low)
    return np.sin(2.0 * np.pi * low * length_s / rate * (np.exp(time / length_s * rate) - 1.0))


def test_a_recorded_sweep_has_the_measures_of_the_response_it_went_through() -> None:
    """Played through a distorting loudspeaker into a response, started late, over noise."""
    response = 0.05 * noise_decay(0.8, 1.2, 8)[0]
    response[0] = 1.0
    sweep = swept(5.0)  # so long that the decay of its second harmonic, 0.7 s early, is over
    below = np.arange(sweep.size) < 0.85 * sweep.size  # 3.4 kHz: real harmonics do not fold back
    played = sweep + 0.1 * sweep**2 * below
    recording = scipy.signal.fftconvolve(np.pad(played, (3000, 20000)), response)[: sweep.size + 23000]
    recording += 1e-4 * np.random.default_rng(9).standard_normal(recording.size)
    found = deconvolve([recording], sweep, RATE)
    bands = [125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0]
    there = from_response(found.samples[0], RATE, arrival_s=onset_sample(found.samples[0], RATE) / RATE, bands=bands)
    truth = from_response(response, RATE, arrival_s=0.0, bands=bands)
    assert (found.low_hz, found.high_hz) == (pytest.approx(60.0, rel=0.25), pytest.approx(7000.0, rel=0.05))
    for name in ("T30_s", "EDT_s", "C80_db", "D50", "Ts_s"):
        apart = in_jnds(name, getattr(there, name), getattr(truth, name))
        assert np.max(np.abs(apart)) < 0.5, (name, apart)  # the task's one difference, halved


def test_another_recording_and_one_without_a_tail_are_refused() -> None:
    sweep = swept(1.0)
    noise = np.random.default_rng(10).standard_normal(3 * RATE)
    with pytest.raises(InputError, match="the reference is not in the recording"):
        deconvolve([noise], sweep, RATE)
    with pytest.raises(InputError, match=r"goes on for 0\.00 s after its sweep"):
        deconvolve([sweep], sweep, RATE)
    with pytest.raises(InputError, match="reference: found silence"):
        deconvolve([noise], np.zeros(RATE), RATE)


# spectrum and noise


def test_white_noise_rises_3_db_an_octave_and_its_floor_is_its_band_power() -> None:
    """Level of a third octave of white noise grows with its width; of σ² in the octave, 2·B_n/f_s of it."""
    noise = 0.1 * np.random.default_rng(12).standard_normal((1, 20 * RATE))
    level = long_term_spectrum(noise, RATE)
    known = np.flatnonzero(THIRD_OCTAVES <= 6400.0)
    assert np.isnan(level[THIRD_OCTAVES > 7200.0]).all()
    slope = np.polyfit(known, level[known], 1)[0]
    assert slope == pytest.approx(1.0, abs=0.05)
    width = 2000.0 * (10.0**0.15 - 10.0**-0.15) * (np.pi / 12.0) / np.sin(np.pi / 12.0)
    floor = noise_floor(noise, RATE, [2000.0])[0]
    # exceeded for 95 % of 50 ms frames: 1.645 of their standard deviation, 4.34/√(B·0.05 s) dB, lower
    expected = 10.0 * np.log10(0.01 * 2.0 * width / RATE) - 1.645 * 4.34 / np.sqrt(width * 0.05)
    assert floor == pytest.approx(expected, abs=0.2)
