"""The hall's shape in the scene's frame.

Metres; the origin is the stage floor at the conductor, +x to the audience's right, +y upstage, +z up.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from rooms.errors import InputError

__all__ = ["SURFACES", "Box"]

SURFACES: tuple[str, ...] = ("left-wall", "right-wall", "house-wall", "stage-wall", "floor", "ceiling")
"""Names of a box's surfaces, in the order −x, +x, −y, +y, −z, +z used by every array of six."""


@dataclass(frozen=True)
class Box:
    """A rectangular hall.

    Parameters
    ----------
    size : tuple of float
        Width (x), depth (y) and height (z) in m, each positive.
    conductor : tuple of float
        Where the scene's origin lies, in m: from the left wall (audience's left), from the stage's back wall.
    stage_height : float
        How far the floor lies below the stage, and so below the origin, in m. The platform itself is not there.

    Raises
    ------
    InputError
        If a side is not positive, or the conductor or the stage is outside.
    """

    size: tuple[float, float, float]
    conductor: tuple[float, float]
    stage_height: float = 0.0

    def __post_init__(self) -> None:
        if not all(np.isfinite(self.size)) or min(self.size) <= 0:
            raise InputError(f"hall size {list(self.size)} m: each of width, depth and height must be above 0")
        x, y = self.conductor
        if not (0 < x < self.size[0] and 0 < y < self.size[1]):
            raise InputError(
                f"conductor {[x, y]} m from the left and the stage's back wall lies outside the hall; "
                f"allowed: 0 to {self.size[0]:g} and 0 to {self.size[1]:g} m"
            )
        if not 0 <= self.stage_height < self.size[2]:
            raise InputError(
                f"stage height {self.stage_height:g} m lies outside the hall; allowed: 0 to {self.size[2]:g} m"
            )

    @property
    def lower(self) -> NDArray[np.float64]:
        """Corner with the smallest coordinates in m, shape (3,)."""
        return np.array([-self.conductor[0], self.conductor[1] - self.size[1], 0.0 - self.stage_height])

    @property
    def upper(self) -> NDArray[np.float64]:
        """Corner with the largest coordinates in m, shape (3,)."""
        return np.asarray(self.lower + np.array(self.size))

    @property
    def volume(self) -> float:
        """Volume in m³."""
        return float(np.prod(self.size))

    @property
    def areas(self) -> NDArray[np.float64]:
        """Area of each surface in m², shape (6,), in the order of `SURFACES`."""
        x, y, z = self.size
        return np.array([y * z, y * z, x * z, x * z, x * y, x * y], dtype=np.float64)

    def inside(self, points: ArrayLike, margin: float = 0.0) -> NDArray[np.bool_]:
        """Tell which points, shape (..., 3) in m, lie inside and at least ``margin`` m from every surface."""
        p = np.asarray(points, dtype=np.float64)
        within = (p >= self.lower + margin) & (p <= self.upper - margin)
        return np.asarray(np.all(within, axis=-1))

    def describe_range(self) -> str:
        """Return the allowed coordinates as text for an error line."""
        low, high = self.lower, self.upper
        return ", ".join(f"{a} {lo:g} to {hi:g}" for a, lo, hi in zip("xyz", low, high, strict=True)) + " m"
