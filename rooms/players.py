"""Who plays: instruments with their directivity, players at their chairs, sections of players."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from rooms.errors import InputError
from rooms.units import BANDS, MIDBANDS, speed_of_sound, unit_vector

__all__ = ["OMNIDIRECTIONAL", "Instrument", "Player", "Section", "Stand", "concentration", "piston_index"]

Stand = Literal["shared", "own", "none"]
"""Music stands: one for two players, one for each, or none."""


def concentration(directivity_index: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return κ of the energy pattern exp(κ·cos θ) that has a given directivity index on its axis.

    The pattern is the von Mises–Fisher density: smooth, positive everywhere, one number per band. Its mean over the
    sphere is sinh(κ)/κ, so its directivity index is 10·lg(2κ/(1 − exp(−2κ))).

    Parameters
    ----------
    directivity_index : ndarray
        dB, ≥ 0, any shape.

    Returns
    -------
    ndarray
        κ ≥ 0, same shape.
    """
    ratio = 10.0 ** (np.asarray(directivity_index, dtype=np.float64) / 10.0)
    kappa = np.maximum(ratio, 1.001)
    for _ in range(40):  # Newton from the right of a convex, rising function: converges without overshoot
        fall = np.exp(-2.0 * kappa)
        excess = 2.0 * kappa / (1.0 - fall) - ratio
        slope = 2.0 / (1.0 - fall) - 4.0 * kappa * fall / (1.0 - fall) ** 2
        kappa = np.maximum(kappa - excess / slope, 1e-9)
    return np.where(ratio <= 1.0, 0.0, kappa)


def piston_index(radius: float) -> NDArray[np.float64]:
    """Return the directivity index of a loudspeaker that beams like a piston.

    Parameters
    ----------
    radius : float
        Of the piston in m.

    Returns
    -------
    ndarray, shape (bands,)
        dB, at 20 °C.

    Notes
    -----
    The energy pattern exp(κ·(cos θ − 1)) with κ = (ka)²/2 bends on its axis as the piston's (2·J₁(x)/x)², x = ka·sin θ,
    and has its directivity (ka)² at high frequencies. At low ones it radiates all round, as a small box does.

    References
    ----------
    Kinsler, Frey, Coppens & Sanders, Fundamentals of Acoustics, 4th ed. 2000, section 7.4 (from memory).
    """
    kappa = 0.5 * (2.0 * np.pi * MIDBANDS / speed_of_sound(20.0) * radius) ** 2
    return np.asarray(10.0 * np.log10(2.0 * kappa / -np.expm1(-2.0 * kappa)))


@dataclass(frozen=True)
class Instrument:
    """A kind of source.

    Parameters
    ----------
    name : str
        Its name in scenes and messages.
    height : float
        Height of the acoustic centre above the player's floor in m.
    axis : tuple of float
        Main direction of radiation relative to the player's facing, in degrees: azimuth (positive to the player's
        right) and elevation.
    directivity_index : tuple of float
        Level on that axis above the mean over the sphere, dB per octave band, nine values ≥ 0.
    omnidirectional_share : float
        Part of the power that leaves alike in all directions, 0 to less than 1; the rest is the beam around the axis.
    recorded_from : tuple of float
        Direction in which the sound has the stem's tone, in degrees like the axis: that of the microphone the stem was
        recorded with.

    Raises
    ------
    InputError
        If there are not nine values, or the share is outside its range.
    """

    name: str
    height: float
    axis: tuple[float, float] = (0.0, 0.0)
    directivity_index: tuple[float, ...] = (0.0,) * len(BANDS)
    omnidirectional_share: float = 0.0
    recorded_from: tuple[float, float] = (0.0, 0.0)

    def __post_init__(self) -> None:
        if len(self.directivity_index) != len(BANDS):
            raise InputError(
                f"instrument '{self.name}': directivity_index has {len(self.directivity_index)} values; "
                "nine are needed, 63 Hz to 16 kHz"
            )
        if not 0.0 <= self.omnidirectional_share < 1.0:
            share = f"omnidirectional_share {self.omnidirectional_share:g}"
            raise InputError(f"instrument '{self.name}': {share} lies outside 0 to less than 1")

    @property
    def kappa(self) -> NDArray[np.float64]:
        """Concentration of the beam's energy pattern per band, shape (bands,)."""
        index = np.array(self.directivity_index, dtype=np.float64)
        if self.omnidirectional_share:
            index = 10.0 * np.log10(self._beam / (1.0 - self.omnidirectional_share))
        return concentration(index)

    @property
    def _beam(self) -> NDArray[np.float64]:
        """Energy of the beam on the axis re the mean of all that leaves over the sphere, shape (bands,)."""
        return np.asarray(10.0 ** (np.array(self.directivity_index) / 10.0) - self.omnidirectional_share)

    def level_db(self, cosine: ArrayLike) -> NDArray[np.float64]:
        """Return the level re the mean over the sphere in dB for cosines to the main direction, shape (…, bands)."""
        beam = self._beam * np.exp(self.kappa * (np.asarray(cosine)[..., None] - 1.0))
        return np.asarray(10.0 * np.log10(beam + self.omnidirectional_share))

    def all_round(self, cosine: float) -> NDArray[np.float64]:
        """Return what leaves alike in all directions re the beam at a cosine to the main direction, shape (bands,)."""
        return np.asarray(self.omnidirectional_share / (self._beam * np.exp(self.kappa * (cosine - 1.0))))


OMNIDIRECTIONAL = Instrument("omni", height=0.0)
"""A point source that radiates alike in all directions."""


@dataclass(frozen=True)
class Player:
    """One player on a chair.

    Parameters
    ----------
    position : tuple of float
        Acoustic centre in m.
    facing : float
        Azimuth the player looks to, in degrees.
    """

    position: tuple[float, float, float]
    facing: float


@dataclass(frozen=True)
class Section:
    """Players of one instrument who share a stem.

    Parameters
    ----------
    name : str
        Its name in the scene.
    instrument : Instrument
        What they play.
    players : tuple of Player
        At least one, in the order of their desks.
    share : float
        Part of the section's energy that these players carry, 0 … 1; 1 for a whole section.
    stand : {"shared", "own", "none"}
        Whether two players each share a music stand, in their order; for pictures.
    """

    name: str
    instrument: Instrument
    players: tuple[Player, ...]
    share: float = 1.0
    stand: Stand = "shared"

    def __post_init__(self) -> None:
        if not self.players:
            raise InputError(f"section '{self.name}' has no players; at least 1 is needed")

    @property
    def desks(self) -> tuple[tuple[Player, ...], ...]:
        """Players by the music stand they read from; empty without stands."""
        if self.stand == "none":
            return ()
        size = 2 if self.stand == "shared" else 1
        return tuple(self.players[first : first + size] for first in range(0, len(self.players), size))

    @property
    def positions(self) -> NDArray[np.float64]:
        """Acoustic centres in m, shape (players, 3)."""
        return np.array([p.position for p in self.players], dtype=np.float64)

    @property
    def centre(self) -> NDArray[np.float64]:
        """Mean of the players' acoustic centres in m, shape (3,)."""
        return np.asarray(self.positions.mean(axis=0))

    @property
    def aims(self) -> NDArray[np.float64]:
        """Unit vectors of the players' facing, shape (players, 3)."""
        facing = np.radians([p.facing for p in self.players])
        return np.stack([np.sin(facing), np.cos(facing), np.zeros_like(facing)], axis=1)

    @property
    def axes(self) -> NDArray[np.float64]:
        """Unit vectors of the players' main direction of radiation, shape (players, 3)."""
        azimuth = np.radians([p.facing + self.instrument.axis[0] for p in self.players])
        elevation = np.radians(self.instrument.axis[1])
        level = np.cos(elevation)
        return np.stack(
            [np.sin(azimuth) * level, np.cos(azimuth) * level, np.full_like(azimuth, np.sin(elevation))],
            axis=1,
        )

    @property
    def on_aim(self) -> float:
        """Cosine of the angle between the direction the stem was recorded from and the main one of radiation."""
        instrument = self.instrument
        return float(unit_vector(*instrument.axis) @ unit_vector(*instrument.recorded_from))

    @property
    def all_round(self) -> NDArray[np.float64]:
        """Energy that leaves alike in all directions, re the beam where the stem was recorded, shape (bands,)."""
        return self.instrument.all_round(self.on_aim)

    def halves(self) -> tuple[Section, Section]:
        """Split into the left and the right half as the audience sees them, for a stereo stem.

        Each half carries the part of the energy that belongs to its players; a solo player is in both.
        """
        if len(self.players) == 1:
            half = replace(self, share=self.share / 2.0)
            return half, half
        order = np.argsort(self.positions[:, 0], kind="stable")
        middle = (len(order) + 1) // 2
        parts = []
        for chosen in (order[:middle], order[middle:]):
            players = tuple(self.players[i] for i in sorted(chosen))
            parts.append(replace(self, players=players, share=self.share * len(players) / len(self.players)))
        return parts[0], parts[1]
