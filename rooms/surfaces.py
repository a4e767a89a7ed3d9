"""Materials and the hall they make: absorption and scattering per octave band on every surface, and the air between."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rooms.errors import InputError
from rooms.geometry import SURFACES, Box
from rooms.units import BANDS, air_energy_loss, speed_of_sound

__all__ = ["Hall", "Material"]


@dataclass(frozen=True)
class Material:
    """What one kind of surface does with sound.

    Parameters
    ----------
    name : str
        Its name in messages.
    absorption, scattering : tuple of float
        Random-incidence absorption coefficient (ISO 354) and scattering coefficient (ISO 17497-1) per octave band
        63 Hz … 16 kHz, nine values each, 0 … 1.

    Raises
    ------
    InputError
        If there are not nine values or one lies outside 0 … 1.
    """

    name: str
    absorption: tuple[float, ...]
    scattering: tuple[float, ...]

    def __post_init__(self) -> None:
        for what, values in (("absorption", self.absorption), ("scattering", self.scattering)):
            if len(values) != len(BANDS):
                raise InputError(f"{self.name}: {what} has {len(values)} values; nine are needed, 63 Hz to 16 kHz")
            for band, value in zip(BANDS, values, strict=True):
                if not 0.0 <= value <= 1.0:
                    raise InputError(f"{self.name}: {what} {value:g} at {band:g} Hz lies outside 0 to 1")


@dataclass(frozen=True)
class Hall:
    """A box, the material of each of its surfaces, and its air.

    Parameters
    ----------
    name : str
        Its name in messages and reports.
    box : Box
        The shape.
    materials : tuple of Material
        One for each surface, in the order of `rooms.geometry.SURFACES`.
    temperature : float
        °C.
    humidity : float
        Relative humidity in %.
    """

    name: str
    box: Box
    materials: tuple[Material, ...]
    temperature: float = 20.0
    humidity: float = 50.0

    def __post_init__(self) -> None:
        if len(self.materials) != len(SURFACES):
            raise InputError(
                f"hall '{self.name}' has {len(self.materials)} materials; six are needed: {', '.join(SURFACES)}"
            )

    @property
    def absorption(self) -> NDArray[np.float64]:
        """Absorption coefficients, shape (bands, surfaces)."""
        return np.array([m.absorption for m in self.materials], dtype=np.float64).T

    @property
    def scattering(self) -> NDArray[np.float64]:
        """Scattering coefficients, shape (bands, surfaces)."""
        return np.array([m.scattering for m in self.materials], dtype=np.float64).T

    @property
    def speed_of_sound(self) -> float:
        """Speed of sound in m/s."""
        return speed_of_sound(self.temperature)

    @property
    def air(self) -> NDArray[np.float64]:
        """Energy attenuation of the air in 1/m, shape (bands,)."""
        return air_energy_loss(self.temperature, self.humidity)

    @property
    def absorption_area(self) -> NDArray[np.float64]:
        """Equivalent absorption area of the surfaces in m², shape (bands,); air not included."""
        return np.asarray(self.absorption @ self.box.areas)
