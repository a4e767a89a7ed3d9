"""What was measured of a recording: its numbers, as JSON and as text."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from rooms.early_measures import Reflection
from rooms.measures import as_bands
from rooms.units import BAND_NAMES, energy_db

__all__ = [
    "BAND_ARRAYS",
    "RINGS_ON",
    "Measurement",
    "intervals_json",
    "measurement_json",
    "measurement_lines",
    "number_json",
]

_MEASURES = ("EDT_s", "T20_s", "T30_s", "C80_db", "C50_db", "D50", "Ts_s")

BAND_ARRAYS = (
    "T_s",
    "T_low_s",
    "T_high_s",
    *_MEASURES,
    "C80_error_db",
    "drr_db",
    "drr_error_db",
    "decay_range_db",
    "curvature_percent",
    "nonlinearity_permille",
    "band_correlation",
    "LF",
    "LFC",
    "IACC_early",
    "IACC_late",
    "IACC",
    "LF_like",
)
"""Attributes of a measurement with a value per octave."""


@dataclass(frozen=True, eq=False)
class Measurement:
    """What was measured; arrays have a value per octave of `rooms.units.BANDS`, NaN where unknown.

    Attributes
    ----------
    path : Path
        The recording.
    kind : str
        ``"response"``, ``"sweep"`` or ``"music"`` (which stands for speech too).
    channels : str
        ``"mono"``, ``"stereo"``, ``"omni-figure8"`` or ``"binaural"``.
    sample_rate : int
        The file's, in Hz.
    length_s : float
        In seconds.
    T_s, T_low_s, T_high_s : ndarray, shape (9,)
        Reverberation time and its 90 % interval: within it lies the time that the mean of many decays would have.
    T_from : tuple of str
        What each was measured from: ``"T30"``, ``"T20"``, ``"free decays"``, ``"free decays of partials"``, either with
        ``", at most"``, or nothing.
    EDT_s, T20_s, T30_s, C80_db, C50_db, D50, Ts_s : ndarray, shape (9,)
        Measures of ISO 3382-1; of music, C80 alone.
    C80_error_db : ndarray, shape (9,)
        Standard deviation of C80 about that of the expected decay, in dB; of music, of its estimate.
    drr_db, drr_error_db : ndarray, shape (9,)
        Direct-to-reverberant ratio, and half of what changes if the direct sound lasts twice as long; of music, the
        standard deviation of its estimate.
    decay_range_db, curvature_percent, nonlinearity_permille : ndarray, shape (9,)
        How far the decay is seen, and how straight it is (`rooms.measures.Measures`).
    reflections : tuple of Reflection
        Those of the first 80 ms that stand out.
    initial_gap_s : float
        From the direct sound to the first of them; NaN if there is none.
    frequencies_hz, spectrum_db : ndarray, shape (26,)
        Long-term level in third octaves, re their mean.
    noise_floor_dbfs : ndarray, shape (9,)
        Level exceeded for 95 % of the time.
    correlation, width : float
        Of two channels: their correlation, and the share of the energy that is in the side signal (0 mono, 0.5
        unrelated, 1 opposite); NaN of one.
    band_correlation : ndarray, shape (9,)
        The correlation in each octave.
    LF, LFC, IACC_early, IACC_late, IACC : ndarray, shape (9,)
        Where the channels are what they need.
    LF_like : ndarray, shape (9,)
        Of a stereo response: LF with the side signal for the figure-of-eight and the middle for the omni. Not LF.
    warnings : tuple of str
        What may be wrong, a plain sentence each.
    reasons : mapping of str to str
        Why a value is missing, by measure, or measure and band: ``"T_s.125"``.
    chosen : tuple of int
        The channels that were measured, counted from 1; empty: all there are.
    """

    path: Path
    kind: str
    channels: str
    sample_rate: int
    length_s: float
    T_s: NDArray[np.float64]
    T_low_s: NDArray[np.float64]
    T_high_s: NDArray[np.float64]
    T_from: tuple[str, ...]
    EDT_s: NDArray[np.float64]
    T20_s: NDArray[np.float64]
    T30_s: NDArray[np.float64]
    C80_db: NDArray[np.float64]
    C80_error_db: NDArray[np.float64]
    C50_db: NDArray[np.float64]
    D50: NDArray[np.float64]
    Ts_s: NDArray[np.float64]
    drr_db: NDArray[np.float64]
    drr_error_db: NDArray[np.float64]
    decay_range_db: NDArray[np.float64]
    curvature_percent: NDArray[np.float64]
    nonlinearity_permille: NDArray[np.float64]
    reflections: tuple[Reflection, ...]
    initial_gap_s: float
    frequencies_hz: NDArray[np.float64]
    spectrum_db: NDArray[np.float64]
    noise_floor_dbfs: NDArray[np.float64]
    correlation: float
    width: float
    band_correlation: NDArray[np.float64]
    LF: NDArray[np.float64]
    LFC: NDArray[np.float64]
    IACC_early: NDArray[np.float64]
    IACC_late: NDArray[np.float64]
    IACC: NDArray[np.float64]
    LF_like: NDArray[np.float64]
    warnings: tuple[str, ...]
    reasons: Mapping[str, str]
    chosen: tuple[int, ...] = ()


def measurement_json(found: Measurement) -> dict[str, Any]:
    """Return a measurement as JSON's types: per octave under its name, null where unknown, why under ``reasons``."""
    whole = {name: as_bands(getattr(found, name)) for name in BAND_ARRAYS if name not in ("T_low_s", "T_high_s")}
    thirds = zip(found.frequencies_hz.tolist(), found.spectrum_db.tolist(), strict=True)
    return {
        "path": str(found.path),
        "kind": found.kind,
        "channels": found.channels,
        "chosen": list(found.chosen),
        "sample_rate": found.sample_rate,
        "length_s": found.length_s,
        "T_s": whole.pop("T_s"),
        "T_interval_s": intervals_json(found.T_low_s, found.T_high_s),
        "from": {name: text or None for name, text in zip(BAND_NAMES, found.T_from, strict=True)},
        **whole,
        "G_db": dict.fromkeys(BAND_NAMES),
        "initial_gap_s": number_json(found.initial_gap_s),
        "reflections": [{"time_s": r.time_s, "level_db": number_json(r.level_db)} for r in found.reflections],
        "spectrum_db": {f"{frequency:.4g}": number_json(level) for frequency, level in thirds},
        "noise_floor_dbfs": as_bands(found.noise_floor_dbfs),
        "correlation": number_json(found.correlation),
        "width": number_json(found.width),
        "warnings": list(found.warnings),
        "reasons": dict(found.reasons),
    }


def measurement_lines(found: Measurement) -> Iterator[str]:
    """Show a measurement as text: a table of octaves, then what is known of the whole; what isn't is a dash."""
    yield f"{found.path}: {found.kind}, {found.channels}, {found.sample_rate} Hz, {found.length_s:.2f} s"
    columns = {"Hz": list(BAND_NAMES), "T s": _column(found.T_s, 2), "90 %": _intervals(found)}
    columns |= {head: _column(getattr(found, name) * by, digits) for head, (name, by, digits) in _COLUMNS.items()}
    for head, name in _ERRORS.items() if found.kind == "music" else ():
        pairs = zip(columns[head], _column(getattr(found, name), 1), strict=True)
        columns[head] = [_NONE if cell == _NONE else f"{cell} ± {error}" for cell, error in pairs]
    shown = {head: [head, *cells] for head, cells in columns.items() if head == "T s" or any(c != _NONE for c in cells)}
    widths = [max(map(len, cells)) + 2 for cells in shown.values()]
    for cells, source in zip(zip(*shown.values(), strict=True), ("", *found.T_from), strict=True):
        row = "".join(cell.rjust(width) for cell, width in zip(cells, widths, strict=True))
        yield f"{row}  {source}".rstrip()
    for text in _remarks(found):
        yield from textwrap.wrap(text, WIDTH, initial_indent="  ", subsequent_indent="    ")


def _remarks(found: Measurement) -> Iterator[str]:
    """Tell what isn't told by octave, and why octaves have no time."""
    if np.isfinite(found.T_s).any() and found.kind == "music":
        yield RINGS_ON
    if found.reflections:
        shown = ", ".join(
            f"{1e3 * r.time_s:.1f} ms" + (f" {r.level_db:.1f} dB" if np.isfinite(r.level_db) else "")
            for r in found.reflections[:6]
        )
        yield f"initial time gap {1e3 * found.initial_gap_s:.1f} ms; reflections after the direct sound: {shown}"
    if np.isfinite(found.correlation):
        side = float(energy_db(found.width / (1.0 - found.width))) if found.width < 1 else np.inf
        yield f"correlation of the channels {found.correlation:.2f}, side over middle {side:.1f} dB"
    for name in ("LF", "LFC", "LF_like", "IACC_early", "IACC_late", "IACC"):
        values = getattr(found, name)
        if np.isfinite(values).any():
            text = ", ".join(f"{b} Hz {v:.2f}" for b, v in zip(BAND_NAMES, values, strict=True) if np.isfinite(v))
            yield f"{name.replace('_', ' ')}: {text}"
    grouped: dict[str, list[str]] = {}
    for key, text in found.reasons.items():
        if key.startswith("T_s"):
            grouped.setdefault(text, []).append(key.removeprefix("T_s").removeprefix("."))
    for text, bands in grouped.items():
        where = f" at {', '.join(bands)} Hz" if any(bands) else ""
        yield f"no T{where}: {text}"


RINGS_ON = (
    "T is the room's where players stop short; what rings on by itself, as sampled strings with a long release do, is "
    "taken for the room"
)
"""What nobody can tell from music (measured on sampled strings: 30 % too long)."""

WIDTH = 80
"""Columns of the narrowest terminal."""

_NONE = "–"

_COLUMNS = {
    "EDT s": ("EDT_s", 1.0, 2),
    "C80 dB": ("C80_db", 1.0, 1),
    "D50": ("D50", 1.0, 2),
    "Ts ms": ("Ts_s", 1e3, 0),
    "DRR dB": ("drr_db", 1.0, 1),
    "range": ("decay_range_db", 1.0, 0),
    "noise": ("noise_floor_dbfs", 1.0, 0),
}
"""What each column shows, times what and with how many digits; one of nothing but dashes is left out."""

_ERRORS = {"C80 dB": "C80_error_db", "DRR dB": "drr_error_db"}
"""Standard deviations that are shown beside what music tells: they are large."""


def _column(values: NDArray[np.float64], digits: int) -> list[str]:
    """Return values by octave as text."""
    return [f"{x:z.{digits}f}" if np.isfinite(x) else _NONE for x in values.tolist()]


def _intervals(found: Measurement) -> list[str]:
    """Return the 90 % intervals of T as text."""
    pairs = zip(found.T_low_s.tolist(), found.T_high_s.tolist(), strict=True)
    return [f"{low:.2f}–{high:.2f}" if np.isfinite([low, high]).all() else _NONE for low, high in pairs]


def number_json(value: float) -> float | None:
    """Return a number as JSON has it: null where it isn't known."""
    return float(value) if np.isfinite(value) else None


def intervals_json(low: NDArray[np.float64], high: NDArray[np.float64]) -> dict[str, list[float] | None]:
    """Return intervals by octave, from their ends, (9,) each: null where they aren't known."""
    pairs = zip(BAND_NAMES, low.tolist(), high.tolist(), strict=True)
    return {name: [a, b] if np.isfinite([a, b]).all() else None for name, a, b in pairs}
