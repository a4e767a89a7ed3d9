"""Laws of the whole engine, images and scattered energy together, in any place of a hall whose surfaces all differ."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from rooms.decay import expected_T30
from rooms.echogram import STEP, Radiators, grid_size, omni
from rooms.images import early_part, early_reflections
from rooms.microphones import Capsule
from rooms.players import Instrument, Player, Section
from rooms.scattering import scattered_energy
from rooms.scene import Scene
from rooms.specular import specular_energy
from rooms.surfaces import Hall, Patch
from tests.halls import Point, hall, material, microphones

Energy = NDArray[np.float64]

WALLS = [material(a, s) for a, s in zip((0.1, 0.3, 0.2, 0.4, 0.6, 0.25), (0.2, 0.4, 0.3, 0.1, 0.7, 0.5), strict=True)]
SIZE = (9.0, 12.0, 6.0)
CURTAIN = material(np.linspace(0.2, 0.9, 9), 0.6)
HORN = Instrument("horn", 1.0, axis=(130.0, 20.0), directivity_index=(0.5, 1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0, 8.0))

GRID = grid_size(0.4)
WINDOW = round(0.05 / STEP)
"""Steps, 50 ms, whose energy is compared where rays stand for a continuum."""

RAYS_DB = 0.3
"""What the finite number of rays from each point leaves undecided in such a window."""

places = st.tuples(st.floats(-3.5, 3.5), st.floats(-5.0, 5.0), st.floats(0.8, 5.2))
few = settings(max_examples=6)


def room(sign: float = 1.0, shift: tuple[float, float] = (0.0, 0.0)) -> Hall:
    """Return the hall, or its mirror image, with its origin moved by −shift."""
    left, right, *others = WALLS
    x, y = shift
    plain = hall(*((left, right) if sign > 0 else (right, left)), *others, size=SIZE, conductor=(4.5 - x, 6.0 + y))
    low, high = sorted((sign * -1.0 + x, sign * 3.5 + x))
    curtain = Patch("stage-wall", (low, 0.5), (high, 4.0), CURTAIN)
    return replace(plain, patches=(curtain,))


def apart(a: Point, b: Point) -> bool:
    """Say whether two places are at least 1 m apart."""
    return float(np.linalg.norm(np.subtract(a, b))) > 1.0


def energy(of: Hall, source: Radiators, ear: Radiators) -> Energy:
    """Return all energy over time, shape (bands, grid)."""
    party = [([source], [ear])]
    return (scattered_energy(of, party, GRID)[0] + specular_energy(of, party, 0.05, GRID)[0])[0, 0]


def decibels(a: Energy, b: Energy) -> Energy:
    """Return the difference of two energies window by window, where either is within 40 dB of its strongest."""
    sums = [e[:, : GRID // WINDOW * WINDOW].reshape(len(e), -1, WINDOW).sum(axis=-1) for e in (a, b)]
    heard = sums[1] > 1e-4 * sums[1].max(axis=1, keepdims=True)
    return np.asarray(10.0 * np.log10(sums[0][heard] / sums[1][heard]))


def directed(sign: float, source: Point, ear: Point) -> tuple[Radiators, Radiators]:
    """Return a directional source and a cardioid, or their mirror images in x = 0."""
    turn = np.array([sign, 1.0, 1.0])
    axis = np.array([[0.6, -0.64, 0.48]]) * turn
    return (
        Radiators(np.array([source]) * turn, axis, np.linspace(0.0, 3.0, 9), on_aim=0.9),
        Radiators(np.array([ear]) * turn, -axis, np.zeros(9), pressure_part=0.5),
    )


@few
@given(places, places, st.tuples(st.floats(-4.0, 4.0), st.floats(-5.5, 5.5)))
def test_moving_everything_together_changes_nothing(source: Point, ear: Point, shift: tuple[float, float]) -> None:
    assume(apart(source, ear))
    still = energy(room(), *directed(1.0, source, ear))
    way = np.array([*shift, 0.0])
    there = [replace(r, points=r.points + way) for r in directed(1.0, source, ear)]
    np.testing.assert_allclose(energy(room(1.0, shift), *there), still, rtol=1e-4, atol=1e-5 * still.max())


@few
@given(places, places)
def test_energy_goes_both_ways(source: Point, ear: Point) -> None:
    """Omnidirectional source and ear swapped: images exactly, scattered in 50 ms, its rays from the other end."""
    assume(apart(source, ear))
    parties = [([omni(np.array(a))], [omni(np.array(b))]) for a, b in ((source, ear), (ear, source))]
    images = specular_energy(room(), parties, 0.05, GRID)
    np.testing.assert_allclose(images[0], images[1], rtol=1e-9)
    scattered = [energy[0, 0] for energy in scattered_energy(room(), parties, GRID)]
    assert np.abs(decibels(*scattered)).max() < RAYS_DB


@few
@given(places, places)
def test_a_mirrored_scene_has_mirrored_energy(source: Point, ear: Point) -> None:
    """x → −x with left and right walls exchanged, axes and the curtain mirrored, in 50 ms; rays aren't mirrored."""
    assume(apart(source, ear))
    here, there = (energy(room(sign), *directed(sign, source, ear)) for sign in (1.0, -1.0))
    assert np.abs(decibels(here, there)).max() < RAYS_DB


@few
@given(places, places, st.integers(0, 2**32 - 1))
def test_a_mirrored_scene_has_a_mirrored_early_part(centre: Point, ear: Point, seed: int) -> None:
    """Five players and a cardioid; players keep their phases, since those belong to their chairs."""
    chairs = np.array(centre) * 0.7 + np.random.default_rng(seed).uniform(-0.8, 0.8, (5, 3))
    chairs[:, 2] = np.maximum(chairs[:, 2], 0.2)  # none sits in the floor
    assume(all(apart(tuple(chair), ear) for chair in chairs))

    def heard(sign: float) -> Energy:
        instrument = replace(HORN, axis=(sign * HORN.axis[0], HORN.axis[1]))
        players = tuple(Player((sign * x, y, z), sign * 170.0) for x, y, z in chairs.tolist())
        capsule = Capsule("ear", (sign * ear[0], ear[1], ear[2]), (sign * 40.0, -10.0), "cardioid")
        scene = Scene(room(sign), (Section("horns", instrument, players),), (microphones(capsule),), 48000, seed)
        return early_part(scene, scene.sections[0], 0.05)

    here, there = heard(1.0), heard(-1.0)
    np.testing.assert_allclose(there, here, atol=1e-6 * np.abs(here).max())


@given(places, places, st.floats(0.3, 4.0))
def test_a_hall_twice_as_large_answers_twice_as_late_and_6_db_weaker(source: Point, ear: Point, scale: float) -> None:
    """All lengths times k, no air: paths take k times as long and are 20·lg k weaker in every band."""
    assume(apart(source, ear))
    large = hall(*WALLS, size=(SIZE[0] * scale, SIZE[1] * scale, SIZE[2] * scale))
    places = np.array([source, ear])
    before = early_reflections(hall(*WALLS, size=SIZE), *places, 0.06)
    after = early_reflections(large, *(places * scale), 0.06 * scale)
    count = min(len(before.time_s), len(after.time_s))
    assert abs(len(before.time_s) - len(after.time_s)) <= 1  # one at the very end may fall on either side
    np.testing.assert_allclose(after.time_s[:count], before.time_s[:count] * scale, rtol=1e-9)
    np.testing.assert_allclose(
        np.sort(after.level_db[:count], axis=0),
        np.sort(before.level_db[:count], axis=0) - 20.0 * np.log10(scale),
        atol=1e-6,
    )


@settings(max_examples=3)
@given(st.floats(1.5, 3.0))
def test_a_hall_k_times_as_large_rings_k_times_as_long(scale: float) -> None:
    """No air: within 1 %, a fifth of what can be heard; the time grid and the height of the ears don't grow along."""
    small, large = (hall(*WALLS, size=(9.0 * k, 12.0 * k, 6.0 * k)) for k in (1.0, scale))
    np.testing.assert_allclose(expected_T30(large), expected_T30(small) * scale, rtol=0.01)


@few
@given(places, places, st.integers(0, 6), st.integers(0, 8), st.floats(0.02, 0.4))
def test_more_absorption_anywhere_never_means_more_energy(
    source: Point, ear: Point, which: int, band: int, more: float
) -> None:
    """On any surface or the curtain, in any band, at any time; 1e-4 of the peak for what the transform wraps around."""
    assume(apart(source, ear))
    before = room()
    (patch,) = before.patches
    chosen = patch.material if which == 6 else before.materials[which]
    values = list(chosen.absorption)
    values[band] = min(values[band] + more, 1.0)
    duller = replace(chosen, absorption=tuple(values))
    after = (
        replace(before, patches=(replace(patch, material=duller),))
        if which == 6
        else replace(before, materials=(*before.materials[:which], duller, *before.materials[which + 1 :]))
    )
    party = omni(np.array(source)), omni(np.array(ear))
    loud, soft = energy(before, *party), energy(after, *party)
    assert np.all(soft <= loud * (1.0 + 1e-4) + 1e-4 * loud.max(axis=1, keepdims=True))
    assert soft[band].sum() < loud[band].sum()
    others = np.arange(9) != band
    np.testing.assert_allclose(soft[others], loud[others], rtol=1e-4, atol=1e-9)


@few
@given(places, places, st.integers(2, 12), st.floats(0.1, 1.0))
def test_players_share_a_power_that_doesn_t_depend_on_their_number(
    source: Point, ear: Point, count: int, share: float
) -> None:
    """Any number at one place has the energy of one, direct, reflected and scattered, times their share of it."""
    assume(apart(source, ear))
    one, capsule = directed(1.0, source, ear)
    many = replace(one, points=np.tile(one.points, (count, 1)), axes=np.tile(one.axes, (count, 1)), energy=share)
    found, expected = energy(room(), many, capsule), share * energy(room(), one, capsule)
    np.testing.assert_allclose(found, expected, rtol=1e-4, atol=1e-9)


@few
@given(places, places, st.floats(-30.0, 20.0))
def test_a_capsule_s_gain_scales_what_it_hears(source: Point, ear: Point, gain: float) -> None:
    """By its amplitude, whatever it is; in single precision, 1e-6 of the largest."""
    assume(apart(source, ear))
    player = Section("horn", HORN, (Player(source, 170.0),))
    plain, loud = (Capsule(n, ear, (40.0, -10.0), "cardioid", gain=g) for n, g in (("plain", 0.0), ("loud", gain)))
    scene = Scene(room(), (player,), (microphones(plain, loud),), 48000)
    sound = early_part(scene, player, 0.05)
    wanted = sound[..., 0, :] * 10 ** (gain / 20)
    np.testing.assert_allclose(sound[..., 1, :], wanted, atol=1e-6 * np.abs(wanted).max())


def test_half_the_players_and_the_other_half_are_the_section() -> None:
    """Energies add up, with each half's share of the power; scattered ones within the rays of each, in 50 ms."""
    chairs = [(x, y, 1.2) for x in (-2.0, -1.0, 1.0, 2.0) for y in (2.0, 3.5)]
    whole = Section("violins", HORN, tuple(Player(chair, 180.0) for chair in chairs))
    ear = omni(np.array([0.5, -3.0, 2.5]))

    def heard(section: Section) -> Energy:
        kappa, on_aim = section.instrument.kappa, section.on_aim
        return energy(room(), Radiators(section.positions, section.axes, kappa, on_aim, energy=section.share), ear)

    left, right = (heard(half) for half in whole.halves())
    assert np.abs(decibels(left + right, heard(whole))).max() < RAYS_DB
