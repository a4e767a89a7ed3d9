"""A scene that agrees with a recording: the halls to choose among, and the result as a scene file."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from render.measure import Measurement
from render.mix import default_gain_db, default_offset_s, main_array
from render.scene_file import SceneFile, SceneTable, build_scene
from rooms import catalogue
from rooms.errors import InputError
from rooms.matching import Candidate, Target, fit_halls, unmatched
from rooms.tables import HallTable
from rooms.toml_reader import parse_toml, validate
from rooms.units import BAND_NAMES

__all__ = ["Match", "fitted_scene_text", "match_scene", "target_of"]

GIVEN = ""
"""Name of the scene's own hall among the candidates, as long as it is a hall of its own."""


@dataclass(frozen=True, eq=False)
class Match:
    """What came of a match.

    Attributes
    ----------
    target : Target
        What the recording said.
    scene_file : SceneFile
        The scene that was fitted.
    candidates : tuple of Candidate
        Best first, one a hall.
    """

    target: Target
    scene_file: SceneFile
    candidates: tuple[Candidate, ...]


def target_of(measurement: Measurement) -> Target:
    """Return what a measured recording says about its room, as the fit takes it."""
    return Target(
        T_s=measurement.T_s,
        T_low_s=measurement.T_low_s,
        T_high_s=measurement.T_high_s,
        EDT_s=measurement.EDT_s,
        C80_db=measurement.C80_db,
        C80_error_db=measurement.C80_error_db,
        drr_db=measurement.drr_db,
        drr_error_db=measurement.drr_error_db,
        initial_gap_s=measurement.initial_gap_s,
    )


def match_scene(
    target: Target,
    scene_file: SceneFile,
    halls: Sequence[str] | None = None,
    progress: Callable[[float], None] | None = None,
) -> Match:
    """Fit the hall, its absorption and size and the main array's place of a scene to a target.

    Parameters
    ----------
    target : Target
        What a recording says about its room.
    scene_file : SceneFile
        The scene; its seating plan stays.
    halls : sequence of str, optional
        Names of halls to choose among; empty: the scene's own alone is adapted; left out: the whole catalogue.
    progress : callable, optional
        Called with the part done, 0 … 1.

    Raises
    ------
    InputError
        If a hall is unknown, or none has room for the sections.
    """
    names = catalogue.names(HallTable.KIND, scene_file.own) if halls is None else halls
    chosen = {name: catalogue.hall(_hall_table(scene_file, name), scene_file.own) for name in names}
    if not chosen:
        chosen = {GIVEN: scene_file.hall}
    centres = np.array([section.centre for section in scene_file.sections])
    return Match(target, scene_file, tuple(fit_halls(target, chosen, centres, progress)))


def fitted_scene_text(match: Match, candidate: Candidate) -> str:
    """Return a candidate as a scene file, with comments on where its numbers came from.

    Parameters
    ----------
    match : Match
        The match it belongs to.
    candidate : Candidate
        One of its candidates.

    Returns
    -------
    str
        TOML. It belongs into the folder of the scene that was fitted, for paths in it are relative to that. Comments of
        that scene are not kept; its mix has the gain and the offset that fit the new geometry.
    """
    base = match.scene_file
    data: dict[str, Any] = {key: value for key, value in base.file.data.items() if not isinstance(value, dict)}
    tables: dict[str, Any] = {key: value for key, value in base.file.data.items() if isinstance(value, dict)}
    hall = _fitted_hall(base, candidate)
    main = main_array(base.arrays).name
    place = [0.0, -round(candidate.distance, 2), round(candidate.height, 2)]
    tables["hall"] = hall
    tables["arrays"] = {
        name: {**table, "position": place} if name == main else table for name, table in tables["arrays"].items()
    }
    notes = {
        ("hall", "T30"): "s: as the recording's decays ask, as far as this hall can; octave bands that the recording "
        "doesn't tell follow their neighbours",
        ("hall", "size"): f"m: the preset's plan times {candidate.plan_scale:g}, which fits clarity and first "
        "reflections better; the height is the preset's",
        ("hall", "conductor"): "m: scaled alike",
        ("hall", "patches"): "scaled alike",
        ("arrays", main, "position"): "m: where clarity, direct-to-reverberant ratio and first reflection agree best "
        "with the recording",
        ("mix", "gain"): "dB: from the new geometry",
        ("mix", "offset"): "s: from the new geometry; nothing arrives earlier",
    }
    head = [
        f"Fitted to a recording: {round(candidate.cost, 1):g} just-noticeable differences off, root mean square.",
        "Seating, stems and what isn't commented are the scene's that it was fitted to.",
        *unmatched(match.target, candidate),
    ]
    mix = {key: value for key, value in tables.pop("mix", {}).items() if key not in ("gain", "offset")}
    opening = "".join(f"# {line}\n" for line in head)
    draft = opening + _toml({**data, **tables, "mix": mix}, notes)
    geometry = build_scene(parse_toml(base.path, draft))
    mix = {"gain": round(default_gain_db(geometry), 1), "offset": _floor(default_offset_s(geometry)), **mix}
    return opening + _toml({**data, **tables, "mix": mix}, notes)


def _floor(seconds: float) -> float:
    """Return a time rounded down to a tenth of a millisecond, so that no arrival comes before it."""
    return float(np.floor(1e4 * seconds) / 1e4)


def _hall_table(base: SceneFile, name: str) -> HallTable:
    """Return the table of a hall by name, in the air of the scene where it says so."""
    return HallTable.model_validate({"preset": name, **_air(base)})


def _air(base: SceneFile) -> dict[str, Any]:
    """Return what the scene itself says about its air."""
    return {key: value for key, value in base.file.data["hall"].items() if key in ("temperature", "humidity")}


def _fitted_hall(base: SceneFile, candidate: Candidate) -> dict[str, Any]:
    """Return the hall's table of a fitted scene."""
    adapted = candidate.name == GIVEN
    given = dict(base.file.data["hall"]) if adapted else {"preset": candidate.name, **_air(base)}
    table: dict[str, Any] = {key: value for key, value in given.items() if key != "T30"}
    times = candidate.predicted.T_s
    table["T30"] = {
        band: round(float(time), 2) for band, time in zip(BAND_NAMES, times, strict=True) if np.isfinite(time)
    }
    if candidate.plan_scale == 1.0:
        return table
    box = candidate.hall.box
    table["size"] = [round(side, 3) for side in box.size]
    table["conductor"] = [round(side, 3) for side in box.conductor]
    whole = validate(SceneTable, base.file.data, base.file).hall if adapted else _hall_table(base, candidate.name)
    patches = catalogue.resolve(whole, base.own).patches
    if patches:
        table["patches"] = [
            _scaled(patch.model_dump(mode="json", exclude_unset=True), candidate.plan_scale) for patch in patches
        ]
    return table


def _scaled(patch: dict[str, Any], factor: float) -> dict[str, Any]:
    """Return a patch's table with its plan scaled, outwards edges rounded towards the inside."""
    return {
        key: [float(np.trunc(1e3 * factor * edge) / 1e3) for edge in value] if key in ("x", "y") else value
        for key, value in patch.items()
    }


def _toml(table: Mapping[str, Any], notes: Mapping[tuple[str, ...], str], at: tuple[str, ...] = ()) -> str:
    """Return a table as TOML: its plain keys with their comments, then the tables within it.

    A table deep within a section, an array or a hall is written in line, as scenes are.
    """
    plain = {k: v for k, v in table.items() if not isinstance(v, dict) or len(at) >= (1 if at[:1] == ("hall",) else 2)}
    lines = []
    for key, value in plain.items():
        note = notes.get((*at, key))
        lines += [f"# {note}"] if note else []
        lines.append(f"{_key(key)} = {_value(value)}")
    text = "".join(f"{line}\n" for line in lines)
    if at and (plain or not table):
        text = f"\n[{'.'.join(_key(part) for part in at)}]\n" + text
    return text + "".join(_toml(value, notes, (*at, key)) for key, value in table.items() if key not in plain)


def _key(name: str) -> str:
    """Return a key, quoted where TOML wants it."""
    bare = name.isascii() and name.replace("-", "").replace("_", "").isalnum()
    return name if bare else json.dumps(name, ensure_ascii=False)


def _value(value: Any) -> str:
    """Return a value in line. A string of JSON is one of TOML."""
    if isinstance(value, dict):
        return "{" + ", ".join(f"{_key(key)} = {_value(item)}" for key, item in value.items()) + "}"
    if isinstance(value, list | tuple):
        return "[" + ", ".join(_value(item) for item in value) + "]"
    if isinstance(value, bool | str):
        return json.dumps(value, ensure_ascii=False)
    if isinstance(value, int | float):
        return repr(value)
    raise InputError(f"a scene holds no {type(value).__name__}")
