"""What a scene holds, in numbers and words, without rendering it."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from render.scene_file import Cue, SceneFile

if TYPE_CHECKING:
    from render.stems import StemDescription

__all__ = ["describe_stems", "mismatches", "summary", "summary_lines"]

LENGTH_TOLERANCE = 0.001
"""s; stems whose lengths differ by less count as equally long (rounding when a file was resampled)."""


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
            }
            for a in scene.arrays
        ],
        "cues": {cue.name: {section: str(stem.path) for section, stem in cue.stems.items()} for cue in scene.cues},
    }


def summary_lines(scene: SceneFile) -> list[str]:
    """Return the same as lines to read."""
    size = " × ".join(f"{side:g}" for side in scene.hall.box.size)
    players = sum(len(s.players) for s in scene.sections)
    capsules = sum(len(a.capsules) for a in scene.arrays)
    asked = f", asked T30 {scene.asked_T30:g} s" if isinstance(scene.asked_T30, float) else ""
    cues = ", ".join(f"{cue.name} ({len(cue.stems)} stems)" for cue in scene.cues)
    return [
        f"{scene.path}: valid" + (f", “{scene.title}”" if scene.title else ""),
        f"hall      {scene.hall.name}, {size} m, {scene.hall.box.volume:.0f} m³{asked}",
        f"sections  {', '.join(f'{s.name} {len(s.players)}' for s in scene.sections)}: {players} players",
        f"arrays    {', '.join(f'{a.name} {len(a.capsules)}' for a in scene.arrays)}: {capsules} capsules",
        f"cues      {cues or 'none: no stems are named'}",
    ]


def describe_stems(cue: Cue) -> dict[str, StemDescription]:
    """Read a cue's stems once and return what they sound like, by section.

    Raises
    ------
    InputError
        If one can't be read.
    """
    from render.stems import describe  # brings the audio libraries, which a plain check has no need of

    return {section: describe(stem.path) for section, stem in cue.stems.items()}


def mismatches(stems: Mapping[str, StemDescription]) -> list[str]:
    """Return a sentence for each way in which the stems of a cue don't go together: rate, length, start."""
    found = []
    rates = {section: stem.info.sample_rate for section, stem in stems.items()}
    if len(set(rates.values())) > 1:
        found.append(f"rates differ: {_odd_ones(rates, 'Hz')}; a render resamples them")
    lengths = {section: stem.length_s for section, stem in stems.items()}
    if lengths and max(lengths.values()) - min(lengths.values()) > LENGTH_TOLERANCE:
        shortest = min(lengths, key=lambda section: lengths[section])
        longest = max(lengths, key=lambda section: lengths[section])
        found.append(
            f"lengths differ: {shortest} has {lengths[shortest]:.3f} s, {longest} {lengths[longest]:.3f} s; "
            "check that all start together"
        )
    starts = {section: stem.info.time_reference / stem.info.sample_rate for section, stem in stems.items()}
    if len(set(starts.values())) > 1:
        found.append(f"start times written in the files differ: {_odd_ones(starts, 's')}")
    return found


def _odd_ones(values: Mapping[str, float], unit: str) -> str:
    """Name the value most stems have and those that have another."""
    usual = Counter(values.values()).most_common(1)[0][0]
    others = ", ".join(f"{section} {value:g} {unit}" for section, value in values.items() if value != usual)
    return f"most have {usual:g} {unit}, {others}"
