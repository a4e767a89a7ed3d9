"""What a match leaves behind: the fitted scene, a page, numbers, a correction filter, and sounds of one loudness."""

from __future__ import annotations

import base64
import hashlib
import json
import os
import shutil
import tempfile
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import matplotlib.style
import numpy as np
from matplotlib.figure import Figure
from numpy.typing import NDArray

from render.cues import QUICK_DBTP, QUICK_LUFS
from render.export import open_audio, write_text
from render.figures import STYLE, draw_fitted_decays, png_bytes
from render.listening import listening_panel
from render.loudness import Loudness, LoudnessMeter, gain_to, matching_gains
from render.match import Match, fitted_scene_text
from render.match_words import plain_sentences, unmatched, untold
from render.measure import Measurement, measurement_json
from render.measurement import RINGS_ON, intervals_json, number_json
from render.mix import main_array
from render.pages import page
from render.scene_file import SceneFile, read_scene
from render.session import Rendering, render_scene
from render.staging import make_folder, sole_writer, staged
from render.stems import probe, read_blocks
from rooms.agreement import residuals, tone_db
from rooms.correction import correction_filter, gentle_gains
from rooms.errors import InputError
from rooms.matching import Candidate
from rooms.measures import as_bands
from rooms.spectra import THIRD_OCTAVES, long_term_spectrum, stands_out
from rooms.units import BAND_NAMES, amplitude

__all__ = ["require_own_folder", "write_match"]

BANDED = ("T_s", "EDT_s", "C80_db", "drr_db", "correlation")
"""Measures that numbers give by octave."""

OF_A_RECORDING = ("correction.wav", "listening/", "rendered/quick/")
"""What an earlier match leaves and a later one may have none of."""

LEAST_HEARD = 6
"""So many third octaves that stand out of the recording's noise are corrected by; with fewer, all are."""

LISTENED_S = 120.0
"""So much of the recording and of the cue is put side by side, in s."""


@dataclass(frozen=True, eq=False)
class _Sounds:
    """The recording, the cue and both, of one loudness, and what brings the cue's balance nearer to the recording's."""

    files: Mapping[str, str]
    lufs: float
    rate: int
    spectrum_db: NDArray[np.float64]
    gains_db: NDArray[np.float64]


def write_match(
    measurement: Measurement,
    match: Match,
    folder: Path,
    progress: Callable[[str, float], None] | None = None,
) -> list[str]:
    """Write everything of a match into a folder; files of the same names are replaced, together.

    Parameters
    ----------
    measurement : Measurement
        Of the recording.
    match : Match
        What was fitted to it.
    folder : Path
        Made if it doesn't exist; all appears there together when the last of it is whole. ``scene.toml`` is the best
        candidate as a scene, ``match.html`` the page, ``match.json`` its numbers. Where the scene has stems,
        ``rendered/quick`` is its first cue in the fitted room; where the recording is music, too, ``listening`` has
        the recording, the cue and both, and ``correction.wav`` is a filter for the mix. Those that an earlier match
        left there and this one has none of are removed.
    progress : callable, optional
        Told what is being done and how far it is.

    Returns
    -------
    list of str
        What is worth saying of it, line by line.

    Raises
    ------
    InputError
        If the folder can't be written to or has a scene of somebody's own (`require_own_folder`), or the fitted scene
        can't be rendered; nothing is replaced then.
    SitzprobeError
        If something else is writing to the folder.
    """
    require_own_folder(folder, match.scene_file)
    with sole_writer(folder):
        before = _left(folder, "files", [])
        with staged(folder, ()) as staging:
            said = _write(measurement, match, staging, folder, progress)
        for name in set(before) - set(_left(folder, "files", [])):
            if name.startswith(OF_A_RECORDING) and ".." not in Path(name).parts:
                (folder / name).unlink(missing_ok=True)  # or another recording's would lie beside this one's
    return said


def require_own_folder(folder: Path, base: SceneFile) -> None:
    """Refuse a folder where work would be lost: the scene that is fitted, or a scene or presets that no match left so.

    Raises
    ------
    InputError
        If a match into the folder would replace work of somebody's own, or can't write there.
    """
    try:
        above = next((path for path in (folder, *folder.parents) if path.exists()), folder)
        usable = above.is_dir() and os.access(above, os.W_OK | os.X_OK)
    except OSError:  # a folder above mustn't be looked into, or its name is too long
        usable = False
    if not usable:
        raise InputError(f"cannot write to {folder}; choose a folder you can write to")
    if (folder / "scene.toml").resolve() == base.path.resolve():
        raise InputError(f"{folder}: holds the scene that is fitted; choose another folder with -o")
    left = _left(folder, "sha256", {})
    copies = base.own.folder.rglob("*") if base.own.folder is not None else ()
    presets = [Path("presets") / path.relative_to(base.own.folder or path) for path in copies if path.is_file()]
    for name in (Path("scene.toml"), *presets):
        there = folder / name
        if there.is_file() and (known := left.get(name.as_posix())) != _digest(there):
            what = "was changed since a match wrote it" if known else "is there already, and no match wrote it"
            raise InputError(f"{there}: {what}; choose another folder with -o")


def _left(folder: Path, key: str, otherwise: Any) -> Any:
    """Return what the last match into a folder noted under a key; something else where there was none."""
    try:
        return json.loads((folder / "match.json").read_text(encoding="utf-8"))[key]
    except (OSError, ValueError, TypeError, KeyError):
        return otherwise


def _digest(path: Path) -> str:
    """Return what tells whether a file has changed."""
    return hashlib.sha256(path.read_bytes()).hexdigest()


def _write(
    measurement: Measurement,
    match: Match,
    folder: Path,
    home: Path,
    progress: Callable[[str, float], None] | None,
) -> list[str]:
    """Write everything of a match into a folder that stands for another, its home; return what is said of it."""
    best = match.candidates[0]
    write_text(
        folder / "scene.toml", fitted_scene_text(_rehomed(match, home, folder / "presets"), best, measurement.path.name)
    )
    tell = progress or (lambda _what, _part: None)
    sounds, rendering = None, None
    if match.scene_file.cues:
        rendering = _rendered(match, best, folder / "rendered", home, progress)
        tell("sounds and page", 0.0)
        if measurement.kind == "music":
            sounds = _listening(measurement, rendering, folder)
    sentences = plain_sentences(match.target, best.predicted)
    cannot = unmatched(match.target, best)
    numbers = _numbers(measurement, match, sounds) | {"sentences": sentences, "cannot_be_matched": cannot}
    own = [path for path in (folder / "scene.toml", *(folder / "presets").rglob("*")) if path.is_file()]
    written = {path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file()}
    numbers["files"] = sorted(written | {"match.html", "match.json"})
    numbers["sha256"] = {path.relative_to(folder).as_posix(): _digest(path) for path in own}
    write_text(folder / "match.json", json.dumps(numbers, indent=2, ensure_ascii=False, allow_nan=False) + "\n")
    with matplotlib.style.context(["default", STYLE]):
        decays = _png(_decays_figure(match, best, rendering))
        spectrum = _png(_spectrum_figure(measurement, sounds)) if sounds else None
    write_text(
        folder / "match.html",
        page(
            "match.html.j2",
            recording=measurement,
            rings_on=RINGS_ON,
            title=match.scene_file.title,
            candidates=numbers["candidates"],
            target=numbers["target"],
            refused=match.refused,
            others=match.others,
            untold=untold(measurement),
            bands=BAND_NAMES,
            sentences=sentences,
            cannot=cannot,
            decays=decays,
            spectrum=spectrum,
            correction=list(zip(THIRD_OCTAVES.tolist(), sounds.gains_db.tolist(), strict=True)) if sounds else [],
            sounds=sounds,
            panel=listening_panel({what: folder / path for what, path in sounds.files.items()}, sounds.lufs)
            if sounds
            else None,
        ),
    )
    tell("sounds and page", 1.0)
    return [*sentences, *cannot]


def _rendered(
    match: Match, candidate: Candidate, folder: Path, home: Path, progress: Callable[[str, float], None] | None
) -> Rendering:
    """Render the first cue of a candidate, from a scene that is thrown away, beside where it will lie."""
    with tempfile.TemporaryDirectory(dir=home) as scratch:
        there = Path(scratch) / home.resolve().name  # a cue without a name is called after its folder
        make_folder(there)
        write_text(there / "scene.toml", fitted_scene_text(_rehomed(match, there, there / "presets"), candidate))
        cue = read_scene(there / "scene.toml").cues[0].name
        return render_scene(there / "scene.toml", folder, cues=[cue], quick=True, force=True, progress=progress)


def _rehomed(match: Match, folder: Path, presets: Path) -> Match:
    """Return the match with its scene's paths as they are from another folder, its own presets copied."""
    base = match.scene_file
    home = base.path.parent

    def moved(path: str) -> str:
        return Path(os.path.relpath(home / path, folder)).as_posix()

    def stem(given: Any) -> Any:
        if isinstance(given, dict):
            return given | ({"stem": moved(given["stem"])} if "stem" in given else {})
        return moved(given)

    data = dict(base.file.data)
    data["sections"] = {
        name: {**table, **({"stem": moved(table["stem"])} if "stem" in table else {})}
        for name, table in data["sections"].items()
    }
    if "cues" in data:
        data["cues"] = {
            cue: {name: stem(given) for name, given in table.items()} for cue, table in data["cues"].items()
        }
    if "stems" in data:
        data["stems"] = {**data["stems"], "folder": moved(data["stems"].get("folder", "stems"))}
    if base.own.folder is not None:
        shutil.copytree(base.own.folder, presets, dirs_exist_ok=True)
    return replace(match, scene_file=replace(base, file=replace(base.file, data=data)))


def _listening(measurement: Measurement, rendering: Rendering, folder: Path) -> _Sounds:
    """Write the recording, the cue and both at one loudness, and the correction filter."""
    rate = rendering.responses.scene.sample_rate
    recording = _stereo(measurement.path, rate, measurement.chosen)
    cue = _stereo(rendering.folder / rendering.mixes[0].path, rate)
    length = max(recording.shape[1], cue.shape[1])
    both = np.zeros((2, length), dtype=np.float32)
    read = [_loudness(sound, rate) for sound in (recording, cue)]
    for sound, of in zip((recording, cue), read, strict=True):
        both[:, : sound.shape[1]] += amplitude(gain_to(of, QUICK_LUFS, QUICK_DBTP) or 0.0) * sound
    named = {"recording": recording, "cue in the fitted room": cue, "both together": both}
    gains_db, lufs = matching_gains([*read, _loudness(both, rate)], QUICK_LUFS, QUICK_DBTP)
    files = {}
    for number, ((name, sound), gain_db) in enumerate(zip(named.items(), gains_db, strict=True)):
        path = folder / "listening" / f"{name.split()[0]}.flac"
        make_folder(path.parent)
        with open_audio(path, sample_rate=rate, channels=2, encoding="flac24", dither_key=number) as writer:
            writer.write(np.asarray(sound * amplitude(gain_db), dtype=np.float32))
        files[name] = f"listening/{path.name}"
    spectrum = long_term_spectrum(cue, rate)
    heard = stands_out(recording, rate)
    wanted = np.where(heard, measurement.spectrum_db, np.nan) if heard.sum() >= LEAST_HEARD else measurement.spectrum_db
    gains = gentle_gains(wanted, spectrum, THIRD_OCTAVES)
    with open_audio(folder / "correction.wav", sample_rate=rate, channels=1, encoding="float32") as writer:
        writer.write(correction_filter(gains, THIRD_OCTAVES, rate)[None])
    return _Sounds(files, lufs, rate, spectrum, gains)


def _stereo(path: Path, rate: int, chosen: Sequence[int] = ()) -> NDArray[np.float32]:
    """Return the beginning of a sound file as two channels, (2, samples): of those chosen, counted from 1, or all."""
    info, blocks, samples = probe(path), [], 0
    voices = [[number - 1] for number in chosen] or [[channel] for channel in range(info.channels)]
    for block in read_blocks(info, rate, 1 << 16, voices):
        blocks.append(block)
        samples += block.shape[1]
        if samples >= LISTENED_S * rate:
            break
    sound = np.concatenate(blocks, axis=1)[:, : int(LISTENED_S * rate)]
    return np.ascontiguousarray(np.broadcast_to(sound[:1], (2, sound.shape[1])) if len(sound) == 1 else sound[:2])


def _loudness(sound: NDArray[np.float32], rate: int) -> Loudness:
    """Return what a meter reads of a sound (2, samples)."""
    meter = LoudnessMeter(rate, 2)
    meter.add(sound)
    return meter.result()


def _numbers(measurement: Measurement, match: Match, sounds: _Sounds | None) -> dict[str, Any]:
    """Return a match as JSON's types."""
    ranked = []
    for candidate in match.candidates:
        found = candidate.predicted
        misses = residuals(match.target, found)
        ranked.append(
            {
                "hall": candidate.name or match.scene_file.hall.name,
                "plan_scale": candidate.plan_scale,
                "distance_m": round(candidate.distance, 3),
                "height_m": round(candidate.height, 3),
                "downstage_m": candidate.downstage,
                "spots_db": candidate.spot_db,
                "ambience_db": candidate.far_db,
                "width": candidate.width,
                "off_jnd": round(candidate.cost, 3),
                **{name: as_bands(getattr(found, name)) for name in BANDED},
                "tone_db": as_bands(tone_db(found.drr_db, np.isfinite(match.target.drr_db))),
                "initial_gap_s": found.initial_gap_s,
                "off_by_measure_jnd": {name: _size(miss) for name, miss in misses.items()},
                "residuals_jnd": {
                    name: as_bands(miss) if len(miss) > 1 else (float(miss[0]) if np.isfinite(miss[0]) else None)
                    for name, miss in misses.items()
                },
            }
        )
    return {
        "recording": measurement_json(measurement),
        "scene": match.scene_file.title,
        "target": {name: as_bands(getattr(match.target, name)) for name in BANDED}
        | {"tone_db": as_bands(tone_db(match.target.drr_db)), "initial_gap_s": number_json(match.target.initial_gap_s)}
        | {"T_interval_s": intervals_json(match.target.T_low_s, match.target.T_high_s)},
        "candidates": ranked,
        "refused": dict(match.refused),
        "others": dict(match.others),
        "correction_db": None
        if sounds is None
        else {f"{f:.4g}": round(g, 2) for f, g in zip(THIRD_OCTAVES.tolist(), sounds.gains_db.tolist(), strict=True)},
        "loudness_lufs": None if sounds is None else round(sounds.lufs, 2),
    }


def _size(misses: NDArray[np.float64]) -> float | None:
    """Return the root mean square of what is known; None if nothing is."""
    known = misses[np.isfinite(misses)]
    return round(float(np.sqrt(np.mean(known**2))), 3) if known.size else None


def _decays_figure(match: Match, candidate: Candidate, rendering: Rendering | None) -> Figure:
    """Draw the recording's decays and the fit's, band by band."""
    figure = Figure(figsize=(10.5, 5.6))
    axes = figure.subplots(2, 3, sharex=True, sharey=True, gridspec_kw={"wspace": 0.06, "hspace": 0.2})
    figure.subplots_adjust(left=0.07, right=0.985, top=0.93, bottom=0.1)
    energy, bin_s = None, 0.0
    if rendering is not None:
        scene = rendering.responses.scene
        main = [array.name == main_array(scene.arrays).name for array, _ in scene.capsules]
        energy, bin_s = rendering.responses.omni_energy[:, main].sum(axis=(0, 1)), rendering.responses.bin_s
    draw_fitted_decays(axes.ravel(), match.target, candidate.predicted.T_s, energy, bin_s)
    return figure


def _spectrum_figure(measurement: Measurement, sounds: _Sounds) -> Figure:
    """Draw the long-term spectra of recording and cue, and the correction."""
    figure = Figure(figsize=(10.5, 3.6))
    axes = figure.add_axes((0.07, 0.15, 0.915, 0.78))
    for level, style, text in (
        (measurement.spectrum_db, {"color": "#000000", "marker": "o"}, "recording"),
        (sounds.spectrum_db, {"color": "#0072B2", "marker": "s", "linestyle": "--"}, "cue in the fitted room"),
        (sounds.gains_db, {"color": "#D55E00", "linewidth": 2.4}, "suggested correction"),
    ):
        axes.semilogx(THIRD_OCTAVES, level, markersize=4, label=text, **style)
    ticks = [63, 125, 250, 500, 1000, 2000, 4000, 8000, 16000]
    axes.set_xticks(ticks, [f"{t // 1000}k" if t >= 1000 else f"{t}" for t in ticks])
    axes.minorticks_off()
    axes.set(xlabel="third octave (Hz)", ylabel="level re the mean (dB)")
    axes.grid(color="#000000", alpha=0.12, linewidth=0.6)
    axes.legend(loc="lower left")
    return figure


def _png(figure: Figure) -> str:
    """Return a picture as the address of itself."""
    return "data:image/png;base64," + base64.b64encode(png_bytes(figure)).decode("ascii")
