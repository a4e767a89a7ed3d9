"""Reverberation time from music against known truth: python tests/benchmarks/bench_blind.py [ROOMS] [RESPONSE.wav …]

Strings made up note by note (`string_music`) in kinds of rooms, 500 Hz to 2 kHz, with noise 40 dB below the music:
exponential noise of drawn T, whose truth is what was drawn; catalogue halls of this engine, with the T30 of the
expected energy of that source and capsule; boxes by pyroomacoustics' hybrid of image sources to order 3 and rays, with
the T30 it measures of its own response, octave by octave; measured responses, if files are given, with T20 read by
pyroomacoustics. Three musics: five phrases with stops as long as 30 dB of decay take; phrases of 4 s with breaths of
0.5 s; and voices that never rest together. Prints how many octaves were told, bias, RMS of the ratio less one, how many
90 % intervals cover the truth and how wide they are; beside them the same of blind-rt60 (MIT, from PyPI; Ratnam et al.
2003) on the same octaves, if it is installed. Nothing in the estimator was chosen on these rooms and this music.

A measured response is in the source distribution of the Python package `acoustics` 0.2.6, tests/data: an
omnidirectional one of a sports centre, 96 kHz, by the Open AIR Library (University of York; CC BY-SA 3.0).
"""

from __future__ import annotations

import functools
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pyroomacoustics as pra
import soundfile
import soxr
from numpy.typing import NDArray
from scipy.signal import fftconvolve
from string_music import phrases

from rooms import catalogue
from rooms.blind import blind_decay
from rooms.measures import from_echogram
from rooms.microphones import Array, Capsule
from rooms.octaves import in_octaves
from rooms.players import OMNIDIRECTIONAL, Player, Section
from rooms.responses import compute_responses
from rooms.scene import Scene
from rooms.units import BANDS

try:
    from blind_rt60 import BlindRT60
except ImportError:
    BlindRT60 = None

RATE = 16000
OCTAVES = (500.0, 1000.0, 2000.0)
SNR_DB = 40.0
HALLS = ("recital-room", "scoring-stage", "shoebox-concert-hall", "stone-chapel", "ballroom", "wooden-barn")
"""Of the catalogue, between 0.8 and 4 s."""

USED = np.isin(BANDS, OCTAVES)
Room = tuple[str, NDArray[np.float64], NDArray[np.float64]]


def drawn(count: int) -> Iterator[Room]:
    """Yield exponential noise with a direct sound."""
    for seed in range(count):
        generator = np.random.default_rng(11000 + seed)
        T_s = float(np.exp(generator.uniform(np.log(0.85), np.log(4.0))))
        time = np.arange(round(1.2 * T_s * RATE)) / RATE
        response = generator.standard_normal(time.size) * 10.0 ** (-3.0 * time / T_s)
        response /= np.sqrt(np.sum(response**2))
        response[0] += 10.0 ** (generator.uniform(-12.0, 3.0) / 20.0)
        yield "exponential noise", response, np.full(len(OCTAVES), T_s)


def halls(count: int) -> Iterator[Room]:
    """Yield catalogue halls, one omnidirectional source and microphone each."""
    for seed, name in enumerate(HALLS[:count]):
        hall = catalogue.hall(name)
        generator = np.random.default_rng(12000 + seed)
        width, depth, _ = hall.box.size
        place = (float(generator.uniform(-0.15, 0.15) * width), 0.12 * depth, 1.2)
        section = Section("solo", OMNIDIRECTIONAL, (Player(place, 180.0),))
        array = Array("main", "main", (Capsule("one", (0.0, -0.15 * depth, 2.5), (0.0, 0.0)),))
        responses = compute_responses(Scene(hall, (section,), (array,), RATE))
        truth = from_echogram(responses.omni_energy[0, 0], responses.bin_s, responses.omni_arrivals[0, 0]).T30_s[USED]
        yield f"engine, {name}", responses.samples[0, 0].astype(np.float64), truth


def boxes(count: int) -> Iterator[Room]:
    """Yield boxes by an independent simulator."""
    for seed in range(count):
        generator = np.random.default_rng(13000 + seed)
        size = generator.uniform((10.0, 15.0, 6.0), (24.0, 40.0, 14.0))
        material = pra.Material(float(generator.uniform(0.10, 0.35)), 0.4)
        box = pra.ShoeBox(size, fs=RATE, materials=material, max_order=3, ray_tracing=True, air_absorption=True)
        box.set_ray_tracing(n_rays=20000, receiver_radius=0.5)
        box.add_source((size * (0.45, 0.7, 0.0) + (0.0, 0.0, 1.2)).tolist())
        box.add_microphone((size * (0.55, 0.35, 0.0) + (0.0, 0.0, 2.5)).tolist())
        box.compute_rir()
        response = np.asarray(box.rir[0][0], dtype=np.float64)
        yield "pyroomacoustics", response, read_T(response, 30)


def measured(paths: list[Path], _count: int) -> Iterator[Room]:
    """Yield measured responses from files, their first channels."""
    for path in paths:
        samples, rate = soundfile.read(path, always_2d=True)
        response = soxr.resample(samples[:, 0], rate, RATE)
        yield path.stem, response / np.sqrt(np.sum(response**2)), read_T(response, 20)


def read_T(response: NDArray[np.float64], decay_db: int) -> NDArray[np.float64]:
    """Return what pyroomacoustics reads of a response in each octave, from so many dB."""
    octaves = in_octaves(np.pad(response, (RATE // 4, RATE // 2)), RATE, OCTAVES)
    start = RATE // 4 + int(np.argmax(np.abs(response)))
    return np.array([pra.experimental.measure_rt60(octave[start:], RATE, decay_db) for octave in octaves])


MUSIC: dict[str, Callable[[float, int], NDArray[np.float64]]] = {
    "stops": lambda T_s, seed: phrases(RATE, seed, 5, 2.5, 0.6 * T_s + 0.4),
    "breaths": lambda T_s, seed: phrases(RATE, seed, 8, 4.0, 0.5),
    "never resting": lambda T_s, seed: phrases(RATE, seed, 8, 4.0, 0.5, together=False),
}
"""Dry music of a seed, for a room of some T in seconds."""


def told(text: str, ratios: NDArray[np.float64], covered: NDArray[np.bool_], widths: NDArray[np.float64]) -> None:
    """Print a row."""
    known = np.isfinite(ratios)
    line = f"{text:40} told {known.sum():3d}/{known.size:<3d}"
    if known.any():
        ratio = ratios[known]
        rms = 100.0 * float(np.sqrt(np.mean((ratio - 1.0) ** 2)))
        line += f" bias {100.0 * (ratio.mean() - 1.0):+6.1f} %  RMS {rms:5.1f} %"
        if np.isfinite(widths[known]).any():
            line += f"  cover {100.0 * np.mean(covered[known]):4.0f} %, width × {np.median(widths[known]):.2f}"
    print(line, flush=True)


def main(count: int, paths: list[Path]) -> None:
    """Measure music in so many rooms of each kind."""
    kinds: list[tuple[str, Callable[[int], Iterator[Room]]]] = [
        ("exponential noise", drawn),
        ("this engine's halls", halls),
        ("pyroomacoustics' boxes", boxes),
    ]
    kinds += [("measured", functools.partial(measured, paths))] if paths else []
    rooms = {name: list(kind(count)) for name, kind in kinds}
    for what, play in MUSIC.items():
        everything = []
        for name, kind_rooms in rooms.items():
            rows, others = [], []
            for seed, (_, response, truth) in enumerate(kind_rooms):
                dry = play(float(truth.mean()), 50000 + 100 * seed + len(what + name))
                wet = fftconvolve(dry, response)[: dry.size]
                wet /= np.std(wet)
                wet += 10.0 ** (-SNR_DB / 20.0) * np.random.default_rng(seed).standard_normal(wet.size)
                found = blind_decay(wet, RATE, OCTAVES)
                inside = (found.low_s <= truth) & (found.high_s >= truth)
                rows.append((found.T_s / truth, inside, found.high_s / found.low_s))
                if BlindRT60 is not None:
                    octaves = in_octaves(wet, RATE, OCTAVES)
                    # At its own default rate of 8 kHz: at 16 kHz its iterations take minutes an octave.
                    others.append([BlindRT60(max_itr=100)(x, RATE) for x in octaves] / truth)
            told(f"{what}, {name}", *(np.array(part) for part in zip(*rows, strict=True)))
            if others:
                told("  blind-rt60", np.array(others), np.zeros_like(others), np.full_like(others, np.nan))
            everything += rows
        for band, octave in enumerate(OCTAVES):
            told(f"{what}, {octave:g} Hz", *(np.array(part)[:, band] for part in zip(*everything, strict=True)))


if __name__ == "__main__":
    numbers = [int(argument) for argument in sys.argv[1:2]]
    main(*(numbers or [6]), [Path(argument) for argument in sys.argv[2:]])
