"""Many players, one stem: a section that is wide and still keeps the stem's tone.

A stem is one signal. Summed from many places it would comb. So each player gets a phase of its own above a crossover,
below which the section is one source; and what combing is left is evened out per capsule and image, in third octaves.
"""

from __future__ import annotations

import numba
import numpy as np
from numpy.typing import NDArray

from rooms.cores import in_slices
from rooms.filters import exponentials, minimum_phase, smooth_knots
from rooms.noise import generator

__all__ = ["CROSSOVER", "crossover", "decorrelation", "hold_tone"]

CROSSOVER = 300.0
"""Hz; below, players of a section can't be told apart and only comb."""

LONGEST_DELAY = (0.004, 0.0015)
"""Longest group delay of a player's filter in s, at the crossover and above `TIGHT`: onsets stay tight where they are
sharp."""

TIGHT = 4000.0
"""Hz."""

MOST_CORRECTION = 3.45
"""Largest correction of the tone, as the logarithm of an amplitude (30 dB): two players can be in antiphase over a
whole third octave, and cancel by 22 dB."""

ROUNDS = 9
"""Rounds of evening out: a correction changes what its neighbours need."""


def crossover(frequency: NDArray[np.float64]) -> tuple[NDArray[np.complex128], NDArray[np.complex128]]:
    """Return the low-pass and high-pass spectra of a third-order Butterworth crossover.

    Causal; at odd orders both the sum and the difference of the two are all-pass, so a player's sign does no harm at
    the crossover (Linkwitz, "Active crossover networks for noncoincident drivers", J. Audio Eng. Soc. 24, 1976).

    Parameters
    ----------
    frequency : ndarray, shape (frequencies,)
        Hz.
    """
    s = 1j * frequency / CROSSOVER
    butterworth = (s + 1.0) * (s**2 + s + 1.0)
    return np.asarray(1.0 / butterworth), np.asarray(s**3 / butterworth)


def decorrelation(seed: int, name: str, players: int, frequency: NDArray[np.float64]) -> NDArray[np.complex128]:
    """Return an all-pass spectrum for each player of a section.

    Each player has a sign and a group delay that wanders at random between zero and `LONGEST_DELAY`, so that two
    players are in no fixed phase over any third octave. A few thousandths of the energy come earlier than the player;
    `rooms.images` takes away what comes more than a millisecond too early.

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


def hold_tone(
    spectra: NDArray[np.complex64], power: NDArray[np.float32], frequency: NDArray[np.float64]
) -> NDArray[np.complex64]:
    """Give sums of players the third-octave power that their single paths have together.

    Parameters
    ----------
    spectra : ndarray, shape (groups, bins)
        Sums over players, on the bins of a real transform of even length.
    power : ndarray, shape (groups, bins)
        Summed power of the single players.
    frequency : ndarray, shape (bins,)
        Hz.

    Returns
    -------
    ndarray, shape (groups, bins)
        The sums through a minimum-phase correction that is smooth between the third octaves of IEC 61260-1.
    """
    position = 10.0 * np.log10(np.maximum(frequency, frequency[1]) / 1000.0)
    bands = np.arange(np.floor(position[0]), np.ceil(position[-1]) + 1.0)
    # Each bin's power counts in its third octave; each bin's correction lies between those of two mid-bands.
    edges = np.searchsorted(position, bands - 0.5)
    held = np.flatnonzero(np.diff(np.append(edges, len(position))) > 0)
    edges, bands = np.append(edges[held], len(position)), bands[held]
    hats = np.array([np.interp(position, bands, one) for one in np.eye(len(bands))])
    knots, below, part = smooth_knots(frequency)
    phases = minimum_phase(hats, 2 * (len(frequency) - 1))[:, knots]
    phases_re, phases_im = np.ascontiguousarray(phases.real), np.ascontiguousarray(phases.imag)
    # Where the correction is a straight line and all of one third octave, sums over bins stand for them.
    runs = np.union1d(edges, np.flatnonzero(np.diff(below, prepend=-1)))
    band = np.searchsorted(edges, runs[:-1], side="right") - 1
    mids = np.interp(position[knots], bands, np.arange(len(bands)))
    out = np.empty_like(spectra)

    def hold(some: slice) -> None:
        _hold(spectra[some], power[some], runs, band, mids, phases_re, phases_im, below, part, out[some])

    in_slices(hold, len(spectra))
    return out


@numba.njit(nogil=True, cache=True, fastmath=True)
def _hold(spectra, power, runs, band, mids, phases_re, phases_im, below, part, out):  # type: ignore[no-untyped-def]
    """Write spectra (groups, bins) through the corrections that give each band its power.

    ``runs`` are the edges of the bins that share a band, ``band``, and lie between the same two knots; ``mids``
    (knots,) where the knots lie among the mid-bands; ``phases`` (bands, knots) the logarithms of minimum phase of one
    neper a band.
    """
    groups, bins = spectra.shape
    bands, knots = phases_re.shape
    count = len(band)
    found = np.empty(count)
    rising = np.empty(count)
    squared = np.empty(knots)
    through_re, through_im = np.empty(knots), np.empty(knots)
    for g in range(groups):
        gains = np.zeros(bands)
        wanted = np.zeros(bands)
        for r in range(count):
            asked = 0.0
            here = 0.0
            weighed = 0.0
            for k in range(runs[r], runs[r + 1]):
                e = np.float64(spectra[g, k].real ** 2 + spectra[g, k].imag ** 2)
                asked += power[g, k]
                here += e
                weighed += part[k] * e
            wanted[band[r]] += asked
            found[r], rising[r] = here, weighed
        for _ in range(ROUNDS):
            for n in range(knots):
                at = min(int(mids[n]), bands - 2)
                gain = gains[at] + (mids[n] - at) * (gains[at + 1] - gains[at])
                squared[n] = np.exp(2.0 * gain)
            reached = np.zeros(bands)
            for r in range(count):
                n = below[runs[r]]
                reached[band[r]] += found[r] * squared[n] + rising[r] * (squared[n + 1] - squared[n])
            for b in range(bands):
                gain = gains[b] + 0.5 * np.log(max(wanted[b], 1e-300) / max(reached[b], 1e-30))
                gains[b] = min(max(gain, -MOST_CORRECTION), MOST_CORRECTION)
        through_re[:] = 0.0
        through_im[:] = 0.0
        for b in range(bands):
            for n in range(knots):
                through_re[n] += gains[b] * phases_re[b, n]
                through_im[n] += gains[b] * phases_im[b, n]
        exponentials(through_re, through_im)
        for k in range(bins):
            n = below[k]
            re = through_re[n] + part[k] * (through_re[n + 1] - through_re[n])
            im = through_im[n] + part[k] * (through_im[n + 1] - through_im[n])
            out[g, k] = spectra[g, k] * np.complex64(complex(re, im))
