"""Materials and the hall they make: absorption and scattering per octave band on every surface, and the air between."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rooms.errors import InputError, did_you_mean
from rooms.geometry import SURFACES, Box
from rooms.units import BANDS, air_energy_loss, speed_of_sound

__all__ = ["Hall", "Material", "Patch"]


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
class Patch:
    """A rectangle on a surface that is of another material: an audience, panels, a curtain.

    Parameters
    ----------
    surface : str
        The surface it lies on, one of `rooms.geometry.SURFACES`.
    low, high : tuple of float
        Opposite corners in m, in the scene's frame, along the surface's two axes: x and y on floor and ceiling, y and
        z on the left and right wall, x and z on the stage's and the house's.
    material : Material
        What it is made of.
    """

    surface: str
    low: tuple[float, float]
    high: tuple[float, float]
    material: Material

    def __post_init__(self) -> None:
        if self.surface not in SURFACES:
            raise InputError(f"patch: unknown surface '{self.surface}'; {did_you_mean(self.surface, SURFACES)}")
        if not all(a < b for a, b in zip(self.low, self.high, strict=True)):
            raise InputError(
                f"patch on the {self.surface}: its corners {list(self.low)} and {list(self.high)} m are the wrong way "
                "round"
            )

    @property
    def wall(self) -> int:
        """Index of its surface in `rooms.geometry.SURFACES`."""
        return SURFACES.index(self.surface)

    @property
    def axes(self) -> tuple[int, int]:
        """The two axes of the scene's frame it extends along."""
        first, second = (axis for axis in range(3) if axis != self.wall // 2)
        return first, second

    @property
    def area(self) -> float:
        """Area in m²."""
        return (self.high[0] - self.low[0]) * (self.high[1] - self.low[1])

    def overlaps(self, other: Patch) -> bool:
        """Tell whether two patches lie on one another."""
        apart = any(b <= c or d <= a for a, b, c, d in zip(self.low, self.high, other.low, other.high, strict=True))
        return self.surface == other.surface and not apart


@dataclass(frozen=True)
class Hall:
    """A box, the materials of its surfaces, and its air.

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
    patches : tuple of Patch
        Where a surface is of another material; they don't overlap.

    Raises
    ------
    InputError
        If a surface has no material, or a patch lies off its surface or on another.

    Notes
    -----
    Arrays over materials have six rows for the surfaces and one for each patch.
    """

    name: str
    box: Box
    materials: tuple[Material, ...]
    temperature: float = 20.0
    humidity: float = 50.0
    patches: tuple[Patch, ...] = ()

    def __post_init__(self) -> None:
        if len(self.materials) != len(SURFACES):
            raise InputError(
                f"hall '{self.name}' has {len(self.materials)} materials; six are needed: {', '.join(SURFACES)}"
            )
        for number, patch in enumerate(self.patches):
            for axis, low, high in zip(patch.axes, patch.low, patch.high, strict=True):
                least, most = self.box.lower[axis], self.box.upper[axis]
                if low < least - 1e-9 or high > most + 1e-9:
                    raise InputError(
                        f"patch of {patch.material.name} on the {patch.surface}: {'xyz'[axis]} {low:g} to {high:g} m "
                        f"reaches beyond it; allowed: {least:g} to {most:g} m"
                    )
            if any(patch.overlaps(other) for other in self.patches[:number]):
                raise InputError(
                    f"patch of {patch.material.name} on the {patch.surface} lies on another; make them meet at an edge"
                )

    @property
    def absorption(self) -> NDArray[np.float64]:
        """Absorption coefficients, shape (bands, materials)."""
        return self._coefficients("absorption")

    @property
    def scattering(self) -> NDArray[np.float64]:
        """Scattering coefficients, shape (bands, materials)."""
        return self._coefficients("scattering")

    def _coefficients(self, kind: str) -> NDArray[np.float64]:
        materials = (*self.materials, *(patch.material for patch in self.patches))
        return np.ascontiguousarray(np.array([getattr(m, kind) for m in materials], dtype=np.float64).T)

    @property
    def mirrored(self) -> NDArray[np.float64]:
        """Part of the energy each material returns specularly, shape (bands, materials)."""
        return (1.0 - self.absorption) * (1.0 - self.scattering)

    @property
    def scattered(self) -> NDArray[np.float64]:
        """Part of the energy each material returns scattered, shape (bands, materials)."""
        return (1.0 - self.absorption) * self.scattering

    @property
    def walls(self) -> NDArray[np.int64]:
        """The surface each material lies on, shape (materials,)."""
        return np.array([*range(len(SURFACES)), *(patch.wall for patch in self.patches)], dtype=np.int64)

    @property
    def areas(self) -> NDArray[np.float64]:
        """Area of each material in m², shape (materials,): a surface's own is what its patches leave."""
        areas = np.concatenate([self.box.areas, [patch.area for patch in self.patches]])
        for row, patch in enumerate(self.patches, start=len(SURFACES)):
            areas[patch.wall] -= areas[row]
        return areas

    @property
    def bounds(self) -> NDArray[np.float64]:
        """Corners of the patches in m from the box's lower corner, shape (patches, 2, 2): low and high, two axes."""
        corners = [np.array([patch.low, patch.high]) - self.box.lower[list(patch.axes)] for patch in self.patches]
        return np.array(corners, dtype=np.float64).reshape(-1, 2, 2)

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
        return np.asarray(self.absorption @ self.areas)
