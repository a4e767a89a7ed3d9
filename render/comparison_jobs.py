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
from render.comparison import COURSE_S, Curves, Plan, SectionNumbers
from render.console import set_console
from render.convolve import passage_start
from render.cue_plan import STEREO, STEREO_LOUDSPEAKERS, CuePlan, cue_files
from render.cues import cue_blocks
from render.export import open_audio
from render.heard_image import HeardImage, ImageMeter
from render.loudness import Loudness, LoudnessMeter
from render.mix import heard_arrays, main_array
from render.passage import Passage
from render.scene_file import Cue, SceneFile, chosen_cues
from render.section_numbers import curves, section_numbers, tone_bands
from render.session import heard_scene, with_asked_T30
from render.sidecar import stamp
from render.stems import StemInfo
from render.voices import cue_voices, halved_sections, probe_stems, section_of
from rooms.responses import Responses, compute_responses
from rooms.units import energy_db

__all__ = ["Job", "JobResult", "MixMeter", "MixNumbers", "Prepared", "mix_numbers", "prepare", "run"]

SPECTRUM_S = 0.34
"""Length of the windows whose spectra tell what is lost in mono, in s, to a power of two of samples."""


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
        """A hash of the scene as changed, its stems' files, its part and rate: two jobs of one hash have one result."""
        scene = self.scene_file
        (cue,) = chosen_cues(scene, [self.cue])
        # As in a sidecar: what a file looks like from outside tells whether somebody wrote to it.
        files = {str(stem.path): stamp(stem.path) for stem in cue.stems.values() if stem.path.is_file()}
        stems = [(path, file.size, file.modified_ns) for path, file in files.items()]
        content = [str(scene.path), scene.file.data, stems, scene.mix_gain, scene.mix_offset, self.cue, self.rate]
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


@dataclass(frozen=True, eq=False)
class Prepared:
    """A job whose responses are there: what of it takes all cores, and may be shared with other jobs, is done."""

    job: Job
    scene_file: SceneFile
    cue: Cue
    headers: dict[Path, StemInfo]
    responses: Responses

    @property
    def halved(self) -> set[str]:
        """The sections that are seated in two halves."""
        return halved_sections(self.scene_file, self.headers)


def prepare(job: Job, tell: Callable[[float], None] | None = None) -> Prepared:
    """Compute a job's responses, or find them in the store where an earlier job has left them.

    Raises
    ------
    InputError
        In one line: for whatever is wrong with stems.
    """
    say = tell or (lambda _part: None)
    store = response_store()
    scene_file = with_asked_T30(job.scene_file, store, lambda _what, part: say(0.1 * part))
    (cue,) = chosen_cues(scene_file, [job.cue])
    headers, _ = probe_stems(scene_file, [cue])
    scene_file = replace(scene_file, cues=(cue,))
    scene = heard_scene(scene_file, halved_sections(scene_file, headers), job.rate)
    responses = compute_responses(scene, lambda part: say(0.1 + 0.6 * part), store)
    return Prepared(job, scene_file, cue, headers, responses)


def run(job: Job | Prepared, tell: Callable[[float], None] | None = None) -> JobResult:
    """Render a variant and tell it in numbers.

    Nothing but the job and the sound files it names decides the result: neither what ran before nor what runs beside.

    Parameters
    ----------
    job : Job or Prepared
        What to do; prepared, its responses are taken as they are.
    tell : callable, optional
        Called with the part done, 0 … 1.

    Raises
    ------
    InputError
        In one line: for whatever is wrong with stems, passage or offset.
    """
    say = tell or (lambda _part: None)
    ready = prepare(job, say) if isinstance(job, Job) else job
    job, scene_file, responses = ready.job, ready.scene_file, ready.responses
    plan = _plan_of(ready)
    say(0.75)
    warnings: list[str] = []
    meter = MixMeter(job.rate)
    with open_audio(
        job.audio,
        sample_rate=job.rate,
        channels=2,
        encoding="float32",
        loudspeakers=STEREO_LOUDSPEAKERS,
        channel_names=STEREO,
    ) as writer:

        def take(mix: NDArray[np.float32]) -> None:
            writer.write(mix)
            meter.add(mix)

        heard = _listen(plan, take, warnings.append)
    sections = section_numbers(scene_file, responses, heard)
    say(1.0)
    return JobResult(
        job.digest, _plan(scene_file), sections, curves(responses), meter.result(), tuple(dict.fromkeys(warnings))
    )


def _plan_of(ready: Prepared) -> CuePlan:
    """Return the plan of a job's cue, each section for itself, to the mix and to the main array's part of it."""
    job, scene_file = ready.job, ready.scene_file
    voices, start, _ = cue_voices(scene_file, ready.cue, ready.headers, ready.halved, job.rate)
    console = set_console(scene_file, ready.responses)
    main = np.zeros_like(console.law)
    places = console.channels[main_array(heard_arrays(scene_file)).name]
    main[:, places] = console.law[:, places]
    plan = CuePlan(
        ready.cue.name,
        tuple(voices),
        replace(console, law=np.concatenate([console.law, main])),
        cue_files(ready.cue.name, {}, (), mix_only=True),
        job.rate,
        start,
        first=0,
        last=0,
        stems=True,
        mix_only=True,
        output=scene_file.output,
    )
    first, last = (0, plan.latest_end)
    if job.passage is not None:
        first, last = job.passage.samples(ready.cue.name, job.rate, plan.latest_end)
    return replace(plan, first=first, last=last)


def _listen(
    plan: CuePlan, take: Callable[[NDArray[np.float32]], None], warn: Callable[[str], None]
) -> dict[str, list[HeardImage]]:
    """Play a plan of `_plan_of`: hand over its mix, (2, n) at a time, and return where each section is heard.

    In the main array's part of the mix, and in all of it.
    """
    sections = list(dict.fromkeys(section_of(voice.section) for voice in plan.voices))
    meters = [ImageMeter(plan.rate, mixes=2) for _ in sections]
    # What is played runs ahead of what is heard, by some blocks of the convolution.
    dry = np.zeros((len(sections), 0), np.float32)
    ahead: list[NDArray[np.float32]] = []

    def hear(block: NDArray[np.float32]) -> None:
        ahead.append(np.stack([block[group].sum(axis=0) for group in plan.groups]))

    begun = passage_start(plan.first, plan.console.responses.shape[2], len(plan.groups)) - plan.first
    for block in cue_blocks(plan, warn, hear):
        mix, *stereo = (signal() for signal in block.signals)
        take(mix[:2])
        dry = np.concatenate([dry, *ahead], axis=1)
        ahead.clear()
        if begun < 0:  # of what was played before the passage
            skipped = min(-begun, dry.shape[1])
            dry, begun = dry[:, skipped:], begun + skipped
        length = mix.shape[1]
        played = np.zeros((len(sections), length), np.float32)
        played[:, : dry.shape[1]] = dry[:, :length]
        dry = dry[:, length:]
        for meter, sound, loudspeakers in zip(meters, played, stereo, strict=True):
            meter.add(sound, loudspeakers)
    # All of the mix, then the main array: told the other way round.
    return {section: meter.result()[::-1] for section, meter in zip(sections, meters, strict=True)}


class MixMeter:
    """Takes the numbers of a stereo mix block by block, however they are cut.

    Parameters
    ----------
    rate : int
        Hz.
    """

    def __init__(self, rate: int) -> None:
        self._rate = rate
        self._loudness = LoudnessMeter(rate, 2)
        self._second = round(COURSE_S * rate)
        self._course = [np.zeros(2)]
        self._in_second = 0
        self._size = 1 << round(np.log2(SPECTRUM_S * rate))
        self._window = np.sqrt(np.hanning(self._size + 1)[:-1]).astype(np.float32)  # halves that overlap keep energy
        self._kept = np.zeros((2, self._size // 2), np.float32)
        self._spectra = np.zeros((2, self._size // 2 + 1))  # of both channels, and of their sum

    def add(self, mix: NDArray[np.float32]) -> None:
        """Take (2, n) samples."""
        self._loudness.add(mix)
        at = 0
        while at < mix.shape[1]:
            if self._in_second == self._second:
                self._course.append(np.zeros(2))
                self._in_second = 0
            part = mix[:, at : at + self._second - self._in_second]
            self._course[-1] += np.square(part, dtype=np.float64).sum(axis=1)
            self._in_second += part.shape[1]
            at += part.shape[1]
        self._take(np.concatenate([self._kept, mix], axis=1))

    def result(self) -> MixNumbers:
        """Return the numbers; nothing may be added after."""
        self._take(np.concatenate([self._kept, np.zeros((2, self._size), np.float32)], axis=1))
        both, summed = self._spectra
        frequencies = scipy.fft.rfftfreq(self._size, 1.0 / self._rate)
        losses = {}
        for band in tone_bands(self._rate):
            within = (frequencies >= band * 10.0**-0.05) & (frequencies < band * 10.0**0.05)
            stereo, mono = float(both[within].sum()), float(summed[within].sum())
            if stereo > 1e-6 * float(both.sum()):  # a band with nothing in it loses nothing that is heard
                losses[float(band)] = float(energy_db(max(mono / stereo, 1e-12)))
        total = float(both.sum())
        worst = min(losses, key=lambda band: losses[band]) if losses else None
        return MixNumbers(
            left_right_db=_right_over_left(np.sum(self._course, axis=0)),
            left_right_course_db=tuple(map(_right_over_left, self._course)),
            mono_db=float(energy_db(max(float(summed.sum()) / total, 1e-12))) if total > 0.0 else None,
            mono_worst_hz=worst,
            mono_worst_db=None if worst is None else losses[worst],
            loudness=self._loudness.result(),
        )

    def _take(self, mix: NDArray[np.float32]) -> None:
        """Add spectra of the windows in (2, n) samples, and keep what is left."""
        step, at = self._size // 2, 0
        while at + self._size <= mix.shape[1]:
            channels = scipy.fft.rfft(mix[:, at : at + self._size] * self._window)
            self._spectra[0] += np.square(np.abs(channels)).sum(axis=0)
            self._spectra[1] += np.square(np.abs(channels.sum(axis=0))) / 2.0
            at += step
        self._kept = mix[:, at:]


def mix_numbers(mix: NDArray[np.float32], rate: int) -> MixNumbers:
    """Return the numbers of a stereo mix (2, samples) at a rate in Hz."""
    meter = MixMeter(rate)
    meter.add(mix)
    return meter.result()


def _right_over_left(energies: NDArray[np.float64]) -> float | None:
    """Return the level of the right channel re the left in dB, from both energies; None where one is silent."""
    left, right = energies.tolist()
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
