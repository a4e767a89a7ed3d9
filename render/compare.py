"""Variants of scenes side by side: rendered on all cores, told in numbers, and heard at one loudness."""

from __future__ import annotations

import csv
import io
import json
import os
import re
import tempfile
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import asdict, dataclass, replace
from functools import partial
from pathlib import Path
from threading import Semaphore

import soundfile

from render.comparison import Comparison, SectionNumbers, Variant
from render.comparison_jobs import Job, JobResult, Prepared, prepare, run
from render.comparison_page import comparison_page
from render.cue_plan import STEREO_LOUDSPEAKERS
from render.cues import QUICK_DBTP, QUICK_LUFS
from render.export import open_audio, write_text
from render.loudness import matching_gains
from render.mix import default_gain_db, latest_offset_s
from render.pages import duration_text
from render.passage import Passage
from render.scene_file import SceneFile, chosen_cues
from render.section_numbers import tone_bands
from render.staging import sole_writer, staged
from render.variants import SceneVariant, scene_variants
from render.verdicts import differences, known_goals, rank, summary
from render.voices import common_rate, probe_stems
from rooms.errors import InputError, did_you_mean
from rooms.units import amplitude

__all__ = ["Compared", "compare_scenes", "comparison_csv", "comparison_json"]

NOTES = (
    "Levels and balance are those of the mix for stems that are equally loud, every octave from 125 Hz to 4 kHz "
    "counting alike.",
    "Directions and widths come from geometry, by published curves for level and time between two loudspeakers "
    "(Wittek & Theile 2002, Williams 1987; slopes from memory). In a main array that isn't a pair, any arrival in the "
    "left loudspeaker and any in the right follow these curves, and pull as their energy says; that no listening test "
    "covers.",
    "Measured directions and widths are a check, from each section's rendered sound in the main array's part of the "
    "mix; those in the mix are of all arrays, where spots and outriggers pull, too. In the demo they lie within 2° of "
    "the predicted ones for a coincident pair, 6° for a near one, 9° for three omnis and 13° for a pair far away "
    "(RMS); through three omnis sections are measured far wider than predicted.",
    "Clarity and decay are those of ISO 3382-1, means of 500 Hz and 1 kHz at the main array's middle capsule, or at "
    "both of a pair.",
    "Just-noticeable differences: C80, EDT, Ts and LF by ISO 3382-1, IACC by Cox, Davies & Lam 1993; from memory "
    "azimuth and width (3.6°: Blauert 1997) and direct against later sound (Larsen et al. 2008); T30 is taken as EDT, "
    "balance and tone as G, 1 dB.",
    "All variants keep the base's gain and offset; sounds to listen to are set to one loudness.",
)


@dataclass(frozen=True)
class Compared:
    """A comparison and the folder it lies in."""

    folder: Path
    comparison: Comparison


def compare_scenes(
    paths: Sequence[Path],
    folder: Path,
    *,
    seatings: Sequence[str] = (),
    halls: Sequence[str] = (),
    arrays: Sequence[str] = (),
    in_step: bool = False,
    cue: str | None = None,
    passage: Passage | None = None,
    goals: Sequence[str] = (),
    threads: int | None = None,
    progress: Callable[[str, float], None] | None = None,
) -> Compared:
    """Compare variants of scenes; writes comparison.html, .json and .csv, and a sound file of each variant.

    Parameters
    ----------
    paths, seatings, halls, arrays, in_step
        As for `render.variants.scene_variants`.
    folder : Path
        What is written there appears together when all is done.
    cue : str, optional
        Which cue; left out: the base scene's first. Of a scene that has one cue only, that, whatever it is called.
    passage : Passage, optional
        Which part of it; left out: all.
    goals : sequence of str
        What variants are ranked by, each with its weight in the scene, or 1; none: all that the base scene weighs.
    threads : int, optional
        How many variants are worked on at once; left out: as many as there are cores.
    progress : callable, optional
        Told what is being done and how much of it is.

    Raises
    ------
    InputError
        In one line, whatever is wrong with scenes, options or stems.
    SitzprobeError
        If something else is writing to the folder.
    """
    tell = progress or (lambda _what, _part: None)
    variants = scene_variants(paths, seatings=seatings, halls=halls, arrays=arrays, in_step=in_step)
    base = variants[0].scene_file
    chosen = chosen_cues(base, [cue] if cue else [])
    if not chosen:
        probe_stems(base, [])  # says why there are none
    cue = chosen[0].name
    weights = _weights(goals, base.goals, [section.name for section in base.sections])
    for variant in variants[1:]:
        _cue_of(variant.scene_file, cue)
    headers, _ = probe_stems(base, chosen[:1])
    rate, rate_notes = common_rate(base, headers)
    gain_db = default_gain_db(base) if base.mix_gain is None else base.mix_gain
    offset, warnings = _common_offset(variants)
    with sole_writer(folder), staged(folder, ("sounds",)) as staging, tempfile.TemporaryDirectory() as scratch:
        jobs = [
            Job(
                replace(variant.scene_file, mix_gain=gain_db, mix_offset=offset),
                _cue_of(variant.scene_file, cue),
                passage,
                rate,
                Path(scratch) / f"{n}.wav",
            )
            for n, variant in enumerate(variants)
        ]
        results = _run_all(jobs, threads or os.cpu_count() or 1, tell)
        gains, lufs = matching_gains([result.mix.loudness for result in results], QUICK_LUFS, QUICK_DBTP)
        names = [f"sounds/{n + 1:02}_{_slug(variant.name)}.flac" for n, variant in enumerate(variants)]
        for n, (job, gain) in enumerate(zip(jobs, gains, strict=True)):
            _write_matched(job.audio, staging / names[n], gain, rate, base.seed)
        told = [_variant(*parts) for parts in zip(variants, results, gains, names, strict=True)]
        apart = differences(told)
        heard = [f"{v.name}: {text}" for v, result in zip(variants, results, strict=True) for text in result.warnings]
        if lufs < QUICK_LUFS:
            warnings.append(f"set to {lufs:.1f} LUFS, not {QUICK_LUFS:g}, so that all stay below {QUICK_DBTP:g} dBTP")
        comparison = Comparison(
            title=base.title or base.path.stem,
            cue=cue,
            passage=_in_words(passage),
            lufs=lufs,
            tone_hz=tuple(tone_bands(rate).round(3).tolist()),
            variants=tuple(told),
            differences=apart,
            summary=summary(told, apart),
            ranking=rank(told, weights) if weights else None,
            notes=NOTES,
            warnings=tuple(dict.fromkeys([*rate_notes, *warnings, *heard])),
        )
        write_text(staging / "comparison.json", comparison_json(comparison))
        write_text(staging / "comparison.csv", comparison_csv(comparison))
        scenes = {variant.name: variant.scene_file.scene(rate) for variant in variants}
        sounds = {variant.name: staging / variant.audio for variant in told}
        write_text(staging / "comparison.html", comparison_page(comparison, scenes, sounds))
    return Compared(folder, comparison)


def comparison_json(comparison: Comparison) -> str:
    """Return a comparison as JSON: keys are the attributes' names; what can't be told is null, its reason beside it."""
    return json.dumps(asdict(comparison), indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def comparison_csv(comparison: Comparison) -> str:
    """Return a table: a line for each variant, section and number, with its just-noticeable differences to the base."""
    text = io.StringIO()
    table = csv.writer(text, lineterminator="\n")
    table.writerow(["variant", "section", "number", "value", "jnd_above_base"])
    for variant in comparison.variants:
        for numbers in variant.sections:
            steps = comparison.differences[variant.name].get(numbers.section, {})
            for key, value in _flat(numbers).items():
                step = steps.get(key.removesuffix(".total"))
                table.writerow([variant.name, numbers.section, key, _cell(value), _cell(step)])
        for key in (
            "violins_deg",
            "left_right_db",
            "mono_db",
            "mono_worst_hz",
            "mono_worst_db",
            "lufs",
            "true_peak_dbtp",
        ):
            table.writerow([variant.name, "", key, _cell(getattr(variant, key)), ""])
    return text.getvalue()


def _flat(numbers: SectionNumbers) -> dict[str, float | None]:
    """Return a section's single numbers, parts of levels under names with a dot."""
    found: dict[str, float | None] = {}
    levels = {"mix_db": numbers.mix_db, "balance_db": numbers.balance_db}
    levels |= {f"level_db.{array}": split for array, split in numbers.level_db.items()}
    for key, split in levels.items():
        found |= {f"{key}.{part}": value for part, value in asdict(split).items()}
    single = (key for key, value in vars(numbers).items() if value is None or isinstance(value, float))
    return found | {key: getattr(numbers, key) for key in single}


def _cell(value: float | None) -> str:
    """Return a number to six digits, or nothing."""
    return "" if value is None else f"{value:.6g}"


def _weights(goals: Sequence[str], of_scene: Mapping[str, float], sections: Sequence[str]) -> dict[str, float]:
    """Return the goals that count with their weights; refuse unknown ones before anything is computed."""
    weights = {goal: of_scene.get(goal, 1.0) for goal in goals} or dict(of_scene)
    known = known_goals(sections)
    for goal in weights:
        if goal not in known:
            where = "--rank" if goal in goals else "[compare.weights]"
            raise InputError(f"{where}: unknown goal '{goal}'; {did_you_mean(goal, known)}")
    return weights


def _in_words(passage: Passage | None) -> str:
    """Return from when to when something is heard."""
    if passage is None:
        return "the whole cue"
    end = "the end" if passage.end_s is None else duration_text(passage.end_s)
    return f"{duration_text(passage.start_s)} to {end}"


def _cue_of(scene_file: SceneFile, name: str) -> str:
    """Return a scene's cue of this name, or its only one; `InputError` if there is none."""
    if len(scene_file.cues) == 1:
        return scene_file.cues[0].name
    return chosen_cues(scene_file, [name])[0].name


def _common_offset(variants: Sequence[SceneVariant]) -> tuple[float, list[str]]:
    """Return the base's offset in s, or what all variants allow, and a warning then."""
    own = variants[0].scene_file.mix_offset
    allowed = min(latest_offset_s(variant.scene_file) for variant in variants[1:])
    if own <= allowed:
        return own, []
    return allowed, [f"offset {allowed:g} s for all, not the base's {own:g} s, as something arrives before that"]


def _run_all(jobs: Sequence[Job], threads: int, tell: Callable[[str, float], None]) -> list[JobResult]:
    """Run jobs on threads of their own: those of `rooms.cores` are busy with what a job computes.

    Responses come one job after the other, on all cores, so that no two jobs compute what both need; meanwhile the
    jobs before are rendered. No more than one job a thread, and one more, are held in memory.
    """
    parts = [0.0] * len(jobs)

    def told(n: int, part: float) -> None:
        parts[n] = part
        tell("variants", sum(parts) / len(parts))

    futures: list[Future[JobResult]] = []
    free = Semaphore(threads)

    def work(n: int, ready: Prepared) -> JobResult:
        try:
            return run(ready, partial(told, n))
        finally:
            free.release()

    with ThreadPoolExecutor(min(threads, len(jobs))) as pool:
        for n, job in enumerate(jobs):
            ready = prepare(job, partial(told, n))
            free.acquire()
            for future in futures:
                if future.done():
                    future.result()  # what went wrong ends it here
            futures.append(pool.submit(work, n, ready))
        return [future.result() for future in futures]


def _write_matched(source: Path, target: Path, gain_db: float, rate: int, seed: int) -> None:
    """Write a mix as FLAC of 16 bits with a gain; all with the same dither, so that it tells none from another."""
    with (
        soundfile.SoundFile(source) as file,
        open_audio(
            target,
            sample_rate=rate,
            channels=2,
            encoding="flac16",
            loudspeakers=STEREO_LOUDSPEAKERS,
            dither_key=seed,
        ) as writer,
    ):
        gain = amplitude(gain_db).astype("float32")
        for block in file.blocks(1 << 16, dtype="float32", always_2d=True):
            writer.write(gain * block.T)


def _variant(variant: SceneVariant, result: JobResult, gain_db: float, audio: str) -> Variant:
    """Return what is told of a variant."""
    by_name = {n.section: n.azimuth_deg for n in result.sections}
    first, second = by_name.get("violins-1"), by_name.get("violins-2")
    mix = result.mix
    peak = mix.loudness.true_peak_dbtp
    return Variant(
        name=variant.name,
        differs=variant.differs,
        plan=result.plan,
        sections=result.sections,
        violins_deg=None if first is None or second is None else abs(second - first),
        left_right_db=mix.left_right_db,
        left_right_course_db=mix.left_right_course_db,
        mono_db=mix.mono_db,
        mono_worst_hz=mix.mono_worst_hz,
        mono_worst_db=mix.mono_worst_db,
        lufs=mix.loudness.lufs,
        true_peak_dbtp=peak if peak > float("-inf") else None,
        gain_db=gain_db,
        audio=audio,
        curves=result.curves,
    )


def _slug(name: str) -> str:
    """Return a variant's name as a part of a file's name."""
    return re.sub(r"[^\w]+", "-", name).strip("-")[:60] or "variant"
