"""From a scene to its responses: samples for every section and capsule, and the expected energy behind them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rooms.scene import Scene

__all__ = ["Responses"]


@dataclass(frozen=True)
class Responses:
    """Impulse responses of a scene and their expected energy.

    Attributes
    ----------
    scene : Scene
        What they belong to; its ``capsules`` give the order of the second axis.
    samples : ndarray of float32, shape (sections, capsules, samples)
        At the scene's sample rate; sample 0 is the moment of emission.
    arrivals : ndarray, shape (sections, capsules)
        First arrival (nearest player) in s.
    direct_db : ndarray, shape (sections, capsules)
        Level at 1 kHz of the section's direct sound, capsule pattern and gain included, re an omnidirectional source at 1 m.
    energy : ndarray, shape (sections, capsules, bands, bins)
        Expected energy as seated: players with their directivity, capsules with pattern and gain.
    omni_energy : ndarray, shape (sections, capsules, bands, bins)
        Expected energy from an omnidirectional source at the section's centre to an omni at the capsule (ISO 3382-1).
    omni_arrivals : ndarray, shape (sections, capsules)
        Direct sound from the section's centre in s.
    bin_s : float
        Width of a bin in s; bin k covers k·bin_s to (k+1)·bin_s after emission.
    mixing_time : float
        Time after emission in s at which images give way to the late field.
    """

    scene: Scene
    samples: NDArray[np.float32]
    arrivals: NDArray[np.float64]
    direct_db: NDArray[np.float64]
    energy: NDArray[np.float64]
    omni_energy: NDArray[np.float64]
    omni_arrivals: NDArray[np.float64]
    bin_s: float
    mixing_time: float
