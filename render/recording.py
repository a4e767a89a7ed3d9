"""A recording to be measured: read, and refused in one line where nothing can come of it."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from render.stem_sound import Listener
from render.stems import probe, read_blocks
from rooms.errors import InputError
from rooms.two_channels import pair_correlation

__all__ = ["one_sound", "read_recording"]

LOWEST_RATE = 8000
"""Hz; below, half of the octaves that matter are missing."""

WORKING_RATE = 48000
"""Hz; higher rates are converted to it: the octave at 16 kHz fits below half of it."""

LONGEST_S = 600.0
"""So much of a recording is measured, in seconds."""

CLIPPED_SHARE = 0.01
"""A recording with more of its samples than this at full scale is refused (our choice, no source)."""

SILENT = 1e-4
"""Highest sample of a recording that counts as silent, re full scale: −80 dBFS (our choice, no source)."""

DEAD_DB = 40.0
"""A channel weaker than the other by more has only noise of its own (our choice, no source)."""

ALIKE = 0.9999
"""Two channels that correlate by more carry one sound: the side is 40 dB below the middle (our choice, no source)."""

FLAT_RUN, FLAT_TOPS = 3, 10
"""A sound that stays at its very highest for so many samples, so often, was cut off there (our choice, no source)."""


def read_recording(
    path: Path, chosen: Sequence[int], rate: int | None = None
) -> tuple[NDArray[np.float64], int, int, float, list[str], bool]:
    """Return samples, their rate, the file's, its length, warnings, and whether it is clipped."""
    info = probe(path)
    if info.sample_rate < LOWEST_RATE:
        raise InputError(f"{path}: found a sample rate of {info.sample_rate} Hz, allowed: {LOWEST_RATE} Hz or more")
    if not chosen and info.channels > 2:
        raise InputError(
            f"{path}: found {info.channels} channels, allowed: 1 or 2; choose with --channel N, twice for a pair"
        )
    used = [number - 1 for number in chosen] or list(range(info.channels))
    for number in used:
        if not 0 <= number < info.channels:
            raise InputError(f"{path}: found --channel {number + 1}, allowed: 1 to {info.channels}")
    if len(used) > 2 or len(set(used)) < len(used):
        raise InputError(f"{path}: found --channel {', '.join(map(str, chosen))}; allowed: one, or two different ones")
    working = rate or min(info.sample_rate, WORKING_RATE)
    listener = Listener(info, len(used))
    blocks, counted, full = [], 0, 0
    limit = round(LONGEST_S * working)

    def listen(samples: NDArray[np.float32]) -> None:
        nonlocal full
        listener.add(samples)
        full += int(np.count_nonzero(np.abs(samples) >= 1.0 - 2.0**-15))

    for block in read_blocks(info, working, 1 << 18, [[c] for c in used], listen):
        blocks.append(block)
        counted += block.shape[1]
        if counted >= limit:
            break
    samples = np.concatenate(blocks, axis=1)[:, :limit].astype(np.float64)
    warnings = listener.warnings()
    if any("DC offset" in text for text in warnings):
        samples -= samples.mean(axis=1, keepdims=True)  # it would count as sound that both channels share
    if listener.peak < SILENT:
        level = f"peaks at {20 * np.log10(listener.peak):.0f} dBFS" if listener.peak else "every sample is zero"
        raise InputError(f"{path}: silent, {level}; record it louder")
    if np.abs(samples).max() < SILENT:
        raise InputError(f"{path}: silent, nothing but an offset; record it again")
    _require_alive(path, used, samples)
    clipped = any(text.startswith("clipped") for text in warnings)
    if not clipped and working == info.sample_rate and (tops := _flat_tops(samples)) >= FLAT_TOPS:
        clipped = True
        level = 20.0 * np.log10(listener.peak)
        warnings.append(f"clipped and turned down since: cut off flat at {level:.1f} dBFS {tops} times")
    share = full / (len(used) * info.frames)
    if clipped and share > CLIPPED_SHARE:
        raise InputError(f"{path}: clipped, {100 * share:.0f} % of its samples at full scale; record it lower")
    length_s = info.frames / info.sample_rate
    if length_s > LONGEST_S:
        warnings.append(f"only the first {LONGEST_S / 60:g} minutes were measured")
    return samples, working, info.sample_rate, length_s, warnings, clipped


def _require_alive(path: Path, used: Sequence[int], samples: NDArray[np.float64]) -> None:
    """Refuse a recording one of whose two channels is silent."""
    level = 10.0 * np.log10(np.maximum(np.mean(samples**2, axis=1), 1e-30))
    for number, row, other in zip(used, samples, reversed(used), strict=True):
        below = float(level.max() - level[used.index(number)])
        if np.abs(row).max() < SILENT or below > DEAD_DB:
            what = f"all but silent, {below:.0f} dB below channel {other + 1}" if row.any() else "silent"
            raise InputError(f"{path}: channel {number + 1} is {what}; choose the other with --channel {other + 1}")


def _flat_tops(samples: NDArray[np.float64]) -> int:
    """Return how often channels (channels, samples) stay at their very highest for `FLAT_RUN` samples or more."""
    found = 0
    for row in np.concatenate([samples, -samples]):
        at = np.flatnonzero(row == np.max(row))
        runs = np.split(at, np.flatnonzero(np.diff(at) > 1) + 1)
        found += sum(run.size >= FLAT_RUN for run in runs)
    return found


def one_sound(samples: NDArray[np.float64]) -> tuple[NDArray[np.float64], list[str]]:
    """Return two channels (2, samples) as the louder one alone where both carry one sound, and a warning of that."""
    correlation = float(pair_correlation(*samples))
    if abs(correlation) <= ALIKE:
        return samples, []
    louder = int(np.argmax(np.sum(samples**2, axis=1)))
    inverted = ", one of them inverted in polarity" if correlation < 0.0 else ""
    return samples[[louder]], [f"both channels carry the same sound{inverted}: measured as mono"]
