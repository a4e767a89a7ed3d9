"""Where a sound appears between two loudspeakers: laws of the curve, and what it is applied to."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from rooms.errors import InputError
from rooms.localisation import (
    apparent_azimuth,
    channel_differences,
    direct_pressure,
    ensemble_image,
    image_shift,
    is_pair,
    recording_angle,
    section_image,
    wavefront_shift,
)
from rooms.microphones import Array, Capsule, Pattern
from rooms.players import OMNIDIRECTIONAL, Player, Section

C = 343.0

levels = st.floats(-40.0, 40.0)
times = st.floats(-0.003, 0.003)


def pair(spacing: float, angle: float, pattern: Pattern) -> Array:
    """Return a pair at 3 m, an angle between its level axes."""
    return Array(
        "pair",
        "main",
        (
            Capsule("left", (-spacing / 2, 0.0, 3.0), (-angle / 2, 0.0), pattern, stereo=(1.0, 0.0)),
            Capsule("right", (spacing / 2, 0.0, 3.0), (angle / 2, 0.0), pattern, stereo=(0.0, 1.0)),
        ),
    )


def at(azimuth: float, distance: float = 1000.0) -> np.ndarray:
    """Return a point at the height of the pairs."""
    return np.array([distance * np.sin(np.radians(azimuth)), distance * np.cos(np.radians(azimuth)), 3.0])


@given(levels, times)
def test_a_shift_mirrors_and_stays_between_the_loudspeakers(level: float, time: float) -> None:
    shift = float(image_shift(level, time))
    assert shift == -float(image_shift(-level, -time))
    assert -1.0 <= shift <= 1.0
    assert float(apparent_azimuth(level, time)) == pytest.approx(30.0 * shift)


@given(levels, levels, times)
def test_more_level_never_moves_a_sound_back(one: float, other: float, time: float) -> None:
    low, high = sorted((one, other))
    assert float(image_shift(low, time)) <= float(image_shift(high, time)) + 1e-9


@given(levels, times, times)
def test_more_lead_never_moves_a_sound_back(level: float, one: float, other: float) -> None:
    low, high = sorted((one, other))
    assert float(image_shift(level, low)) <= float(image_shift(level, high)) + 1e-9


@given(levels, times)
@example(level=10.0, time=0.0)
@example(level=-7.0, time=0.0005)
def test_the_curve_has_no_jumps(level: float, time: float) -> None:
    """For a hundredth of a dB or a microsecond at most 0.4 % of the base, three times the proportional slope."""
    here = image_shift(level, time)
    for near in (image_shift(level + 0.01, time), image_shift(level, time + 1e-6)):
        assert abs(float(near - here)) < 0.004


def test_shifts_are_the_published_ones() -> None:
    """7.5 % a dB and 13 % a tenth of a millisecond, adding (Wittek & Theile 2002, from memory), up to 75 %.

    All the way by 15 dB, by 1.12 ms, or by 6 dB with 0.5 ms: a microphone maker's application note on spacing and
    angling, after Simonsen 1984.
    """
    np.testing.assert_allclose(image_shift([4.0, 10.0, 0.0, 3.0], [0.0, 0.0, 2e-4, 3e-4]), [0.30, 0.75, 0.26, 0.615])
    np.testing.assert_allclose(image_shift([15.0, 0.0, 6.0], [0.0, 1.12e-3, 5e-4]), 1.0)
    assert np.all(image_shift([14.9, 0.0, 5.9], [0.0, 1.11e-3, 5e-4]) < 1.0)


def test_differences_that_pull_apart_subtract() -> None:
    """By shift: 4 dB to the right are 30 %, 0.2 ms to the left 26 % (Wittek & Theile 2002, from memory)."""
    assert float(image_shift(4.0, -2e-4)) == pytest.approx(0.04)
    assert float(image_shift(-4.0, 2e-4)) == pytest.approx(-0.04)


@pytest.mark.parametrize("array", [pair(0.17, 110, "cardioid"), pair(0.0, 90, "figure-of-eight"), pair(0.4, 0, "omni")])
@given(azimuth=st.floats(-60.0, 60.0))
@example(azimuth=45.0)  # where a figure-of-eight's null points at the source
def test_an_image_is_central_ahead_mirrors_and_keeps_its_side(array: Array, azimuth: float) -> None:
    here, there = (float(image_shift(*channel_differences(array, at(side * azimuth), C))) for side in (1.0, -1.0))
    assert here == pytest.approx(-there, abs=1e-9)
    assert np.sign(here) == np.sign(azimuth) or abs(azimuth) < 1e-6


def test_near_a_spaced_pair_distance_makes_a_level_difference_too() -> None:
    """1/r by hand: omnis 2 m apart, a source 1 m before the right one."""
    level, time = channel_differences(pair(2.0, 0, "omni"), [1.0, 1.0, 3.0], C)
    assert level == pytest.approx(20 * math.log10(math.sqrt(5.0)))
    assert time == pytest.approx((math.sqrt(5.0) - 1.0) / C)


def test_direct_sound_has_sign_pattern_and_gain() -> None:
    figure = Array("a", "main", (Capsule("c", (0.0, 0.0, 0.0), (90.0, 0.0), "figure-of-eight", 6.0),))
    pressure, distance = direct_pressure(figure, [-2.0, 0.0, 0.0])
    assert (pressure[0], distance[0]) == (pytest.approx(-(10 ** (6 / 20)) / 2.0), 2.0)


def test_mid_and_side_are_the_coincident_pair_they_make() -> None:
    """M cardioid, S figure-of-eight at equal gain: left = M + S. The same as summing the two patterns by hand."""
    capsules = (
        Capsule("mid", (0.0, 0.0, 3.0), (0.0, 0.0), "cardioid", stereo=(1.0, 1.0)),
        Capsule("side", (0.0, 0.0, 3.0), (-90.0, 0.0), "figure-of-eight", stereo=(1.0, -1.0)),
        Capsule("unheard", (0.0, 0.0, 3.0), (180.0, 0.0), "cardioid", stereo=(0.0, 0.0)),
    )
    for azimuth in (5.0, 15.0, 25.0):
        a = np.radians(azimuth)
        mid, side = 0.5 + 0.5 * np.cos(a), np.cos(a + np.pi / 2)
        by_hand = 20 * np.log10(abs(mid - side) / abs(mid + side))
        assert channel_differences(Array("ms", "main", capsules), at(azimuth), C) == pytest.approx(
            (by_hand, 0.0), abs=1e-9
        )


def test_a_pair_is_two_capsules_or_all_in_a_point() -> None:
    left, right = pair(0.3, 90, "cardioid").capsules
    centre = Capsule("centre", (0.0, 1.0, 3.0), stereo=(0.7, 0.7))
    point = tuple(replace(c, position=(0.0, 0.0, 3.0)) for c in (left, right, centre))
    assert is_pair(Array("a", "main", (left, right)))
    assert is_pair(Array("a", "main", (left, right, replace(centre, stereo=(0.0, 0.0)))))
    assert is_pair(Array("a", "main", point))
    assert not is_pair(Array("a", "main", (left, right, centre)))
    assert not is_pair(Array("a", "main", (left, replace(right, stereo=None))))
    assert not is_pair(Array("a", "main", (left,)))
    with pytest.raises(InputError, match="array 'tree' isn't a pair"):
        channel_differences(Array("tree", "main", (left, right, centre)), at(10.0), C)


def test_a_recording_angle_is_of_the_level_pair_and_shrinks_near_it() -> None:
    level = pair(0.17, 110, "cardioid")
    tilted = replace(level, capsules=tuple(replace(c, aim=(c.aim[0], -25.0)) for c in level.capsules))
    assert recording_angle(tilted, C) == recording_angle(level, C)
    assert recording_angle(level, C, 2.0) < recording_angle(level, C)  # 1/r adds to the level difference
    assert math.isnan(recording_angle(pair(0.3, 0, "omni"), C))  # 0.87 ms at most


def test_the_edge_of_the_recording_angle_appears_in_the_loudspeaker() -> None:
    for array in (pair(0.17, 110, "cardioid"), pair(0.0, 90, "cardioid"), pair(0.5, 0, "omni")):
        half = recording_angle(array, C) / 2.0
        for azimuth, full in ((half - 0.2, False), (half, True)):
            assert (float(apparent_azimuth(*channel_differences(array, at(azimuth), C))) > 30.0 - 1e-6) is full


def test_an_ensemble_s_image_reaches_from_its_first_player_to_its_last() -> None:
    array = pair(0.17, 110, "cardioid")
    players = tuple(Player((x, 4.0, 3.0), 180.0) for x in (1.0, 2.0, 4.0))
    sections = (Section("violas", OMNIDIRECTIONAL, players), Section("flute", OMNIDIRECTIONAL, players[:1]))
    image = ensemble_image(array, sections, C)
    each = [float(apparent_azimuth(*channel_differences(array, player.position, C))) for player in players]
    violas, flute = image.sections
    assert (violas.section, violas.left, violas.right) == ("violas", pytest.approx(each[0]), pytest.approx(each[2]))
    assert each[1] < violas.azimuth < each[2]  # the centre lies at 7/3 m
    assert flute.left == flute.azimuth == flute.right == violas.left
    assert image.heard == (violas.left, violas.right)
    assert image.seen == pytest.approx((math.degrees(math.atan(0.25)), 45.0))
    assert image.recording_angle == recording_angle(array, C)


@given(levels, times)
def test_one_wavefront_from_each_loudspeaker_is_the_published_curve(level: float, time: float) -> None:
    """And one from both at once is the curve for level alone."""
    right = 10.0 ** (level / 20.0)
    apart = wavefront_shift([[1.0, 0.0], [0.0, right]], [time, 0.0])
    assert float(apart) == pytest.approx(float(image_shift(level, time)), abs=1e-9)
    together = wavefront_shift([[1.0], [-right]], [0.02])  # polarity has no say
    assert float(together) == pytest.approx(float(image_shift(level, 0.0)), abs=1e-9)


wavefronts = st.lists(
    st.tuples(st.floats(0.0, 1.0), st.floats(0.0, 1.0), st.floats(0.0, 0.004)), min_size=1, max_size=5
).filter(lambda fronts: max(max(left, right) for left, right, _ in fronts) > 0.1)


@given(wavefronts, st.floats(0.1, 10.0), st.floats(-0.01, 0.01))
def test_several_wavefronts_mirror_and_do_not_depend_on_gain_delay_or_order(
    fronts: list[tuple[float, float, float]], gain: float, delay: float
) -> None:
    left, right, time = np.transpose(fronts)
    shift = float(wavefront_shift([left, right], time))
    assert -1.0 <= shift <= 1.0
    assert float(wavefront_shift([right, left], time)) == pytest.approx(-shift, abs=1e-9)
    assert float(wavefront_shift([gain * left[::-1], gain * right[::-1]], time[::-1] + delay)) == pytest.approx(
        shift, abs=1e-6
    )


def test_what_is_silent_in_a_loudspeaker_is_heard_in_the_other() -> None:
    assert float(wavefront_shift([[0.0, 0.0], [1.0, 0.5]], [0.003, 0.0])) == pytest.approx(1.0)
    assert np.isnan(wavefront_shift([[0.0], [0.0]], [0.0]))


def tree() -> Array:
    """Return three omnis: two 2 m apart, and one a metre ahead that goes to both."""
    half = math.sqrt(0.5)
    return Array(
        "tree",
        "main",
        (
            Capsule("left", (-1.0, 0.0, 3.0), stereo=(1.0, 0.0)),
            Capsule("centre", (0.0, 1.0, 3.0), stereo=(half, half)),
            Capsule("right", (1.0, 0.0, 3.0), stereo=(0.0, 1.0)),
        ),
    )


def test_a_tree_places_by_the_peaks_of_its_channels_correlation() -> None:
    """By hand, without `wavefront_shift`: impulses at 1 MHz, their correlation, the curve at each of its lags."""
    for azimuth in (7.0, 20.0, 41.0):
        source = at(azimuth, 6.0)
        pressure, distance = direct_pressure(tree(), source)
        channels = np.zeros((2, 30000))
        for capsule, p, d in zip(tree().capsules, pressure, distance, strict=True):
            channels[:, round(d / C * 1e6)] += np.array(capsule.stereo) * p
        left, right = (np.flatnonzero(channel) for channel in channels)
        level = 10.0 * np.log10((channels[1] ** 2).sum() / (channels[0] ** 2).sum())
        alike = [(channels[0, a] * channels[1, b], (a - b) * 1e-6) for a in left for b in right]
        weights, lags = np.transpose(alike)
        expected = float((weights**2 * image_shift(level, lags)).sum() / (weights**2).sum())
        player = Section("solo", OMNIDIRECTIONAL, (Player(tuple(source), 180.0),))
        assert section_image(tree(), player, C).azimuth == pytest.approx(30.0 * expected, abs=0.05)  # lags to 1 µs


def test_a_tree_without_its_middle_is_the_pair_and_with_it_holds_the_middle_closer() -> None:
    """Common practice, no source: the centre microphone fills the hole between two that stand far apart."""
    whole = tree()
    pair_only = replace(whole, capsules=(whole.capsules[0], whole.capsules[2]))
    shifts = []
    for azimuth in (3.0, 10.0, 20.0, 40.0, 60.0):
        player = Section("solo", OMNIDIRECTIONAL, (Player(tuple(at(azimuth, 6.0)), 180.0),))
        by_pair = float(apparent_azimuth(*channel_differences(pair_only, player.centre, C)))
        assert section_image(pair_only, player, C).azimuth == pytest.approx(by_pair)
        shifts.append((section_image(whole, player, C).azimuth, by_pair))
    with_middle, without = np.transpose(shifts)
    assert np.all(np.diff(with_middle) > 0.0)
    assert np.all((with_middle > 0.0) & (with_middle < without))


def test_mid_and_side_in_one_point_are_placed_as_the_pair_they_make() -> None:
    """Their pressures add before levels are taken: side in the right loudspeaker is turned round."""
    capsules = (
        Capsule("mid", (0.0, 0.0, 3.0), (0.0, 0.0), "cardioid", stereo=(1.0, 1.0)),
        Capsule("side", (0.0, 0.0, 3.0), (-90.0, 0.0), "figure-of-eight", stereo=(1.0, -1.0)),
    )
    array = Array("ms", "main", capsules)
    player = Section("solo", OMNIDIRECTIONAL, (Player(tuple(at(20.0)), 180.0),))
    expected = float(apparent_azimuth(*channel_differences(array, player.centre, C)))
    assert section_image(array, player, C).azimuth == pytest.approx(expected)
    assert expected > 5.0


def test_an_array_whose_capsules_go_nowhere_needs_a_law() -> None:
    spot = Array("spots", "spot", (Capsule("solo", (0.0, 0.0, 1.0)),))
    player = Section("solo", OMNIDIRECTIONAL, (Player((1.0, 2.0, 1.0), 180.0),))
    with pytest.raises(InputError, match="array 'spots': a capsule goes nowhere in stereo"):
        section_image(spot, player, C)
    assert section_image(spot, player, C, np.array([[1.0], [0.5]])).azimuth == pytest.approx(
        float(apparent_azimuth(20.0 * math.log10(0.5), 0.0))
    )
