"""What a scene holds, in numbers and words, without rendering it."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from render.buses import settings
from render.cue_stems import Cue
from render.mix import main_array, main_image
from render.scene_file import SceneFile, require_stem, require_stems
from rooms import catalogue
from rooms.errors import InputError
from rooms.localisation import LOUDSPEAKER_AZIMUTH, EnsembleImage

if TYPE_CHECKING:
    from render.stem_sound import StemDescription
    from render.stems import StemInfo

__all__ = [
    "ListedStem",
    "list_stems",
    "mismatches",
    "mix_rows",
    "own_preset_warnings",
    "own_presets",
    "reverberation_warnings",
    "stem_json",
    "stem_row",
    "summary",
    "summary_lines",
    "unready",
]

LENGTH_TOLERANCE = 0.001
"""s; stems whose lengths differ by less count as equally long (rounding when a file was resampled)."""


@dataclass(frozen=True)
class ListedStem:
    """Which file is whose, and what it is.

    Attributes
    ----------
    cue, section : str
        Whose it is.
    path : Path
        The file.
    channels : tuple of int
        Which of its channels play, counted from 1.
    fold : bool
        Whether two of them are folded to one.
    start_s : float
        When it begins, in s after the cue's start.
    info : StemInfo or None
        What its header says; None if it can't be rendered.
    sound : StemDescription or None
        What it sounds like, if it was listened to.
    fault : str or None
        Why it can't be rendered.
    """

    cue: str
    section: str
    path: Path
    channels: tuple[int, ...]
    fold: bool
    start_s: float
    info: StemInfo | None
    sound: StemDescription | None
    fault: str | None


def stem_row(stem: ListedStem, home: Path) -> tuple[str, ...]:
    """Return a stem's line in the table of stems; what isn't known is a dash."""
    path = stem.path.relative_to(home) if stem.path.is_relative_to(home) else stem.path
    whose = (path.as_posix(), stem.section, stem.cue)
    if stem.info is None:
        return (*whose, *["–"] * 6)
    playing = ", ".join(map(str, stem.channels))
    channels = f"{playing} of {stem.info.channels}" if len(stem.channels) < stem.info.channels else playing
    header = (
        str(stem.info.sample_rate),
        channels + (" folded" if stem.fold else ""),
        f"{stem.start_s:.3f}",
        f"{stem.info.frames / stem.info.sample_rate:.3f}",
    )
    if stem.sound is None:
        return (*whose, *header)
    loudness = f"{stem.sound.lufs:.1f}" if stem.sound.lufs is not None else f"none: {stem.sound.lufs_reason}"
    return (*whose, *header, f"{stem.sound.peak_dbfs:.1f}", loudness)


def stem_json(stem: ListedStem) -> dict[str, Any]:
    """Return a stem as JSON's types; digital silence has no peak level."""
    found: dict[str, Any] = {"cue": stem.cue, "section": stem.section, "path": str(stem.path)}
    if stem.info is not None:
        found |= {
            "sample_rate": stem.info.sample_rate,
            "channels": stem.info.channels,
            "plays": list(stem.channels),
            "fold": stem.fold,
            "start_s": stem.start_s,
            "length_s": stem.info.frames / stem.info.sample_rate,
        }
    if stem.sound is not None:
        found |= {
            "peak_dbfs": stem.sound.peak_dbfs if stem.sound.peak_dbfs > float("-inf") else None,
            "lufs": stem.sound.lufs,
            "dc_offset": stem.sound.dc_offset,
            "warnings": list(stem.sound.warnings),
        }
    return found | ({"fault": stem.fault} if stem.fault is not None else {})


def summary(scene: SceneFile) -> dict[str, Any]:
    """Return what the scene holds: hall, sections, arrays and cues, as JSON's types."""
    return {
        "scene": str(scene.path),
        "title": scene.title,
        "hall": {
            "name": scene.hall.name,
            "size_m": list(scene.hall.box.size),
            "volume_m3": round(scene.hall.box.volume, 1),
            "asked_T30_s": scene.asked_T30,
        },
        "sections": [
            {"name": s.name, "instrument": s.instrument.name, "players": len(s.players)} for s in scene.sections
        ],
        "arrays": [
            {
                "name": a.name,
                "purpose": a.purpose,
                "capsules": [c.name for c in a.capsules],
                "gain_db": scene.buses[a.name].gain,
                "balance_db": scene.buses[a.name].balance,
                "level_db": scene.buses[a.name].level,
                "settings": list(settings(scene.buses[a.name])),
            }
            for a in scene.arrays
        ],
        "image": _image(scene),
        "own_presets": own_presets(scene),
        "cues": {cue.name: {section: str(stem.path) for section, stem in cue.stems.items()} for cue in scene.cues},
    }


def summary_lines(scene: SceneFile) -> list[str]:
    """Return the same as lines to read."""
    size = " × ".join(f"{side:g}" for side in scene.hall.box.size)
    players = sum(len(s.players) for s in scene.sections)
    capsules = sum(len(a.capsules) for a in scene.arrays)
    asked = f", asked T30 {scene.asked_T30:g} s" if isinstance(scene.asked_T30, float) else ""
    image = main_image(scene.arrays, scene.sections, scene.hall.speed_of_sound)
    own = "; ".join(f"{kind} {', '.join(found)}" for kind, found in own_presets(scene).items())
    cues = ", ".join(f"{cue.name} ({len(cue.stems)} stems)" for cue in scene.cues)
    return [
        f"{scene.path}: valid" + (f", “{scene.title}”" if scene.title else ""),
        f"hall      {scene.hall.name}, {size} m, {scene.hall.box.volume:.0f} m³{asked}",
        f"sections  {', '.join(f'{s.name} {len(s.players)}' for s in scene.sections)}: {players} players",
        f"arrays    {', '.join(f'{a.name} {len(a.capsules)}' for a in scene.arrays)}: {capsules} capsules",
        *([f"image     {main_array(scene.arrays).name}: {_image_line(image)}"] if image is not None else []),
        f"cues      {cues or 'none: no stems are named'}",
        *([f"own       {own}"] if own else []),
    ]


def _image(scene: SceneFile) -> dict[str, Any] | None:
    """Return where the main array, if it is a pair, puts the ensemble between the loudspeakers, as JSON's types."""
    image = main_image(scene.arrays, scene.sections, scene.hall.speed_of_sound)
    if image is None:
        return None
    return {
        "recording_angle_deg": None if math.isnan(image.recording_angle) else round(image.recording_angle, 1),
        "seen_deg": [round(azimuth, 1) for azimuth in image.seen],
        "sections": [
            {
                "section": section.section,
                "azimuth_deg": round(section.azimuth, 1),
                "left_deg": round(section.left, 1),
                "right_deg": round(section.right, 1),
            }
            for section in image.sections
        ],
    }


def _image_line(image: EnsembleImage) -> str:
    """Return the same in words: where the outermost players are seen, and where they are heard."""
    angle = image.recording_angle
    holds = "holds all in front of it" if math.isnan(angle) else f"recording angle {angle:.0f}°"
    (left, right), (first, last) = image.seen, image.heard
    edges = (
        f"players seen at {left:.0f} to {right:.0f}°, heard at {first:.0f} to {last:.0f}° of ±{LOUDSPEAKER_AZIMUTH:g}°"
    )
    return f"{holds}; {edges}".replace("-", "−")


def own_presets(scene: SceneFile) -> dict[str, list[str]]:
    """Return the names of the scene's own presets, by the kinds it has any of."""
    found = {kind: list(catalogue.own_names(kind, scene.own)) for kind in catalogue.KINDS}
    return {kind: names for kind, names in found.items() if names}


def own_preset_warnings(scene: SceneFile) -> list[str]:
    """Return a line for each own preset that takes a bundled one's place, and each that can't be used."""
    taken = [
        f"{catalogue.singular(kind)} '{name}' is your own, not the bundled one"
        for kind, names in own_presets(scene).items()
        for name in names
        if name in catalogue.names(kind)
    ]
    return taken + catalogue.faults(scene.own)


def mix_rows(scene: SceneFile) -> list[tuple[str, ...]]:
    """Return the mix as rows: array, purpose, its gain, the balance and both in dB, and what else is set."""
    return [
        (
            array.name,
            array.purpose,
            *(f"{level:+.1f}".replace("-", "−") for level in (bus.gain, bus.balance, bus.level)),
            ", ".join(settings(bus)),
        )
        for array in scene.arrays
        for bus in (scene.buses[array.name],)
    ]


def list_stems(scene: SceneFile, *, listen: bool) -> list[ListedStem]:
    """Return all stems of a scene, cue by cue: from their headers, or listened through to their ends.

    A stem that can't be rendered is listed with what is wrong.
    """
    # These bring the audio libraries, which a plain check has no need of.
    from render.stem_sound import describe
    from render.stems import probe
    from render.voices import chosen_channels, require_channels, stem_starts

    listed = []
    for cue in scene.cues:
        headers, sounds, faults = {}, {}, {}
        for section, stem in cue.stems.items():
            try:
                require_stem(scene, stem)
                info = probe(stem.path)
                require_channels(scene, section, stem, info)
                if listen:
                    sounds[section] = describe(info, chosen_channels(stem, info), fold=scene.fold[section])
                headers[stem.path] = info
            except InputError as error:
                faults[section] = str(error)
        whole = {section: stem for section, stem in cue.stems.items() if section not in faults}
        starts = stem_starts(Cue(cue.name, whole), headers)[0]
        for section, stem in cue.stems.items():
            header = headers.get(stem.path) if section in whole else None
            channels = tuple(n + 1 for n in chosen_channels(stem, header)) if header else stem.channels or ()
            listed.append(
                ListedStem(
                    cue.name,
                    section,
                    stem.path,
                    channels,
                    scene.fold[section] and len(channels) == 2,
                    starts.get(section, 0.0),
                    header,
                    sounds.get(section),
                    faults.get(section),
                )
            )
    return listed


def unready(scene: SceneFile, besides: Collection[str]) -> list[tuple[str, str]]:
    """Return the name of each cue, besides some, whose stems aren't all there, and why."""
    found = []
    for cue in scene.cues:
        if cue.name in besides:
            continue
        try:
            require_stems(scene, [cue])
        except InputError as error:
            found.append((cue.name, str(error)))
    return found


def reverberation_warnings(scene: SceneFile) -> list[str]:
    """Return a line if the hall can't ring as long as asked; finding out takes seconds."""
    if scene.asked_T30 is None:
        return []
    from render.cache import response_store
    from rooms.decay import with_T30  # compiles, which a scene that asks for nothing has no need of

    try:
        with_T30(scene.hall, scene.asked_T30, response_store())
    except InputError as error:
        return [str(scene.file.error(("hall", "T30"), str(error)))]
    return []


def mismatches(stems: Mapping[str, StemInfo]) -> list[str]:
    """Return a sentence for each way in which the stems of a cue don't go together: rate, length, start."""
    found = []
    rates = {section: stem.sample_rate for section, stem in stems.items()}
    if len(set(rates.values())) > 1:
        found.append(f"rates differ: {_odd_ones(rates, 'Hz')}; a render resamples them")
    lengths = {section: stem.frames / stem.sample_rate for section, stem in stems.items()}
    if lengths and max(lengths.values()) - min(lengths.values()) > LENGTH_TOLERANCE:
        shortest = min(lengths, key=lambda section: lengths[section])
        longest = max(lengths, key=lambda section: lengths[section])
        found.append(
            f"lengths differ: {shortest} has {lengths[shortest]:.3f} s, {longest} {lengths[longest]:.3f} s; "
            "check that all start together"
        )
    starts = {section: stem.time_reference / stem.sample_rate for section, stem in stems.items()}
    if len(set(starts.values())) > 1:
        found.append(f"start times written in the files differ: {_odd_ones(starts, 's')}")
    return found


def _odd_ones(values: Mapping[str, float], unit: str) -> str:
    """Name the value most stems have and those that have another."""
    usual = Counter(values.values()).most_common(1)[0][0]
    others = ", ".join(f"{section} {value:g} {unit}" for section, value in values.items() if value != usual)
    return f"most have {usual:g} {unit}, {others}"
