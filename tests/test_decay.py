"""The hall by itself: reverberation time asked and given, and the mixing time."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rooms import catalogue
from rooms.decay import expected_T30, mixing_time, with_T30
from rooms.errors import InputError
from rooms.surfaces import Hall, Patch
from rooms.theory import sabine_s
from tests.halls import hall, material


def room(floor: float = 0.4, walls: float = 0.15) -> Hall:
    """Return a small hall with one absorbing surface, scattering and air."""
    wall = material(walls, 0.4)
    return hall(wall, wall, wall, wall, material(floor, 0.4), wall, size=(14.0, 20.0, 9.0), still=False)


@pytest.mark.parametrize("asked", [0.8, 1.3, 1.8])
def test_a_hall_rings_as_asked_at_500_hz_and_1_khz(asked: float) -> None:
    """Within 1 %, a fifth of what can be heard; all surfaces and bands scaled alike, up to 1."""
    before = room()
    after = with_T30(before, asked)
    assert expected_T30(after)[3:5].mean() == pytest.approx(asked, rel=0.01)
    factor = after.absorption[4, 0] / before.absorption[4, 0]
    np.testing.assert_allclose(after.absorption, np.minimum(before.absorption * factor, 1.0), rtol=1e-9)
    np.testing.assert_array_equal(after.scattering, before.scattering)


def test_an_audience_that_takes_nearly_all_does_not_stop_the_walls() -> None:
    """Its absorption of 0.95 can't follow a factor of some 1.5: it ends at 1, the surfaces keep their ratios."""
    plain = room()
    seats = Patch("floor", (-6.0, -9.0), (6.0, 0.0), material(0.95, 0.5))
    before = replace(plain, patches=(seats,))
    asked = 0.7 * float(expected_T30(before)[3:5].mean())
    after = with_T30(before, asked)
    assert expected_T30(after)[3:5].mean() == pytest.approx(asked, rel=0.01)
    factor = after.absorption[4, 0] / before.absorption[4, 0]
    assert factor > 1.2
    np.testing.assert_allclose(after.absorption, np.minimum(before.absorption * factor, 1.0), rtol=1e-9)


def test_only_the_bands_named_are_held_and_the_others_stay() -> None:
    before = room()
    after = with_T30(before, {"125": 1.9, "2000": 0.9})
    times = expected_T30(after)
    assert times[1] == pytest.approx(1.9, rel=0.01)
    assert times[5] == pytest.approx(0.9, rel=0.01)
    others = [0, 2, 3, 4, 6, 7, 8]
    np.testing.assert_array_equal(after.absorption[others], before.absorption[others])
    for band in (1, 5):
        np.testing.assert_allclose(
            after.absorption[band, 4] / after.absorption[band, 0],
            before.absorption[band, 4] / before.absorption[band, 0],
        )


def test_a_hall_that_rings_as_asked_already_is_left_alone() -> None:
    before = room()
    times = expected_T30(before)
    assert with_T30(before, float(times[3:5].mean())).absorption == pytest.approx(before.absorption)


def test_a_time_out_of_reach_is_refused_with_the_nearest_in_reach() -> None:
    """Air alone ends 16 kHz within about a second; a surface takes no more than all."""
    with pytest.raises(InputError, match=r"hall 'test': T30 of 9 s at 16000 Hz is out of reach") as error:
        with_T30(room(), {"16000": 9.0})
    nearest = float(str(error.value).split("the nearest is ")[1].split(" s")[0])
    bare = room(0.0004, 0.00015)  # a thousandth of the absorption
    air_alone = sabine_s(bare.box.volume, bare.absorption_area, bare.air, bare.speed_of_sound)[8]
    assert nearest == pytest.approx(float(air_alone), rel=0.05)
    with pytest.raises(InputError, match=r"T30 of 0\.05 s at 500 and 1000 Hz is out of reach"):
        with_T30(room(), 0.05)


def test_a_misspelt_band_and_an_endless_hall_are_refused() -> None:
    with pytest.raises(InputError, match="T30 names a band '1001'; did you mean '1000'"):
        with_T30(room(), {"1001": 1.0})
    with pytest.raises(InputError, match=r"hall 'test' rings longer than 20 s at 63 Hz"):
        expected_T30(room(0.001, 0.001))


def test_a_hall_that_hardly_rings_is_not_said_to_ring_too_long() -> None:
    """Less T30 than there can be is refused with the nearest there is; a dead hall has none, and says so."""
    with pytest.raises(
        InputError, match=r"T30 of 0.02 s at 500 and 1000 Hz is out of reach .* the nearest is 0\.\d\d s"
    ):
        with_T30(room(0.3, 0.5), 0.02)
    assert np.isnan(expected_T30(hall(material(1.0)))).all()


def test_air_shortens_high_bands_and_no_others() -> None:
    """Equal surfaces: bands of a still hall ring alike; with air 63 Hz still does within 1 %, 8 kHz far less."""
    wall = material(0.2, 0.5)
    still, airy = (expected_T30(hall(wall, size=(14.0, 20.0, 9.0), still=still)) for still in (True, False))
    np.testing.assert_allclose(still, still[0], rtol=1e-6)
    assert airy[0] == pytest.approx(still[0], rel=0.01)
    assert np.all(np.diff(airy) < 1e-9)
    assert airy[7] < 0.8 * still[7]


def test_a_mirrored_hall_rings_alike() -> None:
    """Stage and house walls stay, left and right are exchanged: within 2 %, the places not being symmetrical."""
    surfaces = [material(a, 0.3) for a in (0.1, 0.4, 0.2, 0.2, 0.3, 0.15)]
    turned = [surfaces[1], surfaces[0], *surfaces[2:]]
    here, there = (expected_T30(hall(*walls, size=(14.0, 20.0, 9.0))) for walls in (surfaces, turned))
    np.testing.assert_allclose(here, there, rtol=0.02)


@settings(max_examples=25)
@given(st.floats(3.0, 40.0), st.floats(3.0, 60.0), st.floats(2.5, 25.0), st.floats(0.05, 0.9), st.floats(0.0, 1.0))
def test_the_mixing_time_is_at_least_the_root_of_the_volume_in_ms_and_at_most_400(
    x: float, y: float, z: float, absorption: float, scattering: float
) -> None:
    """Polack 1993; Lindau, Kosanke & Weinzierl, J. Audio Eng. Soc. 60, 887 (2012): √V ms for an ordinary hall."""
    box = hall(material(absorption, scattering), size=(x, y, z))
    root = 1e-3 * np.sqrt(box.box.volume)
    found = mixing_time(box)
    assert min(root, 0.4) <= found <= 0.4


@pytest.mark.parametrize("name", catalogue.names("halls"))
def test_preset_halls_mix_when_they_should(name: str) -> None:
    preset = catalogue.hall(name)
    assert 1e-3 * np.sqrt(preset.box.volume) <= mixing_time(preset) < 0.4


def test_a_room_with_a_few_strong_reflections_mixes_later_than_an_even_one() -> None:
    """Two hard walls face each other, all else absorbs: flutter is no blend."""
    soft, hard = material(0.9, 0.1), material(0.02, 0.0)
    flutter = hall(hard, hard, soft, soft, soft, soft, size=(14.0, 20.0, 9.0))
    even = hall(material(0.1, 0.0), size=(14.0, 20.0, 9.0))
    assert mixing_time(flutter) > 2.0 * mixing_time(even)
