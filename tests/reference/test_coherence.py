"""The diffuse field between capsules: coherence and level against theory and integration over the sphere."""

from __future__ import annotations

import numpy as np
import pytest
import scipy.fft
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from rooms.echogram import STEP, Radiators, grid_size, omni
from rooms.images import path_levels
from rooms.late import late_part
from rooms.microphones import PATTERNS, Capsule, random_energy_efficiency, sphere_pattern
from rooms.noise import diffuse_coherence
from rooms.players import Section
from rooms.scattering import scattered_energy
from rooms.scene import Scene
from rooms.specular import specular_energy
from rooms.units import MIDBANDS
from tests.halls import Point, hall, material, microphones, solo

RATE, SECONDS = 48000, 10
ROOM = hall(material(0.2, 0.5))
BANDWIDTH = 300.0
"""Hz; 3000 cells of a tenth of a hertz each."""

TOLERANCE = 0.05
"""2.7 standard deviations of a coherence near zero found from 3000 cells, 1/√3000 = 0.018."""


def noise(
    capsules: tuple[Capsule, ...], sections: tuple[Section, ...], smooth_from: float = 0.0
) -> NDArray[np.complex128]:
    """Return spectra of a steady late field, shape (sections, capsules, frequencies)."""
    scene = Scene(ROOM, sections, (microphones(*capsules),), RATE)
    energy = np.ones((len(sections), len(capsules), 9, grid_size(SECONDS)))
    arrivals = np.zeros((len(sections), len(capsules)))
    return scipy.fft.rfft(late_part(scene, energy, arrivals, RATE * SECONDS, smooth_from).astype(np.float64), axis=-1)


def coherence(a: NDArray[np.complex128], b: NDArray[np.complex128], centre: float) -> complex:
    """Return the complex coherence over `BANDWIDTH` around a frequency."""
    cells = slice(round((centre - BANDWIDTH / 2) * SECONDS), round((centre + BANDWIDTH / 2) * SECONDS))
    x, y = a[cells], b[cells]
    assert len(x) == 3000
    return complex(np.vdot(y, x) / np.sqrt(np.vdot(x, x).real * np.vdot(y, y).real))


def cook(distance: float, centre: float) -> float:
    """Return sin(kd)/(kd), mean over `BANDWIDTH` around a frequency."""
    frequency = np.linspace(centre - BANDWIDTH / 2, centre + BANDWIDTH / 2, 3000)
    return float(np.mean(np.sinc(2.0 * frequency * distance / ROOM.speed_of_sound)))


def over_the_sphere(
    frequency: float, positions: NDArray[np.float64], axes: NDArray[np.float64], parts: NDArray[np.float64]
) -> NDArray[np.complex128]:
    """Return the coherence matrix by summing plane waves from all directions (Gauss nodes by equal azimuths)."""
    cosine, weight = np.polynomial.legendre.leggauss(80)
    azimuth = np.arange(160) * 2.0 * np.pi / 160
    level = np.sqrt(1.0 - cosine**2)[:, None]
    toward = np.stack([level * np.cos(azimuth), level * np.sin(azimuth), np.broadcast_to(cosine[:, None], (80, 160))])
    toward = toward.reshape(3, -1)
    weights = np.repeat(weight, 160) / 320.0
    # A wave that comes from u reaches p earlier by p·u/c: its phase there is exp(+ik·p·u).
    wave = np.exp(2j * np.pi * frequency / 343.0 * positions @ toward) * (
        parts[:, None] + (1.0 - parts[:, None]) * (axes @ toward)
    )
    product = (wave * weights) @ np.conj(wave).T
    power = np.sqrt(product.diagonal().real)
    return np.asarray(product / power[:, None] / power[None])


@pytest.mark.parametrize(
    ("distance", "expected"), [(0.17, [0.9839, 0.9020, 0.6422, 0.0088]), (2.0, [-0.136, 0.029, None, None])]
)
def test_omnis_follow_cook(distance: float, expected: list[float | None]) -> None:
    """Cook et al., J. Acoust. Soc. Am. 27, 1072 (1955): sin(kd)/(kd) at 100, 250, 500, 1000 Hz, c = 343 m/s."""
    positions = np.array([[0.0, 0.0, 0.0], [distance, 0.0, 0.0]])
    up = np.tile([0.0, 0.0, 1.0], (2, 1))
    found = diffuse_coherence(np.array([100.0, 250.0, 500.0, 1000.0]), positions, up, np.ones(2), 343.0)[:, 0, 1]
    for value, printed in zip(found, expected, strict=True):
        if printed is not None:
            digits = 5e-5 if distance < 1.0 else 5e-4
            assert value == pytest.approx(printed, abs=digits * 1.01)


@settings(max_examples=40)
@given(st.integers(0, 2**32 - 1), st.floats(20.0, 2000.0))
def test_any_first_order_capsules_follow_the_integral_over_the_sphere(seed: int, frequency: float) -> None:
    """Random places within a metre, aims and patterns; the quadrature itself is exact to 1e-9 up to k·d = 60."""
    random = np.random.default_rng(seed)
    axes = random.standard_normal((4, 3))
    axes /= np.linalg.norm(axes, axis=1, keepdims=True)
    positions, parts = random.uniform(-0.5, 0.5, (4, 3)), random.uniform(0.0, 1.0, 4)
    found = diffuse_coherence(np.array([frequency]), positions, axes, parts, 343.0)[0]
    np.testing.assert_allclose(found, over_the_sphere(frequency, positions, axes, parts), atol=1e-6)


def test_patterns_by_band_are_those_of_the_band() -> None:
    """At mid-bands the octave's own part, and halfway in octaves the mean of two; against one part for all."""
    positions, axes = np.array([[0.0, 0.0, 0.0], [0.1, 0.05, 0.0]]), np.array([[1.0, 0.0, 0.0], [0.0, 0.6, 0.8]])
    parts = np.array([np.linspace(0.7, 0.3, 9), np.linspace(1.0, 0.6, 9)])
    frequency = MIDBANDS[4] * np.array([1.0, 10.0**0.15, 10.0**0.3])
    found = diffuse_coherence(frequency, positions, axes, parts, 343.0)
    for n, part in enumerate((parts[:, 4], parts[:, 4:6].mean(axis=1), parts[:, 5])):
        expected = diffuse_coherence(frequency[n : n + 1], positions, axes, part, 343.0)[0]
        np.testing.assert_allclose(found[n], expected, atol=1e-12)


@pytest.mark.parametrize("smooth_from", [0.0, SECONDS])
def test_the_late_field_between_omnis_follows_cook(smooth_from: float) -> None:
    """Four spacings, six frequencies; real part sin(kd)/(kd), imaginary part none."""
    spacings = (0.17, 0.4, 1.0, 2.0)
    capsules = [Capsule(str(d), (d, 0.0, 3.0)) for d in (0.0, *spacings)]
    spectra = noise(tuple(capsules), (solo((0.0, 5.0, 1.2)),), smooth_from)[0]
    for n, distance in enumerate(spacings, start=1):
        for centre in (200.0, 350.0, 500.0, 1000.0, 2000.0, 5000.0):
            found = coherence(spectra[n], spectra[0], centre)
            assert found.real == pytest.approx(cook(distance, centre), abs=TOLERANCE), (distance, centre)
            assert found.imag == pytest.approx(0.0, abs=TOLERANCE), (distance, centre)


def test_the_late_field_of_directional_pairs_follows_the_sphere() -> None:
    """Coincident cardioids at 90°: 3/4; crossed figures-of-eight: 0; cardioid and figure-of-eight, one way: 1/2.

    And the 17 cm, 110° pair by integration over the sphere, complex. Levels are the envelope's, whatever the pattern.
    """
    at: Point = (0.0, 0.0, 3.0)
    capsules = (
        Capsule("cardioid-left", at, (-45.0, 0.0), "cardioid"),
        Capsule("cardioid-right", at, (45.0, 0.0), "cardioid"),
        Capsule("eight-left", at, (-45.0, 0.0), "figure-of-eight"),
        Capsule("eight-right", at, (45.0, 0.0), "figure-of-eight"),
        Capsule("near-left", (-0.085, 0.0, 3.0), (-55.0, 0.0), "cardioid"),
        Capsule("near-right", (0.085, 0.1, 3.0), (55.0, 0.0), "cardioid"),
    )
    spectra = noise(capsules, (solo((0.0, 5.0, 1.2)),))[0]
    array = microphones(*capsules)
    for centre in (300.0, 1000.0, 4000.0):
        assert coherence(spectra[0], spectra[1], centre) == pytest.approx(0.75, abs=TOLERANCE)
        assert coherence(spectra[2], spectra[3], centre) == pytest.approx(0.0, abs=TOLERANCE)
        assert coherence(spectra[0], spectra[2], centre) == pytest.approx(0.5, abs=TOLERANCE)
        around = np.linspace(centre - BANDWIDTH / 2, centre + BANDWIDTH / 2, 13)
        pair = [
            over_the_sphere(f * 343.0 / ROOM.speed_of_sound, array.positions, array.axes, array.pressure_parts[:, 4])[
                4, 5
            ]
            for f in around
        ]
        assert coherence(spectra[4], spectra[5], centre) == pytest.approx(np.mean(pair), abs=TOLERANCE)
    power = np.mean(np.abs(spectra) ** 2, axis=-1)
    np.testing.assert_allclose(power / power.mean(), 1.0, atol=0.02)


def test_two_sections_are_as_coherent_as_their_distance_says() -> None:
    """One place to the millimetre: one; 0.5 m and 2 m: sin(kd)/(kd); 8 m: none above 200 Hz."""
    places = {"a": 0.0, "close": 0.001, "desk": 0.5, "row": 2.0, "far": 8.0}
    sections = tuple(solo((x, 5.0, 1.2), name) for name, x in places.items())
    spectra = noise((Capsule("ear", (0.0, 0.0, 3.0)),), sections)[:, 0]
    for n, distance in enumerate(places.values()):
        for centre in (200.0, 500.0, 1000.0, 4000.0):
            expected = cook(distance, centre)
            assert coherence(spectra[n], spectra[0], centre) == pytest.approx(expected, abs=TOLERANCE)
    assert abs(coherence(spectra[1], spectra[0], 1000.0)) > 0.999


def test_a_housing_and_a_pattern_by_band_act_on_the_diffuse_level_and_the_direct_sound_by_band() -> None:
    """Re a point omni: on axis the rise squared, in the diffuse field times its random efficiency, ±0.3 dB."""
    room = hall(material(0.1, 1.0), size=(15.0, 15.0, 15.0))
    at: Point = (1.0, -1.0, 6.0)
    parts = (0.9, 0.8, 0.7, 0.6, 0.5, 0.5, 0.5, 0.4, 0.3)
    capsules = (
        Capsule("point", at),
        Capsule("housing", at, (90.0, 30.0), diameter=0.016),
        Capsule("by band", at, (90.0, 30.0), parts),
    )
    ears = [
        Radiators(np.array([at]), c.axis[None], np.zeros(9), pressure_part=c.pressure_parts, energy=c.sensitivities**2)
        for c in capsules
    ]
    grid = grid_size(1.0)
    party = [([omni(np.array([-3.0, 4.0, 2.0]))], ears)]
    energy = (scattered_energy(room, party, grid)[0] + specular_energy(room, party, 0.1, grid)[0])[0]
    late = energy[:, :, round(0.15 / STEP) :].sum(axis=2)
    rise, a = sphere_pattern(0.016)
    found = 10 * np.log10(late / late[0])
    np.testing.assert_allclose(found[1], 10 * np.log10(rise**2 * random_energy_efficiency(a)), atol=0.3)
    np.testing.assert_allclose(found[2], 10 * np.log10(random_energy_efficiency(parts)), atol=0.3)

    scene = Scene(room, (solo(tuple(np.array(at) + 4.0 * capsules[1].axis)),), (microphones(*capsules),), RATE)
    _, direct = path_levels(scene, scene.sections[0])
    np.testing.assert_allclose(direct * 16.0, [np.ones(9), rise**2, np.ones(9)], rtol=1e-9)


@pytest.mark.parametrize("aim", [(180.0, 0.0), (90.0, 30.0)])
def test_patterns_take_their_random_energy_efficiency_of_a_diffuse_room(aim: tuple[float, float]) -> None:
    """1, 1/3, 1/3, 1/4 for omni, cardioid, figure-of-eight, hypercardioid: the cardioid −4.77 dB, ±0.3 dB.

    E.g. J. Eargle, The Microphone Book, 2nd ed. 2004, ch. 5 (from memory). A cube whose walls are alike and scatter
    all, after five mean free paths; the direct sound on axis stays what it is.
    """
    room = hall(material(0.1, 1.0), size=(15.0, 15.0, 15.0))
    at = np.array([1.0, -1.0, 6.0])
    capsules = [Capsule(p, (1.0, -1.0, 6.0), aim, p) for p in ("omni", "cardioid", "figure-of-eight", "hypercardioid")]
    ears = [
        Radiators(at[None], c.axis[None], np.zeros(9), pressure_part=PATTERNS[c.pattern], energy=1.0) for c in capsules
    ]
    grid = grid_size(1.0)
    party = [([omni(np.array([-3.0, 4.0, 2.0]))], ears)]
    energy = (scattered_energy(room, party, grid)[0] + specular_energy(room, party, 0.1, grid)[0])[0, :, 4]
    late = energy[:, round(0.15 / STEP) :].sum(axis=1)
    np.testing.assert_allclose(10 * np.log10(late / late[0]), [0.0, -4.77, -4.77, -6.02], atol=0.3)

    source = at + 4.0 * capsules[0].axis
    scene = Scene(room, (solo(tuple(source)),), (microphones(*capsules),), RATE)
    _, direct = path_levels(scene, scene.sections[0])
    np.testing.assert_allclose(direct, 1.0 / 16.0, rtol=1e-9)
