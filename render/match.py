"""A scene that agrees with a recording: the halls to choose among, its arrays in them, and the result as a scene file.

What the mix is taken for: every array that is heard, at its gain and balance, with its patterns and its stereo law.
Faders of direct, early and late sound, sends, polarity and high-pass filters are left alone, and left out.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from render.match_words import unmatched
from render.measure import Measurement
from render.mix import default_gain_db, default_offset_s, heard_arrays, main_array, stereo_law, widened
from render.scene_file import SceneFile, SceneTable, build_scene
from rooms import catalogue
from rooms.adapting import scale_plan
from rooms.agreement import Target
from rooms.echogram import Radiators
from rooms.errors import InputError
from rooms.hanging import hang, heights
from rooms.matching import PLAN_SCALES, Candidate, fit_halls
from rooms.microphones import Array
from rooms.mixed_arrays import Mixed
from rooms.octave_air import at_middle_s
from rooms.octaves import octave_midbands
from rooms.players import Section
from rooms.scene import CLEARANCE
from rooms.surfaces import Hall
from rooms.tables import ArrayTable, HallTable
from rooms.toml_reader import parse_toml, validate
from rooms.units import BAND_NAMES, BANDS

__all__ = ["Match", "fitted_scene_text", "match_scene", "target_of"]

GIVEN = ""
"""Name of the scene's own hall among the candidates, as long as it is a hall of its own."""

NO_ROOM, OTHERS_NEARER = "no room for the sections at any size that is tried", "others come nearer"
"""Why a hall that was looked at isn't among the candidates."""

EARLY_DEVIATION = 1.7
"""Standard deviation of an early decay time read from one response, times √(B·T), re T (measured on noise decays)."""


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
    refused : mapping of str to str
        Halls that can't be fitted, and why.
    others : mapping of str to str
        Halls that were looked at and left behind, and why.
    """

    target: Target
    scene_file: SceneFile
    candidates: tuple[Candidate, ...]
    refused: Mapping[str, str] = field(default_factory=dict)
    others: Mapping[str, str] = field(default_factory=dict)


def target_of(measurement: Measurement, temperature: float, humidity: float) -> Target:
    """Return what a measured recording says about its room, as the fit takes it.

    Parameters
    ----------
    measurement : Measurement
        What was measured.
    temperature, humidity : float
        What its air is taken to have, in °C and %: reverberation times become those of octaves' middles, as halls have
        them.

    Raises
    ------
    InputError
        If no octave has a reverberation time that a hall can have.
    """
    middle = at_middle_s(measurement.T_s, temperature, humidity) / measurement.T_s
    bandwidth = octave_midbands(BANDS) * (10.0**0.15 - 10.0**-0.15)
    stereo = measurement.channels == "stereo"
    try:
        return Target(
            T_s=measurement.T_s * middle,
            T_low_s=measurement.T_low_s * middle,
            T_high_s=measurement.T_high_s * middle,
            EDT_s=measurement.EDT_s,
            C80_db=measurement.C80_db,
            C80_error_db=measurement.C80_error_db,
            drr_db=measurement.drr_db,
            drr_error_db=measurement.drr_error_db,
            initial_gap_s=measurement.initial_gap_s,
            EDT_error_s=measurement.T_s * EARLY_DEVIATION / np.sqrt(bandwidth * measurement.T_s),
            correlation=measurement.band_correlation if stereo else np.full(len(BANDS), np.nan),
            as_played=measurement.kind == "music",
        )
    except InputError as error:
        raise InputError(f"{measurement.path}: {str(error).removeprefix('target: ')}") from error


def match_scene(
    target: Target,
    scene_file: SceneFile,
    halls: Sequence[str] | None = None,
    progress: Callable[[float], None] | None = None,
) -> Match:
    """Fit a scene to a target: hall, absorption, size, main array's place, arrays' balance, ensemble's place.

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
        If a hall is unknown, none has room for the sections, or none can be fitted.
    """
    names = catalogue.names(HallTable.KIND, scene_file.own) if halls is None else halls
    chosen = {name: catalogue.hall(_hall_table(scene_file, name), scene_file.own) for name in names}
    if not chosen:
        chosen = {GIVEN: scene_file.hall}
    tables = _array_tables(scene_file)
    heard = heard_arrays(scene_file)
    main, speed = main_array(heard), scene_file.hall.speed_of_sound
    law = stereo_law(heard, scene_file.sections, main, speed)
    laws = {}
    for array in heard:
        own, law = np.split(law, [len(array.capsules)], axis=1)
        laws[array.name] = widened(own, array.sensitivities[:, 4] ** 2, scene_file.buses[array.name].width)

    def arrays(name: str, hall: Hall) -> tuple[Mixed, ...]:
        hung = _hung(scene_file, tables, name, hall)
        origin = hung[main.name][1]
        mixed = []
        for array in sorted(heard, key=lambda array: array.name != main.name):
            bus, there = scene_file.buses[array.name], hung[array.name][0]
            one = Mixed(there, laws[array.name], bus.level, bus.delay, bus.align)
            mixed.append(replace(one, array=_moved(there, -origin)) if one.moves else one)
        return tuple(mixed)

    origin = _hung(scene_file, tables, GIVEN, scene_file.hall)[main.name][1]
    place = -float(origin[1]), float(origin[2])
    players = [_player(section, target.as_played) for section in scene_file.sections]
    refused: dict[str, str] = {}
    found = fit_halls(target, chosen, players, progress, arrays=arrays, refused=refused.__setitem__, place=place)
    told = {*refused, *(candidate.name for candidate in found)}
    seats = np.concatenate([player.points for player in players])
    others = {
        name: OTHERS_NEARER if _has_room(hall, seats) else NO_ROOM for name, hall in chosen.items() if name not in told
    }
    return Match(target, scene_file, tuple(found), refused, others)


def _has_room(hall: Hall, seats: NDArray[np.float64]) -> bool:
    """Return whether players (players, 3) sit inside a hall at one of the sizes that are tried."""
    return any(scale_plan(hall, scale).box.inside(seats, CLEARANCE).all() for scale in PLAN_SCALES)


def _player(section: Section, as_played: bool) -> Radiators:
    """Return a section with its directivity or without."""
    if not as_played:
        return Radiators(section.positions, section.axes, np.zeros(len(BANDS)))
    kappa, on_aim = section.instrument.kappa, section.on_aim
    return Radiators(section.positions, section.axes, kappa, on_aim, all_round=section.all_round)


def _array_tables(scene_file: SceneFile) -> dict[str, ArrayTable]:
    """Return the tables of a scene's arrays, their presets resolved."""
    tables = validate(SceneTable, scene_file.file.data, scene_file.file).arrays
    return {name: catalogue.resolve(table, scene_file.own) for name, table in tables.items()}


def _hung(
    base: SceneFile, tables: Mapping[str, ArrayTable], name: str, hall: Hall
) -> dict[str, tuple[Array, NDArray[np.float64]]]:
    """Return every array as it hangs in a hall, with its place in m: what `position` would say."""
    usual = heights(_whole_hall(base, name))
    found = {}
    for array, table in tables.items():
        there = hang(array, table, hall, base.sections, usual)
        origin = np.zeros(3)
        if table.each_section is None:
            about = hang(array, table.model_copy(update={"position": (0.0, 0.0, 0.0)}), hall, base.sections, usual)
            origin = there.positions[0] - about.positions[0]
        found[array] = there, origin
    return found


def _moved(array: Array, by: NDArray[np.float64]) -> Array:
    """Return an array moved by so many m, (3,)."""
    places = (array.positions + by).tolist()
    return replace(
        array,
        capsules=tuple(
            replace(capsule, position=(x, y, z)) for capsule, (x, y, z) in zip(array.capsules, places, strict=True)
        ),
    )


def fitted_scene_text(match: Match, candidate: Candidate, recording: str = "a recording") -> str:
    """Return a candidate as a scene file, with comments on where its numbers came from.

    Parameters
    ----------
    match : Match
        The match it belongs to.
    candidate : Candidate
        One of its candidates.
    recording : str, optional
        What it was fitted to is called.

    Returns
    -------
    str
        TOML. It belongs into the folder of the scene that was fitted, for paths in it are relative to that. Comments of
        that scene are not kept; its mix has the gain and the offset that fit the new geometry.
    """
    base = match.scene_file
    data: dict[str, Any] = {key: value for key, value in base.file.data.items() if not isinstance(value, dict)}
    tables: dict[str, Any] = {key: value for key, value in base.file.data.items() if isinstance(value, dict)}
    main = main_array(heard_arrays(base)).name
    place = np.array([0.0, -candidate.distance, candidate.height])
    hung = _hung(base, _array_tables(base), candidate.name, candidate.hall)
    moving = [name for name, (array, _) in hung.items() if array.purpose in ("main", "outriggers")]
    tables["hall"] = _fitted_hall(base, candidate)
    moved: dict[str, Any] = {
        name: {**table, "position": (hung[name][1] - hung[main][1] + place).round(2).tolist()}
        if name in moving
        else table
        for name, table in tables["arrays"].items()
    }
    tables["arrays"] = moved
    if candidate.width != 1.0:
        width = min(round(base.buses[main].width * candidate.width, 2), 2.0)
        moved[main] = {**moved[main], "width": width}
    notes: dict[tuple[str, ...], str] = {
        ("hall", "T30"): "s: as the recording's decays ask, as far as this hall can; octave bands that the recording "
        "doesn't tell follow their neighbours",
        ("hall", "size"): f"m: the hall's own plan times {candidate.plan_scale:g}, which fits clarity and first "
        "reflections better; the height is its own",
        ("hall", "conductor"): "m: " + _conductor_note(candidate),
        ("hall", "patches"): "moved with the hall's surfaces",
        **{("arrays", name, "position"): "m: as far from the main array as before" for name in moving},
        ("arrays", main, "position"): "m: where clarity, direct-to-reverberant ratio and first reflection agree best "
        "with the recording",
        ("arrays", main, "width"): "the side signal that agrees best with the correlation of the recording's channels",
        ("mix", "balance", "spot"): "dB: close against far, as the direct-to-reverberant ratio asks for what the main "
        "array alone doesn't give",
        **{("mix", "balance", far): "dB: far against close, alike" for far in ("ambience", "surround")},
        ("mix", "gain"): "dB: from the new geometry",
        ("mix", "offset"): "s: from the new geometry; nothing arrives earlier",
    }
    head = [
        f"Fitted to {' '.join(recording.split())}: {candidate.cost:.1f} just-noticeable differences off, root mean "
        "square.",
        "Seating, stems and what isn't commented are the scene's that it was fitted to.",
        *unmatched(match.target, candidate),
    ]
    mix = {key: value for key, value in tables.pop("mix", {}).items() if key not in ("gain", "offset")}
    mix |= _balance(base, candidate, mix.get("balance", {}), {array.purpose for array, _ in hung.values()})
    # What is as it was needs no reason.
    new = {**data, **tables, "mix": mix}
    notes = {at: note for at, note in notes.items() if _under(new, at) != _under(base.file.data, at)}
    opening = "".join(f"# {line}\n" for line in head)
    draft = opening + _toml({**data, **tables, "mix": mix}, notes)
    geometry = build_scene(parse_toml(base.path, draft))
    mix = {"gain": round(default_gain_db(geometry), 1), "offset": _floor(default_offset_s(geometry)), **mix}
    return opening + _toml({**data, **tables, "mix": mix}, notes)


def _under(table: Mapping[str, Any], at: Sequence[str]) -> Any:
    """Return what a table has under keys within keys; None where it has nothing."""
    found: Any = table
    for key in at:
        found = found.get(key) if isinstance(found, Mapping) else None
    return found


def _balance(
    base: SceneFile, candidate: Candidate, own: Mapping[str, float], purposes: Collection[str]
) -> dict[str, dict[str, float]]:
    """Return the table of the balance, if the fit changes it."""
    change = {"spot": candidate.spot_db, "ambience": candidate.far_db, "surround": candidate.far_db}
    changed = {purpose: own.get(purpose, 0.0) + by for purpose, by in change.items() if by and purpose in purposes}
    return {"balance": {**own, **changed}} if changed else {}


def _conductor_note(candidate: Candidate) -> str:
    """Return where the conductor's place comes from."""
    moved = candidate.downstage
    way = f"{abs(moved):g} m {'nearer to' if moved > 0 else 'farther from'} the audience than the hall has it"
    scaled = "scaled with the plan" if candidate.plan_scale != 1.0 else ""
    return ", ".join(
        text for text in (scaled, f"{way}, which fits the first reflections better" if moved else "") if text
    )


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
    if candidate.plan_scale == 1.0 and candidate.downstage == 0.0:
        return table
    if candidate.plan_scale != 1.0:
        table["size"] = _rounded(candidate.hall.box.size)
    table["conductor"] = _rounded(candidate.hall.box.conductor)
    patches = _whole_hall(base, candidate.name).patches
    if patches:
        table["patches"] = [
            _moved_patch(patch.model_dump(mode="json", exclude_unset=True), candidate) for patch in patches
        ]
    return table


def _whole_hall(base: SceneFile, name: str) -> HallTable:
    """Return the table of a hall by name with all that its preset says; the scene's own without one."""
    own = name == GIVEN
    return catalogue.resolve(
        validate(SceneTable, base.file.data, base.file).hall if own else _hall_table(base, name), base.own
    )


def _rounded(lengths: Sequence[float]) -> list[float]:
    """Return lengths in m to a millimetre, as a scene has them."""
    return [round(float(length), 3) for length in lengths]


def _moved_patch(patch: dict[str, Any], candidate: Candidate) -> dict[str, Any]:
    """Return a patch's table with its plan scaled, then moved, within the hall's walls."""
    size, conductor = _rounded(candidate.hall.box.size), _rounded(candidate.hall.box.conductor)
    walls = {"x": (-conductor[0], size[0] - conductor[0]), "y": (conductor[1] - size[1], conductor[1])}
    moved = dict(patch)
    for key, by in (("x", 0.0), ("y", candidate.downstage)):
        if key in patch:
            moved[key] = _rounded(np.clip(candidate.plan_scale * np.array(patch[key]) + by, *walls[key]).tolist())
    return moved


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
