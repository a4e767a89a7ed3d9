"""Music as a string section plays it, made up note by note: harmonic, never in unison, with short releases."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

VOICES = ((48, 60), (55, 67), (62, 74), (69, 84))
"""MIDI notes between which each of four voices moves."""

SCALE = (0, 2, 3, 5, 7, 8, 10)
"""Natural minor, in semitones."""

PLAYERS = 4
"""In a voice."""


def note(
    midi: int, length_s: float, release_s: float, rate: int, generator: np.random.Generator
) -> NDArray[np.float64]:
    """Return a note of one voice: several players a few cents apart, each with a vibrato of their own.

    Release is how long it takes to fall by 60 dB after it ends.
    """
    time = np.arange(round((length_s + release_s) * rate)) / rate
    level = np.minimum(time / 0.06, 1.0) * 10.0 ** (-3.0 * np.maximum(time - length_s, 0.0) / release_s)
    total = np.zeros(time.size)
    for _ in range(PLAYERS):
        pitch = 440.0 * 2.0 ** ((midi - 69) / 12.0 + generator.normal(0.0, 8.0) / 1200.0)
        turn = 2.0 * np.pi * (generator.uniform(4.8, 6.2) * time + generator.uniform())
        depth = generator.uniform(8.0, 18.0) / 1200.0 * np.log(2.0)
        wander = np.cumsum(generator.standard_normal(time.size)) * 0.02 / np.sqrt(rate)
        phase = 2.0 * np.pi * np.cumsum(pitch * (1.0 + depth * np.sin(turn))) / rate + wander
        partials = np.arange(1, max(2, int(0.45 * rate / pitch)))
        # Bowed strings fall by 6 dB an octave, and by more above 2 kHz (common practice, no source).
        weight = 1.0 / partials / np.hypot(1.0, partials * pitch / 2500.0)
        weight *= 10.0 ** (generator.normal(0.0, 3.0, partials.size) / 20.0)  # the body's resonances
        turns = generator.uniform(0.0, 2.0 * np.pi, partials.size)
        for k, (partial, gain) in enumerate(zip(partials.tolist(), weight.tolist(), strict=True)):
            if gain > 0.003:
                total += gain * np.sin(partial * phase + turns[k])
    return np.asarray(level * total)


def phrases(
    rate: int, seed: int, count: int, phrase_s: float, rest_s: float, *, together: bool = True
) -> NDArray[np.float64]:
    """Return phrases with a rest after each.

    Parameters
    ----------
    rate : int
        Hz.
    seed : int
        Of all that is drawn.
    count : int
        Phrases.
    phrase_s, rest_s : float
        How long each lasts, and the rest after it, in seconds.
    together : bool
        Whether all voices stop for the rests; else each rests when it likes, for half a second, on average as often.
    """
    generator = np.random.default_rng(seed)
    samples = np.zeros(round(rate * (count * (phrase_s + rest_s) + 0.5)))
    whole = count * (phrase_s + rest_s)
    for low, high in VOICES:
        allowed = [n for n in range(low, high + 1) if (n - 2) % 12 in SCALE]
        place = int(generator.integers(len(allowed)))
        time, end = 0.0, phrase_s
        while time < whole - 0.3:
            length = float(generator.choice([0.3, 0.45, 0.6, 0.9, 1.2]))
            rest = 0.0
            if together and time + length > end - 0.3:
                length, rest, end = end - time, rest_s, end + phrase_s + rest_s
            elif not together:
                rest = 0.5 * float(generator.uniform() < length / phrase_s)
            length = min(length, whole - time)
            place = int(np.clip(place + generator.integers(-2, 3), 0, len(allowed) - 1))
            sound = note(allowed[place], length, generator.uniform(0.05, 0.15), rate, generator)
            start = round(time * rate)
            sound = sound[: samples.size - start]
            samples[start : start + sound.size] += 10.0 ** (generator.normal(0.0, 2.0) / 20.0) * sound
            time += length + rest
    return samples / np.max(np.abs(samples))
