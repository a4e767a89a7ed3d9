"""How much memory a render takes: what a cue will take before it starts, and what the process held at most."""

from __future__ import annotations

import sys
from pathlib import Path

from render.convolve import BLOCKS_AT_ONCE, block_length
from render.cue_plan import CuePlan

__all__ = ["LARGE_MIB", "memory_notice", "peak_mib", "predicted_peak_mib"]

LARGE_MIB = 600.0
"""From where on a render's memory is worth a line."""

_PROGRAM_MIB = 274.0  # measured: the interpreter, its libraries and compiled code


def peak_mib() -> float | None:
    """Return the most memory this process has held, in MiB; None where the system doesn't tell."""
    status = Path("/proc/self/status")
    if status.exists():  # Linux; what `resource` says there may be the parent's
        held = next(line for line in status.read_text().splitlines() if line.startswith("VmHWM"))
        return int(held.split()[1]) / 1024
    try:
        import resource
    except ImportError:  # Windows
        return None
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return peak / (1 << 20 if sys.platform == "darwin" else 1 << 10)


def predicted_peak_mib(plan: CuePlan, kept: int) -> float:
    """Return about how much memory the process holds at most while it writes a cue, in MiB.

    Parameters
    ----------
    plan : CuePlan
        The cue.
    kept : int
        Bytes of what is kept for the report meanwhile.

    Notes
    -----
    Doesn't depend on the cue's length beyond what is taken at once. Counted are the console's responses, their spectra,
    the blocks on their way through convolution, sums and writers, and the tail, which is held until its end is known.
    """
    samples = plan.console.responses.shape[2]
    voices, groups = len(plan.voices), len(plan.groups)
    capsules = 2 if plan.mix_only else plan.console.responses.shape[1]
    block = block_length(samples, groups)
    partitions = -(-samples // block)
    taken = min(BLOCKS_AT_ONCE * block, plan.music + samples)
    copied = plan.mix_only or plan.output.loudness is not None or voices < len(plan.console.sections)
    own = voices * capsules * samples if copied else 0
    spectra = voices * capsules * partitions + voices * (partitions + BLOCKS_AT_ONCE) + capsules * BLOCKS_AT_ONCE
    inputs = voices * (3 * BLOCKS_AT_ONCE * block + samples)
    sums = sum(file.channels for file in plan.files if file.channels > 1) + (capsules if groups > 1 else 0)
    # The one convolved and the one written; two threads write, each a pair of channels, turned as files have them.
    blocks = taken * (2 * groups * capsules + 2 * sums + 4)
    if plan.end is not None:
        blocks += groups * capsules * taken  # the last one, faded
    tail = groups * capsules * min(samples, plan.samples) if plan.end is None else 0
    # Until its end is known the tail is the blocks it is in, one of them with music before it. It is put together when
    # the spectra are gone; then all that it becomes in the files is there at once.
    in_blocks = groups * capsules * taken * (-(-samples // taken) + 1) if plan.end is None else 0
    made = 2 * 2 * BLOCKS_AT_ONCE * partitions * block  # spectra on their way on two cores; given back late
    convolving = 2 * block * spectra + made + inputs + blocks + in_blocks
    ending = blocks + (in_blocks + tail + samples * sums if plan.end is None else 0)
    held: int = plan.console.responses.size + own + max(convolving, ending)
    return _PROGRAM_MIB + (kept + 4 * held) / 2**20


def memory_notice(plan: CuePlan, kept: int) -> str | None:
    """Return a line that says what `predicted_peak_mib` says, if that is more than `LARGE_MIB`."""
    predicted = predicted_peak_mib(plan, kept)
    return f"cue '{plan.name}': takes about {predicted:.0f} MiB of memory" if predicted > LARGE_MIB else None
