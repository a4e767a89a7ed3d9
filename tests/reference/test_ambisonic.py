"""The Ambisonic array against the definition of its channels.

Nachbar, Zotter, Deleflie & Sontacchi, "AmbiX - a suggested Ambisonics format", Ambisonics Symposium 2011: channels by
ACN, gains SN3D; azimuth counter-clockwise from x, which looks forward, y to the left.
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rooms import catalogue
from rooms.hanging import hang
from rooms.microphones import Array, random_energy_efficiency
from rooms.noise import diffuse_coherence
from rooms.players import OMNIDIRECTIONAL, Player, Section
from rooms.tables import ArrayTable
from rooms.units import unit_vector

ARRAY: Array = hang(
    "ambisonic",
    catalogue.resolve(ArrayTable(preset="ambisonic")),
    catalogue.hall("scoring-stage"),
    [Section("solo", OMNIDIRECTIONAL, (Player((0.0, 3.0, 1.5), 180.0),))],
)


def encoded(azimuth: float, elevation: float) -> np.ndarray:
    """Return W, Y, Z, X as defined, azimuth counter-clockwise in degrees."""
    a, e = np.radians([azimuth, elevation])
    return np.array([1.0, np.sin(a) * np.cos(e), np.sin(e), np.cos(a) * np.cos(e)])


def heard(azimuth: float, elevation: float) -> np.ndarray:
    """Return what the capsules hear of a plane wave, azimuth clockwise as in a scene."""
    a = ARRAY.pressure_parts[:, 4]
    return np.asarray(ARRAY.sensitivities[:, 4] * (a + (1 - a) * (ARRAY.axes @ unit_vector(azimuth, elevation))))


@pytest.mark.parametrize(
    ("azimuth", "elevation", "printed"),
    [(0, 0, (1, 0, 0, 1)), (90, 0, (1, 1, 0, 0)), (0, 90, (1, 0, 1, 0)), (30, 20, (1, 0.4698, 0.3420, 0.8138))],
)
def test_channels_are_those_of_the_format(azimuth: float, elevation: float, printed: tuple[float, ...]) -> None:
    """The counter-clockwise azimuth of the format is minus the scene's."""
    np.testing.assert_allclose(encoded(azimuth, elevation), printed, atol=5e-5)
    np.testing.assert_allclose(heard(-azimuth, elevation), printed, atol=5e-5)


@given(st.floats(-180, 180), st.floats(-90, 90))
def test_any_direction_is_encoded_as_defined(azimuth: float, elevation: float) -> None:
    np.testing.assert_allclose(heard(-azimuth, elevation), encoded(azimuth, elevation), atol=1e-9)


def test_a_diffuse_field_gives_1_and_thirds_without_coherence() -> None:
    """The harmonics are orthogonal: W holds 1, the others 1/3 each (SN3D), and no two share anything."""
    energy = ARRAY.sensitivities**2 * random_energy_efficiency(ARRAY.pressure_parts)
    np.testing.assert_allclose(energy[:, 4], [1.0, 1 / 3, 1 / 3, 1 / 3], rtol=1e-12)
    found = diffuse_coherence(
        np.array([100.0, 1000.0, 9000.0]), ARRAY.positions, ARRAY.axes, ARRAY.pressure_parts, 343.0
    )
    np.testing.assert_allclose(found, np.broadcast_to(np.eye(4), (3, 4, 4)), atol=1e-12)


def test_trims_of_4_77_db_make_it_n3d() -> None:
    """N3D = SN3D·√(2n + 1): first-order channels times √3, each then with the energy of W in a diffuse field."""
    table = ArrayTable.model_validate({"preset": "ambisonic", "trims": {"Y": 4.77, "Z": 4.77, "X": 4.77}})
    hall = catalogue.hall("scoring-stage")
    section = Section("solo", OMNIDIRECTIONAL, (Player((0.0, 3.0, 1.5), 180.0),))
    array = hang("ambisonic", catalogue.resolve(table), hall, [section])
    energy = array.sensitivities**2 * random_energy_efficiency(array.pressure_parts)
    np.testing.assert_allclose(energy[:, 4], 1.0, rtol=5e-4)
