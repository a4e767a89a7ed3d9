"""What decides a cue's files: who plays, through what, from when to when, and which files there are."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from render.beds import Bed
from render.console import Console
from render.scene_file import OutputTable
from render.voices import Voice, section_of
from rooms.units import amplitude

__all__ = ["STEREO", "STEREO_LOUDSPEAKERS", "CuePlan", "OutputFile", "cue_files"]

STEREO = ("left", "right")
"""Names of the channels of a stereo file."""

STEREO_LOUDSPEAKERS = ("FL", "FR")
"""Their loudspeakers."""


@dataclass(frozen=True)
class OutputFile:
    """A file to be written.

    Parameters
    ----------
    name : str
        With forward slashes.
    what : str
        What is in it.
    channel_names : tuple of str
        Its channels in order.
    loudspeakers : tuple of str
        The loudspeaker of each channel; none: they are microphones'.
    """

    name: str
    what: str
    channel_names: tuple[str, ...]
    loudspeakers: tuple[str, ...] = ()

    @property
    def channels(self) -> int:
        """How many channels it has."""
        return len(self.channel_names)


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
    output : OutputTable
        Where the cue ends, which files it has, and how loud it is to be.
    gain_db : float
        Gain of all its files in dB, besides the console's.
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
    output: OutputTable = field(default_factory=OutputTable)
    gain_db: float = 0.0

    @property
    def music(self) -> int:
        """Length of its longest stem in samples."""
        return max(voice.samples for voice in self.voices)

    @property
    def end(self) -> int | None:
        """Where the whole cue is told to end, in samples; None: when its tail is inaudible."""
        if self.output.length is not None:
            return round(self.output.length * self.rate)
        return None if self.output.tail is None else self.music + round(self.output.tail * self.rate)

    @property
    def latest_end(self) -> int:
        """Where the whole cue ends at the latest, in samples."""
        return self.music + self.console.responses.shape[2] - 1 if self.end is None else self.end

    @property
    def samples(self) -> int:
        """Length of its files in samples; less, where the tail is inaudible before."""
        return self.last - self.first

    @property
    def computed(self) -> int:
        """How many samples are computed for its files, those of its loudness included."""
        return self.samples + (self.latest_end if self.measured_first else 0)

    @property
    def measured_first(self) -> bool:
        """Whether it is to be set to a loudness; a quick listen has one of its own."""
        return self.output.loudness is not None and not self.mix_only

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
        if self.mix_only:
            responses = self.console.law @ responses
        return responses if self.gain_db == 0.0 else responses * np.float32(amplitude(self.gain_db))


def cue_files(
    name: str,
    arrays: Mapping[str, Sequence[str]],
    sections: Sequence[str],
    *,
    ending: str = ".wav",
    mix_only: bool = False,
    interleaved: bool = False,
    beds: Sequence[Bed] = (),
) -> tuple[OutputFile, ...]:
    """List what is written for a cue: the mix, each array, each capsule, each section through each array, beds.

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
    interleaved : bool
        Whether the capsules of an array share a file.
    beds : sequence of Bed
        What else capsules are summed to.
    """
    mix = [OutputFile(f"mix/{name}{ending}", "stereo mix", STEREO, STEREO_LOUDSPEAKERS)]
    if mix_only:
        return tuple(mix)
    of_arrays = [
        OutputFile(f"mix/{name}_{array}{ending}", f"array '{array}' in stereo", STEREO, STEREO_LOUDSPEAKERS)
        for array in arrays
    ]
    of_capsules = [
        OutputFile(f"mix/{name}_{array}_{c}{ending}", f"capsule '{c}' of array '{array}'", (f"{array} {c}",))
        for array, capsules in arrays.items()
        for c in capsules
    ]
    if interleaved:
        of_capsules = [
            OutputFile(
                f"mix/{name}_{array}_capsules{ending}",
                f"all capsules of array '{array}'",
                tuple(f"{array} {c}" for c in capsules),
            )
            for array, capsules in arrays.items()
        ]
    stems = [
        OutputFile(
            f"stems/{name}_{section}_{array}{ending}",
            f"section '{section}' through array '{array}' in stereo",
            STEREO,
            STEREO_LOUDSPEAKERS,
        )
        for section in sections
        for array in arrays
    ]
    # Beds at the end, so that asking for them changes no other file's dither.
    of_beds = [file for bed in beds for file in _bed_files(name, bed, sections, ending)]
    return (*mix, *of_arrays, *of_capsules, *stems, *of_beds)


def _bed_files(name: str, bed: Bed, sections: Sequence[str], ending: str) -> list[OutputFile]:
    """List a bed's files, in the order in which `render.cues` mixes them."""

    def file(start: str, what: str) -> OutputFile:
        loudspeakers = bed.channels if bed.loudspeakers else ()
        return OutputFile(f"{start}_{bed.ending}{ending}", f"{what} as {bed.what}", bed.channels, loudspeakers)

    which = "all arrays" if bed.loudspeakers else ", ".join(bed.arrays)
    mixes = [file(f"mix/{name}", f"mix of {which}")]
    mixes += [file(f"mix/{name}_{array}", f"array '{array}'") for array in bed.arrays]
    if bed.loudspeakers:
        return mixes + [file(f"stems/{name}_{section}", f"section '{section}'") for section in sections]
    return mixes + [
        file(f"stems/{name}_{section}_{array}", f"section '{section}' through array '{array}'")
        for section in sections
        for array in bed.arrays
    ]
