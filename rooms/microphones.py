"""Microphones: capsules with first-order patterns, grouped to arrays."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from rooms.errors import InputError, did_you_mean
from rooms.units import amplitude, unit_vector

__all__ = ["PATTERNS", "Array", "Capsule", "Purpose", "random_energy_efficiency"]

PATTERNS: dict[str, float] = {
    "omni": 1.0,
    "wide-cardioid": 0.75,
    "cardioid": 0.5,
    "supercardioid": 0.366,
    "hypercardioid": 0.25,
    "figure-of-eight": 0.0,
}
"""Pressure part a of the first-order pattern a + (1 − a)·cos θ (common textbook values)."""

Purpose = Literal["main", "outriggers", "spot", "ambience", "surround"]


def random_energy_efficiency(pressure_part: float) -> float:
    """Return the energy an a + (1 − a)·cos θ pattern takes from a diffuse field, re an omni: a² + (1 − a)²/3."""
    return pressure_part**2 + (1.0 - pressure_part) ** 2 / 3.0


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
    pattern : str
        One of `PATTERNS`.
    gain : float
        dB.
    stereo : tuple of float or None
        Amplitudes with which it goes to the left and the right of the stereo mix; None: where its section appears in
        the image of the main array.
    section : str or None
        The section it is a spot of, if any.
    """

    name: str
    position: tuple[float, float, float]
    aim: tuple[float, float] = (0.0, 0.0)
    pattern: str = "omni"
    gain: float = 0.0
    stereo: tuple[float, float] | None = None
    section: str | None = None

    def __post_init__(self) -> None:
        if self.pattern not in PATTERNS:
            hint = did_you_mean(self.pattern, PATTERNS)
            raise InputError(f"capsule '{self.name}': unknown pattern '{self.pattern}'; {hint}")

    @property
    def pressure_part(self) -> float:
        """The a in the pattern a + (1 − a)·cos θ."""
        return PATTERNS[self.pattern]

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

    @property
    def positions(self) -> NDArray[np.float64]:
        """Capsule positions in m, shape (capsules, 3)."""
        return np.array([c.position for c in self.capsules], dtype=np.float64)

    @property
    def axes(self) -> NDArray[np.float64]:
        """Unit vectors of the capsules' aims, shape (capsules, 3)."""
        return np.array([c.axis for c in self.capsules])

    @property
    def pressure_parts(self) -> NDArray[np.float64]:
        """The a of each capsule's pattern a + (1 − a)·cos θ, shape (capsules,)."""
        return np.array([c.pressure_part for c in self.capsules])

    @property
    def gains(self) -> NDArray[np.float64]:
        """Amplitude of each capsule's gain, shape (capsules,)."""
        return amplitude([c.gain for c in self.capsules])
