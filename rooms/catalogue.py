"""Presets: finds and reads their files, and builds the frozen objects of a scene from tables."""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass, field, replace
from functools import cache
from pathlib import Path
from typing import Any, TypeVar

from pydantic import ValidationError

from rooms.errors import FileError, InputError, did_you_mean, nearest
from rooms.geometry import SURFACES, Box
from rooms.hanging import hang
from rooms.players import OMNIDIRECTIONAL, Instrument, Player, Section, piston_index
from rooms.seating import Desks, Place, make_room, seat
from rooms.surfaces import Hall, Material, Patch
from rooms.tables import (
    ArcTable,
    ArrayTable,
    HallTable,
    InstrumentTable,
    MaterialTable,
    PatchTable,
    Preset,
    SeatingTable,
)
from rooms.toml_reader import TomlFile, read_toml, validate

__all__ = [
    "BUNDLED",
    "KINDS",
    "TABLES",
    "OwnPresets",
    "demo",
    "desks",
    "faults",
    "folder",
    "hall",
    "head_count",
    "instrument",
    "load",
    "material",
    "names",
    "own_names",
    "own_presets",
    "plural",
    "readable",
    "resolve",
    "singular",
    "with_room",
]

TABLES: dict[str, type[Preset]] = {
    table.KIND: table for table in (HallTable, SeatingTable, ArrayTable, MaterialTable, InstrumentTable)
}
"""The table of each kind of preset."""

KINDS: tuple[str, ...] = tuple(TABLES)
"""Kinds of presets, which are the names of their folders."""

SINGULAR = {"hall": "halls", "array": "arrays", "material": "materials", "instrument": "instruments"}

T = TypeVar("T", bound=Preset)


@dataclass(frozen=True)
class OwnPresets:
    """A user's own presets, which come before the bundled ones of the same name.

    Parameters
    ----------
    folder : Path or None
        Holds their files in sub-folders named by kind, as the bundled folder does.
    tables : mapping
        Those that a scene holds itself, by kind and name; they come before the folder's.
    open : tuple
        Kind and name of those being built. What one of them means by its own name is the preset that it replaces.
    """

    folder: Path | None = None
    tables: Mapping[str, Mapping[str, Preset]] = field(default_factory=dict)
    open: tuple[tuple[str, str], ...] = ()

    def within(self, kind: str, name: str) -> OwnPresets:
        """Return the presets as one of them sees them."""
        return replace(self, open=(*self.open, (kind, name)))


BUNDLED = OwnPresets()
"""No presets of one's own: the bundled ones alone."""


def folder() -> Path:
    """Return the folder of all presets: inside an installed package, else the checkout's."""
    beside = Path(__file__).parent / "_presets"
    return beside if beside.is_dir() else Path(__file__).parent.parent / "presets"


def demo() -> Path:
    """Return the bundled demo's scene file."""
    return folder() / "demo" / "scene.toml"


def own_presets(home: Path, tables: Mapping[str, Mapping[str, Preset]] | None = None) -> OwnPresets:
    """Return the presets of a scene's own: the folder ``presets`` beside it, and those in the scene.

    Parameters
    ----------
    home : Path
        The scene's folder.
    tables : mapping, optional
        Presets in the scene, by kind and name.
    """
    beside = home / "presets"
    own = beside.is_dir() and not beside.samefile(folder())
    return OwnPresets(beside if own else None, tables or {})


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


def singular(kind: str) -> str:
    """Return what messages call one preset of a kind."""
    return "seating plan" if kind == SeatingTable.KIND else kind.removesuffix("s")


def own_names(kind: str, own: OwnPresets) -> tuple[str, ...]:
    """Return the names of a user's own presets of a kind in alphabetical order."""
    filed = _names(own.folder / kind) if own.folder is not None else ()
    return tuple(sorted({*own.tables.get(kind, ()), *filed}))


def names(kind: str, own: OwnPresets = BUNDLED) -> tuple[str, ...]:
    """Return the names of a kind's presets in alphabetical order."""
    kind = plural(kind)
    return tuple(sorted({*own_names(kind, own), *_names(folder() / kind)}))


def _names(of_kind: Path) -> tuple[str, ...]:
    """Return the names of the presets in a folder, which need not exist."""
    files = of_kind.glob("*.toml")
    return tuple(path.stem for path in files if not path.name.startswith(".") and not path.is_dir())


def load(kind: str, name: str, own: OwnPresets = BUNDLED) -> Preset:
    """Read one preset: a user's own is also built, so that whatever is wrong in its file is said with its line.

    Raises
    ------
    InputError
        If there is none of that name, or its file is broken.
    """
    kind = plural(kind)
    found: list[Preset | Path] = [own.tables[kind][name]] if name in own.tables.get(kind, {}) else []
    folders = [folder() / kind] if own.folder is None else [own.folder / kind, folder() / kind]
    found += [of_kind / f"{name}.toml" for of_kind in folders if name in _names(of_kind)]
    if not found:
        raise InputError(f"unknown {singular(kind)} '{name}'; {did_you_mean(name, names(kind, own))}")
    level = own.open.count((kind, name))
    if level == len(found):
        raise InputError(f"{singular(kind)} '{name}' starts from itself; name another one")
    preset = found[level]
    if not isinstance(preset, Path):
        return preset
    if own.folder is None or not preset.is_relative_to(own.folder):
        return _bundled(kind, preset)
    file = read_toml(preset)
    table = _table(kind, file)
    try:
        _build(table, name, own.within(kind, name))
    except FileError:
        raise
    except InputError as error:
        place = file.place(error.at[1:])  # what is under [hall] in a scene is at the top of a hall's file
        raise FileError(f"{place}: {error}") from None
    return table


@cache
def _bundled(kind: str, path: Path) -> Preset:
    """Read a bundled preset, which is what its tests found it to be."""
    return _table(kind, read_toml(path))


def _table(kind: str, file: TomlFile) -> Preset:
    """Check a file against the table of its kind; one that holds another kind is told so."""
    try:
        return validate(TABLES[kind], file.data, file)
    except FileError:
        other = next((k for k in KINDS if file.data and _fits(TABLES[k], file.data)), None)
        if other is None:
            raise
        text = f"is no {singular(kind)}, its keys are those of {other}; move it to {file.path.parent.parent / other}"
        raise FileError(f"{file.path}: {text}") from None


def _fits(table: type[Preset], data: Mapping[str, Any]) -> bool:
    """Tell whether data could be a preset of a kind."""
    try:
        table.model_validate(data)
    except ValidationError:
        return False
    return True


def resolve(table: T, own: OwnPresets = BUNDLED) -> T:
    """Return a table with the keys it leaves out taken from the preset it names, and so on from that one's.

    Tables within it (a hall's surfaces, a plan's sections) are merged key by key.

    Raises
    ------
    InputError
        If there is no preset of that name.
    """
    name = getattr(table, table.NAMED_BY)
    if name is None:
        return table
    base = resolve(load(table.KIND, name, own), own.within(table.KIND, name))
    update: dict[str, Any] = {}
    for key in base.model_fields_set:
        theirs, ours = getattr(base, key), getattr(table, key)
        if key not in table.model_fields_set:
            update[key] = theirs
        elif isinstance(theirs, dict) and isinstance(ours, dict):
            update[key] = {**theirs, **ours}
    return table.model_copy(update=update)


def readable(kind: str, own: OwnPresets = BUNDLED) -> dict[str, Preset]:
    """Return a kind's presets by name, but for those of a user's own that can't be used; `faults` says why."""
    found = {}
    for name in names(kind, own):
        with suppress(InputError):
            found[name] = load(kind, name, own)
    return found


def faults(own: OwnPresets) -> list[str]:
    """Return a line for each file of a user's own presets that can't be used, and each folder that is misspelt."""
    lines = []
    for kind in KINDS:
        for name in own_names(kind, own):
            try:
                load(kind, name, own)
            except InputError as error:
                lines.append(str(error))
    beside = sorted(path for path in own.folder.iterdir() if path.is_dir()) if own.folder is not None else []
    for path in beside:
        near = nearest(path.name, KINDS) if path.name not in KINDS else None
        if near is not None:
            lines.append(f"{path}: no kind of preset; did you mean '{near}'?")
    return lines


def _build(table: Preset, name: str, own: OwnPresets) -> None:
    """Build what a preset describes, by itself, for the sake of the errors."""
    table = resolve(table, own)
    if isinstance(table, MaterialTable):
        material(table, name, own)
    elif isinstance(table, InstrumentTable):
        instrument(table, name, own)
    elif isinstance(table, HallTable):
        hall(table, own)
    elif isinstance(table, SeatingTable):
        head_count(table)
        for section, place in table.sections.items():
            most = max([place.players, *(counts.get(section, 1) for counts in table.sizes.values())])
            try:
                playing = instrument(place.instrument, own=own)
                seat(place.arc.radius, place.arc.azimuth, most, playing, desks(table, place.arc))
            except FileError:
                raise
            except InputError as error:
                at = ("seating", "sections", section)
                raise InputError(f"section '{section}': {error}", at) from None
    elif isinstance(table, ArrayTable):
        spots = {capsule.section for capsule in table.capsules if capsule.section is not None} or {"section"}
        hang(name, table, _OPEN, [Section(spot, OMNIDIRECTIONAL, (Player((0.0, 2.0, 1.2), 180.0),)) for spot in spots])


_OPEN = Hall("hall", Box((200.0, 200.0, 100.0), (100.0, 100.0)), (Material("none", (1.0,) * 9, (0.0,) * 9),) * 6)
"""A hall without bounds to speak of."""


def material(table: MaterialTable | str, name: str = "material", own: OwnPresets = BUNDLED) -> Material:
    """Build a material from a table or a preset's name; ``name`` is how messages call one without preset."""
    table = resolve(MaterialTable(preset=table) if isinstance(table, str) else table, own)
    name = table.preset or name
    if table.absorption is None or table.scattering is None:
        missing = "absorption" if table.absorption is None else "scattering"
        raise InputError(f"{name}: key '{missing}' is missing; give nine values, or a material's name")
    return Material(name, table.absorption, table.scattering)


def instrument(table: InstrumentTable | str, name: str = "instrument", own: OwnPresets = BUNDLED) -> Instrument:
    """Build an instrument from a table or a preset's name; ``name`` is how messages call one without preset."""
    table = resolve(InstrumentTable(preset=table) if isinstance(table, str) else table, own)
    name = table.preset or name
    if table.height is None:
        raise InputError(f"{name}: key 'height' is missing; give it in m, or an instrument's name")
    if table.piston_radius is None:
        index = table.directivity_index or OMNIDIRECTIONAL.directivity_index
    elif table.directivity_index is None:
        index = tuple(piston_index(table.piston_radius).tolist())
    else:
        raise InputError(f"{name}: directivity_index and piston_radius exclude each other; keep one")
    return Instrument(name, table.height, table.axis, index, table.omnidirectional_share, table.recorded_from)


def desks(plan: SeatingTable, arc: ArcTable | None) -> Desks:
    """Build what an arc says about its desks; what it leaves out, and all of it without an arc, is the plan's.

    Raises
    ------
    InputError
        If two players of a desk have too little room.
    """
    if arc is None:
        return Desks(plan.desk_width, plan.row_pitch)
    return Desks(arc.desk_width or plan.desk_width, arc.row_pitch or plan.row_pitch, arc.stand)


def with_room(plan: SeatingTable, players: Mapping[str, int]) -> SeatingTable:
    """Return a plan in which so many players of each section have room; see `rooms.seating.make_room`."""
    places = {
        name: Place(arc.radius, arc.azimuth, count, desks(plan, arc))
        for name, count in players.items()
        for arc in [plan.sections[name].arc]
    }
    radii = make_room(places)
    grown = {
        name: place.model_copy(update={"arc": place.arc.model_copy(update={"radius": radii[name]})})
        if name in radii
        else place
        for name, place in plan.sections.items()
    }
    return plan.model_copy(update={"sections": grown})


def head_count(plan: SeatingTable) -> dict[str, int]:
    """Return the number of players of each section that belongs to a resolved plan, at its size if it names one.

    Raises
    ------
    InputError
        If there is no such size, or a size counts players of a section that has no place.
    """
    for size, counts in plan.sizes.items():
        stranger = next((name for name in counts if name not in plan.sections), None)
        if stranger is not None:
            hint = did_you_mean(stranger, plan.sections)
            raise InputError(
                f"size '{size}': unknown section '{stranger}'; {hint}", at=("seating", "sizes", size, stranger)
            )
    if plan.size is None:
        return {name: place.players for name, place in plan.sections.items()}
    if plan.size not in plan.sizes:
        hint = did_you_mean(plan.size, plan.sizes) if plan.sizes else "the seating plan has no sizes"
        raise InputError(f"unknown size '{plan.size}'; {hint}", at=("seating", "size"))
    return dict(plan.sizes[plan.size])


def hall(table: HallTable | str, own: OwnPresets = BUNDLED) -> Hall:
    """Build a hall from a table or a preset's name.

    Raises
    ------
    InputError
        If a preset is unknown, a key or surface is missing, or the conductor stands outside.
    """
    table = resolve(HallTable(preset=table) if isinstance(table, str) else table, own)
    if table.size is None or table.conductor is None:
        missing = "size" if table.size is None else "conductor"
        raise InputError(
            f"key '{missing}' is missing; give it, or the preset of a hall: {', '.join(names('halls', own))}"
        )
    bare = next((s for s in SURFACES if s not in table.surfaces), None)
    if bare is not None:
        raise InputError(f"surface '{bare}' has no material; give one, or the preset of a hall")
    surfaces = {str(key): value for key, value in table.surfaces.items()}
    box = Box(table.size, table.conductor, table.stage_height)
    materials = []
    for surface in SURFACES:
        try:
            materials.append(material(surfaces[surface], surface, own))
        except FileError:
            raise
        except InputError as error:
            raise InputError(f"surface '{surface}': {error}", at=("hall", "surfaces", surface)) from None
    if table.audience == "empty" and all(patch.empty is None for patch in table.patches):
        raise InputError("audience: no patch of this hall says what it is when empty", at=("hall", "audience"))
    patches = []
    for number, patch_table in enumerate(table.patches):
        try:
            patches.append(_patch(patch_table, table.audience == "empty", own))
        except FileError:
            raise
        except InputError as error:
            raise InputError(f"patch {number + 1}: {error}", at=("hall", "patches")) from None
    name = table.preset or "hall"
    return Hall(name, box, tuple(materials), table.temperature, table.humidity, tuple(patches))


def _patch(table: PatchTable, empty: bool, own: OwnPresets) -> Patch:
    """Build a patch, with its audience or empty: its two spans along the surface, in the order of the axes."""
    across = "xxyyzz"[SURFACES.index(table.surface)]
    spans = {axis: getattr(table, axis) for axis in "xyz"}
    if spans[across] is not None:
        raise InputError(f"key '{across}' doesn't go with the {table.surface}, which lies across it")
    missing = next((axis for axis in "xyz" if axis != across and spans[axis] is None), None)
    if missing is not None:
        raise InputError(f"key '{missing}' is missing; give from and to in m")
    first, second = (span for axis, span in spans.items() if axis != across)
    made_of = material(table.empty if empty and table.empty is not None else table.material, "patch", own)
    return Patch(table.surface, (first[0], second[0]), (first[1], second[1]), made_of)
