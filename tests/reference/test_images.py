"""The early part against other people's image sources, the original paper, and ideal delays."""

from __future__ import annotations

import itertools

import numpy as np
import pyroomacoustics as pra
import pytest
import rir_generator
from numpy.typing import NDArray

from rooms.images import Reflections, early_part, early_reflections
from rooms.microphones import Capsule
from rooms.scene import Scene
from rooms.surfaces import Hall
from rooms.units import amplitude
from tests.halls import ANECHOIC, Point, hall, material, microphones, solo

Samples = NDArray[np.float64]

ALPHAS = (0.3, 0.2, 0.4, 0.25, 0.6, 0.35)
"""Six different walls, so that a wall taken for another shows."""
SIZE = (12.0, 17.0, 8.0)
ROOM = hall(*[material(a) for a in ALPHAS], size=SIZE)
SOURCE, EAR = (2.3, 3.1, 1.4), (-3.2, -4.7, 3.3)


def response(room: Hall, source: Point, ear: Point, rate: int, until: float) -> Samples:
    """Return the early part between two omnidirectional points."""
    scene = Scene(room, (solo(source),), (microphones(Capsule("ear", ear)),), rate)
    return early_part(scene, scene.sections[0], until).sum(axis=0)[0]


def enumerated(room: Hall, source: Samples, ear: Samples, count: int) -> Samples:
    """Return distances and amplitudes of the nearest images, by reflecting the source at wall after wall.

    Written from the picture, not from the lattice: each axis on its own is a row of mirrors; a source at x between
    walls 0 and L has images reached by alternating reflections that begin at either wall.
    """
    size, source, ear = np.array(room.box.size), source - room.box.lower, ear - room.box.lower
    reflect = np.sqrt(1.0 - room.absorption[0])

    def row(axis: int) -> list[tuple[float, float]]:
        images = [(source[axis], 1.0)]
        for first in (0, 1):
            x, gain, wall = source[axis], 1.0, first
            for _ in range(12):
                x = 2.0 * wall * size[axis] - x
                gain *= reflect[2 * axis + wall]
                images.append((x, gain))
                wall = 1 - wall
        return images

    found = [
        (np.linalg.norm([x - ear[0], y - ear[1], z - ear[2]]), gx * gy * gz)
        for (x, gx), (y, gy), (z, gz) in itertools.product(row(0), row(1), row(2))
    ]
    table = np.array(sorted(found)[:count])
    table[:, 1] /= table[:, 0]
    return table


def test_the_first_images_are_those_of_a_row_of_mirrors() -> None:
    paths = early_reflections(ROOM, SOURCE, EAR, 0.15)
    expected = enumerated(ROOM, np.array(SOURCE), np.array(EAR), 300)
    assert len(paths.time_s) > 300
    np.testing.assert_allclose(paths.time_s[:300], expected[:, 0] / ROOM.speed_of_sound, rtol=1e-12)
    order = np.lexsort((amplitude(paths.level_db[:300, 4]), paths.time_s[:300].round(12)))
    np.testing.assert_allclose(amplitude(paths.level_db[order, 4]), expected[:, 1], rtol=1e-9)


def test_the_first_hundred_images_are_those_of_pyroomacoustics() -> None:
    """pyroomacoustics 0.8 and later (Scheibler, Bezzam & Dokmanić, ICASSP 2018); it works in float32: 1e-6."""
    names = ("west", "east", "south", "north", "floor", "ceiling")
    walls = {name: pra.Material(a) for name, a in zip(names, ALPHAS, strict=True)}
    room = pra.ShoeBox(SIZE, fs=48000, materials=walls, max_order=14, air_absorption=False)
    ear = np.array(EAR) - ROOM.box.lower
    room.add_source(np.array(SOURCE) - ROOM.box.lower)
    room.add_microphone(ear)
    room.image_source_model()
    distance = np.linalg.norm(room.sources[0].images - ear[:, None], axis=0)
    nearest = np.argsort(distance)[:100]
    paths = early_reflections(ROOM, SOURCE, EAR, 0.12)
    np.testing.assert_allclose(paths.time_s[:100], distance[nearest] / ROOM.speed_of_sound, rtol=1e-6)
    np.testing.assert_array_equal(paths.order[:100], room.sources[0].orders[nearest])
    gain = room.sources[0].damping[0, nearest] / distance[nearest]
    np.testing.assert_allclose(amplitude(paths.level_db[:100, 4]), gain, rtol=2e-6)


def residual(ours: Samples, theirs: Samples, rate: int) -> float:
    """Return the energy of a difference re theirs in dB, 200 Hz to 10 kHz, but for a fade over the last 20 ms."""
    end = np.ones(len(ours))
    end[-rate // 50 :] = np.cos(np.linspace(0.0, np.pi / 2.0, rate // 50)) ** 2
    found, expected = np.fft.rfft(ours * end), np.fft.rfft(theirs * end)
    frequency = np.fft.rfftfreq(len(end), 1.0 / rate)
    band = (frequency > 200.0) & (frequency < 10000.0)
    left = np.sum(np.abs(found - expected)[band] ** 2) / np.sum(np.abs(expected[band]) ** 2)
    return float(10.0 * np.log10(left))


def test_the_early_part_is_that_of_rir_generator() -> None:
    """rir-generator 0.3 (E. A. P. Habets' generator): no high-pass, omni, times 4π; residual below −60 dB.

    200 Hz to 10 kHz of the first 250 ms. Its fractional delays are windowed sincs of 8 ms, ours lie −124 dB from
    them; −60 dB leaves room for other versions of either and is far below what any wrong wall would do (−20 dB).
    """
    rate, until = 48000, 0.25
    ours = response(ROOM, SOURCE, EAR, rate, until)
    low = ROOM.box.lower
    theirs = (
        4.0
        * np.pi
        * rir_generator.generate(
            ROOM.speed_of_sound,
            rate,
            (np.array(EAR) - low).tolist(),
            (np.array(SOURCE) - low).tolist(),
            list(SIZE),
            beta=np.sqrt(1.0 - np.array(ALPHAS)).tolist(),
            nsample=len(ours),
            hp_filter=False,
        )[:, 0]
    )
    assert residual(ours, theirs, rate) < -60.0


def test_the_early_part_is_that_of_pyroomacoustics() -> None:
    """The same box in samples: residual below −55 dB, 200 Hz to 10 kHz of the first 130 ms.

    Its responses lead in by half the length of their delay filters, 40 of 81 samples, which leave −61 dB; its
    high-pass is switched off, and with bands alike its octave filters play no part.
    """
    rate, until = 48000, 0.13
    ours = response(ROOM, SOURCE, EAR, rate, until)
    names = ("west", "east", "south", "north", "floor", "ceiling")
    walls = {name: pra.Material(a) for name, a in zip(names, ALPHAS, strict=True)}
    room = pra.ShoeBox(SIZE, fs=rate, materials=walls, max_order=14, air_absorption=False)
    room.set_sound_speed(ROOM.speed_of_sound)
    room.add_source(np.array(SOURCE) - ROOM.box.lower)
    room.add_microphone(np.array(EAR) - ROOM.box.lower)
    before = pra.constants.get("rir_hpf_enable")
    pra.constants.set("rir_hpf_enable", False)
    try:
        room.compute_rir()
    finally:
        pra.constants.set("rir_hpf_enable", before)
    lead = pra.constants.get("frac_delay_length") // 2
    theirs = room.rir[0][0][lead : lead + len(ours)].astype(np.float64)
    assert residual(ours, theirs, rate) < -55.0


def berkley() -> Reflections:
    """Return the paths of the original paper's room, in sample periods of 8 kHz at 343 m/s."""
    period = 343.0 / 8000.0
    celsius = 293.15 * (343.0 / 343.2) ** 2 - 273.15
    walls, floor = material(1.0 - 0.9**2), material(1.0 - 0.7**2)
    x, y, z = (side * period for side in (80.0, 120.0, 100.0))
    room = hall(walls, walls, walls, walls, floor, floor, size=(x, y, z), temperature=celsius)
    source, ear = np.array([(30, 100, 40), (50, 10, 60)]) * period + room.box.lower
    return early_reflections(room, source, ear, 0.02)


def test_the_room_of_allen_and_berkley_answers_at_its_samples() -> None:
    """Allen & Berkley, J. Acoust. Soc. Am. 65, 943 (1979), example: 80 × 120 × 100 samples, β 0.9 walls, 0.7 floor.

    Delays are pure geometry, printed here to 0.001 samples; gains are products of β re the direct sound at 1/r.
    """
    paths = berkley()
    delay = paths.time_s * 8000.0
    gain = amplitude(paths.level_db[:, 4]) * paths.time_s * 343.0
    expected_delay = [94.340, 113.578, 122.066, 122.066, 133.041, 136.015, 136.015, 137.477, 137.477, 150.000]
    expected_gain = [1.0, 0.9, 0.9, 0.9, 0.9, 0.7, 0.7, 0.81, 0.81, 0.63]
    np.testing.assert_allclose(delay[:10], expected_delay, atol=5.1e-4)
    np.testing.assert_allclose(gain[:10], expected_gain, rtol=1e-9)


@pytest.mark.parametrize(("rate", "upper"), [(44100, 18000.0), (48000, 20000.0), (96000, 20000.0)])
@pytest.mark.parametrize("distance", [3.0, 7.123, 11.77, 29.3])
def test_a_delay_is_exact_between_samples(distance: float, rate: int, upper: float) -> None:
    """The direct path against exp(−iωr/c)/r: complex error below −60 dB of it at every frequency from 20 Hz."""
    room = hall(material(ANECHOIC), size=(60.0, 60.0, 30.0))
    until = distance / room.speed_of_sound + 0.06
    samples = response(room, (0.0, -distance / 2, 10.0), (0.0, distance / 2, 10.0), rate, until)
    frequency = np.arange(20.0, upper + 1.0, 60.0)
    found = np.exp(-2j * np.pi * frequency[:, None] * np.arange(len(samples)) / rate) @ samples
    ideal = np.exp(-2j * np.pi * frequency * distance / room.speed_of_sound) / distance
    error = 20.0 * np.log10(np.abs(found - ideal) * distance)
    assert error.max() < -60.0
