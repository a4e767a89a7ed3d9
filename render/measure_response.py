"""A response's measures, one channel's or two's, from a file that is one."""

from __future__ import annotations

from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from render.measurement import BAND_ARRAYS
from rooms.early_measures import (
    DIRECT_S,
    Reflection,
    clarity_deviation,
    direct_to_reverberant,
    first_reflections,
    onset_sample,
)
from rooms.measures import from_response
from rooms.octaves import octave_midbands, reaches_nyquist
from rooms.two_channels import cross_correlation, early_late, lateral_fractions
from rooms.units import BAND_NAMES, BANDS, INTERVAL, energy_db

__all__ = ["PAIRS", "Pair", "measure_response", "sounds_like_a_response"]

Pair = Literal["stereo", "omni-figure8", "binaural"]
PAIRS: tuple[Pair, ...] = ("stereo", "omni-figure8", "binaural")
"""What two channels may be."""

DEVIATION = {"T30_s": 0.55, "T20_s": 0.55 * 1.5}
"""Standard deviation of a decay time read from one response, times √(B·T), re T (measured on noise decays)."""

EARS_BANDS = (125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0)
"""Octaves IACC and lateral fractions are given for (ISO 3382-1, A.2.4 and B.3; from memory)."""

LATERAL, EARS = ("LF", "LFC", "LF_like"), ("IACC_early", "IACC_late", "IACC")
"""What is told of two channels."""

CLIPPED = "clipped: the direct sound's level is lost"
"""Why some measures are missing."""

REMEDY = "; clap louder and nearer, or record a sweep"
"""What to do about a decay that is lost in noise."""

LEAST_FALL_DB = 10.0
"""A recording whose level of 50 ms never falls so far below its highest holds no decay."""

_MEASURES = ("EDT_s", "T20_s", "T30_s", "C80_db", "D50", "Ts_s")
_FRAME_S = 0.01


def measure_response(
    values: dict[str, Any],
    reasons: dict[str, str],
    samples: NDArray[np.float64],
    rate: int,
    pair: Pair,
    limits: tuple[float, float],
    clipped: bool,
) -> None:
    """Measure a response; of a stereo pair and of two ears, the mean of both channels."""
    rows = samples[:1] if pair == "omni-figure8" else samples
    onset = min(onset_sample(row, rate) for row in samples)
    each = [from_response(row, rate, arrival_s=onset / rate) for row in rows]
    for name in (*_MEASURES, "decay_range_db", "curvature_percent", "nonlinearity_permille"):
        values[name] = np.mean([getattr(measures, name) for measures in each], axis=0)
    for measures in reversed(each):
        reasons |= {key: text for key, text in measures.reasons.items() if not key.startswith("G_db")}
    early = values["D50"]
    values["C50_db"] = energy_db(early / np.where(early < 1.0, 1.0 - early, np.nan))
    reasons |= {key.replace("D50", "C50_db"): text for key, text in reasons.items() if key.startswith("D50.")}
    ratios = [
        np.mean([direct_to_reverberant(row, rate, onset, direct_s=direct) for row in rows], axis=0)
        for direct in (DIRECT_S, 2.0 * DIRECT_S)
    ]
    values["drr_db"] = ratios[0]
    with np.errstate(invalid="ignore"):  # of a direct sound that nothing follows
        values["drr_error_db"] = np.abs(ratios[1] - ratios[0]) / 2.0
    values["reflections"] = first_reflections(rows[0], rate, onset)
    if values["reflections"]:
        values["initial_gap_s"] = values["reflections"][0].time_s
    else:
        reasons["initial_gap_s"] = "no reflection of the first 80 ms stands out"
    if len(samples) == 2:
        _two(values, reasons, samples, rate, onset, pair)
    midbands = octave_midbands(BANDS)
    for band, name in enumerate(BAND_NAMES):
        low, high = midbands[band] * 10.0**-0.09, midbands[band] * 10.0**0.09
        if reaches_nyquist(float(midbands[band]), rate):
            reasons[f"drr_db.{name}"] = reasons[f"T30_s.{name}"]
        elif midbands[band] * DIRECT_S < 1.0:
            reasons[f"drr_db.{name}"] = f"the direct sound's {1e3 * DIRECT_S:g} ms are shorter than a period"
        if low < limits[0] or high > limits[1]:  # most of the octave must be there
            text = f"the reference has {limits[0]:.0f} to {limits[1]:.0f} Hz, too little of the octave"
            for key in BAND_ARRAYS:
                values[key][band] = np.nan
            reasons |= {f"{key}.{name}": text for key in (*_MEASURES, "C50_db", "drr_db")}
    if clipped:  # what is loudest is missing: the direct sound
        for key in ("EDT_s", "C80_db", "C50_db", "D50", "Ts_s", "drr_db", "drr_error_db"):
            values[key] = np.full(BANDS.size, np.nan)
            reasons[key] = CLIPPED
        for key in (*LATERAL, *EARS):
            if np.isfinite(values[key]).any():
                values[key] = np.full(BANDS.size, np.nan)
                reasons[key] = CLIPPED
        values["reflections"] = tuple(Reflection(r.time_s, np.nan) for r in values["reflections"])
        reasons["reflections"] = CLIPPED
    _choose(values, reasons)


def _choose(values: dict[str, Any], reasons: dict[str, str]) -> None:
    """Take T30 where it is known, else T20, with the interval that one response leaves."""
    bandwidth = octave_midbands(BANDS) * (10.0**0.15 - 10.0**-0.15)
    sources = []
    for band, name in enumerate(BAND_NAMES):
        source = next((key for key in DEVIATION if np.isfinite(values[key][band])), None)
        sources.append(source.removesuffix("_s") if source else "")
        if source is None:
            text = reasons[f"T20_s.{name}"]
            reasons[f"T_s.{name}"] = text + (REMEDY if "range" in text or "noise" in text else "")
            continue
        T_s = float(values[source][band])
        half = INTERVAL * DEVIATION[source] / np.sqrt(bandwidth[band] * T_s)
        values["T_s"][band] = T_s
        values["T_low_s"][band], values["T_high_s"][band] = T_s / (1.0 + half), T_s * (1.0 + half)
    values["T_from"] = tuple(sources)
    known = np.isfinite(values["C80_db"])
    values["C80_error_db"] = np.where(known, clarity_deviation(values["T_s"]), np.nan)


def _two(
    values: dict[str, Any], reasons: dict[str, str], samples: NDArray[np.float64], rate: int, onset: int, pair: Pair
) -> None:
    """Measure what two channels allow, by what they are."""
    allowed = np.isin(BANDS, EARS_BANDS)
    if pair == "binaural":
        parts = early_late(samples, rate, onset)
        for name, part in (("IACC_early", "early"), ("IACC_late", "late"), ("IACC", "all")):
            values[name] = np.where(allowed, cross_correlation(parts[part][:, 0], parts[part][:, 1], rate), np.nan)
        return
    omni, side = samples
    if pair == "stereo":
        omni, side = (samples[0] + samples[1]) / 2.0, (samples[0] - samples[1]) / 2.0
        reasons |= dict.fromkeys(("LF", "LFC"), f"the channels are {pair}; say --channels omni-figure8")
        reasons["IACC"] = f"the channels are {pair}; say --channels binaural"
    LF, LFC = (np.where(allowed, fraction, np.nan) for fraction in lateral_fractions(omni, side, rate, onset, BANDS))
    if pair == "stereo":
        values["LF_like"] = LF
    else:
        values["LF"], values["LFC"] = LF, LFC


def sounds_like_a_response(samples: NDArray[np.float64], sample_rate: float) -> bool:
    """Return whether a recording is an impulse response rather than music or speech.

    Parameters
    ----------
    samples : ndarray, shape (channels, samples)
    sample_rate : float
        Hz.

    Notes
    -----
    It is if all but a hundredth of its energy comes after the onset, the loudest 10 ms begin within 50 ms of the onset,
    and from there the level of 50 ms never rises by 6 dB over what it had fallen to within the first 40 dB, unless into
    10 dB of the quietest: further down single low modes are left, which waver. What doesn't fall by 10 dB is a steady
    sound.
    """
    energy = np.sum(samples**2, axis=0)
    onset = onset_sample(np.sqrt(energy), sample_rate)
    if energy[: max(0, onset - round(0.001 * sample_rate))].sum() > 0.01 * energy.sum():
        return False
    frame = round(_FRAME_S * sample_rate)
    after = energy[onset:]
    frames = after[: after.size // frame * frame].reshape(-1, frame).sum(axis=1)
    if frames.size < 6 or int(np.argmax(frames)) > 5:
        return False
    level = energy_db(np.convolve(frames, np.ones(5) / 5.0, "valid") + 1e-10 * frames.max())
    fallen = np.minimum.accumulate(level)
    floor = float(np.percentile(level, 10.0))
    if level.max() - floor < LEAST_FALL_DB:
        return False
    return not bool(np.any((level > fallen + 6.0) & (level > max(floor + 10.0, float(level.max()) - 40.0))))
