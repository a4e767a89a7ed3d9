"""Signs that a recording was gated, denoised or faded: decays that no room has."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from rooms.decay_fit import FRAME_S
from rooms.free_decays import moving_mean, turns
from rooms.octave_frames import frame_energies
from rooms.units import energy_db

__all__ = ["processed"]

_DIGITAL_SILENCE_S = 0.05
_GATED_DB = -60.0  # a decay that is this far down may end: nobody hears it
_STEEPER = 1.7  # times as steep in the end as before: a sum of decays only gets flatter

OCTAVES = (1000.0, 2000.0, 4000.0)
"""Where music's falls are looked at, in Hz, beside all frequencies together: lower octaves waver too much."""

TURN_DB = 6.0
"""A level that rises by so much ends a fall."""

DEEP_DB = 25.0
"""Falls of so much are looked at."""

LONGEST_T_S, SHORTEST_T_S = 5.0, 0.4
"""Between them lies the reverberation time of a fall that could be a room's before it breaks off, in seconds."""

BREAKS_OFF = 2.5
"""A fall that is so many times as steep after some point breaks off there (our choice, no source)."""

ROOM_S = 0.12
"""How long the fall lasts before, in seconds."""

ROOM_DB, BROKEN_DB = 6.0, 8.0
"""By how much it falls before and after."""

FEWEST, SHARE = 12, 0.3
"""Of so many falls, in octaves and all together, such a share breaks off where somebody made them: of strings as they
were 0 to 0.25 do, behind gates and denoisers that reach into the decay 0.25 to 1 (measured)."""

FEW, MOST_OF_THEM = 6, 0.6
"""Of so few falls, as two stops have, such a share: behind a gate all 78 recordings with two stops had it, as they
were none (noise and strings, measured)."""


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
    if not response and _breaks_off(samples, rate, frames):
        found.append(
            "decays break off where they get quiet: gated or denoised, so reverberation times may come out too short"
        )
    if response and not cut and (steeper := _steepening(level)) is not None:
        found.append(
            f"the decay gets {steeper:.1f} times as steep further down: denoised, gated or faded out, as no room decays"
        )
    return found


def _breaks_off(samples: NDArray[np.float64], rate: int, whole: NDArray[np.float64]) -> bool:
    """Return whether music's falls get steeper further down, more often than those of a room with people playing.

    ``whole``: the energy of its frames, all frequencies together.
    """
    octaves = frame_energies(samples, rate, round(FRAME_S * rate), OCTAVES)
    bands = [whole, *(energy for energy in octaves if energy is not None)]
    broken = [_is_broken(fall) for energy in bands if energy.any() for fall in _deep_falls(energy)]
    share = SHARE if len(broken) >= FEWEST else MOST_OF_THEM
    return len(broken) >= FEW and sum(broken) >= share * len(broken)


def _deep_falls(energy: NDArray[np.float64]) -> Iterator[NDArray[np.float64]]:
    """Yield the level over each deep fall, less its first 5 and its last 3 dB."""
    smooth = moving_mean(energy, 3)
    level = energy_db(np.maximum(smooth, 10.0 ** (_GATED_DB / 10.0) * np.max(smooth)))
    for peak, trough in turns(level, TURN_DB):
        fall = level[peak : trough + 1]
        if fall[0] - fall[-1] >= DEEP_DB:
            first = int(np.flatnonzero(fall > fall[0] - 5.0)[-1]) + 1
            yield fall[first : int(np.argmax(fall <= fall[-1] + 3.0)) + 1]


def _is_broken(fall: NDArray[np.float64]) -> bool:
    """Return whether the two lines that fit a fall best are a room's and one that is much steeper."""
    frames = round(ROOM_S / FRAME_S)
    least, found = np.inf, False
    for knee in range(frames, fall.size - 3, max(1, fall.size // 60)):
        before, slope = _line(fall[:knee])
        after, steep = _line(fall[knee:])
        if before + after < least:
            least = before + after
            found = (
                60.0 / LONGEST_T_S <= -slope <= 60.0 / SHORTEST_T_S
                and steep < BREAKS_OFF * slope
                and fall[0] - fall[knee] > ROOM_DB
                and fall[knee] - fall[-1] > BROKEN_DB
            )
    return found


def _line(level: NDArray[np.float64]) -> tuple[float, float]:
    """Return the squares that a straight line leaves of a level, and its slope in dB a second."""
    time = np.arange(level.size) - (level.size - 1) / 2.0
    slope = float(time @ level) / float(time @ time)
    return float(np.sum((level - level.mean() - slope * time) ** 2)), slope / FRAME_S


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
