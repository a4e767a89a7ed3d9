"""The mixing console: responses with all gains and delays applied, and the sums they go to."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from render.mix import capsule_delays, default_gain_db, main_array, stereo_law
from render.scene_file import SceneFile
from render.voices import section_of
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
    """

    responses: NDArray[np.float32]
    law: NDArray[np.float32]
    channels: dict[str, slice]
    sections: tuple[str, ...]
    capsules: tuple[tuple[str, str], ...]
    gain_db: float


def set_console(scene_file: SceneFile, responses: Responses) -> Console:
    """Apply the scene's gains, delays and offset to its responses.

    Raises
    ------
    InputError
        If something arrives before the offset, naming the capsule.
    """
    scene = responses.scene
    speed, rate = scene.hall.speed_of_sound, scene.sample_rate
    main = main_array(scene.arrays)
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
    capsule_gains = amplitude([gain_db + scene_file.buses[array.name].gain for array, _ in scene.capsules])
    section_gains = amplitude([scene_file.section_gains[section_of(s.name)] for s in scene.sections])
    gains = (section_gains[:, None] * capsule_gains).astype(np.float32)
    shifts = np.rint(delays * rate).astype(int)
    moved = np.zeros((*gains.shape, responses.samples.shape[2] + int(shifts.max())), dtype=np.float32)
    for m, shift in enumerate(shifts):
        source = responses.samples[:, m, max(-shift, 0) :]
        at = max(shift, 0)
        moved[:, m, at : at + source.shape[1]] = source * gains[:, m, None]
    ends = np.cumsum([len(array.capsules) for array in scene.arrays])
    return Console(
        responses=moved,
        law=stereo_law(scene.arrays, scene_file.sections, main, speed).astype(np.float32),
        channels={a.name: slice(end - len(a.capsules), end) for a, end in zip(scene.arrays, ends, strict=True)},
        sections=tuple(section.name for section in scene.sections),
        capsules=tuple((array.name, capsule.name) for array, capsule in scene.capsules),
        gain_db=gain_db,
    )
