"""The hall by itself: how long it rings, when its reflections blend, and absorption that makes it ring as asked."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from rooms.echogram import STEP, air_loss, grid_size, omni
from rooms.errors import InputError, did_you_mean
from rooms.geometry import SURFACES
from rooms.images import early_reflections
from rooms.measures import from_echogram
from rooms.scattering import scattered_energy
from rooms.specular import specular_energy
from rooms.store import Store, remember
from rooms.surfaces import Hall, Material
from rooms.theory import sabine_s
from rooms.units import BAND_NAMES, BANDS

__all__ = ["expected_T30", "mixing_time", "scale_absorption", "with_T30"]

SOURCES = ((0.35, 0.30), (0.60, 0.15))
"""Two omnidirectional sources on the stage, as parts of the hall's width and of its depth from the stage's wall."""

RECEIVERS = ((0.30, 0.50), (0.55, 0.62), (0.72, 0.75), (0.42, 0.88))
"""Four omnis in the house, alike."""

SOURCE_HEIGHT, RECEIVER_HEIGHT = 1.5, 1.2
"""m above stage and floor (ISO 3382-1, 4.2 and 4.3); a low hall takes half its height at most."""

LONGEST = 20.0
"""s; a longer reverberation time is none of a hall for music."""

CLOSE = 0.002
"""Part by which the expected T30 may miss the one asked for: a twenty-fifth of what can be heard."""

LEAST_FACTOR = 1e-3
"""Surfaces with a thousandth of their absorption ring as long as the air lets them."""

STEPS = 25
"""Most steps towards the T30 asked for."""

BLEND_WINDOW = 0.024
"""s: the ear's integration time over which reflections are counted (Polack 1993)."""

BLEND_COUNT = 10.0
"""This many reflections of like strength within the window blend (Polack 1993)."""


def _points(hall: Hall, places: tuple[tuple[float, float], ...], floor: float, height: float) -> NDArray[np.float64]:
    """Return points in the scene's frame for places given as parts of width and depth, above a floor."""
    low, size = hall.box.lower, np.array(hall.box.size)
    room = (hall.box.upper[2] - floor) / 2.0
    return np.array(
        [(low[0] + x * size[0], low[1] + (1.0 - y) * size[1], floor + min(height, room)) for x, y in places]
    )


def expected_T30(hall: Hall) -> NDArray[np.float64]:
    """Return the hall's expected reverberation time.

    Parameters
    ----------
    hall : Hall
        The room.

    Returns
    -------
    ndarray, shape (bands,)
        T30 in s: mean over two sources on the stage and four places in the house, omnidirectional both, as
        ISO 3382-1 measures a hall. NaN where nearly everything is absorbed and nothing rings.

    Raises
    ------
    InputError
        If a band rings longer than `LONGEST`.
    """
    times = _decay_times(hall)
    if np.isinf(times).any():
        band = BAND_NAMES[int(np.argmax(np.isinf(times)))]
        raise InputError(
            f"hall '{hall.name}' rings longer than {LONGEST:g} s at {band} Hz; give its surfaces more absorption"
        )
    return np.where(times > 0.0, times, np.nan)


def _decay_times(hall: Hall) -> NDArray[np.float64]:
    """Return T30 in s per band: infinite where it is longer than `LONGEST`, 0 where nothing rings."""
    sources = [omni(p) for p in _points(hall, SOURCES, 0.0, SOURCE_HEIGHT)]
    receivers = [omni(p) for p in _points(hall, RECEIVERS, -hall.box.stage_height, RECEIVER_HEIGHT)]
    arrivals = np.array([[np.linalg.norm(s.points - r.points) for r in receivers] for s in sources])
    arrivals /= hall.speed_of_sound
    exact = 2.0 * _root_volume(hall)
    duration = float(sabine_s(hall.box.volume, hall.absorption_area, hall.air, hall.speed_of_sound).max())
    duration = min(max(duration, 2.0 * exact), LONGEST)
    while True:
        grid = grid_size(duration)
        party = [(sources, receivers)]
        energy = scattered_energy(hall, party, grid, cuts=1)[0] + specular_energy(hall, party, exact, grid)[0]
        energy *= air_loss(hall, grid)
        pairs = np.ndindex(arrivals.shape)
        times = np.array([from_echogram(energy[pair], STEP, float(arrivals[pair])).T30_s for pair in pairs]).mean(
            axis=0
        )
        # What has fallen 60 dB by half time and still has no slope to measure is over at once.
        over = energy[..., grid // 2 :].sum(axis=(0, 1, 3)) < 1e-6 * energy.sum(axis=(0, 1, 3))
        times[np.isnan(times) & over] = 0.0
        if not np.isnan(times).any():
            return np.asarray(times)
        if duration >= LONGEST:
            return np.where(np.isnan(times), np.inf, times)
        duration = min(1.5 * duration, LONGEST)


def with_T30(hall: Hall, asked: float | Mapping[str, float], store: Store | None = None) -> Hall:
    """Return the hall with its absorption scaled so that it rings as long as asked.

    Parameters
    ----------
    hall : Hall
        The room whose ratios between surfaces are kept; a patch takes all at most.
    asked : float or mapping
        Mean of the expected T30 at 500 Hz and 1 kHz in s, for which all bands scale by one factor; or T30 in s for
        the bands named, which scale one by one while the others stay.
    store : Store, optional
        Keeps what was found.

    Returns
    -------
    Hall
        Its `expected_T30` is within `CLOSE` of what was asked; bands that aren't held follow. Ratios are kept but for
        what would take more than all: a patch, or a surface in a band that isn't held, stops at 1.

    Raises
    ------
    InputError
        If a band is unknown, or it takes more absorption than a surface can have, or less than none; with the nearest
        time in reach.
    """
    kept = remember(store, ("absorption for T30", hall, asked), lambda: {"factor": _absorption_factor(hall, asked)})
    return scale_absorption(hall, np.asarray(kept["factor"], dtype=np.float64))


def _absorption_factor(hall: Hall, asked: float | Mapping[str, float]) -> NDArray[np.float64]:
    """Return what absorption is multiplied by in each band, shape (bands,); raises as `with_T30` does."""
    if isinstance(asked, Mapping):
        unknown = next((band for band in asked if band not in BAND_NAMES), None)
        if unknown is not None:
            raise InputError(f"T30 names a band '{unknown}'; {did_you_mean(unknown, BAND_NAMES)}")
        single = [np.array([BAND_NAMES.index(band)]) for band in asked]
        goals = [(band, band, time) for band, time in zip(single, asked.values(), strict=True)]
    else:
        goals = [(np.flatnonzero((BANDS == 500.0) | (BANDS == 1000.0)), np.arange(len(BANDS)), asked)]
    factor = np.ones(len(BANDS))
    # A patch that takes nearly all already, an audience, doesn't stop the walls around it.
    most = 1.0 / np.maximum(hall.absorption[:, : len(SURFACES)].max(axis=1), 1e-6)
    air = sabine_s(hall.box.volume, np.zeros(len(BANDS)), np.maximum(hall.air, 1e-9), hall.speed_of_sound)
    for _ in range(STEPS):
        times = _decay_times(scale_absorption(hall, factor))
        misses = [float(times[measured].mean()) / goal for measured, _, goal in goals]
        if all(abs(miss - 1.0) <= CLOSE for miss in misses):
            return factor
        for miss, (measured, moved, goal) in zip(misses, goals, strict=True):
            largest = float(most[measured].min())
            now = float(factor[moved[0]])
            if (miss > 1.0 and now >= largest) or (miss < 1.0 and now <= LEAST_FACTOR):
                names = " and ".join(BAND_NAMES[i] for i in measured)
                raise InputError(
                    f"hall '{hall.name}': T30 of {goal:g} s at {names} Hz is out of reach with these surfaces and this "
                    f"air; the nearest is {miss * goal:.2f} s"
                )
            if goal >= LONGEST:
                raise InputError(
                    f"hall '{hall.name}': T30 of {goal:g} s is longer than {LONGEST:g} s, the most there is"
                )
            # What the surfaces take grows with 1/T less what the air takes anyway.
            alone = float(np.mean(1.0 / air[measured]))
            more = max(1.0 / goal - alone, 0.0) / max(1.0 / (miss * goal) - alone, 1e-9)
            factor[moved] = np.clip(now * np.clip(more, 0.25, 4.0), LEAST_FACTOR, largest)
    raise InputError(f"hall '{hall.name}': no absorption was found that gives the T30 asked for; ask for another")


def scale_absorption(hall: Hall, factor: NDArray[np.float64]) -> Hall:
    """Return the hall with each band's absorption times a factor, shape (bands,), up to 1."""

    def scaled(material: Material) -> Material:
        return replace(material, absorption=tuple(np.minimum(np.array(material.absorption) * factor, 1.0).tolist()))

    return replace(
        hall,
        materials=tuple(scaled(material) for material in hall.materials),
        patches=tuple(replace(patch, material=scaled(patch.material)) for patch in hall.patches),
    )


def _root_volume(hall: Hall) -> float:
    """Return √V in ms, as s: the mixing time of an ordinary hall (Polack 1993; Lindau et al. 2012)."""
    return 1e-3 * float(np.sqrt(hall.box.volume))


def mixing_time(hall: Hall) -> float:
    """Return when the hall's reflections blend into a late field, in s after emission.

    The time from which on 24 ms hold the energy of at least ten reflections of like strength at 1 kHz, counted as
    (Σe)²/Σe² over the specular paths between a source on the stage and a place in the house; at least √V ms, at most
    400 ms.

    References
    ----------
    Polack, "Playing billiards in the concert hall", Applied Acoustics 38, 1993. Lindau, Kosanke & Weinzierl,
    "Perceptual evaluation of model- and signal-based predictors of the mixing time", J. Audio Eng. Soc. 60, 2012.
    """
    least, most = _root_volume(hall), 0.4
    if least >= most:
        return most
    source = _points(hall, SOURCES[:1], 0.0, SOURCE_HEIGHT)[0]
    receiver = _points(hall, RECEIVERS[1:2], -hall.box.stage_height, RECEIVER_HEIGHT)[0]
    paths = early_reflections(hall, source, receiver, most)
    energy = 10.0 ** (paths.level_db[:, int(np.argmax(BANDS == 1000.0))] / 10.0)
    for start in np.arange(least, most - BLEND_WINDOW, STEP):
        e = energy[(paths.time_s >= start) & (paths.time_s < start + BLEND_WINDOW)]
        if len(e) and e.sum() ** 2 >= BLEND_COUNT * (e**2).sum():
            return float(start)
    return most
