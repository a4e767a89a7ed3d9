"""How much memory a render takes: what a cue will take before it starts, and what the process held at most."""

from __future__ import annotations

import ctypes
import sys
from contextlib import suppress
from pathlib import Path

from render.convolve import BLOCKS_AT_ONCE, block_length
from render.cue_plan import CuePlan

__all__ = ["LARGE_MIB", "give_back", "held_mib", "memory_notice", "peak_mib", "predicted_peak_mib"]

LARGE_MIB = 600.0
"""From where on a render's memory is worth a line."""

_PROGRAM_MIB = 190.0  # measured: the interpreter, its libraries and compiled code, before a cue
_LATER_MIB = 60.0  # measured: code that a cue loads, and what the C library keeps for itself meanwhile


def peak_mib() -> float | None:
    """Return the most memory this process has held, in MiB; None where the system doesn't tell."""
    told = _status_mib("VmHWM")  # Linux; what `resource` says there may be the parent's
    if told is not None:
        return told
    try:
        import resource
    except ImportError:  # Windows
        return None
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return peak / (1 << 20 if sys.platform == "darwin" else 1 << 10)


def give_back() -> None:
    """Give the system what the process has let go of, which the C library of Linux keeps otherwise."""
    if sys.platform == "linux":
        with suppress(AttributeError, OSError):  # another C library
            ctypes.CDLL(None).malloc_trim(0)


def held_mib() -> float | None:
    """Return the memory this process holds, in MiB; None where the system doesn't tell."""
    return _status_mib("VmRSS")


def _status_mib(key: str) -> float | None:
    """Return an entry of what Linux says of this process, in MiB; None elsewhere."""
    status = Path("/proc/self/status")
    if not status.exists():
        return None
    entry = next(line for line in status.read_text().splitlines() if line.startswith(key))
    return int(entry.split()[1]) / 1024


def predicted_peak_mib(plan: CuePlan, held: float | None) -> float:
    """Return about how much memory the process holds at most while it writes a cue, in MiB.

    Parameters
    ----------
    plan : CuePlan
        The cue.
    held : float or None
        What the process holds before, in MiB, the cue's responses included; None if that isn't known.

    Notes
    -----
    Doesn't depend on the cue's length beyond what is taken at once. Counted are the responses' spectra, the blocks on
    their way through convolution and writers, and the tail, which is held until its end is known.
    """
    samples = plan.console.responses.shape[2]
    if held is None:
        held = _PROGRAM_MIB + plan.console.responses.nbytes / 2**20
    voices, groups = len(plan.voices), len(plan.groups)
    capsules = 2 if plan.mix_only else plan.console.responses.shape[1]
    block = block_length(samples, groups)
    partitions = -(-samples // block)
    taken = min(BLOCKS_AT_ONCE * block, plan.music + samples)
    copied = plan.mix_only or plan.output.loudness is not None or voices < len(plan.console.sections)
    own = voices * capsules * samples if copied else 0
    spectra = voices * capsules * partitions + voices * (partitions + BLOCKS_AT_ONCE) + capsules * BLOCKS_AT_ONCE
    inputs = voices * (3 * BLOCKS_AT_ONCE * block + samples)
    together = capsules if groups > 1 else 0  # of all sections
    pairs = 10  # two threads each make a pair of channels, turned as files have them
    # The block convolved and the one written.
    blocks = taken * (2 * (groups * capsules + together) + pairs)
    if plan.end is not None:
        blocks += groups * capsules * taken  # the last one, faded
    tail = groups * capsules * min(samples, plan.samples) if plan.end is None else 0
    # Until its end is known the tail is the blocks it is in, one of them with music before it. It is put together when
    # the spectra are gone.
    in_blocks = groups * capsules * taken * (-(-samples // taken) + 1) if plan.end is None else 0
    made = 2 * 2 * BLOCKS_AT_ONCE * partitions * block  # spectra on their way on two cores; given back late
    convolving = 2 * block * spectra + made + inputs + blocks + in_blocks
    ending = blocks + (in_blocks + tail + samples * (together + pairs) if plan.end is None else 0)
    return float(held + _LATER_MIB + 4 * (own + max(convolving, ending)) / 2**20)


def memory_notice(plan: CuePlan, held: float | None) -> str | None:
    """Return a line that says what `predicted_peak_mib` says, if a process that does nothing else takes `LARGE_MIB`."""
    if predicted_peak_mib(plan, None) <= LARGE_MIB:
        return None
    return f"cue '{plan.name}': takes about {predicted_peak_mib(plan, held):.0f} MiB of memory"
