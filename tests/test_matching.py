"""Fitting a scene to what a recording says: a hall's own truth is found, and what cannot be matched is said."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import cache
from itertools import product
from pathlib import Path

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray

from render.match import Match, fitted_scene_text, match_scene, target_of
from render.match_words import plain_sentences, unmatched
from render.measure import measure_file
from render.scene_file import SceneFile, build_scene
from rooms import catalogue, matching
from rooms.adapting import downstage, scale_plan
from rooms.agreement import Target, residuals
from rooms.decay import expected_T30, with_T30
from rooms.echogram import Radiators, omni
from rooms.errors import InputError
from rooms.jnd import in_jnds
from rooms.matching import Candidate, fit_halls
from rooms.measures import from_echogram
from rooms.microphones import Array, Capsule
from rooms.mixed_arrays import BARE, Mixed, direct_sound
from rooms.octaves import in_octaves
from rooms.predicting import Outlook, Predicted, by_engine, initial_gap_s, one
from rooms.responses import Responses, compute_responses
from rooms.scattering import FACETS
from rooms.scene import Scene
from rooms.surfaces import Hall
from rooms.toml_reader import parse_toml, read_toml
from rooms.units import BANDS
from tests.halls import hall, material, microphones, solo

AIR = (20.0, 50.0)
EAR = Capsule("omni", (0.0, -5.0, 3.0))
SOURCES = np.array([(-3.0, 2.0, 1.2), (1.5, 3.0, 1.2), (3.0, 2.0, 0.8)])
ROOMS = {"long": (12.0, 24.0, 8.0), "wide": (18.0, 20.0, 8.0), "high": (13.0, 18.0, 13.0)}
"""m; halls that ring for half a second, so that they are soon told."""


def room(size: tuple[float, float, float], absorption: float = 0.35) -> Hall:
    """Return a box with an absorbing floor, the conductor 7 m from its stage's wall."""
    wall, floor = material(absorption, 0.4), material(min(1.6 * absorption, 0.95), 0.5)
    return hall(wall, wall, wall, wall, floor, wall, size=size, conductor=(size[0] / 2.0, 7.0), still=False)


def heard(
    of: Hall,
    times: NDArray[np.float64],
    places: NDArray[np.float64],
    sources: NDArray[np.float64] = SOURCES,
    arrays: Sequence[Mixed] = (BARE,),
) -> list[Predicted]:
    """Return what is heard at places of the main array."""
    outlook = by_engine(of, times, [omni(p) for p in sources], places, arrays, cuts=FACETS)
    no_gain = np.zeros((1, len(arrays)))
    every = outlook.measures(no_gain, np.ones(1))
    return [one(every, (0, 0, n), outlook.early_decay_s(no_gain[0], n)) for n in range(len(places))]


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
        float(predicted.initial_gap_s),
    )


@cache
def own_output() -> tuple[Candidate, Predicted]:
    """Return what is fitted to one of three halls at a known place, and the truth."""
    halls = {name: room(size) for name, size in ROOMS.items()}
    truth = heard(halls["wide"], expected_T30(halls["wide"]), np.array([[0.0, -4.0, 3.2]]))[0]
    return fit_halls(target_like(truth), halls, SOURCES, plan_scales=(1.0,))[0], truth


def test_a_fit_on_its_own_output_recovers_the_truth() -> None:
    """The hall by name, its array within half a metre, every measure within half a just-noticeable difference."""
    found, truth = own_output()
    assert found.name == "wide"
    assert found.distance == pytest.approx(4.0, abs=0.5)
    known = [np.abs(m[np.isfinite(m)]) for m in residuals(target_like(truth), found.predicted).values()]
    assert sum(len(misses) for misses in known) == 5 * 9 + 1
    assert max(misses.max(initial=0.0) for misses in known) < 0.5


def test_what_is_predicted_is_what_responses_measure(small_scene: Scene, small_responses: Responses) -> None:
    """Within a tenth of a just-noticeable difference; the ratio's direct sound is by hand: 1/r² less air."""
    sources = np.array([section.centre for section in small_scene.sections])
    places = np.array([capsule.position for capsule in small_scene.arrays[0].capsules])
    for n, predicted in enumerate(heard(small_scene.hall, small_responses.T30, places, sources)):
        energy = small_responses.omni_energy[:, n]
        arrivals = small_responses.omni_arrivals[:, n].tolist()
        measured = [from_echogram(e, small_responses.bin_s, a) for e, a in zip(energy, arrivals, strict=True)]
        early, clarity = (np.mean([getattr(m, name) for m in measured], axis=0) for name in ("EDT_s", "C80_db"))
        assert np.abs(in_jnds("EDT_s", predicted.EDT_s, early)).max() < 0.1
        assert np.abs(in_jnds("C80_db", predicted.C80_db, clarity)).max() < 0.1


def test_a_player_aims_at_the_array_and_not_at_its_image_in_the_floor() -> None:
    """By hand, 1 m above the floor at 4 m: the image is √(4² + 2²) m away and 27° below the axis.

    The floor is the one surface near enough to be taken with the direct sound; a beam of κ = 4 is weaker
    there by exp(4·(cos 27° − 1)), and what is reflected is more than that reflection alone.
    """
    floor, far = material(0.2), material(0.3, 0.3)
    box = hall(far, far, far, far, floor, far, size=(40.0, 40.0, 20.0))
    player = replace(omni(np.array([0.0, 2.0, 1.0])), axes=np.array([[0.0, -1.0, 0.0]]), kappa=np.full(9, 4.0))
    part = by_engine(box, np.full(9, 3.0), [player], np.array([[0.0, -2.0, 1.0]])).parts[0]
    image = 0.8 * np.exp(4.0 * (4.0 / np.sqrt(20.0) - 1.0)) / 20.0
    np.testing.assert_allclose(part.prompt[0, 0], image, rtol=1e-9)
    assert (part.early[0, 0] > part.prompt[0, 0]).all()


@pytest.mark.parametrize("place", [(6.0, 4.2), (1.5, 2.6)])
def test_a_recording_that_tells_nothing_of_distance_leaves_the_array_where_it_is(place: tuple[float, float]) -> None:
    """Decays alone are known, which are a hall's everywhere in it; to the step of the places tried, a fifth."""
    unknown = np.full(9, np.nan)
    times = np.full(9, 0.6)
    target = Target(times, 0.97 * times, 1.03 * times, *[unknown] * 5)
    found = fit_halls(target, {"long": room(ROOMS["long"])}, SOURCES, plan_scales=(1.0,), place=place)[0]
    assert (found.distance, found.height) == pytest.approx(place, rel=0.2)


def test_a_hall_that_the_closed_form_thinks_least_of_is_heard_by_the_engine(monkeypatch: pytest.MonkeyPatch) -> None:
    """Its ranks turned round and one finalist left, the truth's hall is found all the same."""
    ranked = matching._ranked
    monkeypatch.setattr(matching, "_ranked", lambda *of: [(-off, name, scale) for off, name, scale in ranked(*of)])
    monkeypatch.setattr(matching, "FINALISTS", 1)
    halls = {name: room(size) for name, size in ROOMS.items()}
    (found,) = fit_halls(target_like(own_output()[1]), halls, SOURCES, plan_scales=(1.0,))
    assert found.name == "wide"


def test_a_refined_array_stays_half_a_metre_behind_the_conductor_and_above_the_players() -> None:
    """A dry, very clear recording draws it as near as may be, and no nearer."""
    unknown, clear, sure = np.full(9, np.nan), np.full(9, 30.0), np.full(9, 0.5)
    long = room(ROOMS["long"])
    times = expected_T30(long)
    target = Target(times, times, times, unknown, clear, sure, clear, sure)
    found = fit_halls(target, {"long": long}, SOURCES, plan_scales=(1.0,))[0]
    assert found.distance >= 0.5
    assert found.height >= 2.2


def test_the_initial_gap_is_that_of_the_nearest_mirror_image() -> None:
    """By hand, the floor 1.5 m below both at 4 m distance: √(4² + 3²) − 4 = 1 m."""
    wall = material(0.1, 0.3)
    box = hall(wall, wall, wall, wall, wall, wall, size=(40.0, 40.0, 20.0))
    floor = float(box.box.lower[2])
    gap = initial_gap_s(box, np.array([0.0, 0.0, floor + 1.5]), np.array([[0.0, -4.0, floor + 1.5]]))
    np.testing.assert_allclose(gap, 1.0 / box.speed_of_sound, rtol=1e-9)


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


@pytest.mark.parametrize(("scale", "moved"), [(1.0, 0.0), (1.12, -2.0)])
def test_a_fitted_scene_reads_back_with_its_hall_its_balance_and_its_seats(scale: float, moved: float) -> None:
    """Its T30 is in the hall's reach, outriggers hang beside the main array, and every player sits where they sat."""
    stage = downstage(scale_plan(catalogue.hall("scoring-stage"), scale), moved)
    times, unknown = expected_T30(stage), np.full(9, np.nan)
    predicted = Predicted(times, unknown, unknown, unknown, 0.01)
    candidate = Candidate("scoring-stage", scale, stage, 3.0, 3.5, predicted, 0.5, 6.0, -3.0, 1.4, moved)
    text = fitted_scene_text(Match(target_with_times(times), demo(), (candidate,)), candidate)
    read = build_scene(parse_toml(demo().path, text))
    np.testing.assert_allclose(read.hall.box.size, stage.box.size, atol=1e-3)
    assert read.arrays[0].positions.mean(axis=0)[1] == pytest.approx(-3.0 + 1.0 / 3.0, abs=0.01)
    assert read.hall.box.lower[1] == pytest.approx(stage.box.lower[1], abs=2e-3)
    np.testing.assert_allclose(read.hall.bounds, stage.bounds, atol=3e-3)
    assert read.arrays[1].positions.mean(axis=0)[1:] == pytest.approx([-3.0, 3.5], abs=0.01)
    buses = read.buses
    assert [buses[name].balance for name in ("main", "spots", "ambience")] == [0.0, 6.0, -3.0]
    assert buses["main"].width == 1.4
    lines = text.splitlines()
    fitted = ["T30", "position", "width", "spot", "ambience", "gain", "offset"]
    for key in [*fitted, *(["size", "conductor", "patches"] if moved else [])]:
        where = [n for n, line in enumerate(lines) if line.startswith(f"{key} = ")]
        assert where
        assert all(lines[n - 1].startswith("# ") for n in where)
    assert [s.players for s in read.sections] == [s.players for s in demo().sections]
    assert [len(cue.stems) for cue in read.cues] == [len(cue.stems) for cue in demo().cues]
    assert read.asked_T30 is not None
    np.testing.assert_allclose(expected_T30(with_T30(read.hall, read.asked_T30)), times, rtol=0.02)


def test_what_a_fit_leaves_as_it_was_has_no_comment(tmp_path: Path) -> None:
    """The scene's own hall with a size, its array's width and its balance, none of which the fit changes."""
    path = tmp_path / "scene.toml"
    text = catalogue.demo().read_text(encoding="utf-8")
    text = text.replace("[seating]", "size = [24.0, 32.0, 11.0]\nconductor = [12.0, 9.0]\n\n[seating]")
    text = text.replace("[arrays.outriggers]", "width = 1.2\n\n[arrays.outriggers]")
    path.write_text(text + "\n[mix.balance]\nspot = 3.0\n", encoding="utf-8")
    scene = build_scene(read_toml(path))
    unknown = np.full(9, np.nan)
    times = expected_T30(scene.hall)
    candidate = Candidate("", 1.0, scene.hall, 3.0, 3.5, Predicted(times, unknown, unknown, unknown, 0.01), 0.5)
    lines = fitted_scene_text(Match(target_with_times(times), scene, (candidate,)), candidate).splitlines()
    for key, changed in {"size": False, "conductor": False, "width": False, "spot": False, "T30": True}.items():
        (where,) = (n for n, line in enumerate(lines) if line.startswith(f"{key} = "))
        assert lines[where - 1].startswith("# ") == changed, key


def test_a_measured_response_becomes_a_target_of_its_decay(tmp_path: Path) -> None:
    """Noise that falls 60 dB in 1.2 s; one realisation scatters by some 3 % at 1 kHz (design: 0.55/√(BT))."""
    rate = 16000
    time = np.arange(2 * rate) / rate
    decay = np.random.default_rng(5).normal(size=time.size) * 10.0 ** (-3.0 * time / 1.2)
    soundfile.write(tmp_path / "clap.wav", np.concatenate([[8.0], decay]) / 10.0, rate, subtype="FLOAT")
    target = target_of(measure_file(tmp_path / "clap.wav", kind="response"), *AIR)
    assert target.T_s[4] == pytest.approx(1.2, rel=0.08)
    assert target.T_low_s[4] < target.T_s[4] < target.T_high_s[4]


def test_a_halls_own_response_asks_for_the_halls_own_times(tmp_path: Path) -> None:
    """From 500 Hz to 8 kHz to 5 %, a microphone's scatter; as it was read, 8 kHz would ask for a twelfth more."""
    walls = room((16.0, 24.0, 10.0), 0.2)
    responses = compute_responses(Scene(walls, (solo((1.0, 2.0, 1.2)),), (microphones(EAR),), 48000))
    soundfile.write(tmp_path / "clap.wav", responses.samples[0, 0], 48000, subtype="FLOAT")
    found = measure_file(tmp_path / "clap.wav", kind="response")
    target = target_of(found, *AIR)
    np.testing.assert_allclose(target.T_s[3:8], expected_T30(walls)[3:8], rtol=0.05)
    assert found.T_s[7] > 1.08 * expected_T30(walls)[7]


def test_an_unknown_hall_is_refused_by_name() -> None:
    """With the nearest name there is."""
    with pytest.raises(InputError, match="scoring-stage"):
        match_scene(target_with_times(np.full(9, 1.5)), demo(), ["scorin-stage"])


@cache
def pair_and_spot(pattern: str = "cardioid") -> tuple[Scene, Responses]:
    """Return a seated scene of a wide pair and a spot in a small room, and its responses."""
    pair = microphones(
        Capsule("left", (-1.0, -2.0, 3.0), (-30.0, 0.0), pattern, stereo=(1.0, 0.0)),
        Capsule("right", (1.0, -2.0, 3.0), (30.0, 0.0), pattern, stereo=(0.0, 1.0)),
    )
    spot = Array("spots", "spot", (Capsule("solo", (1.2, 1.2, 2.2), (0.0, -50.0), pattern, stereo=(0.6, 0.8)),))
    sections = (solo((1.5, 2.0, 1.2)), solo((-2.0, 2.5, 1.2), "other"))
    scene = Scene(room((10.0, 15.0, 8.0), 0.25), sections, (pair, spot), 16000, seed=3)
    return scene, compute_responses(scene)


@cache
def mix_predicted(pattern: str = "cardioid") -> Outlook:
    """Return the outlook of that scene's mix, the pair in its place."""
    scene, responses = pair_and_spot(pattern)
    sources = [omni(section.centre) for section in scene.sections]
    return by_engine(scene.hall, responses.T30, sources, MIDDLE[None], mix_arrays(pattern), cuts=FACETS)


MIDDLE = np.array([0.0, -2.0, 3.0])
"""m; the place of that pair."""


@cache
def mix_arrays(pattern: str = "cardioid") -> tuple[Mixed, ...]:
    """Return the arrays of that scene as they are mixed, the pair about its place."""
    scene, _ = pair_and_spot(pattern)
    laws = [np.array([capsule.stereo for capsule in array.capsules]).T for array in scene.arrays]
    about = replace(
        scene.arrays[0],
        capsules=tuple(
            replace(c, position=tuple((np.array(c.position) - MIDDLE).tolist())) for c in scene.arrays[0].capsules
        ),
    )
    return Mixed(about, laws[0]), Mixed(scene.arrays[1], laws[1])


@pytest.mark.parametrize("spot_db", [0.0, 6.0])
@pytest.mark.parametrize(("pattern", "allowed_db"), [("omni", 0.1), ("cardioid", 1.0)])
def test_clarity_of_a_mix_is_that_of_its_responses(pattern: str, allowed_db: float, spot_db: float) -> None:
    """Energies of all microphones added: within a tenth of a decibel of omnis, and a just-noticeable one of cardioids.

    An array's reflections are told at its middle, and as if they came from all around: of cardioids that face the
    players it says 0.9 dB less at most than they hear, for early reflections come from there.
    """
    _, responses = pair_and_spot(pattern)
    gains = np.array([1.0, 1.0, 10.0 ** (spot_db / 10.0)])
    energy = np.einsum("scbt,c->sbt", responses.energy, gains)
    clear = [
        from_echogram(e, responses.bin_s, float(arrival)).C80_db
        for e, arrival in zip(energy, responses.arrivals.min(axis=1), strict=True)
    ]
    predicted = mix_predicted(pattern).measures(np.array([[0.0, spot_db]]), np.ones(1)).C80_db[0, 0, 0]
    assert np.abs(predicted - np.mean(clear, axis=0)).max() < allowed_db


@pytest.mark.parametrize("width", [0.5, 1.0, 2.0])
def test_the_width_of_a_pair_is_that_of_its_responses(width: float) -> None:
    """Both sections sound equally loud: octaves of the pair's own samples correlate so within a tenth."""
    _, responses = pair_and_spot()
    left, right = (responses.samples[:, n].astype(np.float64) for n in (0, 1))
    middle, side = left + right, width * (left - right)
    octaves = [in_octaves(of, 16000, BANDS[:7]) for of in (middle + side, middle - side)]
    products = [(a * b).sum(axis=(1, 2)) for a, b in product(octaves, octaves)]
    correlation = products[1] / np.sqrt(products[0] * products[3])
    predicted = mix_predicted().measures(np.array([[0.0, -100.0]]), np.array([width])).correlation[0, 0, 0]
    assert np.abs(predicted[2:7] - correlation[2:7]).max() < 0.1


def test_a_hall_that_cannot_be_fitted_is_left_out_and_named(monkeypatch: pytest.MonkeyPatch) -> None:
    """One whose reverberation time can't be told ends no search, but where it is alone; the others are fitted."""
    bare, seats = room((6.0, 9.0, 4.0)), np.array([(0.0, 1.0, 1.2)])

    def times(of: Hall) -> NDArray[np.float64]:
        if of.box.size[0] == 6.0:
            raise InputError("hall 'bare' rings longer than 20 s")
        return expected_T30(of)

    monkeypatch.setattr(matching, "expected_T30", times)
    told: dict[str, str] = {}
    target = target_with_times(np.full(9, 0.6))
    halls = {"bare": bare, "long": room(ROOMS["long"])}
    found = fit_halls(target, halls, seats, plan_scales=(1.0,), refused=told.__setitem__)
    assert [candidate.name for candidate in found] == ["long"]
    assert told == {"bare": "hall 'bare' rings longer than 20 s"}
    with pytest.raises(InputError, match="rings longer than 20 s"):
        fit_halls(target, {"bare": bare}, seats, plan_scales=(1.0,))


def test_a_recording_that_rings_longer_than_any_hall_is_refused() -> None:
    """Forty seconds in every octave is one line; in one octave alone it is told why it isn't matched."""
    with pytest.raises(InputError, match="rings 40 s and more in every band; allowed: up to 20 s"):
        target_with_times(np.full(9, 40.0))
    found, _ = own_output()
    lines = unmatched(target_with_times(np.append(40.0, found.predicted.T_s[1:])), found)
    assert len(lines) == 1
    assert "no hall here rings longer than 20 s" in lines[0]


def test_a_hall_is_named_whose_absorption_needs_least_change() -> None:
    """Two halls of one shape, asked for the decay that one of them has: it is that one."""
    own, other = room(ROOMS["long"], 0.35), room(ROOMS["long"], 0.15)
    times = expected_T30(own)
    halls = {"other": other, "own": own}
    found = fit_halls(target_with_times(times), halls, SOURCES, plan_scales=(1.0,))
    assert [candidate.name for candidate in found] == ["own", "other"]
    assert found[1].cost - found[0].cost > 0.2  # 0.3 an octave of absorption; it has 1.2


def test_a_hall_of_another_size_is_found_by_its_size() -> None:
    """The truth is a quarter wider and deeper than the hall that is adapted."""
    own = room(ROOMS["long"])
    large = scale_plan(own, 1.25)
    truth = heard(large, expected_T30(large), np.array([[0.0, -4.0, 3.2]]))[0]
    found = fit_halls(target_like(truth), {"own": own}, SOURCES, plan_scales=(1.0, 1.25))[0]
    assert found.plan_scale == 1.25


def test_every_player_has_room_in_a_hall() -> None:
    """A section whose middle is inside and whose last desk isn't has none."""
    wide = Radiators(np.array([(0.0, 2.0, 1.2), (6.5, 2.0, 1.2)]), np.array([(0.0, -1.0, 0.0)] * 2), np.zeros(9))
    with pytest.raises(InputError, match="no hall has room for the sections"):
        fit_halls(target_with_times(np.full(9, 0.6)), {"long": room(ROOMS["long"])}, [wide], plan_scales=(1.0,))


def test_the_direct_sound_of_a_section_is_its_players_mean() -> None:
    """By hand: 1/r² at 1 and 3 m from the capsule, air that takes nothing; the null of a figure-of-eight stays one."""
    still = hall(material(0.3), size=(20.0, 20.0, 10.0))
    two = Radiators(np.array([(1.0, 0.0, 2.0), (3.0, 0.0, 2.0)]), np.array([(0.0, 0.0, 1.0)] * 2), np.zeros(9))
    capsules = (Capsule("omni", (0.0, 0.0, 0.0)), Capsule("eight", (0.0, 0.0, 0.0), (0.0, 0.0), "figure-of-eight"))
    pressure, r = direct_sound(still, [two], Array("main", "main", capsules), np.array([[(0.0, 0.0, 2.0)] * 2]))
    np.testing.assert_allclose(pressure[0, 0, 0] ** 2, (1.0 + 1.0 / 9.0) / 2.0, rtol=1e-12)
    np.testing.assert_allclose(pressure[0, 0, 1], 0.0, atol=1e-12)
    np.testing.assert_allclose(r, 2.0)


def test_spots_are_turned_up_where_a_main_array_cannot_come_so_near() -> None:
    """What a mix with its spots 9 dB up has is found again by its balance, not by hanging the array in the players."""
    scene, _ = pair_and_spot()
    truth = mix_predicted()
    predicted = one(
        truth.measures(np.array([[0.0, 9.0]]), np.ones(1)), (0, 0, 0), truth.early_decay_s(np.array([0.0, 9.0]), 0)
    )
    sources = np.array([section.centre for section in scene.sections])
    mixed = mix_arrays()
    found = fit_halls(
        target_like(predicted), {"own": scene.hall}, sources, plan_scales=(1.0,), arrays=lambda _name, _hall: mixed
    )[0]
    assert found.spot_db == pytest.approx(9.0, abs=3.0)
    assert found.distance > 1.0
    assert np.abs(in_jnds("C80_db", found.predicted.C80_db, predicted.C80_db)).max() < 1.0


def changed(**measures: float) -> tuple[Target, Candidate]:
    """Return a target like a candidate, and the candidate with single measures higher by so much."""
    found, _ = own_output()
    target = replace(target_like(found.predicted), initial_gap_s=float(found.predicted.initial_gap_s))
    more = {name: getattr(found.predicted, name) + by for name, by in measures.items()}
    return target, replace(found, predicted=replace(found.predicted, **more))


@pytest.mark.parametrize(
    ("measures", "text"),
    [
        ({"C80_db": 3.0}, "Clarity stays 3.0 dB too high: the main array hangs"),
        ({"drr_db": -6.0}, "The direct sound stays 6.0 dB too weak: the main array hangs"),
        ({"C80_db": 3.0, "drr_db": -6.0}, "one asks for microphones farther away and the other for nearer ones"),
        ({"EDT_s": 0.3}, "longer than the recording's: once the tail is as long"),
        ({"initial_gap_s": 0.02}, "The first reflection stays late"),
        ({"drr_db": np.linspace(-4.0, 4.0, 9)}, "in each octave a hall answers as strongly as its tail there is long"),
    ],
)
def test_what_stays_off_is_said_with_its_reason(measures: dict[str, float], text: str) -> None:
    """One sentence for one measure, none for what is within a just-noticeable difference."""
    lines = unmatched(*changed(**measures))
    assert len(lines) == 1
    assert text in lines[0]
    assert unmatched(*changed()) == []


def test_a_width_that_no_array_here_has_is_said() -> None:
    """Channels that correlate by 0.9 where the recording's are unrelated."""
    target, found = changed()
    wide = replace(target, correlation=np.zeros(9))
    mono = replace(found, predicted=replace(found.predicted, correlation=np.full(9, 0.9)))
    lines = unmatched(wide, mono)
    assert len(lines) == 1
    assert "another main array gets nearer" in lines[0]
    assert "The mix is narrower than the recording" in " ".join(plain_sentences(wide, mono.predicted))


def test_an_ensemble_moved_downstage_is_nearer_to_the_house_and_farther_from_its_wall() -> None:
    """Two metres, patches with the hall; its reverberation time stays."""
    stage = catalogue.hall("scoring-stage")
    moved = downstage(stage, 2.0)
    assert moved.box.upper[1] == pytest.approx(stage.box.upper[1] + 2.0)
    assert moved.box.lower[1] == pytest.approx(stage.box.lower[1] + 2.0)
    np.testing.assert_allclose(moved.bounds, stage.bounds, atol=1e-9)
