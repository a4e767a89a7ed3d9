"""What a recording says about its room: from an impulse response, a recorded sweep, or music and speech."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from render.measure_response import PAIRS, Pair, measure_response, sounds_like_a_response
from render.measurement import BAND_ARRAYS, Measurement, measurement_json, measurement_lines
from render.recording import one_sound, read_recording
from rooms.blind import blind_decay
from rooms.decay_fit import FRAME_S
from rooms.errors import InputError
from rooms.octave_frames import octave_signals
from rooms.processed import processed
from rooms.spectra import THIRD_OCTAVES, long_term_spectrum, noise_floor
from rooms.sweeps import deconvolve
from rooms.two_channels import pair_correlation, side_share
from rooms.units import BAND_NAMES, BANDS

__all__ = [
    "PAIRS",
    "Measurement",
    "Pair",
    "measure_file",
    "measurement_json",
    "measurement_lines",
    "sounds_like_a_response",
]

LEAST_S = {"response": 0.1, "music": 2.0}
"""Shortest recording that can be measured, in seconds (our choice, no source)."""


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
    samples, rate, info_rate, length_s, warnings, clipped = read_recording(path, chosen)
    if pair != "stereo" and len(samples) != 2:
        raise InputError(f"{path}: found 1 channel, allowed: two for --channels {pair}; choose them with --channel")
    if pair == "stereo" and len(samples) == 2:
        samples, said = one_sound(samples)
        warnings += said
    sounds: str
    if reference is not None:
        if kind is not None:
            raise InputError(f"{path}: a recorded sweep is neither response nor music; leave out --as or --reference")
        played, _, _, _, _, _ = read_recording(reference, (), rate)
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
    values: dict[str, Any] = {name: np.full(BANDS.size, np.nan) for name in BAND_ARRAYS}
    reasons: dict[str, str] = {"G_db": "needs a calibrated source and microphone"}
    values |= {"T_from": ("",) * BANDS.size, "reflections": (), "initial_gap_s": np.nan}
    if sounds == "music":
        _music(values, reasons, warnings, samples, rate, clipped)
    else:
        measure_response(values, reasons, analysed, rate, pair, limits, clipped)
    warnings += processed(samples if sounds != "sweep" else analysed, rate, sounds != "music")
    if len(samples) == 2:
        octaves = octave_signals(samples, rate, round(FRAME_S * rate))
        values["band_correlation"] = np.array(
            [np.nan if both is None else float(pair_correlation(*both.reshape(2, -1))) for both in octaves]
        )
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
        chosen=tuple(chosen),
        **values,
    )


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
    reasons["initial_gap_s"] = "music hides single reflections; a clap shows them"
    values["T_from"] = tuple(
        "" if reason else ("free decays" if whole else "free decays of partials") + (", at most" if bound else "")
        for reason, whole, bound in zip(found.reasons, found.decays, found.upper_bound, strict=True)
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
            if not found.decays[band] and not found.reasons[band]:
                text = "no stop where the whole octave falls silent: only partials decay freely"
                reasons |= {f"C80_db.{name}": text, f"drr_db.{name}": text}
            elif np.isnan(found.drr_db[band]) and not found.reasons[band]:
                text = "the level falls too little at the stops to tell the direct sound; a clap tells it"
                reasons[f"drr_db.{name}"] = text
    bent = [name for name, two in zip(BAND_NAMES, found.two_slopes.tolist(), strict=True) if two]
    if bent:
        warnings.append(f"decays have two slopes at {', '.join(bent)} Hz; T is that of the first 35 dB")
