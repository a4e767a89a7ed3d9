"""How far a candidate is from what a recording says of its room, in just-noticeable differences.

The level of a recording's spectrum is its music's; what a room can be fitted to is the tone of its reverberation: how
strong what is reverberant is against what is direct in each octave, re the mean of the octaves. So the objective has
the mean of the direct-to-reverberant ratio for how far away things are, and its shape for that tone.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from rooms.decay import LONGEST
from rooms.errors import InputError
from rooms.jnd import STEPS, in_jnds
from rooms.predicting import Predicted
from rooms.units import BANDS, INTERVAL

__all__ = ["Target", "cost", "residuals", "tone_db"]

MOST_SPREAD = 3.0
"""JNDs: clarity and direct-to-reverberant ratio that are known less well count as if they were known so well, or what
departs from the scene least would win against what is nearest (our choice, no source)."""

FAR_OFF = 3.0
"""JNDs; what is off by more counts less and less (Cauchy's loss), or one octave that no hall can match would hide all
others."""

SHARES = {"C80_db": 2.0, "drr_db": 0.5, "tone_db": 0.5}
"""How much a measure counts; 1 for all others. Clarity is told best, within 0.4 dB of noisy responses (measured), and
doesn't hang on what counts as direct sound; the last two are halves of one."""

GAP_SPREAD = 2.0
"""JNDs: which reflection stands out isn't always the first of a bare box (our choice, no source)."""

WIDTH_SPREAD = 2.0
"""JNDs: who sat where in the recording, and before which microphones, isn't known (our choice, no source)."""


def _unknown() -> NDArray[np.float64]:
    return np.full(len(BANDS), np.nan)


@dataclass(frozen=True, eq=False)
class Target:
    """What is known of a recording's room; NaN: not known.

    Attributes
    ----------
    T_s, T_low_s, T_high_s : ndarray, shape (bands,)
        Reverberation time per octave band and its 90 % interval in s.
    EDT_s : ndarray, shape (bands,)
        Early decay time in s.
    C80_db, C80_error_db : ndarray, shape (bands,)
        Clarity and its standard deviation in dB.
    drr_db, drr_error_db : ndarray, shape (bands,)
        Direct-to-reverberant ratio and its standard deviation in dB.
    initial_gap_s : float
        From the direct sound to the first reflection that can be told from it in s.
    EDT_error_s : ndarray, shape (bands,)
        Standard deviation of the early decay time in s.
    correlation : ndarray, shape (bands,)
        Of the two channels.
    as_played : bool
        Whether sections played, with their directivity; else an omnidirectional source did.

    Raises
    ------
    InputError
        If a shape is wrong, or no band has a reverberation time.
    """

    T_s: NDArray[np.float64]
    T_low_s: NDArray[np.float64]
    T_high_s: NDArray[np.float64]
    EDT_s: NDArray[np.float64]
    C80_db: NDArray[np.float64]
    C80_error_db: NDArray[np.float64]
    drr_db: NDArray[np.float64]
    drr_error_db: NDArray[np.float64]
    initial_gap_s: float = float("nan")
    EDT_error_s: NDArray[np.float64] = field(default_factory=_unknown)
    correlation: NDArray[np.float64] = field(default_factory=_unknown)
    as_played: bool = False

    def __post_init__(self) -> None:
        for name, value in vars(self).items():
            if isinstance(value, np.ndarray) and value.shape != BANDS.shape:
                raise InputError(f"target: {name} has shape {value.shape}; one value a band is needed")
        if not np.isfinite(self.T_s).any():
            raise InputError("target: no band has a reverberation time; record ten seconds with a stop, or a clap")
        if np.nanmin(self.T_s) > LONGEST:
            raise InputError(
                f"target: rings {np.nanmin(self.T_s):.0f} s and more in every band; allowed: up to {LONGEST:g} s, no "
                "hall for music rings longer"
            )


def tone_db(drr_db: NDArray[np.float64], known: NDArray[np.bool_] | bool = True) -> NDArray[np.float64]:
    """Return the tone of the reverberation, from direct-to-reverberant ratios in dB.

    Parameters
    ----------
    drr_db : ndarray, shape (..., bands)
        dB; NaN: not known.
    known : ndarray of bool, shape (bands,), optional
        The bands whose mean it is re; left out: all that are known.

    Returns
    -------
    ndarray, shape (..., bands)
        Level of what is reverberant re what is direct, re the mean of the bands, in dB; NaN if one is known.
    """
    counted = np.isfinite(drr_db) & known
    number = counted.sum(axis=-1, keepdims=True)
    mean = np.where(counted, drr_db, 0.0).sum(axis=-1, keepdims=True) / np.maximum(number, 1)
    return np.where(number > 1, mean - drr_db, np.nan)


def residuals(target: Target, predicted: Predicted) -> dict[str, NDArray[np.float64]]:
    """Return by how many just-noticeable differences a candidate lies above the target.

    Returns
    -------
    dict
        ``T_s``, ``EDT_s``, ``C80_db``, ``drr_db``, ``tone_db`` and ``correlation``, each shape (..., bands), and
        ``initial_gap_s``, shape (..., 1); NaN where the target is not known.
    """
    known = np.isfinite(target.drr_db)
    angles = (np.degrees(np.arccos(np.clip(of.correlation, -1.0, 1.0))) for of in (predicted, target))
    return {
        "T_s": in_jnds("T_s", predicted.T_s, target.T_s),
        "EDT_s": in_jnds("EDT_s", predicted.EDT_s, target.EDT_s),
        "C80_db": in_jnds("C80_db", predicted.C80_db, target.C80_db),
        "drr_db": in_jnds("drr_db", predicted.drr_db, target.drr_db),
        "tone_db": in_jnds("tone_db", tone_db(predicted.drr_db, known), tone_db(target.drr_db)),
        "correlation": -in_jnds("correlation_angle_deg", *angles),
        "initial_gap_s": in_jnds("initial_gap_s", np.asarray(predicted.initial_gap_s), target.initial_gap_s)[..., None],
    }


def cost(target: Target, predicted: Predicted) -> NDArray[np.float64]:
    """Return the cost of candidates, shape (...); what is less certain than a JND counts by its standard deviation.

    The direct-to-reverberant ratio counts with its mean; its shape is the tone.
    """
    found = residuals(target, predicted)
    with np.errstate(invalid="ignore", divide="ignore"):
        ratio = target.drr_error_db / STEPS["drr_db"]
        # What rings longer counts by the interval's upper half, what rings shorter by its lower: of what is known as
        # an upper bound alone, the lower half is wide.
        limit = np.where(found["T_s"] > 0.0, target.T_high_s, target.T_low_s)
        spread = {
            "T_s": np.abs(in_jnds("T_s", limit, target.T_s)) / INTERVAL,
            "EDT_s": np.abs(in_jnds("EDT_s", target.EDT_s + target.EDT_error_s, target.EDT_s)),
            "C80_db": np.minimum(target.C80_error_db / STEPS["C80_db"], MOST_SPREAD),
            "tone_db": np.hypot(target.drr_error_db, np.nan_to_num(target.C80_error_db)) / STEPS["tone_db"],
            "correlation": np.full(len(BANDS), WIDTH_SPREAD),
            "initial_gap_s": np.array([GAP_SPREAD]),
            "drr_db": np.array([min(np.nanmean(ratio), MOST_SPREAD) if np.isfinite(ratio).any() else 1.0]),
        }
    total, measures = np.zeros(()), np.zeros(())
    for name, misses in found.items():
        if name == "drr_db":
            known = np.isfinite(misses)
            mean = np.where(known, misses, 0.0).sum(axis=-1) / np.maximum(known.sum(axis=-1), 1)
            misses = np.where(known.any(axis=-1), mean, np.nan)[..., None]
        # Octaves count by how well they are known, and as many as so count: (Σw)²/Σw².
        known = np.isfinite(misses)
        weight = np.where(known, np.fmax(spread[name], 1.0) ** -2.0, 0.0)
        counted = weight.sum(axis=-1) ** 2 / np.maximum((weight**2).sum(axis=-1), 1e-30)
        square = weight * np.where(known, misses, 0.0) ** 2
        square = (FAR_OFF**2 * np.log1p(square / FAR_OFF**2)).sum(axis=-1) / np.maximum(counted, 1e-30)
        share = SHARES.get(name, 1.0)
        total = total + share * square
        measures = measures + share * known.any(axis=-1)
    return np.asarray(np.sqrt(total / measures))
