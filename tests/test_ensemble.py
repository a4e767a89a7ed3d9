"""Sections that are wide and keep the tone of their stem."""

from __future__ import annotations

import numpy as np
import pytest
import scipy.fft

from rooms.ensemble import CROSSOVER, LONGEST_DELAY, TIGHT, crossover, decorrelation, hold_tone
from rooms.filters import nyquist_taper
from rooms.images import early_part
from rooms.microphones import Capsule
from rooms.players import OMNIDIRECTIONAL, Player, Section
from rooms.scene import Scene
from tests.halls import ANECHOIC, Point, hall, material, microphones

RATE, SIZE = 48000, 8192
FREQUENCY = scipy.fft.rfftfreq(SIZE, 1 / RATE)


def third_octave_powers(power: np.ndarray, frequency: np.ndarray) -> np.ndarray:
    """Return the power in the third octaves 100 Hz to 10 kHz (IEC 61260-1, base ten), shape (..., 21)."""
    centres = 1000.0 * 10.0 ** (np.arange(-10, 11) / 10.0)
    bands = [(frequency >= f / 10**0.05) & (frequency < f * 10**0.05) for f in centres]
    return np.stack([power[..., band].sum(axis=-1) for band in bands], axis=-1)


def test_the_crossover_is_all_pass_as_sum_and_as_difference() -> None:
    """Linkwitz, "Active crossover networks for noncoincident drivers", J. Audio Eng. Soc. 24, 1976: odd orders.

    Third-order Butterworth: −3.01 dB in both at the crossover, 18 dB an octave.
    """
    low, high = crossover(FREQUENCY)
    np.testing.assert_allclose(np.abs(low + high), 1.0, rtol=1e-12)
    np.testing.assert_allclose(np.abs(low - high), 1.0, rtol=1e-12)
    at = crossover(np.array([CROSSOVER, 8 * CROSSOVER, 16 * CROSSOVER]))
    np.testing.assert_allclose(20 * np.log10(np.abs([at[0][0], at[1][0]])), -3.0103, atol=1e-4)
    assert 20 * np.log10(np.abs(at[0][1] / at[0][2])) == pytest.approx(18.06, abs=0.01)


def test_a_player_s_filter_passes_all_and_nobody_waits_long() -> None:
    """90 % of each filter's energy within 10 ms, half of it within 5 ms; group delays within their bounds."""
    filters = decorrelation(1, "violins-1", 16, FREQUENCY)
    np.testing.assert_allclose(np.abs(filters), 1.0, rtol=1e-12)
    _, high = crossover(FREQUENCY)
    energy = scipy.fft.irfft(filters * high * nyquist_taper(FREQUENCY, RATE), SIZE) ** 2
    energy /= energy.sum(axis=1, keepdims=True)
    assert energy[:, : int(0.010 * RATE)].sum(axis=1).min() > 0.9
    assert energy[:, : int(0.005 * RATE)].sum(axis=1).min() > 0.5
    delay = -np.diff(np.unwrap(np.angle(filters)), axis=1) / (2 * np.pi * FREQUENCY[1])
    assert delay.min() > -1e-9
    assert delay.max() < LONGEST_DELAY[0] + 1e-9
    assert delay[:, FREQUENCY[1:] > TIGHT].max() < LONGEST_DELAY[1] + 1e-9


def test_two_players_are_in_no_fixed_phase() -> None:
    """1 to 8 kHz, all pairs of 16 players: products with one another are far from one and cancel on average.

    Some 28 stretches of phase, twice 0.5 over the longest delay wide, leave products of 1/√28 ≈ 0.2 to chance, more
    where neighbours lean on each other; hence 0.4 for the mean. A player's product with itself is one.
    """
    filters = decorrelation(1, "violins-1", 16, FREQUENCY)
    band = (FREQUENCY >= 1000.0) & (FREQUENCY < 8000.0)
    products = (filters[:, band] @ np.conj(filters[:, band]).T / band.sum())[~np.eye(16, dtype=bool)]
    assert np.abs(products).mean() < 0.4
    assert np.abs(products).max() < 0.8
    assert abs(products.real.mean()) < 0.1


def test_a_filter_belongs_to_seed_section_and_chair() -> None:
    twelve, fourteen = (decorrelation(1, "violas", n, FREQUENCY) for n in (12, 14))
    np.testing.assert_array_equal(twelve, fourteen[:12])
    for other in (decorrelation(2, "violas", 12, FREQUENCY), decorrelation(1, "cellos", 12, FREQUENCY)):
        assert np.abs(other - twelve).max(axis=1).min() > 1.0
    np.testing.assert_array_equal(decorrelation(1, "flute", 1, FREQUENCY), 1.0)


def test_a_comb_gets_back_the_power_of_its_teeth() -> None:
    """Arrivals of 1 and 0.7, 1 ms apart, comb by more than 2 dB a third octave; held, each has the power of both."""
    comb = 1.0 + 0.7 * np.exp(-2j * np.pi * FREQUENCY * 0.001)
    wanted = third_octave_powers(np.full(len(FREQUENCY), 1.49), FREQUENCY)
    raw = 10 * np.log10(third_octave_powers(np.abs(comb) ** 2, FREQUENCY) / wanted)
    held = hold_tone(comb[None], np.full((1, len(FREQUENCY)), 1.49), FREQUENCY)[0]
    kept = 10 * np.log10(third_octave_powers(np.abs(held) ** 2, FREQUENCY) / wanted)
    assert np.abs(raw).max() > 2.0
    assert np.abs(kept).max() < 0.2


def test_a_tone_that_is_right_is_left_alone() -> None:
    spectra = decorrelation(1, "violas", 2, FREQUENCY)
    np.testing.assert_allclose(hold_tone(spectra, np.abs(spectra) ** 2, FREQUENCY), spectra, atol=1e-9)


EARS: list[Point] = [(0.0, -0.5, 3.2), (-1.0, -0.5, 3.2), (2.5, -6.0, 4.0)]


def section(places: np.ndarray) -> Section:
    return Section("violins", OMNIDIRECTIONAL, tuple(Player(tuple(p), 180.0) for p in places.tolist()))


def seven_desks() -> np.ndarray:
    """Return fourteen chairs in pairs behind each other, 0.8 m apart in a desk and 1.3 m from desk to desk."""
    across, along = np.meshgrid([0.0, 0.8], 1.3 * np.arange(7))
    return np.stack([-2.0 - along.ravel() * 0.8, 1.0 + along.ravel() * 0.6 + across.ravel(), np.full(14, 1.1)], axis=1)


def deviations(places: np.ndarray, ear: Point, seed: int) -> tuple[np.ndarray, np.ndarray]:
    """Return third octaves of the direct sound in dB re the summed power of the single paths: ours, and plain sum."""
    room = hall(material(ANECHOIC), size=(40.0, 40.0, 20.0))
    scene = Scene(room, (section(places),), (microphones(Capsule("ear", ear)),), RATE, seed)
    distance = np.linalg.norm(places - ear, axis=1)
    frequency = scipy.fft.rfftfreq(1 << 14, 1 / RATE)
    sound = scipy.fft.rfft(early_part(scene, scene.sections[0], 0.2).sum(axis=0)[0], 1 << 14)
    delays = distance[:, None] / room.speed_of_sound
    plain = np.sum(np.exp(-2j * np.pi * frequency * delays) / distance[:, None], axis=0) / np.sqrt(len(places))
    wanted = third_octave_powers(np.full(len(frequency), np.mean(distance**-2.0)), frequency)
    kept, combed = third_octave_powers(np.abs(np.stack([sound, plain])) ** 2, frequency)
    return 10.0 * np.log10(kept / wanted), 10.0 * np.log10(combed / wanted)


@pytest.mark.parametrize("players", [6, 10, 14])
@pytest.mark.parametrize("ear", EARS)
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_section_keeps_the_tone_of_its_stem(players: int, ear: Point, seed: int) -> None:
    """Without reflections: third octaves 100 Hz to 10 kHz within 1 dB of the summed power of the single paths.

    Summed plainly the paths are off by more than 3 dB.
    """
    kept, combed = deviations(seven_desks()[:players], ear, seed)
    assert np.abs(combed).max() > 3.0
    assert np.abs(kept).max() < 1.0


@pytest.mark.parametrize("ear", EARS)
def test_two_at_a_desk_keep_the_tone(ear: Point) -> None:
    """Thirty seeds: two players may be in antiphase over a whole third octave, which takes 22 dB to put right."""
    for seed in range(1, 31):
        kept, _ = deviations(seven_desks()[:2], ear, seed)
        assert np.abs(kept).max() < 1.0, seed
