"""Reverberation time from music against known truth: python tests/benchmarks/bench_blind.py [ROOMS]

Strings made up note by note (`string_music`) in three kinds of rooms, 500 Hz to 2 kHz, with noise 40 dB below the
music: exponential noise of drawn T, whose truth is what was drawn; catalogue halls of this engine, with the T30 of the
expected energy of that source and capsule; boxes by pyroomacoustics' hybrid of image sources and rays, with the T30 it
measures of its own response, octave by octave. Twice: five phrases with stops as long as 30 dB of decay take, and
continuous music, phrases of 4 s with breaths of 0.5 s. Prints how many octaves were told, bias, RMS of the ratio
less one, how many 90 % intervals cover the truth and how wide they are; beside them the same of blind-rt60 (MIT, from
PyPI; Ratnam et al. 2003), if it is installed, on the same octaves.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator

import numpy as np
import pyroomacoustics as pra
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
        generator = np.random.default_rng(1000 + seed)
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
        generator = np.random.default_rng(2000 + seed)
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
        generator = np.random.default_rng(3000 + seed)
        size = generator.uniform((10.0, 15.0, 6.0), (24.0, 40.0, 14.0))
        material = pra.Material(float(generator.uniform(0.10, 0.35)), 0.4)
        box = pra.ShoeBox(size, fs=RATE, materials=material, max_order=3, ray_tracing=True, air_absorption=True)
        box.set_ray_tracing(n_rays=20000, receiver_radius=0.5)
        box.add_source((size * (0.45, 0.7, 0.0) + (0.0, 0.0, 1.2)).tolist())
        box.add_microphone((size * (0.55, 0.35, 0.0) + (0.0, 0.0, 2.5)).tolist())
        box.compute_rir()
        response = np.asarray(box.rir[0][0], dtype=np.float64)
        padded = np.pad(response, (RATE // 4, RATE // 2))
        octaves = in_octaves(padded, RATE, OCTAVES)
        start = RATE // 4 + int(np.argmax(np.abs(response)))
        truth = np.array([pra.experimental.measure_rt60(octave[start:], RATE, 30) for octave in octaves])
        yield "pyroomacoustics", response, truth


def music(T_s: float, seed: int, stops: bool) -> NDArray[np.float64]:
    """Return dry music that stops, or goes on."""
    if stops:
        return phrases(RATE, seed, 5, 2.5, 0.6 * T_s + 0.4)
    return phrases(RATE, seed, 8, 4.0, 0.5)


def told(text: str, ratios: list[float], asked: int, covered: list[bool], widths: list[float]) -> None:
    """Print a row."""
    ratio = np.array(ratios)
    interval = f"cover {100.0 * np.mean(covered):4.0f} %, width × {np.median(widths):.2f}" if covered else ""
    if ratio.size:
        rms = 100.0 * float(np.sqrt(np.mean((ratio - 1.0) ** 2)))
        print(f"{text:44} told {ratio.size:3d}/{asked:<3d} bias {100.0 * (ratio.mean() - 1.0):+6.1f} %", end=" ")
        print(f"RMS {rms:5.1f} %  {interval}", flush=True)
    else:
        print(f"{text:44} told   0/{asked}", flush=True)


def main(count: int) -> None:
    """Measure music in so many rooms of each kind."""
    for stops in (True, False):
        for kind in (drawn, halls, boxes):
            ratios, covered, widths, others, asked = [], [], [], [], 0
            for seed, (name, response, truth) in enumerate(kind(count)):
                dry = music(float(truth.mean()), 100 * (1 + seed) + len(name), stops)
                wet = fftconvolve(dry, response)[: dry.size]
                wet /= np.std(wet)
                wet += 10.0 ** (-SNR_DB / 20.0) * np.random.default_rng(seed).standard_normal(wet.size)
                found = blind_decay(wet, RATE, OCTAVES)
                known = np.isfinite(found.T_s)
                asked += truth.size
                ratios += (found.T_s / truth)[known].tolist()
                covered += ((found.low_s <= truth) & (found.high_s >= truth))[known].tolist()
                widths += (found.high_s / found.low_s)[known].tolist()
                if BlindRT60 is not None:
                    octaves = in_octaves(wet, RATE, OCTAVES)
                    others += [BlindRT60(fs=RATE)(x, RATE) / T for x, T in zip(octaves, truth, strict=True)]
            text = f"{'stops' if stops else 'continuous'}, {kind.__name__}"
            told(text, ratios, asked, covered, widths)
            if others:
                told("  blind-rt60", others, asked, [], [])


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 6)
