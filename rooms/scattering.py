"""Energy scattered at least once, by rays between facets of the walls.

Rays leave source, capsule and facets of the walls, run on specularly, and at every wall hit the scattered part is
handed to that facet, which radiates it anew by Lambert's law. Between facets this is an integral equation in time,
solved exactly in the frequency domain. One set of rays serves all bands, since along a specular run the bands differ
in weight only.

References
----------
Kuttruff, Room Acoustics, 6th ed. 2016, chapter 5 (diffuse reflections, the integral equation of wall irradiation).
Siltanen, Lokki, Kiminki & Savioja, "The room acoustic rendering equation", J. Acoust. Soc. Am. 122, 2007, for the
operator form.
"""

from __future__ import annotations

from collections.abc import Sequence

import numba
import numpy as np
import scipy.fft
from numpy.typing import NDArray

from rooms.echogram import STEP, Radiators, low_discrepancy, sphere
from rooms.paths import material_at, materials_at
from rooms.surfaces import Hall
from rooms.units import BANDS

__all__ = ["FACETS", "scattered_energy"]

FACETS = 2
"""Each wall is cut into this many parts along each of its sides, so that scattered energy knows where it comes from;
the decay itself is the same with one (within 0.3 % in equal and uneven halls)."""

SOURCE_RAYS = 4096
"""Rays from each source and each receiver."""

FACET_RAYS = 2048
"""Rays from each facet."""


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
    u = low_discrepancy(FACET_RAYS, 4)
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
