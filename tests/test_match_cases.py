"""Rooms in no catalogue, recorded with noise and matched by one hall: T and clarity against what was known before."""

from __future__ import annotations

from rooms import catalogue
from rooms.agreement import Target
from rooms.jnd import in_jnds
from rooms.matching import Candidate, fit_halls
from tests.benchmarks.drawn_rooms import RATE, Drawn, drawn_room, measured, recorded, with_noise
from tests.benchmarks.string_music import phrases

MIDDLE = slice(3, 5)
"""500 Hz and 1 kHz, for which just-noticeable differences are stated (ISO 3382-1, table A.1)."""

NEARER, FARTHER = 135, 40
"""Numbers of drawn rooms with short responses, the microphones at 5.3 m and at 6.8 m."""


def fitted(target: Target, room: Drawn) -> Candidate:
    """Return what a scoring stage of the catalogue becomes, the array's place with it."""
    halls = {"stage": catalogue.hall("scoring-stage-medium")}
    return fit_halls(target, halls, room.source[None], plan_scales=(1.0,))[0]


def T_off(candidate: Candidate, room: Drawn) -> float:
    """Return by how many just-noticeable differences its T is longer than the room's."""
    found, truth = (float(T_s[MIDDLE].mean()) for T_s in (candidate.predicted.T_s, room.T_s))
    return float(in_jnds("T_s", found, truth))


def test_a_recorded_response_is_matched_within_a_jnd_of_T_and_1p5_db_of_clarity() -> None:
    """Noise is 50 dB below the first 80 ms, in one microphone; truth is the expected energy at the two."""
    room = drawn_room(NEARER)
    found = fitted(measured(with_noise(room, 50.0, 1)[:1], "response"), room)
    assert abs(T_off(found, room)) < 1.0
    assert abs(float((found.predicted.C80_db - room.C80_db)[MIDDLE].mean())) < 1.5


def test_music_with_stops_in_a_room_by_an_independent_simulator_is_matched_within_2_jnds_of_T() -> None:
    """Images and rays of `pyroomacoustics`, truth by its own measure_rt60; four phrases, noise 40 dB below."""
    room = drawn_room(FARTHER, independent=True)
    dry = phrases(RATE, FARTHER, 4, 1.5, 0.6 * float(room.T_s[MIDDLE].mean()) + 0.4)
    found = fitted(measured(recorded(room, dry, 40.0, 1), "music"), room)
    assert abs(T_off(found, room)) < 2.0
