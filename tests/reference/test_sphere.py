"""A capsule's housing as a rigid sphere, against a published recursion, and the pattern fitted to it."""

from __future__ import annotations

import numpy as np
import pytest

from rooms.microphones import Capsule, on_sphere, random_energy_efficiency, sphere_pattern
from rooms.units import MIDBANDS

SPEED = 343.2
"""m/s at 20 °C."""


def duda_martens(ka: float, cosine: float) -> float:
    """Return the pressure on a rigid sphere by the recursion of Duda & Martens, for a source 1000 radii away.

    "Range dependence of the response of a spherical head model", J. Acoust. Soc. Am. 104, 3048 (1998), appendix A
    (recursion from memory). The source's own 1/r and delay are part of their normalisation.
    """
    rho = 1000.0
    far, near = 1.0 / (1j * ka * rho), 1.0 / (1j * ka)
    q_far = [far, far * (1.0 - far)]
    q_near = [near, near * (1.0 - near)]
    legendre = [1.0, cosine]
    total = far / (near * (near - 1.0))
    total += 3.0 * cosine * far * (far - 1.0) / (near * (2.0 * near**2 - 2.0 * near + 1.0))
    for m in range(2, int(ka) + 25):
        q_far.append(-(2 * m - 1) * far * q_far[-1] + q_far[-2])
        q_near.append(-(2 * m - 1) * near * q_near[-1] + q_near[-2])
        legendre.append(((2 * m - 1) * cosine * legendre[-1] - (m - 1) * legendre[-2]) / m)
        total += (2 * m + 1) * legendre[m] * q_far[m] / ((m + 1) * near * q_near[m] - q_near[m - 1])
    return float(abs(rho * total / ka))


@pytest.mark.parametrize("ka", [0.2, 0.873, 1.163, 2.321, 8.0])
@pytest.mark.parametrize("cosine", [1.0, 0.5, 0.0, -0.7, -1.0])
def test_the_pressure_on_a_sphere_is_the_published_recursion_s(ka: float, cosine: float) -> None:
    """To 0.2 %: a source 1000 radii away is not quite a plane wave."""
    assert on_sphere(ka, np.array(cosine)) == pytest.approx(duda_martens(ka, cosine), rel=2e-3)


def test_a_small_sphere_is_not_there_and_a_large_one_doubles_the_pressure() -> None:
    """Morse & Ingard, Theoretical Acoustics, 1968, section 8.2: the limits of long and of short waves."""
    np.testing.assert_allclose(on_sphere(0.01, np.array([1.0, 0.0, -1.0])), 1.0, atol=2e-4)
    assert 20 * np.log10(on_sphere(150.0, np.array(1.0))) == pytest.approx(6.02, abs=0.01)


@pytest.mark.parametrize(
    ("diameter", "front", "rear"), [(0.012, 0.7, 5.0), (0.016, 0.7, 5.0), (0.175, 1.3, 19.0), (0.20, 1.3, 19.0)]
)
def test_the_pattern_is_exact_on_axis_and_in_the_diffuse_field_and_near_over_the_front(
    diameter: float, front: float, rear: float
) -> None:
    """0.001 dB; for a housing 0.7 dB over the front half, 5 dB behind; for a head 1.3 dB and, in nulls, 19 dB.

    A first-order pattern has neither nulls in the shadow nor the bright spot at the rear; the rear half's mean is
    right within 3 dB.
    """
    rise, parts = sphere_pattern(diameter)
    cosine, weight = np.polynomial.legendre.leggauss(128)
    for band, frequency in enumerate(MIDBANDS):
        ka = np.pi * frequency * diameter / SPEED
        exact = on_sphere(ka, cosine)
        assert 20 * np.log10(rise[band] / on_sphere(ka, np.array(1.0))) == pytest.approx(0.0, abs=1e-3)
        diffuse = 10 * np.log10(0.5 * weight @ exact**2)
        ours = 10 * np.log10(rise[band] ** 2 * random_energy_efficiency(parts[band]))
        assert ours == pytest.approx(diffuse, abs=0.02 if frequency < 3000 else 1e-3)
        miss = 20 * np.log10(rise[band] * (parts[band] + (1 - parts[band]) * cosine) / exact)
        assert np.abs(miss[cosine >= 0]).max() < front
        assert np.abs(miss[cosine < 0]).max() < rear
        behind = [weight[cosine < 0] @ e[cosine < 0] ** 2 for e in (exact, exact * 10 ** (miss / 20))]
        assert abs(10 * np.log10(behind[1] / behind[0])) < 3.0


def test_a_capsule_of_12_to_16_mm_rises_on_axis_from_4_khz_up() -> None:
    """Some 2.5 to 3.5 dB at 8 kHz and 4 to 4.7 dB at 16 kHz on axis, a third of it in the diffuse field.

    Eargle, The Microphone Book, 2004, ch. 3: significant above about 8 kHz for studio pressure microphones.
    """
    for diameter in (0.012, 0.016):
        capsule = Capsule("c", (0.0, 0.0, 3.0), diameter=diameter)
        rise = 20 * np.log10(capsule.sensitivities)
        assert np.abs(rise[:6]).max() < 0.2
        assert 2.5 <= rise[7] <= 3.5
        assert 3.9 <= rise[8] <= 4.7
        diffuse = rise + 10 * np.log10(random_energy_efficiency(capsule.pressure_parts))
        assert 0.3 * rise[8] <= diffuse[8] <= 0.4 * rise[8]
    np.testing.assert_array_equal(Capsule("point", (0.0, 0.0, 3.0)).sensitivities, np.ones(9))
