"""Block convolution against a direct reference in double precision."""

from __future__ import annotations

import itertools
import subprocess
import sys
from collections.abc import Iterator

import numpy as np
import pytest
import scipy.signal
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from render.convolve import convolve, convolve_groups, passage_start

ERROR = 10 ** (-120 / 20)  # re the output's peak: design, float32 chain against a float64 reference


def reference(voices: NDArray, responses: NDArray) -> NDArray:
    """Return the sum over voices at each capsule, in double precision."""
    return np.array(
        [
            sum(scipy.signal.oaconvolve(x, h) for x, h in zip(voices, to_capsule, strict=True))
            for to_capsule in responses.astype(np.float64).swapaxes(0, 1)
        ]
    )


def chunks(signal: NDArray, sizes: list[int]) -> Iterator[NDArray]:
    """Cut the signal into blocks, going round the sizes."""
    start = 0
    for size in itertools.cycle(sizes):
        yield signal[:, start : start + size]
        start += size
        if start >= signal.shape[1]:
            return


def joined(blocks: Iterator[NDArray]) -> NDArray:
    return np.concatenate(list(blocks), axis=-1)


@settings(deadline=None, max_examples=60)
@given(
    st.integers(0, 2**32 - 1),
    st.integers(1, 9000),
    st.integers(1, 5000),
    st.integers(1, 5),
    st.integers(1, 5),
    st.lists(st.integers(1, 4000), min_size=1, max_size=5),
    st.integers(0, 4000),
)
def test_it_is_the_direct_sum_to_minus_120_db(
    seed: int, length: int, samples: int, voices: int, capsules: int, sizes: list[int], offset: int
) -> None:
    """Any length, chunking, number of voices and capsules, delay before the direct sound."""
    rng = np.random.default_rng(seed)
    signal = rng.standard_normal((voices, length), np.float32)
    responses = rng.standard_normal((voices, capsules, samples), np.float32)
    responses[..., : min(offset, samples - 1)] = 0
    got = joined(convolve(chunks(signal, sizes), responses))
    wanted = np.array(
        [sum(np.convolve(x.astype(float), h.astype(float)) for x, h in zip(signal, hs, strict=True))
         for hs in responses.swapaxes(0, 1)]
    )  # fmt: skip
    assert got.dtype == np.float32
    assert got.shape == (capsules, length + samples - 1)
    assert np.abs(got - wanted).max() <= ERROR * np.abs(wanted).max()


@pytest.mark.parametrize("samples", [120_000, 131_072, 168_000, 300_001])
def test_responses_longer_than_a_block_are_the_direct_sum_too(samples: int) -> None:
    """One to three partitions, decaying as a hall does, input of several sets of blocks."""
    rng = np.random.default_rng(3)
    signal = rng.standard_normal((2, 700_000), np.float32)
    decay = np.exp(-6.91 * np.arange(samples) / samples)
    responses = (rng.standard_normal((2, 3, samples)) * decay).astype(np.float32)
    got = joined(convolve(chunks(signal, [65536, 1, 30_000]), responses))
    wanted = reference(signal.astype(float), responses)
    assert got.shape == wanted.shape
    assert np.abs(got - wanted).max() <= ERROR * np.abs(wanted).max()


def test_the_bits_do_not_depend_on_the_chunking_nor_on_appended_silence() -> None:
    """Re-rendering a longer cue gives the same samples when only silence was added."""
    rng = np.random.default_rng(4)
    signal = rng.standard_normal((3, 60_000), np.float32)
    responses = rng.standard_normal((3, 5, 5_000), np.float32)
    whole = joined(convolve([signal], responses))
    for sizes in ([1000], [7, 4096, 1], [59_999]):
        np.testing.assert_array_equal(joined(convolve(chunks(signal, sizes), responses)), whole)
    followed = joined(convolve([signal, np.zeros((3, 12_345), np.float32)], responses))
    np.testing.assert_array_equal(followed[:, : whole.shape[1]], whole)
    assert not followed[:, whole.shape[1] + 2 * 8192 :].any()


def test_the_bits_before_the_block_of_a_change_stay() -> None:
    """An edit late in the cue leaves earlier blocks (8192 samples for a response of 5000) untouched."""
    rng = np.random.default_rng(9)
    signal = rng.standard_normal((3, 60_000), np.float32)
    responses = rng.standard_normal((3, 5, 5_000), np.float32)
    whole = joined(convolve([signal], responses))
    for length in (8_192, 33_333, 50_000):
        edited = signal.copy()
        edited[:, length:] += 1
        before = length // 8192 * 8192
        for changed in (edited, signal[:, :length]):
            np.testing.assert_array_equal(joined(convolve([changed], responses))[:, :before], whole[:, :before])


def test_the_bits_do_not_depend_on_the_number_of_cores(monkeypatch: pytest.MonkeyPatch) -> None:
    """One worker or five: the same samples."""
    rng = np.random.default_rng(5)
    signal = rng.standard_normal((3, 20_000), np.float32)
    responses = rng.standard_normal((3, 5, 3_000), np.float32)
    results = []
    for cores in (1, 5):
        monkeypatch.setattr("os.cpu_count", lambda cores=cores: cores)
        results.append(joined(convolve([signal], responses)))
    np.testing.assert_array_equal(*results)


def test_an_impulse_gives_the_response_back_at_its_place() -> None:
    """Head never cut, no latency."""
    response = np.random.default_rng(6).standard_normal((1, 2, 1500), np.float32)
    signal = np.zeros((1, 5000), np.float32)
    signal[0, 1234] = 1
    got = joined(convolve(chunks(signal, [512]), response))
    wanted = np.zeros((2, 6499))
    wanted[:, 1234:2734] = response[0]
    np.testing.assert_allclose(got, wanted, rtol=0, atol=ERROR * np.abs(response).max())


def test_groups_are_their_own_convolutions_and_sum_to_the_mix() -> None:
    """A voice may be in several groups or none."""
    rng = np.random.default_rng(7)
    signal = rng.standard_normal((4, 30_000), np.float32)
    responses = rng.standard_normal((4, 3, 2_000), np.float32)
    got = joined(convolve_groups(chunks(signal, [777]), responses, [(0, 2), (3,), (2,)]))
    assert got.shape == (3, 3, 31_999)
    for output, group in zip(got, ([0, 2], [3], [2]), strict=True):
        wanted = reference(signal[group].astype(float), responses[group])
        assert np.abs(output - wanted).max() <= ERROR * np.abs(wanted).max()


def test_no_input_gives_a_silent_tail_and_one_sample_by_one_sample_works() -> None:
    """The length is always input + samples - 1."""
    response = np.full((1, 1, 10), 0.5, np.float32)
    np.testing.assert_array_equal(joined(convolve([], response)), np.zeros((1, 9)))
    np.testing.assert_array_equal(joined(convolve([np.full((1, 1), 3, np.float32)], response[..., :1])), [[1.5]])


def test_silence_stays_exactly_silent() -> None:
    """No noise of the transform's own where nothing sounds."""
    responses = np.random.default_rng(8).standard_normal((1, 1, 3000), np.float32)
    assert not joined(convolve([np.zeros((1, 9000), np.float32)], responses)).any()


def test_shapes_that_do_not_fit_are_refused_before_anything_is_computed() -> None:
    """Programming errors are named."""
    responses = np.zeros((2, 3, 10), np.float32)
    with pytest.raises(ValueError, match="doesn't fit responses for 2 voices"):
        joined(convolve([np.zeros((3, 5), np.float32)], responses))
    with pytest.raises(ValueError, match=r"\(voices, capsules, samples\)"):
        convolve([], responses[0])
    with pytest.raises(ValueError, match="must name voices 0 to 1"):
        convolve_groups([], responses, [(0,), (2,)])
    with pytest.raises(ValueError, match="no group"):
        convolve_groups([], responses, [])


def test_memory_stays_flat_and_below_600_mib_for_five_sections_and_twelve_capsules() -> None:
    """Imports included, 2.5 s responses; two minutes take no more than one (within 5 %, the allocator's own play)."""
    script = """
from pathlib import Path
import numpy as np
from render.convolve import convolve
responses = np.random.default_rng(0).standard_normal((5, 12, 120_000), np.float32)
block = np.ones((5, 48_000), np.float32)
for seconds in (15, 60, 120):
    for _ in convolve((block for _ in range(seconds)), responses):
        pass
    (held,) = (line for line in Path("/proc/self/status").read_text().splitlines() if line.startswith("VmHWM"))
    print(int(held.split()[1]) / 1024)  # not ru_maxrss, which a child inherits from pytest
"""
    result = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    _, short, long = map(float, result.stdout.split())
    assert long <= 600
    assert long <= 1.05 * short


@settings(deadline=None, max_examples=30)
@given(
    st.integers(0, 2**32 - 1),
    st.integers(1, 40_000),
    st.integers(1, 9_000),
    st.integers(1, 3),
    st.floats(0, 1),
)
def test_a_passage_has_the_bits_of_the_whole(seed: int, length: int, samples: int, groups: int, place: float) -> None:
    """Input from `passage_start` on is enough, and no more than a response and two sets of blocks is read before it."""
    rng = np.random.default_rng(seed)
    signal = rng.standard_normal((2, length), np.float32)
    responses = rng.standard_normal((2, 2, samples), np.float32)
    whole = joined(convolve_groups([signal], responses, [(0, 1)] * groups))
    first = int(place * (whole.shape[2] - 1))
    start = passage_start(first, samples, groups)
    assert first - start <= samples + 2 * 4 * max(1024, 2 * samples)
    passage = joined(convolve_groups([signal[:, start:]], responses, [(0, 1)] * groups))
    np.testing.assert_array_equal(passage[..., first - start :], whole[..., first:])


@pytest.mark.parametrize("samples", [1_500, 5_000, 2**16 + 1])
def test_a_passage_may_begin_at_any_block(samples: int) -> None:
    """Responses of one block and of two; every place on the grid and the one before it."""
    rng = np.random.default_rng(10)
    block = min(2**16, 1 << (samples - 1).bit_length())
    signal = rng.standard_normal((1, 14 * block), np.float32)
    responses = rng.standard_normal((1, 1, samples), np.float32)
    whole = joined(convolve([signal], responses))
    for first in {max(n * block - m, 0) for n in range(14) for m in (0, 1)}:
        start = passage_start(first, samples)
        passage = joined(convolve([signal[:, start:]], responses))
        np.testing.assert_array_equal(passage[:, first - start :], whole[:, first:])
