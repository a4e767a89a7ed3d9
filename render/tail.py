"""Where a render ends: when its reverberation has died away in every file, or where it is told to."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator

import numpy as np
from numpy.typing import NDArray

from rooms.units import amplitude

__all__ = ["FADE_S", "INAUDIBLE_DBFS", "audible_samples", "to_length", "until_inaudible"]

INAUDIBLE_DBFS = -90.0
"""Level re full scale that no sample of what is left out reaches, and so the power of no octave band in it either
(common practice, no source)."""

FADE_S = 0.05
"""How long the fade at the end is, in s."""

Float = NDArray[np.float32]


def until_inaudible(
    blocks: Iterable[Float],
    first: int,
    music: int,
    sample_rate: int,
    signals: Callable[[Float], Iterable[Float]],
) -> Iterator[Float]:
    """Pass blocks on, and end them when what follows the music has died away in every file.

    Parameters
    ----------
    blocks : iterable of (…, n) float32 arrays
        Consecutive; in total they hold the music and its reverberation.
    first : int
        Place of their first sample, in samples after the music's start.
    music : int
        Length of the music (the longest stem) in samples; what comes in it is passed on at once.
    sample_rate : int
        In hertz.
    signals : callable
        Returns what a block becomes in the files, as (channels, n) arrays.

    Yields
    ------
    (…, n) float32 array
        The same samples up to the end; the last `FADE_S` of them fade.

    Notes
    -----
    What follows the music, at most one response, is held until the end is known. It ends after the last sample of
    any file that reaches `INAUDIBLE_DBFS`, and the fade.
    """
    held = []
    place = first
    for block in blocks:
        split = min(max(music - place, 0), block.shape[-1])
        if split:
            yield block[..., :split]
        if split < block.shape[-1]:
            held.append(block[..., split:])
        place += block.shape[-1]
    if held:
        tail = np.concatenate(held, axis=-1)
        end = max((audible_samples(signal) for signal in signals(tail)), default=0)
        yield from to_length([tail], 0, min(end + _fade(sample_rate), tail.shape[-1]), sample_rate)


def to_length(blocks: Iterable[Float], first: int, end: int, sample_rate: int) -> Iterator[Float]:
    """Pass blocks on up to an end, with a fade before it; silence follows where they are shorter.

    Parameters
    ----------
    blocks : iterable of (…, n) float32 arrays
        Consecutive; at least one.
    first : int
        Place of their first sample.
    end : int
        Place of the end, in samples.
    sample_rate : int
        In hertz.
    """
    place = first
    block = np.zeros((0, 0), np.float32)
    for block in blocks:
        kept = block[..., : max(end - place, 0)]
        yield _faded(kept, place, end, _fade(sample_rate))
        place += kept.shape[-1]
        if place >= end:
            return
    while place < end:
        silence = np.zeros((*block.shape[:-1], min(end - place, sample_rate)), np.float32)
        yield silence
        place += silence.shape[-1]


def audible_samples(signal: Float) -> int:
    """Return after how many samples all of the (channels, n) signal stay below `INAUDIBLE_DBFS`."""
    loud = np.abs(signal).max(axis=0) >= amplitude(INAUDIBLE_DBFS)
    return signal.shape[-1] - int(np.argmax(loud[::-1])) if loud.any() else 0


def _fade(sample_rate: int) -> int:
    """Return the length of the fade in samples."""
    return round(FADE_S * sample_rate)


def _faded(block: Float, place: int, end: int, fade: int) -> Float:
    """Return a block, faded where it lies within `fade` samples of the end, by half a period of a cosine."""
    left = end - place - np.arange(block.shape[-1])
    if left.size == 0 or left[-1] > fade:
        return block
    gain = 0.5 - 0.5 * np.cos(np.pi * np.clip((left - 0.5) / fade, 0.0, 1.0))
    return block * gain.astype(np.float32)
