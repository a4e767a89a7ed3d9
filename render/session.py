"""A render from start to end: a scene file in, files for the session, pictures and a report out."""

from __future__ import annotations

import shutil
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, replace
from importlib.metadata import version
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from render.console import Console, set_console
from render.convolve import convolve_groups
from render.export import AudioWriter, Encoding, open_audio
from render.loudness import LoudnessMeter
from render.mix import heard_arrays, left_out
from render.report import Report, Timing, WrittenFile, build_report, centre_capsule, write_report
from render.scene_file import Cue, SceneFile, read_scene
from render.voices import Voice, common_rate, cue_voices, halved_sections, parts, probe_stems, read_voices, section_of
from rooms.decay import with_T30
from rooms.errors import InputError
from rooms.images import early_reflections
from rooms.responses import Responses, compute_responses
from rooms.units import level_db

__all__ = ["Progress", "Rendering", "render_scene"]

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
        What it was rendered with.
    mixes : tuple of WrittenFile
        The stereo mix of each cue.
    """

    folder: Path
    report: Report
    responses: Responses
    mixes: tuple[WrittenFile, ...]


def render_scene(
    scene_path: Path,
    folder: Path,
    *,
    stems: bool = False,
    encoding: Encoding = "float32",
    progress: Progress | None = None,
) -> Rendering:
    """Render all cues of a scene.

    Parameters
    ----------
    scene_path : Path
        The scene file.
    folder : Path
        Where mix, stems, figures and report are written; made if it doesn't exist. Files of the same names are
        replaced, all of them once the last one is whole; whatever goes wrong before, they stay as they were.
    stems : bool
        Also write every section through every array.
    encoding : {"float32", "pcm24", "pcm16"}
        Of the audio files.
    progress : callable, optional
        Told what is being done and how far it is.

    Raises
    ------
    InputError
        In one line, for whatever is wrong with scene, stems or folder.
    """
    tell = progress or (lambda _what, _part: None)
    tell("scene and stems", 0.0)
    scene_file = read_scene(scene_path)
    headers = probe_stems(scene_file)
    rate, notes = common_rate(scene_file, headers)
    warnings = [*scene_file.stem_notes, *notes, *left_out(scene_file)]
    arrays = heard_arrays(scene_file)
    folders = ("mix", "figures", *(["stems"] if stems else []))
    for name in folders:
        _make_folder(folder / name)
    tell("scene and stems", 1.0)

    began = time.perf_counter()
    scene_file = _with_asked_T30(scene_file, tell)
    halved = halved_sections(scene_file, headers)
    seated = tuple(part for section in scene_file.sections for part in parts(section, halved))
    scene = replace(scene_file, sections=seated, arrays=arrays).scene(rate)
    responses = compute_responses(scene, lambda part: tell("responses", part))
    console = set_console(scene_file, responses)
    responses_s = time.perf_counter() - began

    with _staged(folder, folders) as staging:
        began = time.perf_counter()
        files: list[WrittenFile] = []
        mixes: list[WrittenFile] = []
        heard_s = 0.0
        for cue in scene_file.cues:
            voices, start, notes = cue_voices(scene_file, cue, headers, halved, rate)
            warnings += notes
            heard_s += max(voice.samples for voice in voices) / rate
            written = _render_cue(
                cue, voices, start, scene.seed, rate, console, staging, stems, encoding, tell, warnings
            )
            files += written
            mixes.append(written[0])
        render_s = time.perf_counter() - began

        tell("figures and report", 0.0)
        from render.figures import save_figures  # matplotlib takes its time to import and is wanted only now

        report = build_report(
            title=scene_file.title or scene_file.path.stem,
            responses=responses,
            asked_T30=scene_file.asked_T30,
            files=files,
            timing=Timing(responses_s, render_s, heard_s / render_s, _peak_memory_mib()),
            warnings=warnings,
            mix_gain_db=console.gain_db,
            mix_offset_s=scene_file.mix_offset,
            version=version("sitzprobe"),
        )
        _, capsule = scene.capsules[centre_capsule(scene)]
        reflections = {s.name: early_reflections(scene.hall, s.centre, capsule.position, REFLECTIONS_S) for s in seated}
        write_report(report, save_figures(report, responses, reflections, staging / "figures"), staging)
    tell("figures and report", 1.0)
    return Rendering(folder, report, responses, tuple(mixes))


def _render_cue(
    cue: Cue,
    voices: Sequence[Voice],
    start: int,
    seed: int,
    rate: int,
    console: Console,
    folder: Path,
    stems: bool,
    encoding: Encoding,
    tell: Progress,
    warnings: list[str],
) -> list[WrittenFile]:
    """Read, convolve, mix and write one cue block by block; add what may be wrong with its stems to the warnings.

    The first file returned is the stereo mix.
    """
    rows = [console.sections.index(voice.section) for voice in voices]
    # Only a cue without some section needs a copy.
    responses = console.responses if rows == list(range(len(console.sections))) else console.responses[rows]
    playing = list(dict.fromkeys(section_of(voice.section) for voice in voices)) if stems else []
    groups = [[n for n, v in enumerate(voices) if section_of(v.section) == name] for name in playing]
    total = max(voice.samples for voice in voices) + responses.shape[2] - 1
    outputs: list[_Output] = []
    with ExitStack() as stack:

        def output(name: str, channels: int) -> _Output:
            writer = stack.enter_context(
                open_audio(
                    folder / name,
                    sample_rate=rate,
                    channels=channels,
                    encoding=encoding,
                    loudspeakers=False,
                    time_reference=start,
                    dither_key=seed + len(outputs),
                )
            )
            outputs.append(_Output(name, writer, LoudnessMeter(rate, channels) if channels == 2 else None))
            return outputs[-1]

        mix = output(f"mix/{cue.name}.wav", 2)
        of_arrays = {array: output(f"mix/{cue.name}_{array}.wav", 2) for array in console.channels}
        of_capsules = [output(f"mix/{cue.name}_{array}_{capsule}.wav", 1) for array, capsule in console.capsules]
        of_stems = [
            {array: output(f"stems/{cue.name}_{section}_{array}.wav", 2) for array in console.channels}
            for section in playing
        ]
        done = 0
        signals = read_voices(voices, rate, lambda text: warnings.append(f"cue '{cue.name}': {text}"))
        for block in convolve_groups(signals, responses, groups or [range(len(voices))]):
            heard = block.sum(axis=0)
            for file, signal in zip(of_capsules, heard, strict=True):
                file.take(signal[None])
            stereo = {array: console.law[:, m] @ heard[m] for array, m in console.channels.items()}
            for array, signal in stereo.items():
                of_arrays[array].take(signal)
            mix.take(np.sum(list(stereo.values()), axis=0))
            for files, signals in zip(of_stems, block, strict=False):
                for array, m in console.channels.items():
                    files[array].take(console.law[:, m] @ signals[m])
            done += heard.shape[1]
            tell(f"rendering {cue.name}", done / total)
        max(outputs, key=lambda file: file.writer.peak).writer.refuse_clipping()
    return [file.written(rate, total) for file in outputs]


@dataclass(frozen=True)
class _Output:
    """A file being written, and its meter if it is a loudspeaker signal."""

    name: str
    writer: AudioWriter
    meter: LoudnessMeter | None

    def take(self, block: NDArray[np.float32]) -> None:
        """Write and measure (channels, n) samples."""
        self.writer.write(block)
        if self.meter is not None:
            self.meter.add(block)

    def written(self, rate: int, samples: int) -> WrittenFile:
        """Return what the report says of the file."""
        peak = _finite(float(level_db(self.writer.peak)))
        if self.meter is None:
            reason = "a single capsule is no loudspeaker signal"
            return WrittenFile(self.name, rate, 1, samples, peak, None, None, reason)
        found = self.meter.result()
        return WrittenFile(self.name, rate, 2, samples, peak, found.lufs, _finite(found.true_peak_dbtp), found.reason)


def _with_asked_T30(scene_file: SceneFile, tell: Progress) -> SceneFile:
    """Return the scene with its hall ringing as asked, or say where it was asked in vain."""
    if scene_file.asked_T30 is None:
        return scene_file
    tell("absorption for the asked T30", 0.0)
    try:
        hall = with_T30(scene_file.hall, scene_file.asked_T30)
    except InputError as error:
        raise scene_file.file.error(("hall", "T30"), str(error)) from error
    tell("absorption for the asked T30", 1.0)
    return replace(scene_file, hall=hall)


def _make_folder(folder: Path) -> None:
    """Make a folder that can be written to, or say why not."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
        trial = folder / ".writable"
        trial.touch()
        trial.unlink()
    except OSError as error:
        reason = error.strerror or str(error)
        raise InputError(f"cannot write to {folder}: {reason}; choose a folder you can write to") from error


@contextmanager
def _staged(folder: Path, names: Sequence[str]) -> Iterator[Path]:
    """Yield a folder with empty folders of these names; its files replace those of `folder` when all are written."""
    staging = folder / ".part"
    shutil.rmtree(staging, ignore_errors=True)  # of a render that was killed
    try:
        for name in names:
            _make_folder(staging / name)
        yield staging
        targets = {path: folder / path.relative_to(staging) for path in staging.rglob("*") if path.is_file()}
        for target in targets.values():
            if target.is_dir():
                raise InputError(f"cannot write {target}: is a folder; rename it or choose another folder")
        try:
            for path, target in targets.items():
                path.replace(target)
        except OSError as error:
            raise InputError(f"cannot write to {folder}: {error.strerror}; choose a folder you can write to") from error
    except InputError as error:
        # The user knows the place a file was meant for, not where it waited.
        raise InputError(str(error).replace(str(staging), str(folder)), at=error.at) from error
    finally:
        shutil.rmtree(staging, ignore_errors=True)


def _finite(level: float) -> float | None:
    """Return a level, or None for the minus infinity of silence."""
    return level if np.isfinite(level) else None


def _peak_memory_mib() -> float | None:
    """Return the most memory this process has held, in MiB; None where the system doesn't tell."""
    status = Path("/proc/self/status")
    if status.exists():  # Linux; what `resource` says there may be the parent's
        held = next(line for line in status.read_text().splitlines() if line.startswith("VmHWM"))
        return int(held.split()[1]) / 1024
    try:
        import resource
    except ImportError:  # Windows
        return None
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return peak / (1 << 20 if sys.platform == "darwin" else 1 << 10)
