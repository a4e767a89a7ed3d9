"""A decay over a steady noise floor, fitted to the energy of frames by maximum likelihood.

References
----------
R. Ratnam, D. L. Jones, B. C. Wheeler, W. D. O'Brien, C. R. Lansing & A. S. Feng, Blind estimation of reverberation
time, J. Acoust. Soc. Am. 114, 2877 (2003): maximum likelihood of a decaying Gaussian noise (from memory).
"""

from __future__ import annotations

import numba
import numpy as np
from numpy.typing import NDArray

__all__ = ["FRAME_S", "fit_decay", "long_run_variance", "modelled_decay"]

FRAME_S = 0.01
"""Energy is summed over so long, in seconds."""


def modelled_decay(parameters: NDArray[np.float64], frames: int) -> NDArray[np.float64]:
    """Return a decay: log A and log T of each slope, then log N."""
    time = FRAME_S * np.arange(frames)
    total = np.full(frames, np.exp(parameters[-1]))
    for k in range(0, len(parameters) - 1, 2):
        total += np.exp(parameters[k] - 6.0 * np.log(10.0) * time / np.exp(parameters[k + 1]))
    return total


def fit_decay(
    y: NDArray[np.float64], slopes: int, quiet: float
) -> tuple[NDArray[np.float64], NDArray[np.float64], float]:
    """Return the most likely parameters of a decay, their covariance and log likelihood, both for a shape of one."""
    part = max(1, y.size // 8)
    top, bottom = np.log(np.mean(y[:part])), np.log(np.mean(y[-part:]))
    T_s = 6.0 * np.log(10.0) * FRAME_S * y.size / max(top - bottom, 0.5)
    first = [top, np.log(T_s)] if slopes == 1 else [top, np.log(0.6 * T_s), top - 2.0, np.log(1.5 * T_s)]
    start = np.array([*first, np.log(0.5 * quiet)])
    most = np.log(1.5 * quiet)
    parameters, information, likelihood = _newton(y, start, slopes, FRAME_S, most)
    with np.errstate(all="ignore"):
        try:
            covariance = np.linalg.inv(information)
        except np.linalg.LinAlgError:
            covariance = np.full_like(information, np.nan)
    if not covariance[1, 1] > 0:
        covariance = np.full_like(information, np.nan)
    return parameters, covariance, likelihood


@numba.njit(cache=True)
def _statistics(y, parameters, slopes, step):  # type: ignore[no-untyped-def]
    """Return log likelihood of a shape of one, its gradient and Fisher's information."""
    count = 2 * slopes + 1
    gradient = np.zeros(count)
    information = np.zeros((count, count))
    part = np.zeros(count)
    likelihood = 0.0
    floor = np.exp(parameters[count - 1])
    for k in range(len(y)):
        mean = floor
        for s in range(slopes):
            x = 6.0 * np.log(10.0) * step * k / np.exp(parameters[2 * s + 1])
            e = np.exp(parameters[2 * s] - x)
            part[2 * s] = e
            part[2 * s + 1] = e * x
            mean += e
        part[count - 1] = floor
        ratio = y[k] / mean
        likelihood -= ratio + np.log(mean)
        for i in range(count):
            gradient[i] += (ratio - 1.0) * part[i] / mean
            for j in range(count):
                information[i, j] += part[i] * part[j] / (mean * mean)
    return likelihood, gradient, information


@numba.njit(cache=True)
def _newton(y, start, slopes, step, most):  # type: ignore[no-untyped-def]
    """Climb to the highest likelihood by damped scoring (Levenberg & Marquardt); log N stays between two bounds."""
    count = 2 * slopes + 1
    parameters = start.copy()
    likelihood, gradient, information = _statistics(y, parameters, slopes, step)
    damping = 1e-2
    for _ in range(60):
        system = information.copy()
        for i in range(count):
            system[i, i] += damping * (information[i, i] + 1e-3)
        change = np.linalg.solve(system, gradient)
        trial = parameters + np.minimum(np.maximum(change, -0.7), 0.7)
        trial[count - 1] = min(max(trial[count - 1], most - 7.0), most)
        for s in range(slopes):
            trial[2 * s + 1] = min(max(trial[2 * s + 1], np.log(0.02)), np.log(100.0))
        new, new_gradient, new_information = _statistics(y, trial, slopes, step)
        if new > likelihood:
            small = new - likelihood < 1e-7
            parameters, likelihood, gradient, information = trial, new, new_gradient, new_information
            damping *= 0.2
            if small:
                break
        else:
            damping *= 5.0
            if damping > 1e8:
                break
    information[count - 1, count - 1] += 0.05  # what little is known of the floor beforehand: a factor of 90
    return parameters, information, likelihood


def long_run_variance(residuals: list[NDArray[np.float64]], lags: int = 15) -> float:
    """Return the variance of residuals' sum a frame, correlation included (Newey & West 1987), of several pieces."""
    total = np.zeros(lags + 1)
    count = 0
    for residual in residuals:
        for lag in range(min(lags, residual.size - 1) + 1):
            total[lag] += float(residual[lag:] @ residual[: residual.size - lag])
        count += residual.size
    weight = 2.0 * (1.0 - np.arange(lags + 1) / (lags + 1))
    weight[0] = 1.0
    return float(weight @ total) / count
