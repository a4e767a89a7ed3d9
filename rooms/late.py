"""The late part of the responses: expected energy turned into sound.

Gaussian noise, as coherent between the capsules of an array as a diffuse field is and as coherent between two sections
as their distance says, is shaped band by band by the energy the hall lets through.
"""

from __future__ import annotations

import os
from concurrent.futures import ThreadPoolExecutor

import numba
import numpy as np
import scipy.fft
from numpy.typing import NDArray

from rooms.echogram import STEP
from rooms.filters import band_weights
from rooms.noise import coherence_grid, diffuse_coherence, generator, mix_channels, square_roots
from rooms.scene import Scene

__all__ = ["late_part"]

LOWEST = 20.0
"""Hz; nothing below is sound, so the late field has none of it."""

SILENCE = 1e-10
"""Amplitude below which the late field has ended: −200 dB, and far from the numbers processors are slow with."""


def late_part(
    scene: Scene, energy: NDArray[np.float64], arrivals: NDArray[np.float64], samples: int
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

    Returns
    -------
    ndarray of float32, shape (sections, capsules, samples)
    """
    rate = float(scene.sample_rate)
    size = scipy.fft.next_fast_len(samples, real=True)
    frequency = scipy.fft.rfftfreq(size, 1.0 / rate)
    grid = coherence_grid(rate)
    c = scene.hall.speed_of_sound
    rise = np.clip(frequency / LOWEST - 0.5, 0.0, 1.0)
    weights = (band_weights(frequency) * np.sin(np.pi / 2.0 * rise)).astype(np.float32)

    count = len(scene.sections)
    centres = np.array([s.centre for s in scene.sections])
    up = np.tile([0.0, 0.0, 1.0], (count, 1))
    between = diffuse_coherence(grid, centres, up, np.ones(count), c)
    # Cholesky, not the symmetric root: a section's noise depends on those before it only, and moves smoothly with it.
    roots = np.linalg.cholesky(between + 1e-9 * np.eye(count))

    envelope = np.sqrt(np.maximum(energy, 0.0) / (STEP * rate)).astype(np.float32)
    envelope[envelope < SILENCE] = 0.0
    out = np.zeros((*energy.shape[:2], samples), dtype=np.float32)
    first = np.minimum(np.ceil(arrivals * rate).astype(np.int64), samples)
    begin = 0
    for array in scene.arrays:
        capsules = len(array.capsules)
        chosen = slice(begin, begin + capsules)
        noise = np.empty((count, capsules, samples), dtype=np.float32)
        for i, section in enumerate(scene.sections):
            for j, capsule in enumerate(array.capsules):
                random = generator(scene.seed, "late", section.name, array.name, capsule.name)
                random.standard_normal(out=noise[i, j], dtype=np.float32)
        spectra = scipy.fft.rfft(noise, size, axis=-1, workers=-1)
        del noise
        if capsules > 1:
            within = diffuse_coherence(grid, array.positions, array.axes, array.pressure_parts, c)
            mix_channels(spectra, square_roots(within), grid, frequency)
        if count > 1:
            spectra = np.ascontiguousarray(spectra.swapaxes(0, 1))
            mix_channels(spectra, np.asarray(roots, dtype=np.complex128), grid, frequency)
            spectra = spectra.swapaxes(0, 1)

        def shape(i: int, spectra: NDArray[np.complex64] = spectra, chosen: slice = chosen) -> None:
            for b, weight in enumerate(weights):
                band = scipy.fft.irfft(spectra[i] * weight, size, axis=-1)
                _add_shaped(band, envelope[i, chosen, b], first[i, chosen], STEP * rate, out[i, chosen])

        with ThreadPoolExecutor(os.cpu_count()) as pool:
            list(pool.map(shape, range(count)))
        begin += capsules
    return out


@numba.njit(nogil=True, cache=True, fastmath=True)
def _add_shaped(band, envelope, begin, samples_per_step, out):  # type: ignore[no-untyped-def]
    """Add band (channels, ≥ samples) times its envelope (channels, grid) to out (channels, samples) from begin on."""
    for i in range(out.shape[0]):
        for k in range(envelope.shape[1] - 1):
            if envelope[i, k] == 0.0 and envelope[i, k + 1] == 0.0:
                continue
            first = max(int(np.ceil(k * samples_per_step)), begin[i])
            last = min(int(np.ceil((k + 1) * samples_per_step)), out.shape[1])
            slope = np.float32((envelope[i, k + 1] - envelope[i, k]) / samples_per_step)
            level = np.float32(envelope[i, k] + slope * (first - k * samples_per_step))
            for n in range(first, last):
                out[i, n] += (level + slope * np.float32(n - first)) * band[i, n]
