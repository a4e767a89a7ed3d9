"""The late part of the responses: expected energy turned into sound.

Gaussian noise, as coherent between the capsules of an array as a diffuse field is and as coherent between two sections
as their distance says, is shaped band by band by the energy the hall lets through.
"""

from __future__ import annotations

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
    between = np.linalg.cholesky(between + 1e-9 * np.eye(count))

    envelope = np.sqrt(np.maximum(energy, 0.0) / (STEP * rate)).astype(np.float32)
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
        if capsules > 1:
            within = diffuse_coherence(grid, array.positions, array.axes, array.pressure_parts, c)
            mix_channels(spectra, square_roots(within), grid, frequency)
        if count > 1:
            spectra = np.ascontiguousarray(spectra.swapaxes(0, 1))
            mix_channels(spectra, between, grid, frequency)
            spectra = spectra.swapaxes(0, 1)
        for i in range(count):
            for b, weight in enumerate(weights):
                band = scipy.fft.irfft(spectra[i] * weight, size, axis=-1, workers=-1)
                _add_shaped(band, envelope[i, chosen, b], first[i, chosen], 1.0 / (STEP * rate), out[i, chosen])
        begin += capsules
    return out


@numba.njit(parallel=True, cache=True, fastmath=True)
def _add_shaped(band, envelope, begin, steps_per_sample, out):  # type: ignore[no-untyped-def]
    """Add band (channels, ≥ samples) times its envelope (channels, grid) to out (channels, samples) from begin on."""
    for i in numba.prange(out.shape[0]):
        last = envelope.shape[1] - 2
        for n in range(begin[i], out.shape[1]):
            at = n * steps_per_sample
            k = min(int(at), last)
            e = envelope[i, k] + np.float32(at - k) * (envelope[i, k + 1] - envelope[i, k])
            out[i, n] += e * band[i, n]
