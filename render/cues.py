"""One cue, block by block: from its stems through the console to its files."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import ExitStack
from dataclasses import dataclass, replace
from functools import partial, reduce
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from render.beds import Bed
from render.convolve import convolve_groups, passage_start
from render.cue_plan import CuePlan, OutputFile
from render.export import AudioWriter, Encoding, open_audio, suffix
from render.loudness import LoudnessMeter, channel_weights, gain_to
from render.report import WrittenFile
from render.tail import to_length, until_inaudible
from render.voices import read_voices
from rooms.units import amplitude, level_db

__all__ = ["QUICK_DBTP", "QUICK_LUFS", "Block", "cue_blocks", "cue_peak", "quick_gain_db", "write_cue"]

QUICK_LUFS, QUICK_DBTP = -23.0, -1.0
"""Loudness that a quick listen is set to, and the true peak it stays below (EBU R 128, 2020: target level −23 LUFS,
maximum true peak −1 dBTP)."""

Float = NDArray[np.float32]


@dataclass(frozen=True, eq=False)
class Block:
    """Some of a cue's samples.

    Attributes
    ----------
    samples : int
        How many.
    signals : tuple of callable
        Each returns what goes to one of the cue's files, (channels, samples). Together they are many times what the
        microphones heard, so each is made when it is wanted.
    """

    samples: int
    signals: tuple[Callable[[], Float], ...]


def cue_blocks(
    plan: CuePlan,
    warn: Callable[[str], None] | None = None,
    hear: Callable[[Float], None] | None = None,
) -> Iterator[Block]:
    """Yield a cue block by block, in order.

    Of the mix alone with its stems: for the mix, and for each section that plays, through all arrays.

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
    blocks = convolve_groups(voices, responses, groups)
    if plan.end is None:
        ended = until_inaudible(
            blocks, at, plan.music, plan.rate, lambda tail: (signal() for signal in _mixed(plan, tail).signals)
        )
    else:
        ended = to_length(blocks, at, plan.end, plan.rate)
    for block in ended:
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
    for block in _counted(cue_blocks(_normalised(plan, lambda _text: None, tell)), plan.samples, tell):
        peak = max(peak, *(float(np.abs(signal()).max()) for signal in block.signals))
    return peak


def write_cue(
    plan: CuePlan,
    folder: Path,
    encoding: Encoding,
    seed: int,
    tell: Callable[[int], None],
    *,
    warn: Callable[[str], None] | None = None,
    hear: Callable[[Float], None] | None = None,
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
    plan = _normalised(plan, warn or (lambda _text: None), tell)
    start = plan.start + plan.first
    if warn is not None and plan.end is not None and plan.end < plan.music:
        warn(f"cut at {plan.end / plan.rate:g} s; its stems last {plan.music / plan.rate:g} s")
    if warn is not None and start and suffix(encoding) == ".flac":
        warn(f"begins at sample {start}, which FLAC files can't say; the list of files does")
    with ExitStack() as stack:
        outputs = [
            _Output(
                file,
                stack.enter_context(
                    open_audio(
                        folder / file.name,
                        sample_rate=plan.rate,
                        channels=file.channels,
                        encoding=encoding,
                        loudspeakers=file.loudspeakers,
                        time_reference=start,
                        channel_names=file.channel_names,
                        dither_key=seed + n,
                        dither_start=plan.first,
                    )
                ),
                LoudnessMeter(plan.rate, file.channels, channel_weights(file.loudspeakers))
                if file.loudspeakers
                else None,
            )
            for n, file in enumerate(plan.files)
        ]
        pool = stack.enter_context(ThreadPoolExecutor(os.cpu_count()))
        taken: list[Future[None]] = []
        for block in _counted(cue_blocks(plan, warn, hear), plan.samples, tell):
            _settle(taken)
            # Mixed, written and measured while the next block is convolved.
            taken = [pool.submit(output.take, signal) for output, signal in zip(outputs, block.signals, strict=True)]
        _settle(taken)
        highest = max((output.writer for output in outputs), key=lambda writer: writer.peak)
        if highest.clipped:
            highest.refuse_clipping(loudest() if loudest is not None else None)
        return [output.written(plan, encoding, level=plan.mix_only) for output in outputs]


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

    file: OutputFile
    writer: AudioWriter
    meter: LoudnessMeter | None

    def take(self, signal: Callable[[], Float]) -> None:
        """Make, write and measure (channels, n) samples."""
        block = signal()
        self.writer.write(block)
        if self.meter is not None:
            self.meter.add(block)

    def written(self, plan: CuePlan, encoding: Encoding, *, level: bool) -> WrittenFile:
        """Return what the report says of the file; with `level`, set it to the loudness of a quick listen first."""
        lufs, true_peak, gain_db = None, None, plan.gain_db
        reason: str | None = "microphones are no loudspeaker signals"
        if self.meter is not None:
            found = self.meter.result()
            lufs, true_peak, reason = found.lufs, _finite(found.true_peak_dbtp), found.reason
            if level:
                gain_db = quick_gain_db(lufs, true_peak)
                self.writer.scale(float(amplitude(gain_db)))
                lufs = None if lufs is None else lufs + gain_db
                true_peak = None if true_peak is None else true_peak + gain_db
        return WrittenFile(
            self.file.name,
            plan.rate,
            self.file.channels,
            self.writer.samples,
            _finite(float(level_db(self.writer.peak))),
            lufs,
            true_peak,
            reason,
            what=self.file.what,
            encoding=encoding,
            start_samples=plan.start + plan.first,
            channel_names=self.file.channel_names,
            gain_db=gain_db,
        )


def _normalised(plan: CuePlan, warn: Callable[[str], None], tell: Callable[[int], None]) -> CuePlan:
    """Return a cue with the gain that sets its whole mix to the asked loudness, one for all its files.

    The mix is measured without the files: convolved by itself, which is two channels instead of all capsules.
    """
    wanted, ceiling = plan.output.loudness, plan.output.true_peak
    if wanted is None or not plan.measured_first:
        return plan
    meter = LoudnessMeter(plan.rate, 2)
    whole = replace(plan, first=0, last=plan.latest_end, stems=False, mix_only=True)
    for block in _counted(cue_blocks(whole), whole.samples, tell):
        meter.add(block.signals[0]())
    found = meter.result()
    gain_db = gain_to(found, wanted, ceiling)
    if gain_db is None:
        warn(f"not set to {wanted:g} LUFS, for it has no loudness: {found.reason}")
        return plan
    if found.lufs is not None and found.lufs + gain_db < wanted - 0.05:
        warn(f"set to {found.lufs + gain_db:.1f} LUFS, not {wanted:g}, to stay below {ceiling:g} dBTP")
    return replace(plan, gain_db=gain_db)


def _counted(blocks: Iterable[Block], samples: int, tell: Callable[[int], None]) -> Iterator[Block]:
    """Yield the same blocks and tell how many samples more are done with them, at the end all of them."""
    left = samples
    for block in blocks:
        yield block
        tell(block.samples)
        left -= block.samples
    tell(left)  # of a tail that ended before


def _settle(futures: Sequence[Future[None]]) -> None:
    """Wait for all; what went wrong in one is raised here."""
    for future in futures:
        future.result()


def _heard(blocks: Iterator[Float], hear: Callable[[Float], None] | None) -> Iterator[Float]:
    """Yield the same blocks after handing them over."""
    for block in blocks:
        if hear is not None:
            hear(block)
        yield block


def _mixed(plan: CuePlan, block: Float) -> Block:
    """Return what (groups, capsules, n) samples become in the files."""
    heard = block.sum(axis=0) if len(block) > 1 else block[0]
    samples = heard.shape[1]
    if plan.mix_only:  # its responses went through the law before
        sections = block if plan.stems else block[:0]
        return Block(samples, tuple(partial(np.asarray, signal) for signal in (heard, *sections)))
    law, channels = plan.console.law, plan.console.channels.values()
    stereo = [partial(_summed, law[:, m], heard[m]) for m in channels]
    capsules = [heard[m] for m in channels] if plan.output.interleaved else list(heard[:, None])
    of_sections = block if plan.stems else block[:0]
    stems = [partial(_summed, law[:, m], section[m]) for section in of_sections for m in channels]
    beds: list[Callable[[], Float]] = []
    first = 0
    for bed in plan.console.beds:
        rows = slice(first, first := first + len(bed.channels))
        beds += _bed_signals(bed, plan.console.bed_law[rows], plan.console.channels, heard, of_sections)
    mix = partial(_together, stereo)
    return Block(samples, (mix, *stereo, *(partial(np.asarray, c) for c in capsules), *stems, *beds))


def _bed_signals(
    bed: Bed, law: Float, channels: Mapping[str, slice], heard: Float, of_sections: Float
) -> list[Callable[[], Float]]:
    """Return what makes the signals of a bed's files: of capsules (capsules, n), and of those of each section."""
    arrays = [channels[array] for array in bed.arrays]
    mixes = [partial(_summed, law, heard), *(partial(_summed, law[:, m], heard[m]) for m in arrays)]
    if bed.loudspeakers:
        return [*mixes, *(partial(_summed, law, section) for section in of_sections)]
    return [*mixes, *(partial(_summed, law[:, m], section[m]) for section in of_sections for m in arrays)]


def _together(signals: Sequence[Callable[[], Float]]) -> Float:
    """Return the sum of signals, one after the other."""
    return reduce(np.add, (signal() for signal in signals))


def _summed(law: Float, capsules: Float) -> Float:
    """Return the channels (channels, n) that a law (channels, capsules) makes of capsules (capsules, n).

    Sample by sample in the same order: a matrix product's bits would depend on how long the block is.
    """
    summed = np.zeros((law.shape[0], capsules.shape[1]), np.float32)
    for channel, gains in zip(summed, law, strict=True):
        for gain, capsule in zip(gains, capsules, strict=True):
            if gain:
                channel += gain * capsule
    return summed


def _finite(level: float) -> float | None:
    """Return a level, or None for the minus infinity of silence."""
    return level if np.isfinite(level) else None
