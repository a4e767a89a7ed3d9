"""A render from start to end: a scene file in, files for the session, pictures and a report out."""

from __future__ import annotations

import time
import warnings as python_warnings
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from importlib.metadata import version
from itertools import chain
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from render.cache import response_store
from render.console import set_console
from render.cue_plan import CuePlan
from render.cues import QUICK_DBTP, QUICK_LUFS, cue_peak, write_cue
from render.export import Encoding
from render.file_list import leftovers, write_file_list
from render.memory import give_back, held_mib, memory_notice, peak_mib
from render.mix import heard_arrays, left_out
from render.order import Order, checked_order
from render.passage import Passage
from render.report import Report, Timing, WrittenFile, array_reports, build_report, centre_capsule, mean_of_mid_bands
from render.report_page import write_report
from render.scene_file import SceneFile, read_scene
from render.sidecar import (
    Sidecar,
    SoundHash,
    Stamp,
    console_digest,
    current_sidecar,
    make_sidecar,
    settings_digest,
    unmodified,
    write_sidecar,
)
from render.staging import make_folder, sole_writer, staged
from render.voices import common_rate, cue_voices, parts
from rooms.decay import with_T30
from rooms.errors import InputError
from rooms.images import early_reflections
from rooms.responses import Responses, compute_responses
from rooms.scene import Scene
from rooms.store import Store, StoreWarning
from rooms.units import amplitude

__all__ = ["Progress", "Rendering", "heard_scene", "render_scene", "rendered_lines", "with_asked_T30"]

Progress = Callable[[str, float], None]
"""Called with what is being done and the part of it done, 0 … 1."""

REFLECTIONS_S = 0.25
"""How far the picture of early reflections looks, in s."""


@dataclass(frozen=True, eq=False)
class Rendering:
    """What a render made.

    Attributes
    ----------
    folder : Path
        Where it was written.
    report : Report
        Everything in numbers; also in the folder, as report.json and report.html.
    responses : Responses
        What it was rendered with, but for the samples.
    mixes : tuple of WrittenFile
        The stereo mix of each cue asked for.
    kept : tuple of str
        Cues asked for that were current, and left as they were.
    """

    folder: Path
    report: Report
    responses: Responses
    mixes: tuple[WrittenFile, ...]
    kept: tuple[str, ...]


def render_scene(
    scene_path: Path,
    folder: Path,
    *,
    cues: Sequence[str] = (),
    passage: Passage | None = None,
    quick: bool = False,
    stems: bool = False,
    encoding: Encoding = "float32",
    force: bool = False,
    progress: Progress | None = None,
    notice: Callable[[str], None] | None = None,
) -> Rendering:
    """Render cues of a scene, one after the other.

    Parameters
    ----------
    scene_path : Path
        The scene file.
    folder : Path
        Where mix, stems, figures and report are written; made if it doesn't exist. Files of the same names are
        replaced, those of a cue together when the last of them is whole; whatever goes wrong before, they stay as
        they were. A sidecar notes what a cue was rendered from, and a cue that is current is not rendered again.
    cues : sequence of str
        Names of those to render; empty: all.
    passage : Passage, optional
        Only this part of one cue, with the reverberation of what came before: the same samples as in the whole, in a
        folder of its own below ``passages``.
    quick : bool
        A quick listen: the stereo mix alone, below ``quick``, at `QUICK_LUFS` or as loud as `QUICK_DBTP` allows.
    stems : bool
        Also write every section through every array.
    encoding : {"float32", "pcm24", "pcm16", "flac24", "flac16"}
        Of the audio files.
    force : bool
        Render again what is current.
    progress : callable, optional
        Told what is being done and how far it is.
    notice : callable, optional
        Told in a line what is worth knowing before a cue starts: that it takes much memory.

    Raises
    ------
    InputError
        In one line, for whatever is wrong with scene, stems, options or folder.
    SitzprobeError
        If another render is writing to the folder.
    """
    tell = progress or (lambda _what, _part: None)
    tell("scene and stems", 0.0)
    say = notice or (lambda _text: None)
    order = checked_order(read_scene(scene_path), folder, cues, passage, quick, stems, encoding, force, say)
    rate, notes_of_rates = common_rate(order.scene_file, order.headers)
    warnings = [*order.remarks, *order.scene_file.stem_notes, *notes_of_rates, *left_out(order.scene_file)]
    tell("scene and stems", 1.0)
    with sole_writer(order.folder):
        for name in order.folders:
            make_folder(order.folder / name)
        began = time.perf_counter()
        store = response_store()
        with _noted(warnings):
            scene_file = with_asked_T30(order.scene_file, store, tell)
        scene = heard_scene(scene_file, order.halved, rate)
        with _noted(warnings):
            responses = compute_responses(scene, lambda part: tell("responses", part), store)
        console = set_console(scene_file, responses)
        responses = responses.without_samples()  # the console has what is convolved
        responses_s = time.perf_counter() - began

        began = time.perf_counter()
        plans, notes = {}, {}
        for cue in scene_file.cues:
            voices, start, notes[cue.name] = cue_voices(scene_file, cue, order.headers, order.halved, rate)
            plan = CuePlan(
                cue.name,
                tuple(voices),
                console,
                order.files[cue.name],
                rate,
                start,
                first=0,
                last=0,
                stems=stems,
                mix_only=quick,
                output=scene_file.output,
            )
            plans[cue.name] = replace(plan, last=plan.latest_end)
        work = _Work(order, plans, notes, scene.seed, tell)
        written = _render_whole(work) if order.whole else _render_preview(work)
        render_s = time.perf_counter() - began

        tell("figures and report", 0.0)
        files = list(chain.from_iterable(cue.files for cue in written.values()))
        if order.whole:
            warnings += leftovers(order.folder, files)
        heard_s = sum(cue.input_s for cue in written.values() if not cue.kept)
        report = build_report(
            title=scene_file.title or scene_file.path.stem,
            responses=responses,
            asked_T30=scene_file.asked_T30,
            files=files,
            timing=Timing(responses_s, render_s, heard_s / render_s if heard_s else None, peak_mib()),
            warnings=[*_remarks(order, written), *warnings, *chain.from_iterable(c.warnings for c in written.values())],
            mix_gain_db=console.gain_db,
            mix_offset_s=scene_file.mix_offset,
            arrays=array_reports(scene_file),
            version=version("sitzprobe"),
        )
        with staged(order.folder, ("figures",) if order.whole else ()) as staging:
            write_report(report, _figures(report, responses, staging / "figures") if order.whole else [], staging)
            write_file_list(report.files, staging / "files.csv")
    tell("figures and report", 1.0)
    asked = [written[cue.name] for cue in order.cues]
    kept = tuple(cue.name for cue in order.cues if written[cue.name].kept)
    return Rendering(order.folder, report, responses, tuple(cue.files[0] for cue in asked), kept)


def rendered_lines(done: Rendering) -> Iterator[str]:
    """Say where a render wrote, and the few numbers that matter."""
    report = done.report
    hall, timing = report.hall, report.timing
    middle = mean_of_mid_bands(hall.T30_s)
    asked = f", asked {hall.asked_T30_s:g} s" if isinstance(hall.asked_T30_s, float) else ""
    rings = f"T30 {middle:.2f} s (500 Hz and 1 kHz{asked})" if middle is not None else "no reverberation"
    yield f"{report.title}: {hall.name}, {hall.volume_m3:.0f} m³, {rings}"
    for file in done.mixes:
        levels = [(file.peak_dbfs, "dBFS peak"), (file.true_peak_dbtp, "dBTP"), (file.lufs, "LUFS")]
        shown = ", ".join(f"{level:.1f} {unit}" for level, unit in levels if level is not None)
        yield f"{done.folder / file.path}: {file.samples / file.sample_rate:.1f} s, {shown or 'silence'}"
    if done.kept:
        yield f"kept, rendered from the same before: {', '.join(done.kept)}"
    yield f"{len(report.files)} audio files in {done.folder}; figures and numbers in {done.folder / 'report.html'}"
    memory = f", {timing.peak_memory_mib:.0f} MiB" if timing.peak_memory_mib is not None else ""
    speed = f" ({timing.realtime_factor:.0f} × real time)" if timing.realtime_factor is not None else ""
    yield f"responses {timing.responses_s:.1f} s, rendering {timing.render_s:.1f} s{speed}{memory}"
    yield "Start playback low: long loud listening damages hearing."


@dataclass(frozen=True, eq=False)
class _Work:
    """What a render has to do, cue by cue.

    Attributes
    ----------
    order : Order
        What was asked.
    plans : mapping
        All cues, by name.
    notes : mapping
        What is known of their stems before they are read.
    seed : int
        Of the dither.
    tell : callable
        Told what is being done and how far it is.
    """

    order: Order
    plans: Mapping[str, CuePlan]
    notes: Mapping[str, list[str]]
    seed: int
    tell: Progress


@dataclass(frozen=True)
class _WrittenCue:
    """A cue's files in the folder; `kept` if they were there before."""

    files: Sequence[WrittenFile]
    warnings: Sequence[str]
    input_s: float
    kept: bool


def _render_whole(work: _Work) -> dict[str, _WrittenCue]:
    """Render the cues that are asked for and not current; return all that are current then, in the scene's order."""
    order, plans = work.order, work.plans
    asked = {cue.name for cue in order.cues}
    console = console_digest(next(iter(plans.values())).console)
    settings = {name: settings_digest(plan, console, order.encoding, work.seed) for name, plan in plans.items()}
    current: dict[str, Sidecar] = {}
    for name, plan in plans.items():
        found = current_sidecar(plan, settings[name], order.stamps, order.folder)
        if found is not None and not (order.force and name in asked):
            current[name] = found
    kept = set(current)
    wanted = [plan for name, plan in plans.items() if name in asked - kept]
    count = _counter(work.tell, wanted)
    for plan in wanted:
        sound, warnings = SoundHash(), list(work.notes[plan.name])
        files = _write(work, plan, count, warnings, sound.hear, _peak_of_others(work, plan, current))
        current[plan.name] = make_sidecar(
            plan, settings[plan.name], sound.digest, order.stamps, order.folder, files, warnings
        )
        write_sidecar(order.folder, current[plan.name])
    return {
        name: _WrittenCue(
            [file for file, _ in current[name].files], current[name].warnings, _input_s(plan), name in kept
        )
        for name, plan in plans.items()
        if name in current
    }


def _render_preview(work: _Work) -> dict[str, _WrittenCue]:
    """Render the cues that are asked for as a passage or for a quick listen."""
    order = work.order
    wanted = []
    for cue in order.cues:
        plan = work.plans[cue.name]
        if order.passage is not None:
            first, last = order.passage.samples(cue.name, plan.rate, plan.last)
            plan = replace(plan, first=first, last=last)
        wanted.append(plan)
    count = _counter(work.tell, wanted)
    written = {}
    for plan in wanted:
        warnings = list(work.notes[plan.name])
        # What is wrong with a stem as a whole can't be told from a part of it.
        hints = warnings if order.passage is None else []
        files = _write(work, plan, count, hints, None, _peak_of_others(work, plan, {}))
        written[plan.name] = _WrittenCue(files, warnings, plan.seconds, kept=False)
    return written


def _write(
    work: _Work,
    plan: CuePlan,
    count: Callable[[int], None],
    warnings: list[str],
    hear: Callable[[NDArray[np.float32]], None] | None,
    loudest: Callable[[], float] | None,
) -> list[WrittenFile]:
    """Write a cue's files, all of them or none; add to the warnings what is worth knowing of its memory and stems."""
    order = work.order
    give_back()  # what responses and earlier cues took
    large = memory_notice(plan, held_mib())
    if large is not None:
        order.notice(large)
        warnings.append(large)
    with staged(order.folder, order.folders) as staging, _unchanged(plan, order.stamps):
        return write_cue(
            plan,
            staging,
            order.encoding,
            work.seed,
            count,
            warn=lambda text: warnings.append(f"cue '{plan.name}': {text}"),
            hear=hear,
            loudest=loudest,
        )


@contextmanager
def _unchanged(plan: CuePlan, stamps: Mapping[Path, Stamp]) -> Iterator[None]:
    """Refuse what was read from stems that somebody wrote to meanwhile; what went wrong may come from that, too."""

    def refuse_changed() -> None:
        for path in dict.fromkeys(voice.path for voice in plan.voices):
            if not unmodified(path, stamps[path]):
                raise InputError(f"{path}: changed while cue '{plan.name}' was rendered from it; render again")

    try:
        yield
    except InputError:
        refuse_changed()
        raise
    refuse_changed()


def _peak_of_others(work: _Work, plan: CuePlan, current: Mapping[str, Sidecar]) -> Callable[[], float] | None:
    """Return what finds the highest sample of all cues, whole, but this one; None where there is nothing else."""
    others = {name: other for name, other in work.plans.items() if other is not plan}

    def peak() -> float:
        unknown = [other for name, other in others.items() if name not in current]
        count = _counter(work.tell, unknown, "peaks of all cues")
        levels = [f.peak_dbfs for name in others if name in current for f, _ in current[name].files]
        known = max((float(amplitude(level)) for level in levels if level is not None), default=0.0)
        return max([known, *(cue_peak(other, count) for other in unknown)])

    return peak if others else None


def _counter(tell: Progress, plans: Sequence[CuePlan], what: str | None = None) -> Callable[[int], None]:
    """Return what is told how many samples more are done, and tells how much of all these cues is."""
    if what is None:
        what = f"rendering {plans[0].name}" if len(plans) == 1 else f"rendering {len(plans)} cues"
    total = sum(plan.computed for plan in plans)
    done = 0

    def count(samples: int) -> None:
        nonlocal done
        done += samples
        tell(what, done / total)

    return count


def _input_s(plan: CuePlan) -> float:
    """Return how long the stems of a cue are together, in s."""
    return max(voice.samples for voice in plan.voices) / plan.rate


def _remarks(order: Order, written: Mapping[str, _WrittenCue]) -> list[str]:
    """Return what a report says of what it is a report of."""
    if order.whole:
        missing = [cue.name for cue in order.scene_file.cues if cue.name not in written]
        return [f"cue '{name}' has not been rendered from this scene; this report leaves it out" for name in missing]
    remarks = []
    if order.passage is not None:
        remarks.append(
            f"a passage, {order.passage.label}, of cue '{order.cues[0].name}', with what rang before it"
            + ("" if order.quick else ": the same samples as in the whole cue")
        )
    if order.quick:
        remarks.append(
            f"a quick listen, not for delivery: the stereo mix alone, set to {QUICK_LUFS:g} LUFS or as loud as "
            f"{QUICK_DBTP:g} dBTP allows"
        )
    return remarks


def _figures(report: Report, responses: Responses, folder: Path) -> list[Path]:
    """Draw the report's pictures."""
    from render.figures import save_figures  # matplotlib takes its time to import and is wanted only now

    scene = responses.scene
    _, capsule = scene.capsules[centre_capsule(scene)]
    reflections = {
        s.name: early_reflections(scene.hall, s.centre, capsule.position, REFLECTIONS_S) for s in scene.sections
    }
    return list(save_figures(report, responses, reflections, folder))


@contextmanager
def _noted(warnings: list[str]) -> Iterator[None]:
    """Add what the store warns of to a report's warnings, each once."""
    with python_warnings.catch_warnings(record=True) as caught:
        python_warnings.simplefilter("always", StoreWarning)
        yield
    warnings += dict.fromkeys(str(w.message) for w in caught if issubclass(w.category, StoreWarning))
    for other in (w for w in caught if not issubclass(w.category, StoreWarning)):
        python_warnings.warn_explicit(other.message, other.category, other.filename, other.lineno)


def heard_scene(scene_file: SceneFile, halved: Collection[str], rate: int) -> Scene:
    """Return the acoustic scene that is rendered: sections or their halves, and the arrays that are heard."""
    seated = tuple(part for section in scene_file.sections for part in parts(section, halved))
    return replace(scene_file, sections=seated, arrays=heard_arrays(scene_file)).scene(rate)


def with_asked_T30(scene_file: SceneFile, store: Store, tell: Progress) -> SceneFile:
    """Return the scene with its hall ringing as asked, or say where it was asked in vain."""
    if scene_file.asked_T30 is None:
        return scene_file
    tell("absorption for the asked T30", 0.0)
    try:
        hall = with_T30(scene_file.hall, scene_file.asked_T30, store)
    except InputError as error:
        raise scene_file.file.error(("hall", "T30"), str(error)) from error
    tell("absorption for the asked T30", 1.0)
    return replace(scene_file, hall=hall)
