"""Energy scattered at least once, by rays between facets of the walls.

Rays leave source, capsule and facets of the walls, run on specularly, and at every wall hit the scattered part is
handed to that facet, which radiates it anew by Lambert's law. Between facets this is an integral equation in time,
solved exactly in the frequency domain. One set of rays serves all bands, since along a specular run the bands differ
in weight only.

What a facet sends is taken as even over it. Where that would be heard, at the first scattering soon after the source
has sounded, it isn't: there every ray's hit sends to the receivers from where it is (`_rain`).

How facets exchange energy depends on the hall alone; what leaves them after a source has sounded, and what a receiver
sees of them, on that one source or receiver besides: a store keeps all three, so that only what was moved is traced
again.

References
----------
Kuttruff, Room Acoustics, 6th ed. 2016, chapter 5 (diffuse reflections, the integral equation of wall irradiation).
Siltanen, Lokki, Kiminki & Savioja, "The room acoustic rendering equation", J. Acoust. Soc. Am. 122, 2007, for the
operator form.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from functools import partial
from typing import Any

import numba
import numpy as np
import scipy.fft
from numpy.typing import NDArray

from rooms.cores import in_slices, on_all_cores
from rooms.echogram import STEP, Radiators, ears, low_discrepancy, sphere
from rooms.paths import material_at, materials_at, mirror
from rooms.store import Store, key, remember, remember_each
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

NEAR = 3.0
"""First scatterings are placed one by one while the source has sounded for less than this many times √V ms."""

COARSE = 2
"""Time steps that one of the exchange between facets takes; what was scattered twice is smooth over 4 ms."""

LEAST = 1e-12
"""Stands for the power of a facet that scatters none."""

_MANY = 1 << 30  # hits; rays end by time or weight
Histories = NDArray[np.float32]
Rays = tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]
Trace = Callable[[Hall, Sequence[Radiators], int, int], Iterable[Mapping[str, NDArray[Any]]]]

CLOSE = 0.5
"""m; a scattering point is heard from no nearer, since a ray stands for a piece of wall."""


@numba.njit(nogil=True, cache=True, fastmath=True)
def _run(points, directions, weights, size, walls, bounds, keep, deposit, cuts, step_m, most_hits, histogram):  # type: ignore[no-untyped-def]
    """Follow rays specularly; at each wall hit add weight·deposit to histogram (targets, facets, bands, grid).

    Each target has equally many rays, one target's after the other's, so that targets run in parallel without sharing
    memory.
    """
    targets, facets, bands, grid = histogram.shape
    rays = points.shape[0] // targets
    reach = (grid - 1) * step_m
    for g in range(targets):
        w = np.empty(bands)
        local = np.zeros((grid, facets, bands), np.float32)  # a hit's bands side by side: three times as fast
        for n in range(g * rays, (g + 1) * rays):
            x, y, z = points[n, 0], points[n, 1], points[n, 2]
            dx, dy, dz = directions[n, 0], directions[n, 1], directions[n, 2]
            least = 0.0
            for b in range(bands):
                w[b] = weights[n, b]
                least = max(least, 1e-7 * w[b])
            path = 0.0
            for _ in range(most_hits):
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
                    e = w[b] * deposit[row, facet, b]
                    local[k, facet, b] += e * (1.0 - part)
                    local[k + 1, facet, b] += e * part
                    w[b] *= keep[row, b]
                    most = max(most, w[b])
                if most < least:
                    break
        for facet in range(facets):
            for b in range(bands):
                for k in range(grid):
                    histogram[g, facet, b, k] = local[k, facet, b]


def _deposits(
    hall: Hall,
    rays: Rays,
    targets: int,
    deposit: NDArray[np.float64],
    steps: int,
    cuts: int,
    most_hits: int = _MANY,
) -> NDArray[np.float32]:
    """Run rays, equally many for each target and one target after the other; return (targets, facets, bands, steps)."""
    histogram = np.zeros((targets, 6 * cuts**2, deposit.shape[0], steps), dtype=np.float32)
    room = np.array(hall.box.size), hall.walls, hall.bounds, np.ascontiguousarray(hall.mirrored.T)
    given = np.ascontiguousarray(deposit.T)

    def run(some: slice) -> None:
        step_m = COARSE * STEP * hall.speed_of_sound
        _run(*_of(rays, some, targets), *room, given, cuts, step_m, most_hits, histogram[some])

    in_slices(run, targets)
    return histogram


def _of(rays: Rays, some: slice, targets: int) -> Rays:
    """Return the rays of some of the targets."""
    each = len(rays[0]) // targets
    points, directions, weights = (of[some.start * each : some.stop * each] for of in rays)
    return points, directions, weights


@numba.njit(nogil=True, cache=True, fastmath=True)
def _rain(  # type: ignore[no-untyped-def]
    points, directions, weights, size, walls, bounds, keep, scatter, reach, ears, ear_axes, pressure, energy, close,
    step_m, out,
):  # fmt: skip
    """Follow rays specularly for ``reach`` m; from every wall hit send what is scattered to out (targets, ears, …)."""
    targets = out.shape[0]
    rays = points.shape[0] // targets
    bands = weights.shape[1]
    across = np.sqrt(size[0] ** 2 + size[1] ** 2 + size[2] ** 2)
    grid = min(out.shape[3], int((reach + across) / step_m) + 2)
    for g in range(targets):
        local = np.zeros((ears.shape[0], grid, bands))  # a hit's bands side by side, as in `_run`
        w = np.empty(bands)
        at = np.empty(3)
        way = np.empty(3)
        for n in range(g * rays, (g + 1) * rays):
            for a in range(3):
                at[a] = points[n, a]
                way[a] = directions[n, a]
            for b in range(bands):
                w[b] = weights[n, b]
            path = 0.0
            while True:
                d = 1e30
                axis = 0
                for a in range(3):
                    if way[a] != 0.0:
                        t = (size[a] - at[a]) / way[a] if way[a] > 0 else -at[a] / way[a]
                        if t < d:
                            d = t
                            axis = a
                path += d
                if path >= reach:
                    break
                for a in range(3):
                    at[a] += way[a] * d
                far = way[axis] > 0
                at[axis] = size[axis] if far else 0.0
                u = at[1] if axis == 0 else at[0]
                v = at[1] if axis == 2 else at[2]
                row = material_at(2 * axis + (1 if far else 0), u, v, walls, bounds)
                for m in range(ears.shape[0]):
                    r2 = 0.0
                    arrive = 0.0
                    for a in range(3):
                        c = ears[m, a] - at[a]
                        r2 += c * c
                        arrive -= c * ear_axes[m, a]
                    r = np.sqrt(r2)
                    k = int((path + r) / step_m)
                    if k + 1 >= grid:
                        continue
                    part = (path + r) / step_m - k
                    e = 4.0 * abs(ears[m, axis] - at[axis]) / r / max(r2, close * close)
                    for b in range(bands):
                        h = pressure[m, b] + (1.0 - pressure[m, b]) * arrive / r
                        f = e * energy[m, b] * h * h * w[b] * scatter[row, b]
                        local[m, k, b] += f * (1.0 - part)
                        local[m, k + 1, b] += f * part
                for b in range(bands):
                    w[b] *= keep[row, b]
                way[axis] = -way[axis]
        for m in range(ears.shape[0]):
            for b in range(bands):
                for k in range(grid):
                    out[g, m, b, k] = local[m, k, b]


def _rays(hall: Hall, radiators: Sequence[Radiators]) -> Rays:
    """Return start points from the lower corner, directions and weights of the rays of every radiator.

    One radiator's rays come after the other's; a radiator's points take turns.
    """
    directions = sphere(SOURCE_RAYS)
    points, weights = [], []
    for radiator in radiators:
        which = np.arange(SOURCE_RAYS) % len(radiator.points)
        points.append(radiator.points[which] - hall.box.lower)
        cosine = np.einsum("ij,ij->i", directions, radiator.axes[which])
        weights.append(radiator.pattern(cosine) * (radiator.energy / SOURCE_RAYS))
    return np.concatenate(points), np.tile(directions, (len(radiators), 1)), np.concatenate(weights)


def _first_scattering(
    hall: Hall, sources: Sequence[Radiators], receivers: Sequence[Radiators], near: float, grid: int
) -> NDArray[np.float64]:
    """Return the energy scattered once within ``near`` s of the sources and heard from there directly.

    Returns
    -------
    ndarray, shape (sources, receivers, bands, grid)
        A piece of wall that scatters the power P is heard at r m, at an angle θ to its normal, with 4P·cos θ/r²:
        Lambert's law, re 4π at 1 m.
    """
    out = np.zeros((len(sources), len(receivers), len(BANDS), grid))
    rays, heard, size = _rays(hall, sources), ears(hall, receivers), np.array(hall.box.size)
    keep, scatter = (np.ascontiguousarray(part.T) for part in (hall.mirrored, hall.scattered))

    def rain(some: slice) -> None:
        _rain(
            *_of(rays, some, len(sources)), size, hall.walls, hall.bounds, keep, scatter,
            near * hall.speed_of_sound, *heard, CLOSE, STEP * hall.speed_of_sound, out[some],
        )  # fmt: skip

    in_slices(rain, len(sources))
    return out


def _first_reflections(hall: Hall, sources: Sequence[Radiators], receivers: Sequence[Radiators]) -> NDArray[np.float64]:
    """Return when the first reflection from each source arrives at each receiver, in s, shape (sources, receivers)."""
    cells = np.concatenate([-np.eye(3, dtype=np.int64), np.eye(3, dtype=np.int64)])
    heard = ears(hall, receivers)[0]
    shortest = []
    for source in sources:
        images = mirror(cells, source.points - hall.box.lower, np.array(hall.box.size)).reshape(-1, 3)
        shortest.append(np.linalg.norm(images - heard[:, None], axis=2).min(axis=1))
    return np.array(shortest) / hall.speed_of_sound


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


@numba.njit(nogil=True, cache=True)
def _factor(passed, lower_upper):  # type: ignore[no-untyped-def]
    """Write the triangular factors of 1 − Kᵀ to lower_upper (frequencies, facets, facets).

    ``passed`` (facets, facets, frequencies), from facet to facet, is what each hands on to each: K.
    """
    frequencies, facets, _ = lower_upper.shape
    for k in range(frequencies):
        # Gauss without pivots: a facet hands on less than it has, so 1 − Kᵀ is diagonally dominant by columns.
        of = lower_upper[k]
        for i in range(facets):
            for j in range(facets):
                of[i, j] = (1.0 if i == j else 0.0) - passed[j, i, k]
        for i in range(facets):
            pivot = 1.0 / of[i, i]
            for row in range(i + 1, facets):
                factor = of[row, i] * pivot
                of[row, i] = factor
                for j in range(i + 1, facets):
                    of[row, j] -= factor * of[i, j]


@numba.njit(nogil=True, cache=True)
def _exchanged(lower_upper, sent):  # type: ignore[no-untyped-def]
    """Return what leaves facets that are sent energy and hand it on, spectra (sources, facets, frequencies)."""
    sources, facets, frequencies = sent.shape
    leaving = np.empty((sources, facets, frequencies), np.complex128)
    z = np.empty(facets, np.complex128)
    for k in range(frequencies):
        of = lower_upper[k]
        for n in range(sources):
            for i in range(facets):
                z[i] = sent[n, i, k]
                for j in range(i):
                    z[i] -= of[i, j] * z[j]
            for back in range(facets):
                i = facets - 1 - back
                for j in range(i + 1, facets):
                    z[i] -= of[i, j] * z[j]
                z[i] /= of[i, i]
                leaving[n, i, k] = z[i]
    return leaving


@numba.njit(nogil=True, cache=True)
def _between(sent, seen):  # type: ignore[no-untyped-def]
    """Return the spectra of what receivers see of what facets send.

    Spectra, (sources, facets, frequencies) and (receivers, facets, frequencies) to (sources, receivers, frequencies).
    Sums run in one order, whoever else sends or hears, so that no bit of a pair depends on the others.
    """
    sources, facets, frequencies = sent.shape
    receivers = seen.shape[0]
    out = np.zeros((sources, receivers, frequencies), np.complex128)
    for n in range(sources):
        for m in range(receivers):
            for i in range(facets):
                for k in range(frequencies):
                    out[n, m, k] += seen[m, i, k] * sent[n, i, k]
    return out


def _convolved(sent: Histories, seen: Histories, size: int) -> NDArray[np.float64]:
    """Return what receivers see of what facets send, by circular convolution of so many steps.

    Histories of energy, (sources, facets, steps) and (receivers, facets, steps) to (sources, receivers, size).
    """
    spectra = _between(_spectra(sent, size), _spectra(seen, size))
    return np.asarray(scipy.fft.irfft(spectra, size) / _damping(size))


def _heard(leaving: Histories, fresh: Histories, seen: Histories, glimpsed: Histories) -> NDArray[np.float64]:
    """Return what receivers see of all that leaves facets, less what they glimpse of fresh energy.

    Histories of energy, (sources, facets, steps) and (receivers, facets, steps) to (sources, receivers, steps).
    """
    steps = leaving.shape[2]
    heard = _convolved(leaving, seen, _size(steps))[..., :steps]
    short = min(_size(fresh.shape[2] + glimpsed.shape[2] - 1), _size(steps))
    heard[..., :short] -= _convolved(fresh, glimpsed, short)[..., :steps]
    return heard


def _size(steps: int) -> int:
    """Return the length of transforms on the coarse grid."""
    return int(scipy.fft.next_fast_len(steps, real=True))


def _damping(size: int) -> NDArray[np.float64]:
    """Return what histories are multiplied by before transforms of this length.

    By 1e-2 over all of it: what the circular convolution wraps around falls on the loud beginning, 20 dB lower yet.
    """
    return np.asarray(1e-2 ** (np.arange(size) / size))


def _spectra(histories: NDArray[np.float32], size: int) -> NDArray[np.complex128]:
    """Return the spectra of damped histories (…, up to so many steps), shape (…, frequencies)."""
    return np.asarray(scipy.fft.rfft(histories * _damping(size)[: histories.shape[-1]], size))


def _near(hall: Hall) -> float:
    """Return for how long after the source first scatterings are placed one by one, in s."""
    return NEAR * 1e-3 * float(np.sqrt(hall.box.volume))


def _exchange(hall: Hall, steps: int, cuts: int) -> dict[str, NDArray[Any]]:
    """Return how facets hand on energy to each other, as `_factor` writes it.

    Returns
    -------
    dict
        ``lower_upper``: shape (bands, frequencies, facets, facets).
    """
    scatter = hall.scattered
    points, directions, materials = _facet_rays(hall, cuts)
    sends = scatter[:, materials]  # (bands, facets, rays)
    weights = sends / np.maximum(sends.mean(axis=2, keepdims=True), LEAST) / FACET_RAYS
    rays = points, directions, np.ascontiguousarray(weights.reshape(len(scatter), -1).T)
    facets = len(materials)
    passed = _deposits(hall, rays, facets, _catch(hall, facets), steps, cuts)
    size = _size(steps)
    out = np.empty((len(scatter), size // 2 + 1, facets, facets), dtype=np.complex128)
    on_all_cores(lambda b: _factor(_spectra(passed[:, :, b], size), out[b]), range(len(scatter)))
    return {"lower_upper": out}


def _catch(hall: Hall, facets: int) -> NDArray[np.float64]:
    """Return the part of what hits a facet that it scatters, shape (bands, facets, materials)."""
    return np.repeat(hall.scattered[:, None], facets, axis=1)


def _sent_by(
    hall: Hall, sources: Sequence[Radiators], steps: int, cuts: int, store: Store | None
) -> Iterable[dict[str, NDArray[Any]]]:
    """Yield what leaves the facets after each source has sounded: all of it, and what is fresh from the source.

    Yields
    ------
    dict
        ``leaving`` and, as far as first scatterings are placed one by one, ``fresh``: energies on the coarse grid,
        shape (facets, bands, steps).
    """
    room = remember(store, ("exchange", hall, steps, cuts), lambda: _exchange(hall, steps, cuts))
    sent = _deposits(hall, _rays(hall, sources), len(sources), _catch(hall, 6 * cuts**2), steps, cuts)
    last = min(int(_near(hall) / (COARSE * STEP)), steps - 1)
    fresh = sent[..., : last + 1].copy()
    fresh[..., last] *= 0.5  # the half that is split from times before

    size = _size(steps)

    def solve(b: int) -> None:
        leaving = _exchanged(room["lower_upper"][b], _spectra(sent[:, :, b], size))
        sent[:, :, b] = (scipy.fft.irfft(leaving, size) / _damping(size))[..., :steps]

    on_all_cores(solve, range(len(BANDS)))
    return ({"leaving": leaving, "fresh": first} for leaving, first in zip(sent, fresh, strict=True))


def _seen_by(hall: Hall, receivers: Sequence[Radiators], steps: int, cuts: int) -> Iterable[dict[str, NDArray[Any]]]:
    """Yield what each receiver sees of the power that leaves the facets: all of it, and what comes directly.

    Yields
    ------
    dict
        ``seen`` and ``glimpsed``: energies on the coarse grid, shape (facets, bands, steps).

    Notes
    -----
    A receiver looks along its rays at facets of radiance B/(π·area); an energy of one at 1 m is a power of 4π, hence
    the factor 16π/area for the mean over the sphere. Where a facet is of several materials, each sends its part of what
    the facet sends.
    """
    scatter = hall.scattered
    mean = scatter[:, _facet_rays(hall, cuts)[2]].mean(axis=2)
    area = np.repeat(hall.box.areas, cuts**2) / cuts**2
    look = 16.0 * np.pi / area[:, None] * scatter[:, None] / np.maximum(mean, LEAST)[..., None]
    rays = _rays(hall, receivers)
    seen = _deposits(hall, rays, len(receivers), look, steps, cuts)
    across = int(np.linalg.norm(hall.box.size) / (COARSE * STEP * hall.speed_of_sound)) + 2
    glimpsed = _deposits(hall, rays, len(receivers), look, min(across, steps), cuts, most_hits=1)
    return ({"seen": every, "glimpsed": first} for every, first in zip(seen, glimpsed, strict=True))


def scattered_energy(
    hall: Hall,
    parties: Sequence[tuple[Sequence[Radiators], Sequence[Radiators]]],
    grid: int,
    cuts: int = FACETS,
    store: Store | None = None,
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
    store : Store, optional
        Keeps what each source sends and each receiver sees.

    Returns
    -------
    list of ndarray, each of shape (sources, receivers, bands, grid)
        Energy at each time step, one array for each party.

    Notes
    -----
    With B the power leaving the facets, K the facet-to-facet responses and S what sources leave on the facets,
    B = S + KᵀB.
    """
    steps = -(-grid // COARSE) + 1
    room = key(hall, steps, cuts)

    def kept(what: str, radiators: Sequence[Radiators], trace: Trace) -> list[Mapping[str, NDArray[Any]]]:
        names = [(what, room, radiator) for radiator in radiators]
        return remember_each(store, names, lambda those: trace(hall, [radiators[n] for n in those], steps, cuts))

    sent = kept("sent", [source for sources, _ in parties for source in sources], partial(_sent_by, store=store))
    seen = kept("seen", [receiver for _, receivers in parties for receiver in receivers], _seen_by)
    energy = [_first_scattering(hall, *party, _near(hall), grid) for party in parties]

    def hear(b: int) -> None:
        row = column = 0
        for out in energy:
            rows, columns = slice(row, row + out.shape[1]), slice(column, column + out.shape[0])
            s, r = sent[columns], seen[rows]
            heard = _heard(
                *(np.array([of[kind][:, b] for of in s]) for kind in ("leaving", "fresh")),
                *(np.array([of[kind][:, b] for of in r]) for kind in ("seen", "glimpsed")),
            )
            for n in range(COARSE):  # between coarse steps, evenly
                fine = out[:, :, b, n::COARSE]
                part = n / COARSE
                until = fine.shape[-1]
                fine += ((1.0 - part) * heard[..., :until] + part * heard[..., 1 : until + 1]) / COARSE
            row, column = rows.stop, columns.stop

    on_all_cores(hear, range(len(BANDS)))
    for out, party in zip(energy, parties, strict=True):
        # Rounding leaves a floor some 130 dB below the peak; nothing physical is claimed there.
        out[out < 1e-12 * out.max(axis=-1, keepdims=True)] = 0.0
        # Nothing is scattered before the first reflection, though an even facet would be heard at once.
        first = np.ceil(_first_reflections(hall, *party) / STEP) - 1.0
        out *= (np.arange(grid) >= first[..., None])[:, :, None]
    return energy
