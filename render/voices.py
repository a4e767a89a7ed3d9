"""From a cue's stems to voices: signals that each sound from one place, read side by side."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import chain, zip_longest
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from render.scene_file import Cue, SceneFile
from render.stems import StemInfo, read_blocks
from rooms.players import Section

__all__ = ["Voice", "common_rate", "cue_voices", "halved_sections", "parts", "read_voices", "section_of"]

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
    path : Path
        The stem.
    channel : int
        Which of its channels.
    fold : bool
        Whether its channels are first folded to one.
    late : int
        Samples after the cue's start at which the stem begins, at the outputs' rate.
    samples : int
        Its length at the outputs' rate, its late start included.
    """

    section: str
    path: Path
    channel: int
    fold: bool
    late: int
    samples: int


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
    """Return the sections that have a stereo stem in any cue, to be seated as a left and a right half."""
    return {
        section
        for cue in scene_file.cues
        for section, path in cue.stems.items()
        if headers[path].channels == 2 and not scene_file.fold[section]
    }


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


def cue_voices(
    scene_file: SceneFile, cue: Cue, headers: Mapping[Path, StemInfo], halved: Collection[str], rate: int
) -> tuple[list[Voice], int, list[str]]:
    """Return a cue's voices, the time reference of its start in samples, and notes.

    Stems that all carry a broadcast-wave time reference keep their distances; else all begin together.
    """
    references = {name: headers[path].time_reference / headers[path].sample_rate for name, path in cue.stems.items()}
    stamped = all(seconds > 0.0 for seconds in references.values())
    notes = []
    if not stamped and any(seconds > 0.0 for seconds in references.values()):
        without = next(name for name, seconds in references.items() if seconds == 0.0)
        notes.append(f"cue '{cue.name}': the stem of '{without}' has no time reference, so all stems start together")
    first = min(references.values()) if stamped else 0.0
    voices = []
    for section, path in cue.stems.items():
        header = headers[path]
        late = round((references[section] - first) * rate) if stamped else 0
        samples = late + round(header.frames * rate / header.sample_rate)
        if section not in halved:
            voices.append(Voice(section, path, 0, scene_file.fold[section], late, samples))
            continue
        # A mono stem of another cue sounds from both halves.
        for n, side in enumerate(SIDES):
            voices.append(Voice(section + side, path, min(n, header.channels - 1), False, late, samples))
    return voices, round(first * rate), notes


def read_voices(voices: Sequence[Voice], rate: int) -> Iterator[NDArray[np.float32]]:
    """Read all voices side by side in (voices, n) blocks; shorter stems end in silence."""
    for pieces in zip_longest(*(_stream(voice, rate) for voice in voices)):
        length = max(piece.shape[0] for piece in pieces if piece is not None)
        block = np.zeros((len(voices), length), dtype=np.float32)
        for row, piece in zip(block, pieces, strict=True):
            if piece is not None:
                row[: piece.shape[0]] = piece
        yield block


def _stream(voice: Voice, rate: int) -> Iterator[NDArray[np.float32]]:
    """Read one voice in blocks of `BLOCK` samples, after the silence it starts with."""
    kept = np.zeros(0, dtype=np.float32)
    silence = (np.zeros(min(BLOCK, voice.late - at), dtype=np.float32) for at in range(0, voice.late, BLOCK))
    sound = (block[voice.channel] for block in read_blocks(voice.path, rate, BLOCK, fold=voice.fold))
    for piece in chain(silence, sound):
        kept = np.concatenate([kept, piece]) if kept.size else piece
        if kept.size >= BLOCK:
            yield kept[:BLOCK]
            kept = kept[BLOCK:]
    if kept.size:
        yield kept
