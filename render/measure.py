"""What a recording says about its room: from an impulse response, a recorded sweep, or music and speech."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from render.stem_sound import Listener
from render.stems import probe, read_blocks
from rooms.blind import blind_decay
from rooms.early_measures import (
    DIRECT_S,
    Reflection,
    clarity_deviation,
    direct_to_reverberant,
    first_reflections,
    onset_sample,
)
from rooms.errors import InputError
from rooms.measures import as_bands, from_response
from rooms.octaves import in_octaves, octave_midbands, reaches_nyquist
from rooms.spectra import THIRD_OCTAVES, long_term_spectrum, noise_floor
from rooms.sweeps import deconvolve
from rooms.two_channels import cross_correlation, early_late, lateral_fractions, pair_correlation, side_share
from rooms.units import BAND_NAMES, BANDS, energy_db

__all__ = ["PAIRS", "Measurement", "measure_file", "measurement_json", "measurement_lines", "sounds_like_a_response"]

Pair = Literal["stereo", "omni-figure8", "binaural"]
PAIRS: tuple[Pair, ...] = ("stereo", "omni-figure8", "binaural")
"""What two channels may be."""

LOWEST_RATE = 8000
"""Hz; below, half of the octaves that matter are missing."""

WORKING_RATE = 48000
"""Hz; higher rates are converted to it: the octave at 16 kHz fits below half of it."""

LEAST_S = {"response": 0.1, "music": 2.0}
"""Shortest recording that can be measured, in seconds (our choice, no source)."""

LONGEST_S = 600.0
"""So much of a recording is measured, in seconds."""

INTERVAL = 1.645
"""Half a 90 % interval of a normal distribution, in standard deviations."""

DEVIATION = {"T30_s": 0.55, "T20_s": 0.55 * 1.5}
"""Standard deviation of a decay time read from one response, times √(B·T), re T (measured on noise decays)."""

CLIPPED_SHARE = 0.01
"""A recording with more of its samples than this at full scale is refused (our choice, no source)."""

SILENT = 1e-4
"""Highest sample of a recording that counts as silent, re full scale: −80 dBFS (our choice, no source)."""

EARS_BANDS = (125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0)
"""Octaves IACC and lateral fractions are given for (ISO 3382-1, A.2.4 and B.3; from memory)."""

_MEASURES = ("EDT_s", "T20_s", "T30_s", "C80_db", "D50", "Ts_s")
_DIGITAL_SILENCE_S = 0.05
_GATED_DB = -60.0  # a decay that is this far down may end: nobody hears it
_STEEPER = 1.7  # times as steep in the end as before: a sum of decays only gets flatter
_FRAME_S = 0.01


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
        What each was measured from: ``"T30"``, ``"T20"``, ``"free decays"``, ``"free decays, at most"`` or nothing.
    EDT_s, T20_s, T30_s, C80_db, D50, Ts_s : ndarray, shape (9,)
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


def measure_file(
    path: Path,
    *,
    reference: Path | None = None,
    kind: Literal["response", "music"] | None = None,
    pair: Pair = "stereo",
    chosen: Sequence[int] = (),
) -> Measurement:
    """Measure a recording.

    Parameters
    ----------
    path : Path
        WAV, RF64, FLAC, AIFF or OGG, of 8 kHz or more.
    reference : Path, optional
        The sweep whose recording it is, as it was played.
    kind : {"response", "music"}, optional
        What it is; left out: what `sounds_like_a_response` says.
    pair : {"stereo", "omni-figure8", "binaural"}
        What two channels are.
    chosen : sequence of int
        One or two channels, counted from 1; left out: all, of which there may be two.

    Raises
    ------
    InputError
        If the recording can't be read, is too short, silent, clipped throughout or has channels to choose from.
    """
    samples, rate, info_rate, length_s, warnings, clipped = _read(path, chosen)
    if pair != "stereo" and len(samples) != 2:
        raise InputError(f"{path}: found 1 channel, allowed: two for --channels {pair}; choose them with --channel")
    sounds: str
    if reference is not None:
        if kind is not None:
            raise InputError(f"{path}: a recorded sweep is neither response nor music; leave out --as or --reference")
        played, _, _, _, _, _ = _read(reference, (), rate)
        if len(played) != 1:
            raise InputError(f"{reference}: found {len(played)} channels, allowed: 1; the sweep as it was played")
        try:
            found = deconvolve(samples, played[0], rate)
        except InputError as error:
            raise InputError(f"{path}: {error}") from error
        sounds, analysed, limits = "sweep", found.samples, (found.low_hz, found.high_hz)
    else:
        response = kind == "response" if kind is not None else sounds_like_a_response(samples, rate)
        sounds, analysed, limits = ("response" if response else "music"), samples, (0.0, np.inf)
    least = LEAST_S["music" if sounds == "music" else "response"]
    if length_s < least:
        what = "music or speech (or name it with --as response)" if sounds == "music" else "a response"
        raise InputError(f"{path}: too short, found {length_s:.2f} s, allowed: {least:g} s or more of {what}")
    values: dict[str, Any] = {name: np.full(BANDS.size, np.nan) for name in _ARRAYS}
    reasons: dict[str, str] = {"G_db": "needs a calibrated source and microphone"}
    values |= {"T_from": ("",) * BANDS.size, "reflections": (), "initial_gap_s": np.nan}
    if sounds == "music":
        _music(values, reasons, warnings, samples, rate, clipped)
    else:
        _response(values, reasons, analysed, rate, pair, limits, clipped)
    warnings += _processed(samples if sounds != "sweep" else analysed, rate, sounds != "music")
    if len(samples) == 2:
        filtered = [in_octaves(samples, rate, [band])[0] for band in BANDS]
        values["band_correlation"] = np.array([float(pair_correlation(*both)) for both in filtered])
    return Measurement(
        path=path,
        kind=sounds,
        channels=pair if len(samples) == 2 else "mono",
        sample_rate=info_rate,
        length_s=length_s,
        frequencies_hz=THIRD_OCTAVES,
        spectrum_db=long_term_spectrum(analysed, rate),
        noise_floor_dbfs=noise_floor(samples, rate),
        correlation=float(pair_correlation(*samples)) if len(samples) == 2 else np.nan,
        width=float(side_share(*samples)) if len(samples) == 2 else np.nan,
        warnings=tuple(warnings),
        reasons=reasons,
        **values,
    )


_ARRAYS = (
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
    and from there the level of 50 ms never rises by 6 dB over what it had fallen to, unless into 10 dB of the quietest.
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
    return not bool(np.any((level > fallen + 6.0) & (level > floor + 10.0)))


def measurement_json(found: Measurement) -> dict[str, Any]:
    """Return a measurement as JSON's types: per octave under its name, null where unknown, why under ``reasons``."""
    intervals = zip(BAND_NAMES, found.T_low_s.tolist(), found.T_high_s.tolist(), strict=True)
    whole = {name: as_bands(getattr(found, name)) for name in _ARRAYS if name not in ("T_low_s", "T_high_s")}
    thirds = zip(found.frequencies_hz.tolist(), found.spectrum_db.tolist(), strict=True)
    return {
        "path": str(found.path),
        "kind": found.kind,
        "channels": found.channels,
        "sample_rate": found.sample_rate,
        "length_s": found.length_s,
        "T_s": whole.pop("T_s"),
        "T_interval_s": {
            name: [low, high] if np.isfinite([low, high]).all() else None for name, low, high in intervals
        },
        "from": {name: text or None for name, text in zip(BAND_NAMES, found.T_from, strict=True)},
        **whole,
        "G_db": dict.fromkeys(BAND_NAMES),
        "initial_gap_s": _number(found.initial_gap_s),
        "reflections": [{"time_s": r.time_s, "level_db": r.level_db} for r in found.reflections],
        "spectrum_db": {f"{frequency:.4g}": _number(level) for frequency, level in thirds},
        "noise_floor_dbfs": as_bands(found.noise_floor_dbfs),
        "correlation": _number(found.correlation),
        "width": _number(found.width),
        "warnings": list(found.warnings),
        "reasons": dict(found.reasons),
    }


def measurement_lines(found: Measurement) -> Iterator[str]:
    """Show a measurement as text: a table of octaves, then what is known of the whole; what isn't is a dash."""
    yield f"{found.path}: {found.kind}, {found.channels}, {found.sample_rate} Hz, {found.length_s:.2f} s"
    yield "  " + "".join(text.rjust(13 if n == 2 else 8) for n, text in enumerate(["Hz", "T s", "90 %", *_COLUMNS]))
    for band, name in enumerate(BAND_NAMES):
        T_s, low, high = (float(x[band]) for x in (found.T_s, found.T_low_s, found.T_high_s))
        interval = f"{low:.2f}–{high:.2f}" if np.isfinite(low) and np.isfinite(high) else "–"
        cells = [f"{x:.{digits}f}" if np.isfinite(x) else "–" for x, digits in _row(found, band)]
        row = "".join(cell.rjust(8) for cell in cells)
        time = f"{T_s:.2f}" if np.isfinite(T_s) else "–"
        yield f"  {name.rjust(8)}{time.rjust(8)}{interval.rjust(13)}{row}  {found.T_from[band]}".rstrip()
    if found.reflections:
        shown = ", ".join(f"{1e3 * r.time_s:.1f} ms {r.level_db:.1f} dB" for r in found.reflections[:6])
        yield f"  initial time gap {1e3 * found.initial_gap_s:.1f} ms; reflections after the direct sound: {shown}"
    if np.isfinite(found.correlation):
        side = float(energy_db(found.width / (1.0 - found.width))) if found.width < 1 else np.inf
        yield f"  correlation of the channels {found.correlation:.2f}, side over middle {side:.1f} dB"
    for name in ("LF", "LFC", "LF_like", "IACC_early", "IACC_late", "IACC"):
        values = getattr(found, name)
        if np.isfinite(values).any():
            text = ", ".join(f"{b} Hz {v:.2f}" for b, v in zip(BAND_NAMES, values, strict=True) if np.isfinite(v))
            yield f"  {name.replace('_', ' ')}: {text}"
    grouped: dict[str, list[str]] = {}
    for key, text in found.reasons.items():
        if key.startswith("T_s"):
            grouped.setdefault(text, []).append(key.removeprefix("T_s").removeprefix("."))
    for text, bands in grouped.items():
        where = f" at {', '.join(bands)} Hz" if any(bands) else ""
        yield f"  no T{where}: {text}"


_COLUMNS = ("EDT s", "C80 dB", "D50", "Ts ms", "DRR dB", "range", "noise")


def _row(found: Measurement, band: int) -> list[tuple[float, int]]:
    """Return a band's numbers and how many digits each is shown with."""
    columns = (found.EDT_s, found.C80_db, found.D50, found.Ts_s * 1e3, found.drr_db, found.decay_range_db)
    digits = (2, 1, 2, 0, 1, 0)
    row = [(float(x[band]), n) for x, n in zip(columns, digits, strict=True)]
    return [*row, (float(found.noise_floor_dbfs[band]), 0)]


def _number(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None


def _read(
    path: Path, chosen: Sequence[int], rate: int | None = None
) -> tuple[NDArray[np.float64], int, int, float, list[str], bool]:
    """Return samples, their rate, the file's, its length, warnings, and whether it is clipped."""
    info = probe(path)
    if info.sample_rate < LOWEST_RATE:
        raise InputError(f"{path}: found a sample rate of {info.sample_rate} Hz, allowed: {LOWEST_RATE} Hz or more")
    if not chosen and info.channels > 2:
        raise InputError(
            f"{path}: found {info.channels} channels, allowed: 1 or 2; choose with --channel N, twice for a pair"
        )
    used = [number - 1 for number in chosen] or list(range(info.channels))
    for number in used:
        if not 0 <= number < info.channels:
            raise InputError(f"{path}: found --channel {number + 1}, allowed: 1 to {info.channels}")
    if len(used) > 2 or len(set(used)) < len(used):
        raise InputError(f"{path}: found --channel {', '.join(map(str, chosen))}; allowed: one, or two different ones")
    working = rate or min(info.sample_rate, WORKING_RATE)
    listener = Listener(info, len(used))
    blocks, counted, full = [], 0, 0
    limit = round(LONGEST_S * working)

    def listen(samples: NDArray[np.float32]) -> None:
        nonlocal full
        listener.add(samples)
        full += int(np.count_nonzero(np.abs(samples) >= 1.0 - 2.0**-15))

    for block in read_blocks(info, working, 1 << 18, [[c] for c in used], listen):
        blocks.append(block)
        counted += block.shape[1]
        if counted >= limit:
            break
    samples = np.concatenate(blocks, axis=1)[:, :limit].astype(np.float64)
    if listener.peak < SILENT:
        level = f"peaks at {20 * np.log10(listener.peak):.0f} dBFS" if listener.peak else "every sample is zero"
        raise InputError(f"{path}: silent, {level}; record it louder")
    for number, row in zip(used, samples, strict=True):
        if not row.any():
            raise InputError(f"{path}: channel {number + 1} is silent; choose the other with --channel")
    warnings = listener.warnings()
    clipped = any(text.startswith("clipped") for text in warnings)
    share = full / (len(used) * info.frames)
    if clipped and share > CLIPPED_SHARE:
        raise InputError(f"{path}: clipped, {100 * share:.0f} % of its samples at full scale; record it lower")
    length_s = info.frames / info.sample_rate
    if length_s > LONGEST_S:
        warnings.append(f"only the first {LONGEST_S / 60:g} minutes were measured")
    return samples, working, info.sample_rate, length_s, warnings, clipped


def _music(
    values: dict[str, Any],
    reasons: dict[str, str],
    warnings: list[str],
    samples: NDArray[np.float64],
    rate: int,
    clipped: bool,
) -> None:
    """Measure music or speech by its free decays."""
    found = blind_decay(samples, rate)
    values |= {"T_s": found.T_s, "T_low_s": found.low_s, "T_high_s": found.high_s}
    reasons["EDT_s"] = "the source's own release hides the first 10 dB"
    values["T_from"] = tuple(
        "" if reason else "free decays, at most" if bound else "free decays"
        for reason, bound in zip(found.reasons, found.upper_bound.tolist(), strict=True)
    )
    for name, reason in zip(BAND_NAMES, found.reasons, strict=True):
        if reason:
            reasons[f"T_s.{name}"] = reason
    if clipped:
        reasons |= dict.fromkeys(("C80_db", "drr_db"), "clipped: the level before the stops is lost")
    else:
        values |= {"C80_db": found.C80_db, "C80_error_db": found.C80_error_db}
        values |= {"drr_db": found.drr_db, "drr_error_db": found.drr_error_db}
        for band, name in enumerate(BAND_NAMES):
            if np.isnan(found.drr_db[band]) and not found.reasons[band]:
                reasons[f"drr_db.{name}"] = "the level falls too little at the stops to tell the direct sound"
    bent = [name for name, two in zip(BAND_NAMES, found.two_slopes.tolist(), strict=True) if two]
    if bent:
        warnings.append(f"decays have two slopes at {', '.join(bent)} Hz; T is that of the first 35 dB")


def _response(
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
    ratios = [
        np.mean([direct_to_reverberant(row, rate, onset, direct_s=direct) for row in rows], axis=0)
        for direct in (DIRECT_S, 2.0 * DIRECT_S)
    ]
    values["drr_db"] = ratios[0]
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
            for key in _ARRAYS:
                values[key][band] = np.nan
            reasons |= {f"{key}.{name}": text for key in (*_MEASURES, "drr_db")}
    if clipped:  # what is loudest is missing: the direct sound
        for key in ("EDT_s", "C80_db", "D50", "Ts_s", "drr_db", "drr_error_db"):
            values[key] = np.full(BANDS.size, np.nan)
            reasons[key] = "clipped: the direct sound's level is lost"
    _choose(values, reasons)


def _choose(values: dict[str, Any], reasons: dict[str, str]) -> None:
    """Take T30 where it is known, else T20, with the interval that one response leaves."""
    bandwidth = octave_midbands(BANDS) * (10.0**0.15 - 10.0**-0.15)
    sources = []
    for band, name in enumerate(BAND_NAMES):
        source = next((key for key in DEVIATION if np.isfinite(values[key][band])), None)
        sources.append(source.removesuffix("_s") if source else "")
        if source is None:
            reasons[f"T_s.{name}"] = reasons[f"T20_s.{name}"]
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


def _processed(samples: NDArray[np.float64], rate: int, response: bool) -> list[str]:
    """Say where a recording was gated, denoised or faded, as far as that can be seen."""
    found: list[str] = []
    frame = round(_FRAME_S * rate)
    square = np.mean(samples**2, axis=0)
    frames = square[: square.size // frame * frame].reshape(-1, frame).mean(axis=1)
    if frames.size < 10:
        return found
    level = energy_db(frames / np.max(frames) + 1e-20)
    silent = frames == 0.0
    run = round(_DIGITAL_SILENCE_S / _FRAME_S)
    ahead = np.min(np.lib.stride_tricks.sliding_window_view(silent, run), axis=1)
    starts = np.flatnonzero(ahead[1:] & ~silent[: ahead.size - 1]) + 1
    cut = [start for start in starts.tolist() if start >= 2 and level[start - 2] > _GATED_DB]
    if cut:
        found.append(
            f"gated or edited: falls from {level[cut[0] - 2]:.0f} dB re its loudest to digital silence "
            f"at {cut[0] * _FRAME_S:.2f} s; decays are not the room's there"
        )
    if response and (steeper := _steepening(level)) is not None:
        found.append(
            f"the decay gets {steeper:.1f} times as steep further down: denoised, gated or faded out, as no room decays"
        )
    return found


def _steepening(level: NDArray[np.float64]) -> float | None:
    """Return how many times faster a decay falls through some 10 dB than through an earlier 10 dB; None if it doesn't.

    The 10 dB below the peak don't count, where single reflections are, nor the 6 dB above the floor.
    """
    smooth = energy_db(np.convolve(10.0 ** (level / 10.0), np.ones(5) / 5.0, "valid"))
    smooth = smooth[int(np.argmax(smooth)) :] - np.max(smooth)
    falling = np.minimum.accumulate(smooth)
    foot = max(float(np.percentile(smooth, 2.0)) + 6.0, -100.0)
    steps = np.arange(-10.0, foot, -10.0)
    frames = np.diff(np.interp(-steps, -falling, np.arange(falling.size)))
    if frames.size < 2 or frames.min() <= 0:
        return None
    ratio = float(np.max(np.maximum.accumulate(frames)[:-1] / frames[1:]))
    return ratio if ratio > _STEEPER else None
