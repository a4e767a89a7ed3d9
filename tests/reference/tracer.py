"""A slow witness: rays through a box, drawn at random, heard where they cross a sphere.

Written from the definitions and sharing nothing with the engine: no images, no wall patches, no integral equation. A
ray carries its part of the source's energy; at a wall it loses what the wall absorbs and then goes on either as from
a mirror, with probability 1 − s, or in a direction drawn by Lambert's law, with probability s (Vorländer,
Auralization, 2008, 11.3, from memory). A listener is a sphere: a ray that crosses it leaves its energy times the
length of the chord over the sphere's volume, which is the mean of the energy density in it. The direct sound is put
in as 1/r².

Run as a script it prints the measures of ISO 3382-1 for five halls and four bands, the witness beside the engine.
"""

# ruff: noqa: NPY002 -- compiled code that runs in parallel has the legacy generator only

from __future__ import annotations

import sys
from collections.abc import Sequence

import numba
import numpy as np
from numpy.typing import NDArray

from rooms import catalogue
from rooms.cores import on_all_cores
from rooms.geometry import SURFACES, Box
from rooms.measures import from_echogram
from rooms.microphones import Array, Capsule
from rooms.players import OMNIDIRECTIONAL, Player, Section
from rooms.responses import Responses, compute_responses
from rooms.scene import Scene
from rooms.surfaces import Hall, Material
from rooms.units import BANDS

Energy = NDArray[np.float64]
"""One band's energy from sources to ears, shape (sources, ears, bins)."""

MEASURES = ("T30_s", "EDT_s", "C80_db", "Ts_s", "G_db")
COMPARED = (125.0, 500.0, 1000.0, 4000.0)
"""Octave bands in Hz."""

RADIUS = 1.0
"""m; radius of the witness's listeners."""

SOURCES = ((0.38, 0.27, 1.5), (0.62, 0.14, 1.5))
"""Sources as parts of the hall's width, of its depth from the stage's wall, and height in m."""

EARS = ((0.30, 0.46, 1.2), (0.56, 0.58, 2.0), (0.73, 0.72, 1.2), (0.45, 0.87, 3.0))
"""Listeners, alike."""


def points(hall: Hall, places: Sequence[tuple[float, float, float]]) -> NDArray[np.float64]:
    """Return places in the scene's frame, shape (places, 3)."""
    low, size = hall.box.lower, hall.box.size
    return np.array([(low[0] + x * size[0], low[1] + (1.0 - y) * size[1], z) for x, y, z in places])


def box(name: str, size: tuple[float, float, float], walls: Sequence[tuple[Sequence[float], float]]) -> Hall:
    """Return a box from each surface's absorption, one value or nine, and scattering."""
    materials = [
        Material("surface", tuple(np.broadcast_to(np.array(a), len(BANDS)).tolist()), (s,) * len(BANDS))
        for a, s in walls
    ]
    return Hall(name, Box(size, (size[0] / 2.0, size[1] / 2.0)), tuple(materials))


def hard_box(scattering: float) -> Hall:
    """Return 40 × 22 × 16 m with an absorbing floor under hard walls and a ceiling."""
    floor = (0.40, 0.45, 0.60, 0.72, 0.74, 0.74, 0.72, 0.70, 0.70), scattering
    hard = (0.17, 0.17, 0.14, 0.128, 0.125, 0.12, 0.115, 0.11, 0.11), scattering
    name = f"absorbing floor under hard walls, scattering {scattering:g}"
    return box(name, (22.0, 40.0, 16.0), (hard, hard, hard, hard, floor, hard))


def uneven_cube() -> Hall:
    """Return a cube of 15 m with six different walls that scatter 0.2 to 0.6."""
    walls = zip(((0.1,), (0.4,), (0.2,), (0.3,), (0.6,), (0.05,)), (0.2, 0.6, 0.4, 0.3, 0.5, 0.2), strict=True)
    return box("cube with uneven walls", (15.0, 15.0, 15.0), list(walls))


def halls() -> list[Hall]:
    """Return the halls of the table."""
    presets = [catalogue.hall(name) for name in ("shoebox-concert-hall", "chamber-studio")]
    return [hard_box(0.1), hard_box(0.3), uneven_cube(), *presets]


def engine(hall: Hall) -> Responses:
    """Return what the engine makes of omnidirectional players and capsules at `SOURCES` and `EARS`."""
    solos = [
        Section(f"source {n}", OMNIDIRECTIONAL, (Player(tuple(p), 0.0),)) for n, p in enumerate(points(hall, SOURCES))
    ]
    capsules = tuple(Capsule(f"ear {n}", tuple(p)) for n, p in enumerate(points(hall, EARS)))
    return compute_responses(Scene(hall, tuple(solos), (Array("ears", "main", capsules),), 16000))


@numba.njit(nogil=True)  # not cached: a script and a test module have different names for the same file
def _traced(  # type: ignore[no-untyped-def]
    seed, source, ears, radius, size, patches, absorption, scattering, air, rays, step_m, steps
):
    """Return the sum of chords over the sphere's volume, weighed with what some rays have left, (ears, steps)."""
    np.random.seed(seed)
    heard = np.zeros((ears.shape[0], steps))
    volume = 4.0 / 3.0 * np.pi * radius**3
    at = np.empty(3)
    to = np.empty(3)
    for _ in range(rays):
        at[:] = source
        z = 2.0 * np.random.random() - 1.0
        turn = 2.0 * np.pi * np.random.random()
        to[0] = np.sqrt(1.0 - z * z) * np.cos(turn)
        to[1] = np.sqrt(1.0 - z * z) * np.sin(turn)
        to[2] = z
        left = 1.0
        path = 0.0
        reflected = False
        while left > 1e-7 and path < steps * step_m:
            way = 1e30
            wall = 0
            for a in range(3):
                if to[a] != 0.0:
                    d = ((size[a] if to[a] > 0.0 else 0.0) - at[a]) / to[a]
                    if d < way:
                        way = d
                        wall = 2 * a + (1 if to[a] > 0.0 else 0)
            if reflected:
                for e in range(ears.shape[0]):
                    along = 0.0
                    square = 0.0
                    for a in range(3):
                        u = ears[e, a] - at[a]
                        along += u * to[a]
                        square += u * u
                    inside = radius**2 - (square - along**2)
                    if inside > 0.0 and 0.0 < along < way:
                        middle = path + along
                        k = int(middle / step_m)
                        if k < steps:
                            heard[e, k] += left * np.exp(-air * middle) * 2.0 * np.sqrt(inside) / volume
            for a in range(3):
                at[a] += to[a] * way
            a = wall // 2
            at[a] = size[a] if wall % 2 == 1 else 0.0
            path += way
            met = wall
            for p in range(patches.shape[0]):
                on = True
                for b in range(3):
                    on = on and patches[p, 0, b] <= at[b] <= patches[p, 1, b]
                if on:
                    met = 6 + p
            left *= 1.0 - absorption[met]
            reflected = True
            if np.random.random() < scattering[met]:
                u = np.random.random()
                turn = 2.0 * np.pi * np.random.random()
                to[a] = np.sqrt(1.0 - u) * (-1.0 if wall % 2 == 1 else 1.0)
                to[(a + 1) % 3] = np.sqrt(u) * np.cos(turn)
                to[(a + 2) % 3] = np.sqrt(u) * np.sin(turn)
            else:
                to[a] = -to[a]
    return heard


def trace(  # type: ignore[no-untyped-def]
    source, ears, radius, size, patches, absorption, scattering, air, rays, step_m, steps, seed
):
    """Return the energy at each ear (ears, steps) without the direct sound; bin k holds [k, k + 1)·step_m of path."""
    chunks = 16
    of = (source, ears, radius, size, patches, absorption, scattering, air, rays // chunks, step_m, steps)
    heard = on_all_cores(lambda c: _traced(seed * chunks + c, *of), range(chunks))
    # A unit direct sound at 1 m is a power of 4π.
    return np.sum(heard, axis=0) * (4.0 * np.pi / (rays // chunks * chunks))


def slabs(hall: Hall) -> NDArray[np.float64]:
    """Return each patch's corners in m from the hall's own, some micrometres thick, shape (patches, 2, 3)."""
    corners = np.zeros((len(hall.patches), 2, 3))
    for corner, patch in zip(corners, hall.patches, strict=True):
        axis, far = SURFACES.index(patch.surface) // 2, SURFACES.index(patch.surface) % 2
        corner[:, [a for a in range(3) if a != axis]] = patch.low, patch.high
        corner -= hall.box.lower
        corner[:, axis] = far * hall.box.size[axis] + np.array([-1e-6, 1e-6])
    return corners


def witness(responses: Responses, band: float, bins: int, rays: int, seed: int) -> Energy:
    """Return what rays say the sources of a scene send to its ears in one band."""
    hall = responses.scene.hall
    b = int(np.flatnonzero(band == BANDS)[0])
    air = float(hall.air[b])
    ears = points(hall, EARS) - hall.box.lower
    energy = np.array(
        [
            trace(
                point - hall.box.lower, ears, RADIUS, np.array(hall.box.size), slabs(hall), hall.absorption[b],
                hall.scattering[b], air, rays, responses.bin_s * hall.speed_of_sound, bins, seed * len(SOURCES) + n,
            )
            for n, point in enumerate(points(hall, SOURCES))
        ]
    )  # fmt: skip
    for pair, arrival in np.ndenumerate(responses.omni_arrivals):
        r = arrival * hall.speed_of_sound
        energy[pair][int(arrival / responses.bin_s)] += np.exp(-air * r) / r**2
    return energy


def measured(responses: Responses, energy: Energy) -> NDArray[np.float64]:
    """Return the `MEASURES` of one band's energy: of its mean over all pairs, each counted from its direct sound."""
    steps = responses.omni_arrivals / responses.bin_s
    first = steps.astype(int) - 1  # the engine shares an arrival with the bin before
    length = energy.shape[-1] - first.max()
    mean = np.mean([energy[pair][n : n + length] for pair, n in np.ndenumerate(first)], axis=0)
    arrival = responses.bin_s * float(np.mean(steps - first))
    found = from_echogram(mean[None], responses.bin_s, arrival, bands=[1000.0])
    return np.array([getattr(found, name)[0] for name in MEASURES])


def followed(responses: Responses, band: float) -> Energy:
    """Return the engine's energy in one band until it is 60 dB down; beyond, a few rays carry all that is left."""
    energy = responses.omni_energy[:, :, int(np.flatnonzero(band == BANDS)[0])]
    return energy[..., : int(measured(responses, energy)[0] / responses.bin_s)]


def testified(responses: Responses, runs: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the `MEASURES` of the mean of independent runs and their standard errors.

    By the jackknife (Efron 1982), measures of the sum without each run in turn: one run alone may hold too little.
    """
    count = len(runs)
    without = np.array([measured(responses, (runs.sum(axis=0) - run) / (count - 1)) for run in runs])
    error = np.sqrt((count - 1) * np.mean((without - without.mean(axis=0)) ** 2, axis=0))
    return measured(responses, runs.mean(axis=0)), error


def noticeable(values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return one just-noticeable difference of each of the `MEASURES` (ISO 3382-1:2009, table A.1)."""
    return np.array([0.05 * values[0], 0.05 * values[1], 1.0, 0.010, 1.0])


def main(rays: int = 200_000, runs: int = 4) -> None:
    """Print the table."""
    print(f"engine / witness ± standard error, difference in just-noticeable differences; {runs} runs of {rays} rays")
    for hall in halls():
        print(f"\n{hall.name}: mean over {len(SOURCES)} sources and {len(EARS)} places")
        print("Hz      " + "".join(f"{name:>33}" for name in MEASURES))
        responses = engine(hall)
        for band in COMPARED:
            energy = followed(responses, band)
            ours = measured(responses, energy)
            heard = [witness(responses, band, energy.shape[-1], rays, seed) for seed in range(1, runs + 1)]
            theirs, error = testified(responses, np.array(heard))
            cells = zip(ours, theirs, error, (ours - theirs) / noticeable(theirs), strict=True)
            text = "".join(f"{o:11.3f} /{t:7.3f} ± {e:.3f} {d:+.2f}" for o, t, e, d in cells)
            print(f"{band:<8.0f}{text}", flush=True)


if __name__ == "__main__":
    main(*(int(argument) for argument in sys.argv[1:]))
