"""The mixing console: responses with all gains and delays applied, and the sums they go to."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from render.beds import Bed, ambix_law, beds_of, spot_law, surround_law
from render.buses import Bus
from render.mix import capsule_delays, default_gain_db, main_array, stereo_law, widened
from render.scene_file import SceneFile
from render.voices import section_of
from rooms.filters import high_pass
from rooms.microphones import Array
from rooms.players import Section
from rooms.responses import Responses
from rooms.units import amplitude

__all__ = ["Console", "set_console"]


@dataclass(frozen=True, eq=False)
class Console:
    """What a render convolves with, and how capsules are summed.

    Attributes
    ----------
    responses : ndarray of float32, shape (sections, capsules, samples)
        At the outputs' level and time.
    law : ndarray of float32, shape (2, capsules)
        Amplitudes into left and right.
    channels : dict of str to slice
        Each array's capsules.
    sections : tuple of str
        Names of the first axis.
    capsules : tuple of (array, capsule)
        Names of the second axis.
    gain_db : float
        The gain common to all outputs.
    beds : tuple of Bed
        What else capsules are summed to.
    bed_law : ndarray of float32, shape (channels of all beds, capsules)
        Amplitudes into their channels, bed after bed.
    """

    responses: NDArray[np.float32]
    law: NDArray[np.float32]
    channels: dict[str, slice]
    sections: tuple[str, ...]
    capsules: tuple[tuple[str, str], ...]
    gain_db: float
    beds: tuple[Bed, ...] = ()
    bed_law: NDArray[np.float32] = field(default_factory=lambda: np.zeros((0, 0), np.float32))


def set_console(scene_file: SceneFile, responses: Responses) -> Console:
    """Apply all of the scene's mix to its responses: gains, sends, parts, high-pass, polarity, delays, offset.

    Raises
    ------
    InputError
        If something arrives before the offset, naming the capsule.
    """
    scene = responses.scene
    speed, rate = scene.hall.speed_of_sound, scene.sample_rate
    main = main_array(scene_file.arrays)  # heard or not: muting it moves no spot
    gain_db = default_gain_db(scene_file) if scene_file.mix_gain is None else scene_file.mix_gain
    delays = capsule_delays(scene.arrays, scene_file.sections, scene_file.buses, main, speed) - scene_file.mix_offset
    early = responses.arrivals + delays
    if early.min() < 0.0:
        section, index = np.unravel_index(int(early.argmin()), early.shape)
        array, capsule = scene.capsules[index]
        raise scene_file.file.error(
            ("mix", "offset"),
            f"found {scene_file.mix_offset:g} s, but section '{scene.sections[section].name}' arrives at capsule "
            f"'{capsule.name}' of array '{array.name}' {-early.min() * 1e3:.1f} ms before that; "
            f"allowed: up to {np.floor((scene_file.mix_offset + early.min()) * 1e4) / 1e4:g} s",
        )
    buses = [scene_file.buses[array.name] for array, _ in scene.capsules]
    gains = _gains(scene_file, [section_of(section.name) for section in scene.sections], buses, gain_db)
    shifts = np.rint(delays * rate).astype(int)
    moved = np.zeros((*gains.shape, responses.samples.shape[2] + int(shifts.max())), dtype=np.float32)
    for m, (bus, shift) in enumerate(zip(buses, shifts, strict=True)):
        source = _shaped(responses, m, bus)[:, max(-shift, 0) :]
        at = max(shift, 0)
        moved[:, m, at : at + source.shape[1]] = source * gains[:, m, None]
    ends = np.cumsum([len(array.capsules) for array in scene.arrays])
    channels = {a.name: slice(end - len(a.capsules), end) for a, end in zip(scene.arrays, ends, strict=True)}
    law = stereo_law(scene.arrays, scene_file.sections, main, speed)
    energies = amplitude([capsule.gain for _, capsule in scene.capsules]) ** 2
    for name, capsules in channels.items():
        law[:, capsules] = widened(law[:, capsules], energies[capsules], scene_file.buses[name].width)
    beds = beds_of(scene_file)
    return Console(
        responses=moved,
        law=law.astype(np.float32),
        channels=channels,
        sections=tuple(section.name for section in scene.sections),
        capsules=tuple((array.name, capsule.name) for array, capsule in scene.capsules),
        gain_db=gain_db,
        beds=beds,
        bed_law=np.concatenate(
            [np.zeros((0, law.shape[1])), *(_bed_law(bed, scene.arrays, law, scene_file.sections) for bed in beds)]
        ).astype(np.float32),
    )


def _bed_law(
    bed: Bed, arrays: Sequence[Array], stereo: NDArray[np.float64], sections: Sequence[Section]
) -> NDArray[np.float64]:
    """Return the amplitudes of all capsules into a bed's channels, shape (channels, capsules)."""
    if bed.loudspeakers:
        return surround_law(bed.ending, arrays, stereo)
    laws = []
    for array in arrays:
        law = ambix_law(array)
        if law is None and array.purpose == "spot":
            law = spot_law(array, sections, arrays)
        laws.append(np.zeros((len(bed.channels), len(array.capsules))) if law is None else law)
    return np.concatenate(laws, axis=1)


def _gains(scene_file: SceneFile, sections: Sequence[str], buses: Sequence[Bus], gain_db: float) -> NDArray[np.float32]:
    """Return the amplitude of each section in each capsule, negative where polarity is inverted."""
    of_sections = amplitude([scene_file.section_gains[name] for name in sections])
    of_capsules = amplitude([gain_db + bus.level for bus in buses])
    of_capsules[[bus.invert_polarity for bus in buses]] *= -1.0
    sends = amplitude([[bus.sends.get(name, 0.0) for bus in buses] for name in sections])
    return np.asarray(of_sections[:, None] * of_capsules * sends, dtype=np.float32)


def _shaped(responses: Responses, m: int, bus: Bus) -> NDArray[np.float32]:
    """Return a capsule's responses with direct, early and late at the bus's gains, and its high-pass.

    Shape (sections, samples). At 0 dB the samples come back as they are, bit by bit.
    """
    direct, early, late = amplitude([bus.direct, bus.early, bus.late]).astype(np.float32)
    shaped: NDArray[np.float32] = late * responses.samples[:, m]
    begun = slice(responses.early.shape[2])
    shaped[:, begun] += (direct - late) * responses.direct[:, m]
    shaped[:, begun] += (early - late) * responses.early[:, m]
    if bus.high_pass is None:
        return shaped
    return high_pass(shaped, bus.high_pass, responses.scene.sample_rate).astype(np.float32)
