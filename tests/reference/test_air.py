"""Sound absorbed by air, against the printed table of ISO 9613-1 and in the engine's own paths."""

from __future__ import annotations

import numpy as np
import pyfar
import pytest

from rooms.images import early_part
from rooms.microphones import Capsule
from rooms.scene import Scene
from rooms.units import MIDBANDS, air_attenuation
from tests.halls import ANECHOIC, hall, material, microphones, solo


@pytest.mark.parametrize(
    ("celsius", "humidity", "third_octave", "printed"),
    [(10, 10, 0, "21.6"), (10, 10, -10, "0.585"), (35, 60, 6, "25.8"), (50, 70, 0, "8.03"), (-20, 30, -1, "4.92")],
)
def test_air_attenuation_has_the_printed_digits_of_iso_9613_1(
    celsius: float, humidity: float, third_octave: int, printed: str
) -> None:
    """ISO 9613-1:1993, table 1, in dB/km at exact third-octave mid-bands (1 kHz times 10^(n/10))."""
    found = 1000.0 * float(air_attenuation(1000.0 * 10 ** (third_octave / 10), celsius, humidity))
    decimals = len(printed.split(".")[1])
    assert f"{found:.{decimals}f}" == printed


@pytest.mark.parametrize(
    ("celsius", "humidity", "printed"),
    [
        (10, 70, "0.1 0.4 1.0 1.9 3.7 9.7 32.8 117"),
        (15, 50, "0.1 0.5 1.2 2.2 4.2 10.8 36.2 129"),
        (20, 70, "0.1 0.3 1.1 2.8 5.0 9.0 22.9 76.6"),
    ],
)
def test_octave_bands_have_the_printed_digits_of_iso_9613_2(celsius: float, humidity: float, printed: str) -> None:
    """ISO 9613-2:1996, table 2, in dB/km, 63 Hz to 8 kHz (from memory)."""
    found = 1000.0 * air_attenuation(MIDBANDS[:8], celsius, humidity)
    digits = [f"{v:.{len(p.partition('.')[2])}f}" for v, p in zip(found, printed.split(), strict=True)]
    assert " ".join(digits) == printed


def test_the_whole_table_of_iso_9613_1_agrees_with_an_independent_program() -> None:
    """ISO 9613-1:1993, table 1: −20 to 50 °C, 10 to 100 %, third octaves 50 Hz to 10 kHz, against pyfar 0.8.

    1e-4, a tenth of what the table's three digits resolve.
    """
    bands = 1000.0 * 10.0 ** (np.arange(-13, 11) / 10.0)
    for celsius in np.arange(-20.0, 51.0, 5.0):
        for humidity in (10.0, 15.0, 20.0, 30.0, 40.0, 50.0, 60.0, 70.0, 80.0, 90.0, 100.0):
            expected, _, _ = pyfar.constants.air_attenuation(celsius, bands, humidity / 100.0)
            np.testing.assert_allclose(air_attenuation(bands, celsius, humidity), np.ravel(expected), rtol=1e-4)


def test_a_path_thirty_metres_longer_loses_thirty_metres_of_air() -> None:
    """Two distances, same directions, no reflections: the difference beyond 1/r is the table's attenuation.

    0.3 % where the loss is large; 1 mdB where it is small, left by the end of the response.
    """
    distances = (5.0, 35.0)
    room = hall(material(ANECHOIC), size=(60.0, 60.0, 30.0), still=False)
    level = []
    for r in distances:
        scene = Scene(room, (solo((0.0, -r / 2, 10.0)),), (microphones(Capsule("ear", (0.0, r / 2, 10.0))),), 48000)
        response = early_part(scene, scene.sections[0], r / room.speed_of_sound + 0.08).sum(axis=0)[0]
        turns = np.exp(-2j * np.pi * MIDBANDS[:, None] * np.arange(len(response)) / scene.sample_rate)
        level.append(20.0 * np.log10(np.abs(turns @ response) * r))
    expected = 30.0 * air_attenuation(MIDBANDS, 20.0, 50.0)
    np.testing.assert_allclose(level[0] - level[1], expected, rtol=3e-3, atol=1e-3)
