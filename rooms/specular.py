"""Energy that was never scattered: images one by one, then the continuum they tend to.

References
----------
Allen & Berkley, "Image method for efficiently simulating small-room acoustics", J. Acoust. Soc. Am. 65, 1979. Kuttruff,
Room Acoustics, 6th ed. 2016, equation 4.6 for the density of images.
"""

from __future__ import annotations

from collections.abc import Sequence

import numba
import numpy as np
from numpy.typing import NDArray

from rooms.cores import on_all_cores
from rooms.echogram import STEP, Radiators, ears, log_pattern, sphere
from rooms.paths import count_hits
from rooms.surfaces import Hall
from rooms.units import BANDS

__all__ = ["image_energy", "specular_energy"]

OCTANT_DIRECTIONS = 1024
"""Directions in one octant over which the continuum is averaged."""

EVERY = 4
"""The continuum is found at every fourth time step; between them it falls as an exponential does."""

_FLOOR = 1e-12  # stands for a surface that returns nothing, so that logarithms stay finite


@numba.njit(nogil=True, cache=True, fastmath=True)
def _add_images(  # type: ignore[no-untyped-def]
    points, axes, kappa, on_aim, all_round, ears, ear_axes, pressure, size, walls, bounds, log_keep, reach, step_m, out
):
    """Add the energy of every image within ``reach`` m to out (ears, bands, grid)."""
    bands = kappa.shape[0]
    cells = np.empty(3, np.int64)
    for a in range(3):
        cells[a] = int(reach / size[a]) + 2
    cell = np.empty(3, np.int64)
    image = np.empty(3)
    way = np.empty(3)
    hits = np.empty(walls.shape[0])
    for m in range(ears.shape[0]):
        for cell[0] in range(-cells[0], cells[0] + 1):
            for cell[1] in range(-cells[1], cells[1] + 1):
                for cell[2] in range(-cells[2], cells[2] + 1):
                    for p in range(points.shape[0]):
                        r2 = 0.0
                        for a in range(3):
                            n = cell[a]
                            image[a] = n * size[a] + points[p, a] if n % 2 == 0 else (n + 1) * size[a] - points[p, a]
                            way[a] = ears[m, a] - image[a]
                            r2 += way[a] ** 2
                        if r2 > reach * reach:
                            continue
                        r = np.sqrt(r2)
                        at = r / step_m
                        t = int(at)
                        part = at - t
                        if t + 1 >= out.shape[2]:
                            continue
                        count_hits(cell, image, ears[m], size, walls, bounds, hits)
                        leave = 0.0
                        arrive = 0.0
                        for a in range(3):
                            u = way[a] / r
                            leave += (u if cell[a] % 2 == 0 else -u) * axes[p, a]
                            arrive -= u * ear_axes[m, a]
                        e = 1.0 / points.shape[0] / r2
                        for b in range(bands):
                            g = log_pattern(kappa[b], leave, on_aim, all_round[b])
                            for w in range(walls.shape[0]):
                                g += hits[w] * log_keep[b, w]
                            h = pressure[m, b] + (1.0 - pressure[m, b]) * arrive
                            g = e * h * h * np.exp(g)
                            out[m, b, t] += g * (1.0 - part)
                            out[m, b, t + 1] += g * part


def image_energy(
    hall: Hall, sources: Sequence[Radiators], receivers: Sequence[Radiators], until: float, grid: int
) -> NDArray[np.float64]:
    """Return the energy of all specular images that arrive before a time, without air.

    Parameters
    ----------
    hall : Hall
        The room.
    sources, receivers : sequence of Radiators
        Who sends; who hears, at the first point of each.
    until : float
        s.
    grid : int
        Number of time steps.

    Returns
    -------
    ndarray, shape (sources, receivers, bands, grid)

    References
    ----------
    Allen & Berkley, "Image method for efficiently simulating small-room acoustics", J. Acoust. Soc. Am. 65, 1979.
    """
    points, axes, pressure, energy = ears(hall, receivers)
    size = np.array(hall.box.size)
    out = np.zeros((len(sources), len(receivers), hall.absorption.shape[0], grid))

    def add(n: int) -> None:
        s = sources[n]
        _add_images(
            s.points - hall.box.lower, s.axes, s.kappa, s.on_aim, np.zeros(len(BANDS)) + s.all_round, points, axes,
            pressure, size, hall.walls, hall.bounds, _log_keep(hall), until * hall.speed_of_sound,
            STEP * hall.speed_of_sound, out[n],
        )  # fmt: skip
        out[n] *= (s.energy * energy)[..., None]

    on_all_cores(add, range(len(sources)))
    return out


def _log_keep(hall: Hall) -> NDArray[np.float64]:
    """Return the logarithm of the energy each material returns specularly, shape (bands, materials)."""
    return np.log(np.maximum(hall.mirrored, _FLOOR))


def _specular_continuum(
    hall: Hall, parties: Sequence[tuple[Sequence[Radiators], Sequence[Radiators]]], grid: int
) -> list[NDArray[np.float64]]:
    """Return the smooth energy the image lattice tends to, without air, (sources, receivers, bands, grid) a party.

    Images lie with density 1/V, so a shell of c·dt holds 4πc³t²dt/V of them, each worth 1/(ct)² times the product of
    its reflections: on an axis, |u|·ct/L reflections in direction u, alternating between the two walls. Which way an
    odd image is turned no longer matters, so patterns are averaged over the eight mirrored directions.
    """
    octant = np.abs(sphere(OCTANT_DIRECTIONS))

    def patterns(radiators: Sequence[Radiators]) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
        """Return the patterns that differ, shape (bands, patterns, directions), and which one each radiator has."""
        means = [radiator.energy * radiator.mirrored_pattern(octant) for radiator in radiators]
        several = {mean.tobytes(): mean for mean in means}  # omnis are all alike
        which = [list(several).index(mean.tobytes()) for mean in means]
        return np.array(list(several.values())).transpose(2, 0, 1), np.array(which)

    sent, heard = ([patterns(party[side]) for party in parties] for side in (0, 1))
    # Late paths meet a wall anywhere: its materials by their areas.
    returned = np.zeros((len(BANDS), 6))
    np.add.at(returned.T, hall.walls, (np.exp(_log_keep(hall)) * hall.areas).T)
    every = np.arange(grid)
    some = EVERY * np.arange((grid - 1) // EVERY + 2)
    path = some * STEP * hall.speed_of_sound
    size = np.array(hall.box.size)
    kept = _kept(returned / hall.box.areas, int(path[-1] / size.min()) + 2)
    shell = 4.0 * np.pi * hall.speed_of_sound * STEP / hall.box.volume / len(octant)
    out = [np.empty((len(s), len(h), len(BANDS), grid)) for (_, s), (_, h) in zip(sent, heard, strict=True)]

    def average(b: int) -> None:
        left = np.ascontiguousarray(_along(octant, path, size, kept[b]).T) * shell
        for energy, (s, which), (h, these) in zip(out, sent, heard, strict=True):
            found = _over_directions(s[b], h[b], left)
            logarithm = np.log(np.maximum(found, 1e-300))
            below, part = every // EVERY, (every % EVERY) / EVERY
            smooth = np.exp(logarithm[..., below] + part * (logarithm[..., below + 1] - logarithm[..., below]))
            energy[:, :, b] = smooth[np.ix_(which, these)]

    on_all_cores(average, range(len(BANDS)))
    return out


@numba.njit(nogil=True, cache=True, fastmath=True)
def _over_directions(sent, heard, left):  # type: ignore[no-untyped-def]
    """Sum sent (sources, directions) · heard (receivers, directions) · left (times, directions) over directions.

    Returns (sources, receivers, times); pair by pair, so that no bit of one depends on the others.
    """
    out = np.empty((sent.shape[0], heard.shape[0], left.shape[0]))
    for pair in range(sent.shape[0] * heard.shape[0]):
        n, m = pair // heard.shape[0], pair % heard.shape[0]
        product = sent[n] * heard[m]
        for t in range(left.shape[0]):
            total = 0.0
            for d in range(len(product)):
                total += product[d] * left[t, d]
            out[n, m, t] = total
    return out


def _kept(returned: NDArray[np.float64], most: int) -> NDArray[np.float64]:
    """Return the energy kept after 0 … most reflections between two opposite walls, shape (bands, axes, most + 1).

    An odd number begins at either wall alike: the mean of both.
    """
    count = np.arange(most + 1)
    first, second = returned[:, 0::2, None], returned[:, 1::2, None]
    return np.asarray((first * second) ** (count // 2) * np.where(count % 2, 0.5 * (first + second), 1.0))


@numba.njit(nogil=True, cache=True, fastmath=True)
def _along(directions, path, size, kept):  # type: ignore[no-untyped-def]
    """Return the energy kept along paths (grid,) in each direction, shape (directions, grid).

    |u|·path/L reflections on an axis: the whole numbers on either side, each as often as its nearness says.
    """
    out = np.empty((directions.shape[0], path.shape[0]))
    for d in range(directions.shape[0]):
        for k in range(path.shape[0]):
            product = 1.0
            for a in range(3):
                hits = directions[d, a] * path[k] / size[a]
                n = int(hits)
                product *= kept[a, n] + (hits - n) * (kept[a, n + 1] - kept[a, n])
            out[d, k] = product
    return out


def specular_energy(
    hall: Hall,
    parties: Sequence[tuple[Sequence[Radiators], Sequence[Radiators]]],
    exact_until: float,
    grid: int,
) -> list[NDArray[np.float64]]:
    """Return the energy that was never scattered, without air: images one by one, then their continuum.

    Parameters
    ----------
    hall : Hall
        The room.
    parties : sequence of (sources, receivers)
        Who sends to whom.
    exact_until : float
        Time in s up to which images are counted one by one.
    grid : int
        Number of time steps.

    Returns
    -------
    list of ndarray, each of shape (sources, receivers, bands, grid)
        One array for each party.
    """
    join = int(np.ceil(exact_until / STEP))
    continua = _specular_continuum(hall, parties, grid)
    for energy, (sources, receivers) in zip(continua, parties, strict=True):
        energy[..., :join] = image_energy(hall, sources, receivers, (join - 0.5) * STEP, grid)[..., :join]
    return continua
