"""Where a section is heard, measured from its rendered sound: a check of what geometry and curves foretell.

The dry stem and what two loudspeakers play of it tell their responses, and these how level and time differ in the first
sound; the curves of `rooms.localisation` make directions of that.

References
----------
The responses are cross-spectrum over spectrum of many windows (Bendat & Piersol, "Random data", the estimate that
noise at the output doesn't bias; from memory). Windows, bands and thresholds are our choice, no source. Measured on
the demo's five sections of 6 to 14 players in three seating plans: within 2° RMS of what the curves foretell for a
coincident pair, 6° for a near one, 9° for three omnis and 13° for a pair beyond the critical distance, where players'
filters and reflections blur. Widths: within 3° on average for the first two; three omnis are heard some 18° wider than
the curves' range, as each band has a direction of its own.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.fft
import scipy.ndimage
from numpy.typing import NDArray

from rooms.localisation import FULL_LEVEL_DB, LOUDSPEAKER_AZIMUTH, image_shift
from rooms.units import energy_db

__all__ = ["SILENT", "HeardImage", "ImageMeter"]

WINDOW_S = 0.34
"""Length of the windows in s, to a power of two of samples: much longer than direct sound is late."""

TONE_HZ = (250.0, 4000.0)
"""From where to where every octave counts alike."""

FIRST_S, LATEST_S = 0.012, 0.1
"""How much of the responses counts, from the first sound on, and when that comes at the latest, in s."""

BEGUN, ENTERED = 0.5, 0.05
"""Parts of energy: which of the highest in so long a piece the first one has, and which of that and what follows has
come when it begins."""

CHANCE_S, STANDS_OUT = 0.05, 6.0
"""Length of what comes before the dry sound, in s, where there can only be chance, and how many times its power the
first sound needs to be placed."""

LONGEST_LEAD_S = 0.008
"""How far one loudspeaker may lead the other, in s: above 2.5 m between microphones."""

LEAST = 0.3
"""Part of its maximum below which the likeness of both loudspeakers is chance."""

SPREAD_HZ, SPREAD_STEP_HZ, SPREAD = (300.0, 3000.0), 125.0, (10.0, 90.0)
"""Bands whose directions tell a width, and which percentiles of these do."""

ENOUGH = 96
"""Windows with sound that are taken, some 16 s of it: more tell no more of what doesn't move."""

Signal = NDArray[np.float32]


@dataclass(frozen=True)
class HeardImage:
    """Where something is heard, in degrees, −30 being the left loudspeaker; NaN where that can't be told.

    Attributes
    ----------
    azimuth : float
        Where all of it together appears.
    width : float
        How far apart the outer ones of its bands of 125 Hz appear, the middle 80 % of them: players who stand apart
        are heard in each band as strongly as chance will have it.
    reason : str
        Why it can't be told, or nothing.
    """

    azimuth: float
    width: float
    reason: str = ""


SILENT = HeardImage(np.nan, np.nan, "silent in this passage")
"""What has no sound."""


class ImageMeter:
    """Measures where a dry sound appears between two loudspeakers, in one or several mixes, block by block.

    Parameters
    ----------
    rate : int
        Hz.
    mixes : int
        How many pairs of loudspeakers play it.
    """

    def __init__(self, rate: int, mixes: int = 1) -> None:
        self._rate = rate
        self._size = 1 << round(np.log2(WINDOW_S * rate))
        self._window = np.hanning(self._size + 1)[:-1].astype(np.float32)
        # The dry sound, then two loudspeakers of each mix; silence came before.
        self._kept = np.zeros((1 + 2 * mixes, self._size // 2), np.float32)
        self._dry = np.zeros(self._size // 2 + 1)
        self._both = np.zeros((2 * mixes, self._size // 2 + 1), np.complex128)
        self._taken = 0

    def add(self, dry: Signal, loudspeakers: Signal) -> None:
        """Take (n,) samples of the dry sound and, of the same time, (2 · mixes, n) of the loudspeakers."""
        sound = np.concatenate([self._kept, np.concatenate([dry[None], loudspeakers])], axis=1)
        step, at = self._size // 2, 0
        while at + self._size <= sound.shape[1]:
            self._take(sound[:, at : at + self._size])
            at += step
        self._kept = sound[:, at:]

    def result(self) -> list[HeardImage]:
        """Return what was heard in each mix; nothing may be added after."""
        self.add(np.zeros(self._size, np.float32), np.zeros((len(self._both), self._size), np.float32))
        frequencies = scipy.fft.rfftfreq(self._size, 1.0 / self._rate)
        within = (frequencies >= TONE_HZ[0]) & (frequencies <= TONE_HZ[1])
        mean = float(self._dry[within].mean())
        if mean <= 0.0:
            return [SILENT] * (len(self._both) // 2)
        # Between a stem's partials there is next to nothing to divide by.
        around = scipy.ndimage.uniform_filter1d(self._dry, 65, mode="nearest")
        tone = np.where(within, 1.0 / np.sqrt(np.maximum(frequencies, TONE_HZ[0])), 0.0)
        responses = scipy.fft.irfft(self._both * tone / (self._dry + 0.1 * around + 1e-3 * mean), self._size)
        return [_image(pair, self._rate) for pair in responses.reshape(-1, 2, self._size)]

    def _take(self, sound: Signal) -> None:
        """Add a window (channels, samples)."""
        if self._taken == ENOUGH or not sound[0].any():
            return
        dry, *both = scipy.fft.rfft(sound * self._window)
        self._dry += np.square(np.abs(dry))
        self._both += both * np.conj(dry)
        self._taken += 1


def _image(responses: NDArray[np.float64], rate: int) -> HeardImage:
    """Return where the first sound of responses (2, samples) is heard, which go round: before 0 is their end."""
    responses = np.roll(responses, rate // 500, axis=1)  # what is there from the start rings before it, too
    length, latest = round(FIRST_S * rate), round(LATEST_S * rate)
    energy = np.convolve((responses**2).sum(axis=0)[: latest + length], np.ones(length), "valid")
    if not energy.max() > 0.0:
        return SILENT
    piece = int(np.argmax(energy >= BEGUN * energy.max()))  # it may hold the first sound at its very end
    come = np.cumsum((responses[:, piece : piece + 2 * length] ** 2).sum(axis=0))
    begin = max(piece + int(np.argmax(come >= ENTERED * come[-1])) - rate // 1000, 0)
    first = responses[:, begin : begin + length]
    chance = responses[:, -round(CHANCE_S * rate) :]
    if (first**2).mean() < STANDS_OUT * (chance**2).mean():
        return HeardImage(np.nan, np.nan, "its first sound doesn't stand out from what follows it in this passage")
    reach = round(LONGEST_LEAD_S * rate)
    size = scipy.fft.next_fast_len(2 * first.shape[1], real=True)
    left, right = scipy.fft.rfft(first, size)
    lags = np.arange(-reach, reach + 1)
    alike = scipy.fft.irfft(left * np.conj(right), size)[lags]
    weights = np.where(alike > LEAST * alike.max(), alike, 0.0) ** 2
    shifts = _shift(np.square(first).sum(axis=1), lags / rate)
    azimuth = float(weights @ shifts / weights.sum())
    bands = _band_shifts(left, right, float(lags[alike.argmax()]) / rate, rate / size)
    low, high = np.percentile(bands, SPREAD)
    return HeardImage(LOUDSPEAKER_AZIMUTH * azimuth, LOUDSPEAKER_AZIMUTH * float(high - low))


def _band_shifts(
    left: NDArray[np.complex128], right: NDArray[np.complex128], lead_s: float, step_hz: float
) -> NDArray[np.float64]:
    """Return the shift of each narrow band, from spectra in steps of so many Hz; leads are near that of all."""
    frequencies = step_hz * np.arange(left.size)
    found = []
    for low in np.arange(*SPREAD_HZ, SPREAD_STEP_HZ):
        within = (frequencies >= low) & (frequencies < low + SPREAD_STEP_HZ)
        cross = (left[within] * np.conj(right[within]) * np.exp(2j * np.pi * frequencies[within] * lead_s)).sum()
        lead = lead_s - np.angle(cross) / (2.0 * np.pi * (low + SPREAD_STEP_HZ / 2.0))
        energies = [(np.abs(channel[within]) ** 2).sum() for channel in (left, right)]
        found.append(_shift(np.array(energies), lead))
    return np.array(found, dtype=np.float64)


def _shift(energies: NDArray[np.float64], lead: float | NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the shift of sound with these energies (2,); a loudspeaker as good as silent has no say by its time."""
    left, right = np.maximum(energies, 1e-9 * energies.max())
    level = float(energy_db(right / left))
    return image_shift(level, np.zeros_like(lead) if abs(level) >= FULL_LEVEL_DB else lead)
