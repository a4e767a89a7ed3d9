"""How capsules become two channels: pan, level and time of every array, from geometry alone."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from render.buses import Bus
from render.scene_file import SceneFile
from rooms.errors import InputError
from rooms.hanging import constant_power
from rooms.localisation import (
    EnsembleImage,
    channel_differences,
    direct_pressure,
    ensemble_image,
    image_shift,
    is_pair,
)
from rooms.microphones import Array, Capsule
from rooms.players import Section
from rooms.units import energy_db

__all__ = [
    "capsule_delays",
    "default_gain_db",
    "default_offset_s",
    "heard_arrays",
    "latest_offset_s",
    "left_out",
    "looked_at",
    "main_array",
    "main_image",
    "stereo_law",
    "widened",
]

HEADROOM_S = 0.001
"""What a fitting offset leaves before the first arrival."""


def heard_arrays(scene_file: SceneFile) -> tuple[Array, ...]:
    """Return the arrays that are heard: those that are soloed, or all where none is, less those that are muted.

    Raises
    ------
    InputError
        If none is left.
    """
    buses = scene_file.buses
    soloed = any(bus.solo for bus in buses.values())
    heard = tuple(a for a in scene_file.arrays if not buses[a.name].mute and (buses[a.name].solo or not soloed))
    if not heard:
        which = "all soloed arrays" if soloed else "all arrays"
        raise scene_file.file.error(("arrays",), f"{which} are muted; nothing would be heard")
    return heard


def left_out(scene_file: SceneFile) -> list[str]:
    """Return a sentence on what a solo leaves out, if there is one: files differ from those of the whole mix.

    Raises
    ------
    InputError
        If no array is heard.
    """
    heard = [array.name for array in heard_arrays(scene_file)]
    if not any(bus.solo for bus in scene_file.buses.values()):
        return []
    others = [array.name for array in scene_file.arrays if array.name not in heard]
    without = f"{', '.join(others)}: neither in the mix nor written" if others else "no array is left out"
    return [f"solo: the mix holds only {', '.join(heard)}; {without}"]


def main_array(arrays: Sequence[Array]) -> Array:
    """Return the array that stands for the hall's sound: the first main one, else the first."""
    return next((array for array in arrays if array.purpose == "main"), arrays[0])


def main_image(arrays: Sequence[Array], sections: Sequence[Section], speed_of_sound: float) -> EnsembleImage | None:
    """Return where the main array puts the ensemble between the loudspeakers; None where it isn't a pair."""
    main = main_array(arrays)
    return ensemble_image(main, sections, speed_of_sound) if is_pair(main) else None


def stereo_law(
    arrays: Sequence[Array], sections: Sequence[Section], main: Array, speed_of_sound: float
) -> NDArray[np.float64]:
    """Return the amplitudes with which every capsule goes to left and right, shape (2, capsules).

    A capsule without a law of its own, a spot, goes to where what it looks at appears in the image of the main array:
    by level and time for a pair, else by the azimuth over the ensemble's half-angle.

    Parameters
    ----------
    arrays : sequence of Array
        All that are mixed, in order.
    sections : sequence of Section
        The ensemble.
    main : Array
        The array whose image counts.
    speed_of_sound : float
        m/s.
    """
    centres = {section.name: section.centre for section in sections}
    half_angle = max(max(abs(_azimuth(centre)) for centre in centres.values()), 1e-6)
    laws = []
    for array in arrays:
        for capsule in array.capsules:
            if capsule.stereo is not None:
                laws.append(capsule.stereo)
                continue
            seen = looked_at(capsule, centres)
            if is_pair(main):
                shift = float(image_shift(*channel_differences(main, seen, speed_of_sound)))
            else:
                shift = _azimuth(seen) / half_angle
            laws.append(constant_power(float(np.clip(shift, -1.0, 1.0))))
    return np.array(laws, dtype=np.float64).T


def looked_at(capsule: Capsule, centres: Mapping[str, NDArray[np.float64]]) -> NDArray[np.float64]:
    """Return the place a spot looks at in m, shape (3,): its target, its section's centre, or where it is itself.

    Parameters
    ----------
    capsule : Capsule
        The spot.
    centres : mapping
        Centres of the sections by name.
    """
    if capsule.target is not None:
        return np.array(capsule.target)
    return centres.get(capsule.section or "", np.array(capsule.position))


def widened(law: NDArray[np.float64], energies: NDArray[np.float64], width: float) -> NDArray[np.float64]:
    """Return the stereo law of an array with another width, shape (2, capsules).

    Mid and side of the two channels at 1 : width, and all of it at the power it had, capsules heard as independent:
    so a narrower array stays as loud in the mix. All capsules change alike, so their balance stays, too.

    Parameters
    ----------
    law : ndarray, shape (2, capsules)
        Amplitudes into left and right.
    energies : ndarray, shape (capsules,)
        What the capsules carry re each other.
    width : float
        0 is mono, 1 leaves the law as it is, 2 doubles the side.
    """
    mixed = width * law + (1.0 - width) * law.mean(axis=0)
    before, after = (float((energies * amplitudes**2).sum()) for amplitudes in (law, mixed))
    scale = math.sqrt(before / after) if after > 0.0 else 1.0  # sides alone are silent in mono
    return np.asarray(scale * mixed)


def capsule_delays(
    arrays: Sequence[Array],
    sections: Sequence[Section],
    buses: Mapping[str, Bus],
    main: Array,
    speed_of_sound: float,
) -> NDArray[np.float64]:
    """Return the delay added to every capsule in s, shape (capsules,).

    The delay of its array; an aligned spot also waits until its own section arrives at the main array.
    """
    centres = {section.name: section.centre for section in sections}
    delays = []
    for array in arrays:
        bus = buses[array.name]
        for capsule in array.capsules:
            delay = bus.delay
            if bus.align and capsule.section in centres:
                centre = centres[capsule.section]
                to_main = np.linalg.norm(main.positions - centre, axis=1).min()
                delay += float(to_main - np.linalg.norm(np.array(capsule.position) - centre)) / speed_of_sound
            delays.append(delay)
    return np.array(delays)


def default_gain_db(scene_file: SceneFile) -> float:
    """Return the gain in dB that brings the direct sound of the ensemble's centre back to the stem's level.

    The power sum of the main array after its stereo law, for an omnidirectional source; one number for every output.

    Raises
    ------
    InputError
        If the main array hears nothing from there.
    """
    main = main_array(scene_file.arrays)
    centre = np.mean([section.centre for section in scene_file.sections], axis=0)
    pressure, _ = direct_pressure(main, centre)
    law = stereo_law([main], scene_file.sections, main, scene_file.hall.speed_of_sound)
    power = float((pressure**2 * (law**2).sum(axis=0)).sum())
    if power < 1e-12:  # rounding in a null
        raise InputError(f"array '{main.name}' hears nothing of the ensemble's centre; turn it or give [mix] gain")
    return -float(energy_db(power))


def default_offset_s(scene_file: SceneFile) -> float:
    """Return a fitting offset in s: to a tenth of a millisecond, just before the first arrival anywhere."""
    return _before_first(scene_file, scene_file.arrays, 0.0)


def latest_offset_s(scene_file: SceneFile) -> float:
    """Return the same for the arrays that are heard, their delays included."""
    heard, speed = heard_arrays(scene_file), scene_file.hall.speed_of_sound
    delays = capsule_delays(heard, scene_file.sections, scene_file.buses, main_array(scene_file.arrays), speed)
    return _before_first(scene_file, heard, delays)


def _before_first(scene_file: SceneFile, arrays: Sequence[Array], delays: float | NDArray[np.float64]) -> float:
    """Return a time in s, `HEADROOM_S` before the first arrival at any capsule of arrays, delayed by (capsules,) s."""
    ears = np.concatenate([array.positions for array in arrays])
    players = np.concatenate([section.positions for section in scene_file.sections])
    nearest = np.linalg.norm(ears[:, None] - players[None], axis=2).min(axis=1) / scene_file.hall.speed_of_sound
    first = float((nearest + delays).min())
    return max(math.floor((first - HEADROOM_S) * 1e4) / 1e4, 0.0)


def _azimuth(point: NDArray[np.float64]) -> float:
    """Return the azimuth of a point seen from the conductor, in radians."""
    return math.atan2(point[0], point[1])
