"""The report of a render: what was made, what the hall does, and how far each number can be trusted.

`build_report` gathers what `render.report_page` writes, after the schema that `report_schema` returns and
`report.schema.json` keeps.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import KW_ONLY, dataclass
from typing import Annotated, Any, ClassVar

import numpy as np
from numpy.typing import NDArray
from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, StringConstraints

from render.buses import settings
from render.mix import capsule_delays, heard_arrays, main_array, main_image
from render.scene_file import SceneFile
from rooms.measures import HEADROOM, as_bands, from_echogram
from rooms.responses import Responses
from rooms.scene import Scene
from rooms.theory import eyring_s, sabine_s
from rooms.units import BAND_NAMES

__all__ = [
    "MID_BANDS",
    "ArrayReport",
    "BandMeasures",
    "CentreReport",
    "HallReport",
    "ImageReport",
    "MixReport",
    "Report",
    "ResponseReport",
    "SectionImageReport",
    "Timing",
    "WrittenFile",
    "array_reports",
    "build_report",
    "centre_capsule",
    "mean_of_mid_bands",
    "report_schema",
]

MID_BANDS = ("500", "1000")
"""The bands whose mean is the single number of a measure (ISO 3382-1, table A.1)."""

BandName = Annotated[str, StringConstraints(pattern=f"^({'|'.join(BAND_NAMES)})$")]
"""A nominal octave mid-band in Hz as text."""

PerBand = Annotated[dict[BandName, float | None], Field(json_schema_extra={"additionalProperties": False})]
"""One value per octave band; null where there is none."""


def _finite(value: float | None) -> float | None:
    """Return a level; none where there is no sound (JSON knows no infinity)."""
    return None if value == -math.inf else value


Level = Annotated[float | None, BeforeValidator(_finite)]
"""A level in dB; null where there is no sound."""

_STRICT = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False, revalidate_instances="always")


class _Part(BaseModel):
    """What all parts of a report share: fixed once built, no other keys, no infinities."""

    model_config = _STRICT


@dataclass(frozen=True)
class WrittenFile:
    """One audio file that was written."""

    __pydantic_config__: ClassVar[ConfigDict] = _STRICT

    path: Annotated[str, Field(description="Relative to the report's folder, with forward slashes.")]
    sample_rate: Annotated[int, Field(gt=0, description="Hz.")]
    channels: Annotated[int, Field(gt=0, description="Interleaved channels.")]
    samples: Annotated[int, Field(ge=0, description="Samples per channel.")]
    peak_dbfs: Annotated[Level, Field(description="Highest sample, dBFS; null for silence.")]
    lufs: Annotated[Level, Field(description="Integrated loudness after ITU-R BS.1770-4, LUFS.")]
    true_peak_dbtp: Annotated[Level, Field(description="True peak after ITU-R BS.1770-4, dBTP; null for silence.")]
    reason: Annotated[str | None, Field(description="Why loudness is null; null where it isn't.")] = None
    _: KW_ONLY
    what: Annotated[str, Field(description="What is in it.")]
    encoding: Annotated[str, Field(description="How its samples are written.")]
    start_samples: Annotated[
        int, Field(ge=0, description="Time reference of its start in samples; 0 where the stems have none.")
    ]
    channel_names: Annotated[tuple[str, ...], Field(description="Its channels in order.")]
    gain_db: Annotated[float, Field(description="Gain that sets its cue to the asked loudness, dB; 0 where none is.")]


@dataclass(frozen=True)
class Timing:
    """What the render cost."""

    __pydantic_config__: ClassVar[ConfigDict] = _STRICT

    responses_s: Annotated[float, Field(ge=0, description="Time to compute or load the responses, s.")]
    render_s: Annotated[float, Field(ge=0, description="Time to convolve, mix and write, s.")]
    realtime_factor: Annotated[
        float | None,
        Field(ge=0, description="Seconds of music per second of rendering; null where all cues were current."),
    ]
    peak_memory_mib: Annotated[
        float | None, Field(ge=0, description="Most memory held at once, MiB; null where the system doesn't tell.")
    ]


class HallReport(_Part):
    """The hall in numbers."""

    name: str = Field(description="The hall's name.")
    volume_m3: float = Field(gt=0, description="Volume, m³.")
    surface_m2: float = Field(gt=0, description="Area of all surfaces, m².")
    mixing_time_s: float = Field(
        ge=0, description="Time after emission at which single reflections give way to the late field, s."
    )
    asked_T30_s: float | PerBand | None = Field(
        description="Reverberation time the scene asks for, s: one number for the mean of 500 Hz and 1 kHz, "
        "or one per band; null where the materials alone decide."
    )
    T30_s: PerBand = Field(description="Reverberation time of the expected energy decay, s.")
    sabine_s: PerBand = Field(description="Reverberation time after Sabine from volume, surfaces and air, s.")
    eyring_s: PerBand = Field(description="Reverberation time after Eyring from volume, surfaces and air, s.")


class BandMeasures(_Part):
    """Measures of ISO 3382-1:2009 from an expected energy decay, per octave band."""

    EDT_s: PerBand = Field(description="Early decay time, 0 to −10 dB, s.")
    T20_s: PerBand = Field(description="Reverberation time, −5 to −25 dB, s.")
    T30_s: PerBand = Field(description="Reverberation time, −5 to −35 dB, s.")
    C80_db: PerBand = Field(description="Clarity: energy of the first 80 ms over the rest, dB.")
    D50: PerBand = Field(description="Definition: energy of the first 50 ms over all energy, 0 to 1.")
    Ts_s: PerBand = Field(description="Centre time, s.")
    G_db: PerBand = Field(description="Strength: level above the direct sound of the same source at 10 m, dB.")
    reasons: dict[str, str] = Field(description="Why a value is null, keyed by measure and band: 'T30_s.125'.")


class _Pair(_Part):
    """Who is heard by what."""

    section: str = Field(description="Name of the section.")
    array: str = Field(description="Name of the array.")
    capsule: str = Field(description="Name of the capsule within its array.")
    distance_m: float = Field(ge=0, description="From the section's centre to the capsule, m.")
    arrival_s: float = Field(ge=0, description="First arrival from the nearest player after emission, s.")
    direct_db: Level = Field(
        description="Level of the section's direct sound at 1 kHz, with capsule pattern and gain, re an "
        "omnidirectional source at 1 m, dB; null where the capsule rejects it wholly."
    )


class ResponseReport(BandMeasures, _Pair):
    """One section at one capsule; its own measures are those of an omnidirectional source and capsule."""

    as_seated: BandMeasures = Field(
        description="The same measures for the section as seated: all players with their directivity, the capsule "
        "with its pattern and gain."
    )


class CentreReport(_Part):
    """The capsule whose numbers stand for the hall's sound."""

    array: str = Field(description="Name of the main array.")
    capsule: str = Field(description="Name of its capsule nearest to its middle.")


class ArrayReport(_Part):
    """An array in the mix."""

    name: str = Field(description="The array's name.")
    purpose: str = Field(description="What it is for.")
    heard: bool = Field(description="Whether it is in the mix: neither muted nor left out by a solo.")
    gain_db: float = Field(description="Its own gain, dB.")
    balance_db: float = Field(description="Gain of its purpose in the balance, dB.")
    level_db: float = Field(description="Its gain in the mix: its own and the balance, dB.")
    delays_s: dict[str, float] = Field(
        description="Delay added to each capsule before the offset is taken off, by the capsule's name, s."
    )
    settings: tuple[str, ...] = Field(description="What else the mix does with it, in words.")


class SectionImageReport(_Part):
    """A section between two loudspeakers at ±30°."""

    section: str = Field(description="Name of the section.")
    azimuth_deg: float = Field(ge=-30, le=30, description="Where its centre appears, degrees, positive to the right.")
    left_deg: float = Field(ge=-30, le=30, description="Where its leftmost player appears, degrees.")
    right_deg: float = Field(ge=-30, le=30, description="Where its rightmost player appears, degrees.")


class ImageReport(_Part):
    """The ensemble in the image of the main array, by published localisation curves."""

    array: str = Field(description="Name of the main array.")
    recording_angle_deg: float | None = Field(
        description="Angle whose edges appear in the loudspeakers, degrees; null where all in front lies within."
    )
    seen_deg: tuple[float, float] = Field(
        description="Azimuths of the outermost players as seen from the array, degrees; 0 looks upstage."
    )
    sections: tuple[SectionImageReport, ...] = Field(description="Every section.")


class MixReport(_Part):
    """What all outputs share, and the balance of the arrays."""

    gain_db: float = Field(description="Gain of all outputs, dB.")
    offset_s: float = Field(description="Time removed from the start of all outputs, s.")
    arrays: tuple[ArrayReport, ...] = Field(description="Every array of the scene, heard or not.")
    image: ImageReport | None = Field(description="The main array's image; null where it isn't a pair.")


class Report(_Part):
    """Report of a render."""

    title: str = Field(description="The scene's title.")
    version: str = Field(description="Version that rendered.")
    seed: int = Field(description="Seed that everything random follows from.")
    hall: HallReport
    mix: MixReport
    files: tuple[WrittenFile, ...] = Field(description="Audio files written.")
    centre: CentreReport
    responses: tuple[ResponseReport, ...] = Field(description="Every section at every capsule.")
    timing: Timing
    warnings: tuple[str, ...] = Field(description="What the reader should know before trusting the result.")


def build_report(
    *,
    title: str,
    responses: Responses,
    asked_T30: float | Mapping[str, float] | None,
    files: Sequence[WrittenFile],
    timing: Timing,
    warnings: Sequence[str],
    mix_gain_db: float,
    mix_offset_s: float,
    arrays: Sequence[ArrayReport],
    version: str,
) -> Report:
    """Gather everything a report says.

    Parameters
    ----------
    title : str
        The scene's title.
    responses : Responses
        What was rendered with; the measures come from its expected energy.
    asked_T30 : float, mapping or None
        Reverberation time the scene asks for in s: of the middle bands, or keyed by band.
    files : sequence of WrittenFile
    timing : Timing
    warnings : sequence of str
    mix_gain_db : float
        dB.
    mix_offset_s : float
        s.
    arrays : sequence of ArrayReport
        See `array_reports`.
    version : str
        Version that rendered.

    Returns
    -------
    Report

    Raises
    ------
    InputError
        If an energy decay isn't one (see `rooms.measures.from_echogram`).
    pydantic.ValidationError
        If a value lies outside its range, isn't finite, or has an unknown band.
    """
    scene = responses.scene
    hall = scene.hall
    volume, surface = hall.box.volume, float(hall.box.areas.sum())
    area, air, c = hall.absorption_area, hall.air, hall.speed_of_sound
    measured = _measure(responses.omni_energy, responses.omni_arrivals, responses.bin_s)
    as_seated = _measure(responses.energy, responses.arrivals, responses.bin_s)
    pairs = [
        ResponseReport(
            section=section.name,
            array=array.name,
            capsule=capsule.name,
            distance_m=float(np.linalg.norm(section.centre - np.array(capsule.position))),
            arrival_s=float(responses.arrivals[i, j]),
            direct_db=float(responses.direct_db[i, j]),
            as_seated=BandMeasures(**as_seated[i][j]),
            **measured[i][j],
        )
        for i, section in enumerate(scene.sections)
        for j, (array, capsule) in enumerate(scene.capsules)
    ]
    centre_array, centre = scene.capsules[centre_capsule(scene)]
    return Report(
        title=title,
        version=version,
        seed=scene.seed,
        hall=HallReport(
            name=hall.name,
            volume_m3=volume,
            surface_m2=surface,
            mixing_time_s=responses.mixing_time,
            asked_T30_s=dict(asked_T30) if isinstance(asked_T30, Mapping) else asked_T30,
            T30_s=as_bands(responses.T30),
            sabine_s=as_bands(sabine_s(volume, area, air, c)),
            eyring_s=as_bands(eyring_s(volume, surface, area / surface, air, c)),
        ),
        mix=MixReport(gain_db=mix_gain_db, offset_s=mix_offset_s, arrays=tuple(arrays), image=_image(scene)),
        files=tuple(files),
        centre=CentreReport(array=centre_array.name, capsule=centre.name),
        responses=tuple(pairs),
        timing=timing,
        warnings=tuple(warnings),
    )


def array_reports(scene_file: SceneFile) -> tuple[ArrayReport, ...]:
    """Return what a report says of the arrays in the mix.

    Raises
    ------
    InputError
        If none is heard.
    """
    heard = heard_arrays(scene_file)
    found = []
    for array in scene_file.arrays:
        bus = scene_file.buses[array.name]
        delays = capsule_delays(
            [array],
            scene_file.sections,
            scene_file.buses,
            main_array(scene_file.arrays),
            scene_file.hall.speed_of_sound,
        )
        found.append(
            ArrayReport(
                name=array.name,
                purpose=array.purpose,
                heard=array in heard,
                gain_db=bus.gain,
                balance_db=bus.balance,
                level_db=bus.level,
                delays_s={c.name: float(delay) for c, delay in zip(array.capsules, delays, strict=True)},
                settings=settings(bus),
            )
        )
    return tuple(found)


def report_schema() -> dict[str, Any]:
    """Return the JSON Schema (draft 2020-12) of `report.json`."""
    schema = Report.model_json_schema(mode="serialization")
    return {"$schema": "https://json-schema.org/draft/2020-12/schema"} | schema


def centre_capsule(scene: Scene) -> int:
    """Return the index, in ``scene.capsules``, of the main array's capsule nearest to the array's middle."""
    main = main_array(scene.arrays)
    gaps = np.linalg.norm(main.positions - main.positions.mean(axis=0), axis=1)
    capsule = main.capsules[int(np.argmin(gaps.round(6)))]
    return scene.capsules.index((main, capsule))


def mean_of_mid_bands(values: Mapping[str, float | None]) -> float | None:
    """Return the mean of 500 Hz and 1 kHz, the single number of ISO 3382-1, table A.1; None if one is missing."""
    found = [value for band in MID_BANDS if (value := values.get(band)) is not None]
    return sum(found) / len(found) if len(found) == len(MID_BANDS) else None


def _image(scene: Scene) -> ImageReport | None:
    """Return the image of the main array."""
    image = main_image(scene.arrays, scene.sections, scene.hall.speed_of_sound)
    if image is None:
        return None
    return ImageReport(
        array=main_array(scene.arrays).name,
        recording_angle_deg=None if math.isnan(image.recording_angle) else image.recording_angle,
        seen_deg=image.seen,
        sections=tuple(
            SectionImageReport(section=part.section, azimuth_deg=part.azimuth, left_deg=part.left, right_deg=part.right)
            for part in image.sections
        ),
    )


def _measure(energy: NDArray[np.float64], arrivals: NDArray[np.float64], bin_s: float) -> list[list[dict[str, Any]]]:
    """Return the fields of `BandMeasures` for each section and capsule."""
    table = []
    for row, row_arrivals in zip(energy, arrivals, strict=True):
        cells = []
        for echogram, arrival in zip(row, row_arrivals, strict=True):
            measures = from_echogram(echogram, bin_s, float(arrival))
            values: dict[str, Any] = {name: as_bands(getattr(measures, name)) for name in HEADROOM}
            cells.append(values | {"reasons": dict(measures.reasons)})
        table.append(cells)
    return table
