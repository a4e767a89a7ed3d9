"""Energy over time: what arrives at a capsule, per octave band, before any phase is decided.

A box answers in three parts that share the source's energy without overlap:

* specular images, exact one by one up to a limit (`image_energy`), then as the smooth continuum they tend to
  (`specular_continuum`);
* energy scattered at least once (`scattered_energy`): rays leave source, capsule and facets of the walls, run on
  specularly, and at every wall hit the scattered part is handed to that facet, which radiates it anew by Lambert's
  law. Between facets this is an integral equation in time, solved exactly in the frequency domain;
* air, a pure function of travel time, multiplied at the end.

One set of rays serves all bands, since along a specular run the bands differ in weight only. No random numbers are
drawn: points and directions come from a low-discrepancy sequence, so the result moves smoothly with the scene.

Times sit on the grid k·step, k = 0, 1, …; arrivals are split between the two nearest grid points, which keeps their
mean time. Energies are relative to the direct sound of an omnidirectional source at 1 m.

References
----------
Kuttruff, Room Acoustics, 6th ed. 2016, chapters 4 (image lattice, equation 4.6) and 5 (diffuse reflections, the
integral equation 5.x of wall irradiation). Siltanen, Lokki, Kiminki & Savioja, "The room acoustic rendering
equation", J. Acoust. Soc. Am. 122, 2007, for the operator form.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numba
import numpy as np
import scipy.fft
from numpy.typing import NDArray

from rooms.paths import count_hits, material_at, materials_at
from rooms.surfaces import Hall
from rooms.units import BANDS

__all__ = [
    "STEP",
    "Radiators",
    "air_loss",
    "grid_size",
    "image_energy",
    "omni",
    "scattered_energy",
    "specular_energy",
    "sphere",
]

STEP = 0.002
"""Spacing of the time grid in s."""

FACETS = 2
"""Each wall is cut into this many parts along each of its sides, so that scattered energy knows where it comes from;
the decay itself is the same with one (within 0.3 % in equal and uneven halls)."""

SOURCE_RAYS = 4096
FACET_RAYS = 2048
OCTANT_DIRECTIONS = 384
_FLOOR = 1e-12  # stands for a surface that returns nothing, so that logarithms stay finite


@dataclass(frozen=True)
class Radiators:
    """Points that send or receive, with their energy patterns; a section is one radiator of many points.

    The pattern of point p in band b towards unit vector u is the product of exp(κ_b·(u·axis − on_aim)), the
    instrument's, and (a + (1 − a)·u·axis)², the capsule's; an instrument has a = 1, a capsule κ = 0.

    Parameters
    ----------
    points : ndarray, shape (points, 3)
        m.
    axes : ndarray, shape (points, 3)
        Unit vectors.
    kappa : ndarray, shape (bands,)
        Concentration of the source pattern; zeros for capsules and omnidirectional sources.
    on_aim : float
        Cosine between the axis and the direction in which the source pattern is 0 dB.
    pressure_part : float
        The a of a capsule's pattern; 1 for sources.
    energy : float
        Total energy of the radiator, shared by its points.
    """

    points: NDArray[np.float64]
    axes: NDArray[np.float64]
    kappa: NDArray[np.float64]
    on_aim: float = 1.0
    pressure_part: float = 1.0
    energy: float = 1.0

    def pattern(self, cosine: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the energy pattern for cosines to the axis, shape (..., ) -> (..., bands)."""
        source = np.exp((cosine[..., None] - self.on_aim) * self.kappa)
        capsule = (self.pressure_part + (1.0 - self.pressure_part) * cosine) ** 2
        return np.asarray(source * capsule[..., None])


def omni(point: NDArray[np.float64]) -> Radiators:
    """Return a point, shape (3,) in m, that sends and hears alike in all directions."""
    return Radiators(point[None], np.array([[0.0, 0.0, 1.0]]), np.zeros(len(BANDS)))


def _low_discrepancy(count: int, dimensions: int) -> NDArray[np.float64]:
    """Return evenly spread points in the unit cube, shape (count, dimensions).

    The additive recurrence of Roberts (2018, "The unreasonable effectiveness of quasirandom sequences"): steps are
    the powers of the inverse of the root of x^(d+1) = x + 1.
    """
    root = 2.0
    for _ in range(40):
        root = (1.0 + root) ** (1.0 / (dimensions + 1))
    steps = (1.0 / root) ** np.arange(1, dimensions + 1)
    return np.asarray((0.5 + np.arange(1, count + 1)[:, None] * steps) % 1.0)


def sphere(count: int) -> NDArray[np.float64]:
    """Return evenly spread unit vectors, shape (count, 3)."""
    u = _low_discrepancy(count, 2)
    z = 2.0 * u[:, 0] - 1.0
    level = np.sqrt(1.0 - z**2)
    return np.stack([level * np.cos(2 * np.pi * u[:, 1]), level * np.sin(2 * np.pi * u[:, 1]), z], axis=1)


@numba.njit(parallel=True, cache=True, fastmath=True)
def _run(points, directions, weights, size, walls, bounds, keep, deposit, cuts, step_m, histogram):  # type: ignore[no-untyped-def]
    """Follow rays specularly; at each wall hit add weight·deposit to histogram (targets, facets, bands, grid).

    Each target has equally many rays, one target's after the other's, so that targets run in parallel without sharing
    memory.
    """
    targets = histogram.shape[0]
    rays = points.shape[0] // targets
    bands = weights.shape[1]
    grid = histogram.shape[3]
    reach = (grid - 1) * step_m
    for g in numba.prange(targets):
        w = np.empty(bands)
        for n in range(g * rays, (g + 1) * rays):
            x, y, z = points[n, 0], points[n, 1], points[n, 2]
            dx, dy, dz = directions[n, 0], directions[n, 1], directions[n, 2]
            least = 0.0
            for b in range(bands):
                w[b] = weights[n, b]
                least = max(least, 1e-7 * w[b])
            path = 0.0
            while True:
                tx = ((size[0] - x) / dx if dx > 0 else -x / dx) if dx != 0 else 1e30
                ty = ((size[1] - y) / dy if dy > 0 else -y / dy) if dy != 0 else 1e30
                tz = ((size[2] - z) / dz if dz > 0 else -z / dz) if dz != 0 else 1e30
                d = min(tx, ty, tz)
                path += d
                if path >= reach:
                    break
                x += dx * d
                y += dy * d
                z += dz * d
                if d == tx:
                    wall = 1 if dx > 0 else 0
                    x = size[0] if dx > 0 else 0.0
                    u, v = y, z
                    across, up = size[1], size[2]
                    dx = -dx
                elif d == ty:
                    wall = 3 if dy > 0 else 2
                    y = size[1] if dy > 0 else 0.0
                    u, v = x, z
                    across, up = size[0], size[2]
                    dy = -dy
                else:
                    wall = 5 if dz > 0 else 4
                    z = size[2] if dz > 0 else 0.0
                    u, v = x, y
                    across, up = size[0], size[1]
                    dz = -dz
                i = min(max(int(u / across * cuts), 0), cuts - 1)
                j = min(max(int(v / up * cuts), 0), cuts - 1)
                facet = (wall * cuts + i) * cuts + j
                row = material_at(wall, u, v, walls, bounds)
                at = path / step_m
                k = int(at)
                part = at - k
                most = 0.0
                for b in range(bands):
                    e = w[b] * deposit[b, facet, row]
                    histogram[g, facet, b, k] += e * (1.0 - part)
                    histogram[g, facet, b, k + 1] += e * part
                    w[b] *= keep[b, row]
                    most = max(most, w[b])
                if most < least:
                    break


def _deposits(
    hall: Hall,
    points: NDArray[np.float64],
    directions: NDArray[np.float64],
    weights: NDArray[np.float64],
    targets: int,
    deposit: NDArray[np.float64],
    grid: int,
    cuts: int,
) -> NDArray[np.float32]:
    """Run rays, equally many for each target and one target after the other; return (targets, facets, bands, grid)."""
    histogram = np.zeros((targets, 6 * cuts**2, deposit.shape[0], grid), dtype=np.float32)
    keep = (1.0 - hall.absorption) * (1.0 - hall.scattering)
    size = np.array(hall.box.size)
    step_m = STEP * hall.speed_of_sound
    _run(points, directions, weights, size, hall.walls, hall.bounds, keep, deposit, cuts, step_m, histogram)
    return histogram


def _radiator_deposits(
    hall: Hall, radiators: Sequence[Radiators], deposit: NDArray[np.float64], grid: int, cuts: int
) -> NDArray[np.float32]:
    """Send rays from every radiator, in turn from its points."""
    directions = sphere(SOURCE_RAYS)
    points, weights = [], []
    for radiator in radiators:
        which = np.arange(SOURCE_RAYS) % len(radiator.points)
        points.append(radiator.points[which] - hall.box.lower)
        cosine = np.einsum("ij,ij->i", directions, radiator.axes[which])
        weights.append(radiator.pattern(cosine) * (radiator.energy / SOURCE_RAYS))
    rays = np.tile(directions, (len(radiators), 1))
    return _deposits(hall, np.concatenate(points), rays, np.concatenate(weights), len(radiators), deposit, grid, cuts)


def _facet_rays(hall: Hall, cuts: int) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.int64]]:
    """Return what leaves every facet.

    Returns
    -------
    points, directions : ndarray, shape (facets·rays, 3)
        Evenly spread starts, from the lower corner in m, and unit vectors by Lambert's law.
    materials : ndarray, shape (facets, rays)
        What the facet is made of there.
    """
    u = _low_discrepancy(FACET_RAYS, 4)
    radius, turn = np.sqrt(u[:, 2]), 2.0 * np.pi * u[:, 3]
    lambert = np.stack([radius * np.cos(turn), radius * np.sin(turn), np.sqrt(1.0 - u[:, 2])], axis=1)
    size = np.array(hall.box.size)
    points, directions, materials = [], [], []
    for wall in range(6):
        axis = wall // 2
        sides = [a for a in range(3) if a != axis]
        for i in range(cuts):
            for j in range(cuts):
                p = np.empty((FACET_RAYS, 3))
                p[:, axis] = size[axis] * (wall % 2)
                p[:, sides[0]] = size[sides[0]] * (i + u[:, 0]) / cuts
                p[:, sides[1]] = size[sides[1]] * (j + u[:, 1]) / cuts
                d = np.empty((FACET_RAYS, 3))
                d[:, sides] = lambert[:, :2]
                d[:, axis] = lambert[:, 2] * (1.0 - 2.0 * (wall % 2))
                points.append(p)
                directions.append(d)
                materials.append(materials_at(hall, wall, p[:, sides]))
    return np.concatenate(points), np.concatenate(directions), np.array(materials)


def scattered_energy(
    hall: Hall,
    parties: Sequence[tuple[Sequence[Radiators], Sequence[Radiators]]],
    grid: int,
    cuts: int = FACETS,
) -> list[NDArray[np.float64]]:
    """Return the energy that was scattered at least once, without air.

    Parameters
    ----------
    hall : Hall
        The room.
    parties : sequence of (sources, receivers)
        Who sends to whom; the room between them is solved once for all.
    grid : int
        Number of time steps.
    cuts : int
        Parts each wall is cut into along each of its sides.

    Returns
    -------
    list of ndarray, each of shape (sources, receivers, bands, grid)
        Energy at each time step, one array for each party.

    Notes
    -----
    With B the power leaving the facets, K the facet-to-facet responses and S what sources leave on the facets,
    B = S + KᵀB. A receiver looks along its rays at facets of radiance B/(π·area); an energy of one at 1 m is a power
    of 4π, hence the factor 16π/area for the mean over the sphere. Where a facet is of several materials, each sends its
    part of what the facet sends.
    """
    scatter = (1.0 - hall.absorption) * hall.scattering
    points, directions, materials = _facet_rays(hall, cuts)
    sends = scatter[:, materials]  # (bands, facets, rays)
    mean = np.maximum(sends.mean(axis=2, keepdims=True), 1e-12)
    weights = (sends / mean / FACET_RAYS).reshape(len(scatter), -1).T
    area = np.repeat(hall.box.areas, cuts**2) / cuts**2
    look = 16.0 * np.pi / area[:, None] * scatter[:, None] / mean  # (bands, facets, materials)
    catch = np.repeat(scatter[:, None], len(area), axis=1)
    sent = _radiator_deposits(hall, [s for sources, _ in parties for s in sources], catch, grid, cuts)
    seen = _radiator_deposits(hall, [r for _, receivers in parties for r in receivers], look, grid, cuts)
    passed = _deposits(hall, points, directions, np.ascontiguousarray(weights), len(area), catch, grid, cuts)

    # Damping by 1e-2 over the grid: what the circular convolution wraps around falls on the loud beginning, 20 dB
    # lower yet.
    size = scipy.fft.next_fast_len(grid, real=True)
    damping = (1e-2 ** (np.arange(grid) / size)).astype(np.float32)
    identity = np.eye(passed.shape[0])
    energy = [np.empty((len(sources), len(receivers), len(BANDS), grid)) for sources, receivers in parties]
    for b in range(len(BANDS)):
        k, s, r = (scipy.fft.rfft((h[:, :, b] * damping).astype(np.float64), size) for h in (passed, sent, seen))
        leaving = np.linalg.solve(identity - k.transpose(2, 1, 0), s.transpose(2, 1, 0))
        row = column = 0
        for out in energy:
            rows, columns = slice(row, row + out.shape[1]), slice(column, column + out.shape[0])
            heard = np.matmul(r[rows].transpose(2, 0, 1), leaving[:, :, columns])
            out[:, :, b] = scipy.fft.irfft(heard.transpose(2, 1, 0), size)[..., :grid] / damping
            row, column = rows.stop, columns.stop
    for out in energy:
        # Rounding leaves a floor some 140 dB below the peak; nothing physical is claimed there.
        out[out < 1e-13 * out.max(axis=-1, keepdims=True)] = 0.0
    return energy


@numba.njit(cache=True, fastmath=True)
def _add_images(  # type: ignore[no-untyped-def]
    points, axes, kappa, on_aim, energy, ears, ear_axes, pressure, size, walls, bounds, log_keep, reach, step_m, out
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
                        e = energy / points.shape[0] / r2 * (pressure[m] + (1.0 - pressure[m]) * arrive) ** 2
                        for b in range(bands):
                            g = kappa[b] * (leave - on_aim)
                            for w in range(walls.shape[0]):
                                g += hits[w] * log_keep[b, w]
                            g = e * np.exp(g)
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
    ears = np.array([r.points[0] for r in receivers]) - hall.box.lower
    ear_axes = np.array([r.axes[0] for r in receivers])
    pressure = np.array([r.pressure_part for r in receivers])
    ear_energy = np.array([r.energy for r in receivers])
    size = np.array(hall.box.size)
    out = np.zeros((len(sources), len(receivers), hall.absorption.shape[0], grid))
    for n, s in enumerate(sources):
        _add_images(
            s.points - hall.box.lower, s.axes, s.kappa, s.on_aim, s.energy, ears, ear_axes, pressure, size,
            hall.walls, hall.bounds, _log_keep(hall), until * hall.speed_of_sound, STEP * hall.speed_of_sound, out[n],
        )  # fmt: skip
    out *= ear_energy[:, None, None]
    return out


def _log_keep(hall: Hall) -> NDArray[np.float64]:
    """Return the logarithm of the energy each material returns specularly, shape (bands, materials)."""
    return np.log(np.maximum((1.0 - hall.absorption) * (1.0 - hall.scattering), _FLOOR))


def _specular_continuum(
    hall: Hall, parties: Sequence[tuple[Sequence[Radiators], Sequence[Radiators]]], grid: int
) -> list[NDArray[np.float64]]:
    """Return the smooth energy the image lattice tends to, without air, (sources, receivers, bands, grid) a party.

    Images lie with density 1/V, so a shell of c·dt holds 4πc³t²dt/V of them, each worth 1/(ct)² times the product of
    its reflections: on an axis, |u|·ct/L reflections in direction u, alternating between the two walls. Which way an
    odd image is turned no longer matters, so patterns are averaged over the eight mirrored directions.
    """
    octant = np.abs(sphere(OCTANT_DIRECTIONS))
    signs = np.array([[x, y, z] for x in (1, -1) for y in (1, -1) for z in (1, -1)], dtype=np.float64)
    directions = octant[:, None] * signs  # (directions, mirrored, 3)

    def patterns(radiators: Sequence[Radiators]) -> NDArray[np.float64]:
        cosines = (np.einsum("dmx,px->dmp", directions, radiator.axes) for radiator in radiators)
        means = [r.energy * r.pattern(c).mean(axis=(1, 2)) for r, c in zip(radiators, cosines, strict=True)]
        return np.ascontiguousarray(np.array(means).transpose(2, 0, 1))  # (bands, radiators, directions)

    pairs = [patterns(sources)[:, :, None] * patterns(receivers)[:, None] for sources, receivers in parties]
    # Late paths meet a wall anywhere: its materials by their areas.
    returned = np.zeros((len(BANDS), 6))
    np.add.at(returned.T, hall.walls, (np.exp(_log_keep(hall)) * hall.areas).T)
    log_returned = np.log(returned / hall.box.areas)
    per_metre = log_returned.reshape(-1, 3, 2).mean(axis=2) / np.array(hall.box.size)  # (bands, axes)
    path = np.arange(grid) * STEP * hall.speed_of_sound
    shell = 4.0 * np.pi * hall.speed_of_sound * STEP / hall.box.volume / len(octant)
    out = [np.empty((pair.shape[1], pair.shape[2], pair.shape[0], grid)) for pair in pairs]
    for b, rate in enumerate(per_metre @ octant.T):  # (directions,) in 1/m
        left = np.exp(np.maximum(rate[:, None] * path, -100.0)) * shell
        for energy, pair in zip(out, pairs, strict=True):
            energy[:, :, b] = pair[b] @ left
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


def air_loss(hall: Hall, grid: int) -> NDArray[np.float64]:
    """Return the part of the energy that air leaves after each time step, shape (bands, grid): exp(−m·c·t)."""
    return np.exp(-hall.air[:, None] * hall.speed_of_sound * STEP * np.arange(grid))


def grid_size(duration: float) -> int:
    """Return how many time steps cover a duration in s, rounded up to a length transforms are fast with."""
    return int(scipy.fft.next_fast_len(int(np.ceil(duration / STEP)) + 1, real=True))
