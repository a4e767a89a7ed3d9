"""A render from start to end: a scene file in, files for the session, pictures and a report out."""

from __future__ import annotations

import sys
import time
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, replace
from importlib.metadata import version
from itertools import chain, zip_longest
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from render.convolve import convolve_groups
from render.export import Encoding, WaveWriter, open_wave
from render.loudness import LoudnessMeter
from render.mix import capsule_delays, default_gain_db, main_array, stereo_law
from render.report import Report, Timing, WrittenFile, build_report, centre_capsule, write_report
from render.scene_file import Cue, SceneFile, read_scene, require_stems
from render.stems import StemInfo, probe, read_blocks
from rooms.decay import with_T30
from rooms.errors import InputError
from rooms.images import early_reflections
from rooms.players import Section
from rooms.responses import Responses, compute_responses
from rooms.units import amplitude, level_db

__all__ = ["Progress", "Rendering", "render_scene"]

Progress = Callable[[str, float], None]
"""Called with what is being done and the part of it done, 0 … 1."""

BLOCK = 1 << 16
"""Samples read at once."""

REFLECTIONS_S = 0.25
"""How far the picture of early reflections looks, in s."""


@dataclass(frozen=True, eq=False)
class Rendering:
    """What a render made.

    Attributes
    ----------
    folder : Path
        Where it was written.
    files : tuple of WrittenFile
        The audio files.
    report : Report
        Everything in numbers; also in the folder as report.json and report.html.
    responses : Responses
        What it was rendered with.
    """

    folder: Path
    files: tuple[WrittenFile, ...]
    report: Report
    responses: Responses


@dataclass(frozen=True)
class _Voice:
    """One signal that sounds from one place: a mono stem, or one side of a stereo stem."""

    section: str
    path: Path
    channel: int
    fold: bool
    late: int  # samples after the cue's start at which the stem begins


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
        replaced, each only once it is whole.
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
    tell("reading scene and stems", 0.0)
    scene_file = read_scene(scene_path)
    require_stems(scene_file)
    headers = {path: probe(path) for cue in scene_file.cues for path in cue.stems.values()}
    rate, warnings = _common_rate(scene_file, headers)
    arrays = tuple(array for array in scene_file.arrays if not scene_file.buses[array.name].mute)
    if not arrays:
        raise scene_file.file.error(("arrays",), "all arrays are muted; nothing would be heard")
    for name in ("mix", "figures", *(["stems"] if stems else [])):
        _make_folder(folder / name)

    began = time.perf_counter()
    if scene_file.asked_T30 is not None:
        tell("absorption for the reverberation time asked", 0.0)
        scene_file = replace(scene_file, hall=_asked(scene_file))
    halved = {section for cue in scene_file.cues for section in cue.stems if _is_halved(scene_file, cue, section, headers)}
    seated = tuple(part for section in scene_file.sections for part in _parts(section, section.name in halved))
    scene = replace(scene_file, sections=seated, arrays=arrays).scene(rate)
    responses = compute_responses(scene, progress)
    responses_s = time.perf_counter() - began

    began = time.perf_counter()
    console = _console(scene_file, responses)
    files: list[WrittenFile] = []
    for cue in scene_file.cues:
        voices, start, notes = _voices(scene_file, cue, headers, halved, rate)
        warnings += notes
        files += _render_cue(cue, voices, start, console, headers, folder, stems, encoding, tell)
    render_s = time.perf_counter() - began
    heard = sum(_longest(cue, headers) for cue in scene_file.cues)
    timing = Timing(
        responses_s=responses_s,
        render_s=render_s,
        realtime_factor=heard / render_s,
        peak_memory_mib=_peak_memory_mib(),
    )

    tell("figures and report", 0.0)
    from render.figures import save_figures  # matplotlib: seconds to import, wanted only now

    report = build_report(
        title=scene_file.title or scene_file.path.stem,
        responses=responses,
        asked_T30=scene_file.asked_T30,
        files=files,
        timing=timing,
        warnings=warnings,
        mix_gain_db=console.gain_db,
        mix_offset_s=scene_file.mix_offset,
        version=version("sitzprobe"),
    )
    _, capsule = scene.capsules[centre_capsule(scene)]
    reflections = {s.name: early_reflections(scene.hall, s.centre, capsule.position, REFLECTIONS_S) for s in seated}
    figures = save_figures(report, responses, reflections, folder / "figures")
    write_report(report, figures, folder)
    tell("figures and report", 1.0)
    return Rendering(folder, tuple(files), report, responses)


@dataclass(frozen=True, eq=False)
class _Console:
    """Responses with all gains and delays applied, and what they are summed to.

    ``responses`` (sections, capsules, samples) at the outputs' level; ``law`` (2, capsules); ``channels`` gives each
    array's capsules.
    """

    responses: NDArray[np.float32]
    law: NDArray[np.float32]
    channels: dict[str, slice]
    sections: tuple[str, ...]
    capsules: tuple[tuple[str, str], ...]
    gain_db: float
    rate: int
    seed: int


def _console(scene_file: SceneFile, responses: Responses) -> _Console:
    """Apply gains, delays and the offset to the responses.

    Raises
    ------
    InputError
        If something arrives before the offset, naming the capsule.
    """
    scene = responses.scene
    c, rate = scene.hall.speed_of_sound, scene.sample_rate
    main = main_array(scene.arrays)
    gain_db = default_gain_db(scene_file) if scene_file.mix_gain is None else scene_file.mix_gain
    delays = capsule_delays(scene.arrays, scene_file.sections, scene_file.buses, main, c) - scene_file.mix_offset
    early = responses.arrivals + delays
    if early.min() < 0.0:
        section, index = np.unravel_index(int(early.argmin()), early.shape)
        array, capsule = scene.capsules[index]
        raise scene_file.file.error(
            ("mix", "offset"),
            f"found {scene_file.mix_offset:g} s, but section '{scene.sections[section].name}' arrives at capsule "
            f"'{capsule.name}' of array '{array.name}' {-early.min() * 1e3:.1f} ms before that; "
            f"allowed: up to {scene_file.mix_offset + early.min():.4f} s",
        )
    shifts = np.rint(delays * rate).astype(int)
    bus_gains = [scene_file.buses[array.name].gain for array, _ in scene.capsules]
    gains = amplitude(gain_db + np.array(bus_gains))
    section_gains = amplitude([scene_file.section_gains[_owner(s.name)] for s in scene.sections])
    length = responses.samples.shape[2] + int(shifts.max())
    moved = np.zeros((*responses.samples.shape[:2], length), dtype=np.float32)
    for m, shift in enumerate(shifts):
        source = responses.samples[:, m, max(-shift, 0) :]
        at = max(shift, 0)
        moved[:, m, at : at + source.shape[1]] = source * (gains[m] * section_gains[:, None]).astype(np.float32)
    channels, begin = {}, 0
    for array in scene.arrays:
        channels[array.name] = slice(begin, begin + len(array.capsules))
        begin += len(array.capsules)
    return _Console(
        responses=moved,
        law=stereo_law(scene.arrays, scene_file.sections, main, c).astype(np.float32),
        channels=channels,
        sections=tuple(s.name for s in scene.sections),
        capsules=tuple((array.name, capsule.name) for array, capsule in scene.capsules),
        gain_db=gain_db,
        rate=rate,
        seed=scene.seed,
    )


def _render_cue(
    cue: Cue,
    voices: Sequence[_Voice],
    start: int,
    console: _Console,
    headers: dict[Path, StemInfo],
    folder: Path,
    stems: bool,
    encoding: Encoding,
    tell: Progress,
) -> list[WrittenFile]:
    """Render one cue: read, convolve, mix and write block by block; nothing appears unless all of it is whole."""
    rows = [console.sections.index(voice.section) for voice in voices]
    responses = console.responses[rows]
    playing = list(dict.fromkeys(_owner(voice.section) for voice in voices))
    groups = [[n for n, v in enumerate(voices) if _owner(v.section) == s] for s in playing] if stems else [range(len(rows))]
    total = max(_length(v, headers, console.rate) for v in voices) + responses.shape[2] - 1
    what = f"rendering {cue.name}"
    outputs: list[_Output] = []
    with ExitStack() as stack:

        def add(name: str, channels: int, meter: bool) -> _Output:
            writer = stack.enter_context(
                open_wave(
                    folder / name,
                    sample_rate=console.rate,
                    channels=channels,
                    encoding=encoding,
                    loudspeakers=False,
                    time_reference=start,
                    dither_seed=console.seed + len(outputs),
                )
            )
            outputs.append(_Output(name, writer, LoudnessMeter(console.rate, channels) if meter else None))
            return outputs[-1]

        mix = add(f"mix/{cue.name}.wav", 2, meter=True)
        per_array = {array: add(f"mix/{cue.name}_{array}.wav", 2, meter=True) for array in console.channels}
        per_capsule = [add(f"mix/{cue.name}_{array}_{capsule}.wav", 1, meter=False) for array, capsule in console.capsules]
        per_stem = [
            {array: add(f"stems/{cue.name}_{section}_{array}.wav", 2, meter=True) for array in console.channels}
            for section in (playing if stems else [])
        ]
        done = 0
        for block in convolve_groups(_read(voices, console.rate), responses, groups):
            heard = block.sum(axis=0) if len(groups) > 1 else block[0]
            for output, signal in zip(per_capsule, heard, strict=True):
                output.take(signal[None])
            both = np.zeros((2, heard.shape[1]), dtype=np.float32)
            for array, channels in console.channels.items():
                stereo = console.law[:, channels] @ heard[channels]
                per_array[array].take(stereo)
                both += stereo
                for files, part in zip(per_stem, block, strict=False):
                    files[array].take(console.law[:, channels] @ part[channels])
            mix.take(both)
            done += heard.shape[1]
            tell(what, done / total)
    return [output.written(console.rate, total) for output in outputs]


@dataclass(frozen=True)
class _Output:
    """A file being written, and its meter if it is a loudspeaker signal."""

    name: str
    writer: WaveWriter
    meter: LoudnessMeter | None

    def take(self, block: NDArray[np.float32]) -> None:
        """Write and measure (channels, n) samples."""
        self.writer.write(block)
        if self.meter is not None:
            self.meter.add(block)

    def written(self, rate: int, samples: int) -> WrittenFile:
        """Return what the report says of the file."""
        lufs, true_peak = None, None
        reason: str | None = "a single capsule is no loudspeaker signal"
        if self.meter is not None:
            loudness = self.meter.result()
            lufs, reason, true_peak = loudness.lufs, loudness.reason, _finite(loudness.true_peak_dbtp)
        channels = 1 if self.meter is None else 2
        peak = _finite(float(level_db(self.writer.peak)))
        return WrittenFile(self.name, rate, channels, samples, peak, lufs, true_peak, reason)


def _read(voices: Sequence[_Voice], rate: int) -> Iterator[NDArray[np.float32]]:
    """Read all voices side by side, (voices, n) blocks; shorter stems end in silence."""
    streams = [_stream(voice, rate) for voice in voices]
    for parts in zip_longest(*streams):
        length = max(part.shape[0] for part in parts if part is not None)
        block = np.zeros((len(voices), length), dtype=np.float32)
        for row, part in zip(block, parts, strict=True):
            if part is not None:
                row[: part.shape[0]] = part
        yield block


def _stream(voice: _Voice, rate: int) -> Iterator[NDArray[np.float32]]:
    """Read one voice in blocks of `BLOCK` samples, after the silence it starts with."""
    pieces = chain(
        (np.zeros(min(BLOCK, voice.late - at), dtype=np.float32) for at in range(0, voice.late, BLOCK)),
        (block[voice.channel] for block in read_blocks(voice.path, rate, BLOCK, fold=voice.fold)),
    )
    kept = np.zeros(0, dtype=np.float32)
    for piece in pieces:
        kept = np.concatenate([kept, piece]) if kept.size else piece
        if kept.size >= BLOCK:
            yield kept[:BLOCK]
            kept = kept[BLOCK:]
    if kept.size:
        yield kept


def _common_rate(scene_file: SceneFile, headers: dict[Path, StemInfo]) -> tuple[int, list[str]]:
    """Return the outputs' rate in Hz, the scene's or the one most stems have, and notes on those that differ."""
    counts = Counter(header.sample_rate for header in headers.values())
    rate = scene_file.scene_rate or max(counts, key=lambda r: (counts[r], r))
    notes = [
        f"{header.path.name} is at {header.sample_rate} Hz and was resampled to {rate} Hz"
        for header in headers.values()
        if header.sample_rate != rate
    ]
    return rate, notes


def _asked(scene_file: SceneFile):  # type: ignore[no-untyped-def]
    """Return the hall with the reverberation time asked for, or say where it was asked."""
    assert scene_file.asked_T30 is not None
    try:
        return with_T30(scene_file.hall, scene_file.asked_T30)
    except InputError as error:
        raise scene_file.file.error(("hall", "T30"), str(error)) from error


def _is_halved(scene_file: SceneFile, cue: Cue, section: str, headers: dict[Path, StemInfo]) -> bool:
    """Tell whether a stem's two sides are to be seated as the section's halves."""
    return headers[cue.stems[section]].channels == 2 and not scene_file.fold[section]


SIDES = (" (left half)", " (right half)")


def _parts(section: Section, halved: bool) -> tuple[Section, ...]:
    """Return a section, or its halves under names of their own."""
    if not halved:
        return (section,)
    return tuple(replace(half, name=section.name + side) for half, side in zip(section.halves(), SIDES, strict=True))


def _owner(name: str) -> str:
    """Return the section a half belongs to."""
    for side in SIDES:
        name = name.removesuffix(side)
    return name


def _voices(
    scene_file: SceneFile, cue: Cue, headers: dict[Path, StemInfo], halved: set[str], rate: int
) -> tuple[list[_Voice], int, list[str]]:
    """Return a cue's voices, the time reference of its start in samples, and notes.

    Stems that all carry a broadcast-wave time reference keep their distances; else all begin together.
    """
    references = {s: headers[p].time_reference / headers[p].sample_rate for s, p in cue.stems.items()}
    stamped = all(value > 0.0 for value in references.values())
    notes = []
    if not stamped and any(value > 0.0 for value in references.values()):
        without = next(s for s, value in references.items() if value == 0.0)
        notes.append(f"cue '{cue.name}': the stem of '{without}' has no time reference, so all stems start together")
    first = min(references.values()) if stamped else 0.0
    voices = []
    for section, path in cue.stems.items():
        late = round((references[section] - first) * rate) if stamped else 0
        fold = scene_file.fold[section]
        if section not in halved:
            voices.append(_Voice(section, path, 0, fold, late))
            continue
        last = headers[path].channels - 1  # a mono stem of another cue sounds from both halves
        voices += [_Voice(section + side, path, min(n, last), False, late) for n, side in enumerate(SIDES)]
    return voices, round(first * rate), notes


def _length(voice: _Voice, headers: dict[Path, StemInfo], rate: int) -> int:
    """Return a voice's length in samples, its late start included."""
    header = headers[voice.path]
    return voice.late + round(header.frames * rate / header.sample_rate)


def _longest(cue: Cue, headers: dict[Path, StemInfo]) -> float:
    """Return the length of a cue's longest stem in s."""
    return max(headers[path].frames / headers[path].sample_rate for path in cue.stems.values())


def _make_folder(folder: Path) -> None:
    """Make a folder that can be written to, or say why not."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
        probe_file = folder / ".writable"
        probe_file.touch()
        probe_file.unlink()
    except OSError as error:
        raise InputError(f"cannot write to {folder}: {error.strerror or error}; choose a folder you can write to") from error


def _finite(level: float) -> float | None:
    """Return a level, or None for the minus infinity of silence."""
    return level if np.isfinite(level) else None


def _peak_memory_mib() -> float | None:
    """Return the most memory this process has held, in MiB; None where the system doesn't tell."""
    try:
        import resource
    except ImportError:  # Windows
        return None
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return peak / (1 << 20 if sys.platform == "darwin" else 1 << 10)
