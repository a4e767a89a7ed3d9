"""Fitting a scene to what a recording says: rooms of no catalogue are matched, and a hall's own truth is found."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray

from render.match import Match, fitted_scene_text, match_scene, target_of
from render.measure import measure_file
from render.scene_file import SceneFile, build_scene
from rooms import catalogue
from rooms.decay import expected_T30, with_T30
from rooms.errors import InputError
from rooms.jnd import in_jnds
from rooms.matching import (
    Candidate,
    Predicted,
    Target,
    fit_halls,
    initial_gap_s,
    predict,
    residuals,
    scale_plan,
    unmatched,
)
from rooms.measures import from_echogram
from rooms.responses import Responses
from rooms.scene import Scene
from rooms.surfaces import Hall
from rooms.toml_reader import parse_toml, read_toml
from tests.halls import hall, material

SOURCES = np.array([(-4.0, 2.0, 1.2), (1.5, 3.5, 1.2), (4.0, 2.5, 0.8)])


def target_like(predicted: Predicted) -> Target:
    """Return measures as a target that is sure of them to a few per cent and half a decibel."""
    half = np.full(9, 0.5)
    return Target(
        predicted.T_s,
        predicted.T_s * 0.97,
        predicted.T_s * 1.03,
        predicted.EDT_s,
        predicted.C80_db,
        half,
        predicted.drr_db,
        half,
        predicted.initial_gap_s,
    )


def strange_room(seed: int) -> tuple[Hall, Predicted]:
    """Return a box of no catalogue and what is heard 2 to 6 m behind its conductor, with noise."""
    random = np.random.default_rng(seed)
    size = tuple(random.uniform((18.0, 26.0, 8.0), (26.0, 38.0, 13.0)).tolist())
    wall, floor = material(random.uniform(0.08, 0.2), 0.4), material(random.uniform(0.3, 0.6), 0.5)
    room = hall(wall, wall, wall, wall, floor, wall, size=size, still=False)
    place = np.array([[0.0, -random.uniform(2.0, 6.0), 3.2]])
    heard = predict(room, expected_T30(room), SOURCES, place)[0]
    noise = random.normal(0.0, 1.0, (2, 9))
    return room, Predicted(
        heard.T_s * 1.01 ** noise[0], heard.EDT_s, heard.C80_db + 0.3 * noise[1], heard.drr_db, heard.initial_gap_s
    )


@cache
def own_output() -> tuple[Candidate, Predicted]:
    """Return what is fitted to the scoring stage at a known place, and the truth, among three halls."""
    halls = {name: catalogue.hall(name) for name in ("recital-room", "scoring-stage", "stone-chapel")}
    stage = halls["scoring-stage"]
    truth = predict(stage, expected_T30(stage), SOURCES, np.array([[0.0, -4.0, 3.2]]))[0]
    return fit_halls(target_like(truth), halls, SOURCES, plan_scales=(1.0,))[0], truth


def test_a_fit_on_its_own_output_recovers_the_truth() -> None:
    """The hall by name, its array within half a metre, every measure within half a just-noticeable difference."""
    found, truth = own_output()
    assert found.name == "scoring-stage"
    assert found.distance == pytest.approx(4.0, abs=0.5)
    for misses in residuals(target_like(truth), found.predicted).values():
        assert np.abs(misses).max() < 0.5


def test_a_room_in_no_catalogue_is_matched_within_a_jnd_of_T_and_1p5_db_of_clarity() -> None:
    """The mean of 500 Hz and 1 kHz, as just-noticeable differences are stated (ISO 3382-1, table A.1)."""
    _, truth = strange_room(1)
    halls = {name: catalogue.hall(name) for name in ("scoring-stage", "recital-room")}
    best = fit_halls(target_like(truth), halls, SOURCES, plan_scales=(1.0, 1.12))[0]
    assert abs(np.mean(residuals(target_like(truth), best.predicted)["T_s"][3:5])) < 1.0
    assert abs(np.mean((best.predicted.C80_db - truth.C80_db)[3:5])) < 1.5


def test_what_is_predicted_is_what_responses_measure(small_scene: Scene, small_responses: Responses) -> None:
    """Within half a just-noticeable difference up to 4 kHz, three quarters at 8 kHz and one at 16 kHz.

    A prediction scatters from whole walls, responses from their quarters: that tells the more, the sooner air ends a
    decay. The direct sound of the ratio is by hand: 1/r² less what air takes on the way.
    """
    sources = np.array([section.centre for section in small_scene.sections])
    places = np.array([capsule.position for capsule in small_scene.arrays[0].capsules])
    allowed = np.array([0.5] * 7 + [0.75, 1.0])
    for n, predicted in enumerate(predict(small_scene.hall, small_responses.T30, sources, places)):
        energy = small_responses.omni_energy[:, n]
        arrivals = small_responses.omni_arrivals[:, n].tolist()
        heard = [from_echogram(e, small_responses.bin_s, a) for e, a in zip(energy, arrivals, strict=True)]
        r = np.linalg.norm(sources - places[n], axis=1)[:, None]
        direct = np.exp(-small_scene.hall.air * r) / r**2
        ratio = np.mean(10.0 * np.log10(direct / (energy.sum(axis=2) - direct)), axis=0)
        early, clarity = (np.mean([getattr(m, name) for m in heard], axis=0) for name in ("EDT_s", "C80_db"))
        assert (np.abs(in_jnds("EDT_s", predicted.EDT_s, early)) < allowed).all()
        assert (np.abs(in_jnds("C80_db", predicted.C80_db, clarity)) < allowed).all()
        np.testing.assert_allclose(predicted.drr_db, ratio, atol=0.5)


def test_a_refined_array_stays_half_a_metre_behind_the_conductor_and_above_the_players() -> None:
    """A dry, very clear recording draws it as near as may be, and no nearer."""
    unknown, clear, sure = np.full(9, np.nan), np.full(9, 30.0), np.full(9, 0.5)
    times = expected_T30(catalogue.hall("recital-room"))
    target = Target(times, times, times, unknown, clear, sure, clear, sure)
    found = fit_halls(target, {"recital-room": catalogue.hall("recital-room")}, SOURCES, plan_scales=(1.0,))[0]
    assert found.distance >= 0.5
    assert found.height >= 2.2


def test_the_initial_gap_is_that_of_the_nearest_mirror_image() -> None:
    """By hand, the floor 1.5 m below both at 4 m distance: √(4² + 3²) − 4 = 1 m."""
    wall = material(0.1, 0.3)
    room = hall(wall, wall, wall, wall, wall, wall, size=(40.0, 40.0, 20.0))
    floor = float(room.box.lower[2])
    gap = initial_gap_s(room, np.array([0.0, 0.0, floor + 1.5]), np.array([[0.0, -4.0, floor + 1.5]]))
    np.testing.assert_allclose(gap, 1.0 / room.speed_of_sound, rtol=1e-9)


def test_a_scaled_plan_keeps_height_and_share_of_its_patches() -> None:
    """Areas on the floor go with the square of the factor."""
    stage = catalogue.hall("scoring-stage")
    larger = scale_plan(stage, 1.25)
    np.testing.assert_allclose(larger.box.size, np.array(stage.box.size) * (1.25, 1.25, 1.0), rtol=1e-12)
    assert larger.patches[0].area == pytest.approx(1.25**2 * stage.patches[0].area, rel=1e-12)


def target_with_times(times: NDArray[np.float64]) -> Target:
    """Return a target that tells reverberation times alone."""
    unknown = np.full(9, np.nan)
    return Target(times, times, times, unknown, unknown, unknown, unknown, unknown)


def test_what_air_alone_forbids_is_said() -> None:
    """At 16 kHz air at 20 °C and 50 % takes some 0.25 dB/m (ISO 9613-1): no hall rings 3 s there."""
    found, _ = own_output()
    lines = unmatched(target_with_times(np.array([np.nan] * 8 + [3.0])), found)
    assert len(lines) == 1
    assert "16000 Hz" in lines[0]
    assert "air alone" in lines[0]


def test_a_target_without_any_reverberation_time_is_refused() -> None:
    """There is nothing to fit a hall to; the line says what to record."""
    with pytest.raises(InputError, match="ten seconds with a stop, or a clap"):
        target_with_times(np.full(9, np.nan))


@cache
def demo() -> SceneFile:
    """Return the bundled demo's scene."""
    return build_scene(read_toml(catalogue.demo()))


@pytest.mark.parametrize("scale", [1.0, 1.12])
def test_a_fitted_scene_reads_back_with_its_hall_its_place_and_its_seats(scale: float) -> None:
    """Its T30 is in the hall's reach, and every player sits where they sat."""
    room = scale_plan(catalogue.hall("scoring-stage"), scale)
    times = expected_T30(room)
    heard = predict(room, times, SOURCES, np.array([[0.0, -3.0, 3.5]]))[0]
    candidate = Candidate("scoring-stage", scale, room, 3.0, 3.5, heard, 0.5)
    text = fitted_scene_text(Match(target_like(heard), demo(), (candidate,)), candidate)
    read = build_scene(parse_toml(demo().path, text))
    np.testing.assert_allclose(read.hall.box.size, room.box.size, atol=1e-3)
    assert read.arrays[0].positions.mean(axis=0)[1] == pytest.approx(-3.0 + 1.0 / 3.0, abs=0.01)
    assert [s.players for s in read.sections] == [s.players for s in demo().sections]
    assert [len(cue.stems) for cue in read.cues] == [len(cue.stems) for cue in demo().cues]
    assert read.asked_T30 is not None
    np.testing.assert_allclose(expected_T30(with_T30(read.hall, read.asked_T30)), times, rtol=0.02)


def test_a_measured_response_becomes_a_target_of_its_decay(tmp_path: Path) -> None:
    """Noise that falls 60 dB in 1.2 s; one realisation scatters by some 3 % at 1 kHz (design: 0.55/√(BT))."""
    rate = 16000
    time = np.arange(2 * rate) / rate
    decay = np.random.default_rng(5).normal(size=time.size) * 10.0 ** (-3.0 * time / 1.2)
    soundfile.write(tmp_path / "clap.wav", np.concatenate([[8.0], decay]) / 10.0, rate, subtype="FLOAT")
    target = target_of(measure_file(tmp_path / "clap.wav", kind="response"))
    assert target.T_s[4] == pytest.approx(1.2, rel=0.08)
    assert target.T_low_s[4] < target.T_s[4] < target.T_high_s[4]


def test_an_unknown_hall_is_refused_by_name() -> None:
    """With the nearest name there is."""
    with pytest.raises(InputError, match="scoring-stage"):
        match_scene(target_with_times(np.full(9, 1.5)), demo(), ["scorin-stage"])
