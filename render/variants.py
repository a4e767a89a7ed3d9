"""Variants of a scene: other seating plans, halls and arrays in its place, by their presets' names."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import product
from pathlib import Path
from typing import Any

from render.mix import main_array
from render.scene_file import SceneFile, build_scene, read_scene
from rooms import catalogue
from rooms.errors import InputError, did_you_mean
from rooms.toml_reader import TomlFile

__all__ = ["SceneVariant", "scene_variants"]

HALL_KEEPS = ("temperature", "humidity", "audience")
"""What stays of a scene's hall when another takes its place: its T30 and surfaces belong to the one that goes."""

ARRAY_KEEPS = (
    "purpose",
    "gain",
    "mute",
    "solo",
    "delay",
    "align",
    "invert_polarity",
    "sends",
    "direct",
    "early",
    "late",
)
"""What stays of an array when other microphones take its place: its part in the mix."""


@dataclass(frozen=True)
class SceneVariant:
    """A scene with something else in it.

    Attributes
    ----------
    name : str
        Short, and unlike any other.
    differs : mapping of str to str
        "scene", "hall", "seating" or an array's name, and what is there.
    scene_file : SceneFile
        Built and checked.
    """

    name: str
    differs: Mapping[str, str]
    scene_file: SceneFile


def scene_variants(
    paths: Sequence[Path],
    *,
    seatings: Sequence[str] = (),
    halls: Sequence[str] = (),
    arrays: Sequence[str] = (),
    in_step: bool = False,
) -> list[SceneVariant]:
    """Return the scenes as they are, each followed by its variants.

    Parameters
    ----------
    paths : sequence of Path
        Scene files; the first one as it is is the base.
    seatings, halls : sequence of str
        Names of presets.
    arrays : sequence of str
        Names of presets in the place of the main array, or ``NAME=PRESET`` in that of another.
    in_step : bool
        The first of each option together, the second of each, and so on, in place of every combination.

    Raises
    ------
    InputError
        In one line: a scene or variant that can't be built, lists of different length in step, or a single variant.
    """
    given = {"hall": halls, "seating": seatings, "array": arrays}
    options = {what: names for what, names in given.items() if names}
    if in_step and len({len(names) for names in options.values()}) > 1:
        found = ", ".join(f"{len(names)} of --{what}" for what, names in options.items())
        raise InputError(f"--in-step takes as many of each option; found {found}")
    combine = zip if in_step else product
    choices = [dict(zip(options, chosen, strict=True)) for chosen in combine(*options.values())] if options else []
    found_variants: list[SceneVariant] = []
    for path in paths:
        scene_file = read_scene(path)
        own = path.parent.name if path.stem == "scene" and path.parent.name else path.stem
        several = {"scene": own} if len(paths) > 1 else {}
        seen = [scene_file.file.data]
        found_variants.append(SceneVariant(_free(own, found_variants), several, scene_file))
        for choice in choices:
            differs = dict(_changes(scene_file, choice))
            file = _changed(scene_file, differs)
            if file.data not in seen:
                seen.append(file.data)
                name = _free(", ".join([*several.values(), *differs.values()]), found_variants)
                found_variants.append(SceneVariant(name, several | differs, _built(file, name)))
    if len(found_variants) < 2:
        raise InputError("nothing to compare; give another scene, or --seating, --hall or --array with another preset")
    return found_variants


def _free(name: str, others: Sequence[SceneVariant]) -> str:
    """Return a name, with a number where another variant has it."""
    taken = [variant.name for variant in others]
    names = (name if n == 1 else f"{name} ({n})" for n in range(1, len(taken) + 2))
    return next(free for free in names if free not in taken)


def _built(file: TomlFile, name: str) -> SceneFile:
    """Return a variant's scene; what is wrong with it is told with its name, as the file itself may be right."""
    try:
        return build_scene(file)
    except InputError as error:
        raise InputError(f"variant '{name}' of {error}") from error


def _changes(scene_file: SceneFile, choice: Mapping[str, str]) -> Iterator[tuple[str, str]]:
    """Yield what a choice puts where: an array by its name in the scene."""
    for what, asked in choice.items():
        before, equals, after = asked.partition("=") if what == "array" else ("", "", "")
        preset = after if equals else asked
        kind = catalogue.plural(what)
        presets = catalogue.names(kind, scene_file.own)
        if preset not in presets:
            raise InputError(
                f"--{what}: unknown {catalogue.singular(kind)} '{preset}'; {did_you_mean(preset, presets)}"
            )
        if what != "array":
            yield what, preset
            continue
        array = before if equals else main_array(scene_file.arrays).name
        known = [a.name for a in scene_file.arrays]
        if array not in known:
            raise InputError(f"{scene_file.path}: --array: no array '{array}' in it; {did_you_mean(array, known)}")
        yield array, preset


def _changed(scene_file: SceneFile, differs: Mapping[str, str]) -> TomlFile:
    """Return the scene's file with presets in the place of its tables."""
    data: dict[str, Any] = dict(scene_file.file.data)
    for what, preset in differs.items():
        if what == "hall":
            data["hall"] = {key: data["hall"][key] for key in HALL_KEEPS if key in data["hall"]} | {"preset": preset}
        elif what == "seating":
            data["seating"] = {"plan": preset}
        else:
            kept = {key: value for key, value in data["arrays"][what].items() if key in ARRAY_KEEPS}
            data["arrays"] = data["arrays"] | {what: kept | {"preset": preset}}
    return replace(scene_file.file, data=data)
