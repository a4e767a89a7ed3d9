"""Time the block convolution against the library's own, pair by pair.

Run: python tests/benchmarks/bench_convolution.py

Five voices into twelve capsules. The library's functions are run on a few of the sixty pairs and the time is
multiplied up (their time is the same for every pair); ours runs in full, reading its input block by block.
"""

from __future__ import annotations

import resource
import time
from collections.abc import Callable, Iterator

import numpy as np
from numpy.typing import NDArray

from render.convolve import convolve, convolve_groups

SAMPLE_RATE = 48000
VOICES, CAPSULES = 5, 12
LENGTH_S = 180
PAIRS_RUN = 2


def noise_blocks() -> Iterator[NDArray[np.float32]]:
    """Yield the input, made up block by block so that it needs no memory."""
    block = np.random.default_rng(1).standard_normal((VOICES, 65536), np.float32)
    left = LENGTH_S * SAMPLE_RATE
    while left > 0:
        yield block[:, : min(left, block.shape[1])]
        left -= block.shape[1]


def seconds(work: Callable[[], object]) -> float:
    """Return how long the work takes."""
    start = time.perf_counter()
    work()
    return time.perf_counter() - start


def peak_mib() -> float:
    """Return the peak memory of this process so far, imports included."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def drain(blocks: Iterator[NDArray[np.float32]]) -> None:
    """Take all blocks and keep none."""
    for _ in blocks:
        pass


def main() -> None:
    """Print one table."""
    lengths_s = (2.5, 3.5, 8.0)
    ours: dict[float, float] = {}
    for length_s in lengths_s:
        samples = round(length_s * SAMPLE_RATE)
        responses = np.random.default_rng(2).standard_normal((VOICES, CAPSULES, samples), np.float32)
        if not ours:
            drain(convolve([np.zeros((VOICES, 1), np.float32)], responses[:, :, :2000]))  # compiles or loads
        mixed = min(seconds(lambda: drain(convolve(noise_blocks(), responses))) for _ in range(2))  # noqa: B023
        mixed_mib = peak_mib()
        groups = [(voice,) for voice in range(VOICES)]
        apart = seconds(lambda: drain(convolve_groups(noise_blocks(), responses, groups)))  # noqa: B023
        ours[length_s] = mixed
        print(
            f"{length_s} s responses, {LENGTH_S} s of input: "
            f"mix {mixed:.2f} s ({LENGTH_S / mixed:.0f}x real time), peak {mixed_mib:.0f} MiB; "
            f"each voice apart {apart:.2f} s ({LENGTH_S / apart:.0f}x), peak {peak_mib():.0f} MiB",
            flush=True,
        )

    import scipy.signal  # only now: it would count as our memory

    voice = np.concatenate([block[0] for block in noise_blocks()])
    for length_s in lengths_s:
        response = np.random.default_rng(2).standard_normal(round(length_s * SAMPLE_RATE), np.float32)
        for function, dtype in (
            (scipy.signal.oaconvolve, np.float32),
            (scipy.signal.oaconvolve, np.float64),
            (scipy.signal.fftconvolve, np.float64),
        ):
            x, h = voice.astype(dtype), response.astype(dtype)
            one = min(seconds(lambda: function(x, h)) for _ in range(PAIRS_RUN))  # noqa: B023
            total = one * VOICES * CAPSULES
            print(
                f"{length_s} s: {function.__name__} {np.dtype(dtype).name} {total:.1f} s for all pairs "
                f"(extrapolated from {PAIRS_RUN}), {total / ours[length_s]:.1f} times ours",
                flush=True,
            )


if __name__ == "__main__":
    main()
