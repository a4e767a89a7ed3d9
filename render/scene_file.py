"""The scene file: one TOML file that holds everything needed to render, read and checked as a whole."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any

from pydantic import BeforeValidator, Field, StringConstraints

from rooms import catalogue
from rooms.errors import InputError, did_you_mean, nearest
from rooms.hanging import hang
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
    Number,
    Players,
    Point,
    SeatingTable,
    Table,
)
from rooms.toml_reader import Location, TomlFile, read_toml, validate

__all__ = [
    "Bus",
    "Cue",
    "MixTable",
    "SceneFile",
    "SceneTable",
    "SectionTable",
    "Stem",
    "StemTable",
    "build_scene",
    "read_scene",
    "require_stems",
]

USUAL_RATE = 48000
"""Hz; a scene without a rate is checked at this one. Its geometry does not depend on it."""

Name = Annotated[str, StringConstraints(pattern=r"^[^\W_][\w -]*$", max_length=80)]

Start = Annotated[Number, Field(ge=0, le=86400)]
Channels = Annotated[tuple[Annotated[Count, Field(ge=1, le=1024)], ...], Field(min_length=1, max_length=2)]


class SectionTable(Table):
    """One section: who plays, where, and what."""

    instrument: InstrumentOrName | None = Field(
        default=None, description="What it plays: an instrument's name, or a table; left out: the plan's"
    )
    players: Players | None = Field(default=None, description="Number of players; left out: the plan's, else 1")
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


def _by_file(value: Any) -> Any:
    """Read a bare file name as the table that holds only it."""
    return {"stem": value} if isinstance(value, str) else value


class StemTable(Table):
    """The stem of a section in one cue, where more than its file is to be said."""

    stem: str = Field(description="The sound file, relative to the scene")
    start: Start | None = Field(default=None, description="As for a section, which it overrides")
    channels: Channels | None = Field(default=None, description="As for a section, which it overrides")


StemOrFile = Annotated[StemTable, BeforeValidator(_by_file, json_schema_input_type=str | StemTable)]


class MixTable(Table):
    """What all outputs have in common."""

    gain: Decibel | None = Field(default=None, description="Gain of all outputs in dB; left out: from geometry")
    offset: Annotated[Number, Field(ge=0, le=10)] = Field(
        default=0.0, description="Time removed from the start of all outputs in s"
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
    cues: dict[Name, dict[str, StemOrFile]] = Field(
        default_factory=dict,
        description="Cues by name: the sound file of each section, relative to the scene, or a table with more",
    )


@dataclass(frozen=True)
class Bus:
    """An array's place in the mix.

    Parameters
    ----------
    gain : float
        dB.
    mute : bool
        Leave it out.
    delay : float
        Added delay in s.
    align : bool
        Delay each spot so that its own section arrives together with the main array.
    """

    gain: float
    mute: bool
    delay: float
    align: bool


@dataclass(frozen=True)
class Stem:
    """The sound file of one section in one cue.

    Parameters
    ----------
    path : Path
        The file.
    start : float or None
        When it begins, in s after the cue's start; None: as its time reference says.
    channels : tuple of int or None
        Which of the file's channels play, counted from 1; None: all.
    at : tuple
        Where the scene names it, for messages.
    """

    path: Path
    start: float | None
    channels: tuple[int, ...] | None
    at: Location


@dataclass(frozen=True)
class Cue:
    """One piece of music: the stem of each section that plays in it."""

    name: str
    stems: Mapping[str, Stem]


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
    hall : Hall
        With its materials as given; ``asked_T30`` is not yet applied.
    asked_T30 : float, mapping or None
        Asked reverberation time in s: mean of 500 Hz and 1 kHz, or per band by its name.
    sections, arrays : tuple
        In the order of the file.
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
    cues : tuple of Cue
        None, where the scene names no stems.
    """

    file: TomlFile
    title: str
    scene_rate: int | None
    seed: int
    hall: Hall
    asked_T30: float | Mapping[str, float] | None
    sections: tuple[Section, ...]
    arrays: tuple[Array, ...]
    section_gains: Mapping[str, float]
    fold: Mapping[str, bool]
    buses: Mapping[str, Bus]
    mix_gain: float | None
    mix_offset: float
    cues: tuple[Cue, ...]

    @property
    def path(self) -> Path:
        """Where it was read from."""
        return self.file.path

    def scene(self, sample_rate: int) -> Scene:
        """Return the acoustic scene at a rate in Hz."""
        return Scene(self.hall, self.sections, self.arrays, sample_rate, self.seed)


def read_scene(path: Path) -> SceneFile:
    """Read a scene file, build what it describes and check the whole.

    Parameters
    ----------
    path : Path
        The scene file. Paths in it are relative to its folder.

    Raises
    ------
    InputError
        In one line with file and line number, whatever is wrong. Sound files are not looked at; see `require_stems`.
    """
    return build_scene(read_toml(path))


def build_scene(file: TomlFile) -> SceneFile:
    """Build what a parsed scene file describes and check the whole; raises as `read_scene` does."""
    table = validate(SceneTable, file.data, file)
    for kind, names in (("section", table.sections), ("array", table.arrays), ("cue", table.cues)):
        _differ(kind, names, file)
    with _located(file, ("hall", "preset")):
        hall_table = catalogue.resolve(table.hall)
    with _located(file, ("hall",)):
        hall = catalogue.hall(hall_table)
    with _located(file, ("seating", "plan")):
        seating = catalogue.resolve(table.seating)
    section_tables = table.sections or {name: SectionTable() for name in seating.sections}
    sections = []
    for name, section_table in section_tables.items():
        with _located(file, ("sections", name)):
            sections.append(_section(name, section_table, seating))
    if not sections:
        raise file.error((), "there are no sections; name a seating plan, or give [sections.NAME] tables")
    array_tables = {}
    arrays = []
    for name, array_table in table.arrays.items():
        with _located(file, ("arrays", name, "preset")):
            array_tables[name] = catalogue.resolve(array_table)
        with _located(file, ("arrays", name)):
            arrays.append(hang(name, array_tables[name], hall, sections))
    scene_file = SceneFile(
        file=file,
        title=table.title,
        scene_rate=table.sample_rate,
        seed=table.seed,
        hall=hall,
        asked_T30=_by_band(hall_table),
        sections=tuple(sections),
        arrays=tuple(arrays),
        section_gains={name: t.gain for name, t in section_tables.items()},
        fold={name: t.fold for name, t in section_tables.items()},
        buses={name: Bus(t.gain, t.mute, t.delay, t.align) for name, t in array_tables.items()},
        mix_gain=table.mix.gain,
        mix_offset=table.mix.offset,
        cues=_cues(table, [s.name for s in sections], file),
    )
    with _located(file, ()):
        scene_file.scene(table.sample_rate or USUAL_RATE)
    return scene_file


def require_stems(scene_file: SceneFile) -> None:
    """Refuse a scene that names no stems, or one that is not there.

    Raises
    ------
    InputError
        In one line, with the line of the scene and the name of a similar file where there is one.
    """
    file = scene_file.file
    if not scene_file.cues:
        raise file.error((), 'no section has a stem; give stem = "…" in [sections.NAME], or [cues.NAME] tables')
    for cue in scene_file.cues:
        if not cue.stems:
            raise file.error(("cues", cue.name), "has no stems; name one, or take the cue out")
        for stem in cue.stems.values():
            path = stem.path
            if path.is_file():
                continue
            if any(ord(character) < 32 for character in str(path)):
                raise file.error(stem.at, "a backslash made a control character; use forward slashes or single quotes")
            raise file.error(stem.at, f"{path}: {'is a folder' if path.is_dir() else _missing(path)}")


def _section(name: str, table: SectionTable, seating: SeatingTable) -> Section:
    """Seat one section: where it says itself, else where the plan says."""
    if table.position is not None and table.arc is not None:
        raise InputError("position and arc exclude each other; keep one")
    place = seating.sections.get(name)
    where = table.position or table.arc or (place.arc if place else None)
    if where is None:
        hint = did_you_mean(name, seating.sections) if seating.sections else "no seating plan is named"
        raise InputError(f"has no position or arc, and no place in the seating plan; {hint}")
    instrument_table = table.instrument or (place.instrument if place else None)
    if instrument_table is None:
        raise InputError(f"key 'instrument' is missing; allowed: {', '.join(catalogue.names('instruments'))}")
    instrument = catalogue.instrument(instrument_table)
    players = table.players or (place.players if place else 1)
    spacing = {"desk_width": seating.desk_width, "row_pitch": seating.row_pitch}
    if isinstance(where, ArcTable):
        seated = seat(where.radius, where.azimuth, players, instrument, **spacing, facing=table.facing)
    else:
        seated = seat_around(where, players, instrument, **spacing, facing=table.facing)
    return Section(name, instrument, seated)


def _cues(table: SceneTable, sections: list[str], file: TomlFile) -> tuple[Cue, ...]:
    """Return the scene's cues, their paths made relative to the scene's folder."""
    home = file.path.parent
    own = {
        name: Stem(home / section.stem, section.start, section.channels, ("sections", name, "stem"))
        for name, section in table.sections.items()
        if section.stem is not None
    }
    if own and table.cues:
        raise file.error(("sections", next(iter(own)), "stem"), "stems stand in sections or in cues, not in both")
    for cue, stems in table.cues.items():
        for name in stems:
            if name not in sections:
                raise file.error(("cues", cue, name), f"unknown section; {did_you_mean(name, sections)}")
    if own:
        # A scene called scene.toml takes its cue's name from its folder.
        name = home.resolve().name if file.path.stem == "scene" else file.path.stem
        return (Cue(name or "scene", own),)
    return tuple(
        Cue(
            cue,
            {
                name: _stem(home, table.sections.get(name, SectionTable()), stem, ("cues", cue, name))
                for name, stem in stems.items()
            },
        )
        for cue, stems in table.cues.items()
    )


def _stem(home: Path, section: SectionTable, stem: StemTable, at: Location) -> Stem:
    """Return a stem that a cue names: what it leaves out is the section's."""
    start = section.start if stem.start is None else stem.start
    return Stem(home / stem.stem, start, stem.channels or section.channels, at)


def _by_band(hall: HallTable) -> float | Mapping[str, float] | None:
    """Return the asked reverberation time in s, one number or by band."""
    return {str(band): value for band, value in hall.T30.items()} if isinstance(hall.T30, dict) else hall.T30


def _differ(kind: str, names: Iterable[str], file: TomlFile) -> None:
    """Refuse names that differ in case alone: some file systems keep their outputs in one file."""
    seen: dict[str, str] = {}
    for name in names:
        other = seen.setdefault(name.casefold(), name)
        if other != name:
            raise file.error((f"{kind}s", name), f"differs from {kind} '{other}' in case alone; files would collide")


@contextmanager
def _located(file: TomlFile, at: Location) -> Iterator[None]:
    """Head errors with file and line: those of the table they name themselves, else those given."""
    try:
        yield
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
