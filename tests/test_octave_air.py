"""An octave's decay and its middle's: air takes more at the upper edge (ISO 9613-1), so the lower one rings on."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from rooms.blind import blind_decay
from rooms.octave_air import at_middle_s, of_even_spectrum_s
from rooms.octaves import in_octaves
from rooms.spectra import THIRD_OCTAVES
from rooms.units import BANDS, air_attenuation, air_energy_loss, speed_of_sound

AIR = (20.0, 50.0)
RATE = 32000
HIGH = np.array([4000.0, 8000.0])


def in_air(walls_s: float, tilt_db: float, seconds: float, seed: int, before_s: float = 0.0) -> NDArray[np.float64]:
    """Return what falls 60 dB in ``walls_s`` by walls and besides as air takes it, tone by tone, from 2 to 13 kHz.

    ``tilt_db``: by how much it is louder an octave higher; ``before_s``: how long it lasts before it falls.
    """
    random = np.random.default_rng(seed)
    frequency = random.uniform(2000.0, 13000.0, 800)
    phase = random.uniform(0.0, 2.0 * np.pi, frequency.size)
    rate = 6.0 * np.log(10.0) / walls_s
    rate = rate + air_attenuation(frequency, *AIR) * np.log(10.0) / 10.0 * speed_of_sound(AIR[0])
    loud = 10.0 ** (tilt_db * np.log2(frequency / 8000.0) / 20.0)
    turn, still = 2.0j * np.pi * frequency, loud * np.exp(1.0j * phase)
    before = rung(still * np.exp(-before_s * turn), turn, before_s)
    return np.concatenate([before, rung(still, turn - 0.5 * rate, seconds)])


def rung(start: NDArray[np.complex128], per_s: NDArray[np.complex128], seconds: float) -> NDArray[np.float64]:
    """Return the sum of tones that go on as exp(per_s·t): where blocks begin times how each goes on within them."""
    count, block = round(seconds * RATE), 256
    begins = np.exp(np.outer(np.arange(0, count, block) / RATE, per_s)) * start
    return np.asarray((begins @ np.exp(np.outer(per_s, np.arange(block) / RATE))).real.ravel()[:count])


def middle_s(walls_s: float) -> NDArray[np.float64]:
    """Return how long the middles of all octaves ring between such walls."""
    per_s = air_energy_loss(*AIR) * speed_of_sound(AIR[0])
    return np.asarray(6.0 * np.log(10.0) / (6.0 * np.log(10.0) / walls_s + per_s))


def read_s(samples: NDArray[np.float64], lowest_db: float = -35.0) -> NDArray[np.float64]:
    """Return T30 of all octaves, those of `HIGH` read from −5 dB on of the backward integral, in s."""
    out = np.full(BANDS.size, np.nan)
    octaves = in_octaves(np.pad(samples, RATE // 10), RATE, HIGH)
    for signal, band in zip(octaves, np.isin(BANDS, HIGH).nonzero()[0].tolist(), strict=True):
        left = np.cumsum(signal[::-1] ** 2)[::-1]
        level = 10.0 * np.log10(left / left[RATE // 10])
        used = np.flatnonzero((level <= -5.0) & (level >= lowest_db))
        out[band] = -60.0 / (np.polyfit(used, level[used], 1)[0] * RATE)
    return out


@pytest.mark.parametrize("walls_s", [2.0, 4.0])
def test_the_middle_of_an_octave_is_told_from_its_decay(walls_s: float) -> None:
    """Tones in air that takes from each what ISO 9613-1 says: to 3 %, where 8 kHz itself reads a tenth long and more.

    A second's decay of one octave at 8 kHz scatters by about 1 % (0.88/√(BT), Davy 1979, from memory).
    """
    read = read_s(in_air(walls_s, 0.0, 0.8 * walls_s, 1))
    truth = middle_s(walls_s)
    high = np.isin(BANDS, HIGH)
    np.testing.assert_allclose(at_middle_s(read, *AIR)[high], truth[high], rtol=0.03)
    assert read[high][1] > 1.09 * truth[high][1]


def test_air_changes_nothing_where_it_takes_nothing() -> None:
    """Up to 500 Hz an octave reads as its middle to 1 %; what is not known stays so."""
    read = np.array([2.0, 2.0, np.nan, 2.0, 2.0, 2.0, 2.0, 2.0, 2.0])
    found = at_middle_s(read, *AIR)
    np.testing.assert_allclose(found[:5], read[:5], rtol=0.01)
    assert found[7] < 0.8 * read[7]


def test_damp_air_bends_an_octave_less_than_dry_air() -> None:
    """At 8 kHz air of 80 % takes 73 dB a kilometre and of 30 % 137 (ISO 9613-1, 20 °C): what it takes bends."""
    read = np.full(BANDS.size, 1.0)
    assert at_middle_s(read, 20.0, 30.0)[7] < at_middle_s(read, 20.0, 80.0)[7] < 1.0


@pytest.mark.parametrize("walls_s", [1.0, 3.0])
def test_music_without_treble_tells_what_a_response_would(walls_s: float) -> None:
    """12 dB weaker an octave higher, as strings are: the octave of 8 kHz reads 5 % long and more else.

    The same tones, so that only their loudness differs.
    """
    truth = read_s(in_air(walls_s, 0.0, 1.2, 2))[7]
    read = read_s(in_air(walls_s, -12.0, 1.2, 2), -25.0)
    found = of_even_spectrum_s(read, THIRD_OCTAVES, -12.0 * np.log2(THIRD_OCTAVES), BANDS, *AIR)
    assert read[7] > 1.05 * truth
    assert found[7] == pytest.approx(truth, rel=0.04)


def test_the_first_20_db_of_an_octave_tell_what_its_first_30_would() -> None:
    """A free decay of music shows less of it than T30 wants, and above 4 kHz its beginning is the steeper part."""
    even = in_air(3.0, 0.0, 1.2, 2)
    truth, read = read_s(even)[7], read_s(even, -25.0)
    found = of_even_spectrum_s(read, THIRD_OCTAVES, np.zeros(THIRD_OCTAVES.size), BANDS, *AIR)
    assert read[7] < 0.98 * truth
    assert found[7] == pytest.approx(truth, rel=0.015)


def test_stops_of_music_without_treble_tell_what_those_of_even_music_do() -> None:
    """The same tones, found and fitted as in any recording, noise 50 dB below: 8 kHz to 5 %, where a tenth is between
    else; the interval is wider for it.
    """
    heard = []
    for tilt_db in (0.0, -12.0):
        music = np.concatenate([in_air(3.0, tilt_db, 0.9, seed, 0.3) for seed in range(5)])
        noise = np.random.default_rng(1).standard_normal(music.size)
        heard.append(blind_decay(music + 10.0**-2.5 * np.std(music) * noise, RATE, HIGH))
    even, dull = heard
    assert dull.decays[1] >= 3
    assert dull.T_s[1] == pytest.approx(even.T_s[1], rel=0.05)
    assert dull.high_s[1] / dull.low_s[1] > 1.02 * even.high_s[1] / even.low_s[1]
