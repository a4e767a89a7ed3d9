"""Measures of decays known from outside: closed forms, a standard's table, an independent program."""

from __future__ import annotations

import numpy as np
import pyfar
import pyrato
import pytest
from numpy.typing import NDArray

from rooms.measures import from_echogram, from_response
from rooms.octaves import octave_gain
from rooms.units import BANDS, MIDBANDS

LN_60_DB = 6.0 * np.log(10.0)
BIN_S = 1e-3


def exponential(T_s: float, length_s: float, energy: float = 1.0) -> NDArray[np.float64]:
    """Return the energy per bin of an exponential decay that starts at 0."""
    edges = np.arange(round(length_s / BIN_S) + 1) * BIN_S
    return -np.diff(energy * np.exp(-LN_60_DB * edges / T_s))


def noise_decays(T_s: float, count: int, floor_db: float, sample_rate: int) -> NDArray[np.float64]:
    """Return Gaussian noise decays of unit energy over a noise `floor_db` below the start."""
    random = np.random.default_rng(3)
    time = np.arange(round(2.0 * T_s * sample_rate)) / sample_rate
    start = np.sqrt(LN_60_DB / T_s / sample_rate)
    shape = np.exp(-LN_60_DB / 2.0 * time / T_s)
    decays = random.standard_normal((count, time.size)) * shape
    floor = random.standard_normal((count, time.size)) * 10.0 ** (-floor_db / 20.0)
    return start * (decays + floor)


@pytest.mark.parametrize(
    ("T_s", "C80_db", "D50", "Ts_s"), [(2.0, -1.3206, 0.29205, 0.144765), (1.0, 3.0534, 0.49881, 0.072382)]
)
def test_an_exponential_echogram_has_the_measures_of_the_closed_form(
    T_s: float, C80_db: float, D50: float, Ts_s: float
) -> None:
    """C80 = 10 lg(e^(1.10524/T) − 1), D50 = 1 − e^(−0.69078/T), Ts = T/13.8155 (ISO 3382-1, A.10 to A.13)."""
    measures = from_echogram([exponential(T_s, 1.5 * T_s)], BIN_S, 0.0, bands=[1000.0])
    for name in ("EDT_s", "T20_s", "T30_s"):
        assert getattr(measures, name)[0] == pytest.approx(T_s, rel=1e-6), name
    assert measures.C80_db[0] == pytest.approx(C80_db, abs=1e-4)  # the printed digits
    assert measures.D50[0] == pytest.approx(D50, abs=1e-5)
    # 1e-3: the first bin counts as arriving at 0, which is half a bin times its share of the energy
    assert measures.Ts_s[0] == pytest.approx(Ts_s, rel=1e-3)
    assert measures.G_db[0] == pytest.approx(20.0, abs=1e-9)
    assert measures.reasons == {}


@pytest.mark.parametrize("distance_m", [1.0, 5.0, 10.0, 20.0])
def test_strength_in_a_free_field_follows_the_distance(distance_m: float) -> None:
    """G = 20 lg(10/r), ISO 3382-1, A.2.1: 0 dB at 10 m."""
    arrival = int(distance_m / 343.0 / BIN_S)
    energy = np.zeros((9, 500))
    energy[:, arrival] = 1.0 / distance_m**2
    measures = from_echogram(energy, BIN_S, distance_m / 343.0)
    np.testing.assert_allclose(measures.G_db, 20.0 * np.log10(10.0 / distance_m), rtol=0, atol=1e-9)
    np.testing.assert_allclose(measures.D50, 1.0, atol=0)
    np.testing.assert_allclose(measures.Ts_s, 0.0, atol=1e-12)


@pytest.mark.parametrize(
    ("volume_m3", "T_s", "distance_m", "G_db", "C80_db"),
    [
        (15000.0, 2.0, 20.0, 4.83, -0.47),
        (15000.0, 2.0, 10.0, 6.44, 0.98),
        (18750.0, 1.9, 20.0, 3.66, 0.04),
        (9000.0, 1.6, 15.0, 6.29, 0.91),
    ],
)
def test_direct_sound_and_decay_have_the_strength_and_clarity_of_revised_theory(
    volume_m3: float, T_s: float, distance_m: float, G_db: float, C80_db: float
) -> None:
    """M. Barron and L.-J. Lee, J. Acoust. Soc. Am. 84, 618 (1988); formula from memory.

    The theory rounds 13.8155·0.08 s to 1.11, which is worth 0.03 dB of C80 at these T.
    """
    diffuse = 31200.0 * T_s / volume_m3 * np.exp(-0.04 * distance_m / T_s) / 100.0
    arrival = int(distance_m / 343.0 / BIN_S)
    energy = np.concatenate((np.zeros(arrival), exponential(T_s, 1.5 * T_s, diffuse)))
    energy[arrival] += 1.0 / distance_m**2
    measures = from_echogram([energy], BIN_S, arrival * BIN_S, bands=[500.0])
    assert measures.G_db[0] == pytest.approx(G_db, abs=0.006)
    assert measures.C80_db[0] == pytest.approx(C80_db, abs=0.035)


def test_two_slopes_are_fitted_as_on_the_closed_form_curve() -> None:
    """The decay curve of two exponentials is their sum; fitted here on a grid ten times as fine."""
    fast, slow = 0.8, 2.4
    energy = exponential(fast, 4.0, 0.97) + exponential(slow, 4.0, 0.03)
    measures = from_echogram([energy], BIN_S, 0.0, bands=[1000.0])
    time = np.arange(40000) * 1e-4
    curve = 0.97 * np.exp(-LN_60_DB * time / fast) + 0.03 * np.exp(-LN_60_DB * time / slow)
    level = 10.0 * np.log10(curve)
    for name, upper, lower in (("EDT_s", 0.0, -10.0), ("T20_s", -5.0, -25.0), ("T30_s", -5.0, -35.0)):
        inside = (level <= upper) & (level >= lower)
        expected = -60.0 / np.polyfit(time[inside], level[inside], 1)[0]
        # 2e-3: where a 1 ms grid's first and last point lie within the limits
        assert getattr(measures, name)[0] == pytest.approx(expected, rel=2e-3), name
    assert measures.EDT_s[0] < 0.9 < 1.2 < measures.T30_s[0]


def test_a_cut_echogram_gives_the_same_values_while_its_range_suffices() -> None:
    """The exponential beyond the end replaces what was cut off."""
    whole = from_echogram([exponential(2.0, 6.0)], BIN_S, 0.0, bands=[1000.0])
    cut = from_echogram([exponential(2.0, 1.6)], BIN_S, 0.0, bands=[1000.0])
    for name in ("EDT_s", "T20_s", "T30_s", "C80_db", "D50", "Ts_s", "G_db"):
        np.testing.assert_allclose(getattr(cut, name), getattr(whole, name), rtol=1e-6, atol=1e-9)
    assert cut.decay_range_db[0] == pytest.approx(48.0, abs=1e-3)


def test_data_that_end_before_80_ms_are_continued_for_clarity() -> None:
    """C80 = 10 lg(e^(1.10524/T) − 1) also from the first 70 ms of a 0.2 s decay: 21 dB, enough."""
    measures = from_echogram([exponential(0.2, 0.07)], BIN_S, 0.0, bands=[1000.0])
    assert measures.C80_db[0] == pytest.approx(10.0 * np.log10(np.expm1(LN_60_DB * 0.08 / 0.2)), abs=1e-6)


def test_damped_tones_have_their_own_decay_level_and_clarity_in_each_band() -> None:
    """A tone's damping is its band's decay; its energy over the filter's noise bandwidth is its strength.

    The noise bandwidth of a Butterworth band-pass of order n is B·(π/2n)/sin(π/2n) (textbook, from memory).
    """
    sample_rate, T_s = 48000, 2.0
    time = np.arange(3 * sample_rate) / sample_rate
    tones = np.sin(2.0 * np.pi * MIDBANDS[:, np.newaxis] * time)
    response = np.exp(-LN_60_DB / 2.0 * time / T_s) * tones.sum(axis=0)
    measures = from_response(response, sample_rate, arrival_s=0.0)
    for name in ("EDT_s", "T20_s", "T30_s"):
        # 0.5 %: the abrupt start of a tone spreads over its neighbours; the just noticeable difference is 5 %
        np.testing.assert_allclose(getattr(measures, name), T_s, rtol=5e-3, err_msg=name)
    # a quarter of the just noticeable difference of 1 dB, for the same reason
    np.testing.assert_allclose(measures.C80_db, -1.3206, rtol=0, atol=0.25)
    bandwidth = MIDBANDS * (10.0**0.15 - 10.0**-0.15) * (np.pi / 12.0) / np.sin(np.pi / 12.0)
    energy = 0.5 * sample_rate * T_s / LN_60_DB / (2.0 * bandwidth / sample_rate)
    np.testing.assert_allclose(measures.G_db, 10.0 * np.log10(energy) + 20.0, rtol=0, atol=0.1)


@pytest.mark.parametrize("floor_db", [50.0, 65.0])
def test_noise_decays_over_a_noise_floor_have_the_true_decay_on_average(floor_db: float) -> None:
    """Mean of N responses within 3·σ/√N; σ(T30)/T = 0.55/√(B·T), T20 1.5, EDT 2.5 times that (measured)."""
    sample_rate, T_s, count = 16000, 1.0, 24
    bands = BANDS[1:7]
    results = [
        from_response(x, sample_rate, arrival_s=0.0, bands=bands)
        for x in noise_decays(T_s, count, floor_db, sample_rate)
    ]
    sigma = 0.55 / np.sqrt(MIDBANDS[1:7] * 0.7 * T_s)
    for name, wider in (("T30_s", 1.0), ("T20_s", 1.5), ("EDT_s", 2.5)):
        mean = np.mean([getattr(result, name) for result in results], axis=0)
        assert np.all(np.abs(mean - T_s) < 3.0 * wider * sigma / np.sqrt(count)), (name, mean)
    ranges = np.mean([result.decay_range_db for result in results], axis=0)
    # All energy over noise times time constant; the mean of levels lies below the level of the mean while the
    # intervals hold few degrees of freedom: 1 dB at 125 Hz.
    np.testing.assert_allclose(ranges, floor_db, rtol=0, atol=1.5)
    np.testing.assert_allclose(ranges[3:], floor_db, rtol=0, atol=0.5)


@pytest.mark.parametrize("seed_row", [0, 1])
def test_an_independent_program_measures_the_same_on_the_same_noisy_response(seed_row: int) -> None:
    """pyrato 1.x: Lundeby's knee and Chu's subtraction, on octaves from pyfar's causal Butterworth filters.

    Decay times within 0.5 %, a tenth of the just noticeable difference (ISO 3382-1, table A.1). Its causal
    filters delay the energy by up to 4 ms at 500 Hz: from 2 kHz up that is less than a quarter of the
    difference that is just noticeable in C80 (1 dB), D50 (0.05) and Ts (10 ms).
    """
    sample_rate = 48000
    response = noise_decays(1.5, 2, 60.0, sample_rate)[seed_row]
    signal = pyfar.Signal(response, sample_rate)
    octaves = pyfar.dsp.filter.fractional_octave_bands(signal, num_fractions=1, frequency_range=(500, 8000), order=6)
    curve = pyrato.edc.energy_decay_curve_chu_lundeby(
        pyfar.Signal(octaves.time[:, 0], sample_rate),
        smoothing_parameter=BANDS[3:8],
        time_shift=False,
        channel_independent=True,
    )
    measures = from_response(response, sample_rate, arrival_s=0.0, bands=BANDS[3:8])
    for ours, theirs in (("EDT_s", "EDT"), ("T20_s", "T20"), ("T30_s", "T30")):
        expected = np.ravel(pyrato.parameters.reverberation_time_linear_regression(curve, T=theirs))
        np.testing.assert_allclose(getattr(measures, ours), expected, rtol=5e-3, atol=0, err_msg=ours)
    for ours, expected, atol in (
        ("C80_db", pyrato.parameters.clarity(curve, 80), 0.25),
        ("D50", pyrato.parameters.definition(curve, 50), 0.0125),
        ("Ts_s", pyrato.parameters.center_time(curve), 0.0025),
    ):
        np.testing.assert_allclose(getattr(measures, ours)[2:], np.ravel(expected)[2:], rtol=0, atol=atol, err_msg=ours)


@pytest.mark.parametrize("midband", MIDBANDS.tolist())
def test_the_octave_filters_lie_within_class_1(midband: float) -> None:
    """IEC 61260-1:2014, 5.10 and table 1, as carried by pyfar; levels are re the pass band."""
    lower, upper, frequency = pyfar.constants.fractional_octave_filter_tolerance(midband, 1, 1)
    level = 20.0 * np.log10(octave_gain(np.asarray(frequency), midband))
    assert np.all(level >= lower)
    assert np.all(level <= upper)
