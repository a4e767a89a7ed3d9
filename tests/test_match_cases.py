"""Rooms in no catalogue, recorded with noise and matched by one hall: T and clarity against what was known before.

The rooms are the first numbers of `drawn_room` on which nothing was tuned, in their order, whatever came of them; the
benchmark has those below 100, more of them, and all halls to choose among.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from numpy.typing import NDArray

from rooms import catalogue
from rooms.agreement import Target
from rooms.jnd import in_jnds
from rooms.matching import Candidate, fit_halls
from tests.benchmarks.drawn_rooms import RATE, Drawn, drawn_room, measured, recorded, with_noise
from tests.benchmarks.string_music import phrases

MIDDLE = slice(3, 5)
"""500 Hz and 1 kHz, for which just-noticeable differences are stated (ISO 3382-1, table A.1)."""

RESPONSES, MUSIC = range(100, 108), range(100, 101)
"""Numbers of rooms: as many as half a minute of processor time allows."""


def fitted(target: Target, room: Drawn) -> Candidate:
    """Return what a scoring stage of the catalogue becomes, the array's place with it."""
    halls = {"stage": catalogue.hall("scoring-stage-medium")}
    return fit_halls(target, halls, room.source[None], plan_scales=(1.0,))[0]


def T_off(T_s: NDArray[np.float64], room: Drawn) -> float:
    """Return by how many just-noticeable differences a T is longer than the room's, both as means of the octaves."""
    return float(in_jnds("T_s", T_s[MIDDLE].mean(), room.T_s[MIDDLE].mean()))


@cache
def from_responses() -> NDArray[np.float64]:
    """Return how far T is off in JNDs and clarity in dB, of the fit and of its target, shape (4, rooms).

    Noise is 50 dB below the first 80 ms; odd rooms are recorded by two microphones, even ones by one. Truth is the
    expected energy at the two.
    """
    found = []
    for number in RESPONSES:
        room = drawn_room(number)
        target = measured(with_noise(room, 50.0, number)[: 1 + number % 2], "response")
        made = fitted(target, room).predicted
        clarity = ((of.C80_db - room.C80_db)[MIDDLE].mean() for of in (made, target))
        found.append([T_off(made.T_s, room), T_off(target.T_s, room), *clarity])
    return np.array(found).T


def test_recorded_responses_are_matched_within_a_jnd_of_T() -> None:
    """In every room: any hall can be made to ring as long. 48 of the benchmark's 50 are."""
    T, measured_T, _, _ = from_responses()
    assert np.abs(measured_T).max() < 1.0, measured_T
    assert np.abs(T).max() < 1.0, T


def test_recorded_responses_are_matched_within_1p5_db_of_clarity() -> None:
    """In seven rooms of eight: nine of ten are asked for of all halls, and one hall can't be as clear as every room.

    What is measured has it in all of them.
    """
    _, _, clarity, measured_clarity = from_responses()
    assert np.abs(measured_clarity).max() < 1.5, measured_clarity
    assert np.sum(np.abs(clarity) < 1.5) >= len(RESPONSES) - 1, clarity
    assert np.median(np.abs(clarity)) < 0.75, clarity


@pytest.mark.filterwarnings(
    "ignore:The number of rays:UserWarning"
)  # they take a while in large rooms, and that is all
def test_music_with_stops_in_rooms_by_an_independent_simulator_is_matched_within_2_jnds_of_T() -> None:
    """Images and rays of `pyroomacoustics`, truth by its own measure_rt60; four phrases, noise 40 dB below."""
    for number in MUSIC:
        room = drawn_room(number, independent=True)
        dry = phrases(RATE, number, 4, 1.5, 0.6 * float(room.T_s[MIDDLE].mean()) + 0.4)
        target = measured(recorded(room, dry, 40.0, number), "music")
        assert abs(T_off(fitted(target, room).predicted.T_s, room)) < 2.0, number
