"""The late field's noise: Gaussian, keyed by names, and as coherent between capsules as a diffuse field is.

References
----------
Cook, Waterhouse, Berendt, Edelman & Thompson, "Measurement of correlation coefficients in reverberant sound fields",
J. Acoust. Soc. Am. 27, 1955: sin(kd)/(kd) between two omnis. Other first-order patterns follow by the same integral
over the sphere, which has a closed form in spherical Bessel functions.
"""

from __future__ import annotations

import hashlib

import numba
import numpy as np
import scipy.special
from numpy.typing import NDArray

from rooms.units import MIDBANDS

__all__ = ["coherence_grid", "diffuse_coherence", "draw_normals", "generator", "square_roots"]


def generator(seed: int, *names: str) -> np.random.Generator:
    """Return the random generator that belongs to a seed and names, whatever else the scene holds."""
    digest = hashlib.sha256("\0".join(names).encode()).digest()
    return np.random.default_rng([seed, *np.frombuffer(digest, dtype=np.uint32).tolist()])


_QUANTILES = scipy.special.ndtri((np.arange(1 << 16) + 0.5) / (1 << 16)).astype(np.float32)


def draw_normals(random: np.random.Generator, out: NDArray[np.float32]) -> None:
    """Fill an array with standard normal numbers, an eighth of the time numpy's own take.

    Each is one of 65,536 quantiles, the outermost at 4.3 standard deviations: plenty for spectra and long noises, whose
    every sample, or line, sums thousands of them.
    """
    raw = random.bit_generator.random_raw(-(-out.size // 4))
    _look_up(np.asarray(raw, dtype="<u8").view("<u2"), _QUANTILES, out.reshape(-1))


@numba.njit(nogil=True, cache=True)
def _look_up(places, table, out):  # type: ignore[no-untyped-def]
    """Fill out (n,) with the entries of a table at n places."""
    for n in range(len(out)):
        out[n] = table[places[n]]


def coherence_grid(sample_rate: float) -> NDArray[np.float64]:
    """Return the frequencies in Hz at which coherence is evaluated: every 4 Hz to 1 kHz, then 48 an octave."""
    high = 1000.0 * 2.0 ** (np.arange(1, 400) / 48.0)
    return np.concatenate([np.arange(0.0, 1000.1, 4.0), high[high < sample_rate / 2.0], [sample_rate / 2.0]])


def diffuse_coherence(
    frequency: NDArray[np.float64],
    positions: NDArray[np.float64],
    axes: NDArray[np.float64],
    pressure_parts: NDArray[np.float64],
    speed_of_sound: float,
) -> NDArray[np.complex128]:
    """Return the coherence matrix of first-order capsules in a diffuse field.

    Parameters
    ----------
    frequency : ndarray, shape (frequencies,)
        Hz.
    positions, axes : ndarray, shape (capsules, 3)
        m; unit vectors.
    pressure_parts : ndarray, shape (capsules,) or (capsules, bands)
        The a of each pattern a + (1 − a)·cos θ; by octave band, it moves evenly from mid-band to mid-band.
    speed_of_sound : float
        m/s.

    Returns
    -------
    ndarray, shape (frequencies, capsules, capsules)
        Hermitian, ones on the diagonal.

    Notes
    -----
    With x = k·d and d̂ from capsule j to i, the means over the sphere are ⟨e^{ix·u}⟩ = j₀, ⟨u e^{ix·u}⟩ = i·j₁·d̂ and
    ⟨u uᵀ e^{ix·u}⟩ = (j₁/x)·I − j₂·d̂d̂ᵀ.
    """
    vector = positions[:, None] - positions[None]
    distance = np.linalg.norm(vector, axis=2)
    unit = vector / np.maximum(distance, 1e-12)[..., None]
    x = 2.0 * np.pi / speed_of_sound * frequency[:, None, None] * distance
    small = x < 1e-2
    safe = np.where(small, 1.0, x)
    j0 = np.where(small, 1.0 - x**2 / 6.0, np.sin(safe) / safe)
    j1 = np.where(small, x / 3.0, np.sin(safe) / safe**2 - np.cos(safe) / safe)
    j1_over_x = np.where(small, 1.0 / 3.0 - x**2 / 30.0, j1 / safe)
    j2 = np.where(small, x**2 / 15.0, 3.0 * j1_over_x - j0)
    a = pressure_parts[None]
    if pressure_parts.ndim == 2:
        octaves = np.log2(np.maximum(frequency, MIDBANDS[0]))
        a = np.stack([np.interp(octaves, np.log2(MIDBANDS), parts) for parts in pressure_parts], axis=1)
    b = 1.0 - a
    along_i = np.einsum("ijx,ix->ij", unit, axes)
    along_j = np.einsum("ijx,jx->ij", unit, axes)
    between = axes @ axes.T
    product = (
        a[:, :, None] * a[:, None] * j0
        + 1j * j1 * (a[:, :, None] * b[:, None] * along_j + b[:, :, None] * a[:, None] * along_i)
        + b[:, :, None] * b[:, None] * (between * j1_over_x - along_i * along_j * j2)
    )
    power = np.sqrt(a**2 + b**2 / 3.0)
    return np.asarray(product / (power[:, :, None] * power[:, None]))


def square_roots(matrices: NDArray[np.complex128]) -> NDArray[np.complex128]:
    """Return the Hermitian square root of each matrix, shape (..., n, n); tiny negative eigenvalues count as zero."""
    values, vectors = np.linalg.eigh(matrices)
    scaled = vectors * np.sqrt(np.maximum(values, 0.0))[..., None, :]
    return np.asarray(scaled @ np.conj(np.swapaxes(vectors, -1, -2)))
