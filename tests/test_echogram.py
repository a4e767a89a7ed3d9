"""Laws of energy over time."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rooms.echogram import STEP, Radiators, air_loss, grid_size, omni, sphere
from rooms.images import early_reflections
from rooms.measures import from_echogram
from rooms.scattering import scattered_energy
from rooms.specular import image_energy, specular_energy
from rooms.surfaces import Hall
from rooms.units import air_attenuation
from tests.halls import Point, StillHall, hall, material

ROOM = hall(
    *[material(a, s) for a, s in zip((0.1, 0.3, 0.2, 0.4, 0.6, 0.25), (0.2, 0.4, 0.3, 0.1, 0.7, 0.5), strict=True)]
)
GRID = grid_size(0.6)
A, B = (2.0, 12.0, 1.5), (-4.0, -6.0, 2.0)


def late(room: Hall, source: Radiators, ear: Radiators, grid: int = GRID) -> np.ndarray:
    """Return scattered energy, shape (bands, grid)."""
    return scattered_energy(room, [([source], [ear])], grid)[0][0, 0]


def whole(room: Hall, source: Radiators, ear: Radiators) -> np.ndarray:
    party = [([source], [ear])]
    return late(room, source, ear) + specular_energy(room, party, 0.15, GRID)[0][0, 0]


def at(point: Point) -> Radiators:
    return omni(np.array(point))


def decibels(a: np.ndarray, b: np.ndarray, width: int = 25) -> np.ndarray:
    """Return the difference of energies in windows of 50 ms, from the first that holds anything."""
    sums = [e[..., : e.shape[-1] // width * width].reshape(*e.shape[:-1], -1, width).sum(axis=-1) for e in (a, b)]
    heard = np.all(np.array(sums) > 0, axis=0)
    return 10 * np.log10(sums[0][heard] / sums[1][heard])


def test_scattered_energy_goes_both_ways() -> None:
    """Source and ear swapped; 0.2 dB for the 4096 rays each sends from its own place, over 50 ms."""
    assert np.abs(decibels(late(ROOM, at(A), at(B)), late(ROOM, at(B), at(A)))[9:]).max() < 0.2


def test_specular_energy_goes_both_ways() -> None:
    there, back = (specular_energy(ROOM, [([at(s)], [at(e)])], 0.15, GRID)[0] for s, e in ((A, B), (B, A)))
    np.testing.assert_allclose(there, back, rtol=1e-9)


@settings(max_examples=8)
@given(st.integers(0, 5), st.integers(0, 8), st.floats(0.0, 0.35))
def test_more_absorption_never_means_more_late_energy(surface: int, band: int, more: float) -> None:
    """On any surface in any band, at any time; 1e-4 of the peak for what wraps around the transform."""
    values = list(ROOM.materials[surface].absorption)
    values[band] += more
    materials = list(ROOM.materials)
    materials[surface] = replace(materials[surface], absorption=tuple(values))
    before, after = late(ROOM, at(A), at(B)), late(replace(ROOM, materials=tuple(materials)), at(A), at(B))
    assert np.all(after <= before + 1e-4 * before.max(axis=1, keepdims=True))
    others = np.arange(9) != band
    np.testing.assert_allclose(after[others], before[others], rtol=1e-6, atol=1e-12)
    if more > 0.01:
        assert after[band].sum() < before[band].sum()


@pytest.mark.parametrize("all_round", [0.0, 0.3])
@pytest.mark.parametrize("pressure_part", [0.5, 1.0])
def test_the_mean_over_mirrored_directions_is_the_mean_of_the_pattern(all_round: float, pressure_part: float) -> None:
    """A capsule, an instrument, and one whose power partly leaves all round: summed over the eight mirror images."""
    kappa = np.linspace(0.0, 6.0, 9) * (pressure_part == 1.0)
    axes = np.array([[0.6, -0.8, 0.0], [0.0, 0.6, 0.8]])
    radiator = Radiators(np.zeros((2, 3)), axes, kappa, -0.4, pressure_part, all_round=all_round)
    ways = sphere(20)
    signs = np.array([[x, y, z] for x in (-1, 1) for y in (-1, 1) for z in (-1, 1)])
    mean = radiator.pattern((ways[:, None] * signs) @ axes.T).mean(axis=(1, 2))
    np.testing.assert_allclose(radiator.mirrored_pattern(ways), mean, rtol=1e-12)


def test_a_mirrored_room_gives_mirrored_energy() -> None:
    """x → −x, left and right walls exchanged, axes mirrored; 0.3 dB for rays that aren't mirrored, over 50 ms."""
    left, right, *rest = ROOM.materials
    mirrored = replace(ROOM, materials=(right, left, *rest))
    turn = np.array([-1.0, 1.0, 1.0])
    axis = np.array([[0.6, -0.8, 0.0]])

    def directed(sign: np.ndarray) -> tuple[Radiators, Radiators]:
        source = Radiators(np.array([A]) * sign, axis * sign, np.linspace(0.0, 3.0, 9), on_aim=0.9)
        ear = Radiators(np.array([B]) * sign, -axis * sign, np.zeros(9), pressure_part=0.5)
        return source, ear

    here, there = whole(ROOM, *directed(np.ones(3))), whole(mirrored, *directed(turn))
    assert np.abs(decibels(here, there)[9:]).max() < 0.3


def test_moving_the_conductor_s_place_with_everything_changes_nothing() -> None:
    moved = hall(*ROOM.materials, conductor=(8.0, 23.0))
    shift = np.array([3.0, 3.0, 0.0])
    here, there = whole(ROOM, at(A), at(B)), whole(moved, omni(A + shift), omni(B + shift))
    np.testing.assert_allclose(here, there, rtol=1e-5, atol=1e-6 * here.max())


@settings(max_examples=5)
@given(st.floats(0.01, 100.0), st.floats(0.01, 100.0))
def test_energy_is_linear_in_source_and_ear(sent: float, heard: float) -> None:
    plain = whole(ROOM, at(A), at(B))
    scaled = whole(ROOM, replace(at(A), energy=sent), replace(at(B), energy=heard))
    np.testing.assert_allclose(scaled, plain * sent * heard, rtol=1e-5, atol=1e-10 * sent * heard)


def test_a_capsule_by_band_hears_in_each_band_what_one_of_that_pattern_hears() -> None:
    """Images, continuum and both ways of scattering: every band of the echogram as if it were alone."""
    axis = np.array([[0.36, 0.48, 0.8]])
    parts, gains = np.linspace(1.0, 0.2, 9), np.linspace(0.5, 2.0, 9)
    found = whole(ROOM, at(A), Radiators(np.array([B]), axis, np.zeros(9), pressure_part=parts, energy=gains))
    for band, (part, gain) in enumerate(zip(parts.tolist(), gains.tolist(), strict=True)):
        alone = whole(ROOM, at(A), Radiators(np.array([B]), axis, np.zeros(9), pressure_part=part, energy=gain))
        np.testing.assert_allclose(found[band], alone[band], rtol=1e-5, atol=1e-7 * alone[band].max())


def test_a_section_is_the_mean_of_its_players() -> None:
    """Images exactly; scattered within 0.2 dB over 50 ms, since the players share one set of rays."""
    points = np.array([A, (4.0, 13.0, 1.5), (-1.0, 11.0, 1.5)])
    section = Radiators(points, np.tile([0.0, 0.0, 1.0], (3, 1)), np.zeros(9))
    singles = [omni(p) for p in points]
    images = image_energy(ROOM, [section, *singles], [at(B)], 0.2, GRID)
    np.testing.assert_allclose(images[0], images[1:].mean(axis=0), rtol=1e-9)
    scattered = np.mean([late(ROOM, s, at(B)) for s in singles], axis=0)
    assert np.abs(decibels(late(ROOM, section, at(B)), scattered)[9:]).max() < 0.2


def test_images_are_the_early_reflections_sorted_into_steps() -> None:
    """Each arrival split between its two neighbours on the grid: energy and mean time are kept."""
    energy = image_energy(ROOM, [at(A)], [at(B)], 0.2, GRID)[0, 0]
    paths = early_reflections(ROOM, A, B, 0.2)
    arriving = 10 ** (paths.level_db / 10)
    np.testing.assert_allclose(energy.sum(axis=1), arriving.sum(axis=0), rtol=1e-9)
    mean = arriving.T @ paths.time_s / arriving.sum(axis=0)
    np.testing.assert_allclose(energy @ (STEP * np.arange(GRID)) / energy.sum(axis=1), mean, rtol=1e-9)


def test_a_room_without_scattering_scatters_nothing_and_one_that_absorbs_all_answers_not_at_all() -> None:
    smooth = hall(material(0.2, 0.0))
    assert np.all(late(smooth, at(A), at(B)) == 0.0)
    black = hall(material(1.0, 0.5))
    assert np.all(late(black, at(A), at(B)) == 0.0)
    direct = specular_energy(black, [([at(A)], [at(B)])], 0.15, GRID)[0][0, 0].sum(axis=1)
    np.testing.assert_allclose(direct, 1.0 / np.sum(np.subtract(A, B) ** 2), rtol=1e-9)


def test_parties_are_solved_together_as_alone() -> None:
    both = scattered_energy(ROOM, [([at(A)], [at(B)]), ([at(B)], [at(A), at((0.0, 0.0, 5.0))])], GRID)
    assert [e.shape for e in both] == [(1, 1, 9, GRID), (1, 2, 9, GRID)]
    alone = late(ROOM, at(B), at(A))
    np.testing.assert_allclose(both[1][0, 0], alone, rtol=1e-4, atol=1e-7 * alone.max())


def test_finer_patches_change_no_measure_by_what_can_be_heard() -> None:
    """Two cuts a side against four: G and C80 within 1 dB, Ts within 10 ms (ISO 3382-1:2009, table A.1), all bands."""
    grid = grid_size(1.2)
    ears = [B, (-1.0, 9.0, 3.0), (-8.0, -18.0, 2.0)]
    party = [([at(A)], [at(ear) for ear in ears])]
    specular = specular_energy(ROOM, party, 0.24, grid)[0][0]
    two, four = (specular + scattered_energy(ROOM, party, grid, cuts=cuts)[0][0] for cuts in (2, 4))
    for n, ear in enumerate(ears):
        arrival = float(np.linalg.norm(np.subtract(A, ear))) / ROOM.speed_of_sound
        coarse, fine = (from_echogram(energy[n], STEP, arrival) for energy in (two, four))
        np.testing.assert_allclose(coarse.G_db, fine.G_db, atol=1.0)
        np.testing.assert_allclose(coarse.C80_db, fine.C80_db, atol=1.0)
        np.testing.assert_allclose(coarse.Ts_s, fine.Ts_s, atol=0.01)


def test_air_takes_its_decibels_with_time() -> None:
    room = Hall("hall", ROOM.box, ROOM.materials, temperature=15.0, humidity=40.0)
    assert not isinstance(room, StillHall)
    loss = -10 * np.log10(air_loss(room, 501)[:, 500])
    frequency = 1000.0 * 10.0 ** (0.3 * np.arange(-4, 5))
    np.testing.assert_allclose(loss, air_attenuation(frequency, 15.0, 40.0) * room.speed_of_sound * 1.0, rtol=1e-9)


@pytest.mark.parametrize("count", [384, 4096])
def test_directions_cover_the_sphere_evenly(count: int) -> None:
    """Means of x, x² and xy are those of the sphere, 0, 1/3 and 0, within 2/√count·1/2: better than chance leaves."""
    directions = sphere(count)
    np.testing.assert_allclose(np.linalg.norm(directions, axis=1), 1.0, rtol=1e-12)
    np.testing.assert_allclose(directions.mean(axis=0), 0.0, atol=0.5 / np.sqrt(count))
    np.testing.assert_allclose(directions.T @ directions / count, np.eye(3) / 3, atol=0.5 / np.sqrt(count))


@given(st.floats(0.01, 30.0))
def test_a_grid_covers_its_duration(duration: float) -> None:
    steps = grid_size(duration)
    assert (steps - 1) * STEP >= duration - 1e-9


def test_scattered_energy_starts_no_earlier_than_the_shortest_way_over_a_wall() -> None:
    """The first reflection, one step early at most, since an arrival is split between two steps."""
    energy = late(ROOM, at(A), at(B))
    first = early_reflections(ROOM, A, B, 0.2).time_s[1]
    assert np.all(energy[:, : int(first / STEP) - 2] <= 1e-4 * energy.max())
    assert np.all(energy[:, int(first / STEP) + 10] > 0)
