"""Block convolution of many voices with many responses: flat in memory, the same bits for any chunking.

Uniformly partitioned overlap-save in single precision. The grid of blocks is anchored at sample 0 and every
transform call takes the same number of lines, so a sample's bits depend neither on how the caller cut the
input nor on the number of cores, nor on silence appended. Where two inputs differ, the outputs before the
block of the first difference are the same bits; within that block they agree to rounding.

References
----------
T. G. Stockham, "High-speed convolution and correlation", AFIPS Spring Joint Computer Conference 1966 (the
overlap-save method); F. Wefers, "Partitioned convolution algorithms for real-time auralization", RWTH Aachen
2014 (uniform partitions with a frequency-domain delay line). Both from memory.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from functools import partial
from itertools import chain

import numpy as np
import scipy.fft
from numba import njit
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

__all__ = ["BLOCKS_AT_ONCE", "block_length", "convolve", "convolve_groups", "passage_start"]

Float = NDArray[np.float32]
Complex = NDArray[np.complex64]
Index = NDArray[np.int64]

# Measured on two cores with 512 KiB of second-level cache each (tests/benchmarks/bench_convolution.py).
_LONGEST_BLOCK = 2**16  # samples; a transform is twice as long
_SHORTEST_BLOCK = 2**10
BLOCKS_AT_ONCE = 4
"""Blocks taken together: the library transforms four lines in one vector register, twice as fast."""
_TILE = 2048  # frequency bins whose input spectra stay in cache while the responses' stream past


def convolve(blocks: Iterable[Float], responses: Float) -> Iterator[Float]:
    """Convolve voices with their responses and sum them at each capsule.

    Parameters
    ----------
    blocks : iterable of (voices, n) float32 arrays
        The voices' samples in order, cut anywhere; `n` may differ from block to block.
    responses : (voices, capsules, samples) float32 array
        Impulse responses at the same sample rate.

    Returns
    -------
    iterator of (capsules, n) float32 arrays
        Consecutive output. In total it is input length + samples - 1 long: it starts at the input's first
        sample and ends with the tail of the last one.

    Raises
    ------
    ValueError
        If the shapes don't fit.

    Notes
    -----
    The error stays below −120 dB re the output's peak. Memory doesn't depend on the input's length: about two
    and a half times the responses (their spectra), and 0.2 GiB.
    """
    everyone = _checked_groups([range(responses.shape[0])], responses)
    return (block[0] for block in _overlap_save(blocks, responses, everyone))


def convolve_groups(blocks: Iterable[Float], responses: Float, groups: Sequence[Sequence[int]]) -> Iterator[Float]:
    """Convolve voices with their responses and sum them at each capsule, each group of voices for itself.

    Parameters
    ----------
    blocks : iterable of (voices, n) float32 arrays
        As for `convolve`.
    responses : (voices, capsules, samples) float32 array
        As for `convolve`.
    groups : sequence of sequences of int
        Indices of the voices summed in each group; a voice may be in several groups or in none.

    Returns
    -------
    iterator of (groups, capsules, n) float32 arrays
        Consecutive output, as long in total as that of `convolve`.

    Raises
    ------
    ValueError
        If the shapes don't fit, or a group is empty or names a voice that doesn't exist.
    """
    return _overlap_save(blocks, responses, _checked_groups(groups, responses))


def passage_start(first: int, samples: int, groups: int = 1) -> int:
    """Return where the input must begin for outputs from `first` on to be the same bits as in the whole.

    Parameters
    ----------
    first : int
        The first output wanted, in samples.
    samples : int
        Length of the responses.
    groups : int
        How many groups of voices are convolved each for itself.

    Returns
    -------
    int
        A sample of the input, on the grid of blocks. Convolving the input from there gives outputs from there; those
        before `first` lack what sounded earlier.
    """
    block = block_length(samples, groups)
    taken = BLOCKS_AT_ONCE * block
    # A block is made of the spectra of as many windows as the responses have blocks, each of two blocks of input.
    needed = first // block - -(-samples // block)
    return max(needed, 0) * block // taken * taken


def block_length(samples: int, groups: int) -> int:
    """Return the length of a block for responses of so many samples."""
    longest = _LONGEST_BLOCK if groups == 1 else _LONGEST_BLOCK // 2  # outputs of many groups weigh more
    return min(longest, max(_SHORTEST_BLOCK, 1 << (samples - 1).bit_length()))


def _checked_groups(groups: Sequence[Sequence[int]], responses: Float) -> list[Index]:
    """Return the groups as index arrays, or raise `ValueError`."""
    if responses.ndim != 3 or 0 in responses.shape:
        raise ValueError(f"responses must be (voices, capsules, samples) and not empty, not {responses.shape}")
    arrays = [np.asarray(group, dtype=np.int64) for group in groups]
    if not arrays:
        raise ValueError("no group of voices was given")
    for group in arrays:
        if group.size == 0 or group.min() < 0 or group.max() >= responses.shape[0]:
            raise ValueError(f"group {group.tolist()} must name voices 0 to {responses.shape[0] - 1}")
    return arrays


def _overlap_save(blocks: Iterable[Float], responses: Float, groups: list[Index]) -> Iterator[Float]:
    """Yield (groups, capsules, n) blocks; see `convolve_groups`."""
    voices, capsules, samples = responses.shape
    block = block_length(samples, len(groups))
    past = -(-samples // block) - 1  # blocks before the present one that still sound
    # Input, oldest first: one block of the past, then those taken now; seen as windows of two blocks.
    recent = np.zeros((voices, (1 + BLOCKS_AT_ONCE) * block), np.float32)
    windows = sliding_window_view(recent, 2 * block, axis=-1)[:, ::block]
    spectra = np.zeros((voices, past + BLOCKS_AT_ONCE, block + 1), np.complex64)  # theirs, oldest first
    products = np.empty((capsules, BLOCKS_AT_ONCE, block + 1), np.complex64)
    tail = np.zeros((voices, samples - 1), np.float32)

    with ThreadPoolExecutor(os.cpu_count()) as pool:
        filters = _filters(pool, responses, block)
        for taken in _regrouped(chain(blocks, [tail]), voices, BLOCKS_AT_ONCE * block):
            length = taken.shape[1]
            recent[:, :block] = recent[:, -block:]
            recent[:, block : block + length] = taken
            recent[:, block + length :] = 0
            spectra[:, :past] = spectra[:, BLOCKS_AT_ONCE:]
            _each(pool, partial(_transform, windows, spectra[:, past:]), range(voices))
            output = np.empty((len(groups), capsules, BLOCKS_AT_ONCE * block), np.float32)
            for members, summed in zip(groups, output, strict=True):
                multiply = partial(_multiply, spectra, filters, members, products)
                _each(pool, multiply, range(0, block + 1, _TILE))
                _each(pool, partial(_transform_back, products, summed), range(capsules))
            yield output[..., :length]


def _regrouped(blocks: Iterable[Float], voices: int, size: int) -> Iterator[Float]:
    """Yield the same samples in blocks of `size`, the last one shorter; the array is reused."""
    gathered = np.empty((voices, size), np.float32)
    filled = 0
    for block in blocks:
        if block.ndim != 2 or block.shape[0] != voices:
            raise ValueError(f"a block of shape {block.shape} doesn't fit responses for {voices} voices")
        start = 0
        while start < block.shape[1]:
            step = min(size - filled, block.shape[1] - start)
            gathered[:, filled : filled + step] = block[:, start : start + step]
            filled += step
            start += step
            if filled == size:
                yield gathered
                filled = 0
    if filled:
        yield gathered[:, :filled]


def _each(pool: ThreadPoolExecutor, work: Callable[[int], None], indices: range) -> None:
    """Do the work for each index, on all cores; a failure in one is raised here."""
    for _ in pool.map(work, indices):
        pass


def _filters(pool: ThreadPoolExecutor, responses: Float, block: int) -> Complex:
    """Return the spectra (voices, capsules, partitions, bins) of the responses cut into blocks."""
    voices, capsules, samples = responses.shape
    partitions = -(-samples // block)
    filters = np.empty((voices, capsules, partitions, block + 1), np.complex64)

    def work(voice: int) -> None:
        for first in range(0, capsules, BLOCKS_AT_ONCE):
            some = responses[voice, first : first + BLOCKS_AT_ONCE]
            parts = np.zeros((len(some), partitions, block), np.float32)
            parts.reshape(len(some), -1)[:, :samples] = some
            filters[voice, first : first + BLOCKS_AT_ONCE] = scipy.fft.rfft(parts, 2 * block)

    _each(pool, work, range(voices))
    return filters


def _transform(windows: Float, spectra: Complex, voice: int) -> None:
    """Fill a voice's spectra (voices, blocks, bins) from its windows (voices, blocks, samples)."""
    spectra[voice] = scipy.fft.rfft(windows[voice])


def _multiply(spectra: Complex, filters: Complex, members: Index, products: Complex, first: int) -> None:
    """Fill a tile of the products (capsules, blocks, bins) from bin `first` on."""
    _accumulate(spectra, filters, members, products, first, min(first + _TILE, products.shape[-1]))


def _transform_back(products: Complex, output: Float, capsule: int) -> None:
    """Fill a capsule's output (capsules, samples) with the half of each window that didn't wrap."""
    block = products.shape[-1] - 1
    windows = scipy.fft.irfft(products[capsule], 2 * block)
    output[capsule].reshape(-1, block)[:] = windows[:, block:]


@njit(nogil=True, fastmath=True, cache=True)
def _accumulate(spectra: Complex, filters: Complex, members: Index, products: Complex, first: int, last: int) -> None:
    """Sum spectrum times filter over the member voices and the partitions, bins first to last."""
    partitions = filters.shape[2]
    for capsule in range(products.shape[0]):
        for block in range(products.shape[1]):
            total = products[capsule, block, first:last]
            total[:] = 0
            for voice in members:
                for partition in range(partitions):
                    x = spectra[voice, block + partitions - 1 - partition, first:last]
                    h = filters[voice, capsule, partition, first:last]
                    for i in range(last - first):
                        total[i] += x[i] * h[i]
