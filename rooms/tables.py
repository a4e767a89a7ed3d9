"""The tables of preset files, which are also the tables of a scene: keys, units, ranges and defaults.

A table names a preset and overrides some of its keys, or gives every key itself. Descriptions of the fields are the
documentation of the scene file and of its JSON schema.
"""

from __future__ import annotations

import math
from typing import Annotated, Any, ClassVar, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Discriminator, Field, Strict, Tag

from rooms.microphones import Loudspeaker, Purpose
from rooms.players import Stand

__all__ = [
    "ArcTable",
    "ArrayTable",
    "CapsuleTable",
    "Fader",
    "HallTable",
    "HangingTable",
    "InstrumentTable",
    "MaterialTable",
    "PlaceTable",
    "Preset",
    "SeatingTable",
    "SpotTable",
    "StageTable",
    "StatedT30Table",
    "Table",
]

Number = Annotated[float, Strict()]
Flag = Annotated[bool, Strict()]
Coordinate = Annotated[Number, Field(ge=-300, le=300)]
Point = tuple[Coordinate, Coordinate, Coordinate]
Side = Annotated[Number, Field(gt=0, le=300)]
Angle = Annotated[Number, Field(ge=-360, le=360)]
Decibel = Annotated[Number, Field(ge=-120, le=60)]
Fader = Annotated[
    Annotated[Decibel, Tag("level")] | Annotated[Literal["off"], Tag("off")],
    Discriminator(lambda value: "off" if isinstance(value, str) else "level"),
    BeforeValidator(lambda value: "off" if value == -math.inf else value),
]
Share = Annotated[Number, Field(ge=0, le=1)]
Rise = Annotated[Number, Field(ge=0, le=5)]
Multiple = Annotated[Number, Field(ge=0, le=20)]
Seconds = Annotated[Number, Field(gt=0, le=30)]
Count = Annotated[int, Strict()]
Players = Annotated[Count, Field(ge=1, le=200)]
Coefficients = Annotated[tuple[Share, ...], Field(min_length=9, max_length=9)]
NineTimes = Annotated[tuple[Seconds, ...], Field(min_length=9, max_length=9)]
Band = Literal["63", "125", "250", "500", "1000", "2000", "4000", "8000", "16000"]
Surface = Literal["floor", "ceiling", "stage-wall", "house-wall", "left-wall", "right-wall"]
PatternName = Literal["omni", "wide-cardioid", "cardioid", "supercardioid", "hypercardioid", "figure-of-eight"]
Pattern = Annotated[
    Annotated[PatternName, Tag("name")] | Annotated[Share, Tag("number")] | Annotated[Coefficients, Tag("list")],
    Discriminator(lambda value: {str: "name", list: "list", tuple: "list"}.get(type(value), "number")),
]
ReverberationTime = Annotated[
    Annotated[Seconds, Tag("number")] | Annotated[dict[Band, Seconds], Tag("table")],
    Discriminator(lambda value: "table" if isinstance(value, dict) else "number"),
]


def _named(value: Any) -> Any:
    """Read a bare name as the table that holds only a preset's name."""
    return {"preset": value} if isinstance(value, str) else value


class Table(BaseModel):
    """A table that refuses keys it does not know and numbers that are none."""

    model_config = ConfigDict(extra="forbid", allow_inf_nan=False, frozen=True)


class Preset(Table):
    """A table that exists as a preset file of its own."""

    KIND: ClassVar[str]
    """Folder of its preset files."""
    NAMED_BY: ClassVar[str] = "preset"
    """The key that names the preset a table starts from."""

    description: str = Field(default="", description="One line on what it is")
    source: str = Field(default="", description="Where the values come from")
    note: str = Field(default="", description="What else one should know")


class MaterialTable(Preset):
    """What one kind of surface does with sound."""

    KIND: ClassVar[str] = "materials"

    preset: str | None = Field(default=None, description="Name of the material this one starts from")
    absorption: Coefficients | None = Field(
        default=None, description="Random-incidence absorption coefficients, nine values from 63 Hz to 16 kHz, 0 to 1"
    )
    scattering: Coefficients | None = Field(
        default=None, description="Scattering coefficients, nine values from 63 Hz to 16 kHz, 0 to 1"
    )


class InstrumentTable(Preset):
    """A kind of source and how it radiates."""

    KIND: ClassVar[str] = "instruments"

    preset: str | None = Field(default=None, description="Name of the instrument this one starts from")
    height: Annotated[Number, Field(ge=0, le=5)] | None = Field(
        default=None, description="Height of the acoustic centre above the player's floor in m"
    )
    axis: tuple[Angle, Angle] = Field(
        default=(0.0, 0.0),
        description="Main direction of radiation re the player's facing: azimuth (positive to the player's right) and "
        "elevation in degrees",
    )
    directivity_index: (
        Annotated[tuple[Annotated[Number, Field(ge=0, le=20)], ...], Field(min_length=9, max_length=9)] | None
    ) = Field(
        default=None,
        description="Level on the axis above the mean over the sphere in dB, nine values from 63 Hz to 16 kHz; left "
        "out: 0, alike in all directions",
    )
    omnidirectional_share: Annotated[Number, Field(ge=0, le=0.9)] = Field(
        default=0.0,
        description="Part of the power that leaves alike in all directions; the rest is the beam around the axis. It "
        "bounds how far the rear falls below the axis",
    )
    recorded_from: tuple[Angle, Angle] = Field(
        default=(0.0, 0.0),
        description="Direction the stem was recorded from re the player's facing, azimuth and elevation in degrees as "
        "for axis: there the sound has the stem's tone. A horn recorded behind its bell: its axis",
    )
    power_level: Annotated[Number, Field(ge=40, le=150)] | None = Field(
        default=None,
        description="Typical sound power level of one player at forte in dB re 1 pW, for reading; a stem's level is "
        "its own",
    )
    piston_radius: Annotated[Number, Field(gt=0, le=0.5)] | None = Field(
        default=None,
        description="Radius in m of a loudspeaker that beams like a piston, in place of a directivity_index",
    )


Span = tuple[Number, Number]
MaterialOrName = Annotated[MaterialTable, BeforeValidator(_named, json_schema_input_type=str | MaterialTable)]
InstrumentOrName = Annotated[InstrumentTable, BeforeValidator(_named, json_schema_input_type=str | InstrumentTable)]


class PatchTable(Table):
    """A rectangle on a surface that is of another material: an audience, panels, a curtain."""

    surface: Surface = Field(description="The surface it lies on")
    x: Span | None = Field(default=None, description="From and to along x in m, where the surface extends along x")
    y: Span | None = Field(default=None, description="From and to along y in m, alike")
    z: Span | None = Field(default=None, description="From and to along z in m, alike")
    material: MaterialOrName = Field(description="A material's name, or a table as for surfaces")
    empty: MaterialOrName | None = Field(
        default=None, description='What it is with the audience gone, [hall] audience = "empty"; left out: the same'
    )


class StageTable(Table):
    """The part of the floor where players are meant to sit."""

    x: Span = Field(description="From and to across the hall in m from the conductor")
    y: Span = Field(description="From and to along the hall in m from the conductor, positive upstage")


class StatedT30Table(Table):
    """The reverberation time a hall says it has."""

    occupied: NineTimes = Field(description='T30 in s with players and, where there are seats, audience = "full"')
    empty: NineTimes | None = Field(default=None, description='T30 in s with players and audience = "empty"')


class HallTable(Preset):
    """A rectangular hall, its surfaces and its air."""

    KIND: ClassVar[str] = "halls"

    preset: str | None = Field(default=None, description="Name of the hall this one starts from")
    size: tuple[Side, Side, Side] | None = Field(
        default=None, description="Width (x), depth (y) and height (z) in m; needed without a preset"
    )
    conductor: tuple[Side, Side] | None = Field(
        default=None,
        description="Where the conductor stands, the origin of all positions, in m: from the left wall "
        "(audience's left) and from the stage's back wall; needed without a preset",
    )
    stage_height: Rise = Field(
        default=0.0,
        description="Height of the stage above the hall's floor in m; positions count from the stage. The hall stays a "
        "box: its whole floor lies that much lower, and the platform itself neither reflects nor shades",
    )
    surfaces: dict[Surface, MaterialOrName] = Field(
        default_factory=dict,
        description="Material of each of the six surfaces: a material's name, or a table with nine values of "
        "absorption and of scattering; only those named change a preset",
    )
    patches: tuple[PatchTable, ...] = Field(
        default=(),
        description="Rectangles on surfaces that are of another material; they may touch and don't overlap; with any, "
        "a preset's own are left out",
    )
    audience: Literal["full", "empty"] = Field(
        default="full", description="Whether the seats are taken; players on their stage stay"
    )
    T30: ReverberationTime | None = Field(
        default=None,
        description="Asked reverberation time in s: one number for the mean of 500 Hz and 1 kHz, or a table of octave "
        "bands, of which only those named are held; left out: what the surfaces give",
    )
    temperature: Annotated[Number, Field(ge=-20, le=50)] = Field(default=20.0, description="Air temperature in °C")
    humidity: Annotated[Number, Field(ge=1, le=100)] = Field(default=50.0, description="Relative humidity in %")
    good_for: str = Field(
        default="", description="One line on what music and ensemble it suits; nothing follows from it"
    )
    suits: tuple[str, ...] = Field(
        default=(),
        description="Seating plans that find room on its stage, as the plans come; nothing follows from it",
    )
    stage: StageTable | None = Field(
        default=None, description="Where players are meant to sit; nothing follows from it"
    )
    main_height: Side | None = Field(
        default=None, description="Height of a main array above the stage in m that suits the hall"
    )
    ambience_height: Side | None = Field(
        default=None, description="Height of an ambience array above the stage in m that suits the hall"
    )
    stated_T30: StatedT30Table | None = Field(
        default=None,
        description="T30 in s as the engine computes it, nine values from 63 Hz to 16 kHz; for reading, see T30 to ask",
    )


class ArcTable(Table):
    """A part of the stage around the conductor."""

    radius: tuple[Annotated[Number, Field(ge=1, le=100)], Annotated[Number, Field(ge=1, le=100)]] = Field(
        description="First and last distance from the conductor in m"
    )
    azimuth: tuple[Angle, Angle] = Field(
        description="From and to, in degrees: 0 looks upstage, positive to the audience's right"
    )
    riser: Rise = Field(default=0.0, description="Height of the first row's riser above the stage floor in m")
    riser_step: Rise = Field(default=0.0, description="How much higher each further row stands, in m")
    stand: Stand = Field(
        default="shared",
        description="Whether two players share a music stand, each has their own, or there are none, as for a choir",
    )
    desk_width: Annotated[Number, Field(ge=0.65, le=5)] | None = Field(
        default=None,
        description="Room along the row for those at one stand in m, for two at least 1.4; left out: the plan's",
    )
    row_pitch: Annotated[Number, Field(ge=0.75, le=5)] | None = Field(
        default=None, description="From row to row in m; left out: the plan's"
    )


class PlaceTable(Table):
    """The place of one section in a seating plan."""

    instrument: InstrumentOrName = Field(description="What the section plays: an instrument's name, or a table")
    players: Players = Field(description="Number of players, where the scene gives none and names no size")
    arc: ArcTable = Field(description="Where the desks stand")
    facing: Angle | None = Field(
        default=None, description="Azimuth the players look to in degrees; left out: to the conductor"
    )


class SeatingTable(Preset):
    """Where the sections sit around the conductor."""

    KIND: ClassVar[str] = "seating"
    NAMED_BY: ClassVar[str] = "plan"

    plan: str | None = Field(default=None, description="Name of the seating plan this one starts from")
    desk_width: Annotated[Number, Field(ge=1.4, le=5)] = Field(
        default=1.4, description="Room along the row for a desk of two players in m"
    )
    row_pitch: Annotated[Number, Field(ge=1, le=5)] = Field(default=1.3, description="From row to row in m")
    conducted: Flag = Field(
        default=True, description="Whether a conductor stands in the middle, where all look to; for pictures"
    )
    sections: dict[str, PlaceTable] = Field(default_factory=dict, description="Place of each section by its name")
    sizes: dict[str, dict[str, Players]] = Field(
        default_factory=dict,
        description="Sizes of the orchestra by name: number of players of each section that belongs to it",
    )
    size: str | None = Field(
        default=None,
        description="Which of the sizes: sections that give no players of their own have as many as it says",
    )


class CapsuleTable(Table):
    """One microphone of an array."""

    name: Annotated[str, Field(min_length=1)] = Field(description="Its name in the array")
    at: Point = Field(default=(0.0, 0.0, 0.0), description="Place relative to the array's position in m")
    aim: tuple[Angle, Angle] = Field(default=(0.0, 0.0), description="Azimuth and elevation of its axis in degrees")
    pattern: Pattern = Field(
        default="omni",
        description="Polar pattern: a name, or the pressure part a of a + (1 - a)·cos θ, one number or nine from 63 Hz "
        "to 16 kHz",
    )
    diameter: Annotated[Number, Field(ge=0.003, le=0.3)] | None = Field(
        default=None,
        description="Diameter in m of the sphere in whose surface an omni sits: its own housing (0.016: from some "
        "4 kHz up it hears more on its axis), or a head or ball; left out: a point",
    )
    gain: Decibel = Field(default=0.0, description="Its own gain in dB")
    pan: Annotated[Number, Field(ge=-1, le=1)] | None = Field(
        default=None,
        description="Place in the array's stereo image from -1 (left) to 1 (right) at constant power; left out: by its "
        "place across the array, or by its aim where all stand in line",
    )
    stereo: tuple[Annotated[Number, Field(ge=-4, le=4)], Annotated[Number, Field(ge=-4, le=4)]] | None = Field(
        default=None, description="Amplitudes into left and right in place of pan, for instance for mid and side"
    )
    section: str | None = Field(
        default=None,
        description="The section it is a spot of; without pan it then sits where that section appears in the "
        "main image",
    )
    loudspeaker: Loudspeaker | None = Field(
        default=None,
        description="The loudspeaker it feeds in a surround bed, see [output]: front, back, side or top (F, B, S, T), "
        "left, right or centre; left out: front left and right, as in stereo",
    )


class SpotTable(Table):
    """How one spot is hung in front of every section."""

    height: Annotated[Number, Field(gt=0, le=20)] = Field(
        description="Above the floor or riser the section stands on, in m"
    )
    distance: Annotated[Number, Field(ge=0, le=20)] = Field(
        description="From the section's centre towards the conductor in m"
    )
    pattern: Pattern = Field(
        default="cardioid", description="Polar pattern, as for capsules; it aims at the section's centre"
    )
    pair: Flag = Field(
        default=False,
        description="Two for every section, left and right, each in front of its half of the players and aimed there",
    )


class HangingTable(Table):
    """A place on the centre line that follows the ensemble and the hall: one key for how far, one for how high.

    An array without a position hangs here, half a metre or more from every surface. Where the hall says how high main
    and ambience arrays hang in it (`main_height`, `ambience_height`), these and outriggers hang as high.
    """

    behind: Coordinate | None = Field(default=None, description="Behind the conductor, towards the house, in m")
    half_widths: Multiple | None = Field(
        default=None,
        description="Behind the conductor in half widths of the ensemble, its widest player's distance from y",
    )
    critical_distances: Multiple | None = Field(
        default=None,
        description="Behind the conductor in critical distances of the hall at 1 kHz: there direct and reverberant "
        "sound of an omnidirectional source are equal",
    )
    house: Share | None = Field(default=None, description="Share of the way from the conductor to the house wall")
    above: Side | None = Field(default=None, description="Above the stage in m")
    above_main: Side | None = Field(
        default=None, description="Above the hall's main_height in m, where it says none above 3 m"
    )
    height: Share | None = Field(default=None, description="Share of the hall's height above its floor")


class ArrayTable(Preset):
    """A group of microphones and its place in the mix."""

    KIND: ClassVar[str] = "arrays"

    preset: str | None = Field(default=None, description="Name of the array this one starts from")
    good_for: str = Field(default="", description="One line on what it suits; nothing follows from it")
    recording_angle: Annotated[Number, Field(gt=0, le=180)] | None = Field(
        default=None,
        description="Angle in degrees within which sources far away appear between two loudspeakers and not in one of "
        "them, as computed for a pair whose axes are level; nothing follows from it",
    )
    purpose: Purpose = Field(default="main", description="What it is for")
    position: Point | None = Field(
        default=None,
        description="Place of the array in m from the conductor; left out: by place, else [0, 0, 0]",
    )
    place: HangingTable | None = Field(
        default=None, description="Place of the array by the ensemble and the hall, where no position is given"
    )
    width_share: Annotated[Number, Field(gt=0, le=2)] | None = Field(
        default=None, description="Share of the ensemble's half width that one metre of the capsules' x stands for"
    )
    each_section: SpotTable | None = Field(default=None, description="One spot for every section, in place of capsules")
    capsules: tuple[CapsuleTable, ...] = Field(default=(), description="The microphones")
    gain: Decibel = Field(
        default=0.0,
        description="Gain of the array in the mix in dB; replaces the preset's. The balance of its purpose in "
        "[mix.balance] is added",
    )
    mute: Flag = Field(default=False, description="Leave it out of the mix; nothing else moves")
    solo: Flag = Field(
        default=False,
        description="For auditioning: as long as any array is soloed, only soloed arrays that aren't muted are heard",
    )
    delay: Annotated[Number, Field(ge=-1, le=1)] = Field(
        default=0.0, description="Added delay in the mix in s; usually 0 to 0.02 for spots"
    )
    align: Flag = Field(
        default=False,
        description="Delay each spot so that its own section arrives together with the main array, delay is added",
    )
    invert_polarity: Flag = Field(default=False, description="Invert the polarity of all its capsules")
    trims: dict[str, Decibel] = Field(
        default_factory=dict, description="Gain in dB added to single capsules, by their names"
    )
    sends: dict[str, Fader] = Field(
        default_factory=dict,
        description='Gain in dB with which single sections go into the array, by their names, or "off"; left out: 0',
    )
    direct: Fader = Field(
        default=0.0,
        description='Gain in dB of the direct sound, or "off"; 0, as for early and late, is what physics says',
    )
    early: Fader = Field(
        default=0.0, description='Gain in dB of reflected and scattered sound up to the mixing time, or "off"'
    )
    late: Fader = Field(default=0.0, description='Gain in dB of the late sound, after the mixing time, or "off"')
    high_pass: Annotated[Number, Field(ge=10, le=2000)] | None = Field(
        default=None,
        description="Frequency in Hz where a high-pass of second order (12 dB an octave, minimum phase) takes 3 dB; "
        "left out: none",
    )
    width: Annotated[Number, Field(ge=0, le=2)] = Field(
        default=1.0,
        description="Factor of side against mid in the array's stereo signal: 0 is mono, 1 as the capsules have it, 2 "
        "the widest; the power of all capsules together stays the same, and capsules' own files don't change",
    )
