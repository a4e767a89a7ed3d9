"""Energy over time: what arrives at a capsule, per octave band, before any phase is decided.

A box answers in two parts that share the source's energy without overlap: what was never scattered (`rooms.specular`)
and what was scattered at least once (`rooms.scattering`). Air is a pure function of travel time, multiplied at the end.

Times sit on the grid k·step, k = 0, 1, …; arrivals are split between the two nearest grid points, which keeps their
mean time. Energies are relative to the direct sound of an omnidirectional source at 1 m. Nothing is random: points and
directions come from a low-discrepancy sequence, so results move smoothly with the scene.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numba
import numpy as np
import scipy.fft
from numpy.typing import NDArray

from rooms.surfaces import Hall
from rooms.units import BANDS

__all__ = [
    "STEP",
    "Radiators",
    "air_loss",
    "ears",
    "grid_size",
    "into_bins",
    "log_pattern",
    "low_discrepancy",
    "omni",
    "sphere",
]

STEP = 0.002
"""Spacing of the time grid in s."""


@dataclass(frozen=True)
class Radiators:
    """Points that send or receive, with their energy patterns; a section is one radiator of many points.

    The pattern of point p in band b towards unit vector u is the product of the instrument's,
    (exp(κ_b·(u·axis − on_aim)) + q_b)/(1 + q_b), and the capsule's, (a + (1 − a)·u·axis)²; an instrument has a = 1, a
    capsule κ = 0.

    Parameters
    ----------
    points : ndarray, shape (points, 3)
        m.
    axes : ndarray, shape (points, 3)
        Unit vectors.
    kappa : ndarray, shape (bands,)
        Concentration of the source pattern; zeros for capsules and omnidirectional sources.
    on_aim : float
        Cosine between the axis and the direction in which the source pattern is 0 dB.
    pressure_part : float or ndarray, shape (bands,)
        The a of a capsule's pattern; 1 for sources.
    energy : float or ndarray, shape (bands,)
        Total energy of the radiator, shared by its points; that on axis for a capsule.
    all_round : float or ndarray, shape (bands,)
        The q of a source's pattern: what leaves alike in all directions, re the beam where the pattern is 0 dB.
    """

    points: NDArray[np.float64]
    axes: NDArray[np.float64]
    kappa: NDArray[np.float64]
    on_aim: float = 1.0
    pressure_part: float | NDArray[np.float64] = 1.0
    energy: float | NDArray[np.float64] = 1.0
    all_round: float | NDArray[np.float64] = 0.0

    def pattern(self, cosine: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the energy pattern for cosines to the axis, shape (..., ) -> (..., bands)."""
        capsule = (self.pressure_part + (1.0 - self.pressure_part) * cosine[..., None]) ** 2
        if not self.kappa.any():
            return np.asarray(np.broadcast_to(capsule, (*cosine.shape, len(self.kappa))))
        beam = np.exp((cosine[..., None] - self.on_aim) * self.kappa)
        return np.asarray((beam + self.all_round) / (1.0 + self.all_round) * capsule)

    def mirrored_pattern(self, directions: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the energy pattern's mean over the points and over the eight mirror images of each direction.

        Parameters
        ----------
        directions : ndarray, shape (directions, 3)
            Unit vectors.

        Returns
        -------
        ndarray, shape (directions, bands)

        Notes
        -----
        The mean of exp(κ·u·axis) over all signs of u's components is the product of cosh(κ·uₐ·axisₐ); that of
        (a + (1 − a)·u·axis)² is a² + (1 − a)²·Σ(uₐ·axisₐ)².
        """
        along = directions[:, None] * self.axes  # (directions, points, 3)
        a = np.asarray(self.pressure_part)
        capsule = (a**2 + (1.0 - a) ** 2 * (along**2).sum(axis=2)[..., None]).mean(axis=1)
        out = np.array(np.broadcast_to(capsule, (len(directions), len(self.kappa))))
        aimed = self.kappa != 0.0
        kappa = self.kappa[aimed]
        both = np.cosh(along[..., None] * kappa).prod(axis=2).mean(axis=1)  # no radiator is instrument and capsule
        all_round = np.broadcast_to(self.all_round, len(self.kappa))[aimed]
        out[:, aimed] *= (both * np.exp(-self.on_aim * kappa) + all_round) / (1.0 + all_round)
        return out


@numba.njit(cache=True, fastmath=True)
def log_pattern(kappa, cosine, on_aim, all_round):  # type: ignore[no-untyped-def]
    """Return the logarithm of an instrument's energy pattern in one band, as of `Radiators`."""
    beam = kappa * (cosine - on_aim)
    return beam if all_round == 0.0 else np.log((np.exp(beam) + all_round) / (1.0 + all_round))


def ears(
    hall: Hall, receivers: Sequence[Radiators]
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Return what loops over receivers need of them, by the first point of each.

    Returns
    -------
    points : ndarray, shape (receivers, 3)
        m from the box's lower corner.
    axes : ndarray, shape (receivers, 3)
        Unit vectors.
    pressure_parts, energy : ndarray, shape (receivers, bands)
        As of `Radiators`.
    """
    bands = len(BANDS)
    return (
        np.array([r.points[0] for r in receivers]) - hall.box.lower,
        np.array([r.axes[0] for r in receivers]),
        np.array([np.broadcast_to(r.pressure_part, bands) for r in receivers], dtype=np.float64),
        np.array([np.broadcast_to(r.energy, bands) for r in receivers], dtype=np.float64),
    )


def omni(point: NDArray[np.float64]) -> Radiators:
    """Return a point, shape (3,) in m, that sends and hears alike in all directions."""
    return Radiators(point[None], np.array([[0.0, 0.0, 1.0]]), np.zeros(len(BANDS)))


def low_discrepancy(count: int, dimensions: int) -> NDArray[np.float64]:
    """Return evenly spread points in the unit cube, shape (count, dimensions).

    The additive recurrence of Roberts (2018, "The unreasonable effectiveness of quasirandom sequences"): steps are
    the powers of the inverse of the root of x^(d+1) = x + 1.
    """
    root = 2.0
    for _ in range(40):
        root = (1.0 + root) ** (1.0 / (dimensions + 1))
    steps = (1.0 / root) ** np.arange(1, dimensions + 1)
    return np.asarray((0.5 + np.arange(1, count + 1)[:, None] * steps) % 1.0)


def sphere(count: int) -> NDArray[np.float64]:
    """Return evenly spread unit vectors, shape (count, 3)."""
    u = low_discrepancy(count, 2)
    z = 2.0 * u[:, 0] - 1.0
    level = np.sqrt(1.0 - z**2)
    return np.stack([level * np.cos(2 * np.pi * u[:, 1]), level * np.sin(2 * np.pi * u[:, 1]), z], axis=1)


def air_loss(hall: Hall, grid: int) -> NDArray[np.float64]:
    """Return the part of the energy that air leaves after each time step, shape (bands, grid): exp(−m·c·t)."""
    return np.exp(-hall.air[:, None] * hall.speed_of_sound * STEP * np.arange(grid))


def into_bins(energy: NDArray[np.float64]) -> NDArray[np.float64]:
    """Turn energy on the time grid into energy per bin, in place: each grid point belongs half to either side."""
    energy[..., 1:] *= 0.5
    energy[..., :-1] += energy[..., 1:]
    return energy


def grid_size(duration: float) -> int:
    """Return how many time steps cover a duration in s, rounded up to a length transforms are fast with."""
    return int(scipy.fft.next_fast_len(int(np.ceil(duration / STEP)) + 1, real=True))
