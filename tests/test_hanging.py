"""Hanging microphones over an ensemble."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rooms import catalogue
from rooms.errors import InputError
from rooms.geometry import Box
from rooms.hanging import Heights, constant_power, hang, heights
from rooms.microphones import Array
from rooms.players import Instrument, Player, Section
from rooms.tables import ArrayTable, HallTable
from rooms.theory import sabine_s

HALL = catalogue.hall("shoebox-concert-hall")
CHAIR = Instrument("chair", height=1.1)
SECTIONS = (
    Section("left", CHAIR, (Player((-5.0, 1.0, 1.1), 90.0), Player((-4.0, 1.0, 1.1), 90.0))),
    Section("right", CHAIR, (Player((3.0, 4.0, 1.1), -143.0),)),
)


def hung(table: dict[str, Any], usual: Heights | None = None) -> Array:
    return hang("array", catalogue.resolve(ArrayTable.model_validate(table)), HALL, SECTIONS, usual)


@given(st.floats(-1, 1))
def test_a_pan_keeps_the_power_and_mirrors(pan: float) -> None:
    left, right = constant_power(pan)
    assert left**2 + right**2 == pytest.approx(1.0)
    assert constant_power(-pan) == pytest.approx((right, left))


def test_the_centre_goes_into_both_sides_3_db_down_and_the_ends_into_one() -> None:
    left, right = constant_power(0.0)
    assert 20 * math.log10(left) == pytest.approx(-3.0103, abs=1e-4)  # 10·lg 2
    assert left == pytest.approx(right)
    assert constant_power(-1.0) == pytest.approx((1.0, 0.0))


def test_capsules_hang_relative_to_the_position() -> None:
    array = hung({"preset": "tree", "position": [1.0, 2.0, 3.0]})
    np.testing.assert_allclose(array.positions, [[0, 2, 3], [1, 3, 3], [2, 2, 3]])


def test_outriggers_stand_at_two_thirds_of_the_ensemble_s_half_width() -> None:
    """An encyclopedia and a glossary of the trade: about two thirds."""
    x = hung({"preset": "outriggers"}).positions[:, 0]
    np.testing.assert_allclose(x / 5.0, [-2 / 3, 2 / 3], rtol=0.01)


def test_ambience_hangs_far_and_high_and_at_least_4_m_wide() -> None:
    array = hung({"preset": "ambience-pair"})
    np.testing.assert_allclose(array.positions[:, 1], 0.6 * (10.5 - 43.0))
    np.testing.assert_allclose(array.positions[:, 2], 0.6 * 17.0)
    assert np.ptp(array.positions[:, 0]) >= 4.0


def test_a_given_position_replaces_the_array_s_place() -> None:
    array = hung({"preset": "ambience-pair", "position": [0, -5, 4]}, {"ambience": 6.0})
    np.testing.assert_allclose(array.positions, [[-2.5, -5, 4], [2.5, -5, 4]])


def one(place: dict[str, float], usual: Heights | None = None, **keys: Any) -> list[float]:
    """Return where a single capsule hangs."""
    found: list[float] = hung({"capsules": [{"name": "a"}], "place": place, **keys}, usual).positions[0].tolist()
    return found


def test_a_place_follows_the_ensemble_and_the_hall() -> None:
    """By hand: the ensemble reaches 5 m to the left; the hall is 43 m deep, the conductor 10.5 m from its back wall."""
    assert one({"behind": 2.0, "above": 3.2}) == [0.0, -2.0, 3.2]
    assert one({"behind": -1.0, "above": 3.2}) == [0.0, 1.0, 3.2]
    assert one({"half_widths": 0.6, "above": 3.0}) == [0.0, -3.0, 3.0]
    assert one({"house": 0.5, "height": 0.5}) == [0.0, -16.25, 8.5]


def test_a_place_by_critical_distance_is_where_direct_and_reverberant_sound_are_equal() -> None:
    """0.057·√(V/T) m, Kuttruff, Room Acoustics, section 5.1 (from memory), T after Sabine with air at 1 kHz: to 1 %."""
    time = sabine_s(HALL.box.volume, HALL.absorption_area, HALL.air, HALL.speed_of_sound)[4]
    _, y, _ = one({"critical_distances": 2.0, "above": 3.0})
    assert -y == pytest.approx(2.0 * 0.057 * math.sqrt(HALL.box.volume / time), rel=0.01)


def test_main_and_ambience_arrays_hang_as_high_as_the_hall_says() -> None:
    stated = heights(HallTable(main_height=3.8, ambience_height=7.0))
    assert stated == {"main": 3.8, "outriggers": 3.8, "ambience": 7.0}
    assert heights(HallTable()) == {}
    for purpose, z in (("main", 3.8), ("outriggers", 3.8), ("ambience", 7.0), ("surround", 3.0)):
        assert one({"behind": 2.0, "above": 3.0}, stated, purpose=purpose) == [0.0, -2.0, z]
    assert one({"behind": 2.0, "above_main": 1.0}, stated, purpose="surround") == [0.0, -2.0, 4.8]
    assert one({"behind": 2.0, "above_main": 1.0}, purpose="surround") == [0.0, -2.0, 4.0]  # 3 m: common practice
    np.testing.assert_allclose(hung({"preset": "binaural-head"}, stated).positions[:, 2], 1.7)


@given(
    st.sampled_from([n for n in catalogue.names("arrays") if n not in ("spots", "section-pairs", "binaural-head")]),
    st.floats(6.0, 60.0),
    st.floats(3.2, 20.0),
    st.floats(0.3, 0.7),
)
def test_an_array_without_a_position_keeps_half_a_metre_from_walls_floor_and_ceiling(
    name: str, depth: float, height: float, conductor: float
) -> None:
    hall = replace(HALL, box=Box((22.0, depth, height), (11.0, depth * conductor)), patches=())
    array = hang(name, catalogue.resolve(ArrayTable(preset=name)), hall, SECTIONS, {"main": 50.0})
    assert hall.box.inside(array.positions, 0.5 - 1e-9).all()


def test_a_pair_of_spots_hangs_before_the_halves_of_its_section() -> None:
    array = hung({"preset": "section-pairs"})
    assert [c.name for c in array.capsules] == ["left-left", "left-right", "right-left", "right-right"]
    halves = [half for section in SECTIONS for half in section.halves()]
    for capsule, half, section in zip(array.capsules, halves, np.repeat(np.array(["left", "right"]), 2), strict=True):
        way = half.centre - np.array(capsule.position)
        np.testing.assert_allclose(capsule.axis, way / np.linalg.norm(way), atol=1e-12)
        assert (capsule.section, capsule.target) == (section, pytest.approx(tuple(half.centre)))


def test_each_section_has_a_spot_that_looks_at_it_from_the_conductor_s_side() -> None:
    array = hung({"preset": "spots"})
    assert [c.name for c in array.capsules] == ["left", "right"]
    for capsule, section in zip(array.capsules, SECTIONS, strict=True):
        way = section.centre - np.array(capsule.position)
        np.testing.assert_allclose(capsule.axis, way / np.linalg.norm(way), atol=1e-12)
        assert 1.0 <= np.linalg.norm(way) <= 1.6  # 1 to 1.5 m: a microphone maker's advice
        assert np.hypot(*capsule.position[:2]) < np.hypot(*section.centre[:2])
        assert (capsule.section, capsule.stereo) == (section.name, None)


def test_a_spot_hangs_as_high_over_a_riser_as_over_the_floor() -> None:
    raised = Section("raised", CHAIR, (Player((3.0, 4.0, 1.5), -143.0),))
    table = catalogue.resolve(ArrayTable(preset="spots"))
    (low,), (high,) = (hang("spots", table, HALL, [section]).capsules for section in (SECTIONS[1], raised))
    np.testing.assert_allclose(np.subtract(high.position, low.position), [0.0, 0.0, 0.4], atol=1e-12)
    assert high.aim == pytest.approx(low.aim)


def test_an_array_by_shares_of_the_hall_counts_from_its_floor() -> None:
    hall = replace(HALL, box=replace(HALL.box, stage_height=1.0))
    table = catalogue.resolve(ArrayTable(preset="ambience-pair"))
    np.testing.assert_allclose(hang("ambience", table, hall, SECTIONS).positions[:, 2], 0.6 * 17.0 - 1.0)


@pytest.mark.parametrize(
    ("preset", "pans"),
    [
        ("tree", {"left": -1, "centre": 0, "right": 1}),  # by place
        ("xy", {"left": -1, "right": 1}),  # all in one place: by aim
        ("blumlein", {"left": -1, "right": 1}),
        ("ortf", {"left": -1, "right": 1}),
    ],
)
def test_capsules_spread_over_the_image_by_place_or_aim(preset: str, pans: dict[str, float]) -> None:
    found = {c.name: c.stereo for c in hung({"preset": preset}).capsules}
    assert found == {name: pytest.approx(constant_power(pan)) for name, pan in pans.items()}


def test_mid_and_side_make_left_and_right_as_sum_and_difference() -> None:
    """L = M + S, R = M - S (common practice, no source): a source on the left is louder left."""
    array = hung({"preset": "mid-side"})
    source = np.array([-np.sin(np.radians(40)), np.cos(np.radians(40)), 0.0])
    response = array.pressure_parts[:, 4] + (1 - array.pressure_parts[:, 4]) * (array.axes @ source)
    left, right = response @ np.array([c.stereo for c in array.capsules], dtype=np.float64)
    assert left > 2 * abs(right)


def test_a_capsule_of_its_own_can_be_panned_and_be_a_spot() -> None:
    table = {"capsules": [{"name": "a", "at": [1, 2, 3], "section": "right"}, {"name": "b", "pan": -0.5}]}
    spot, panned = hung(table).capsules
    assert (spot.section, spot.stereo) == ("right", None)
    assert panned.stereo == pytest.approx(constant_power(-0.5))


def test_a_capsule_is_hung_with_its_pattern_and_its_housing() -> None:
    table = {"capsules": [{"name": "a", "pattern": 0.6}, {"name": "b", "at": [1, 0, 0], "diameter": 0.016}]}
    first, second = hung(table).capsules
    assert (first.pattern, first.diameter, second.pattern, second.diameter) == (0.6, None, "omni", 0.016)


def test_trims_add_to_the_gain_of_their_capsule() -> None:
    array = hung({"preset": "tree", "trims": {"centre": -3.0}})
    assert [c.gain for c in array.capsules] == [0.0, -3.0, 0.0]


@pytest.mark.parametrize(
    ("table", "line"),
    [
        ({"preset": "tree", "trims": {"center": 1}}, "trims: unknown capsule 'center'; did you mean 'centre'?"),
        ({"capsules": [{"name": "a", "section": "lef"}]}, "capsule 'a': unknown section 'lef'; did you mean 'left'?"),
        ({}, "there are no capsules; give a preset, capsules or each_section"),
        (
            {"capsules": [{"name": "a"}], "place": {"house": 0.5, "behind": 2.0, "above": 3.0}},
            "place: found behind and house; give one of behind, half_widths, critical_distances, house",
        ),
        (
            {"capsules": [{"name": "a"}], "place": {"behind": 2.0}},
            "place: found none; give one of above, above_main, height",
        ),
    ],
)
def test_what_does_not_exist_is_refused(table: dict[str, Any], line: str) -> None:
    with pytest.raises(InputError) as error:
        hung(table)
    assert str(error.value) == line
