"""Small halls, sections and arrays built in a line, shared by the tests of the room engine."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from rooms.geometry import Box
from rooms.microphones import Array, Capsule
from rooms.players import OMNIDIRECTIONAL, Instrument, Player, Section
from rooms.surfaces import Hall, Material
from rooms.units import BANDS

SIZE = (22.0, 40.0, 16.0)
"""m; the proportions of a shoebox concert hall."""

ANECHOIC = (1.0,) * 9

Point = tuple[float, float, float]


class StillHall(Hall):
    """A hall whose air takes nothing, for closed forms that leave air out."""

    @property
    def air(self) -> NDArray[np.float64]:
        return np.zeros(len(BANDS))


def material(absorption: float | Sequence[float], scattering: float | Sequence[float] = 0.0) -> Material:
    """Return a surface from one value, or nine."""
    a, s = (np.broadcast_to(np.asarray(v, dtype=np.float64), len(BANDS)) for v in (absorption, scattering))
    return Material("surface", tuple(a.tolist()), tuple(s.tolist()))


def hall(
    *materials: Material,
    size: Point = SIZE,
    conductor: tuple[float, float] | None = None,
    still: bool = True,
    temperature: float = 20.0,
) -> Hall:
    """Return a box of one material, or six; the conductor in its middle unless told."""
    box = Box(size, conductor or (size[0] / 2.0, size[1] / 2.0))
    kind = StillHall if still else Hall
    return kind("test", box, materials * 6 if len(materials) == 1 else materials, temperature=temperature)


def solo(
    position: Point, name: str = "solo", instrument: Instrument = OMNIDIRECTIONAL, facing: float = 180.0
) -> Section:
    """Return a section of one."""
    return Section(name, instrument, (Player(position, facing),))


def microphones(*capsules: Capsule, name: str = "main") -> Array:
    """Return a main array."""
    return Array(name, "main", capsules)
