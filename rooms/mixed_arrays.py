"""What arrays hear, as they are mixed to two channels: the direct sound capsule by capsule, and a diffuse field.

References
----------
R. K. Cook et al., "Measurement of correlation coefficients in reverberant sound fields", J. Acoust. Soc. Am. 27, 1955:
sin(kd)/(kd).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from rooms.echogram import Radiators, omni, sphere
from rooms.microphones import Array, Capsule
from rooms.noise import diffuse_coherence
from rooms.octaves import octave_midbands
from rooms.surfaces import Hall
from rooms.units import BANDS

__all__ = [
    "BARE",
    "NEAREST",
    "Mixed",
    "centres",
    "diffuse_field",
    "direct_channels",
    "direct_sound",
    "in_one_point",
    "powers",
    "sent",
]

NEAREST = 0.3
"""m; no capsule is nearer to a section, which is wide."""

IN_AN_OCTAVE = 8
"""Frequencies in an octave over which coherence is averaged."""


@dataclass(frozen=True, eq=False)
class Mixed:
    """An array as it is mixed.

    Attributes
    ----------
    array : Array
        Its capsules' places: about the main array's place for main arrays and outriggers, which move together; in the
        room for all others.
    law : ndarray, shape (2, capsules)
        Amplitudes into left and right.
    gain_db : float
        dB.
    delay_s : float
        s.
    aligned : bool
        Whether capsules wait until their own section arrives at the main array.
    """

    array: Array
    law: NDArray[np.float64]
    gain_db: float = 0.0
    delay_s: float = 0.0
    aligned: bool = False

    @property
    def moves(self) -> bool:
        """Whether it moves with the main array."""
        return self.array.purpose in ("main", "outriggers")


BARE = Mixed(Array("main", "main", (Capsule("omni", (0.0, 0.0, 0.0)),)), np.full((2, 1), np.sqrt(0.5)))
"""One omnidirectional microphone."""


def centres(sources: Sequence[Radiators]) -> NDArray[np.float64]:
    """Return where sources are, each in the middle of its points, shape (sources, 3) in m."""
    return np.array([source.points.mean(axis=0) for source in sources])


def in_one_point(player: Radiators) -> Radiators:
    """Return a section in its middle, with its mean axis; omnidirectional if it looks all around."""
    axis = player.axes.mean(axis=0)
    length = float(np.linalg.norm(axis))
    if length < 1e-6:
        return omni(player.points.mean(axis=0))
    return replace(player, points=player.points.mean(axis=0)[None], axes=axis[None] / length)


def sent(sources: Sequence[Radiators], ways: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the energy each source sends along unit vectors (sources, ..., 3), shape (sources, ..., bands)."""
    return np.array([s.pattern(way @ s.axes.mean(axis=0)) for s, way in zip(sources, ways, strict=True)])


def direct_sound(
    hall: Hall, sources: Sequence[Radiators], array: Array, capsules: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the direct sound of every source at capsules: the mean energy of its players, as from its middle.

    Parameters
    ----------
    hall : Hall
        For its air.
    sources : sequence of Radiators
        Who plays, point by point.
    array : Array
        Whose patterns count.
    capsules : ndarray, shape (places, capsules, 3)
        Where the array's capsules are.

    Returns
    -------
    pressure : ndarray, shape (sources, places, capsules, bands)
        Amplitude re the direct sound at 1 m; negative where the pattern is.
    r : ndarray, shape (sources, places, capsules)
        Distance from the middle in m.
    """

    def heard(points: NDArray[np.float64]) -> tuple[NDArray[np.float64], ...]:
        """Return directions, distances and patterns, (points, places, capsules, …)."""
        way = points[:, None, None] - capsules
        r = np.maximum(np.linalg.norm(way, axis=3), NEAREST)
        way = way / r[..., None]
        cosine = np.einsum("spmx,mx->spm", way, array.axes)
        return way, r, array.pressure_parts + (1.0 - array.pressure_parts) * cosine[..., None]

    energy = []
    for source in sources:
        way, r, pattern = heard(source.points)
        leaves = source.pattern(-np.einsum("npmx,nx->npm", way, source.axes))
        arrives = pattern**2 * leaves * np.exp(-hall.air * r[..., None]) / r[..., None] ** 2
        energy.append(arrives.mean(axis=0))
    _, r, pattern = heard(centres(sources))
    return array.sensitivities * np.copysign(np.sqrt(energy), pattern), r


def powers(sources: Sequence[Radiators]) -> NDArray[np.float64]:
    """Return what sources send in all directions together, re an omnidirectional one, shape (sources, bands)."""
    around = sphere(512)
    return np.array([s.pattern(around @ s.axes.mean(axis=0)).mean(axis=0) for s in sources])


def direct_channels(
    law: NDArray[np.float64], pressure: NDArray[np.float64], r: NDArray[np.float64], speed_of_sound: float
) -> NDArray[np.float64]:
    """Return left, right and both of all sources' direct sound, (3, places, bands): octaves as even spectra."""
    middle = octave_midbands(BANDS)
    high, low = 2.0 * np.pi * middle * np.sqrt(2.0), 2.0 * np.pi * middle / np.sqrt(2.0)
    lag = ((r[..., None] - r[..., None, :]) / speed_of_sound)[..., None]
    alike = (high * np.sinc(high * lag / np.pi) - low * np.sinc(low * lag / np.pi)) / (high - low)
    pairs = ((0, 0), (1, 1), (0, 1))
    return np.array(
        [
            np.einsum("spmb,spnb,spmnb,m,n->pb", pressure, pressure, alike, law[one], law[other], optimize=True)
            for one, other in pairs
        ]
    )


def diffuse_field(mixed: Mixed, speed_of_sound: float) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return what an array takes of a diffuse field: its power (bands,), and left, right and both (3, bands)."""
    array, law = mixed.array, mixed.law
    a = array.pressure_parts
    pressure = array.sensitivities * np.sqrt(a**2 + (1.0 - a) ** 2 / 3.0)
    within = 2.0 ** ((np.arange(IN_AN_OCTAVE) + 0.5) / IN_AN_OCTAVE - 0.5)
    frequencies = (octave_midbands(BANDS)[:, None] * within).ravel()
    matrices = diffuse_coherence(frequencies, array.positions, array.axes, a, speed_of_sound).real
    matrices = matrices.reshape(len(BANDS), IN_AN_OCTAVE, *matrices.shape[1:]).mean(axis=1)
    covariance = np.array(
        [
            np.einsum("bmn,mb,nb,m,n->b", matrices, pressure, pressure, law[one], law[other], optimize=True)
            for one, other in ((0, 0), (1, 1), (0, 1))
        ]
    )
    return (pressure**2 * (law**2).sum(axis=0)[:, None]).sum(axis=0), covariance
