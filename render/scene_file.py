"""The scene file: one TOML file that holds everything needed to render, read and checked as a whole."""

from __future__ import annotations

import unicodedata
from collections.abc import Collection, Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field, StringConstraints

from render.buses import BalanceTable, Bus, array_buses
from render.cue_stems import Channels, Cue, Start, Stem, StemFolderTable, StemOrFile, StemTable, cue_stems
from render.naming import NAME
from rooms import catalogue
from rooms.errors import FileError, InputError, did_you_mean, nearest
from rooms.hanging import hang, heights
from rooms.microphones import Array
from rooms.players import Section
from rooms.scene import Scene
from rooms.seating import seat, seat_around
from rooms.surfaces import Hall
from rooms.tables import (
    Angle,
    ArcTable,
    ArrayTable,
    Count,
    Decibel,
    Flag,
    HallTable,
    InstrumentOrName,
    InstrumentTable,
    MaterialTable,
    Number,
    Players,
    Point,
    SeatingTable,
    Table,
)
from rooms.toml_reader import Location, TomlFile, read_toml, validate

__all__ = [
    "CompareTable",
    "Cue",
    "MixTable",
    "OutputTable",
    "SceneFile",
    "SceneTable",
    "SectionTable",
    "build_scene",
    "chosen_cues",
    "read_scene",
    "require_stem",
    "require_stems",
]

USUAL_RATE = 48000
"""Hz; a scene without a rate is checked at this one. Its geometry does not depend on it."""

Name = Annotated[str, StringConstraints(pattern=f"^{NAME}$", max_length=80)]


class SectionTable(Table):
    """One section: who plays, where, and what."""

    instrument: InstrumentOrName | None = Field(
        default=None, description="What it plays: an instrument's name, or a table; left out: the plan's"
    )
    players: Players | None = Field(
        default=None, description="Number of players; left out: the size's or the plan's, else 1"
    )
    stem: str | None = Field(default=None, description="Its sound file, relative to the scene; or per cue, in [cues]")
    start: Start | None = Field(
        default=None,
        description="When its stem begins, in s after the cue's start; left out: by the time references of broadcast "
        "wave files where all stems have one, else 0",
    )
    channels: Channels | None = Field(
        default=None,
        description="Which channels of its sound file it plays, one or two, counted from 1; left out: all of a file "
        "that has one or two",
    )
    gain: Decibel = Field(default=0.0, description="Gain of the stem in dB")
    fold: Flag = Field(default=False, description="Fold a stereo stem to mono; else its sides are the section's halves")
    position: Point | None = Field(
        default=None, description="Middle of the section in m, on the floor it sits on; overrides the plan"
    )
    arc: ArcTable | None = Field(default=None, description="Part of the stage around the conductor; overrides the plan")
    facing: Angle | None = Field(
        default=None,
        description="Azimuth the players look to in degrees, 180 for the audience; left out: to the conductor",
    )


class MixTable(Table):
    """What all outputs have in common, and the balance of the arrays."""

    gain: Decibel | None = Field(default=None, description="Gain of all outputs in dB; left out: from geometry")
    offset: Annotated[Number, Field(ge=0, le=10)] = Field(
        default=0.0, description="Time removed from the start of all outputs in s"
    )
    balance: BalanceTable = Field(
        default_factory=BalanceTable, description="Gain of each purpose, on top of the arrays' own gains"
    )


class OutputTable(Table):
    """What files are made, and where they end; a cue's files are all equally long."""

    length: Annotated[Number, Field(gt=0, le=86400)] | None = Field(
        default=None, description="Length of every file in s; left out: until the tail is inaudible"
    )
    tail: Annotated[Number, Field(ge=0, le=60)] | None = Field(
        default=None, description="Time in s that files last after the longest stem; left out: until it is inaudible"
    )
    interleaved: Flag = Field(
        default=False, description="One file an array with all its capsules in order, instead of one a capsule"
    )
    surround: Literal["4.0", "5.0", "5.1", "7.1", "5.1.4", "7.1.4"] | None = Field(
        default=None,
        description="Also write a surround bed of these loudspeakers, a file of all arrays and one of each array with "
        "microphones that name a loudspeaker, in the order FL FR FC LFE BL BR SL SR TFL TFR TBL TBR of wave files. "
        "Without SL and SR, microphones for sides and back feed BL and BR; LFE stays silent. Microphones that name "
        "none, spots among them, are in front left and right as in stereo",
    )
    ambisonic: Flag = Field(
        default=False,
        description="Also write every array whose microphones allow it as first-order Ambisonics: AmbiX, channels "
        "W Y Z X (ACN) with SN3D gains; forward is upstage, Y to the audience's left, Z up. Spots are encoded where "
        "the first such array sees their sections; a file of the mix holds these arrays and the spots, and no others",
    )
    loudness: Annotated[Number, Field(ge=-70, le=0)] | None = Field(
        default=None,
        description="Integrated loudness of each cue's stereo mix in LUFS; one gain for all files of the cue, so cues "
        "keep no level to each other: for one gain on all of them set [mix] gain; left out: nothing is normalised",
    )
    true_peak: Annotated[Number, Field(ge=-60, le=0)] = Field(
        default=-1.0, description="True peak in dBTP that a cue set to `loudness` stays below, at less loudness"
    )


class CompareTable(Table):
    """What counts when variants of the scene are ranked."""

    weights: dict[str, Annotated[Number, Field(ge=0, le=100)]] = Field(
        default_factory=dict,
        description="How much each goal counts, by its words, such as even balance, widest violins, safest mono, "
        "clearest cellos or closest violas: in just-noticeable differences; `--rank` asks for others",
    )


class SceneTable(Table):
    """The whole scene file."""

    title: str = Field(default="", description="What it is")
    seed: Annotated[Count, Field(ge=0, le=2**53)] = Field(default=1, description="Everything random follows from it")
    sample_rate: Annotated[Count, Field(ge=8000, le=384000)] | None = Field(
        default=None, description="Rate of all outputs in Hz; left out: the stems' own"
    )
    hall: HallTable = Field(description="The hall: a preset, with keys that override it, or in full")
    seating: SeatingTable = Field(default_factory=SeatingTable, description="Where the sections sit")
    sections: dict[Name, SectionTable] = Field(
        default_factory=dict, description="Sections by name; left out: all of the seating plan's"
    )
    arrays: Annotated[dict[Name, ArrayTable], Field(min_length=1)] = Field(description="Microphone arrays by name")
    mix: MixTable = Field(default_factory=MixTable, description="What all outputs have in common")
    output: OutputTable = Field(default_factory=OutputTable, description="What files are made, and where they end")
    compare: CompareTable = Field(
        default_factory=CompareTable, description="What counts when variants of the scene are ranked"
    )
    materials: dict[str, MaterialTable] = Field(
        default_factory=dict, description="Materials of your own by name, for any surface or patch of the hall"
    )
    instruments: dict[str, InstrumentTable] = Field(
        default_factory=dict, description="Instruments of your own by name, for any section"
    )
    cues: dict[Name, dict[str, StemOrFile]] = Field(
        default_factory=dict,
        description="Cues by name: the sound file of each section, relative to the scene, or a table with more",
    )
    stems: StemFolderTable | None = Field(
        default=None, description="A folder of stems that are found by their names; left out: each is named"
    )


@dataclass(frozen=True)
class SceneFile:
    """A scene as read, built and checked.

    Parameters
    ----------
    file : TomlFile
        The file itself, for messages with a line.
    title : str
        What it is.
    scene_rate : int or None
        Hz; None: the stems' own.
    seed : int
        Everything random follows from it.
    own : catalogue.OwnPresets
        Presets beside the scene and in it.
    hall : Hall
        With its materials as given; ``asked_T30`` is not yet applied.
    asked_T30 : float, mapping or None
        Asked reverberation time in s: mean of 500 Hz and 1 kHz, or per band by its name.
    sections, arrays : tuple
        In the order of the file.
    conducted : bool
        Whether a conductor stands before them.
    section_gains : mapping
        dB by section.
    fold : mapping
        Whether a stereo stem is folded to mono, by section.
    buses : mapping
        By array.
    mix_gain : float or None
        dB; None: from geometry.
    mix_offset : float
        s removed from the start of all outputs.
    output : OutputTable
        What files are made, and where they end.
    cues : tuple of Cue
        None, where the scene names no stems.
    stem_notes : tuple of str
        A line for each sound file in a folder of stems that isn't used, and for sections that have none.
    stem_faults : tuple of str
        A line for each thing about files found by their names that must be settled before a render.
    goals : mapping of str to float
        How much each goal counts when variants are ranked.
    """

    file: TomlFile
    title: str
    scene_rate: int | None
    seed: int
    own: catalogue.OwnPresets
    hall: Hall
    asked_T30: float | Mapping[str, float] | None
    sections: tuple[Section, ...]
    arrays: tuple[Array, ...]
    conducted: bool
    section_gains: Mapping[str, float]
    fold: Mapping[str, bool]
    buses: Mapping[str, Bus]
    mix_gain: float | None
    mix_offset: float
    output: OutputTable
    cues: tuple[Cue, ...]
    stem_notes: tuple[str, ...]
    stem_faults: tuple[str, ...]
    goals: Mapping[str, float]

    @property
    def path(self) -> Path:
        """Where it was read from."""
        return self.file.path

    def scene(self, sample_rate: int) -> Scene:
        """Return the acoustic scene at a rate in Hz."""
        return Scene(self.hall, self.sections, self.arrays, sample_rate, self.seed, self.conducted)


def read_scene(path: Path) -> SceneFile:
    """Read a scene file, build what it describes and check the whole.

    Parameters
    ----------
    path : Path
        The scene file. Paths in it are relative to its folder.

    Raises
    ------
    InputError
        In one line with file and line number, whatever is wrong. Of sound files only names are looked at; see
        `require_stems`.
    """
    return build_scene(read_toml(path))


def build_scene(file: TomlFile) -> SceneFile:
    """Build what a parsed scene file describes and check the whole; raises as `read_scene` does."""
    table = validate(SceneTable, file.data, file)
    for kind, names in (("section", table.sections), ("array", table.arrays), ("cue", table.cues)):
        _differ(kind, names, file)
    own = catalogue.own_presets(file.path.parent, {"materials": table.materials, "instruments": table.instruments})
    for name, material_table in table.materials.items():
        with _located(file, ("materials", name)):
            catalogue.material(material_table, name, own.within("materials", name))
    for name, instrument_table in table.instruments.items():
        with _located(file, ("instruments", name)):
            catalogue.instrument(instrument_table, name, own.within("instruments", name))
    with _located(file, ("hall", "preset")):
        hall_table = catalogue.resolve(table.hall, own)
    with _located(file, ("hall",)):
        hall = catalogue.hall(hall_table, own)
    with _located(file, ("seating", "plan")):
        seating = catalogue.resolve(table.seating, own)
    with _located(file, ("seating",)):
        counts = catalogue.head_count(seating)
    section_tables = table.sections or {name: SectionTable() for name in counts}
    seated = {
        name: section_table.players or counts.get(name) or seating.sections[name].players
        for name, section_table in section_tables.items()
        if section_table.arc is None and section_table.position is None and name in seating.sections
    }
    with _located(file, ()):
        seating = catalogue.with_room(seating, seated)
    sections = []
    for name, section_table in section_tables.items():
        with _located(file, ("sections", name)):
            sections.append(_section(name, section_table, seating, counts, own))
    if not sections:
        raise file.error((), "there are no sections; name a seating plan, or give [sections.NAME] tables")
    array_tables = {}
    arrays = []
    for name, array_table in table.arrays.items():
        with _located(file, ("arrays", name, "preset")):
            array_tables[name] = catalogue.resolve(array_table, own)
        with _located(file, ("arrays", name)):
            arrays.append(hang(name, array_tables[name], hall, sections, heights(hall_table)))
    stems = {name: StemTable(stem=t.stem, start=t.start, channels=t.channels) for name, t in section_tables.items()}
    cues, notes, faults = cue_stems(file, stems, table.cues, table.stems)
    with _located(file, ()):
        buses = array_buses(array_tables, table.mix.balance, [s.name for s in sections])
    scene_file = SceneFile(
        file=file,
        title=table.title,
        scene_rate=table.sample_rate,
        seed=table.seed,
        own=own,
        hall=hall,
        asked_T30=_by_band(hall_table),
        sections=tuple(sections),
        arrays=tuple(arrays),
        conducted=seating.conducted,
        section_gains={name: t.gain for name, t in section_tables.items()},
        fold={name: t.fold for name, t in section_tables.items()},
        buses=buses,
        mix_gain=table.mix.gain,
        mix_offset=table.mix.offset,
        output=_output(table.output, file),
        cues=cues,
        stem_notes=notes,
        stem_faults=faults,
        goals=table.compare.weights,
    )
    with _located(file, ()):
        scene_file.scene(table.sample_rate or USUAL_RATE)
    return scene_file


def chosen_cues(scene_file: SceneFile, names: Collection[str]) -> tuple[Cue, ...]:
    """Return the cues of these names in the scene's order, all for no name; `InputError` if there is no such one."""
    known = [cue.name for cue in scene_file.cues]
    for name in names:
        if name not in known:
            raise InputError(f"{scene_file.path}: unknown cue '{name}'; {did_you_mean(name, known)}")
    return tuple(cue for cue in scene_file.cues if not names or cue.name in names)


def require_stems(scene_file: SceneFile, cues: Iterable[Cue]) -> None:
    """Refuse a scene that names no stems, one that is not there, or files whose names leave open whose they are.

    Parameters
    ----------
    scene_file : SceneFile
        The scene.
    cues : iterable of Cue
        Those of its cues whose stems must be there.

    Raises
    ------
    InputError
        In one line, with the line of the scene and the name of a similar file where there is one.
    """
    file = scene_file.file
    if scene_file.stem_faults:
        more = f"; and {len(scene_file.stem_faults) - 1} more" if len(scene_file.stem_faults) > 1 else ""
        raise file.error(("stems",), scene_file.stem_faults[0] + more)
    if not scene_file.cues:
        raise file.error(
            (), 'no section has a stem; give stem = "…" in [sections.NAME], [cues.NAME] tables, or a folder in [stems]'
        )
    for cue in cues:
        if not cue.stems:
            raise file.error(("cues", cue.name), "has no stems; name one, or take the cue out")
        for stem in cue.stems.values():
            require_stem(scene_file, stem)


def require_stem(scene_file: SceneFile, stem: Stem) -> None:
    """Refuse a stem that is not there; raises as `require_stems` does."""
    path = stem.path
    if path.is_file():
        return
    if any(ord(character) < 32 for character in str(path)):
        text = "a backslash made a control character; use forward slashes or single quotes"
    else:
        text = f"{path}: {'is a folder' if path.is_dir() else _missing(path)}"
    raise scene_file.file.error(stem.at, text)


def _section(
    name: str, table: SectionTable, seating: SeatingTable, counts: Mapping[str, int], own: catalogue.OwnPresets
) -> Section:
    """Seat one section: where it says itself, else where the plan says."""
    if table.position is not None and table.arc is not None:
        raise InputError("position and arc exclude each other; keep one")
    place = seating.sections.get(name)
    arc = table.arc or (place.arc if place else None)
    where = table.position or arc
    if where is None:
        hint = did_you_mean(name, seating.sections) if seating.sections else "no seating plan is named"
        raise InputError(f"has no position or arc, and no place in the seating plan; {hint}")
    instrument_table = table.instrument or (place.instrument if place else None)
    if instrument_table is None:
        raise InputError(f"key 'instrument' is missing; allowed: {', '.join(catalogue.names('instruments', own))}")
    instrument = catalogue.instrument(instrument_table, own=own)
    players = table.players or counts.get(name) or (place.players if place else 1)
    facing = place.facing if table.facing is None and place else table.facing
    desks = catalogue.desks(seating, arc)
    if isinstance(where, ArcTable):
        risers = {"riser": where.riser, "riser_step": where.riser_step}
        seated = seat(where.radius, where.azimuth, players, instrument, desks, facing=facing, **risers)
    else:
        seated = seat_around(where, players, instrument, desks, facing=facing)
    return Section(name, instrument, seated, stand=desks.stand)


def _output(table: OutputTable, file: TomlFile) -> OutputTable:
    """Return the table of outputs, or refuse two keys that contradict each other."""
    if table.length is not None and table.tail is not None:
        raise file.error(("output", "tail"), "length and tail exclude each other; keep one")
    if "true_peak" in table.model_fields_set and table.loudness is None:
        raise file.error(("output", "true_peak"), "bounds what loudness asks for; give loudness, too")
    return table


def _by_band(hall: HallTable) -> float | Mapping[str, float] | None:
    """Return the asked reverberation time in s, one number or by band."""
    return {str(band): value for band, value in hall.T30.items()} if isinstance(hall.T30, dict) else hall.T30


def _differ(kind: str, names: Iterable[str], file: TomlFile) -> None:
    """Refuse names that differ in case, or in how accents are put, alone: some file systems keep both in one file."""
    seen: dict[str, str] = {}
    for name in names:
        composed = unicodedata.normalize("NFC", name)
        other = seen.setdefault(composed.casefold(), name)
        if other != name:
            how = "case" if composed != unicodedata.normalize("NFC", other) else "how accents are put"
            raise file.error((f"{kind}s", name), f"differs from {kind} '{other}' in {how} alone; files would collide")


@contextmanager
def _located(file: TomlFile, at: Location) -> Iterator[None]:
    """Head errors with file and line: those of the table they name themselves, else those given."""
    try:
        yield
    except FileError:
        raise
    except InputError as error:
        if error.at:
            raise InputError(f"{file.place(error.at)}: {error}") from None
        raise file.error(at, str(error)) from None


def _missing(path: Path) -> str:
    """Say that a file is not there, with the name of a similar one in its folder."""
    if not path.parent.is_dir():
        return "no such folder"
    near = nearest(path.name, [entry.name for entry in path.parent.iterdir() if entry.is_file()])
    return "no such file" if near is None else f"no such file; did you mean '{near}'?"
