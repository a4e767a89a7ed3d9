"""Colour: what the filters between octave bands and samples add of their own, measured in whole responses."""

from __future__ import annotations

import numpy as np
import pytest
import scipy.fft
from numpy.typing import NDArray

from rooms.echogram import STEP, grid_size
from rooms.late import _drawn, _generators, _turned, late_part
from rooms.microphones import Capsule
from rooms.noise import generator
from rooms.responses import Responses, compute_responses
from rooms.scene import Scene
from rooms.units import level_db
from tests.halls import ANECHOIC, hall, material, microphones, solo

RATES = [(44100, 0.45 * 44100), (48000, 20000.0), (96000, 20000.0)]
"""Sample rates in Hz, and to where they are flat."""


def level(samples: NDArray[np.floating], rate: int, frequency: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the level of a response at frequencies in Hz, in dB."""
    size = 1 << 18
    spectrum = np.abs(scipy.fft.rfft(samples.astype(np.float64), size))
    return level_db(np.interp(frequency, scipy.fft.rfftfreq(size, 1.0 / rate), spectrum))


@pytest.mark.parametrize(("rate", "upper"), RATES)
def test_bands_alike_are_flat_in_the_direct_sound_and_in_a_reflection(rate: int, upper: float) -> None:
    """Nine bands of one value through all filters to the samples: within 0.1 dB of 1/r, 40 Hz to 20 kHz.

    To 0.45 of the rate at 44.1 kHz. Direct sound alone, and the floor's reflection alone as the difference that a
    floor makes which returns a quarter of the energy.
    """
    source, ear = (1.0, 4.0, 1.5), (-2.0, -3.0, 2.5)
    frequency = np.geomspace(40.0, upper, 2000)
    black, grey = material(ANECHOIC), material(0.75)
    bare, floored = (
        compute_responses(
            Scene(
                hall(black, black, black, black, floor, black, size=(30.0, 40.0, 20.0)),
                (solo(source),),
                (microphones(Capsule("ear", ear)),),
                rate,
            )
        ).samples[0, 0]
        for floor in (black, grey)
    )
    direct, reflected = (np.hypot(np.hypot(3.0, 7.0), height) for height in (1.0, 4.0))
    for found, wanted in ((bare, 1.0 / direct), (floored[: len(bare)] - bare, 0.5 / reflected)):
        deviation = level(found, rate, frequency) - level_db(wanted)
        assert np.abs(deviation).max() < 0.1, (frequency[np.abs(deviation).argmax()], deviation)


@pytest.mark.parametrize(("rate", "upper"), RATES)
def test_bands_alike_leave_the_late_field_as_white_as_its_noise(rate: int, upper: float) -> None:
    """The same steady energy in all bands: each bin is its noise's within 0.1 dB, from 40 Hz up.

    Some two seconds, as long as a transform of the engine's, so that no filter is cut off at the end.
    """
    scene = Scene(hall(material(0.2)), (solo((0.0, 5.0, 1.2)),), (microphones(Capsule("ear", (0.0, 0.0, 3.0))),), rate)
    samples = scipy.fft.next_fast_len(2 * rate, real=True)
    sound = late_part(scene, np.ones((1, 1, 9, grid_size(2.1))), np.zeros((1, 1)), samples, smooth_from=3.0)[0, 0]
    frequency = scipy.fft.rfftfreq(samples, 1.0 / rate)
    waves = _drawn(_generators(scene, "late"), 1, len(frequency), scene.arrays[0])[0, 0]
    turned = _turned(scene, generator(scene.seed, "late ways"), 1, frequency)[0][0]
    noise = (waves * turned).sum(axis=0)
    chosen = (frequency >= 40.0) & (frequency <= upper)
    ratio = np.abs(scipy.fft.rfft(sound.astype(np.float64))) / np.abs(noise)
    deviation = level_db(ratio[chosen] / np.median(ratio[chosen]))
    assert np.abs(deviation).max() < 0.1


def test_frames_of_noise_are_as_flat_as_its_bands() -> None:
    """Third octaves 63 Hz to 16 kHz of a minute, across the split at 700 Hz: 0.1 dB and three standard deviations.

    A third octave of B Hz over t s holds B·t independent cells, so its level spreads by 4.34/√(B·t) dB.
    """
    rate, seconds = 48000, 60
    scene = Scene(hall(material(0.2)), (solo((0.0, 5.0, 1.2)),), (microphones(Capsule("ear", (0.0, 0.0, 3.0))),), rate)
    energy = np.ones((1, 1, 9, grid_size(seconds)))
    sound = late_part(scene, energy, np.zeros((1, 1)), seconds * rate, smooth_from=0.0)[0, 0]
    power = np.abs(scipy.fft.rfft(sound.astype(np.float64))) ** 2 / len(sound) * STEP * rate
    for middle in 1000.0 * 10.0 ** (0.1 * np.arange(-12, 13)):
        cells = slice(int(middle / 10**0.05 * seconds), int(middle * 10**0.05 * seconds))
        spread = 4.34 / np.sqrt(cells.stop - cells.start)
        assert abs(10.0 * np.log10(power[cells].mean())) < 0.1 + 3.0 * spread, middle


def test_responses_have_no_dc(small_responses: Responses) -> None:
    """At 0 Hz every response is 60 dB below its own mean over 40 to 80 Hz."""
    rate = small_responses.scene.sample_rate
    for samples in small_responses.samples.reshape(-1, small_responses.samples.shape[-1]):
        tones = level(samples, rate, np.linspace(40.0, 80.0, 400))
        assert level_db(samples.astype(np.float64).sum()) < 10.0 * np.log10(np.mean(10.0 ** (tones / 10.0))) - 60.0
