"""Rooms in no catalogue whose truth is known: drawn boxes with a pair of microphones, by two simulators.

Truth is what is known before any recording: of the engine, T30 and C80 of the expected energy between that source and
those microphones; of the independent simulator, those of its response before noise, by `pyroomacoustics`' own
`measure_rt60` octave by octave and by parting the response 80 ms after the direct sound.
"""

from __future__ import annotations

import tempfile
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pyroomacoustics as pra
import soundfile
from numpy.typing import NDArray
from scipy.signal import fftconvolve

from render.match import target_of
from render.measure import measure_file
from rooms.agreement import Target
from rooms.errors import InputError
from rooms.geometry import SURFACES, Box
from rooms.measures import from_echogram
from rooms.microphones import Array, Capsule
from rooms.octaves import in_octaves
from rooms.players import OMNIDIRECTIONAL, Player, Section
from rooms.responses import compute_responses
from rooms.scene import Scene
from rooms.surfaces import Hall, Material
from rooms.units import BANDS, energy_db

RATE = 16000
"""Hz; octaves up to 4 kHz fit below half of it."""

SEATS = np.array([(-4.3, 1.7, 1.15), (-1.7, 4.0, 1.15), (1.6, 3.7, 1.1), (3.5, 1.3, 0.65), (6.4, 2.5, 0.95)])
"""m; where the demo's five sections sit, to the decimetre."""

PAIR = 0.3
"""m; half the distance between the microphones of a pair."""

AIR = (20.0, 50.0)
"""°C and %: of every drawn hall, by its default."""

EARLY_S = 0.08
"""C80 parts a response so long after the direct sound (ISO 3382-1, A.2.3)."""

FILTER_DELAY = 40
"""Samples by which `pyroomacoustics` delays its responses: half of its fractional delay filters."""


@dataclass(frozen=True, eq=False)
class Drawn:
    """A room and a pair of microphones in it.

    Attributes
    ----------
    simulator : str
        Which made it.
    hall : Hall
        The box, its surfaces and its air.
    source, place : ndarray, shape (3,)
        Of the omnidirectional source and of the middle of the pair in m, in the scene's frame.
    samples : ndarray, shape (2, samples)
        Responses at `RATE` without noise; one second of silence follows them, for noise to be seen alone.
    arrival : int
        At which sample the direct sound is there.
    T_s, C80_db : ndarray, shape (bands,)
        Truth, mean of the two; NaN in octaves that the simulator doesn't know.
    """

    simulator: str
    hall: Hall
    source: NDArray[np.float64]
    place: NDArray[np.float64]
    samples: NDArray[np.float64]
    arrival: int
    T_s: NDArray[np.float64]
    C80_db: NDArray[np.float64]


def drawn_hall(generator: np.random.Generator) -> Hall:
    """Return a box whose six surfaces absorb and scatter differently, and differently in each octave.

    Sabine's time at 500 Hz and 1 kHz is drawn from 0.7 to 4 s, evenly on a logarithmic scale. From octave to octave it
    changes as in the catalogue's halls: by −25 to +10 % on the way up, and bends by some 10 % at most.
    """
    while True:
        width, depth, height = generator.uniform((14.0, 19.0, 6.0), (28.0, 45.0, 16.0)).tolist()
        box = Box((width, depth, height), (width / 2.0, max(5.5, float(generator.uniform(0.25, 0.4)) * depth)))
        octaves = np.arange(len(BANDS)) - 4.0
        slope = generator.normal(0.04, 0.06)
        uneven = np.exp(slope * octaves + generator.normal(0.0, 0.06, len(BANDS)))
        absorption = uneven * np.exp(generator.normal(0.0, 0.45, (6, 1)))
        mean = float((box.areas @ absorption / box.areas.sum())[3:5].mean())
        T_s = float(np.exp(generator.uniform(np.log(0.7), np.log(4.0))))
        wanted = 0.161 * box.volume / (box.areas.sum() * T_s)
        absorption *= wanted / mean
        if wanted > 0.03 and absorption[:, 3:5].max() < 0.9:
            break
    scattering = generator.uniform(0.15, 0.6, (6, 1)) * np.linspace(0.6, 1.4, len(BANDS))
    materials = tuple(
        Material("drawn", tuple(a), tuple(s))
        for a, s in zip(np.clip(absorption, 0.01, 0.95).tolist(), np.clip(scattering, 0.05, 0.9).tolist(), strict=True)
    )
    return Hall("drawn", box, materials)


def drawn_room(seed: int, *, independent: bool = False) -> Drawn:
    """Return a drawn hall, one of the demo's seats and a pair of omnis behind the conductor, and their responses."""
    generator = np.random.default_rng(4000 + seed)
    hall = drawn_hall(generator)
    source = SEATS[int(generator.integers(len(SEATS)))]
    farthest = min(-0.75 * float(hall.box.lower[1]), 12.0)
    height = float(generator.uniform(2.4, min(5.0, hall.box.size[2] - 1.0)))
    place = np.array([0.0, -float(generator.uniform(0.8, farthest)), height])
    room = _independently(hall, source, place, seed) if independent else heard(hall, source, place)
    return replace(room, samples=np.pad(room.samples, ((0, 0), (0, RATE))))


def pair_at(place: NDArray[np.float64]) -> Array:
    """Return two omnis side by side."""
    x, y, z = place.tolist()
    sides = (("left", x - PAIR), ("right", x + PAIR))
    return Array("main", "main", tuple(Capsule(name, (at, y, z), (0.0, 0.0)) for name, at in sides))


def heard(hall: Hall, source: NDArray[np.float64], place: NDArray[np.float64]) -> Drawn:
    """Return what the engine says of an omnidirectional source and a pair in a hall."""
    section = Section("solo", OMNIDIRECTIONAL, (Player(tuple(source.tolist()), 180.0),))
    made = compute_responses(Scene(hall, (section,), (pair_at(place),), RATE))
    of = [from_echogram(made.omni_energy[0, n], made.bin_s, float(made.omni_arrivals[0, n])) for n in range(2)]
    T_s, C80_db = (np.mean([getattr(measures, name) for measures in of], axis=0) for name in ("T30_s", "C80_db"))
    arrival = round(float(made.arrivals.min()) * RATE)
    return Drawn("engine", hall, source, place, made.samples[0].astype(np.float64), arrival, T_s, C80_db)


def _independently(hall: Hall, source: NDArray[np.float64], place: NDArray[np.float64], seed: int) -> Drawn:
    """Return the same by `pyroomacoustics`: images to order 3, then rays, as many as it takes by itself.

    Its rays keep all of their energy and send what surfaces scatter to the microphone besides (version 0.10), so late
    energy is up to 1 + s times too strong, and images lose what was scattered before: such rooms are 1 to 3 dB less
    clear than energy allows. Without scattering it agrees with the engine to 0.6 dB. They are rooms unlike any here.
    """
    pra.random.seed(numpy=seed, libroom=seed)
    names = dict(zip(("west", "east", "south", "north", "floor", "ceiling"), range(len(SURFACES)), strict=True))

    def coefficients(values: tuple[float, ...]) -> dict[str, list[float]]:
        return {"coeffs": list(values[1:8]), "center_freqs": BANDS[1:8].tolist()}

    materials = {
        name: pra.Material(coefficients(hall.materials[n].absorption), coefficients(hall.materials[n].scattering))
        for name, n in names.items()
    }
    box = pra.ShoeBox(
        hall.box.size,
        fs=RATE,
        materials=materials,
        max_order=3,
        ray_tracing=True,
        air_absorption=True,
        temperature=hall.temperature,
        humidity=hall.humidity,
    )
    box.set_ray_tracing()
    box.add_source((source - hall.box.lower).tolist())
    positions = pair_at(place).positions
    box.add_microphone((positions - hall.box.lower).T)
    box.compute_rir()
    length = max(len(row[0]) for row in box.rir)
    samples = np.array([np.pad(row[0], (0, length - len(row[0]))) for row in box.rir])
    arrivals = np.linalg.norm(positions - source, axis=1) / box.c * RATE + FILTER_DELAY
    used = BANDS[1:7].tolist()
    truth = np.full((2, 2, len(BANDS)), np.nan)
    for n, (row, arrival) in enumerate(zip(samples, arrivals, strict=True)):
        start = round(float(arrival))
        early, late = row.copy(), row.copy()
        early[start + round(EARLY_S * RATE) :] = 0.0
        late[: start + round(EARLY_S * RATE)] = 0.0
        around = (RATE // 4, RATE // 2)
        all_of, first, rest = (in_octaves(np.pad(x, around), RATE, used) for x in (row, early, late))
        truth[0, n, 1:7] = [pra.experimental.measure_rt60(octave[around[0] + start :], RATE, 30) for octave in all_of]
        truth[1, n, 1:7] = energy_db(np.sum(first**2, axis=1) / np.sum(rest**2, axis=1))
    T_s, C80_db = truth.mean(axis=1)
    return Drawn("pyroomacoustics", hall, source, place, samples, round(float(arrivals.min())), T_s, C80_db)


def with_noise(room: Drawn, decibels: float, seed: int) -> NDArray[np.float64]:
    """Return the responses with white noise so many dB below their first 80 ms, mean squares both."""
    early = room.samples[:, room.arrival : room.arrival + round(EARLY_S * RATE)]
    deviation = float(np.sqrt(np.mean(early**2))) * 10.0 ** (-decibels / 20.0)
    return np.asarray(room.samples + deviation * np.random.default_rng(seed).standard_normal(room.samples.shape))


def recorded(room: Drawn, dry: NDArray[np.float64], decibels: float, seed: int) -> NDArray[np.float64]:
    """Return a source's sound (samples,) at `RATE` as the pair hears it, with white noise so many dB below."""
    wet = np.array([fftconvolve(dry, row)[: dry.size] for row in room.samples])
    wet /= np.sqrt(np.mean(wet**2))
    noise = np.random.default_rng(seed).standard_normal(wet.shape)
    return np.asarray(wet + 10.0 ** (-decibels / 20.0) * noise)


def measured(samples: NDArray[np.float64], kind: str) -> Target:
    """Return the target of a recording (channels, samples), as the tool measures a file whose kind it isn't told."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "recording.wav"
        soundfile.write(path, 0.5 * samples.T / np.max(np.abs(samples)), RATE, subtype="FLOAT")
        return target_of_file(path, kind)


def target_of_file(path: Path, kind: str) -> Target:
    """Return the target of a file, which must be taken for what it is."""
    measurement = measure_file(path)
    if measurement.kind != kind:
        raise InputError(f"{path.name}: taken for {measurement.kind}")
    return target_of(measurement, *AIR)
