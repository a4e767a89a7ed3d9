"""Many players, one stem: a section that is wide and still keeps the stem's tone.

A stem is one signal. Summed from many places it would comb. So each player gets a phase of its own above a crossover,
below which the section is one source; and what combing is left is evened out per capsule and image, in third octaves.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from rooms.filters import minimum_phase
from rooms.noise import generator

__all__ = ["CROSSOVER", "crossover", "decorrelation", "hold_tone"]

CROSSOVER = 300.0
"""Hz; below, players of a section can't be told apart and only comb."""

LONGEST_DELAY = (0.004, 0.0015)
"""Longest group delay of a player's filter in s, at the crossover and above `TIGHT`: onsets stay tight where they are
sharp."""

TIGHT = 4000.0
"""Hz."""

MOST_CORRECTION = 16.0
"""Largest energy ratio by which the tone is evened out (12 dB)."""


def crossover(frequency: NDArray[np.float64]) -> tuple[NDArray[np.complex128], NDArray[np.complex128]]:
    """Return the low-pass and high-pass spectra of a fourth-order Linkwitz–Riley crossover.

    Causal, and the two sum to an all-pass (Linkwitz, "Active crossover networks for noncoincident drivers", J. Audio
    Eng. Soc. 24, 1976).

    Parameters
    ----------
    frequency : ndarray, shape (frequencies,)
        Hz.
    """
    s = 1j * frequency / CROSSOVER
    butterworth = 1.0 + np.sqrt(2.0) * s + s**2
    return 1.0 / butterworth**2, s**4 / butterworth**2


def decorrelation(seed: int, name: str, players: int, frequency: NDArray[np.float64]) -> NDArray[np.complex128]:
    """Return an all-pass spectrum for each player of a section.

    Each player has a sign and a group delay that wanders at random between zero and `LONGEST_DELAY`, so that two
    players are in no fixed phase over any third octave and nothing comes earlier than the player.

    Parameters
    ----------
    seed : int
        The scene's.
    name : str
        The section's.
    players : int
        A single player needs none and gets ones.
    frequency : ndarray, shape (frequencies,)
        Evenly spaced bins in Hz.

    Returns
    -------
    ndarray, shape (players, frequencies)
    """
    if players == 1:
        return np.ones((1, len(frequency)), dtype=np.complex128)
    nodes = [CROSSOVER / 2.0]
    while nodes[-1] < frequency[-1]:
        nodes.append(nodes[-1] + 0.5 / np.interp(nodes[-1], [CROSSOVER, TIGHT], LONGEST_DELAY))
    longest = np.interp(nodes, [CROSSOVER, TIGHT], LONGEST_DELAY)
    out = np.empty((players, len(frequency)), dtype=np.complex128)
    for p in range(players):
        random = generator(seed, "player", name, str(p))
        sign = random.choice([-1.0, 1.0])
        delay = np.interp(frequency, nodes, random.uniform(0.0, 1.0, len(nodes)) * longest)
        out[p] = sign * np.exp(-2j * np.pi * np.cumsum(delay) * (frequency[1] - frequency[0]))
    return out


def _third_octave_sums(power: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the power in the third octave around each bin, shape kept."""
    bins = np.arange(power.shape[-1])
    low = np.floor(bins * 2.0 ** (-1.0 / 6.0) + 0.5).astype(np.int64)
    high = np.minimum(np.floor(bins * 2.0 ** (1.0 / 6.0) + 0.5).astype(np.int64), len(bins) - 1)
    total = np.concatenate([np.zeros((*power.shape[:-1], 1)), np.cumsum(power, axis=-1)], axis=-1)
    return np.asarray(total[..., high + 1] - total[..., low])


def hold_tone(spectra: NDArray[np.complex128], power: NDArray[np.float64], size: int) -> NDArray[np.complex128]:
    """Give sums of players the third-octave power that their single paths have together.

    Parameters
    ----------
    spectra : ndarray, shape (groups, size // 2 + 1)
        Sums over players.
    power : ndarray, shape (groups, size // 2 + 1)
        Summed power of the single players.
    size : int
        Transform length.

    Returns
    -------
    ndarray, shape (groups, size // 2 + 1)
        The sums through a minimum-phase correction.
    """
    wanted = _third_octave_sums(power)
    found = _third_octave_sums(np.abs(spectra) ** 2)
    ratio = np.clip(wanted / np.maximum(found, 1e-30), 1.0 / MOST_CORRECTION, MOST_CORRECTION)
    return spectra * np.exp(minimum_phase(0.5 * np.log(ratio), size))
