"""The late part of the responses: expected energy turned into sound.

Gaussian noise, as coherent between the capsules of an array as a diffuse field is and as coherent between two sections
as their distance says, is shaped by the energy the hall lets through: band by band where that changes within
milliseconds, then, where it only falls, frame by frame, which costs a fifth.
"""

from __future__ import annotations

import os
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from itertools import product

import numba
import numpy as np
import scipy.fft
from numpy.typing import NDArray

from rooms.echogram import STEP
from rooms.filters import band_weights
from rooms.microphones import Array
from rooms.noise import coherence_grid, diffuse_coherence, draw_normals, generator, square_roots
from rooms.scene import Scene

__all__ = ["late_part"]

Numbers = NDArray[np.float64] | NDArray[np.complex128]

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


def late_part(
    scene: Scene,
    energy: NDArray[np.float64],
    arrivals: NDArray[np.float64],
    samples: int,
    smooth_from: float,
    wanted: Sequence[int] | None = None,
) -> NDArray[np.float32]:
    """Return noise with a given expected energy.

    Parameters
    ----------
    scene : Scene
        Hall, sections, arrays, sample rate and seed.
    energy : ndarray, shape (wanted sections, capsules, bands, grid)
        Energy at each time step of `rooms.echogram.STEP`.
    arrivals : ndarray, shape (wanted sections, capsules)
        Direct arrival in s; silence before.
    samples : int
        Length.
    smooth_from : float
        Time in s from which on the energy only falls.
    wanted : sequence of int, optional
        Which of the scene's sections; all if left out. The others matter, too: noises are coherent.

    Returns
    -------
    ndarray of float32, shape (wanted sections, capsules, samples)
    """
    wanted = range(len(scene.sections)) if wanted is None else wanted
    rate = float(scene.sample_rate)
    joint, fade = (int(np.ceil(t * rate)) for t in (smooth_from, TAKEOVER))
    envelope = np.maximum(energy, 0.0) / (STEP * rate)
    out = np.zeros((*energy.shape[:2], samples), dtype=np.float32)
    within, between = _between_capsules(scene), _between_sections(scene, wanted)
    if samples > joint:
        for low, length in zip((True, False), FRAMES, strict=True):
            _by_frame(scene, within, between, envelope, joint, length, low, out)
        out[..., :joint] = 0.0
    start = np.zeros((*energy.shape[:2], min(joint + fade, samples)), dtype=np.float32)
    _by_band(scene, within, between, envelope, arrivals, start)
    turn = np.pi / 2.0 * (np.arange(max(start.shape[2] - joint, 0)) + 0.5) / fade
    out[..., joint : joint + fade] *= np.sin(turn).astype(np.float32)
    start[..., joint:] *= np.cos(turn).astype(np.float32)
    out[..., : joint + fade] += start
    return out


def _arrays(scene: Scene) -> Iterator[tuple[Array, slice]]:
    """Yield the arrays with the places of their capsules among all."""
    begin = 0
    for array in scene.arrays:
        yield array, slice(begin, begin + len(array.capsules))
        begin += len(array.capsules)


def _between_capsules(scene: Scene) -> list[NDArray[np.complex128]]:
    """Return what makes independent noises a diffuse field, (grid, capsules, capsules) for each array."""
    grid, c = coherence_grid(float(scene.sample_rate)), scene.hall.speed_of_sound
    return [
        square_roots(diffuse_coherence(grid, array.positions, array.axes, array.pressure_parts, c))
        for array in scene.arrays
    ]


def _between_sections(scene: Scene, wanted: Sequence[int]) -> NDArray[np.float64]:
    """Return what makes independent noises as coherent as sections are, shape (grid, wanted, sections).

    Cholesky, not the symmetric root: a section's noise depends on those before it only, and moves smoothly with it.
    """
    grid = coherence_grid(float(scene.sample_rate))
    centres = np.array([s.centre for s in scene.sections])
    up, omnis = np.tile([0.0, 0.0, 1.0], (len(centres), 1)), np.ones(len(centres))
    coherence = diffuse_coherence(grid, centres, up, omnis, scene.hall.speed_of_sound).real
    roots = np.linalg.cholesky(coherence + 1e-9 * np.eye(len(centres)))
    return np.asarray(roots[:, list(wanted)], dtype=np.float64)


def _laid_out(matrices: Numbers, scene: Scene, frequency: NDArray[np.float64]) -> Numbers:
    """Return matrices (grid, m, n) between the frequencies of the grid, shape (m, n, frequencies)."""
    grid = coherence_grid(float(scene.sample_rate))
    below = np.clip(np.searchsorted(grid, frequency, side="right") - 1, 0, len(grid) - 2)
    part = (frequency - grid[below]) / np.diff(grid)[below]
    lines = np.ascontiguousarray(np.moveaxis(matrices, 0, -1))
    return np.asarray(lines[..., below] * (1.0 - part) + lines[..., below + 1] * part)


def _weights(frequency: NDArray[np.float64]) -> NDArray[np.float32]:
    """Return the bands' weights without what is too low to be sound, shape (bands, frequencies)."""
    rise = np.clip(frequency / LOWEST - 0.5, 0.0, 1.0)
    return np.asarray(band_weights(frequency) * np.sin(np.pi / 2.0 * rise), dtype=np.float32)


def _by_band(
    scene: Scene,
    within: Sequence[NDArray[np.complex128]],
    between: NDArray[np.float64],
    envelope: NDArray[np.float64],
    arrivals: NDArray[np.float64],
    out: NDArray[np.float32],
) -> None:
    """Fill out (sections, capsules, samples): each octave band of one noise under an envelope of its own."""
    rate = float(scene.sample_rate)
    sections, samples = len(scene.sections), out.shape[2]
    size = scipy.fft.next_fast_len(samples, real=True)
    frequency = scipy.fft.rfftfreq(size, 1.0 / rate)
    weights = _weights(frequency)
    amplitude = np.sqrt(envelope).astype(np.float32)
    amplitude[amplitude < SILENCE] = 0.0
    first = np.minimum(np.ceil(arrivals * rate).astype(np.int64), samples)
    among = _laid_out(between, scene, frequency).astype(np.float32, order="C")
    for (array, chosen), roots in zip(_arrays(scene), within, strict=True):
        noise = np.empty((sections, len(array.capsules), 1, size), dtype=np.float32)
        for i, j in product(range(sections), range(len(array.capsules))):
            names = (scene.sections[i].name, array.name, array.capsules[j].name)
            draw_normals(generator(scene.seed, "late", *names), noise[i, j])
        spectra = scipy.fft.rfft(noise, axis=-1, workers=-1)
        spectra = _mix(spectra, _laid_out(roots, scene, frequency).astype(np.complex64, order="C"), among)

        def shape(at: tuple[int, int], spectra: NDArray[np.complex64] = spectra, chosen: slice = chosen) -> None:
            bands = scipy.fft.irfft(spectra[at] * weights, size)
            place = (at[0], chosen.start + at[1])
            _add_shaped(bands, amplitude[place], first[place], STEP * rate, out[place])

        with ThreadPoolExecutor(os.cpu_count()) as pool:
            list(pool.map(shape, product(range(len(out)), range(len(array.capsules)))))


def _by_frame(
    scene: Scene,
    within: Sequence[NDArray[np.complex128]],
    between: NDArray[np.float64],
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
    sections, samples = len(scene.sections), out.shape[2]
    frame = 1 << round(np.log2(length * rate))
    hop = frame // 2
    frames = -(-(samples - joint) // hop) + 1
    every = scipy.fft.rfftfreq(frame, 1.0 / rate)
    above = np.clip(2.0 * np.log2(np.maximum(every, 1.0) / SPLIT) + 0.5, 0.0, 1.0)
    share = np.cos(np.pi / 2.0 * above) if low else np.sin(np.pi / 2.0 * above)
    sounding = slice(int(np.argmax(share > 0.0)), len(every) - int(np.argmax(share[::-1] > 1e-9)))
    frequency = every[sounding]
    among = _laid_out(between, scene, frequency).astype(np.float32, order="C")
    weights = _weights(frequency) * share[sounding].astype(np.float32)
    window = np.sin(np.pi / frame * (np.arange(frame) + 0.5)).astype(np.float32)
    centres = (joint + hop * np.arange(frames)) / rate
    power = _frame_power(envelope, centres, frame / rate)
    gains = np.ascontiguousarray(np.sqrt(power * (frame / 2.0)).swapaxes(2, 3), dtype=np.float32)

    for (array, chosen), roots in zip(_arrays(scene), within, strict=True):
        capsules = len(array.capsules)
        inside = _laid_out(roots, scene, frequency).astype(np.complex64, order="C")
        kind = f"late frames of {frame}"
        randoms = {
            (i, j): generator(scene.seed, kind, section.name, array.name, capsule.name)
            for i, section in enumerate(scene.sections)
            for j, capsule in enumerate(array.capsules)
        }
        step = max(AT_ONCE // (len(randoms) * len(every)), 1)
        for begin in range(0, frames, step):
            count = min(step, frames - begin)
            spectra = np.empty((sections, capsules, count, len(frequency)), dtype=np.complex64)
            for at, random in randoms.items():
                draw_normals(random, spectra[at].view(np.float32))
            mixed = _mix(spectra, inside, among)
            whole = np.zeros((*mixed.shape[:3], len(every)), dtype=np.complex64)
            _weigh(mixed, weights, gains[:, chosen, begin : begin + count], whole[..., sounding])
            sound = scipy.fft.irfft(whole, frame, axis=-1, workers=-1)
            _overlap_add(sound, window, joint + (begin - 1) * hop, out[:, chosen])


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
        return np.asarray(_taken(envelope.reshape(-1, envelope.shape[-1]), places, weights)).reshape(
            *envelope.shape[:-1], -1
        )

    smooth, smoother = mean(once, 0.5), mean(np.convolve(once, once), 1.0)
    fall = np.divide(smooth, smoother, out=np.zeros_like(smooth), where=smoother > SILENCE**2)
    return np.asarray(smooth * np.minimum(fall, 1.0) ** 2)


@numba.njit(cache=True)
def _taken(lines, places, weights):  # type: ignore[no-untyped-def]
    """Return weighted sums of each line (lines, grid) at places (frames, taps), shape (lines, frames)."""
    out = np.zeros((lines.shape[0], places.shape[0]))
    for n in range(lines.shape[0]):
        for r in range(places.shape[0]):
            for t in range(places.shape[1]):
                out[n, r] += lines[n, places[r, t]] * weights[r, t]
    return out


@numba.njit(parallel=True, cache=True, fastmath=True)
def _mix(spectra, within, between):  # type: ignore[no-untyped-def]
    """Return coherent spectra (wanted, capsules, frames, bins) made of independent ones (sections, …)."""
    sections, capsules, frames, bins = spectra.shape
    out = np.zeros((between.shape[0], capsules, frames, bins), np.complex64)
    tile = 512  # bins that stay in cache
    tiles = (bins + tile - 1) // tile
    for n in numba.prange(frames * tiles):
        r = n // tiles
        first = (n % tiles) * tile
        last = min(first + tile, bins)
        mixed = np.zeros((sections, capsules, last - first), np.complex64)
        for s in range(sections):
            for i in range(capsules):
                for j in range(capsules):
                    a = within[i, j, first:last]
                    x = spectra[s, j, r, first:last]
                    y = mixed[s, i]
                    for k in range(last - first):
                        y[k] += a[k] * x[k]
        for s in range(between.shape[0]):
            for i in range(capsules):
                z = out[s, i, r, first:last]
                for q in range(sections):
                    b = between[s, q, first:last]
                    w = mixed[q, i]
                    for k in range(last - first):
                        z[k] += b[k] * w[k]
    return out


@numba.njit(parallel=True, cache=True, fastmath=True)
def _weigh(spectra, weights, gains, out):  # type: ignore[no-untyped-def]
    """Write spectra (sections, capsules, frames, bins) times what the bands' gains (…, bands) come to, to out."""
    sections, capsules, frames, bins = spectra.shape
    for n in numba.prange(sections * capsules):
        s, i = n // capsules, n % capsules
        gain = np.empty(bins, np.float32)
        for r in range(frames):
            gain[:] = 0.0
            for b in range(weights.shape[0]):
                g = gains[s, i, r, b]
                for k in range(bins):
                    gain[k] += weights[b, k] * g
            for k in range(bins):
                out[s, i, r, k] = spectra[s, i, r, k] * gain[k]


@numba.njit(parallel=True, cache=True, fastmath=True)
def _overlap_add(sound, window, begin, out):  # type: ignore[no-untyped-def]
    """Add frames (sections, capsules, frames, frame) under a window to out (sections, capsules, samples)."""
    sections, capsules, frames, length = sound.shape
    for line in numba.prange(sections * capsules):
        s, i = line // capsules, line % capsules
        for r in range(frames):
            at = begin + r * (length // 2)
            for n in range(max(-at, 0), min(length, out.shape[2] - at)):
                out[s, i, at + n] += sound[s, i, r, n] * window[n]


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
