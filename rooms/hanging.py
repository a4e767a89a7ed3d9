"""Hanging microphones: an array's table becomes capsules in a hall, over an ensemble."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from rooms.errors import InputError, did_you_mean
from rooms.microphones import Array, Capsule, Purpose
from rooms.players import Section
from rooms.surfaces import Hall
from rooms.tables import ArrayTable, CapsuleTable, HallTable, HangingTable, SpotTable
from rooms.theory import critical_distance_m
from rooms.units import BAND_NAMES

__all__ = ["Heights", "constant_power", "hang", "heights"]

CLEAR = 0.5
"""Least distance in m between an array that isn't given a position and a surface."""

MAIN_HEIGHT = 3.0
"""Height of a main array above the stage in m in a hall that says none (2.5 to 3.6 m is common practice)."""

Heights = Mapping[Purpose, float]
"""Heights in m above the stage at which arrays hang, by purpose."""


def heights(hall: HallTable) -> Heights:
    """Return how high arrays hang in a hall, as far as it says so: outriggers as high as the main array."""
    stated: dict[Purpose, float | None] = {
        "main": hall.main_height,
        "outriggers": hall.main_height,
        "ambience": hall.ambience_height,
    }
    return {purpose: height for purpose, height in stated.items() if height is not None}


def constant_power(pan: float) -> tuple[float, float]:
    """Return the amplitudes into left and right of a place from -1 (left) to 1 (right).

    The squares sum to 1 everywhere; the centre goes with -3 dB into both (sine and cosine law, common practice).
    """
    angle = (pan + 1.0) * math.pi / 4.0
    return math.cos(angle), math.sin(angle)


def hang(name: str, table: ArrayTable, hall: Hall, sections: Sequence[Section], usual: Heights | None = None) -> Array:
    """Place the capsules of an array.

    Parameters
    ----------
    name : str
        The array's name in the scene.
    table : ArrayTable
        What to hang; its preset already resolved.
    hall : Hall
        Gives the place of arrays that follow the hall's size.
    sections : sequence of Section
        Give the place of spots and the width of arrays that follow the ensemble's.
    usual : mapping, optional
        Heights that the hall asks for, which take the place of the array's own; a position is left alone.

    Raises
    ------
    InputError
        If there is no capsule, a place is given twice or by half, or a trim or a spot names something that does not
        exist.
    """
    capsules = (
        tuple(capsule for section in sections for capsule in _spots(table.each_section, section))
        if table.each_section is not None
        else _capsules(table, hall, sections, usual or {})
    )
    if not capsules:
        raise InputError("there are no capsules; give a preset, capsules or each_section")
    for trimmed in table.trims:
        known = [capsule.name for capsule in capsules]
        if trimmed not in known:
            raise InputError(f"trims: unknown capsule '{trimmed}'; {did_you_mean(trimmed, known)}")
    trims = [table.trims.get(capsule.name, 0.0) for capsule in capsules]
    return Array(
        name,
        table.purpose,
        tuple(replace(capsule, gain=capsule.gain + trim) for capsule, trim in zip(capsules, trims, strict=True)),
    )


def _capsules(table: ArrayTable, hall: Hall, sections: Sequence[Section], usual: Heights) -> tuple[Capsule, ...]:
    """Return the capsules that the table lists."""
    offsets = np.array([capsule.at for capsule in table.capsules]).reshape(-1, 3)
    if table.width_share is not None:
        offsets[:, 0] *= table.width_share * _half_width(sections)
    if table.position is not None:
        origin = np.array(table.position)
    elif table.place is not None:
        origin = _keep_clear(_place(table, table.place, hall, sections, usual), offsets, hall)
    else:
        origin = np.zeros(3)
    pans = _pans(table.capsules)
    known = [section.name for section in sections]
    capsules = []
    for capsule, offset, pan in zip(table.capsules, offsets, pans, strict=True):
        if capsule.section is not None and capsule.section not in known:
            hint = did_you_mean(capsule.section, known)
            raise InputError(f"capsule '{capsule.name}': unknown section '{capsule.section}'; {hint}")
        x, y, z = (origin + offset).tolist()
        stereo = capsule.stereo
        if stereo is None and (capsule.section is None or capsule.pan is not None):
            stereo = constant_power(pan)
        capsules.append(
            Capsule(
                capsule.name,
                (x, y, z),
                capsule.aim,
                capsule.pattern,
                capsule.gain,
                stereo,
                capsule.section,
                diameter=capsule.diameter,
                loudspeaker=capsule.loudspeaker,
            )
        )
    return tuple(capsules)


def _half_width(sections: Sequence[Section]) -> float:
    """Return the distance of the ensemble's widest player from the centre line in m."""
    return max(float(np.abs(section.positions[:, 0]).max()) for section in sections)


def _place(
    table: ArrayTable, place: HangingTable, hall: Hall, sections: Sequence[Section], usual: Heights
) -> NDArray[np.float64]:
    """Return where an array without a position hangs, shape (3,), at its purpose's usual height where there is one."""
    _, house_wall, floor = hall.box.lower.tolist()
    band = BAND_NAMES.index("1000")
    critical = critical_distance_m(hall.box.volume, hall.absorption_area, hall.air)[band]
    far = _one_of(
        place,
        behind=lambda metres: -metres,
        half_widths=lambda times: -times * _half_width(sections),
        critical_distances=lambda times: -times * critical,
        house=lambda share: share * house_wall,
    )
    high = _one_of(
        place,
        above=lambda metres: metres,
        above_main=lambda metres: usual.get("main", MAIN_HEIGHT) + metres,
        height=lambda share: floor + share * hall.box.size[2],
    )
    return np.array([0.0, far, usual.get(table.purpose, high)])


def _one_of(place: HangingTable, **ways: Callable[[float], float]) -> float:
    """Return what the one key that is given among some says."""
    given = [key for key in ways if getattr(place, key) is not None]
    if len(given) != 1:
        found = " and ".join(given) or "none"
        raise InputError(f"place: found {found}; give one of {', '.join(ways)}")
    return ways[given[0]](getattr(place, given[0]))


def _keep_clear(origin: NDArray[np.float64], offsets: NDArray[np.float64], hall: Hall) -> NDArray[np.float64]:
    """Return an array's place, moved along the hall and in height as far as it takes to be clear of surfaces."""
    low = hall.box.lower + CLEAR - offsets.min(axis=0)
    high = hall.box.upper - CLEAR - offsets.max(axis=0)
    return np.array([origin[0], *np.clip(origin[1:], low[1:], high[1:])])


def _spots(table: SpotTable, section: Section) -> tuple[Capsule, ...]:
    """Return a section's spot, or a pair of them, each in front of a half of its players."""
    if not table.pair:
        return (_spot(table, section, section.name, section.centre),)
    left, right = section.halves()
    return (
        _spot(table, section, f"{section.name}-left", left.centre),
        _spot(table, section, f"{section.name}-right", right.centre),
    )


def _spot(table: SpotTable, section: Section, name: str, target: NDArray[np.float64]) -> Capsule:
    """Return one spot: between its target and the conductor, aimed at it."""
    x, y, z = target.tolist()
    distance = math.hypot(x, y)
    nearer = max(distance - table.distance, 0.0) / distance if distance > 0 else 0.0
    height = z - section.instrument.height + table.height
    position = (x * nearer, y * nearer, height)
    azimuth = math.degrees(math.atan2(x, y))
    elevation = math.degrees(math.atan2(z - height, distance * (1.0 - nearer)))
    aim = (azimuth, elevation)
    return Capsule(name, position, aim, table.pattern, section=section.name, target=(x, y, z))


def _pans(capsules: Sequence[CapsuleTable]) -> list[float]:
    """Return each capsule's place in the stereo image: its own, else by x, else by where it looks."""
    if not capsules:
        return []
    across = np.array([c.at[0] for c in capsules])
    if np.ptp(across) == 0:
        across = np.sin(np.radians([c.aim[0] for c in capsules]))
    spread = np.ptp(across)
    relative = (across - across.min()) / spread * 2.0 - 1.0 if spread > 0 else np.zeros(len(capsules))
    return [c.pan if c.pan is not None else float(r) for c, r in zip(capsules, relative, strict=True)]
