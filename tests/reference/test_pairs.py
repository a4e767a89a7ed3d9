"""Level and time differences of the classic microphone pairs, in the far field."""

from __future__ import annotations

import numpy as np
import pytest

from rooms.images import early_part, path_levels
from rooms.microphones import Array, Capsule
from rooms.scene import Scene
from rooms.units import energy_db
from tests.halls import ANECHOIC, hall, material, microphones, solo

CELSIUS = 293.15 * (343.0 / 343.2) ** 2 - 273.15
"""Air with 343 m/s, as in the tables."""


def pair(spacing: float, angle: float, pattern: str) -> Array:
    """Return two capsules in the horizontal plane, an angle between them, looking upstage."""
    return microphones(
        Capsule("left", (-spacing / 2, 0.0, 10.0), (-angle / 2, 0.0), pattern),
        Capsule("right", (spacing / 2, 0.0, 10.0), (angle / 2, 0.0), pattern),
    )


PAIRS = {
    "17 cm, 110°": (pair(0.17, 110, "cardioid"), [(0.128, 2.38), (0.248, 4.88), (0.350, 7.61)]),
    "30 cm, 90°": (pair(0.30, 90, "cardioid"), [(0.226, 1.90), (0.437, 3.87), (0.618, 6.02)]),
    "coincident cardioids, 90°": (pair(0.0, 90, "cardioid"), [(0.0, 1.90), (0.0, 3.87), (0.0, 6.02)]),
    "crossed figures-of-eight": (pair(0.0, 90, "figure-of-eight"), [(0.0, 4.77), (0.0, 11.44), (0.0, np.inf)]),
    "omnis, 40 cm": (pair(0.4, 0, "omni"), [(0.302, 0.0), (0.583, 0.0), (0.825, 0.0)]),
    "omnis, 2 m": (pair(2.0, 0, "omni"), [(1.509, 0.0), (2.915, 0.0), (4.123, 0.0)]),
}


@pytest.mark.parametrize("name", PAIRS)
def test_a_pair_differs_in_level_and_time_as_plane_wave_geometry_says(name: str) -> None:
    """Sources 4 km away at 15, 30 and 45°; d·sin θ/c and the ratio of a + (1 − a)·cos θ, computed by hand.

    Geometries: Williams, "Unified theory of microphone systems for stereophonic sound recording", AES preprint 2072,
    1984 (the cardioid pairs); common practice, no source (the others). Printed to 1 µs and 0.01 dB.
    """
    array, expected = PAIRS[name]
    room = hall(material(ANECHOIC), size=(9000.0, 9000.0, 20.0), temperature=CELSIUS)
    assert room.speed_of_sound == pytest.approx(343.0)
    for azimuth, (milliseconds, decibels) in zip((15.0, 30.0, 45.0), expected, strict=True):
        place = 4000.0 * np.sin(np.radians(azimuth)), 4000.0 * np.cos(np.radians(azimuth)), 10.0
        scene = Scene(room, (solo(place),), (array,), 48000)
        arrival, energy = path_levels(scene, scene.sections[0])
        assert (arrival[0] - arrival[1]) * 1000.0 == pytest.approx(milliseconds, abs=6e-4)
        level = energy_db(energy[:, 4])
        if np.isinf(decibels):
            assert level[1] - level[0] > 200.0
        else:
            assert level[1] - level[0] == pytest.approx(decibels, abs=6e-3)


@pytest.mark.parametrize("name", PAIRS)
def test_the_sound_itself_has_those_differences(name: str) -> None:
    """The same in samples: delay by the phase of the cross-spectrum, level by energy, 200 Hz to 8 kHz.

    To 1 µs and 0.01 dB, as printed; the null of a figure-of-eight is 100 dB deep. A source on the left comes mirrored.
    """
    array, expected = PAIRS[name]
    room = hall(material(ANECHOIC), size=(9000.0, 9000.0, 20.0), temperature=CELSIUS)
    frequency = np.arange(200.0, 8000.0, 100.0)
    for azimuth, (milliseconds, decibels) in zip((15.0, 30.0, 45.0), expected, strict=True):
        for side in (1.0, -1.0):
            place = side * 4000.0 * np.sin(np.radians(azimuth)), 4000.0 * np.cos(np.radians(azimuth)), 10.0
            scene = Scene(room, (solo(place),), (array,), 48000)
            sound = early_part(scene, scene.sections[0], 4010.0 / 343.0).sum(axis=0)[:, -4000:]
            turns = np.exp(-2j * np.pi * frequency[:, None] * np.arange(4000) / 48000)
            near, far = (turns @ sound.T).T[:: -int(side)]
            level = 10.0 * np.log10(np.sum(np.abs(near) ** 2) / np.sum(np.abs(far) ** 2))
            if np.isinf(decibels):
                assert level > 100.0
                continue
            assert level == pytest.approx(decibels, abs=6e-3)
            later = -np.polynomial.Polynomial.fit(frequency, np.unwrap(np.angle(far / near)), 1).convert().coef[1]
            assert later / (2.0 * np.pi) * 1000.0 == pytest.approx(milliseconds, abs=6e-4)
