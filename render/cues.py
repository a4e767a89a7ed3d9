"""One cue, block by block: from its stems through the console to its files."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from render.console import Console
from render.convolve import convolve_groups, passage_start
from render.export import AudioWriter, Encoding, open_audio
from render.loudness import LoudnessMeter
from render.report import WrittenFile
from render.voices import Voice, read_voices, section_of
from rooms.units import amplitude, level_db

__all__ = [
    "QUICK_DBTP",
    "QUICK_LUFS",
    "CuePlan",
    "OutputFile",
    "cue_blocks",
    "cue_files",
    "cue_peak",
    "quick_gain_db",
    "write_cue",
]

QUICK_LUFS, QUICK_DBTP = -23.0, -1.0
"""Loudness that a quick listen is set to, and the true peak it stays below (EBU R 128, 2020: target level −23 LUFS,
maximum true peak −1 dBTP)."""


@dataclass(frozen=True)
class OutputFile:
    """A file to be written: its name, with forward slashes, and its channels."""

    name: str
    channels: int


@dataclass(frozen=True, eq=False)
class CuePlan:
    """All that decides the samples of a cue's files.

    Parameters
    ----------
    name : str
        What its files are called.
    voices : tuple of Voice
        Who plays.
    console : Console
        What they are heard through.
    files : tuple of OutputFile
        What is written: as `cue_files` lists.
    rate : int
        Hz.
    start : int
        Time reference of the cue's start in samples.
    first, last : int
        Which of the cue's samples are wanted: from `first` on, and not `last`.
    stems : bool
        Whether each section is also heard for itself.
    mix_only : bool
        Whether only the stereo mix is wanted.
    """

    name: str
    voices: tuple[Voice, ...]
    console: Console
    files: tuple[OutputFile, ...]
    rate: int
    start: int
    first: int
    last: int
    stems: bool = False
    mix_only: bool = False

    @property
    def samples(self) -> int:
        """Length of its files in samples."""
        return self.last - self.first

    @property
    def seconds(self) -> float:
        """Length of its files in s."""
        return self.samples / self.rate

    @cached_property
    def groups(self) -> list[list[int]]:
        """The voices that are summed: each section's where stems are wanted, else all."""
        if not self.stems:
            return [list(range(len(self.voices)))]
        playing = dict.fromkeys(section_of(voice.section) for voice in self.voices)
        return [[n for n, v in enumerate(self.voices) if section_of(v.section) == name] for name in playing]

    def responses(self) -> NDArray[np.float32]:
        """Return the responses of its voices to what is written, shape (voices, capsules or 2, samples)."""
        rows = [self.console.sections.index(voice.section) for voice in self.voices]
        # Only a cue without some section needs a copy.
        everyone = rows == list(range(len(self.console.sections)))
        responses = self.console.responses if everyone else self.console.responses[rows]
        return self.console.law @ responses if self.mix_only else responses


def cue_files(
    name: str,
    arrays: Mapping[str, Sequence[str]],
    sections: Sequence[str],
    *,
    ending: str = ".wav",
    mix_only: bool = False,
) -> tuple[OutputFile, ...]:
    """List what is written for a cue: the mix, each array, each capsule, each section through each array.

    Parameters
    ----------
    name : str
        The cue's.
    arrays : mapping
        Names of the capsules by array.
    sections : sequence of str
        Those that get stems.
    ending : str
        Of the files' names.
    mix_only : bool
        Whether it is the mix alone.
    """
    mix = [OutputFile(f"mix/{name}{ending}", 2)]
    if mix_only:
        return tuple(mix)
    of_arrays = [OutputFile(f"mix/{name}_{array}{ending}", 2) for array in arrays]
    of_capsules = [
        OutputFile(f"mix/{name}_{array}_{c}{ending}", 1) for array, capsules in arrays.items() for c in capsules
    ]
    stems = [OutputFile(f"stems/{name}_{section}_{array}{ending}", 2) for section in sections for array in arrays]
    return (*mix, *of_arrays, *of_capsules, *stems)


def cue_blocks(
    plan: CuePlan,
    warn: Callable[[str], None] | None = None,
    hear: Callable[[NDArray[np.float32]], None] | None = None,
) -> Iterator[list[NDArray[np.float32]]]:
    """Yield a block of samples (channels, n) for each of a cue's files, in order.

    Parameters
    ----------
    plan : CuePlan
        The cue.
    warn : callable, optional
        Told what may be wrong with its stems.
    hear : callable, optional
        Given all that its voices play, (voices, n), as it is read.

    Raises
    ------
    InputError
        As `render.voices.read_voices`.
    """
    responses, groups = plan.responses(), plan.groups
    at = passage_start(plan.first, responses.shape[2], len(groups))
    voices = _heard(read_voices(plan.voices, plan.rate, warn, at), hear)
    for block in convolve_groups(voices, responses, groups):
        wanted = block[..., max(plan.first - at, 0) : plan.last - at]
        at += block.shape[2]
        if wanted.shape[2]:
            yield _mixed(plan, wanted)
        if at >= plan.last:
            return


def cue_peak(plan: CuePlan, tell: Callable[[int], None]) -> float:
    """Return the highest sample that any of a cue's files would have, without writing them.

    Parameters
    ----------
    plan : CuePlan
        The cue.
    tell : callable
        Told how many samples more are done.
    """
    peak = 0.0
    for block in cue_blocks(plan):
        peak = max(peak, *(float(np.abs(signal).max()) for signal in block))
        tell(block[0].shape[1])
    return peak


def write_cue(
    plan: CuePlan,
    folder: Path,
    encoding: Encoding,
    seed: int,
    tell: Callable[[int], None],
    *,
    warn: Callable[[str], None] | None = None,
    hear: Callable[[NDArray[np.float32]], None] | None = None,
    loudest: Callable[[], float] | None = None,
) -> list[WrittenFile]:
    """Read, convolve, mix and write one cue.

    Parameters
    ----------
    plan : CuePlan
        The cue. The mix alone, a quick listen, is set to a common loudness.
    folder : Path
        With the folders of the plan's files.
    encoding : str
        See `render.export.Encoding`; float32 for the mix alone.
    seed : int
        Of the dither; each file adds its number.
    tell : callable
        Told how many samples more are done.
    warn, hear : callable, optional
        As for `cue_blocks`.
    loudest : callable, optional
        Returns the highest sample of all other cues; asked when integers would clip.

    Returns
    -------
    list of WrittenFile
        In the order of the plan's files, the stereo mix first.

    Raises
    ------
    InputError
        If a stem can't be read, a file not be written, or integers would clip; nothing is under its final name then.
    """
    with ExitStack() as stack:
        outputs = [
            _Output(
                file.name,
                stack.enter_context(
                    open_audio(
                        folder / file.name,
                        sample_rate=plan.rate,
                        channels=file.channels,
                        encoding=encoding,
                        loudspeakers=False,
                        time_reference=plan.start + plan.first,
                        dither_key=seed + n,
                        dither_start=plan.first,
                    )
                ),
                LoudnessMeter(plan.rate, file.channels) if file.channels == 2 else None,
            )
            for n, file in enumerate(plan.files)
        ]
        for block in cue_blocks(plan, warn, hear):
            for output, signal in zip(outputs, block, strict=True):
                output.take(signal)
            tell(block[0].shape[1])
        highest = max((output.writer for output in outputs), key=lambda writer: writer.peak)
        if highest.clipped:
            highest.refuse_clipping(loudest() if loudest is not None else None)
        return [output.written(plan, level=plan.mix_only) for output in outputs]


def quick_gain_db(lufs: float | None, true_peak_dbtp: float | None) -> float:
    """Return the gain in dB that sets a quick listen to `QUICK_LUFS`, or less to stay below `QUICK_DBTP`.

    What has no loudness, being too short or too soft, is set by its true peak, and only down.
    """
    if true_peak_dbtp is None:
        return 0.0
    if lufs is None:
        return min(QUICK_LUFS - true_peak_dbtp, 0.0)
    return min(QUICK_LUFS - lufs, QUICK_DBTP - true_peak_dbtp)


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

    def written(self, plan: CuePlan, *, level: bool) -> WrittenFile:
        """Return what the report says of the file; with `level`, set it to the loudness of a quick listen first."""
        if self.meter is None:
            reason = "a single capsule is no loudspeaker signal"
            peak = _finite(float(level_db(self.writer.peak)))
            return WrittenFile(self.name, plan.rate, 1, plan.samples, peak, None, None, reason)
        found = self.meter.result()
        true_peak = _finite(found.true_peak_dbtp)
        gain_db = quick_gain_db(found.lufs, true_peak) if level else 0.0
        if level:
            self.writer.scale(float(amplitude(gain_db)))
        return WrittenFile(
            self.name,
            plan.rate,
            2,
            plan.samples,
            _finite(float(level_db(self.writer.peak))),
            None if found.lufs is None else found.lufs + gain_db,
            None if true_peak is None else true_peak + gain_db,
            found.reason,
        )


def _heard(
    blocks: Iterator[NDArray[np.float32]], hear: Callable[[NDArray[np.float32]], None] | None
) -> Iterator[NDArray[np.float32]]:
    """Yield the same blocks after handing them over."""
    for block in blocks:
        if hear is not None:
            hear(block)
        yield block


def _mixed(plan: CuePlan, block: NDArray[np.float32]) -> list[NDArray[np.float32]]:
    """Return a block (groups, capsules, n) as what goes to each file."""
    heard = block.sum(axis=0)
    if plan.mix_only:
        return [heard]  # its responses went through the law before
    law, channels = plan.console.law, plan.console.channels.values()
    stereo = [law[:, m] @ heard[m] for m in channels]
    of_sections = block if plan.stems else block[:0]
    stems = [law[:, m] @ section[m] for section in of_sections for m in channels]
    return [np.sum(stereo, axis=0), *stereo, *heard[:, None], *stems]


def _finite(level: float) -> float | None:
    """Return a level, or None for the minus infinity of silence."""
    return level if np.isfinite(level) else None
