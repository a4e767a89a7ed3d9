"""The filter that brings a cue's balance nearer to a recording's: gentle, minimum phase, as asked."""

from __future__ import annotations

import numpy as np
import pytest
import scipy.fft

from rooms.correction import LENGTH_S, MOST_DB, correction_filter, gentle_gains
from rooms.errors import InputError

THIRDS = 1000.0 * 2.0 ** (np.arange(-16, 14) / 3.0)
RATE = 48000


def magnitude_db(response: np.ndarray, frequency: np.ndarray) -> np.ndarray:
    """Return the filter's gain at some frequencies in dB."""
    size = 1 << 17
    return np.interp(
        frequency, scipy.fft.rfftfreq(size, 1.0 / RATE), 20.0 * np.log10(np.abs(scipy.fft.rfft(response, size)))
    )


def test_a_tilt_is_taken_as_it_is_and_loudness_does_not_count() -> None:
    """One dB an octave about 1 kHz, 20 dB louder in all: within 0.4 dB of it, half a smoothing at the ends aside."""
    tilt = np.log2(THIRDS / 1000.0)
    gains = gentle_gains(tilt + 20.0, np.zeros(len(THIRDS)), THIRDS)
    np.testing.assert_allclose(gains[3:-3], np.clip(tilt, -MOST_DB, MOST_DB)[3:-3], atol=0.4)
    np.testing.assert_allclose(gentle_gains(tilt, tilt - 7.0, THIRDS), 0.0, atol=1e-9)


def test_a_single_note_hardly_moves_it_and_nothing_moves_it_far() -> None:
    note = np.zeros(len(THIRDS))
    note[12] = 12.0
    assert np.abs(gentle_gains(note, np.zeros(len(THIRDS)), THIRDS)).max() <= 4.0
    assert np.abs(gentle_gains(30.0 * np.sign(THIRDS - 900.0), np.zeros(len(THIRDS)), THIRDS)).max() <= MOST_DB


def test_what_is_not_known_goes_on_from_what_is() -> None:
    wanted = np.where(THIRDS < 100.0, np.nan, np.where(THIRDS < 300.0, 3.0, 0.0))
    gains = gentle_gains(wanted, np.zeros(len(THIRDS)), THIRDS)
    assert gains[0] == pytest.approx(3.0, abs=1e-9)


def test_the_filter_has_the_gains_and_begins_at_once() -> None:
    """Within 0.1 dB from 50 Hz to 16 kHz; of all filters with these gains it has its energy earliest."""
    gains = 5.0 * np.sin(np.log2(THIRDS / 1000.0))
    response = correction_filter(gains, THIRDS, RATE)
    assert len(response) == int(LENGTH_S * RATE)
    heard = (THIRDS >= 50.0) & (THIRDS <= 16000.0)
    np.testing.assert_allclose(magnitude_db(response, THIRDS[heard]), gains[heard], atol=0.1)
    energy = np.cumsum(response.astype(np.float64) ** 2)
    assert energy[int(0.001 * RATE)] >= 0.9 * energy[-1]


def test_no_correction_is_an_impulse() -> None:
    response = correction_filter(np.zeros(len(THIRDS)), THIRDS, RATE)
    np.testing.assert_allclose(response, np.eye(1, len(response))[0], atol=1e-6)


def test_too_little_known_and_gains_that_are_none_are_refused() -> None:
    with pytest.raises(InputError, match="found 2 frequencies known in both, allowed: at least 3"):
        gentle_gains([0.0, 1.0, np.nan], [0.0, 0.0, 0.0], [100.0, 200.0, 400.0])
    with pytest.raises(InputError, match="allowed: equal ones"):
        gentle_gains([0.0, 1.0], [0.0, 0.0, 0.0], [100.0, 200.0, 400.0])
    with pytest.raises(InputError, match="not a finite number"):
        correction_filter([0.0, np.inf, 0.0], [100.0, 200.0, 400.0], RATE)
