"""Hanging microphones: an array's table becomes capsules in a hall, over an ensemble."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from rooms.errors import InputError, did_you_mean
from rooms.microphones import Array, Capsule
from rooms.players import Section
from rooms.surfaces import Hall
from rooms.tables import ArrayTable, CapsuleTable, SpotTable

__all__ = ["constant_power", "hang"]


def constant_power(pan: float) -> tuple[float, float]:
    """Return the amplitudes into left and right of a place from -1 (left) to 1 (right).

    The squares sum to 1 everywhere; the centre goes with -3 dB into both (sine and cosine law, common practice).
    """
    angle = (pan + 1.0) * math.pi / 4.0
    return math.cos(angle), math.sin(angle)


def hang(name: str, table: ArrayTable, hall: Hall, sections: Sequence[Section]) -> Array:
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

    Raises
    ------
    InputError
        If there is no capsule, or a trim or a spot names something that does not exist.
    """
    capsules = (
        tuple(_spot(table.each_section, section) for section in sections)
        if table.each_section is not None
        else _capsules(table, hall, sections)
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


def _capsules(table: ArrayTable, hall: Hall, sections: Sequence[Section]) -> tuple[Capsule, ...]:
    """Return the capsules that the table lists."""
    origin = np.array(_position(table, hall))
    width = 1.0
    if table.width_share is not None:
        width = table.width_share * max(float(np.abs(s.positions[:, 0]).max()) for s in sections)
    pans = _pans(table.capsules)
    known = [section.name for section in sections]
    capsules = []
    for capsule, pan in zip(table.capsules, pans, strict=True):
        if capsule.section is not None and capsule.section not in known:
            hint = did_you_mean(capsule.section, known)
            raise InputError(f"capsule '{capsule.name}': unknown section '{capsule.section}'; {hint}")
        x, y, z = (origin + np.array(capsule.at) * [width, 1.0, 1.0]).tolist()
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
                capsule.diameter,
                loudspeaker=capsule.loudspeaker,
            )
        )
    return tuple(capsules)


def _position(table: ArrayTable, hall: Hall) -> tuple[float, float, float]:
    """Return where the array hangs."""
    if table.position is not None:
        return table.position
    if table.position_share is not None:
        _, house_wall, floor = hall.box.lower.tolist()
        return (0.0, table.position_share.house * house_wall, floor + table.position_share.height * hall.box.size[2])
    return (0.0, 0.0, 0.0)


def _spot(table: SpotTable, section: Section) -> Capsule:
    """Return a section's spot: between it and the conductor, aimed at its centre."""
    x, y, z = section.centre.tolist()
    distance = math.hypot(x, y)
    nearer = max(distance - table.distance, 0.0) / distance if distance > 0 else 0.0
    height = z - section.instrument.height + table.height
    position = (x * nearer, y * nearer, height)
    azimuth = math.degrees(math.atan2(x, y))
    elevation = math.degrees(math.atan2(z - height, distance * (1.0 - nearer)))
    return Capsule(section.name, position, (azimuth, elevation), table.pattern, section=section.name)


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
