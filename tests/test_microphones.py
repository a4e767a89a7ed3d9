"""Polar patterns, capsules and arrays."""

from __future__ import annotations

import numpy as np
import pytest

from rooms.errors import InputError
from rooms.microphones import PATTERNS, Array, Capsule, Pattern, random_energy_efficiency


@pytest.mark.parametrize(
    ("pattern", "efficiency", "directivity_index_db"),
    [
        ("omni", 1.0, 0.0),
        ("wide-cardioid", 0.5833, 2.34),
        ("cardioid", 0.3333, 4.77),
        ("supercardioid", 0.2679, 5.72),
        ("hypercardioid", 0.25, 6.02),
        ("figure-of-eight", 0.3333, 4.77),
    ],
)
def test_patterns_take_the_textbook_part_of_a_diffuse_field(
    pattern: str, efficiency: float, directivity_index_db: float
) -> None:
    """Random energy efficiency and directivity index of the first-order patterns, to the printed digits.

    E.g. J. Eargle, The Microphone Book, 2nd ed. 2004, figure 5-3 (from memory); and by integration over the sphere.
    """
    found = random_energy_efficiency(PATTERNS[pattern])
    assert found == pytest.approx(efficiency, abs=6e-5)
    assert -10 * np.log10(found) == pytest.approx(directivity_index_db, abs=5e-3)
    cosine, weight = np.polynomial.legendre.leggauss(8)
    a = PATTERNS[pattern]
    assert found == pytest.approx(0.5 * np.sum(weight * (a + (1 - a) * cosine) ** 2), rel=1e-12)


def test_super_and_hyper_mean_most_front_to_back_and_least_diffuse_energy() -> None:
    """What the two names stand for: largest ratio of front to rear diffuse energy; smallest random efficiency.

    The supercardioid's exact part is (√3 − 1)/2 = 0.36603, rounded in tables to 0.366.
    """
    parts = np.linspace(0, 1, 1001)
    cosine, weight = np.polynomial.legendre.leggauss(8)
    front = (cosine + 1) / 2
    energy = [(weight @ (a + (1 - a) * front) ** 2) / (weight @ (a - (1 - a) * front) ** 2) for a in parts]
    assert parts[np.argmax(energy)] == PATTERNS["supercardioid"]
    assert parts[np.argmin([random_energy_efficiency(a) for a in parts])] == PATTERNS["hypercardioid"]


def test_an_array_lists_its_capsules_in_order() -> None:
    array = Array(
        "pair",
        "main",
        (
            Capsule("left", (-0.1, 0.0, 3.0), aim=(-90.0, 0.0), pattern="cardioid", gain=-6.0),
            Capsule("right", (0.1, 0.0, 3.0), aim=(0.0, -90.0)),
        ),
    )
    np.testing.assert_array_equal(array.positions, [[-0.1, 0, 3], [0.1, 0, 3]])
    np.testing.assert_allclose(array.axes, [[-1, 0, 0], [0, 0, -1]], atol=1e-12)
    np.testing.assert_array_equal(array.pressure_parts, [[0.5] * 9, [1.0] * 9])
    np.testing.assert_allclose(array.sensitivities, [[0.501187] * 9, [1.0] * 9], rtol=1e-6)


def test_a_pattern_may_be_its_pressure_part_once_or_by_band() -> None:
    named = Capsule("c", (0, 0, 3), pattern="cardioid")
    np.testing.assert_array_equal(Capsule("c", (0, 0, 3), pattern=0.5).pressure_parts, named.pressure_parts)
    by_band = (0.7, 0.6, 0.5, 0.5, 0.5, 0.5, 0.45, 0.4, 0.35)
    np.testing.assert_array_equal(Capsule("c", (0, 0, 3), pattern=by_band).pressure_parts, by_band)
    assert [Capsule("c", (0, 0, 3), pattern=p).is_omni for p in ("omni", 1.0, 0.99, by_band)] == [
        True,
        True,
        False,
        False,
    ]


@pytest.mark.parametrize(
    ("pattern", "diameter", "line"),
    [
        (1.2, None, "capsule 'c': pattern 1.2 lies outside 0 to 1"),
        ((0.5,) * 8, None, "capsule 'c': pattern has 8 values; give one, or nine, 63 Hz to 16 kHz"),
        ("cardioid", 0.016, "capsule 'c': a diameter goes with the pattern omni alone; leave one of them out"),
    ],
)
def test_a_pattern_that_is_none_is_refused(pattern: Pattern, diameter: float | None, line: str) -> None:
    with pytest.raises(InputError) as error:
        Capsule("c", (0, 0, 3), pattern=pattern, diameter=diameter)
    assert str(error.value) == line


def test_a_misspelt_pattern_is_answered_with_the_nearest() -> None:
    with pytest.raises(InputError, match="capsule 'left': unknown pattern 'cardiod'; did you mean 'cardioid'"):
        Capsule("left", (0, 0, 3), pattern="cardiod")


def test_an_array_needs_capsules_with_names_of_their_own() -> None:
    with pytest.raises(InputError, match="array 'pair' has no capsules; at least 1 is needed"):
        Array("pair", "main", ())
    with pytest.raises(InputError, match="array 'pair' has two capsules named 'left'"):
        Array("pair", "main", (Capsule("left", (0, 0, 3)), Capsule("left", (1, 0, 3))))
