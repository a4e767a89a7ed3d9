"""How energy dies away, against statistics, against rays, against a plain sum over images."""

# ruff: noqa: NPY002 -- compiled code that runs in parallel has the legacy generator only

from __future__ import annotations

import numba
import numpy as np
import pytest
from numpy.typing import NDArray

from rooms.cores import on_all_cores
from rooms.decay import expected_T30
from rooms.echogram import STEP, grid_size, omni
from rooms.measures import from_echogram
from rooms.scattering import scattered_energy
from rooms.specular import specular_energy
from rooms.surfaces import Hall
from rooms.theory import eyring_s, kuttruff_s
from tests.halls import SIZE, hall, material

JUST_NOTICEABLE = 0.05
"""Part by which a reverberation time must change to be heard (ISO 3382-1:2009, table A.1)."""


def places(room: Hall, count: int) -> NDArray[np.float64]:
    """Return points spread evenly over the whole volume, shape (count, 3)."""
    inner = np.random.default_rng(7).uniform(size=(count, 3))
    inner[:, 0] = (np.arange(count) + inner[:, 0]) / count  # stratified along the width
    return room.box.lower + inner * room.box.size


def test_fully_scattering_walls_ring_as_kuttruff_says() -> None:
    """T30 within 3 % of Kuttruff's corrected Eyring, α 0.05 to 0.4, scattering 1, 40 × 22 × 16 m, ordinary air.

    Kuttruff, Room Acoustics, 6th ed. 2016, 5.4 (from memory). The relative variance of free paths, 0.366, is that of
    diffusely reflecting walls in these proportions, from counting 10⁶ paths of `free_path_variance` below. Up to
    0.15 the correction is small and plain Eyring holds within the same 3 %, too.
    """
    absorption = np.array([0.05, 0.1, 0.15, 0.2, 0.25, 0.3, 0.4, 0.2, 0.3])
    room = hall(material(absorption.tolist(), 1.0), still=False)
    found = expected_T30(room)
    shape = (room.box.volume, float(room.box.areas.sum()), absorption, room.air, room.speed_of_sound)
    np.testing.assert_allclose(found, kuttruff_s(*shape, 0.366), rtol=0.03)
    np.testing.assert_allclose(found[:3], eyring_s(*shape)[:3], rtol=0.03)


def test_the_free_paths_vary_as_that_check_assumes() -> None:
    """Mean 4V/S (Kosten 1960) within 0.5 %; relative variance 0.366 within 2 %, four standard errors of the count."""
    mean, variance = free_paths(np.array(SIZE), 1_000_000, 3)
    room = hall(material(0.1)).box
    assert mean == pytest.approx(4.0 * room.volume / room.areas.sum(), rel=5e-3)
    assert variance == pytest.approx(0.366, rel=0.02)


@pytest.mark.parametrize("exact_until", [0.15, 0.4])
def test_a_room_that_takes_nothing_keeps_its_energy(exact_until: float) -> None:
    """No absorption, no air, nine degrees of scattering: mean energy stays 4π·c·STEP/V a step, within 0.1 dB.

    An omnidirectional source of unit energy at 1 m has a power of 4π, which fills the room evenly; mean over 24
    places and 100 ms. The images' own unevenness is below 0.05 dB at these places, wrapped time 0.04 dB.
    """
    scattering = [0.0, 0.05, 0.1, 0.2, 0.3, 0.5, 0.7, 0.9, 1.0]
    room = hall(material(0.0, scattering))
    party = [([omni(np.array([2.0, 5.0, 1.5]))], [omni(p) for p in places(room, 24)])]
    grid = grid_size(1.0)
    energy = scattered_energy(room, party, grid)[0] + specular_energy(room, party, exact_until, grid)[0]
    windows = energy[0].mean(axis=0)[:, 50:500].reshape(9, -1, 50).mean(axis=2)
    level = 10.0 * np.log10(windows * room.box.volume / (4.0 * np.pi * room.speed_of_sound * STEP))
    assert np.abs(level).max() < 0.1


def plain_images(
    room: Hall, source: NDArray[np.float64], ear: NDArray[np.float64], until: float
) -> NDArray[np.float64]:
    """Return the energy of all images in steps of 50 ms, in the notation of Allen & Berkley (1979), equation 10."""
    size = np.array(room.box.size)
    source, ear = source - room.box.lower, ear - room.box.lower
    keep = 1.0 - room.absorption[0]
    r2, energy = np.zeros((1, 1, 1)), np.ones((1, 1, 1))
    for axis in range(3):
        m = np.arange(-int(until * room.speed_of_sound / size[axis] / 2) - 2, int(until * 172 / size[axis]) + 3)
        n, p = (v.ravel() for v in np.meshgrid(m, [0, 1], indexing="ij"))
        away = (1 - 2 * p) * source[axis] + 2 * n * size[axis] - ear[axis]
        gain = keep[2 * axis] ** np.abs(n - p) * keep[2 * axis + 1] ** np.abs(n)
        turn = [1, 1, 1]
        turn[axis] = -1
        r2, energy = r2 + (away**2).reshape(turn), energy * gain.reshape(turn)
    time = np.sqrt(r2) / room.speed_of_sound
    edges = np.arange(0.0, until + 0.025, 0.05)
    return np.histogram(time, edges, weights=energy / r2)[0]


def test_mirrors_alone_decay_as_the_sum_over_their_images() -> None:
    """No scattering, uneven absorption: the integrated decay within 0.5 dB of a plain sum over images, to −40 dB.

    Mean over eight places; beyond 0.24 s the engine gives the continuum, whose images are counted here one by one.
    Integrated (Schroeder), since images on the long axis come 117 ms apart and no continuum follows single ones.
    """
    walls = [material(a) for a in (0.3, 0.25, 0.35, 0.2, 0.5, 0.3)]
    room = hall(*walls)
    source, ears = np.array([1.0, 13.0, 1.5]), places(room, 8)
    until = 3.0
    found = specular_energy(room, [([omni(source)], [omni(p) for p in ears])], 0.24, grid_size(until))[0]
    # An arrival is split between the two grid points around it: half of each edge point lies on either side.
    steps = found[0, :, 4].mean(axis=0)
    left = np.cumsum(0.5 * (steps[1:1501] + steps[:1500])[::-1])[::-1][::25]
    expected = np.mean([plain_images(room, source, ear, until) for ear in ears], axis=0)
    expected_left = np.cumsum(expected[::-1])[::-1]
    level = 10.0 * np.log10(expected_left / expected_left[0])
    heard = level > -40.0
    assert 20 < heard.sum() < len(heard) - 10  # what lies beyond the end adds less than 0.05 dB
    np.testing.assert_allclose(10.0 * np.log10(left[heard] / expected_left[heard]), 0.0, atol=0.5)


@numba.njit
def _step(position, direction, size):  # type: ignore[no-untyped-def]
    """Move a ray to the next wall in place; return the distance and the wall."""
    way = 1e30
    wall = 0
    for a in range(3):
        if direction[a] != 0.0:
            d = ((size[a] if direction[a] > 0 else 0.0) - position[a]) / direction[a]
            if d < way:
                way = d
                wall = 2 * a + (1 if direction[a] > 0 else 0)
    for a in range(3):
        position[a] += direction[a] * way
    position[wall // 2] = size[wall // 2] * (wall % 2)
    return way, wall


@numba.njit
def _scatter(direction, wall):  # type: ignore[no-untyped-def]
    """Draw a direction by Lambert's law, in place."""
    u = np.random.random()
    v = 2.0 * np.pi * np.random.random()
    a = wall // 2
    direction[a] = np.sqrt(1.0 - u) * (1.0 - 2.0 * (wall % 2))
    direction[(a + 1) % 3] = np.sqrt(u) * np.cos(v)
    direction[(a + 2) % 3] = np.sqrt(u) * np.sin(v)


@numba.njit
def free_paths(size, count, seed):  # type: ignore[no-untyped-def]
    """Return mean and relative variance of the paths between diffuse reflections."""
    np.random.seed(seed)
    position = size * 0.4
    direction = np.array([0.6, 0.64, 0.48])
    total = 0.0
    squares = 0.0
    _, wall = _step(position, direction, size)
    for _ in range(count):
        _scatter(direction, wall)
        way, wall = _step(position, direction, size)
        total += way
        squares += way * way
    mean = total / count
    return mean, squares / count / mean**2 - 1.0


@numba.njit(nogil=True)
def _left_in_room(seed, source, size, absorption, scattering, rays, step_m, steps):  # type: ignore[no-untyped-def]
    """Return the sum of what some rays have left at each step: a wall hit either mirrors or scatters."""
    np.random.seed(seed)
    left = np.zeros(steps)
    position = np.empty(3)
    direction = np.empty(3)
    for _ in range(rays):
        position[:] = source
        z = 2.0 * np.random.random() - 1.0
        v = 2.0 * np.pi * np.random.random()
        direction[0] = np.sqrt(1.0 - z * z) * np.cos(v)
        direction[1] = np.sqrt(1.0 - z * z) * np.sin(v)
        direction[2] = z
        energy = 1.0
        path = 0.0
        k = 0
        while k < steps and energy > 1e-7:
            way, wall = _step(position, direction, size)
            path += way
            while k < steps and k * step_m <= path:
                left[k] += energy
                k += 1
            energy *= 1.0 - absorption[wall]
            if np.random.random() < scattering[wall]:
                _scatter(direction, wall)
            else:
                direction[wall // 2] *= -1.0
    return left


def energy_in_room(source, size, absorption, scattering, rays, step_m, steps, seed):  # type: ignore[no-untyped-def]
    """Return the part of a source's energy left in a room at each step."""
    chunks = 16
    of = (source, size, absorption, scattering, rays // chunks, step_m, steps)
    left = on_all_cores(lambda c: _left_in_room(seed + c, *of), range(chunks))
    return np.sum(left, axis=0) / (rays // chunks * chunks)


def test_an_absorbing_floor_under_hard_walls_decays_as_rays_do() -> None:
    """Floor 0.74, all else 0.128; scattering 0.1, 0.3, 0.5, 0.8: T30 within 5 %, level within 0.5 dB of rays.

    The hard case: specular energy between the walls outlives what the floor sees, and scattering feeds one from the
    other. Mean over 64 places spread over the room against all energy in it; 1 JND, and half of the 1 dB that
    ISO 3382-1:2009, table A.1, gives as just noticeable for G. To −30 dB, where 2·10⁵ rays still agree with 10⁶
    within 0.1 dB; later a few rays that miss the floor carry all and the count itself scatters.
    """
    floor, hard, degrees = 0.74, 0.128, (0.1, 0.3, 0.5, 0.8)
    scattering = [*degrees, *(0.5,) * 5]
    wall = material(hard, scattering)
    room = hall(wall, wall, wall, wall, material(floor, scattering), wall)
    grid = grid_size(3.0)
    source = np.array([2.0, 13.0, 1.5])
    party = [([omni(source)], [omni(p) for p in places(room, 64)])]
    energy = scattered_energy(room, party, grid)[0] + specular_energy(room, party, 0.25, grid)[0]
    found = energy[0].mean(axis=0)
    step_m = STEP * room.speed_of_sound
    for band, degree in enumerate(degrees):
        rays = energy_in_room(
            source - room.box.lower, np.array(room.box.size), room.absorption[0], np.full(6, degree), 200_000, step_m,
            grid, 11,
        )  # fmt: skip
        expected = rays * 4.0 * np.pi * step_m / room.box.volume
        pair = from_echogram(np.stack([found[band], expected]), STEP, 0.0, bands=[1000.0, 1000.0])
        assert pair.T30_s[0] == pytest.approx(pair.T30_s[1], rel=JUST_NOTICEABLE), degree
        sums = np.stack([found[band], expected])[:, 50:1200].reshape(2, 23, 50).sum(axis=2)
        level = 10.0 * np.log10(sums)
        loud = level[1] > level[1, 0] - 30.0
        assert np.abs(level[0] - level[1])[loud].max() < 0.5, degree


def test_strength_falls_with_distance_as_barron_s_revised_theory() -> None:
    """G at 6 to 28 m within 1 dB of Barron & Lee, J. Acoust. Soc. Am. 84, 618 (1988), equations from memory.

    G = 10·lg(100/r² + 31200·T/V·e^(−0.04·r/T)); 1 dB is its just-noticeable difference (ISO 3382-1:2009, A.1).
    A diffuse hall: all walls alike and scattering; mean over two places at each distance.
    """
    room = hall(material(0.2, 1.0))
    T = float(expected_T30(room)[4])
    grid = grid_size(1.5 * T)
    source = np.array([0.0, 14.0, 1.5])
    distances = np.array([6.0, 10.0, 15.0, 20.0, 28.0])
    ears = [
        omni(source + r * np.array([side, -np.sqrt(1.0 - side**2), 0.0])) for r in distances for side in (0.3, -0.15)
    ]
    party = [([omni(source)], ears)]
    energy = scattered_energy(room, party, grid)[0] + specular_energy(room, party, 0.25, grid)[0]
    means = energy[0, :, 4].reshape(5, 2, grid).mean(axis=1)
    found = [
        from_echogram(e[None], STEP, r / room.speed_of_sound, bands=[1000.0]).G_db[0]
        for e, r in zip(means, distances, strict=True)
    ]
    late = 31200.0 * T / room.box.volume * np.exp(-0.04 * distances / T)
    np.testing.assert_allclose(found, 10.0 * np.log10(100.0 / distances**2 + late), atol=1.0)
