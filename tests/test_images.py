"""Laws of the specular paths."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rooms.echogram import Radiators
from rooms.images import early_part, early_reflections, path_levels
from rooms.microphones import PATTERNS, Capsule
from rooms.players import Instrument, Player, Section
from rooms.scene import Scene
from rooms.specular import image_energy
from rooms.units import energy_db, unit_vector
from tests.halls import ANECHOIC, Point, hall, material, microphones, solo

ROOM = hall(
    *[material(a, s) for a, s in zip((0.1, 0.3, 0.2, 0.4, 0.6, 0.25), (0.1, 0.2, 0.3, 0.1, 0.5, 0.2), strict=True)]
)
HORN = Instrument("horn", 1.0, axis=(160.0, 20.0), directivity_index=(0.5, 1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0, 8.0))

places = st.tuples(st.floats(-10.5, 10.5), st.floats(-19.5, 19.5), st.floats(0.5, 15.5))


def apart(a: Point, b: Point) -> bool:
    return float(np.linalg.norm(np.subtract(a, b))) > 0.5


def paths_of(scene: Scene, until: float = 0.12) -> np.ndarray:
    return early_part(scene, scene.sections[0], until).sum(axis=0)


@given(places, places)
def test_paths_go_both_ways(a: Point, b: Point) -> None:
    if apart(a, b):
        there, back = early_reflections(ROOM, a, b, 0.15), early_reflections(ROOM, b, a, 0.15)
        np.testing.assert_allclose(there.time_s, back.time_s, rtol=1e-12)
        energy = [np.sum(10 ** (p.level_db / 10), axis=0) for p in (there, back)]
        np.testing.assert_allclose(energy[0], energy[1], rtol=1e-9)


@given(places, places)
def test_the_direct_sound_comes_first_from_where_the_source_is(a: Point, b: Point) -> None:
    if apart(a, b):
        paths = early_reflections(ROOM, a, b, 0.15)
        way = np.subtract(a, b)
        distance = np.linalg.norm(way)
        assert paths.order[0] == 0
        assert np.all(np.diff(paths.time_s) >= 0)
        np.testing.assert_allclose(paths.level_db[0], -20 * np.log10(distance), atol=1e-9)
        azimuth, elevation = np.radians([paths.azimuth_deg[0], paths.elevation_deg[0]])
        toward = [np.sin(azimuth) * np.cos(elevation), np.cos(azimuth) * np.cos(elevation), np.sin(elevation)]
        np.testing.assert_allclose(toward, way / distance, atol=1e-7)


def test_first_reflections_hit_one_surface_each_and_lose_what_it_keeps() -> None:
    """Absorbed and scattered energy is both gone from the specular path; ISO 17497-1:2004, 3.1: (1 − α)(1 − s)."""
    paths = early_reflections(ROOM, (2.0, 5.0, 1.5), (-3.0, -4.0, 3.0), 0.2)
    first = np.flatnonzero(paths.order == 1)
    assert len(first) == 6
    for n in first:
        surface = int(np.argmax(paths.hits[n]))
        kept = (1 - ROOM.absorption[:, surface]) * (1 - ROOM.scattering[:, surface])
        distance = paths.time_s[n] * ROOM.speed_of_sound
        np.testing.assert_allclose(paths.level_db[n], 10 * np.log10(kept / distance**2), atol=1e-9)
    by_surface = {int(np.argmax(paths.hits[n])): (paths.azimuth_deg[n], paths.elevation_deg[n]) for n in first}
    assert by_surface[0][0] < by_surface[1][0]  # left wall from the left, right wall from the right
    assert abs(by_surface[2][0]) > 90.0 > abs(by_surface[3][0])  # house behind, stage wall ahead
    assert by_surface[4][1] < 0.0 < by_surface[5][1]  # floor below, ceiling above


@settings(max_examples=10)
@given(places, places)
def test_an_omnidirectional_early_part_is_the_same_the_other_way_round(a: Point, b: Point) -> None:
    if apart(a, b):
        there, back = (
            paths_of(Scene(ROOM, (solo(s),), (microphones(Capsule("ear", e)),), 48000)) for s, e in ((a, b), (b, a))
        )
        np.testing.assert_allclose(there, back, atol=1e-6 * np.abs(there).max())


@settings(max_examples=10)
@given(st.floats(-5.0, 5.0), st.floats(-5.0, 5.0))
def test_moving_everything_together_changes_nothing(x: float, y: float) -> None:
    def moved(dx: float, dy: float) -> np.ndarray:
        room = hall(*ROOM.materials, conductor=(11.0 - dx, 20.0 + dy))
        section = Section(
            "horns", HORN, (Player((2.0 + dx, 4.0 + dy, 1.2), 170.0), Player((3.0 + dx, 4.0 + dy, 1.2), 190.0))
        )
        return paths_of(
            Scene(
                room, (section,), (microphones(Capsule("ear", (dx, dy - 2.0, 3.0), (20.0, -10.0), "cardioid")),), 48000
            )
        )

    still = moved(0.0, 0.0)
    np.testing.assert_allclose(moved(x, y), still, atol=1e-6 * np.abs(still).max())


def test_a_mirrored_scene_sounds_the_same() -> None:
    """x → −x with left and right walls exchanged; a solo, since players' own phases follow their chairs.

    Sounds are of single precision: 1e-6 of the largest, −120 dB.
    """
    left, right, *rest = ROOM.materials

    def side(sign: float) -> np.ndarray:
        room = hall(*((left, right) if sign > 0 else (right, left)), *rest, conductor=(11.0 - 2.0 * sign, 20.0))
        horn = Instrument("horn", 1.0, axis=(sign * 130.0, 20.0), directivity_index=HORN.directivity_index)
        ear = Capsule("ear", (sign * 1.5, -2.0, 3.0), (sign * 40.0, -10.0), "cardioid")
        return paths_of(
            Scene(room, (solo((sign * 3.0, 4.0, 1.2), "horn", horn, sign * 170.0),), (microphones(ear),), 48000)
        )

    np.testing.assert_allclose(side(-1.0), side(1.0), atol=1e-6 * np.abs(side(1.0)).max())


def test_a_stage_raises_all_that_stands_on_it_and_is_not_there_itself() -> None:
    """0.9 m of stage: as the same box with player and capsule 0.9 m higher."""

    def sound(stage: float) -> np.ndarray:
        lift = 0.9 - stage
        room = replace(ROOM, box=replace(ROOM.box, stage_height=stage))
        ear = Capsule("ear", (1.5, -2.0, 3.0 + lift), (40.0, -10.0), "cardioid")
        return paths_of(Scene(room, (solo((3.0, 4.0, 1.2 + lift), "horn", HORN),), (microphones(ear),), 48000))

    np.testing.assert_allclose(sound(0.9), sound(0.0), atol=1e-9)


@pytest.mark.parametrize("pattern", PATTERNS)
def test_a_capsule_hears_by_its_pattern_at_the_angle_of_arrival(pattern: str) -> None:
    """a + (1 − a)·cos θ at 0, 45, 90, 135 and 180°, sign included, re an omni at the same place."""
    room = hall(material(ANECHOIC), size=(40.0, 40.0, 20.0))
    angles = [0.0, 45.0, 90.0, 135.0, 180.0]
    capsules = [Capsule("omni", (0.0, 0.0, 5.0))]
    capsules += [Capsule(f"{a:g}", (0.0, 0.0, 5.0), (a, 0.0), pattern, gain=-6.0206) for a in angles]
    sound = paths_of(Scene(room, (solo((0.0, 6.0, 5.0)),), (microphones(*capsules),), 48000), 0.06)
    peak = np.argmax(np.abs(sound[0]))
    a = PATTERNS[pattern]
    expected = 0.5 * (a + (1 - a) * np.cos(np.radians(angles)))
    np.testing.assert_allclose(sound[1:, peak] / sound[0, peak], expected, atol=1e-6)


@pytest.mark.parametrize("angle", [0.0, 60.0, 90.0, 150.0])
def test_a_pattern_by_band_colours_the_sound_by_its_angle(angle: float) -> None:
    """Level at the mid-bands as its geometry says, 0.1 dB; behind, where a band has a null, no louder than −40 dB."""
    room = hall(material(ANECHOIC), size=(40.0, 40.0, 20.0))
    parts = (0.9, 0.8, 0.7, 0.6, 0.55, 0.5, 0.5, 0.45, 0.4)
    capsules = [
        Capsule("point", (0.0, 0.0, 5.0)),
        Capsule("housing", (0.0, 0.0, 5.0), (angle, 0.0), diameter=0.016),
        Capsule("by band", (0.0, 0.0, 5.0), (angle, 0.0), parts),
    ]
    scene = Scene(room, (solo((0.0, 6.0, 5.0)),), (microphones(*capsules),), 48000)
    sound = paths_of(scene, 0.06)
    frequency = 1000.0 * 10.0 ** (0.3 * np.arange(-2, 4))
    turns = np.exp(-2j * np.pi * frequency[:, None] * np.arange(sound.shape[1]) / 48000)
    level = 20.0 * np.log10(np.abs(turns @ sound.T))
    _, energy = path_levels(scene, scene.sections[0])
    np.testing.assert_allclose((level - level[:, :1])[:, 1:], energy_db(energy / energy[0])[1:, 2:8].T, atol=0.1)


@pytest.mark.parametrize("recorded_from", [(0.0, 0.0), (130.0, 25.0), (-40.0, 60.0)])
@pytest.mark.parametrize(
    ("axis", "share"), [((0.0, 0.0), 0.0), ((90.0, 0.0), 0.0), ((130.0, 25.0), 0.0), ((130.0, 25.0), 0.2)]
)
def test_an_instrument_is_0_db_where_it_was_recorded_and_falls_off_its_axis(
    axis: tuple[float, float], share: float, recorded_from: tuple[float, float]
) -> None:
    """Where the microphone was the tone is the stem's in every band, whatever the axis; behind the axis less by 2κ.

    What leaves all round is added to both.
    """
    room = hall(material(ANECHOIC), size=(40.0, 40.0, 20.0))
    horn = Instrument("horn", 1.0, axis, HORN.directivity_index, share, recorded_from)
    section = solo((0.0, 0.0, 10.0), "horn", horn, facing=30.0)
    azimuth, elevation = recorded_from
    on_aim = 5.0 * unit_vector(30.0 + azimuth, elevation) + (0.0, 0.0, 10.0)
    front, back = (sign * 5.0 * section.axes[0] + (0.0, 0.0, 10.0) for sign in (1.0, -1.0))
    capsules = [Capsule(n, tuple(p)) for n, p in (("aim", on_aim), ("front", front), ("back", back))]
    scene = Scene(room, (section,), (microphones(*capsules),), 48000)
    _, energy = path_levels(scene, section)
    np.testing.assert_allclose(energy[0], 1 / 25.0, rtol=1e-9)
    beam = (1.0 - share) * 2.0 * horn.kappa / (1.0 - np.exp(-2.0 * horn.kappa))
    falls = (beam * np.exp(-2.0 * horn.kappa) + share) / (beam + share)
    np.testing.assert_allclose(energy[2] / energy[1], falls, rtol=1e-9)
    # The sound does what geometry says, at the mid-bands: 0.05 dB for the end of the response at low frequencies.
    sound = paths_of(scene, 0.07)
    frequency = 1000.0 * 10.0 ** (0.3 * np.arange(-2, 4))
    turns = np.exp(-2j * np.pi * frequency[:, None] * np.arange(sound.shape[1]) / 48000)
    level = 20.0 * np.log10(np.abs(turns @ sound.T))
    np.testing.assert_allclose(level, energy_db(energy[:, 2:8]).T, atol=0.05)


@settings(max_examples=20)
@given(st.integers(1, 20), st.floats(-20.0, 20.0), st.floats(0.1, 1.0))
def test_direct_energy_follows_gain_and_share_not_the_number_of_players(count: int, gain: float, share: float) -> None:
    section = Section("row", HORN, (Player((2.0, 4.0, 1.2), 200.0),) * count, share)
    capsules = [Capsule("plain", (0.0, 0.0, 3.0)), Capsule("loud", (0.0, 0.0, 3.0), gain=gain)]
    scene = Scene(ROOM, (section,), (microphones(*capsules),), 48000)
    arrivals, energy = path_levels(scene, section)
    _, one = path_levels(scene, solo((2.0, 4.0, 1.2), "row", HORN, 200.0))
    np.testing.assert_allclose(energy[0], one[0] * share, rtol=1e-9)
    np.testing.assert_allclose(energy[1], energy[0] * 10 ** (gain / 10), rtol=1e-9)
    np.testing.assert_allclose(arrivals, np.sqrt(4 + 16 + 1.8**2) / ROOM.speed_of_sound, rtol=1e-9)


@pytest.mark.parametrize("colour", [(0.9, 0.05, 0.9, 0.05, 0.9, 0.05, 0.9, 0.05, 0.9), (0.02,) * 3 + (0.9,) * 6])
def test_nothing_sounds_earlier_than_a_millisecond_before_it_arrives(colour: tuple[float, ...]) -> None:
    """−60 dB re the peak, for surfaces that colour hard from band to band and for a section of fourteen."""
    room = hall(material(colour), size=(18.0, 25.0, 10.0), still=False)
    players = tuple(Player((-4.0 + 0.8 * n, 3.0, 1.2), 180.0) for n in range(14))
    for section in (solo((3.0, 5.0, 1.2), "horn", HORN), Section("violins", HORN, players)):
        scene = Scene(room, (section,), (microphones(Capsule("ear", (0.5, -2.0, 3.0))),), 48000)
        sound = paths_of(scene)[0]
        arrival, _ = path_levels(scene, section)
        early = np.abs(sound[: int((arrival[0] - 0.001) * 48000)])
        assert early.max() < 1e-3 * np.abs(sound).max()


@pytest.mark.parametrize("surface", range(6))
@pytest.mark.parametrize("share", [0.0, 0.2])
def test_a_reflection_leaves_and_arrives_at_the_mirrored_angles(surface: int, share: float) -> None:
    """One wall reflects half the energy; against mirroring the player, aim and all, by hand. In sound and energy.

    The image in the plane of the wall is a player whose axis is mirrored too, seen directly by the capsule.
    """
    walls = [material(0.5 if n == surface else 1.0) for n in range(6)]
    room = hall(*walls, size=(30.0, 36.0, 20.0))
    player, ear, axis = np.array([3.0, 5.0, 7.0]), np.array([-4.0, -2.0, 11.0]), (50.0, 25.0)
    horn = Instrument("horn", 1.0, axis, HORN.directivity_index, share)
    section = solo(tuple(player), "horn", horn, facing=200.0)
    capsule = Capsule("ear", tuple(ear), (70.0, -20.0), "cardioid")
    scene = Scene(room, (section,), (microphones(capsule),), 48000)

    image, turned = player.copy(), section.axes[0].copy()
    side = surface // 2
    image[side] = 2.0 * (room.box.upper if surface % 2 else room.box.lower)[side] - player[side]
    turned[side] *= -1.0

    def heard(place: np.ndarray, aim: np.ndarray) -> np.ndarray:
        way = ear - place
        r = np.linalg.norm(way)
        pattern = 0.5 - 0.5 * (way @ capsule.axis) / r
        beam, stem = (np.exp(horn.kappa * (c - 1.0)) for c in ((way @ aim) / r, section.on_aim))
        even = share / (1.0 - share) * (1.0 - np.exp(-2.0 * horn.kappa)) / (2.0 * horn.kappa)
        return np.asarray((pattern / r) ** 2 * (beam + even) / (stem + even))

    direct, reflected = heard(player, section.axes[0]), 0.5 * heard(image, turned)
    ears = Radiators(ear[None], capsule.axis[None], np.zeros(9), pressure_part=0.5)
    players = Radiators(player[None], section.axes, horn.kappa, section.on_aim, all_round=section.all_round)
    energy = image_energy(room, [players], [ears], 0.15, 100)[0, 0].sum(axis=1)
    np.testing.assert_allclose(energy, direct + reflected, rtol=1e-6)

    sound = paths_of(scene, 0.2)[0]
    frequency = 1000.0 * 10.0 ** (0.3 * np.arange(-1, 4))
    turns = np.exp(-2j * np.pi * frequency[:, None] * np.arange(len(sound)) / 48000)
    alone = Scene(hall(material(ANECHOIC), size=(30.0, 36.0, 20.0)), (section,), (microphones(capsule),), 48000)
    level = np.abs(turns @ (sound - paths_of(alone, 0.2)[0])) ** 2
    np.testing.assert_allclose(level, reflected[3:8], rtol=0.01)


def test_a_section_in_an_anechoic_hall_is_over_when_its_last_player_is() -> None:
    """Players' filters ring down: 40 ms after the last arrival less than −60 dB of the loudest sample is left."""
    players = tuple(Player((x, 4.0, 1.2), 180.0) for x in np.linspace(-4.0, 4.0, 12))
    section = Section("section", Instrument("plain", 1.2), players)
    scene = Scene(hall(material(ANECHOIC)), (section,), (microphones(Capsule("c", (0.0, -3.0, 3.0))),), 48000)
    sound = np.abs(early_part(scene, section, 0.2).sum(axis=0)[0])
    last = np.linalg.norm(section.positions - np.array([0.0, -3.0, 3.0]), axis=1).max() / scene.hall.speed_of_sound
    assert sound[int((last + 0.04) * 48000) :].max() < 10 ** (-60 / 20) * sound.max()
