"""The late field's noise: its keys and its coherence as linear algebra."""

from __future__ import annotations

import numpy as np
import scipy.stats
from hypothesis import given
from hypothesis import strategies as st

from rooms.noise import coherence_grid, diffuse_coherence, draw_normals, generator, square_roots


def capsules(seed: int, count: int = 4) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Draw positions within two metres, aims and patterns."""
    random = np.random.default_rng(seed)
    axes = random.standard_normal((count, 3))
    axes /= np.linalg.norm(axes, axis=1, keepdims=True)
    return random.uniform(-1.0, 1.0, (count, 3)), axes, random.uniform(0.0, 1.0, count)


def test_a_generator_repeats_for_its_seed_and_names_and_no_others() -> None:
    def draw(seed: int, *names: str) -> list[float]:
        return generator(seed, *names).standard_normal(4).tolist()

    assert draw(1, "late", "violas") == draw(1, "late", "violas")
    others = [draw(2, "late", "violas"), draw(1, "late", "cellos"), draw(1, "lateviolas"), draw(1, "violas", "late")]
    assert all(other != draw(1, "late", "violas") for other in others)
    assert draw(2**53, "late") != draw(0, "late")


def test_normal_numbers_are_normal() -> None:
    """A million: mean 0, variance 1, kurtosis 3, neighbours independent, within five standard deviations; a
    Kolmogorov–Smirnov distance below 1.63/√n (1 % of honest samples exceed it; Massey, J. Am. Stat. Assoc. 46, 1951).
    """
    count = 1_000_001
    found = np.empty(count, np.float32)
    draw_normals(generator(1, "normal"), found)
    z = found.astype(np.float64)
    root = 1.0 / np.sqrt(count)
    assert abs(z.mean()) < 5.0 * root
    assert abs(z.var() - 1.0) < 5.0 * np.sqrt(2.0) * root
    assert abs(np.mean(z**4) - 3.0) < 5.0 * np.sqrt(96.0) * root
    assert max(abs(np.mean(z[lag:] * z[:-lag])) for lag in (1, 2, 3, 4, 8)) < 5.0 * root
    assert scipy.stats.kstest(z, "norm").statistic < 1.63 * root


def test_the_grid_of_coherence_rises_from_0_to_nyquist_finely_enough_for_ten_metres() -> None:
    """Steps of 4 Hz to 1 kHz: sin(kd)/(kd) of 10 m has its zeros 17 Hz apart; then it is below 0.006 anyway."""
    for rate in (44100.0, 48000.0, 96000.0):
        grid = coherence_grid(rate)
        assert grid[0] == 0.0
        assert grid[-1] == rate / 2.0
        steps = np.diff(grid)
        assert np.all(steps > 0.0)
        assert steps[grid[:-1] < 1000.0].max() <= 4.0
        assert (steps[:-1] / grid[1:-1])[grid[1:-1] >= 1000.0].max() < 0.015


@given(st.integers(0, 2**32 - 1))
def test_coherence_is_hermitian_with_ones_and_never_negative(seed: int) -> None:
    matrices = diffuse_coherence(np.geomspace(1.0, 20000.0, 30), *capsules(seed), 343.0)
    np.testing.assert_allclose(matrices, np.conj(np.swapaxes(matrices, 1, 2)), atol=1e-12)
    np.testing.assert_allclose(np.einsum("fii->fi", matrices), 1.0, atol=1e-12)
    assert np.linalg.eigvalsh(matrices).min() > -1e-9


@given(st.integers(0, 2**32 - 1))
def test_the_series_near_nothing_joins_the_formula(seed: int) -> None:
    """Across x = kd = 0.01, where the closed form loses its digits: the step is that of a smooth curve."""
    positions, axes, parts = capsules(seed, 2)
    positions[1] = positions[0] + [0.1, 0.0, 0.0]
    frequency = np.array([0.00999999, 0.01000001]) / 0.1 * 343.0 / (2 * np.pi)
    below, above = diffuse_coherence(frequency, positions, axes, parts, 343.0)
    np.testing.assert_allclose(below, above, atol=1e-7)


@given(st.integers(0, 2**32 - 1))
def test_a_square_root_squares_to_its_matrix(seed: int) -> None:
    matrices = diffuse_coherence(np.geomspace(10.0, 20000.0, 10), *capsules(seed), 343.0)
    roots = square_roots(matrices)
    np.testing.assert_allclose(roots @ np.conj(np.swapaxes(roots, 1, 2)), matrices, atol=1e-7)
