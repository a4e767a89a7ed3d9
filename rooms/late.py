"""The late part of the responses: expected energy turned into sound.

Gaussian noise, as coherent between the capsules of an array as a diffuse field is and as coherent between two sections
as their distance says, is shaped by the energy the hall lets through: band by band where that changes within
milliseconds, then, where it only falls, frame by frame, which costs a fifth.

A cell of time and frequency is a few plane waves that cross the ensemble in random directions, the same for all
sections: where a section sits turns their phases, so its noise is its own affair, whoever else plays.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import partial
from itertools import product

import numba
import numpy as np
import scipy.fft
import scipy.sparse
from numpy.typing import NDArray

from rooms.cores import on_all_cores
from rooms.echogram import STEP, sphere
from rooms.filters import band_weights
from rooms.microphones import Array
from rooms.noise import coherence_grid, diffuse_coherence, draw_normals, generator, square_roots
from rooms.scene import Scene

__all__ = ["late_part"]

LOWEST = 20.0
"""Hz; nothing below is sound, so the late field has none of it."""

SILENCE = 1e-10
"""Amplitude below which the late field has ended: −200 dB, and far from the numbers processors are slow with."""

SPLIT = 700.0
"""Hz; long frames below, where coherence reaches far, short ones above, where decays are short."""

FRAMES = (0.085, 0.021)
"""Length of a frame in s below and above `SPLIT`, to the nearest power of two in samples. Sound takes a third of the
long one across an orchestra; no hall's treble falls by more than 4 dB within the short one."""

TAKEOVER = 0.04
"""Length in s of the change from one noise to the other."""

AT_ONCE = 1 << 19
"""Spectral lines held at once: 4 MiB, which the processor's cache holds."""

WAVES = 4
"""Plane waves in a cell. The powers of two far sections in one cell, which should be independent, correlate by 1/4."""

_TURNS = (np.exp(2j * np.pi * np.arange(1 << 16) / (1 << 16)) / np.sqrt(WAVES)).astype(np.complex64)
_SPHERE = sphere(1 << 16).astype(np.float32)


def late_part(
    scene: Scene,
    energy: NDArray[np.float64],
    arrivals: NDArray[np.float64],
    samples: int,
    smooth_from: float,
) -> NDArray[np.float32]:
    """Return noise with a given expected energy.

    Parameters
    ----------
    scene : Scene
        Hall, sections, arrays, sample rate and seed.
    energy : ndarray, shape (sections, capsules, bands, grid)
        Energy at each time step of `rooms.echogram.STEP`.
    arrivals : ndarray, shape (sections, capsules)
        Direct arrival in s; silence before.
    samples : int
        Length.
    smooth_from : float
        Time in s from which on the energy only falls.

    Returns
    -------
    ndarray of float32, shape (sections, capsules, samples)
    """
    rate = float(scene.sample_rate)
    joint, fade = (int(np.ceil(t * rate)) for t in (smooth_from, TAKEOVER))
    envelope = np.maximum(energy, 0.0) / (STEP * rate)
    out = np.zeros((*energy.shape[:2], samples), dtype=np.float32)
    within = _between_capsules(scene)
    if samples > joint:
        for low, length in zip((True, False), FRAMES, strict=True):
            _by_frame(scene, within, envelope, joint, length, low, out)
        out[..., :joint] = 0.0
    start = np.zeros((*energy.shape[:2], min(joint + fade, samples)), dtype=np.float32)
    _by_band(scene, within, envelope, arrivals, start)
    turn = np.pi / 2.0 * (np.arange(max(start.shape[2] - joint, 0)) + 0.5) / fade
    out[..., joint : joint + fade] *= np.sin(turn).astype(np.float32)
    start[..., joint:] *= np.cos(turn).astype(np.float32)
    out[..., : joint + fade] += start
    return out


def _between_capsules(scene: Scene) -> list[NDArray[np.complex128]]:
    """Return what makes independent noises a diffuse field, (grid, capsules, capsules) for each array."""
    grid, c = coherence_grid(float(scene.sample_rate)), scene.hall.speed_of_sound
    return [
        square_roots(diffuse_coherence(grid, array.positions, array.axes, array.pressure_parts, c))
        for array in scene.arrays
    ]


def _laid_out(matrices: NDArray[np.complex128], scene: Scene, frequency: NDArray[np.float64]) -> NDArray[np.complex64]:
    """Return matrices (grid, m, n) between the frequencies of the grid, shape (m, n, frequencies)."""
    grid = coherence_grid(float(scene.sample_rate))
    below = np.clip(np.searchsorted(grid, frequency, side="right") - 1, 0, len(grid) - 2)
    part = (frequency - grid[below]) / np.diff(grid)[below]
    lines = np.ascontiguousarray(np.moveaxis(matrices, 0, -1))
    return np.asarray(lines[..., below] * (1.0 - part) + lines[..., below + 1] * part, dtype=np.complex64, order="C")


def _generators(scene: Scene, kind: str) -> dict[tuple[str, str], np.random.Generator]:
    """Return what draws the waves of each array's capsules."""
    return {(a.name, c.name): generator(scene.seed, kind, a.name, c.name) for a in scene.arrays for c in a.capsules}


def _drawn(
    randoms: Mapping[tuple[str, str], np.random.Generator], frames: int, bins: int, array: Array
) -> NDArray[np.complex64]:
    """Return the next frames of an array's waves, shape (capsules, frames, waves, bins), independent of each other."""
    out = np.empty((len(array.capsules), frames, WAVES, bins), dtype=np.complex64)
    for noise, capsule in zip(out, array.capsules, strict=True):
        draw_normals(randoms[array.name, capsule.name], noise.view(np.float32))
    return out


def _turned(
    scene: Scene, random: np.random.Generator, frames: int, frequency: NDArray[np.float64]
) -> list[NDArray[np.complex64]]:
    """Return how the next frames' waves arrive at each section, each of shape (frames, waves, frequencies)."""
    per_metre = (frequency / scene.hall.speed_of_sound).astype(np.float32)
    ways = random.integers(0, len(_SPHERE), (frames, WAVES, len(frequency)), dtype=np.uint16)
    centres = [s.centre.astype(np.float32) for s in scene.sections]
    return on_all_cores(lambda centre: _phases(ways, _SPHERE, centre, per_metre, _TURNS), centres)


def _weights(frequency: NDArray[np.float64]) -> NDArray[np.float32]:
    """Return the bands' weights without what is too low to be sound, shape (bands, frequencies)."""
    rise = np.clip(frequency / LOWEST - 0.5, 0.0, 1.0)
    return np.asarray(band_weights(frequency) * np.sin(np.pi / 2.0 * rise), dtype=np.float32)


def _by_band(
    scene: Scene,
    within: Sequence[NDArray[np.complex128]],
    envelope: NDArray[np.float64],
    arrivals: NDArray[np.float64],
    out: NDArray[np.float32],
) -> None:
    """Fill out (sections, capsules, samples): each octave band of one noise under an envelope of its own."""
    rate = float(scene.sample_rate)
    samples = out.shape[2]
    size = scipy.fft.next_fast_len(samples, real=True)
    frequency = scipy.fft.rfftfreq(size, 1.0 / rate)
    weights = _weights(frequency) * np.float32(np.sqrt(size / 2.0))
    amplitude = np.sqrt(envelope).astype(np.float32)
    amplitude[amplitude < SILENCE] = 0.0
    first = np.minimum(np.ceil(arrivals * rate).astype(np.int64), samples)
    inside = [_laid_out(roots, scene, frequency) for roots in within]
    randoms = _generators(scene, "late")
    turned = _turned(scene, generator(scene.seed, "late ways"), 1, frequency)
    noises = on_all_cores(partial(_drawn, randoms, 1, len(frequency)), scene.arrays)

    def shape(at: tuple[int, tuple[int, slice]]) -> None:
        section, (array, chosen) = at
        mixed = _mix(noises[array], turned[section], inside[array])[:, 0]
        for spectrum, capsule in zip(mixed, range(chosen.start, chosen.stop), strict=True):
            bands, place = scipy.fft.irfft(spectrum * weights, size), (section, capsule)
            _add_shaped(bands, amplitude[place], first[place], STEP * rate, out[place])

    on_all_cores(shape, product(range(len(out)), enumerate(scene.places)))


def _by_frame(
    scene: Scene,
    within: Sequence[NDArray[np.complex128]],
    envelope: NDArray[np.float64],
    joint: int,
    length: float,
    low: bool,
    out: NDArray[np.float32],
) -> None:
    """Add to out (sections, capsules, samples) from sample ``joint`` on: frames of noise below or above `SPLIT`.

    Frames under sine windows overlap by half and are independent of each other, so the squares of the windows, which
    sum to one, are what the power follows; so are, over frequency, the squares of the two shares.
    """
    rate = float(scene.sample_rate)
    samples = out.shape[2]
    frame = 1 << round(np.log2(length * rate))
    hop = frame // 2
    frames = -(-(samples - joint) // hop) + 1
    every = scipy.fft.rfftfreq(frame, 1.0 / rate)
    above = np.clip(2.0 * np.log2(np.maximum(every, 1.0) / SPLIT) + 0.5, 0.0, 1.0)
    share = np.cos(np.pi / 2.0 * above) if low else np.sin(np.pi / 2.0 * above)
    sounding = slice(int(np.argmax(share > 0.0)), len(every) - int(np.argmax(share[::-1] > 1e-9)))
    frequency = every[sounding]
    weights = _weights(frequency) * share[sounding].astype(np.float32)
    window = np.sin(np.pi / frame * (np.arange(frame) + 0.5)).astype(np.float32)
    centres = (joint + hop * np.arange(frames)) / rate
    power = _frame_power(envelope, centres, frame / rate)
    gains = np.ascontiguousarray(np.sqrt(power * (frame / 2.0)).swapaxes(2, 3), dtype=np.float32)

    inside = [_laid_out(roots, scene, frequency) for roots in within]
    kind = f"late frames of {frame}"
    ways, randoms = generator(scene.seed, f"{kind}, ways"), _generators(scene, kind)
    step = max(AT_ONCE // (len(randoms) * WAVES * len(every)), 1)
    for begin in range(0, frames, step):
        some = slice(begin, min(begin + step, frames))
        count = some.stop - begin
        turned = _turned(scene, ways, count, frequency)
        noises = on_all_cores(partial(_drawn, randoms, count, len(frequency)), scene.arrays)
        pairs = product(enumerate(turned), zip(noises, inside, scene.places, strict=True))
        work = [
            (noise, phases, roots, weights, gains[section, chosen, some], window, sounding.start,
             joint + (begin - 1) * hop, out[section, chosen])
            for (section, phases), (noise, roots, chosen) in pairs
        ]  # fmt: skip
        on_all_cores(lambda arguments: _add_frames(*arguments), work)


def _add_frames(
    noise: NDArray[np.complex64],
    turned: NDArray[np.complex64],
    within: NDArray[np.complex64],
    weights: NDArray[np.float32],
    gains: NDArray[np.float32],
    window: NDArray[np.float32],
    first_bin: int,
    begin: int,
    out: NDArray[np.float32],
) -> None:
    """Add frames of one section's noise at one array to out (capsules, samples) from a sample on.

    As of `_mix` and `_weigh`; the weights' bins begin at ``first_bin``, and all others are silent.
    """
    mixed = _mix(noise, turned, within)
    spectra = np.zeros((*mixed.shape[:2], len(window) // 2 + 1), dtype=np.complex64)
    _weigh(mixed, weights, gains, spectra[..., first_bin : first_bin + mixed.shape[2]])
    _overlap_add(scipy.fft.irfft(spectra, len(window), axis=-1), window, begin, out)


def _frame_power(envelope: NDArray[np.float64], centres: NDArray[np.float64], length: float) -> NDArray[np.float64]:
    """Return the power of each frame so that overlapping frames together have the envelope (…, grid).

    The mean over a frame's squared window, and once more over frames, raises an exponential decay by the same factor
    each time; what is asked of the frame is lower by one of them.
    """
    lag = np.linspace(-0.5, 0.5, 257)
    once = np.cos(np.pi * lag) ** 2
    taps = np.arange(-int(length / STEP) - 1, int(length / STEP) + 2)
    places = np.rint(centres / STEP).astype(np.int64)[:, None] + taps  # (frames, taps)
    away = (places * STEP - centres[:, None]) / length
    inside = (places >= 0) & (places < envelope.shape[-1])
    places = np.clip(places, 0, envelope.shape[-1] - 1)

    def mean(shape: NDArray[np.float64], reach: float) -> NDArray[np.float64]:
        weights = inside * np.interp(away, np.linspace(-reach, reach, len(shape)), shape, left=0.0, right=0.0)
        weights /= np.maximum(weights.sum(axis=1, keepdims=True), 1e-12)
        ends = np.arange(0, weights.size + 1, weights.shape[1])
        taken = scipy.sparse.csr_array((weights.ravel(), places.ravel(), ends), (len(centres), envelope.shape[-1]))
        lines = np.ascontiguousarray(envelope.reshape(-1, envelope.shape[-1]).T)
        return np.ascontiguousarray((taken @ lines).T).reshape(*envelope.shape[:-1], -1)

    smooth, smoother = mean(once, 0.5), mean(np.convolve(once, once), 1.0)
    fall = np.divide(smooth, smoother, out=np.zeros_like(smooth), where=smoother > SILENCE**2)
    return np.asarray(smooth * np.minimum(fall, 1.0) ** 2)


@numba.njit(nogil=True, cache=True, fastmath=True)
def _phases(ways, sphere, place, per_metre, turns):  # type: ignore[no-untyped-def]
    """Return the phase factors of waves (frames, waves, bins) at a place.

    ``ways`` are rows of ``sphere``, the directions waves come from; ``turns`` are the factors all the way round.
    """
    frames, waves, bins = ways.shape
    out = np.empty((frames, waves, bins), np.complex64)
    for r in range(frames):
        for w in range(waves):
            for k in range(bins):
                way = ways[r, w, k]
                along = sphere[way, 0] * place[0] + sphere[way, 1] * place[1] + sphere[way, 2] * place[2]
                out[r, w, k] = turns[int(np.floor(along * per_metre[k] * len(turns))) & (len(turns) - 1)]
    return out


@numba.njit(nogil=True, cache=True, fastmath=True)
def _mix(noise, turned, within):  # type: ignore[no-untyped-def]
    """Return one section's coherent spectra (capsules, frames, bins).

    Made of noise (capsules, frames, waves, bins), turned (frames, waves, bins) as it arrives at the section, and what
    is between capsules (capsules, capsules, bins).
    """
    capsules, frames, waves, bins = noise.shape
    out = np.zeros((capsules, frames, bins), np.complex64)
    alone = np.empty((capsules, bins), np.complex64)
    for r in range(frames):
        alone[:] = 0.0
        for j in range(capsules):
            x = alone[j]
            for w in range(waves):
                a = noise[j, r, w]
                b = turned[r, w]
                for k in range(bins):
                    x[k] += a[k] * b[k]
        for i in range(capsules):
            z = out[i, r]
            for j in range(capsules):
                a = within[i, j]
                x = alone[j]
                for k in range(bins):
                    z[k] += a[k] * x[k]
    return out


@numba.njit(nogil=True, cache=True, fastmath=True)
def _weigh(spectra, weights, gains, out):  # type: ignore[no-untyped-def]
    """Write spectra (capsules, frames, bins) times what the bands' gains (…, bands) come to, to out."""
    capsules, frames, bins = spectra.shape
    gain = np.empty(bins, np.float32)
    for i in range(capsules):
        for r in range(frames):
            gain[:] = 0.0
            for b in range(weights.shape[0]):
                g = gains[i, r, b]
                for k in range(bins):
                    gain[k] += weights[b, k] * g
            for k in range(bins):
                out[i, r, k] = spectra[i, r, k] * gain[k]


@numba.njit(nogil=True, cache=True, fastmath=True)
def _overlap_add(sound, window, begin, out):  # type: ignore[no-untyped-def]
    """Add frames (capsules, frames, frame) under a window to out (capsules, samples)."""
    capsules, frames, length = sound.shape
    for i in range(capsules):
        for r in range(frames):
            at = begin + r * (length // 2)
            for n in range(max(-at, 0), min(length, out.shape[1] - at)):
                out[i, at + n] += sound[i, r, n] * window[n]


@numba.njit(nogil=True, cache=True, fastmath=True)
def _add_shaped(bands, envelopes, begin, samples_per_step, out):  # type: ignore[no-untyped-def]
    """Add bands (bands, ≥ samples) times their envelopes (bands, grid) to out (samples,) from begin on."""
    for b in range(bands.shape[0]):
        for k in range(envelopes.shape[1] - 1):
            if envelopes[b, k] == 0.0 and envelopes[b, k + 1] == 0.0:
                continue
            first = max(int(np.ceil(k * samples_per_step)), begin)
            last = min(int(np.ceil((k + 1) * samples_per_step)), out.shape[0])
            slope = np.float32((envelopes[b, k + 1] - envelopes[b, k]) / samples_per_step)
            level = np.float32(envelopes[b, k] + slope * (first - k * samples_per_step))
            for n in range(first, last):
                out[n] += (level + slope * np.float32(n - first)) * bands[b, n]
