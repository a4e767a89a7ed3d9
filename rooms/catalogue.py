"""Presets: finds and reads their files, and builds the frozen objects of a scene from tables."""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import Any, TypeVar

from rooms.errors import InputError, did_you_mean
from rooms.geometry import SURFACES, Box
from rooms.players import OMNIDIRECTIONAL, Instrument, piston_index
from rooms.surfaces import Hall, Material, Patch
from rooms.tables import ArrayTable, HallTable, InstrumentTable, MaterialTable, PatchTable, Preset, SeatingTable
from rooms.toml_reader import read_toml, validate

__all__ = ["KINDS", "demo", "folder", "hall", "instrument", "load", "material", "names", "plural", "resolve"]

TABLES: dict[str, type[Preset]] = {
    table.KIND: table for table in (HallTable, SeatingTable, ArrayTable, MaterialTable, InstrumentTable)
}
KINDS: tuple[str, ...] = tuple(TABLES)
"""Kinds of presets, which are the names of their folders."""

SINGULAR = {"hall": "halls", "array": "arrays", "material": "materials", "instrument": "instruments"}

T = TypeVar("T", bound=Preset)


def folder() -> Path:
    """Return the folder of all presets: inside an installed package, else the checkout's."""
    beside = Path(__file__).parent / "_presets"
    return beside if beside.is_dir() else Path(__file__).parent.parent / "presets"


def demo() -> Path:
    """Return the bundled demo's scene file."""
    return folder() / "demo" / "scene.toml"


def plural(kind: str) -> str:
    """Return a kind's name, given it or its singular.

    Raises
    ------
    InputError
        If there is no such kind.
    """
    kind = SINGULAR.get(kind, kind)
    if kind not in TABLES:
        raise InputError(f"unknown kind of preset '{kind}'; {did_you_mean(kind, KINDS)}")
    return kind


def names(kind: str) -> tuple[str, ...]:
    """Return the names of a kind's presets in alphabetical order."""
    return tuple(sorted(path.stem for path in (folder() / plural(kind)).glob("*.toml")))


@cache
def load(kind: str, name: str) -> Preset:
    """Read one preset.

    Raises
    ------
    InputError
        If there is none of that name, or its file is broken.
    """
    kind = plural(kind)
    if name not in names(kind):
        called = {"plan": "seating plan"}.get(TABLES[kind].NAMED_BY, kind.removesuffix("s"))
        raise InputError(f"unknown {called} '{name}'; {did_you_mean(name, names(kind))}")
    file = read_toml(folder() / kind / f"{name}.toml")
    return validate(TABLES[kind], file.data, file)


def resolve(table: T) -> T:
    """Return a table with the keys it leaves out taken from the preset it names.

    Tables within it (a hall's surfaces, a plan's sections) are merged key by key.

    Raises
    ------
    InputError
        If there is no preset of that name.
    """
    name = getattr(table, table.NAMED_BY)
    if name is None:
        return table
    base = load(table.KIND, name)
    update: dict[str, Any] = {}
    for key in base.model_fields_set:
        theirs, ours = getattr(base, key), getattr(table, key)
        if key not in table.model_fields_set:
            update[key] = theirs
        elif isinstance(theirs, dict) and isinstance(ours, dict):
            update[key] = {**theirs, **ours}
    return table.model_copy(update=update)


def material(table: MaterialTable | str, name: str = "material") -> Material:
    """Build a material from a table or a preset's name; ``name`` is how messages call one without preset."""
    table = resolve(MaterialTable(preset=table) if isinstance(table, str) else table)
    name = table.preset or name
    if table.absorption is None or table.scattering is None:
        missing = "absorption" if table.absorption is None else "scattering"
        raise InputError(f"{name}: key '{missing}' is missing; give nine values, or a material's name")
    return Material(name, table.absorption, table.scattering)


def instrument(table: InstrumentTable | str, name: str = "instrument") -> Instrument:
    """Build an instrument from a table or a preset's name; ``name`` is how messages call one without preset."""
    table = resolve(InstrumentTable(preset=table) if isinstance(table, str) else table)
    name = table.preset or name
    if table.height is None:
        raise InputError(f"{name}: key 'height' is missing; give it in m, or an instrument's name")
    if table.piston_radius is None:
        index = table.directivity_index or OMNIDIRECTIONAL.directivity_index
    elif table.directivity_index is None:
        index = tuple(piston_index(table.piston_radius).tolist())
    else:
        raise InputError(f"{name}: directivity_index and piston_radius exclude each other; keep one")
    return Instrument(name, table.height, table.axis, index)


def hall(table: HallTable | str) -> Hall:
    """Build a hall from a table or a preset's name.

    Raises
    ------
    InputError
        If a preset is unknown, a key or surface is missing, or the conductor stands outside.
    """
    table = resolve(HallTable(preset=table) if isinstance(table, str) else table)
    if table.size is None or table.conductor is None:
        missing = "size" if table.size is None else "conductor"
        raise InputError(f"key '{missing}' is missing; give it, or the preset of a hall: {', '.join(names('halls'))}")
    bare = next((s for s in SURFACES if s not in table.surfaces), None)
    if bare is not None:
        raise InputError(f"surface '{bare}' has no material; give one, or the preset of a hall")
    surfaces = {str(key): value for key, value in table.surfaces.items()}
    box = Box(table.size, table.conductor, table.stage_height)
    materials = []
    for surface in SURFACES:
        try:
            materials.append(material(surfaces[surface], surface))
        except InputError as error:
            raise InputError(f"surface '{surface}': {error}", at=("hall", "surfaces", surface)) from None
    if table.audience == "empty" and all(patch.empty is None for patch in table.patches):
        raise InputError("audience: no patch of this hall says what it is when empty", at=("hall", "audience"))
    patches = []
    for number, patch_table in enumerate(table.patches):
        try:
            patches.append(_patch(patch_table, table.audience == "empty"))
        except InputError as error:
            raise InputError(f"patch {number + 1}: {error}", at=("hall", "patches")) from None
    name = table.preset or "hall"
    return Hall(name, box, tuple(materials), table.temperature, table.humidity, tuple(patches))


def _patch(table: PatchTable, empty: bool) -> Patch:
    """Build a patch, with its audience or empty: its two spans along the surface, in the order of the axes."""
    across = "xxyyzz"[SURFACES.index(table.surface)]
    spans = {axis: getattr(table, axis) for axis in "xyz"}
    if spans[across] is not None:
        raise InputError(f"key '{across}' doesn't go with the {table.surface}, which lies across it")
    missing = next((axis for axis in "xyz" if axis != across and spans[axis] is None), None)
    if missing is not None:
        raise InputError(f"key '{missing}' is missing; give from and to in m")
    first, second = (span for axis, span in spans.items() if axis != across)
    made_of = material(table.empty if empty and table.empty is not None else table.material, "patch")
    return Patch(table.surface, (first[0], second[0]), (first[1], second[1]), made_of)
