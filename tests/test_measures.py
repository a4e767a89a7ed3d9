"""Laws of the measures, every reason for a missing value, and what is refused."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from rooms.errors import InputError
from rooms.measures import as_bands, from_echogram, from_response, mean_T30, schroeder_db
from rooms.theory import eyring_s, kuttruff_s, sabine_s
from rooms.units import BANDS

LN_60_DB = 6.0 * np.log(10.0)
BIN_S = 1e-3
SAMPLE_RATE = 48000
VALUES = ("EDT_s", "T20_s", "T30_s", "C80_db", "D50", "Ts_s", "G_db")


def echogram(T_s: float, length_s: float) -> NDArray[np.float64]:
    """Return the same exponential decay in nine bands."""
    edges = np.arange(round(length_s / BIN_S) + 1) * BIN_S
    return np.tile(-np.diff(np.exp(-LN_60_DB * edges / T_s)), (9, 1))


def noise_response(T_s: float, length_s: float, floor_db: float = np.inf, start_s: float = 0.0) -> NDArray[np.float64]:
    """Return a Gaussian noise decay of unit energy from `start_s` on, over a floor."""
    random = np.random.default_rng(5)
    time = np.arange(round(length_s * SAMPLE_RATE)) / SAMPLE_RATE - start_s
    shape = np.where(time >= 0, np.exp(-LN_60_DB / 2.0 * np.maximum(time, 0.0) / T_s), 0.0)
    decay = random.standard_normal(time.size) * shape
    floor = random.standard_normal(time.size) * 10.0 ** (-floor_db / 20.0)
    return np.sqrt(LN_60_DB / T_s / SAMPLE_RATE) * (decay + floor)


# Laws


def test_a_lone_direct_sound_is_perfectly_clear_and_has_no_decay() -> None:
    """D50 1, Ts 0, G 20 dB at 1 m; clarity and decay times don't exist, and say so."""
    energy = np.zeros((9, 300))
    energy[:, 20] = 1.0
    measures = from_echogram(energy, BIN_S, 0.0205)
    np.testing.assert_array_equal(measures.D50, 1.0)
    np.testing.assert_array_equal(measures.Ts_s, 0.0)
    np.testing.assert_allclose(measures.G_db, 20.0, rtol=1e-12)
    assert np.isnan([measures.C80_db, measures.EDT_s, measures.T20_s, measures.T30_s]).all()
    assert measures.reasons["C80_db.125"] == "not measurable: no energy after the first 80 ms"
    expected = "not measurable: the decay curve has no slope between 0 and -10 dB in bins of 1 ms"
    assert measures.reasons["EDT_s.125"] == expected


def test_a_unit_impulse_has_a_strength_of_20_db_in_every_band_and_no_decay() -> None:
    """The filters' ringing passes neither for level nor for reverberation."""
    response = np.zeros(SAMPLE_RATE)
    response[777] = 1.0
    measures = from_response(response, SAMPLE_RATE)
    np.testing.assert_allclose(measures.G_db, 20.0, rtol=0, atol=1e-4)
    np.testing.assert_allclose(measures.D50, 1.0, rtol=0, atol=0.005)  # the 63 Hz filter rings past 50 ms
    np.testing.assert_allclose(measures.Ts_s, 0.0, rtol=0, atol=1e-4)
    assert np.isnan([measures.EDT_s, measures.T20_s, measures.T30_s]).all()
    assert "stand out of the filter's ringing" in measures.reasons["T30_s.125"]


def test_two_arrivals_give_clarity_definition_and_centre_time_by_hand() -> None:
    """Energy 1 at 0, 1/2 at 60 ms and 1/4 at 100 ms after the direct sound."""
    energy = np.zeros((9, 400))
    energy[:, [10, 70, 110]] = 1.0, 0.5, 0.25
    measures = from_echogram(energy, BIN_S, 0.0105)
    np.testing.assert_allclose(measures.C80_db, 10.0 * np.log10(1.5 / 0.25), rtol=1e-12)
    np.testing.assert_allclose(measures.D50, 1.0 / 1.75, rtol=1e-12)
    np.testing.assert_allclose(measures.Ts_s, (0.5 * 0.060 + 0.25 * 0.100) / 1.75, rtol=1e-12)
    np.testing.assert_allclose(measures.G_db, 10.0 * np.log10(1.75) + 20.0, rtol=1e-12)


def test_limits_inside_a_bin_split_it_in_proportion_but_never_the_direct_sounds() -> None:
    """Arrival at 5 ms: half of a bin from 80 to 90 ms is early; of the first bin of 100 ms, all."""
    energy = np.zeros((9, 40))
    energy[:, [0, 8]] = 1.0, 1.0
    measures = from_echogram(energy, 0.01, 0.005)
    np.testing.assert_allclose(measures.C80_db, 10.0 * np.log10(1.5 / 0.5), rtol=1e-12)
    wide = from_echogram(energy, 0.1, 0.005)
    np.testing.assert_allclose(wide.C80_db, 0.0, rtol=0, atol=1e-12)
    np.testing.assert_allclose(wide.D50, 0.5, rtol=1e-12)


@settings(max_examples=50, deadline=None)
@given(scale=st.floats(1e-9, 1e9), T_s=st.floats(0.3, 8.0))
def test_a_gain_moves_the_strength_and_nothing_else(scale: float, T_s: float) -> None:
    """Ratios and times don't depend on level."""
    energy = echogram(T_s, T_s)
    plain, scaled = from_echogram(energy, BIN_S, 0.0), from_echogram(scale * energy, BIN_S, 0.0)
    np.testing.assert_allclose(scaled.G_db - plain.G_db, 10.0 * np.log10(scale), rtol=0, atol=1e-9)
    for name in VALUES[:-1]:
        np.testing.assert_allclose(getattr(scaled, name), getattr(plain, name), rtol=1e-6, atol=1e-9)


@settings(max_examples=50, deadline=None)
@given(bins=st.integers(0, 500), T_s=st.floats(0.3, 4.0))
def test_a_delay_changes_nothing(bins: int, T_s: float) -> None:
    """All times count from the arrival."""
    energy = echogram(T_s, 1.2 * T_s)
    delayed = np.concatenate((np.zeros((9, bins)), energy), axis=1)
    # half a bin into the arrival's bin, so that rounding can't move it
    plain = from_echogram(energy, BIN_S, 0.5 * BIN_S)
    later = from_echogram(delayed, BIN_S, (bins + 0.5) * BIN_S)
    for name in VALUES:
        np.testing.assert_allclose(getattr(later, name), getattr(plain, name), rtol=1e-6, atol=1e-9)


def test_the_arrival_is_the_first_sample_within_20_db_of_the_peak() -> None:
    """ISO 3382-1, A.3.4: not the peak 60 ms later, nor what is 40 dB down 60 ms before; 1 kHz and up."""
    response = np.zeros(SAMPLE_RATE)
    response[np.array([4800, 7680, 10560])] = 0.01, 0.3, 1.0
    measures = from_response(response, SAMPLE_RATE)
    np.testing.assert_allclose(measures.D50[4:], 0.09 / 1.09, rtol=1e-3)
    np.testing.assert_allclose(measures.Ts_s[4:], 0.060 / 1.09, rtol=5e-3)


def test_a_delayed_response_is_found_at_its_onset() -> None:
    """ISO 3382-1, A.3.4: the first sample within 20 dB of the peak; half a second of silence before it."""
    response = noise_response(1.0, 3.0)
    response[0] = 1.0  # a direct sound, so that the onset is one sample
    delayed = np.concatenate((np.zeros(SAMPLE_RATE // 2), response))
    plain, later = from_response(response, SAMPLE_RATE), from_response(delayed, SAMPLE_RATE)
    for name in VALUES:
        np.testing.assert_allclose(
            getattr(later, name)[1:], getattr(plain, name)[1:], rtol=2e-3, atol=2e-3, err_msg=name
        )


def test_what_sounds_long_before_the_arrival_is_left_out() -> None:
    """A sweep's distortion, half a second before the direct sound and as strong."""
    clean = noise_response(1.0, 3.0, start_s=1.0)
    disturbed = clean.copy()
    disturbed[SAMPLE_RATE // 2] = 1.0
    expected = from_response(clean, SAMPLE_RATE, arrival_s=1.0)
    measures = from_response(disturbed, SAMPLE_RATE, arrival_s=1.0)
    for name in VALUES:
        np.testing.assert_array_equal(getattr(measures, name), getattr(expected, name))


def test_both_inputs_agree_where_they_describe_the_same_decay() -> None:
    """A noise decay's measures scatter around its echogram's; 8 kHz: B·T = 8500, 3σ(T30) = 1.8 %."""
    truth = from_echogram(echogram(1.5, 3.0), BIN_S, 0.0)
    measured = from_response(noise_response(1.5, 3.0), SAMPLE_RATE, arrival_s=0.0)
    assert measured.T30_s[7] == pytest.approx(truth.T30_s[7], rel=0.018)
    assert measured.C80_db[7] == pytest.approx(truth.C80_db[7], abs=0.5)
    assert measured.G_db[7] == pytest.approx(truth.G_db[7], abs=0.3)


def test_the_decay_curve_of_an_exponential_is_a_straight_line_to_its_very_end() -> None:
    """−60 dB over T, also where the echogram is cut: the tail is added."""
    curve = schroeder_db(echogram(2.0, 1.0), BIN_S)
    np.testing.assert_allclose(curve, np.tile(-30.0 * np.arange(1000) * BIN_S, (9, 1)), rtol=0, atol=1e-6)


def test_the_decay_curve_of_silence_is_nothing_and_of_an_impulse_ends() -> None:
    """NaN in a silent band; −inf once no energy is left."""
    curve = schroeder_db([[0.0] * 8, [1.0] + [0.0] * 7], 1e-3)
    assert np.isnan(curve[0]).all()
    np.testing.assert_array_equal(curve[1], [0.0] + [-np.inf] * 7)


def test_the_single_number_is_the_mean_of_500_hz_and_1_khz() -> None:
    """ISO 3382-1, A.4; NaN if one of the two is missing."""
    energy = echogram(2.0, 3.0)
    energy[3] = echogram(1.0, 3.0)[0]
    assert mean_T30(from_echogram(energy, BIN_S, 0.0)) == pytest.approx(1.5, rel=1e-6)
    assert mean_T30(from_echogram(energy, BIN_S, 0.0), bands=[125]) == pytest.approx(2.0, rel=1e-6)
    energy[4] = 0.0
    assert np.isnan(mean_T30(from_echogram(energy, BIN_S, 0.0)))


def test_band_tables_have_nominal_names_and_none_for_what_is_missing() -> None:
    """The keys of reports; NaN and infinity aren't JSON."""
    table = as_bands([1, 2, np.nan, 4, np.inf, 6, 7, 8, 9])
    assert list(table) == ["63", "125", "250", "500", "1000", "2000", "4000", "8000", "16000"]
    assert table["63"] == 1.0
    assert table["250"] is None
    assert table["1000"] is None


# Reasons


@pytest.mark.parametrize(
    ("range_db", "missing"),
    [(50.0, ()), (44.8, ("T30_s",)), (40.0, ("T30_s",)), (31.0, ("T20_s", "T30_s")), (15.0, VALUES)],
)
def test_each_measure_needs_its_decay_range(range_db: float, missing: tuple[str, ...]) -> None:
    """20, 35 and 45 dB: 10 dB below the fit (ISO 3382-1, 5.3.3; from memory)."""
    measures = from_echogram(echogram(2.0, range_db / 30.0), BIN_S, 0.0)
    for name in VALUES:
        assert np.isnan(getattr(measures, name)).all() == (name in missing), name
        assert (f"{name}.125" in measures.reasons) == (name in missing), name
    if "T30_s" in missing:
        expected = f"not measurable: decay range only {min(range_db, 44.0):.0f} dB, 45 dB needed"
        assert measures.reasons["T30_s.125"] == expected
    np.testing.assert_allclose(measures.decay_range_db, range_db, rtol=1e-3)


@pytest.mark.parametrize(("floor_db", "missing"), [(30.0, ("T20_s", "T30_s")), (40.0, ("T30_s",)), (55.0, ())])
def test_noise_leaves_the_measures_its_decay_range_allows(floor_db: float, missing: tuple[str, ...]) -> None:
    """The same limits, with the noise that many dB below the start of the decay."""
    measures = from_response(noise_response(2.0, 4.0, floor_db), SAMPLE_RATE, arrival_s=0.0)
    for name in VALUES:
        assert np.isnan(getattr(measures, name)[2:]).all() == (name in missing), name
    if missing:
        assert measures.reasons["T30_s.1000"].endswith("dB, 45 dB needed")


@pytest.mark.parametrize("padding_s", [0.0, 1.0])
def test_a_response_cut_short_is_not_taken_for_a_short_decay(padding_s: float) -> None:
    """Cut 1 s after the start of a 2 s decay, 30 dB are left: no T20, whether or not zeros follow."""
    whole = noise_response(2.0, 4.0)
    cut = np.concatenate((whole[:SAMPLE_RATE], np.zeros(round(padding_s * SAMPLE_RATE))))
    measures = from_response(cut, SAMPLE_RATE, arrival_s=0.0)
    expected = from_response(whole, SAMPLE_RATE, arrival_s=0.0)
    assert np.isnan([measures.T20_s, measures.T30_s]).all()
    np.testing.assert_allclose(measures.decay_range_db[2:], 30.0, rtol=0, atol=3.0)
    # A tail of 0.1 % of the energy, known to a factor of 1.5 or so, is 0.02 dB at −10 dB.
    np.testing.assert_allclose(measures.EDT_s[2:], expected.EDT_s[2:], rtol=5e-3)
    np.testing.assert_allclose(measures.C80_db[2:], expected.C80_db[2:], rtol=0, atol=0.01)


def test_the_silence_before_the_first_reflection_is_not_the_end_of_the_decay() -> None:
    """A direct sound, 30 ms of noise alone, then a decay of 1.5 s.

    One noise decay scatters by 0.55/√(B·T), which is 2.4 % at 500 Hz and less above; three times that are allowed.
    """
    decay = noise_response(1.5, 3.0, 55.0, start_s=0.03)
    decay[0] = 1.0
    measures = from_response(decay, SAMPLE_RATE, arrival_s=0.0)
    np.testing.assert_allclose(measures.T30_s[3:], 1.5, rtol=0.072)


def test_steady_noise_has_no_decay() -> None:
    """Nothing stands out of it."""
    noise = np.random.default_rng(2).standard_normal(2 * SAMPLE_RATE)
    measures = from_response(noise, SAMPLE_RATE, arrival_s=0.0)
    for name in VALUES:
        assert np.isnan(getattr(measures, name)).all(), name
    assert len(measures.reasons) == len(VALUES) * 9


def test_an_echogram_that_does_not_fall_has_no_measures() -> None:
    """Its end can't be continued."""
    measures = from_echogram(np.ones((9, 100)), BIN_S, 0.0)
    assert np.isnan(measures.G_db).all()
    assert measures.reasons["G_db.63"] == "not measurable: the energy doesn't fall towards the end"


def test_a_silent_band_has_no_measures_and_its_neighbours_keep_theirs() -> None:
    """One reason per value, keyed by measure and band."""
    energy = echogram(2.0, 3.0)
    energy[2] = 0.0
    measures = from_echogram(energy, BIN_S, 0.0)
    assert set(measures.reasons) == {f"{name}.250" for name in VALUES}
    assert measures.reasons["C80_db.250"] == "not measurable: no energy in this band"
    assert np.isfinite(measures.T30_s[[0, 1, 3]]).all()


def test_energy_only_before_or_only_long_after_the_arrival_has_no_clarity() -> None:
    """The ratio has no numerator, or no denominator."""
    energy = np.zeros((9, 400))
    energy[:, 200] = 1.0
    assert from_echogram(energy, BIN_S, 0.0).reasons["C80_db.63"] == "not measurable: no energy in the first 80 ms"
    late = from_echogram(energy, BIN_S, 0.3)
    assert late.reasons["C80_db.63"] == "not measurable: no energy after the first 80 ms"
    assert np.isnan(late.EDT_s).all()


def test_a_band_above_half_the_sample_rate_is_missing() -> None:
    """The 16 kHz octave ends at 22.4 kHz: not within 44.1 kHz, but within 48 kHz."""
    response = noise_response(1.0, 2.0)
    measures = from_response(response, 44100.0)
    assert np.isnan(measures.T30_s[8])
    assert measures.reasons["T30_s.16000"] == (
        "not measurable: the octave reaches above half the sample rate of 44100 Hz"
    )
    assert np.isfinite(from_response(response, 48000.0).T30_s[8])


# What is refused


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (([1.0, 0.5], 1e-3, 0.0), "energy: found shape"),
        ((np.ones((9, 1)), 1e-3, 0.0), "energy: found shape"),
        ((np.ones((8, 100)), 1e-3, 0.0), "energy: found 8 bands, allowed: 9"),
        ((-np.ones((9, 100)), 1e-3, 0.0), "energy: found a negative"),
        ((np.full((9, 100), np.nan), 1e-3, 0.0), "energy: found a negative or infinite value or NaN"),
        ((np.ones((9, 100)), 0.0, 0.0), "bin_s: found 0.0"),
        ((np.ones((9, 100)), 1e-3, 0.1), "arrival_s: found 0.1, allowed: 0 to 0.1 s"),
        ((np.ones((9, 100)), 1e-3, -0.1), "arrival_s: found -0.1"),
    ],
)
def test_a_bad_echogram_is_refused_in_one_line(arguments: tuple[Any, ...], words: str) -> None:
    """What was found, and what is allowed."""
    with pytest.raises(InputError, match=words):
        from_echogram(*arguments)


@pytest.mark.parametrize(
    ("response", "options", "words"),
    [
        (np.zeros(100), {}, "response: found silence"),
        (np.zeros((2, 100)), {}, r"response: found shape \(2, 100\)"),
        (np.array([1.0, np.nan]), {}, "one row of finite samples"),
        (np.ones(100), {"arrival_s": 1.0}, "arrival_s: found 1.0"),
        (np.ones(100), {"arrival_s": -1.0}, "arrival_s: found -1.0"),
        (np.ones(100), {"bands": [440.0]}, r"bands: found \[440.0\]"),
    ],
)
def test_a_bad_response_is_refused_in_one_line(
    response: NDArray[np.float64], options: dict[str, Any], words: str
) -> None:
    """What was found, and what is allowed."""
    with pytest.raises(InputError, match=words):
        from_response(response, SAMPLE_RATE, **options)


def test_a_bad_sample_rate_is_refused() -> None:
    """Zero hertz is no rate."""
    with pytest.raises(InputError, match="sample_rate: found 0"):
        from_response(np.ones(10), 0)


def test_missing_bands_and_odd_lengths_are_refused() -> None:
    """A single number of a band that wasn't measured; a table of too few values."""
    measures = from_echogram(echogram(1.0, 1.5), BIN_S, 0.0)
    with pytest.raises(InputError, match=r"bands: found \[440.0\]"):
        mean_T30(measures, bands=[440.0])
    with pytest.raises(InputError, match=r"values: found shape \(3,\), allowed: \(9,\)"):
        as_bands([1.0, 2.0, 3.0])


# Statistical theory


@settings(max_examples=100)
@given(alpha=st.floats(0.001, 0.99), air=st.floats(0.0, 0.1))
def test_eyring_is_never_longer_than_sabine_and_kuttruff_never_shorter_than_eyring(alpha: float, air: float) -> None:
    """−ln(1 − ᾱ) ≥ ᾱ, and unequal free paths slow the decay."""
    sabine, eyring = sabine_s(9000.0, 2700.0 * alpha, air, 343.0), eyring_s(9000.0, 2700.0, alpha, air, 343.0)
    assert eyring <= sabine * (1 + 1e-12)
    assert eyring > 0
    kuttruff = kuttruff_s(9000.0, 2700.0, alpha, air, 343.0, 0.4)
    assert kuttruff >= eyring * (1 - 1e-12)


def test_the_ends_of_the_statistical_formulas() -> None:
    """No loss rings for ever; full absorption not at all; a correction beyond its reach is NaN."""
    np.testing.assert_array_equal(sabine_s(100.0, np.zeros(9), np.zeros(9), 343.0), np.inf)
    assert eyring_s(100.0, 130.0, 1.0, 0.0, 343.0) == 0.0
    assert np.isnan(kuttruff_s(100.0, 130.0, 0.999, 0.0, 343.0, 0.4))  # −ln 0.001 = 6.9 > 2/0.4
    assert np.isnan(kuttruff_s(100.0, 130.0, 1.0, 0.0, 343.0, 0.0))
    assert BANDS.shape == sabine_s(100.0, np.ones(9), np.zeros(9), 343.0).shape


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ((0.0, 1.0, 0.0, 343.0), "volume_m3: found 0.0"),
        ((1.0, -1.0, 0.0, 343.0), "absorption_area_m2: found -1.0"),
        ((1.0, 1.0, -1.0, 343.0), "air_per_m: found -1.0"),
        ((1.0, 1.0, 0.0, 0.0), "c: found 0.0"),
    ],
)
def test_sabine_refuses_what_no_room_has(arguments: tuple[float, ...], words: str) -> None:
    """Name, what was found, what is allowed."""
    with pytest.raises(InputError, match=words):
        sabine_s(*arguments)


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ((100.0, 0.0, 0.2, 0.0, 343.0, 0.4), "surface_m2: found 0.0"),
        ((100.0, 130.0, 1.2, 0.0, 343.0, 0.4), "mean_absorption: found 1.2"),
        ((100.0, 130.0, 0.2, 0.0, 343.0, -0.4), "free_path_variance: found -0.4"),
    ],
)
def test_kuttruff_refuses_what_no_room_has(arguments: tuple[float, ...], words: str) -> None:
    """Name, what was found, what is allowed."""
    with pytest.raises(InputError, match=words):
        kuttruff_s(*arguments)
