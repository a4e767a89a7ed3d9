"""Level against distance: where direct and reverberant sound are equally strong, and what a cardioid changes there."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import brentq

from rooms.echogram import Radiators, grid_size, omni, sphere
from rooms.microphones import random_energy_efficiency
from rooms.scattering import scattered_energy
from rooms.specular import specular_energy
from rooms.theory import eyring_s
from tests.halls import hall, material


@pytest.mark.parametrize("pressure_part", [1.0, 0.5], ids=["omni", "cardioid"])
def test_direct_and_reverberant_sound_are_equal_at_the_critical_distance(pressure_part: float) -> None:
    """Mean over some ten places around a source within 1 dB of 0, capsules looking at it; omnis, then cardioids.

    1/r² against 312·T/V·e^(−0.04·r/T) times the pattern's random energy efficiency: Eyring's T and the exponential of
    Barron & Lee, J. Acoust. Soc. Am. 84, 618 (1988), from memory; 1 dB is what can just be heard of G (ISO 3382-1:2009,
    A.1). In 14,080 m³ with T = 2.7 s that is at 4.2 m for omnis and at 7.5 m for cardioids.
    """
    room = hall(material(0.2, 1.0))
    volume, surface = room.box.volume, float(room.box.areas.sum())
    T = float(eyring_s(volume, surface, 0.2, 0.0, room.speed_of_sound))
    heard = random_energy_efficiency(pressure_part)

    def reverberant(r: float) -> float:
        return heard * 312.0 * T / volume * float(np.exp(-0.04 * r / T))

    critical = brentq(lambda r: r**-2.0 - reverberant(r), 1.0, 15.0)
    source = np.array([0.5, 1.0, 8.0])
    ears = [
        Radiators((source + critical * way)[None], -way[None], np.zeros(9), pressure_part=pressure_part)
        for way in sphere(24)
        if abs(way[2]) < 0.5
    ]
    assert np.all(room.box.inside([ear.points[0] for ear in ears], margin=1.0))
    party, grid = [([omni(source)], ears)], grid_size(1.5 * T)
    energy = scattered_energy(room, party, grid)[0] + specular_energy(room, party, 0.25, grid)[0]
    whole = energy[0, :, 4].sum(axis=1)
    ratio = critical**-2.0 / (whole - critical**-2.0)
    assert np.mean(10.0 * np.log10(ratio)) == pytest.approx(0.0, abs=1.0)
