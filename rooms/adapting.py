"""A hall adapted: its plan scaled, the ensemble moved in it, and absorption within what real materials do."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from rooms.decay import LONGEST, expected_T30, scale_absorption
from rooms.errors import InputError
from rooms.geometry import SURFACES, Box
from rooms.surfaces import Hall, Patch
from rooms.theory import sabine_s
from rooms.units import BANDS

__all__ = [
    "air_alone_s",
    "as_absorbing_as_can_be",
    "as_hard_as_can_be",
    "downstage",
    "nearest_times",
    "rough_fit",
    "sabine",
    "scale_plan",
]

LEAST_ABSORPTION, MOST_ABSORPTION = 0.02, 0.95
"""Mean absorption of a hall's surfaces in a band: from painted concrete to absorbers everywhere (common practice, no
source)."""

MOST_OF_A_SURFACE = 0.98
"""No surface that isn't a patch takes more than this."""

STEPS = 4
"""Most steps towards the times wanted."""

CLOSE = 0.01
"""Part by which times may miss the wanted ones: a fifth of what can be heard."""


def scale_plan(hall: Hall, factor: float) -> Hall:
    """Return the hall with its plan scaled about the conductor, patches and all; its height stays."""
    box = hall.box
    x, y, z = box.size
    scaled = replace(
        box, size=(x * factor, y * factor, z), conductor=(box.conductor[0] * factor, box.conductor[1] * factor)
    )
    return _with_box(hall, scaled, lambda axis, edge: edge * factor if axis < 2 else edge)


def downstage(hall: Hall, metres: float) -> Hall:
    """Return the hall with the ensemble so many metres nearer to its audience, seats and microphones alike.

    The conductor is the origin, so it is the hall that moves upstage, patches and all.
    """
    x, y = hall.box.conductor
    return _with_box(
        hall, replace(hall.box, conductor=(x, y + metres)), lambda axis, edge: edge + metres if axis == 1 else edge
    )


def _with_box(hall: Hall, box: Box, moved: Callable[[int, float], float]) -> Hall:
    """Return the hall in another box, every edge of its patches moved, told its axis."""

    def patch(of: Patch) -> Patch:
        low, high = ([moved(axis, edge) for axis, edge in zip(of.axes, p, strict=True)] for p in (of.low, of.high))
        return replace(of, low=(low[0], low[1]), high=(high[0], high[1]))

    return replace(hall, box=box, patches=tuple(patch(of) for of in hall.patches))


def _absorption_range(hall: Hall) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the least and the most factor on a hall's absorption that real materials allow, (bands,) each."""
    mean = hall.absorption_area / hall.areas.sum()
    most = np.minimum(MOST_ABSORPTION / mean, MOST_OF_A_SURFACE / hall.absorption[:, : len(SURFACES)].max(axis=1))
    return np.minimum(LEAST_ABSORPTION / mean, 1.0), np.maximum(most, 1.0)


def as_hard_as_can_be(hall: Hall) -> NDArray[np.bool_]:
    """Tell in which bands a hall's surfaces take as little as real materials do, shape (bands,)."""
    return np.asarray(hall.absorption_area / hall.areas.sum() < LEAST_ABSORPTION * 1.01)


def as_absorbing_as_can_be(hall: Hall) -> NDArray[np.bool_]:
    """Tell in which bands a hall's surfaces take as much as real materials do, shape (bands,)."""
    mean = hall.absorption_area / hall.areas.sum()
    most = hall.absorption[:, : len(SURFACES)].max(axis=1)
    return np.asarray((mean > MOST_ABSORPTION * 0.99) | (most > MOST_OF_A_SURFACE * 0.99))


def nearest_times(
    hall: Hall, guessed: NDArray[np.float64], wanted: NDArray[np.float64]
) -> tuple[Hall, NDArray[np.float64]]:
    """Return the hall with absorption that comes as near to wanted reverberation times as real materials do.

    Parameters
    ----------
    hall : Hall
        The room.
    guessed : ndarray, shape (bands,)
        About its T30 in s.
    wanted : ndarray, shape (bands,)
        s; bands in which nothing is wanted (NaN) take the factor of their neighbours.

    Returns
    -------
    hall : Hall
        With its absorption scaled band by band.
    times : ndarray, shape (bands,)
        Its expected T30 in s.

    Raises
    ------
    InputError
        If the hall rings longer than anything in some band, or in no band for which a time is wanted.

    Notes
    -----
    What surfaces take grows with 1/T less what air takes anyway.
    """
    wanted = np.minimum(wanted, 0.95 * LONGEST)
    least, most = _absorption_range(hall)
    factor = np.ones(len(BANDS))
    times = guessed
    for _ in range(STEPS):
        before = factor
        step = _log_absorption(hall, times, wanted)
        factor = np.clip(factor * np.exp(np.clip(step, -1.5, 1.5)), least, most)
        fitted = scale_absorption(hall, factor)
        times = expected_T30(fitted)
        if np.abs(np.log(factor / before)).max() < CLOSE or np.nanmax(np.abs(np.log(times / wanted))) < CLOSE:
            break
    return fitted, times


def sabine(hall: Hall) -> NDArray[np.float64]:
    """Return Sabine's reverberation time in s, shape (bands,)."""
    return sabine_s(hall.box.volume, hall.absorption_area, hall.air, hall.speed_of_sound)


def air_alone_s(hall: Hall) -> NDArray[np.float64]:
    """Return how long a hall rings in s whose air alone takes energy, shape (bands,)."""
    return sabine_s(hall.box.volume, np.zeros(len(BANDS)), np.maximum(hall.air, 1e-9), hall.speed_of_sound)


def _log_absorption(hall: Hall, times: NDArray[np.float64], wanted: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the logarithm of how much more the surfaces must take, (bands,), for other times than they give."""
    air = 1.0 / air_alone_s(hall)
    more = np.maximum(1.0 / wanted - air, 1e-3) / np.maximum(1.0 / times - air, 1e-3)
    usable = np.isfinite(more)
    if not usable.any():
        raise InputError(f"hall '{hall.name}' doesn't ring in any octave in which the recording's decay is known")
    bands = np.arange(len(BANDS))
    return np.interp(bands, bands[usable], np.log(more[usable]))


def rough_fit(hall: Hall, times: NDArray[np.float64], wanted: NDArray[np.float64]) -> tuple[Hall, NDArray[np.float64]]:
    """Return about what `nearest_times` does, without asking the engine.

    Parameters
    ----------
    hall : Hall
        The room.
    times, wanted : ndarray, shape (bands,)
        Its expected T30, and those wanted, in s.
    """
    air = 1.0 / air_alone_s(hall)
    factor = np.clip(np.exp(_log_absorption(hall, times, wanted)), *_absorption_range(hall))
    return scale_absorption(hall, factor), np.asarray(1.0 / (air + factor * np.maximum(1.0 / times - air, 1e-3)))
