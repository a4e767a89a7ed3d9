"""A render ends when nothing is left to hear in any file, or where it is told to; nothing else changes."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pytest
import scipy.signal
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from render.tail import FADE_S, INAUDIBLE_DBFS, audible_samples, to_length, until_inaudible
from rooms.units import MIDBANDS

RATE = 48000
FADE = round(FADE_S * RATE)


def decaying(band: int, T: float, level_db: float, seconds: float = 3.0) -> NDArray[np.float32]:
    """Return noise of one octave that begins at a level (mean square) and falls by 60 dB in T seconds."""
    edges = MIDBANDS[band] * np.array([2**-0.4, 2**0.4])
    white = np.random.default_rng(band).standard_normal(round((seconds + 1) * RATE))
    filtered = scipy.signal.sosfilt(scipy.signal.butter(4, edges, "bandpass", fs=RATE, output="sos"), white)[RATE:]
    filtered *= 10 ** (level_db / 20) / np.sqrt(np.mean(filtered**2))
    return (filtered * 10 ** (-3 * np.arange(filtered.size) / RATE / T)).astype(np.float32)


def cut(signal: NDArray, sizes: list[int]) -> Iterator[NDArray]:
    """Cut (…, n) samples into blocks, going round the sizes."""
    start = index = 0
    while start < signal.shape[-1]:
        yield signal[..., start : start + sizes[index % len(sizes)]]
        start += sizes[index % len(sizes)]
        index += 1


def joined(blocks: Iterator[NDArray]) -> NDArray:
    return np.concatenate(list(blocks), axis=-1)


@pytest.mark.parametrize("T", [0.5, 1.0, 4.0])
def test_the_end_is_where_the_tail_falls_below_minus_90_dbfs(T: float) -> None:
    """Closed form: from −30 dBFS, at 60 dB in T, every sample as high as the others; the last channel decides."""
    time = np.arange(round(2 * T * RATE)) / RATE
    signs = np.random.default_rng(1).choice([-1, 1], time.size)
    slow, fast = (10 ** ((-30 - 60 * time / t) / 20) * signs for t in (T, T / 2))
    assert abs(audible_samples(np.stack([slow, fast]).astype(np.float32)) - T * RATE) <= 1


@pytest.mark.parametrize("slow", range(9))
def test_no_octave_band_of_what_is_left_out_reaches_minus_90_dbfs(slow: int) -> None:
    """Bands of noise that fall at different speeds: after the end none has the power, by SciPy's own filters.

    A band that falls most slowly and softly keeps the tail long after the sum of all has fallen by 40 dB.
    """
    tail = sum(decaying(band, 1.5 if band == slow else 0.4, -60.0 if band == slow else -25.0) for band in range(9))
    end = audible_samples(tail[None])
    assert end > 0.5 * RATE
    for band in range(9):
        edges = np.minimum(MIDBANDS[band] * np.array([2**-0.5, 2**0.5]), 0.49 * RATE)
        filtered = scipy.signal.sosfilt(scipy.signal.butter(4, edges, "bandpass", fs=RATE, output="sos"), tail)
        power = np.convolve(filtered[end:] ** 2, np.ones(2400) / 2400, "valid")
        assert 10 * np.log10(power.max()) < INAUDIBLE_DBFS


def test_silence_ends_at_once_and_what_never_falls_lasts_to_its_end() -> None:
    """The two limits."""
    assert audible_samples(np.zeros((2, 50_000), np.float32)) == 0
    assert audible_samples(np.full((1, 50_000), 0.1, np.float32)) == 50_000


@given(st.integers(0, 60_000), st.lists(st.integers(1, 30_000), min_size=1, max_size=4), st.integers(0, 20_000))
def test_a_tail_is_cut_where_it_is_inaudible_whatever_the_blocks(music: int, sizes: list[int], first: int) -> None:
    """The samples before the fade are the same bits; the length is the music's, what is audible, and the fade."""
    first = min(first, music)
    signal = np.concatenate([np.full(music, 0.1, np.float32), decaying(4, 1.0, -50.0, 2.0)])[None, first:]
    end = music - first + audible_samples(signal[:, music - first :]) + FADE
    got = joined(until_inaudible(cut(signal, sizes), first, music, RATE, lambda block: [block]))
    assert got.shape == (1, end)
    np.testing.assert_array_equal(got[:, :-FADE], signal[:, : end - FADE])
    assert np.abs(got[:, -FADE:]).max() <= np.abs(signal[:, end - FADE : end]).max()
    assert abs(got[0, -1]) <= 1e-3 * max(np.abs(signal[:, end - FADE : end]).max(), 1e-20)


def test_all_files_have_the_length_of_the_longest() -> None:
    """What counts is what goes to the files: here the second, 40 dB louder than the blocks themselves."""
    signal = decaying(4, 1.0, -70.0)[None]
    alone = joined(until_inaudible([signal], 0, 0, RATE, lambda block: [block]))
    louder = joined(until_inaudible([signal], 0, 0, RATE, lambda block: [block, 100 * block]))
    assert louder.shape[1] - alone.shape[1] == pytest.approx(40 / 60 * RATE, abs=0.1 * RATE)


@given(st.integers(1, 50_000), st.lists(st.integers(1, 20_000), min_size=1, max_size=4), st.integers(0, 3000))
def test_a_given_length_is_kept_to_the_sample(end: int, sizes: list[int], first: int) -> None:
    """Cut with a fade, or filled up with silence; the bits before the fade stay."""
    end += first
    signal = np.random.default_rng(end).standard_normal((2, 3, 20_000), np.float32)
    got = joined(to_length(cut(signal, sizes), first, end, RATE))
    assert got.shape == (2, 3, end - first)
    kept = max(min(end - first - FADE, 20_000), 0)
    np.testing.assert_array_equal(got[..., :kept], signal[..., :kept])
    assert not got[..., 20_000:].any()


def test_the_fade_is_half_a_period_of_a_cosine() -> None:
    """Closed form: half the amplitude in its middle, and symmetric about it."""
    got = joined(to_length([np.ones((1, 5000), np.float32)], 0, 4000, RATE))[0]
    fade = got[-FADE:].astype(float)
    np.testing.assert_allclose(fade + fade[::-1], 1.0, atol=1e-6)
    wanted = 0.5 + 0.5 * np.cos(np.pi * (np.arange(FADE) + 0.5) / FADE)
    np.testing.assert_allclose(fade, wanted, atol=1e-6)


def test_nothing_more_is_asked_for_once_the_end_is_reached() -> None:
    """A cut render doesn't compute what it throws away."""

    def blocks() -> Iterator[NDArray]:
        yield np.ones((1, 1000), np.float32)
        raise AssertionError

    assert joined(to_length(blocks(), 0, 1000, RATE)).shape == (1, 1000)
