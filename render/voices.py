"""From a cue's stems to voices: signals that each sound from one place, read side by side."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from itertools import chain, zip_longest
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from render.cue_stems import Cue, Stem
from render.scene_file import SceneFile, require_stems
from render.stem_sound import Listener
from render.stems import StemInfo, probe, read_blocks
from rooms.errors import InputError
from rooms.players import Section

__all__ = [
    "Voice",
    "chosen_channels",
    "common_rate",
    "cue_voices",
    "halved_sections",
    "parts",
    "probe_stems",
    "read_voices",
    "require_channels",
    "section_of",
    "stem_starts",
    "undecided",
]

BLOCK = 1 << 16
"""Samples read at once."""

SIDES = (" (left half)", " (right half)")
"""What the halves of a section are called when a stereo stem is seated as two."""


@dataclass(frozen=True)
class Voice:
    """One signal that sounds from one place: a mono stem, or one side of a stereo stem.

    Parameters
    ----------
    section : str
        The section, or half of one, it sounds from.
    info : StemInfo
        The stem.
    channels : tuple of int
        Which of its channels, counted from 0; two are folded to their mean.
    late : int
        Samples after the cue's start at which the stem begins, at the outputs' rate.
    samples : int
        Its length at the outputs' rate, its late start included.
    """

    section: str
    info: StemInfo
    channels: tuple[int, ...]
    late: int
    samples: int

    @property
    def path(self) -> Path:
        """The stem's file."""
        return self.info.path


def probe_stems(scene_file: SceneFile, asked: Collection[Cue]) -> tuple[dict[Path, StemInfo], dict[str, str]]:
    """Read the headers of all stems of a scene, and check that each has the channels it is asked for.

    Parameters
    ----------
    scene_file : SceneFile
        The scene.
    asked : collection of Cue
        Those of its cues that are to be rendered.

    Returns
    -------
    headers : dict
        By path.
    faults : dict
        By the name of a cue that isn't asked for and couldn't be rendered: why.

    Raises
    ------
    InputError
        In one line, if a stem of a cue that is asked for is missing or damaged, has no such channel, or more than two
        and none are chosen.
    """
    require_stems(scene_file, asked)
    headers: dict[Path, StemInfo] = {}
    faults: dict[str, str] = {}
    for cue in scene_file.cues:
        # After a fault, too: what can be read of a cue has a say in the rate and in who is seated as halves.
        checks: list[Callable[[], None]] = [partial(require_stems, scene_file, [cue])]
        checks += [partial(_probe_stem, scene_file, section, stem, headers) for section, stem in cue.stems.items()]
        for check in checks:
            try:
                check()
            except InputError as error:
                if cue in asked:
                    raise
                faults.setdefault(cue.name, str(error))
    return headers, faults


def _probe_stem(scene_file: SceneFile, section: str, stem: Stem, headers: dict[Path, StemInfo]) -> None:
    """Add a stem's header, if it isn't known, and check its channels."""
    if stem.path not in headers:
        headers[stem.path] = probe(stem.path)
    require_channels(scene_file, section, stem, headers[stem.path])


def require_channels(scene_file: SceneFile, section: str, stem: Stem, info: StemInfo) -> None:
    """Refuse a file that hasn't the channels its section is to play; raises as `probe_stems` does."""
    if stem.channels is None and info.channels > 2:
        raise scene_file.file.error(
            stem.at,
            f"{stem.path}: has {info.channels} channels; choose one or two of them for section '{section}', "
            "such as channels = [1, 2]",
        )
    beyond = next((channel for channel in stem.channels or () if channel > info.channels), None)
    if beyond is not None:
        raise scene_file.file.error(
            stem.at, f"{stem.path}: has no channel {beyond}; allowed: channels 1 to {info.channels}"
        )


def chosen_channels(stem: Stem, info: StemInfo) -> tuple[int, ...]:
    """Return the channels of its file that a stem plays, counted from 0."""
    return tuple(c - 1 for c in stem.channels) if stem.channels else tuple(range(info.channels))


def common_rate(scene_file: SceneFile, headers: Mapping[Path, StemInfo]) -> tuple[int, list[str]]:
    """Return the outputs' rate in Hz, the scene's or the one most stems have, and notes on stems that differ."""
    counts = Counter(header.sample_rate for header in headers.values())
    rate = scene_file.scene_rate or max(counts, key=lambda r: (counts[r], r))
    notes = [
        f"{header.path.name} is at {header.sample_rate} Hz and was resampled to {rate} Hz"
        for header in headers.values()
        if header.sample_rate != rate
    ]
    return rate, notes


def halved_sections(scene_file: SceneFile, headers: Mapping[Path, StemInfo]) -> set[str]:
    """Return the sections that have a stereo stem in any cue, to be seated as a left and a right half.

    Stems without a header, which can't be read, have no say.
    """
    return {
        section
        for cue in scene_file.cues
        for section, stem in cue.stems.items()
        if stem.path in headers and len(chosen_channels(stem, headers[stem.path])) == 2 and not scene_file.fold[section]
    }


def undecided(scene_file: SceneFile, headers: Mapping[Path, StemInfo]) -> list[str]:
    """Return what may change for all cues when stems can be read that now can't, in words; most often nothing.

    Parameters
    ----------
    scene_file : SceneFile
        The scene with all its cues.
    headers : mapping
        Of all stems that can be read, by path.
    """
    unread = [
        (section, stem) for cue in scene_file.cues for section, stem in cue.stems.items() if stem.path not in headers
    ]
    if not unread:
        return []
    found = []
    counts = [count for _, count in Counter(header.sample_rate for header in headers.values()).most_common(2)]
    ahead = counts[0] - sum(counts[1:]) if counts else 0
    if scene_file.scene_rate is None and len({stem.path for _, stem in unread}) >= ahead:
        found.append("the rate (sample_rate would settle it)")
    halved = halved_sections(scene_file, headers)
    for section in dict.fromkeys(
        section for section, stem in unread if len(stem.channels or (1, 2)) == 2 and not scene_file.fold[section]
    ):
        if section not in halved:
            found.append(f"whether '{section}' is seated as two halves (fold or channels would settle it)")
    return found


def parts(section: Section, halved: Collection[str]) -> tuple[Section, ...]:
    """Return a section, or its halves under names of their own."""
    if section.name not in halved:
        return (section,)
    return tuple(replace(half, name=section.name + side) for half, side in zip(section.halves(), SIDES, strict=True))


def section_of(part: str) -> str:
    """Return the section a half belongs to, or a whole section itself."""
    for side in SIDES:
        part = part.removesuffix(side)
    return part


def stem_starts(cue: Cue, headers: Mapping[Path, StemInfo]) -> tuple[dict[str, float], float, list[str]]:
    """Return when each section's stem begins in s after the cue's start, the time reference of that in s, and notes.

    A start given in the scene holds. Stems without one that all carry a broadcast-wave time reference keep their
    distances, and the cue starts with the earliest of them; else they begin with the cue.
    """
    starts = {section: stem.start for section, stem in cue.stems.items() if stem.start is not None}
    references = {
        section: headers[stem.path].time_reference / headers[stem.path].sample_rate
        for section, stem in cue.stems.items()
        if section not in starts
    }
    stamped = [section for section, seconds in references.items() if seconds > 0.0]
    if references and len(stamped) == len(references):
        first = min(references.values())
        return starts | {section: seconds - first for section, seconds in references.items()}, first, []
    notes = []
    if stamped:
        without = next(section for section in references if section not in stamped)
        notes.append(f"cue '{cue.name}': the stem of '{without}' has no time reference, so all stems start together")
    return starts | dict.fromkeys(references, 0.0), 0.0, notes


def cue_voices(
    scene_file: SceneFile, cue: Cue, headers: Mapping[Path, StemInfo], halved: Collection[str], rate: int
) -> tuple[list[Voice], int, list[str]]:
    """Return a cue's voices, the time reference of its start in samples, and notes; see `stem_starts`."""
    starts, reference, notes = stem_starts(cue, headers)
    voices = []
    for section, stem in cue.stems.items():
        header = headers[stem.path]
        channels = chosen_channels(stem, header)
        late = round(starts[section] * rate)
        samples = late + round(header.frames * rate / header.sample_rate)
        if section not in halved:
            voices.append(Voice(section, header, channels, late, samples))
            continue
        # A mono stem of another cue sounds from both halves.
        sides = zip(SIDES, (channels[0], channels[-1]), strict=True)
        voices += [Voice(section + side, header, (channel,), late, samples) for side, channel in sides]
    return voices, round(reference * rate), notes


def read_voices(
    voices: Sequence[Voice], rate: int, warn: Callable[[str], None] | None = None, first: int = 0
) -> Iterator[NDArray[np.float32]]:
    """Read all voices side by side, each file once.

    Parameters
    ----------
    voices : sequence of Voice
        Those of one cue.
    rate : int
        The outputs' rate in Hz.
    warn : callable, optional
        Told at a file's end what may be wrong with it: silence, clipping, an offset, sides that cancel when folded.
    first : int
        Samples of the cue left out at its start.

    Yields
    ------
    (voices, n) float32 array
        Shorter stems end in silence.

    Raises
    ------
    InputError
        If a file can't be read to its end, or holds a sample that is no number.
    """
    together: dict[tuple[Path, int], list[int]] = {}
    for row, voice in enumerate(voices):
        together.setdefault((voice.path, voice.late), []).append(row)
    streams = [_stream([voices[row] for row in rows], rate, warn, first) for rows in together.values()]
    for pieces in zip_longest(*streams):
        length = max(piece.shape[1] for piece in pieces if piece is not None)
        block = np.zeros((len(voices), length), dtype=np.float32)
        for rows, piece in zip(together.values(), pieces, strict=True):
            if piece is not None:
                block[rows, : piece.shape[1]] = piece
        yield block


def _stream(
    voices: Sequence[Voice], rate: int, warn: Callable[[str], None] | None, first: int
) -> Iterator[NDArray[np.float32]]:
    """Read voices that share a file and a start in blocks of `BLOCK` samples, after the silence they start with."""
    late = max(voices[0].late - first, 0)
    skipped = max(first - voices[0].late, 0)
    listeners = _listeners(voices) if warn is not None else {}

    def listen(samples: NDArray[np.float32]) -> None:
        for rows, listener in listeners.values():
            listener.add(samples[rows])

    kept = np.zeros((len(voices), 0), dtype=np.float32)
    silence = (np.zeros((len(voices), min(BLOCK, late - at)), np.float32) for at in range(0, late, BLOCK))
    sound = read_blocks(voices[0].info, rate, BLOCK, [voice.channels for voice in voices], listen, skipped)
    for piece in chain(silence, sound):
        kept = np.concatenate([kept, piece], axis=1) if kept.size else piece
        if kept.shape[1] >= BLOCK:
            yield kept[:, :BLOCK]
            kept = kept[:, BLOCK:]
    if kept.size:
        yield kept
    if warn is not None:
        for section, (_, listener) in listeners.items():
            for text in listener.warnings():
                warn(f"{section}: {text}")


def _listeners(voices: Sequence[Voice]) -> dict[str, tuple[list[int], Listener]]:
    """Return for each section that plays from one file the rows of the channels read that are its, and a listener."""
    info = voices[0].info
    used = sorted({channel for voice in voices for channel in voice.channels})
    found = {}
    for section in dict.fromkeys(section_of(voice.section) for voice in voices):
        own = [voice for voice in voices if section_of(voice.section) == section]
        channels = sorted({channel for voice in own for channel in voice.channels})
        fold = len(own[0].channels) == 2
        found[section] = ([used.index(channel) for channel in channels], Listener(info, len(channels), fold))
    return found
