"""Microphones: capsules with first-order patterns, grouped to arrays.

References
----------
Morse & Ingard, Theoretical Acoustics, 1968, section 8.2. Duda & Martens, "Range dependence of the response of a
spherical head model", J. Acoust. Soc. Am. 104, 1998, for the pressure on a rigid sphere.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from rooms.errors import InputError, did_you_mean
from rooms.units import BANDS, MIDBANDS, amplitude, speed_of_sound, unit_vector

__all__ = [
    "PATTERNS",
    "Array",
    "Capsule",
    "Loudspeaker",
    "Pattern",
    "Purpose",
    "on_sphere",
    "random_energy_efficiency",
    "sphere_pattern",
]

PATTERNS: dict[str, float] = {
    "omni": 1.0,
    "wide-cardioid": 0.75,
    "cardioid": 0.5,
    "supercardioid": 0.366,
    "hypercardioid": 0.25,
    "figure-of-eight": 0.0,
}
"""Pressure part a of the first-order pattern a + (1 − a)·cos θ (common textbook values)."""

Pattern = str | float | tuple[float, ...]
"""A name of `PATTERNS`, or the pressure part itself: one for all octave bands, or nine."""

Purpose = Literal["main", "outriggers", "spot", "ambience", "surround"]

Loudspeaker = Literal["FL", "FR", "FC", "BL", "BR", "SL", "SR", "TFL", "TFR", "TBL", "TBR"]
"""Where a loudspeaker of a surround bed stands: front, back, side, top front or top back; left, right or centre."""


def random_energy_efficiency(pressure_part: ArrayLike) -> NDArray[np.float64]:
    """Return the energy an a + (1 − a)·cos θ pattern takes from a diffuse field, re an omni: a² + (1 − a)²/3."""
    a = np.asarray(pressure_part, dtype=np.float64)
    return a**2 + (1.0 - a) ** 2 / 3.0


def on_sphere(ka: float, cosine: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the pressure of a plane wave on a rigid sphere re the free field.

    Parameters
    ----------
    ka : float
        Circumference over wavelength, above 0.
    cosine : ndarray, any shape
        Of the angle between the place on the sphere and where the wave comes from.

    Returns
    -------
    ndarray
        Magnitude, same shape.

    References
    ----------
    Duda & Martens 1998, equation 4 for a source far away: |Σ (2n + 1)·iⁿ·Pₙ(cos θ) / hₙ′(ka)| / (ka)².
    """
    hankel = [np.exp(1j * ka) / ka, -1j * np.exp(1j * ka) / ka]  # h₋₁ and h₀
    terms = []
    for n in range(int(ka) + 25):
        slope = hankel[n] - (n + 1) / ka * hankel[n + 1]
        terms.append((2 * n + 1) * (-1j) ** n / slope)
        hankel.append((2 * n + 1) / ka * hankel[n + 1] - hankel[n])
    return np.asarray(np.abs(np.polynomial.legendre.legval(cosine, terms)) / ka**2)


def sphere_pattern(diameter: float) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the first-order pattern of a pressure capsule whose housing stands in the sound's way like a sphere.

    Exact on axis and for the diffuse field; between, it follows the sphere within half a decibel over the front.

    Parameters
    ----------
    diameter : float
        m.

    Returns
    -------
    rise, pressure_parts : ndarray, shape (bands,)
        Amplitude on axis re the free field at 20 °C, and the a of the pattern a + (1 − a)·cos θ.
    """
    cosine, weight = np.polynomial.legendre.leggauss(64)
    rise, parts = np.empty(len(BANDS)), np.empty(len(BANDS))
    for band, frequency in enumerate(MIDBANDS):
        ka = np.pi * frequency * diameter / speed_of_sound(20.0)
        rise[band] = on_sphere(ka, np.array(1.0))
        diffuse = 0.5 * weight @ on_sphere(ka, cosine) ** 2 / rise[band] ** 2
        parts[band] = (1.0 + np.sqrt(12.0 * diffuse - 3.0)) / 4.0  # solves a² + (1 − a)²/3 = diffuse
    return rise, np.minimum(parts, 1.0)


@dataclass(frozen=True)
class Capsule:
    """One transducer.

    Parameters
    ----------
    name : str
        Its name within the array.
    position : tuple of float
        m, in the scene's frame.
    aim : tuple of float
        Azimuth and elevation in degrees.
    pattern : str, float or tuple of float
        One of `PATTERNS`; or the pressure part a of a + (1 − a)·cos θ, 0 … 1: one number, or nine by octave band.
    gain : float
        dB.
    stereo : tuple of float or None
        Amplitudes with which it goes to the left and the right of the stereo mix; None: where its section appears in
        the image of the main array.
    section : str or None
        The section it is a spot of, if any.
    target : tuple of float or None
        What a spot looks at, in m, where that isn't the centre of its section.
    diameter : float or None
        m, of the housing of a pressure capsule, which then hears more on axis at high frequencies; None: a point.
    loudspeaker : str or None
        The loudspeaker it feeds in a surround bed; None: front left and right, as in stereo.
    """

    name: str
    position: tuple[float, float, float]
    aim: tuple[float, float] = (0.0, 0.0)
    pattern: Pattern = "omni"
    gain: float = 0.0
    stereo: tuple[float, float] | None = None
    section: str | None = None
    target: tuple[float, float, float] | None = None
    diameter: float | None = None
    loudspeaker: Loudspeaker | None = None

    def __post_init__(self) -> None:
        if isinstance(self.pattern, str) and self.pattern not in PATTERNS:
            hint = did_you_mean(self.pattern, PATTERNS)
            raise InputError(f"capsule '{self.name}': unknown pattern '{self.pattern}'; {hint}")
        if isinstance(self.pattern, tuple) and len(self.pattern) != len(BANDS):
            raise InputError(
                f"capsule '{self.name}': pattern has {len(self.pattern)} values; give one, or nine, 63 Hz to 16 kHz"
            )
        if not np.all((self._parts >= 0.0) & (self._parts <= 1.0)):
            raise InputError(f"capsule '{self.name}': pattern {self.pattern} lies outside 0 to 1")
        if self.diameter is not None and not self.is_omni:
            raise InputError(
                f"capsule '{self.name}': a diameter goes with the pattern omni alone; leave one of them out"
            )

    @property
    def _parts(self) -> NDArray[np.float64]:
        part = PATTERNS[self.pattern] if isinstance(self.pattern, str) else self.pattern
        return np.broadcast_to(np.array(part, dtype=np.float64), len(BANDS))

    @property
    def is_omni(self) -> bool:
        """Whether it hears alike from all sides, its housing aside."""
        return bool(np.all(self._parts == 1.0))

    @property
    def pressure_parts(self) -> NDArray[np.float64]:
        """The a in the pattern a + (1 − a)·cos θ per band, shape (bands,)."""
        return self._parts if self.diameter is None else sphere_pattern(self.diameter)[1]

    @property
    def sensitivities(self) -> NDArray[np.float64]:
        """Amplitude on axis per band, shape (bands,): its gain, and the pressure that its housing adds."""
        rise = np.ones(len(BANDS)) if self.diameter is None else sphere_pattern(self.diameter)[0]
        return rise * amplitude(self.gain)

    @property
    def axis(self) -> NDArray[np.float64]:
        """Unit vector of the aim, shape (3,)."""
        return unit_vector(*self.aim)


@dataclass(frozen=True)
class Array:
    """A named group of capsules and its place in the mix.

    Parameters
    ----------
    name : str
        Its name in the scene and in file names.
    purpose : str
        What it is for: main, outriggers, spot, ambience or surround.
    capsules : tuple of Capsule
        At least one.
    """

    name: str
    purpose: Purpose
    capsules: tuple[Capsule, ...]

    def __post_init__(self) -> None:
        if not self.capsules:
            raise InputError(f"array '{self.name}' has no capsules; at least 1 is needed")
        names = [c.name for c in self.capsules]
        double = next((n for n in names if names.count(n) > 1), None)
        if double is not None:
            raise InputError(f"array '{self.name}' has two capsules named '{double}'; each needs a name of its own")

    @cached_property
    def positions(self) -> NDArray[np.float64]:
        """Capsule positions in m, shape (capsules, 3)."""
        return np.array([c.position for c in self.capsules], dtype=np.float64)

    @cached_property
    def axes(self) -> NDArray[np.float64]:
        """Unit vectors of the capsules' aims, shape (capsules, 3)."""
        return np.array([c.axis for c in self.capsules])

    @cached_property
    def pressure_parts(self) -> NDArray[np.float64]:
        """The a of each capsule's pattern a + (1 − a)·cos θ, shape (capsules, bands)."""
        return np.array([c.pressure_parts for c in self.capsules])

    @cached_property
    def sensitivities(self) -> NDArray[np.float64]:
        """Amplitude of each capsule on its axis, shape (capsules, bands)."""
        return np.array([c.sensitivities for c in self.capsules])
