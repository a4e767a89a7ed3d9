"""How every section of a scene is heard, in numbers from its responses and the mix; see `render.comparison`."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
import scipy.fft
from numpy.typing import NDArray

from render.comparison import Curves, SectionNumbers, Split
from render.console import set_console
from render.heard_image import SILENT, HeardImage
from render.mix import main_array
from render.scene_file import SceneFile
from render.voices import section_of
from rooms.early_measures import LEAD_S
from rooms.localisation import section_image
from rooms.measures import from_echogram, schroeder_db
from rooms.microphones import Array
from rooms.responses import Responses
from rooms.spectra import THIRD_OCTAVES
from rooms.two_channels import cross_correlation, early_late, lateral_fractions
from rooms.units import BAND_NAMES, BANDS, amplitude, energy_db

__all__ = ["curves", "section_numbers", "tone_bands"]

PINK_HZ = (125.0 * 2.0**-0.5, 4000.0 * 2.0**0.5)
"""From where to where levels count, every octave alike: the six that carry the parts of a string orchestra."""

MID = np.isin(BANDS, (500.0, 1000.0))
"""Whose mean is a measure's single number (ISO 3382-1:2009, table A.1)."""

LATERAL_HZ, EARS_HZ = (125.0, 250.0, 500.0, 1000.0), (500.0, 1000.0, 2000.0)
"""Bands that LF (ISO 3382-1:2009, table A.1) and early IACC (annex B; from memory) are means over."""

HEAD_M = (0.15, 0.19)
"""Diameters of housings that are as large as a head, in m (our choice, no source)."""

DECAY_STEP_S, EARLY_STEP_S, EARLY_S = 0.02, 0.002, 0.16
"""Steps of the curves and length of the early one, in s."""

CURVE_BANDS = ("125", "250", "500", "1000", "2000", "4000")

Power = NDArray[np.float64]


def tone_bands(rate: int) -> NDArray[np.float64]:
    """Return the third octaves, in Hz, that lie below half a sample rate."""
    return np.asarray(THIRD_OCTAVES[THIRD_OCTAVES * 10.0**0.05 < rate / 2.0])


def section_numbers(
    scene_file: SceneFile, responses: Responses, heard: Mapping[str, Sequence[HeardImage]]
) -> tuple[SectionNumbers, ...]:
    """Return how every section is heard.

    Parameters
    ----------
    scene_file : SceneFile
        With its mix.
    responses : Responses
        Of its sections, or their halves, to the arrays that are heard. Numbers of halves are means over both.
    heard : mapping of str to sequence of HeardImage
        Where each section that plays was heard: in the main array's part of the mix, and in all of it.

    Raises
    ------
    InputError
        As `render.console.set_console` does.
    """
    scene = responses.scene
    seats = [section_of(section.name) for section in scene.sections]
    names = [section.name for section in scene_file.sections]
    arrays = [array.name for array in scene.arrays]
    rows = {name: [n for n, seat in enumerate(seats) if seat == name] for name in names}

    def per_section(values: Power) -> Power:
        return np.array([values[rows[name]].mean(axis=0) for name in names])

    levels, mixes = {}, {}
    tone, law = np.zeros(0), np.zeros((2, 0), np.float32)
    image_of = main_array(scene.arrays)
    for part, responses_of_part in _parts(responses).items():
        console = set_console(scene_file, responses_of_part)
        stereo = np.stack([console.law[:, m] @ console.responses[:, m] for m in console.channels.values()])
        mix = stereo.sum(axis=0)
        levels[part] = [per_section(_pink(power, scene.sample_rate)) for power in map(_spectrum, stereo)]
        spectrum = _spectrum(mix)
        mixes[part] = per_section(_pink(spectrum, scene.sample_rate))
        if part == "total":
            tone = per_section(_third_octaves(spectrum, scene.sample_rate))
            law = console.law[:, console.channels[image_of.name]]
    drr = energy_db(_ratio(mixes["direct"], mixes["early"] + mixes["late"]))
    measured, why = _measures(responses)
    separations = _separations(responses, rows)
    lateral, lateral_why = _lateral(responses)
    ears, ears_why = _ears(responses)
    numbers = []
    for n, section in enumerate(scene_file.sections):
        reasons: dict[str, str] = {}
        own = rows[section.name]

        def told(key: str, value: float, reason: str, reasons: dict[str, str] = reasons) -> float | None:
            """Return a number, or None and remember why."""
            if np.isfinite(value):
                return float(value)
            reasons[key] = reason
            return None

        image = section_image(image_of, section, scene.hall.speed_of_sound, law)
        measured_image, heard_image = heard.get(section.name, [SILENT] * 2)
        deaf = f"the main array '{image_of.name}' hears nothing of it"
        iso = {key: float(values[own].mean()) for key, values in measured.items()}
        numbers.append(
            SectionNumbers(
                section=section.name,
                level_db={
                    array: _split({part: levels[part][a][n] for part in levels}) for a, array in enumerate(arrays)
                },
                mix_db=_split({part: mixes[part][n] for part in mixes}),
                balance_db=_split(
                    {part: float(of_part[n] / max(of_part.mean(), 1e-30)) for part, of_part in mixes.items()}
                ),
                azimuth_deg=told("azimuth_deg", image.azimuth, deaf),
                left_deg=told("left_deg", image.left, deaf),
                right_deg=told("right_deg", image.right, deaf),
                width_deg=told("width_deg", image.right - image.left, deaf),
                measured_azimuth_deg=told("measured_azimuth_deg", measured_image.azimuth, measured_image.reason),
                measured_width_deg=told("measured_width_deg", measured_image.width, measured_image.reason),
                heard_azimuth_deg=told("heard_azimuth_deg", heard_image.azimuth, heard_image.reason),
                heard_width_deg=told("heard_width_deg", heard_image.width, heard_image.reason),
                drr_db=told("drr_db", drr[n], "no direct sound, or nothing after it"),
                C80_db=told("C80_db", iso["C80_db"], why["C80_db"]),
                EDT_s=told("EDT_s", iso["EDT_s"], why["EDT_s"]),
                T30_s=told("T30_s", iso["T30_s"], why["T30_s"]),
                Ts_s=told("Ts_s", iso["Ts_s"], why["Ts_s"]),
                LF=told("LF", float(lateral[own].mean()), lateral_why),
                IACC=told("IACC", float(ears[own].mean()), ears_why),
                tone_db=tuple(np.nan_to_num(tone[n]).tolist()),
                separation_db=told("separation_db", separations[n], "it has no spot of its own, or plays alone"),
                reasons=reasons,
            )
        )
    return tuple(numbers)


def curves(responses: Responses) -> Curves:
    """Return how sound decays at the main array's middle capsule, the mean of all sections, as ISO 3382-1 does."""
    capsules, bin_s = _middle(responses), responses.bin_s
    bands = [BAND_NAMES.index(name) for name in CURVE_BANDS]
    arrivals = (responses.omni_arrivals[:, capsules] / bin_s).astype(int)
    length = responses.omni_energy.shape[3] - int(arrivals.max())
    energy = np.mean(
        [
            of_section[m, bands, at : at + length]
            for of_section, row in zip(responses.omni_energy, arrivals, strict=True)
            for m, at in zip(capsules, row, strict=True)
        ],
        axis=0,
    )
    step = max(round(DECAY_STEP_S / bin_s), 1)
    decay = schroeder_db(energy, bin_s)[:, ::step]
    deep = int(np.count_nonzero((decay > -60.0).any(axis=0)))
    width = max(round(EARLY_STEP_S / bin_s), 1)
    count = min(round(EARLY_S / EARLY_STEP_S), length // width)
    early = energy[:, : count * width].reshape(len(bands), count, width).sum(axis=2)
    floor = 1e-9
    early_db = energy_db(np.maximum(early / energy.sum(axis=1, keepdims=True), floor))
    return Curves(
        decay_s=tuple((np.arange(deep) * step * bin_s).round(6).tolist()),
        decay_db={name: tuple(row.round(3).tolist()) for name, row in zip(CURVE_BANDS, decay[:, :deep], strict=True)},
        early_s=tuple(((np.arange(count) + 0.5) * width * bin_s).round(6).tolist()),
        early_db={name: tuple(row.round(3).tolist()) for name, row in zip(CURVE_BANDS, early_db, strict=True)},
    )


def _parts(responses: Responses) -> dict[str, Responses]:
    """Return the responses as a whole, and as if they were only direct, early or late sound."""
    direct, early, samples = responses.direct, responses.early, responses.samples
    none = np.zeros_like(direct)
    late = samples.copy()
    late[..., : direct.shape[2]] -= direct + early
    return {
        "total": responses,
        "direct": replace(responses, samples=direct, direct=direct, early=none),
        "early": replace(responses, samples=early, direct=none, early=early),
        "late": replace(responses, samples=late, direct=none, early=none),
    }


def _spectrum(stereo: NDArray[np.float32]) -> Power:
    """Return the power at each frequency of both channels together, (rows, 2, samples) to (rows, frequencies)."""
    size = scipy.fft.next_fast_len(stereo.shape[-1], real=True)
    return np.asarray((np.abs(scipy.fft.rfft(stereo, size)) ** 2).sum(axis=-2), dtype=np.float64)


def _frequencies(count: int, rate: int) -> Power:
    """Return the frequencies in Hz of a spectrum of so many."""
    return np.linspace(0.0, rate / 2.0, count)


def _weights(count: int, rate: int) -> Power:
    """Return what each frequency counts for so that every octave within `PINK_HZ` counts alike; their sum is 1."""
    frequencies = _frequencies(count, rate)
    within = (frequencies >= PINK_HZ[0]) & (frequencies <= PINK_HZ[1])
    weights = np.where(within, 1.0 / np.maximum(frequencies, PINK_HZ[0]), 0.0)
    return np.asarray(weights / weights.sum())


def _pink(power: Power, rate: int) -> Power:
    """Return the energy that pink noise would have, re its own, (rows, frequencies) to (rows,)."""
    return np.asarray(power @ _weights(power.shape[-1], rate))


def _third_octaves(power: Power, rate: int) -> Power:
    """Return the level of each third octave re the mean of them in dB, (rows, frequencies) to (rows, bands)."""
    frequencies = _frequencies(power.shape[-1], rate)
    means = np.stack(
        [
            power[:, (frequencies >= band * 10.0**-0.05) & (frequencies < band * 10.0**0.05)].mean(axis=1)
            for band in tone_bands(rate)
        ],
        axis=1,
    )
    levels = energy_db(np.maximum(means, 1e-30))
    return np.asarray(levels - levels.mean(axis=1, keepdims=True))


def _measures(responses: Responses) -> tuple[dict[str, Power], dict[str, str]]:
    """Return measures of ISO 3382-1 by row of the responses, and the first reason for each that is missing."""
    keys = ("C80_db", "EDT_s", "T30_s", "Ts_s")
    capsules = _middle(responses)
    bands = np.flatnonzero(MID)
    found = [
        [from_echogram(energy[m, bands], responses.bin_s, arrivals[m], bands=BANDS[bands]) for m in capsules]
        for energy, arrivals in zip(responses.omni_energy, responses.omni_arrivals, strict=True)
    ]
    reasons = [reason for row in found for measures in row for reason in measures.reasons.items()]
    why = {key: next((text for name, text in reasons if name.startswith(key)), "") for key in keys}
    return {key: np.array([np.mean([getattr(m, key) for m in row]) for row in found]) for key in keys}, why


def _middle(responses: Responses) -> list[int]:
    """Return the main array's capsule nearest to its middle, or all that are as near: a pair favours no side."""
    scene = responses.scene
    main = main_array(scene.arrays)
    place = scene.places[scene.arrays.index(main)]
    away = np.linalg.norm(main.positions - main.positions.mean(axis=0), axis=1).round(6)
    return [place.start + int(n) for n in np.flatnonzero(away == away.min())]


def _separations(responses: Responses, rows: dict[str, list[int]]) -> Power:
    """Return how far each section is above all others together in its spots, in dB; NaN where there are none."""
    octaves = (BANDS >= PINK_HZ[0]) & (BANDS <= PINK_HZ[1])
    energy = responses.energy[:, :, octaves].sum(axis=3).mean(axis=2)
    by_section = np.array([energy[own].mean(axis=0) for own in rows.values()])
    found = []
    for n, name in enumerate(rows):
        spots = [m for m, (_, capsule) in enumerate(responses.scene.capsules) if capsule.section == name]
        own, all_of_them = by_section[n, spots].sum(), by_section[:, spots].sum()
        others = all_of_them - own
        found.append(energy_db(own / others) if spots and len(rows) > 1 and others > 0.0 else np.nan)
    return np.array(found, dtype=np.float64)


def _lateral(responses: Responses) -> tuple[Power, str]:
    """Return LF by row of the responses, or NaN and why."""
    scene = responses.scene
    for array, place in zip(scene.arrays, scene.places, strict=True):
        pair = _omni_and_side(array)
        if pair is not None:
            capsules = [scene.capsules[place][n][1] for n in pair]
            omni, side = (
                responses.samples[:, place.start + n] / amplitude(capsule.gain)
                for n, capsule in zip(pair, capsules, strict=True)
            )
            onsets = _onsets(responses, place.start + pair[0])
            fractions = [
                lateral_fractions(o, s, scene.sample_rate, at, LATERAL_HZ)[0]
                for o, s, at in zip(omni, side, onsets, strict=True)
            ]
            return np.mean(fractions, axis=1), "no energy in one of its bands"
    nothing = "no array has an omni and, in the same point, a figure-of-eight aimed to the side"
    return np.full(len(scene.sections), np.nan), nothing


def _omni_and_side(array: Array) -> tuple[int, int] | None:
    """Return the places of an omni and of a figure-of-eight to the side in the same point, or None."""
    for n, omni in enumerate(array.capsules):
        for m, side in enumerate(array.capsules):
            aimed = abs(side.axis[0]) > 0.99 and not side.pressure_parts.any()
            if omni.is_omni and omni.diameter is None and aimed and omni.position == side.position:
                return n, m
    return None


def _ears(responses: Responses) -> tuple[Power, str]:
    """Return early IACC by row of the responses, or NaN and why."""
    scene = responses.scene
    for array, place in zip(scene.arrays, scene.places, strict=True):
        diameters = [capsule.diameter or 0.0 for capsule in array.capsules]
        if len(diameters) == 2 and all(HEAD_M[0] <= diameter <= HEAD_M[1] for diameter in diameters):
            onsets = np.minimum(*(_onsets(responses, m) for m in (place.start, place.start + 1)))
            found = []
            for pair, at in zip(responses.samples[:, place], onsets, strict=True):
                left, right = np.moveaxis(early_late(pair, scene.sample_rate, at, EARS_HZ)["early"], -2, 0)
                found.append(float(cross_correlation(left, right, scene.sample_rate).mean()))
            return np.array(found), "silent at one ear"
    return np.full(
        len(scene.sections), np.nan
    ), "no array is a head: two pressure capsules in a housing as large as one"


def _onsets(responses: Responses, capsule: int) -> NDArray[np.int64]:
    """Return where the direct sound of each row begins at a capsule, in samples."""
    begun = (responses.arrivals[:, capsule] - LEAD_S) * responses.scene.sample_rate
    return np.maximum(begun, 0.0).astype(np.int64)


def _split(energies: dict[str, float]) -> Split:
    """Return energies as levels."""
    levels = {part: float(energy_db(e)) if e > 1e-20 else None for part, e in energies.items()}
    return Split(**levels)


def _ratio(a: Power, b: Power) -> Power:
    """Return a ratio of energies; NaN where either is none, for its level says nothing."""
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(np.where((a > 0.0) & (b > 0.0), a / b, np.nan))
