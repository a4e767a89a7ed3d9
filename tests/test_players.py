"""Instruments, players and sections."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rooms.echogram import Radiators, log_pattern
from rooms.errors import InputError
from rooms.players import Instrument, Player, Section, concentration
from rooms.units import unit_vector

CHAIR = Instrument("chair", height=1.1)
COSINE, WEIGHT = np.polynomial.legendre.leggauss(200)


def row(count: int, instrument: Instrument = CHAIR, facing: float = 180.0) -> Section:
    """Return players side by side, first on the audience's right."""
    return Section("row", instrument, tuple(Player((2.0 - n, 3.0, 1.1), facing) for n in range(count)))


@given(st.floats(0.02, 20.0))
def test_the_pattern_has_its_directivity_index_by_integration_over_the_sphere(index: float) -> None:
    """DI = 10·lg of the energy on axis over its mean over the sphere, by definition; 200 Gauss nodes, 1e-3 dB."""
    kappa = float(concentration(np.array([index]))[0])
    mean = 0.5 * np.sum(WEIGHT * np.exp(kappa * (COSINE - 1.0)))
    assert -10.0 * np.log10(mean) == pytest.approx(index, abs=1e-3)


@given(st.floats(0.0, 15.0), st.floats(0.01, 0.9), st.floats(-180.0, 180.0))
def test_a_share_all_round_keeps_the_directivity_index_and_bounds_the_rear(
    index: float, share: float, azimuth: float
) -> None:
    """By integration as above; nowhere less than the share of the mean; 0 dB towards the facing. 1e-3 dB."""
    horn = Instrument("horn", 1.0, (azimuth, 0.0), (index,) * 9, omnidirectional_share=share)
    section = row(1, horn)
    source = Radiators(section.positions, section.axes, horn.kappa, section.on_aim, all_round=section.all_round)
    pattern = source.pattern(COSINE)[:, 0]
    mean = 0.5 * np.sum(WEIGHT * pattern)
    axis, rear, aim = source.pattern(np.array([1.0, -1.0, section.on_aim]))[:, 0]
    assert 10.0 * np.log10(axis / mean) == pytest.approx(index, abs=1e-3)
    assert aim == pytest.approx(1.0, rel=1e-12)
    np.testing.assert_allclose(horn.level_db(COSINE)[:, 0], 10.0 * np.log10(pattern / mean), atol=1e-3)
    assert min(rear, pattern.min()) >= share * mean * (1.0 - 1e-9)
    loop = [np.exp(log_pattern(horn.kappa[0], c, section.on_aim, section.all_round[0])) for c in (1.0, -1.0)]
    np.testing.assert_allclose(loop, [axis, rear], rtol=1e-9)  # what the compiled loops use


def test_a_share_is_less_than_the_whole() -> None:
    with pytest.raises(InputError, match="instrument 'horn': omnidirectional_share 1 lies outside 0 to less than 1"):
        Instrument("horn", 1.0, omnidirectional_share=1.0)


def test_no_directivity_is_no_concentration() -> None:
    np.testing.assert_array_equal(concentration(np.zeros(9)), np.zeros(9))
    np.testing.assert_array_equal(CHAIR.kappa, np.zeros(9))


def test_concentration_rises_with_the_index() -> None:
    assert np.all(np.diff(concentration(np.linspace(0.0, 12.0, 50))) > 0)


def test_players_look_where_they_face() -> None:
    section = Section("pair", CHAIR, (Player((0, 0, 1), 180.0), Player((1, 0, 1), 90.0)))
    np.testing.assert_allclose(section.aims, [[0, -1, 0], [1, 0, 0]], atol=1e-12)
    np.testing.assert_allclose(section.axes, section.aims, atol=1e-12)
    assert section.on_aim == 1.0


@given(st.floats(-180, 180), st.floats(-180, 180), st.floats(-90, 90))
def test_the_axis_is_turned_and_lifted_from_the_facing(facing: float, azimuth: float, elevation: float) -> None:
    section = row(2, Instrument("horn", 1.0, axis=(azimuth, elevation)), facing)
    np.testing.assert_allclose(section.axes, [unit_vector(facing + azimuth, elevation)] * 2, atol=1e-12)
    assert section.on_aim == pytest.approx(float(section.axes[0] @ section.aims[0]), abs=1e-12)


@given(*[st.floats(-180, 180), st.floats(-90, 90)] * 2)
def test_a_stem_s_tone_is_that_of_the_direction_it_was_recorded_from(
    azimuth: float, elevation: float, beside: float, above: float
) -> None:
    """All levels are re the pattern's there, by its cosine to the main direction; 1 if that is it."""
    horn = Instrument("horn", 1.0, (azimuth, elevation), (3.0,) * 9, 0.2, recorded_from=(beside, above))
    cosine = unit_vector(azimuth, elevation) @ unit_vector(beside, above)
    assert row(1, horn).on_aim == pytest.approx(cosine, abs=1e-12)
    on_axis = Instrument("horn", 1.0, (azimuth, elevation), (3.0,) * 9, 0.2, recorded_from=(azimuth, elevation))
    assert row(1, on_axis).on_aim == pytest.approx(1.0, abs=1e-12)


def test_the_centre_is_the_mean_of_the_chairs() -> None:
    np.testing.assert_allclose(row(4).centre, [0.5, 3.0, 1.1])
    assert row(4).positions.shape == (4, 3)


@given(st.integers(2, 20), st.floats(0.1, 1.0))
def test_halves_share_players_and_energy_and_the_left_one_is_left(count: int, share: float) -> None:
    whole = Section("row", CHAIR, row(count).players, share)
    left, right = whole.halves()
    assert sorted(left.players + right.players, key=repr) == sorted(whole.players, key=repr)
    assert abs(len(left.players) - len(right.players)) <= 1
    assert left.positions[:, 0].max() < right.positions[:, 0].min()
    assert left.share + right.share == pytest.approx(share)
    assert left.share / len(left.players) == pytest.approx(right.share / len(right.players))
    order = [p.position[0] for p in left.players]
    assert order == sorted(order, reverse=True)  # desks stay in their order


def test_a_solo_player_is_in_both_halves_with_half_the_energy() -> None:
    left, right = row(1).halves()
    assert left == right
    assert left.players == row(1).players
    assert left.share == 0.5


def test_an_empty_section_and_a_short_table_are_refused() -> None:
    with pytest.raises(InputError, match="section 'cellos' has no players; at least 1 is needed"):
        Section("cellos", CHAIR, ())
    with pytest.raises(InputError, match="instrument 'horn': directivity_index has 3 values; nine are needed"):
        Instrument("horn", 1.0, directivity_index=(0.0, 1.0, 2.0))
