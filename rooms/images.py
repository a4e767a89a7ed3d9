"""Image sources of a box: the exact early part of a response.

Every path from a player to a capsule keeps its own delay (exact to a fraction of a sample), level, departure and
arrival angle, and its own octave-band colour as a minimum-phase spectrum, so that nothing sounds before it arrives.
All players of a section seen through the same image are summed as one group, whose tone is then held to that of a
point source (`rooms.ensemble`).

References
----------
Allen & Berkley, "Image method for efficiently simulating small-room acoustics", J. Acoust. Soc. Am. 65, 1979.
Laakso, Välimäki, Karjalainen & Laine, "Splitting the unit delay", IEEE Signal Processing Magazine 13, 1996.
"""

from __future__ import annotations

from dataclasses import dataclass

import numba
import numpy as np
import scipy.fft
from numpy.typing import ArrayLike, NDArray

from rooms.cores import in_slices
from rooms.echogram import log_pattern
from rooms.ensemble import crossover, decorrelation, hold_tone
from rooms.filters import exponentials, minimum_phase_basis, nyquist_taper, smooth_knots
from rooms.paths import cells_within, count_hits, mirror, path_hits, surface_hits
from rooms.players import Section
from rooms.scene import Scene
from rooms.surfaces import Hall

__all__ = ["Reflections", "early_part", "early_reflections", "path_levels"]

LEAD = 0.001
"""Room left in s before each path for the ringing of its fractional delay."""

TAIL = 0.045
"""Room left in s after the last path of a group for its filters to ring down."""

NULL = 0.01
"""A capsule with a null in one band only hears that band 40 dB below its loudest there."""

RELEASE = 0.015
"""The end of that room, in s, in which nothing but what wrapped round is left."""


@dataclass(frozen=True)
class Reflections:
    """Specular paths between two points, sorted by time; an omnidirectional source and capsule.

    Attributes
    ----------
    time_s : ndarray, shape (paths,)
        Arrival after emission.
    level_db : ndarray, shape (paths, bands)
        Level re the direct sound at 1 m.
    order : ndarray of int, shape (paths,)
        Number of reflections; 0 is the direct sound.
    hits : ndarray of int, shape (paths, 6)
        Reflections at each surface, in the order of `rooms.geometry.SURFACES`.
    azimuth_deg, elevation_deg : ndarray, shape (paths,)
        Where the path arrives from: 0° is upstage, positive to the audience's right.
    """

    time_s: NDArray[np.float64]
    level_db: NDArray[np.float64]
    order: NDArray[np.int64]
    hits: NDArray[np.int64]
    azimuth_deg: NDArray[np.float64]
    elevation_deg: NDArray[np.float64]


def early_reflections(hall: Hall, source: ArrayLike, receiver: ArrayLike, until: float) -> Reflections:
    """List the specular paths between two points.

    Parameters
    ----------
    hall : Hall
        The room.
    source, receiver : array_like, shape (3,)
        Inside the hall, m.
    until : float
        Latest arrival after emission in s.

    Returns
    -------
    Reflections
    """
    size = np.array(hall.box.size)
    reach = until * hall.speed_of_sound
    cells = cells_within(size, reach)
    source = np.asarray(source, dtype=np.float64) - hall.box.lower
    ear = np.asarray(receiver, dtype=np.float64) - hall.box.lower
    away = mirror(cells, source[None], size)[:, 0] - ear
    distance = np.linalg.norm(away, axis=1)
    order = np.argsort(distance, kind="stable")
    order = order[distance[order] < reach]
    cells, away, distance = cells[order], away[order], distance[order]
    met = path_hits(hall, cells, away + ear, ear)
    loss = met @ _log_amplitude(hall).T - 0.5 * hall.air * distance[:, None]
    return Reflections(
        time_s=distance / hall.speed_of_sound,
        level_db=(loss - np.log(distance)[:, None]) * (20.0 / np.log(10.0)),
        order=np.abs(cells).sum(axis=1),
        hits=surface_hits(cells),
        azimuth_deg=np.degrees(np.arctan2(away[:, 0], away[:, 1])),
        elevation_deg=np.degrees(np.arcsin(np.clip(away[:, 2] / distance, -1.0, 1.0))),
    )


def _log_amplitude(hall: Hall) -> NDArray[np.float64]:
    """Return the logarithm of each material's specular reflection factor, shape (bands, materials)."""
    return 0.5 * np.log(np.maximum(hall.mirrored, 1e-12))


def _capsules(scene: Scene) -> tuple[NDArray[np.float64], ...]:
    """Return positions, axes, pressure parts and sensitivities of all capsules, in the order of ``scene.capsules``."""
    parts = ("positions", "axes", "pressure_parts", "sensitivities")
    return tuple(np.concatenate([getattr(array, part) for array in scene.arrays]) for part in parts)


def path_levels(scene: Scene, section: Section) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return what is known of the direct sound from geometry.

    Returns
    -------
    arrivals : ndarray, shape (capsules,)
        Arrival of the nearest player's sound in s.
    energy : ndarray, shape (capsules, bands)
        Direct energy, players' directivity, capsules' pattern and gain included.
    """
    ears, axes, a, sensitivities = _capsules(scene)
    way = ears[:, None] - section.positions  # (capsules, players, 3)
    distance = np.linalg.norm(way, axis=2)
    unit = way / distance[..., None]
    leave = np.einsum("mpx,px->mp", unit, section.axes)[..., None] - section.on_aim
    arrive = -np.einsum("mpx,mx->mp", unit, axes)[..., None]
    pattern = sensitivities[:, None] * (a[:, None] + (1.0 - a[:, None]) * arrive)
    energy = section.share / len(section.players) * (pattern / distance[..., None]) ** 2
    energy *= (np.exp(section.instrument.kappa * leave) + section.all_round) / (1.0 + section.all_round)
    energy *= np.exp(-scene.hall.air * distance[..., None])
    return distance.min(axis=1) / scene.hall.speed_of_sound, energy.sum(axis=1)


@numba.njit(cache=True, fastmath=True)
def _turn(start, step, re, im):  # type: ignore[no-untyped-def]
    """Write start·exp(−i·step·k) for k = 0, 1, … as real and imaginary parts, by doubling what is there."""
    re[0] = start
    im[0] = 0.0
    length = 1
    while length < len(re):
        turn_re, turn_im = np.float32(np.cos(step * length)), np.float32(-np.sin(step * length))
        further_re, further_im = re[length : 2 * length], im[length : 2 * length]
        for k in range(len(further_re)):
            further_re[k] = re[k] * turn_re - im[k] * turn_im
            further_im[k] = re[k] * turn_im + im[k] * turn_re
        length *= 2


@numba.njit(cache=True, fastmath=True)
def _add_path(  # type: ignore[no-untyped-def]
    shape_re, shape_im, square, knots, part, turned_re, turned_im, filter_re, filter_im, sum_re, sum_im, power
):
    """Add a path to a sum, and its power times ``square``: its colour at the knots, its delay, its filter.

    Real and imaginary parts are apart, from knot to knot, and no index is signed: so the processor takes several bins
    at once. What is a spectrum is single precision, the place of a path isn't.
    """
    square = np.float32(square)
    for n in range(len(knots) - 1):
        last = knots[n + 1] if n + 2 < len(knots) else np.uint64(len(part))
        low_re, low_im = np.float32(shape_re[n]), np.float32(shape_im[n])
        rise_re, rise_im = np.float32(shape_re[n + 1] - shape_re[n]), np.float32(shape_im[n + 1] - shape_im[n])
        for k in range(knots[n], last):
            h_re = low_re + part[k] * rise_re
            h_im = low_im + part[k] * rise_im
            power[k] += square * (h_re * h_re + h_im * h_im)
            x_re = h_re * turned_re[k] - h_im * turned_im[k]
            x_im = h_re * turned_im[k] + h_im * turned_re[k]
            sum_re[k] += x_re * filter_re[k] - x_im * filter_im[k]
            sum_im[k] += x_re * filter_im[k] + x_im * filter_re[k]


@numba.njit(nogil=True, cache=True, fastmath=True)
def _group_spectra(  # type: ignore[no-untyped-def]
    cells, ear, points, axes, kappa, on_aim, all_round, level, ears, ear_axes, pressure, sensitivities, size, walls,
    bounds, log_amplitude, air, samples_per_m, step, lead, basis_re, basis_im, knots, part, filters_re, filters_im,
    spectra, power, first,
):  # fmt: skip
    """Sum the paths of all players through one image cell to one capsule, for every group.

    Writes the spectrum of the sum, adds the summed power of the single paths, and the sample at which the group begins.
    The last of the filters is that of the whole section, the others are its players'.
    A capsule whose bands differ hears a path with the sign of its loudest band, and the others by their colour.
    """
    groups, bins = spectra.shape
    players = points.shape[0]
    bands = kappa.shape[0]
    for g in range(groups):
        m = ear[g]
        delay = np.empty(players)
        gain = np.empty(players)
        colour = np.empty((players, bands))
        image = np.empty(3)
        way = np.empty(3)
        hits = np.empty(walls.shape[0])
        heard = np.empty(bands)
        for p in range(players):
            r2 = 0.0
            for a in range(3):
                n = cells[g, a]
                image[a] = n * size[a] + points[p, a] if n % 2 == 0 else (n + 1) * size[a] - points[p, a]
                way[a] = ears[m, a] - image[a]
                r2 += way[a] ** 2
            r = np.sqrt(r2)
            leave = 0.0
            arrive = 0.0
            for a in range(3):
                u = way[a] / r
                leave += (u if cells[g, a] % 2 == 0 else -u) * axes[p, a]
                arrive -= u * ear_axes[m, a]
            delay[p] = r * samples_per_m
            count_hits(cells[g], image, ears[m], size, walls, bounds, hits)
            loudest = 0.0
            for b in range(bands):
                heard[b] = sensitivities[m, b] * (pressure[m, b] + (1.0 - pressure[m, b]) * arrive)
                if abs(heard[b]) > abs(loudest):
                    loudest = heard[b]
            gain[p] = level / r * loudest
            for b in range(bands):
                loss = 0.5 * log_pattern(kappa[b], leave, on_aim, all_round[b]) - 0.5 * air[b] * r
                for w in range(walls.shape[0]):
                    loss += hits[w] * log_amplitude[b, w]
                if heard[b] != loudest:
                    loss += np.log(max(abs(heard[b] / loudest), NULL))
                colour[p, b] = loss
        nearest = delay[0]
        for p in range(players):
            nearest = min(nearest, delay[p])
        begin = int(np.floor(nearest)) - lead
        first[g] = begin

        shape_re, shape_im = np.empty(len(knots)), np.empty(len(knots))
        total_re, total_im = np.zeros(len(knots)), np.zeros(len(knots))
        turned_re = np.empty(bins, np.float32)
        turned_im = np.empty(bins, np.float32)
        sum_re = np.zeros(bins, np.float32)
        sum_im = np.zeros(bins, np.float32)
        squares = 0.0
        signed = 0.0
        centre = 0.0
        for p in range(players):
            square = gain[p] ** 2
            shape_re[:] = 0.0
            shape_im[:] = 0.0
            for b in range(bands):
                for n in range(len(knots)):
                    shape_re[n] += colour[p, b] * basis_re[b, n]
                    shape_im[n] += colour[p, b] * basis_im[b, n]
            exponentials(shape_re, shape_im)
            for n in range(len(knots)):
                total_re[n] += square * shape_re[n]
                total_im[n] += square * shape_im[n]
            squares += square
            signed += gain[p]
            centre += square * (delay[p] - begin)
            _turn(gain[p], step * (delay[p] - begin), turned_re, turned_im)
            _add_path(
                shape_re, shape_im, square, knots, part, turned_re, turned_im, filters_re[p], filters_im[p],
                sum_re, sum_im, power[g],
            )  # fmt: skip
        if players > 1 and squares > 0.0:
            # Below the crossover the section is one source: its energy, its energy's mean delay and colour.
            sign = (1.0 if signed >= 0.0 else -1.0) / np.sqrt(squares)
            _turn(sign, step * centre / squares, turned_re, turned_im)
            _add_path(
                total_re, total_im, 0.0, knots, part, turned_re, turned_im, filters_re[players], filters_im[players],
                sum_re, sum_im, power[g],
            )  # fmt: skip
        for k in range(bins):
            spectra[g, k] = complex(sum_re[k], sum_im[k])


@numba.njit(cache=True, fastmath=True)
def _overlap_add(groups, window, first, ear, reflected, out):  # type: ignore[no-untyped-def]
    """Add groups under a window to out (parts, capsules, samples) at their first samples."""
    for g in range(groups.shape[0]):
        for n in range(groups.shape[1]):
            at = first[g] + n
            if 0 <= at < out.shape[2]:
                out[reflected[g], ear[g], at] += groups[g, n] * window[n]


def _window(size: int, sample_rate: float) -> NDArray[np.float32]:
    """Return the window of a group of paths: all-pass filters ring a little before they begin, and that wraps round.

    It rises in the first quarter of `LEAD` and falls over the last `RELEASE`.
    """
    rise = np.arange(size) / (0.25 * LEAD * sample_rate)
    fall = np.arange(size, 0, -1) / (RELEASE * sample_rate)
    return np.asarray(np.sin(np.pi / 2.0 * np.minimum(np.minimum(rise, fall), 1.0)) ** 2, dtype=np.float32)


def early_part(scene: Scene, section: Section, until: float) -> NDArray[np.float32]:
    """Return the specular paths of a section to all capsules that arrive before a time.

    Parameters
    ----------
    scene : Scene
        Hall, capsules, sample rate and seed.
    section : Section
        The players.
    until : float
        Latest arrival in s; later paths of a group that begins before it are included and cut.

    Returns
    -------
    ndarray of float32, shape (2, capsules, samples)
        The direct sound, and the reflections. Covers ``until``; sample 0 is the moment of emission.
    """
    hall, rate = scene.hall, float(scene.sample_rate)
    c = hall.speed_of_sound
    box = np.array(hall.box.size)
    points = section.positions - hall.box.lower
    ears, ear_axes, pressure, sensitivities = _capsules(scene)
    ears = ears - hall.box.lower
    centre = points.mean(axis=0)
    radius = float(np.linalg.norm(points - centre, axis=1).max())

    cells = cells_within(box, until * c + radius)
    distance = np.linalg.norm(mirror(cells, centre[None], box) - ears[None], axis=2)  # (cells, capsules)
    ear, cell = np.nonzero(distance.T - radius < until * c)
    chosen = cells[cell]

    size = 1 << int(np.ceil(np.log2((2.0 * radius / c + LEAD + TAIL) * rate)))
    bins = size // 2 + 1
    frequency = scipy.fft.rfftfreq(size, 1.0 / rate)
    knots, _, part = smooth_knots(frequency)
    basis = minimum_phase_basis(size, rate)[:, knots]
    basis_re, basis_im = np.ascontiguousarray(basis.real), np.ascontiguousarray(basis.imag)
    alone = len(section.players) == 1
    low_pass, high_pass = crossover(frequency)
    if alone:
        high_pass = np.ones_like(high_pass)
    filters = decorrelation(scene.seed, section.name, len(section.players), frequency) * high_pass
    filters = np.concatenate([filters, low_pass[None]])

    spectra = np.empty((len(chosen), bins), dtype=np.complex64)
    power = np.zeros((len(chosen), bins), dtype=np.float32)
    first = np.zeros(len(chosen), dtype=np.int64)
    filters_re, filters_im = filters.real.astype(np.float32), filters.imag.astype(np.float32)
    edges, parts = knots.astype(np.uint64), part.astype(np.float32)

    def sum_groups(some: slice) -> None:
        _group_spectra(
            chosen[some], ear[some], points, section.axes, section.instrument.kappa, section.on_aim, section.all_round,
            np.sqrt(section.share / len(points)), ears, ear_axes, pressure, sensitivities, box, hall.walls,
            hall.bounds, _log_amplitude(hall), hall.air, rate / c, 2.0 * np.pi / size, int(LEAD * rate), basis_re,
            basis_im, edges, parts, filters_re, filters_im, spectra[some], power[some], first[some],
        )  # fmt: skip

    in_slices(sum_groups, len(chosen))
    if not alone:
        spectra = hold_tone(spectra, power, frequency)
    spectra *= nyquist_taper(frequency, rate).astype(np.float32)
    groups = scipy.fft.irfft(spectra, size, axis=-1, workers=-1)
    out = np.zeros((2, len(ears), int(np.ceil(until * rate)) + 1), dtype=np.float32)
    _overlap_add(groups, _window(size, rate), first, ear, chosen.any(axis=1).astype(np.int64), out)
    return out
