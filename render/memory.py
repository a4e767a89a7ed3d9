"""How much memory a cue's render takes, told before it starts."""

from __future__ import annotations

from render.convolve import BLOCKS_AT_ONCE, block_length
from render.cues import CuePlan

__all__ = ["LARGE_MIB", "memory_notice", "predicted_peak_mib"]

LARGE_MIB = 600.0
"""From where on a render's memory is worth a line."""

_PROGRAM_MIB = 260.0  # measured: the interpreter, its libraries and compiled code


def predicted_peak_mib(plan: CuePlan) -> float:
    """Return about how much memory the process holds at most while it writes a cue, in MiB.

    Parameters
    ----------
    plan : CuePlan
        The cue.

    Notes
    -----
    Doesn't depend on the cue's length beyond what is taken at once. Counted are the responses, as computed and at the
    console, their spectra, the blocks on their way through convolution, sums and writers, and the tail, which is held
    until its end is known.
    """
    computed, samples = plan.console.responses.size, plan.console.responses.shape[2]
    voices, groups = len(plan.voices), len(plan.groups)
    capsules = 2 if plan.mix_only else plan.console.responses.shape[1]
    block = block_length(samples, groups)
    partitions = -(-samples // block)
    taken = min(BLOCKS_AT_ONCE * block, plan.music + samples)
    own = voices * capsules * samples if plan.mix_only or plan.gain_db else 0
    spectra = voices * capsules * partitions + voices * (partitions + BLOCKS_AT_ONCE) + capsules * BLOCKS_AT_ONCE
    inputs = voices * (3 * BLOCKS_AT_ONCE * block + samples)
    sums = sum(file.channels for file in plan.files if file.channels > 1) + (capsules if groups > 1 else 0)
    blocks = taken * (2 * groups * capsules + 3 * sums)  # the one convolved and the one written, turned in its file
    tail = groups * capsules * min(samples, plan.samples) if plan.end is None else 0
    # The tail is put together when the spectra are gone; then all that it becomes in the files is there at once.
    convolving = 2 * block * spectra + inputs + blocks + tail
    ending = blocks + (2 * tail + samples * sums if plan.end is None else 0)
    held: int = 2 * computed + own + max(convolving, ending)
    return _PROGRAM_MIB + 4 * held / 2**20


def memory_notice(plan: CuePlan) -> str | None:
    """Return a line that says how much memory a cue takes, if that is more than `LARGE_MIB`."""
    predicted = predicted_peak_mib(plan)
    return f"cue '{plan.name}': takes about {predicted:.0f} MiB of memory" if predicted > LARGE_MIB else None
