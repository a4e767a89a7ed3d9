"""Signs that a recording was gated, denoised or faded: decays that no room has."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from rooms.units import energy_db

__all__ = ["processed"]

_DIGITAL_SILENCE_S = 0.05
_GATED_DB = -60.0  # a decay that is this far down may end: nobody hears it
_STEEPER = 1.7  # times as steep in the end as before: a sum of decays only gets flatter
FRAME_S = 0.01


def processed(samples: NDArray[np.float64], rate: int, response: bool) -> list[str]:
    """Say where a recording was gated, denoised or faded, as far as that can be seen."""
    found: list[str] = []
    frame = round(FRAME_S * rate)
    square = np.mean(samples**2, axis=0)
    frames = square[: square.size // frame * frame].reshape(-1, frame).mean(axis=1)
    if frames.size < 10:
        return found
    level = energy_db(frames / np.max(frames) + 1e-20)
    silent = frames == 0.0
    run = round(_DIGITAL_SILENCE_S / FRAME_S)
    ahead = np.min(np.lib.stride_tricks.sliding_window_view(silent, run), axis=1)
    starts = np.flatnonzero(ahead[1:] & ~silent[: ahead.size - 1]) + 1
    cut = [start for start in starts.tolist() if start >= 2 and level[start - 2] > _GATED_DB]
    if cut:
        found.append(
            f"gated or edited: falls from {level[cut[0] - 2]:.0f} dB re its loudest to digital silence "
            f"at {cut[0] * FRAME_S:.2f} s; decays are not the room's there"
        )
    if response and (steeper := _steepening(level)) is not None:
        found.append(
            f"the decay gets {steeper:.1f} times as steep further down: denoised, gated or faded out, as no room decays"
        )
    return found


def _steepening(level: NDArray[np.float64]) -> float | None:
    """Return how many times faster a decay falls through some 10 dB than through an earlier 10 dB; None if it doesn't.

    The 10 dB below the peak don't count, where single reflections are, nor the 6 dB above the floor.
    """
    smooth = energy_db(np.convolve(10.0 ** (level / 10.0), np.ones(5) / 5.0, "valid"))
    smooth = smooth[int(np.argmax(smooth)) :] - np.max(smooth)
    falling = np.minimum.accumulate(smooth)
    foot = max(float(np.percentile(smooth, 2.0)) + 6.0, -100.0)
    steps = np.arange(-10.0, foot, -10.0)
    frames = np.diff(np.interp(-steps, -falling, np.arange(falling.size)))
    if frames.size < 2 or frames.min() <= 0:
        return None
    ratio = float(np.max(np.maximum.accumulate(frames)[:-1] / frames[1:]))
    return ratio if ratio > _STEEPER else None
