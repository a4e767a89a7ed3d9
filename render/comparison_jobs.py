"""The work of a comparison, cut into jobs that know nothing of each other: a variant in, numbers and a mix out."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import scipy.fft
from numpy.typing import NDArray

from render.cache import response_store
from render.comparison import Curves, Plan, SectionNumbers
from render.console import set_console
from render.cue_plan import STEREO, STEREO_LOUDSPEAKERS, CuePlan, cue_files
from render.cues import cue_blocks
from render.export import open_audio
from render.loudness import Loudness, LoudnessMeter
from render.mix import heard_arrays
from render.passage import Passage
from render.scene_file import SceneFile, chosen_cues
from render.section_numbers import curves, section_numbers, tone_bands
from render.session import heard_scene, with_asked_T30
from render.voices import cue_voices, halved_sections, probe_stems
from rooms.responses import compute_responses
from rooms.units import energy_db

__all__ = ["Job", "JobResult", "MixNumbers", "mix_numbers", "run"]

COURSE_S = 1.0
"""Step of the course of the balance of left and right, in s."""


@dataclass(frozen=True)
class Job:
    """One variant to be rendered and told in numbers.

    Parameters
    ----------
    scene_file : SceneFile
        The variant, with the gain and offset that all variants share.
    cue : str
        Which cue.
    passage : Passage or None
        Which part of it; None: all.
    rate : int
        Of all variants, in Hz.
    audio : Path
        Where its mix goes, 32-bit float, neither louder nor softer than it is.
    """

    scene_file: SceneFile
    cue: str
    passage: Passage | None
    rate: int
    audio: Path

    @property
    def digest(self) -> str:
        """A hash of the scene as changed, its part and rate: what two jobs with equal results have in common."""
        scene = self.scene_file
        content = [str(scene.path), scene.file.data, scene.mix_gain, scene.mix_offset, self.cue, self.rate]
        part = None if self.passage is None else self.passage.label
        return hashlib.sha256(json.dumps([*content, part], sort_keys=True, default=str).encode()).hexdigest()


@dataclass(frozen=True)
class MixNumbers:
    """Numbers of a stereo mix; see the attributes of these names of `render.comparison.Variant`."""

    left_right_db: float | None
    left_right_course_db: tuple[float | None, ...]
    mono_db: float | None
    mono_worst_hz: float | None
    mono_worst_db: float | None
    loudness: Loudness


@dataclass(frozen=True)
class JobResult:
    """What a job found; its mix lies where the job said."""

    digest: str
    plan: Plan
    sections: tuple[SectionNumbers, ...]
    curves: Curves
    mix: MixNumbers
    warnings: tuple[str, ...]


def run(job: Job, tell: Callable[[float], None] | None = None) -> JobResult:
    """Render a variant and tell it in numbers.

    Nothing but the job and the sound files it names decides the result: neither what ran before nor what runs beside.

    Parameters
    ----------
    job : Job
        What to do.
    tell : callable, optional
        Called with the part done, 0 … 1.

    Raises
    ------
    InputError
        In one line: for whatever is wrong with stems, passage or offset.
    """
    say = tell or (lambda _part: None)
    store = response_store()
    scene_file = with_asked_T30(job.scene_file, store, lambda _what, part: say(0.1 * part))
    (cue,) = chosen_cues(scene_file, [job.cue])
    headers, _ = probe_stems(scene_file, [cue])
    scene_file = replace(scene_file, cues=(cue,))
    halved = halved_sections(scene_file, headers)
    responses = compute_responses(heard_scene(scene_file, halved, job.rate), lambda part: say(0.1 + 0.6 * part), store)
    sections = section_numbers(scene_file, responses)
    voices, start, _ = cue_voices(scene_file, cue, headers, halved, job.rate)
    plan = CuePlan(
        cue.name,
        tuple(voices),
        set_console(scene_file, responses),
        cue_files(cue.name, {}, (), mix_only=True),
        job.rate,
        start,
        first=0,
        last=0,
        mix_only=True,
        output=scene_file.output,
    )
    first, last = (0, plan.latest_end)
    if job.passage is not None:
        first, last = job.passage.samples(cue.name, job.rate, plan.latest_end)
    say(0.8)
    warnings: list[str] = []
    mix = np.concatenate([block for block, *_ in cue_blocks(replace(plan, first=first, last=last), warnings.append)], 1)
    with open_audio(
        job.audio,
        sample_rate=job.rate,
        channels=2,
        encoding="float32",
        loudspeakers=STEREO_LOUDSPEAKERS,
        channel_names=STEREO,
    ) as writer:
        writer.write(mix)
    found = mix_numbers(mix, job.rate)
    say(1.0)
    return JobResult(job.digest, _plan(scene_file), sections, curves(responses), found, tuple(warnings))


def mix_numbers(mix: NDArray[np.float32], rate: int) -> MixNumbers:
    """Return the numbers of a stereo mix (2, samples) at a rate in Hz."""
    meter = LoudnessMeter(rate, 2)
    meter.add(mix)
    step = round(COURSE_S * rate)
    course = [_right_over_left(mix[:, at : at + step]) for at in range(0, mix.shape[1], step)]
    size = scipy.fft.next_fast_len(mix.shape[1], real=True)
    channels = scipy.fft.rfft(mix, size)
    spectra = np.square(np.abs(channels), dtype=np.float64)
    summed = np.square(np.abs(channels.sum(axis=0)), dtype=np.float64) / 2.0
    frequencies = scipy.fft.rfftfreq(size, 1.0 / rate)
    losses = {}
    for band in tone_bands(rate):
        within = (frequencies >= band * 10.0**-0.05) & (frequencies < band * 10.0**0.05)
        both, mono = float(spectra[:, within].sum()), float(summed[within].sum())
        if both > 1e-6 * float(spectra.sum()):  # a band with nothing in it loses nothing that is heard
            losses[float(band)] = float(energy_db(max(mono / both, 1e-12)))
    total = float(spectra.sum())
    worst = min(losses, key=lambda band: losses[band]) if losses else None
    return MixNumbers(
        left_right_db=_right_over_left(mix),
        left_right_course_db=tuple(course),
        mono_db=float(energy_db(max(float(summed.sum()) / total, 1e-12))) if total > 0.0 else None,
        mono_worst_hz=worst,
        mono_worst_db=None if worst is None else losses[worst],
        loudness=meter.result(),
    )


def _right_over_left(mix: NDArray[np.float32]) -> float | None:
    """Return the level of the right channel re the left in dB; None where one is silent."""
    left, right = np.square(mix, dtype=np.float64).sum(axis=1).tolist()
    return float(energy_db(right / left)) if left > 0.0 and right > 0.0 else None


def _plan(scene_file: SceneFile) -> Plan:
    """Return what a drawing of a scene needs."""
    box = scene_file.hall.box

    def flat(positions: NDArray[np.float64]) -> tuple[tuple[float, float], ...]:
        return tuple((float(x), float(y)) for x, y, _ in positions)

    return Plan(
        lower=(float(box.lower[0]), float(box.lower[1])),
        upper=(float(box.upper[0]), float(box.upper[1])),
        sections={section.name: flat(section.positions) for section in scene_file.sections},
        arrays={array.name: flat(array.positions) for array in heard_arrays(scene_file)},
        conducted=scene_file.conducted,
    )
