"""What a preset is, in words and numbers: the same sheet for the terminal and for the catalogue's page."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from render.scene_file import SceneFile, build_scene
from render.text_plan import letter
from rooms import catalogue
from rooms.catalogue import OwnPresets
from rooms.geometry import SURFACES
from rooms.localisation import LOUDSPEAKER_AZIMUTH, EnsembleImage, ensemble_image
from rooms.players import Section
from rooms.surfaces import Hall
from rooms.tables import ArrayTable, HallTable, HangingTable, InstrumentTable, MaterialTable, Preset, SeatingTable
from rooms.theory import critical_distance_m
from rooms.toml_reader import TomlFile
from rooms.units import BANDS

__all__ = [
    "BAND_COLUMNS",
    "USUAL_HALL",
    "USUAL_PLAN",
    "Grid",
    "Sheet",
    "band_cells",
    "in_hall",
    "over_plan",
    "preset_sheet",
    "reverberation",
    "seated_alone",
]

BAND_COLUMNS = tuple(f"{band:g}" if band < 1000 else f"{band / 1000:g}k" for band in BANDS)
"""Octave bands as heads of columns."""

USUAL_HALL, USUAL_PLAN = "scoring-stage", "violins-together"
"""What an array that follows hall or players is shown with."""

USUAL_ARRAYS = ("tree", "ambience-pair")
"""What hangs in a hall that is shown."""


@dataclass(frozen=True)
class Grid:
    """A table to read.

    Parameters
    ----------
    title : str
        What it holds, with the unit where all of it has one.
    columns : tuple of str
        Heads.
    rows : tuple of tuple of str
        Cells.
    """

    title: str
    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


@dataclass(frozen=True)
class Sheet:
    """What there is to know about a preset.

    Parameters
    ----------
    description : str
        One line.
    facts : tuple of (str, str)
        What it is called and how much it is, with its unit.
    grids : tuple of Grid
        Tables.
    note, source : str
        As its file says.
    """

    description: str
    facts: tuple[tuple[str, str], ...]
    grids: tuple[Grid, ...]
    note: str
    source: str


def preset_sheet(kind: str, name: str, own: OwnPresets = catalogue.BUNDLED) -> Sheet:
    """Return what there is to know about a preset.

    Parameters
    ----------
    kind, name : str
        Which; kinds also go by their singular.
    own : OwnPresets
        Those that come first.

    Raises
    ------
    InputError
        If there is none of that name, or its file is broken.
    """
    kind = catalogue.plural(kind)
    table = catalogue.load(kind, name, own)
    whole = catalogue.resolve(table, own.within(kind, name))
    facts, grids = _facts(name, whole, own)
    base = getattr(table, table.NAMED_BY)
    started = [("starts from", base)] if base is not None else []
    shown = tuple((key, value) for key, value in [*started, *facts] if value)
    return Sheet(table.description, shown, tuple(grid for grid in grids if grid.rows), table.note, table.source)


def seated_alone(plan: str, own: OwnPresets = catalogue.BUNDLED, size: str | None = None) -> SceneFile:
    """Return a scene with a seating plan in a hall without walls to speak of."""
    walls = {surface: {"absorption": [1.0] * 9, "scattering": [0.0] * 9} for surface in SURFACES}
    field = {"size": [100.0, 100.0, 50.0], "conductor": [50.0, 50.0], "surfaces": walls}
    capsule = {"name": "mono", "at": [0.0, -10.0, 3.0]}
    seating = {"plan": plan} if size is None else {"plan": plan, "size": size}
    return _scene({"hall": field, "seating": seating, "arrays": {"main": {"capsules": [capsule]}}}, own)


def over_plan(array: str, own: OwnPresets = catalogue.BUNDLED) -> SceneFile:
    """Return a scene with an array as it hangs in the usual hall over the usual plan."""
    data = {"hall": {"preset": USUAL_HALL}, "seating": {"plan": USUAL_PLAN}, "arrays": {array: {"preset": array}}}
    return _scene(data, own)


def in_hall(hall: str, own: OwnPresets = catalogue.BUNDLED) -> SceneFile:
    """Return a scene with a plan that suits a hall, the usual main array and the usual ambience."""
    table = catalogue.load("halls", hall, own)
    plan = next(iter(table.suits), USUAL_PLAN) if isinstance(table, HallTable) else USUAL_PLAN
    arrays = {name: {"preset": name} for name in USUAL_ARRAYS}
    return _scene({"hall": {"preset": hall}, "seating": {"plan": plan}, "arrays": arrays}, own)


def _scene(data: dict[str, Any], own: OwnPresets) -> SceneFile:
    """Build a scene that no file holds; it finds the presets that a scene beside them would."""
    home = own.folder.parent if own.folder is not None else catalogue.folder()
    return build_scene(TomlFile(home / "scene.toml", "", data))


Facts = tuple[list[tuple[str, str]], list[Grid]]


def _facts(name: str, table: Preset, own: OwnPresets) -> Facts:
    """Return facts and tables of a preset that is resolved."""
    match table:
        case HallTable():
            return _hall(name, table, own)
        case SeatingTable():
            return _seating(name, table, own)
        case ArrayTable():
            return _array(name, table, own)
        case MaterialTable():
            made = catalogue.material(name, own=own)
            rows = (("absorption", *band_cells(made.absorption, 2)), ("scattering", *band_cells(made.scattering, 2)))
            return [], [_bands("coefficients", rows)]
        case InstrumentTable():
            return _instrument(name, own)
    raise TypeError(f"{table.KIND} have no sheet")


def _hall(name: str, table: HallTable, own: OwnPresets) -> Facts:
    from rooms.decay import mixing_time  # compiles, which the other kinds have no need of

    hall = catalogue.hall(name, own)
    box = hall.box
    width, depth, height = box.size
    left, back = box.conductor
    critical = float(critical_distance_m(box.volume, hall.absorption_area, hall.air)[3:5].mean())
    facts = [
        ("good for", table.good_for),
        ("size", f"{width:g} m wide, {depth:g} m deep, {height:g} m high"),
        ("volume", f"{box.volume:.0f} m³"),
        ("surface", f"{box.areas.sum():.0f} m²"),
        ("conductor", f"{left:g} m from the left wall, {back:g} m from the stage's back wall"),
        ("stage", _stage(table)),
        ("seating plans", ", ".join(table.suits)),
        ("main array", f"{table.main_height:g} m above the stage" if table.main_height is not None else ""),
        ("ambience", f"{table.ambience_height:g} m above the stage" if table.ambience_height is not None else ""),
        ("air", f"{hall.temperature:g} °C, {hall.humidity:g} % relative humidity"),
        ("critical distance", f"{critical:.1f} m, of an omnidirectional source at 500 Hz and 1 kHz"),
        ("mixing time", f"{1e3 * mixing_time(hall):.0f} ms"),
    ]
    times = [(label, *band_cells(values, 2)) for label, values in reverberation(name, table, own).items()]
    return facts, [_bands("reverberation time T30, s", times), _surfaces(hall, table)]


def _stage(table: HallTable) -> str:
    """Describe where players are meant to sit, and what it is above the floor."""
    raised = f"{table.stage_height:g} m above the hall's floor" if table.stage_height > 0 else ""
    if table.stage is None:
        return raised
    (x0, x1), (y0, y1) = table.stage.x, table.stage.y
    room = f"{x1 - x0:g} × {y1 - y0:g} m, {(x1 - x0) * (y1 - y0):.0f} m²"
    return ", ".join(part for part in (room, raised) if part)


def reverberation(
    name: str, table: HallTable, own: OwnPresets = catalogue.BUNDLED
) -> dict[str, Sequence[float] | NDArray[np.float64]]:
    """Return T30 in s by band, with players and, where there are seats, with a full and an empty house.

    As the hall's file states it, or else as computed: presets of one's own may have changed a surface.

    Parameters
    ----------
    name : str
        The hall's.
    table : HallTable
        What it is, resolved.
    own : OwnPresets
        Those that come first.
    """
    from rooms.decay import expected_T30  # compiles, which the other kinds have no need of

    seats = any(patch.empty is not None for patch in table.patches)
    changed = catalogue.own_names("materials", own) or name in catalogue.own_names("halls", own)
    stated = None if changed else table.stated_T30
    full = stated.occupied if stated is not None else expected_T30(catalogue.hall(name, own))
    if not seats:
        return {"with players": full}
    told = stated.empty if stated is not None else None
    empty = told or expected_T30(catalogue.hall(HallTable(preset=name, audience="empty"), own))
    return {"full house": full, "empty house": empty}


def _surfaces(hall: Hall, table: HallTable) -> Grid:
    """Return which material each surface is of, with the house full and, where it differs, empty, and its area."""
    materials = [*hall.materials, *(patch.material for patch in hall.patches)]
    places = [*SURFACES, *(f"{patch.surface}, part" for patch in hall.patches)]
    empty = [None] * len(SURFACES) + [patch.empty for patch in table.patches]
    rows = []
    for place, material, emptied, area in zip(places, materials, empty, hall.areas, strict=True):
        rows.append((place, material.name, f"{area:.0f}"))
        if emptied is not None:
            rows.append(("  empty house", emptied.preset or "a material of its own", ""))
    return Grid("surfaces", ("surface", "material", "m²"), tuple(rows))


def _seating(name: str, table: SeatingTable, own: OwnPresets) -> Facts:
    sections = seated_alone(name, own).sections
    places = np.concatenate([section.positions for section in sections])
    width, depth = np.ptp(places[:, :2], axis=0)
    facts = [
        ("players", f"{len(places)}"),
        ("from chair to chair", f"{width:.1f} m wide, {depth:.1f} m deep, {places[:, 1].max():.1f} m upstage at most"),
    ]
    rows = []
    for index, section in enumerate(sections):
        arc = table.sections[section.name].arc
        radius, azimuth = _span(arc.radius), _span(arc.azimuth)
        floors = sorted({round(float(z), 2) for z in section.positions[:, 2] - section.instrument.height})
        risers = "" if floors == [0.0] else "–".join(f"{floor:g}" for floor in sorted({floors[0], floors[-1]}))
        row = (letter(index), section.name, section.instrument.name, f"{len(section.players)}", radius, azimuth, risers)
        rows.append(row)
    columns = ("", "section", "instrument", "players", "radius m", "azimuth °", "riser m")
    counts = [[str(size.get(section, "–")) for size in table.sizes.values()] for section in table.sections]
    sizes = [(section, *count) for section, count in zip(table.sections, counts, strict=True)] if table.sizes else []
    return facts, [
        Grid("sections", columns, tuple(rows)),
        _powers(sections, table, own),
        Grid("players by size of the orchestra", ("size", *table.sizes), tuple(sizes)),
    ]


def _powers(sections: Sequence[Section], table: SeatingTable, own: OwnPresets) -> Grid:
    """Return how powerful the sections are by themselves, where that is known of what they play.

    Powers of players add: ISO 23591:2021, annex (as Rindel, DAGA 2022, quotes it).
    """
    rows = []
    for section in sections:
        one = catalogue.resolve(table.sections[section.name].instrument, own).power_level
        if one is not None:
            whole = one + 10.0 * np.log10(len(section.players))
            rows.append((section.name, f"{one:.0f}", f"{whole:.0f}"))
    return Grid("typical sound power at forte, dB re 1 pW", ("section", "one player", "all"), tuple(rows))


def _span(ends: Sequence[float]) -> str:
    """Return from and to as text, or the one number that both are."""
    return " to ".join(dict.fromkeys(f"{end:g}".replace("-", "−") for end in ends))


def _array(name: str, table: ArrayTable, own: OwnPresets) -> Facts:
    facts = [
        ("good for", table.good_for),
        ("purpose", table.purpose),
        ("gain in the mix", f"{table.gain:+.1f} dB".replace("-", "−")),
        ("hangs", _hangs(table)),
        ("aligned", "each spot's own section arrives with the main array" if table.align else ""),
        ("recording angle", f"{table.recording_angle:g}°" if table.recording_angle is not None else ""),
    ]
    grids = [_capsules(table)]
    if table.recording_angle is not None:
        scene = over_plan(name, own)
        image = ensemble_image(scene.arrays[0], scene.sections, scene.hall.speed_of_sound)
        first, last = (f"{azimuth:.0f}°".replace("-", "−") for azimuth in image.seen)
        facts.append(("looks at", f"players of {USUAL_PLAN} in {USUAL_HALL} from {first} to {last}"))
        grids.append(_image(image))
    return facts, grids


def _capsules(table: ArrayTable) -> Grid:
    """Return where each capsule is, where it looks and what it is."""
    rows = []
    for index, capsule in enumerate(table.capsules):
        place = (f"{value:.3g}".replace("-", "−") for value in capsule.at)
        aim = ", ".join(f"{value:g}".replace("-", "−") for value in capsule.aim)
        pattern = capsule.pattern if isinstance(capsule.pattern, str) else f"pressure part {capsule.pattern}"
        sphere = f" on a sphere of {100 * capsule.diameter:g} cm" if capsule.diameter is not None else ""
        rows.append((letter(index), capsule.name, *place, aim, pattern + sphere, capsule.loudspeaker or ""))
    columns = ("", "capsule", "x m", "y m", "z m", "aim °", "pattern", "feeds")
    kept = len(columns) if any(row[-1] for row in rows) else len(columns) - 1
    title = "capsules, from the array's place; aims by azimuth and elevation"
    return Grid(title, columns[:kept], tuple(row[:kept] for row in rows))


def _image(image: EnsembleImage) -> Grid:
    """Return where the sections appear."""
    rows = [
        (part.section, *(f"{azimuth:.0f}".replace("-", "−") for azimuth in (part.left, part.azimuth, part.right)))
        for part in image.sections
    ]
    title = f"their image, in degrees between loudspeakers at ±{LOUDSPEAKER_AZIMUTH:g}"
    return Grid(title, ("section", "from", "centre", "to"), tuple(rows))


def _hangs(table: ArrayTable) -> str:
    """Describe where an array hangs if a scene doesn't say."""
    if table.each_section is not None:
        spot = table.each_section
        how_many = f"two {spot.pattern}s" if spot.pair else f"one {spot.pattern}"
        before = "the centres of its halves" if spot.pair else "its centre"
        return (
            f"{how_many} for every section, {spot.height:g} m above its floor, {spot.distance:g} m from {before} "
            "towards the conductor"
        )
    words = []
    if table.position is not None:
        x, y, z = table.position
        side = f", {abs(x):g} m to the {'right' if x > 0 else 'left'}" if x else ""
        words.append(f"{abs(y):g} m {'upstage' if y > 0 else 'towards the audience'}{side}, {z:g} m above the stage")
    elif table.place is not None:
        words.append(_placed(table.place))
    if table.width_share is not None:
        words.append(f"x counts {table.width_share:g} of the ensemble's half width")
    return "; ".join(words)


def _placed(place: HangingTable) -> str:
    """Describe a place by the ensemble and the hall."""
    said: dict[str, Callable[[float], str]] = {
        "behind": lambda metres: f"{abs(metres):g} m {'towards the audience' if metres >= 0 else 'upstage'}",
        "half_widths": lambda times: f"{times:g} × the ensemble's half width towards the audience",
        "critical_distances": lambda times: f"{times:g} × the hall's critical distance towards the audience",
        "house": lambda share: f"{share:.0%} of the way to the house wall",
        "above": lambda metres: f"{metres:g} m above the stage",
        "above_main": lambda metres: f"{metres:g} m above where main arrays hang in the hall",
        "height": lambda share: f"at {share:.0%} of the hall's height",
    }
    given = {key: getattr(place, key) for key in said}
    return ", ".join(said[key](value) for key, value in given.items() if value is not None)


def _instrument(name: str, own: OwnPresets) -> Facts:
    instrument = catalogue.instrument(name, own=own)
    power = catalogue.resolve(InstrumentTable(preset=name), own).power_level
    azimuth, elevation = instrument.axis
    turned = f"{abs(azimuth):g}° to the player's {'right' if azimuth > 0 else 'left'}" if azimuth else "straight ahead"
    lifted = f", {abs(elevation):g}° {'up' if elevation > 0 else 'down'}" if elevation else ""
    levels = instrument.level_db([1.0, 0.0, -1.0])
    rows = [
        (where, *band_cells(level, 1))
        for where, level in zip(("on the axis", "90° from it", "180° from it"), levels, strict=True)
    ]
    facts = [
        ("acoustic centre", f"{instrument.height:g} m above the player's floor"),
        ("main direction", turned + lifted),
        ("power at forte", f"{power:g} dB re 1 pW, one player" if power is not None else "no published value"),
    ]
    return facts, [_bands("level re the mean over the sphere, dB", rows)]


def _bands(title: str, rows: Sequence[tuple[str, ...]]) -> Grid:
    """Return a table with a column for each octave band."""
    return Grid(title, ("Hz", *BAND_COLUMNS), tuple(rows))


def band_cells(values: Sequence[float] | NDArray[np.float64], digits: int) -> tuple[str, ...]:
    """Return numbers as cells; a dash where there is none."""
    return tuple("–" if np.isnan(v) else f"{round(v, digits) + 0.0:.{digits}f}".replace("-", "−") for v in values)
