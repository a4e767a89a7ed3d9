"""A recording to be measured: read, and refused in one line where nothing can come of it."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from render.stem_sound import Listener
from render.stems import probe, read_blocks
from rooms.errors import InputError

__all__ = ["read_recording"]

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
    if listener.peak < SILENT:
        level = f"peaks at {20 * np.log10(listener.peak):.0f} dBFS" if listener.peak else "every sample is zero"
        raise InputError(f"{path}: silent, {level}; record it louder")
    for number, row in zip(used, samples, strict=True):
        if not row.any():
            raise InputError(f"{path}: channel {number + 1} is silent; choose the other with --channel")
    warnings = listener.warnings()
    clipped = any(text.startswith("clipped") for text in warnings)
    share = full / (len(used) * info.frames)
    if clipped and share > CLIPPED_SHARE:
        raise InputError(f"{path}: clipped, {100 * share:.0f} % of its samples at full scale; record it lower")
    length_s = info.frames / info.sample_rate
    if length_s > LONGEST_S:
        warnings.append(f"only the first {LONGEST_S / 60:g} minutes were measured")
    return samples, working, info.sample_rate, length_s, warnings, clipped
