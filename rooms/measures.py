"""Room-acoustical measures of ISO 3382-1, from an expected energy decay or from an impulse response.

Measures, one value per octave band:

* ``EDT_s``, ``T20_s``, ``T30_s``: 60 dB over the slope of the decay curve, by least squares from 0 to −10,
  −5 to −25 and −5 to −35 dB (clauses 5.3.3, A.2.2);
* ``C80_db``: energy of the first 80 ms over the rest (A.2.3);
* ``D50``: energy of the first 50 ms over all energy (A.2.3);
* ``Ts_s``: centre time, the centre of gravity of the energy (A.2.3);
* ``G_db``: strength, all energy over that of the same source at 10 m in a free field (A.2.1).

Conventions: one set of definitions (`_evaluate`) serves both inputs. Times count from the arrival of the
direct sound. The direct sound of an omnidirectional source at 1 m is a unit impulse, so that
G = 10·lg(energy) + 20 dB. The decay curve is Schroeder's backward integral, 0 dB being all the energy. What
lies beyond the end of the data is added as an exponential tail; the *decay range* is all the energy over that
tail, in dB. A measure is given only if the decay range suffices: 10 dB more than the fit's lower limit, so
20, 35 and 45 dB, as ISO 3382-1, 5.3.3 asks of the noise; 20 dB for C80, D50, Ts and G (our choice, no
source). Otherwise it is NaN, and ``reasons`` says why.

References
----------
ISO 3382-1:2009, Acoustics: Measurement of room acoustic parameters, part 1, performance spaces.
ISO 3382-2:2008, part 2, for the decay of the band filters.
M. R. Schroeder, New method of measuring reverberation time, J. Acoust. Soc. Am. 37, 409 (1965).
W. T. Chu, Comparison of reverberation measurements using Schroeder's impulse method and decay-curve
averaging method, J. Acoust. Soc. Am. 63, 1444 (1978).
A. Lundeby, T. E. Vigran, H. Bietz, M. Vorländer, Uncertainties of measurements in room acoustics, Acustica
81, 344 (1995).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import scipy.fft
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import ArrayLike, NDArray

from rooms.errors import InputError
from rooms.octaves import octave_gain, octave_midbands, reaches_nyquist
from rooms.units import BANDS

__all__ = ["HEADROOM", "Measures", "as_bands", "from_echogram", "from_response", "mean_T30", "schroeder_db"]

DECAY_LIMITS = {"EDT_s": (0.0, 10.0), "T20_s": (5.0, 25.0), "T30_s": (5.0, 35.0)}
"""From where to where the decay is fitted, in dB below the total."""

HEADROOM = {
    "EDT_s": 20.0,
    "T20_s": 35.0,
    "T30_s": 45.0,
    "C80_db": 20.0,
    "D50": 20.0,
    "Ts_s": 20.0,
    "G_db": 20.0,
}
"""Decay range each measure needs, in dB."""

LEAST_BANDWIDTH_TIME = 16.0
"""Least B·T, bandwidth times decay time, of a decay taken through an octave filter (ISO 3382-2, 7.3, from
memory); the filter's own ringing has 4 to 8."""

BIN_S = 0.25e-3
"""Bins a filtered response is summed to, in seconds."""

LEAD_S = 0.02
"""What is kept of a response before the arrival, in seconds: no sweep's distortion, little noise."""

STAYS_LOW_S = 0.1
"""A decay has sunk into its noise where it stays there so long, in seconds: the first reflection comes sooner."""

RING_S = 0.25
"""Zeros around a response while it is filtered, in seconds: the 63 Hz filter has rung down by then."""


@dataclass(frozen=True, eq=False)
class Measures:
    """Measures of one response, NaN where not measurable.

    Attributes
    ----------
    bands_hz : ndarray, shape (bands,)
        Nominal octave mid-bands.
    EDT_s, T20_s, T30_s, C80_db, D50, Ts_s, G_db : ndarray, shape (bands,)
        Early decay time, reverberation times, clarity, definition, centre time and strength.
    decay_range_db : ndarray, shape (bands,)
        All energy over the energy beyond the end of the data or below the noise; infinite if there is none.
    nonlinearity_permille : ndarray, shape (bands,)
        How far the decay curve is from the straight line that T30 is read from, 1000·(1 − r²) with r their
        correlation (ISO 3382-2:2008, annex B, from memory: above 10 ‰ a decay is far from straight); NaN
        without T30.
    reasons : mapping of str to str
        Why a value is NaN, keyed by measure and band: ``"T30_s.125"``.
    """

    bands_hz: NDArray[np.float64]
    EDT_s: NDArray[np.float64]
    T20_s: NDArray[np.float64]
    T30_s: NDArray[np.float64]
    C80_db: NDArray[np.float64]
    D50: NDArray[np.float64]
    Ts_s: NDArray[np.float64]
    G_db: NDArray[np.float64]
    decay_range_db: NDArray[np.float64]
    nonlinearity_permille: NDArray[np.float64]
    reasons: Mapping[str, str]

    @property
    def curvature_percent(self) -> NDArray[np.float64]:
        """How much longer T30 is than T20, in percent, shape (bands,); NaN without one of them.

        ISO 3382-2:2008, annex B, from memory: C = 100·(T30/T20 − 1), 0 to 5 % as a rule; above 10 % a decay is far
        from straight.
        """
        return 100.0 * (self.T30_s / self.T20_s - 1.0)


def from_echogram(energy: ArrayLike, bin_s: float, arrival_s: float, *, bands: ArrayLike = BANDS) -> Measures:
    """Return the measures of an expected, noise-free energy decay.

    Parameters
    ----------
    energy : array_like, shape (bands, bins)
        Energy of each bin, at least 0; bin k covers [k, k + 1)·bin_s. Unit: the direct sound at 1 m.
    bin_s : float
        Width of a bin in seconds, above 0.
    arrival_s : float
        When the direct sound arrives, in seconds, within the echogram. The energy of its bin counts as
        arriving there: all of it is early.
    bands : array_like, shape (bands,), optional
        Nominal octave mid-bands in Hz.

    Returns
    -------
    Measures
        A measure is NaN if the echogram ends before the decay range is reached (see the module).

    Raises
    ------
    InputError
        If shapes disagree, an energy is negative or not finite, or the arrival lies outside.

    Notes
    -----
    The end of the echogram is continued as `schroeder_db` says.
    """
    energy = _valid_energy(energy, bin_s)
    bands = np.asarray(bands, dtype=np.float64)
    if bands.shape != energy.shape[:1]:
        raise InputError(f"energy: found {energy.shape[0]} bands, allowed: {bands.size}, one per mid-band")
    length_s = energy.shape[1] * bin_s
    if not 0 <= arrival_s < length_s:
        raise InputError(f"arrival_s: found {arrival_s}, allowed: 0 to {length_s:g} s, within the echogram")
    tails = _tails(energy, bin_s)
    return _collect(bands, [_evaluate(band, bin_s, arrival_s, tail) for band, tail in zip(energy, tails, strict=True)])


def from_response(
    response: ArrayLike, sample_rate: float, *, arrival_s: float | None = None, bands: ArrayLike = BANDS
) -> Measures:
    """Return the measures of an impulse response, which may carry noise.

    Parameters
    ----------
    response : array_like, shape (samples,)
        Sound pressure. Unit: the direct sound at 1 m is a unit impulse.
    sample_rate : float
        Hz, above 0.
    arrival_s : float, optional
        When the direct sound arrives, in seconds. Left out: the first sample within 20 dB of the peak
        (ISO 3382-1, A.3.4), of the whole response, not of a band.
    bands : array_like, shape (bands,), optional
        Nominal octave mid-bands in Hz.

    Returns
    -------
    Measures
        A measure is NaN if the noise, or the end of the response, leaves too little decay range, if the decay
        is as short as the band filter's own, or if the band reaches above half the sample rate.

    Raises
    ------
    InputError
        If the response is not one row of finite numbers, is silent, or the arrival lies outside.

    Notes
    -----
    Each band is filtered without phase shift by the magnitude of a Butterworth band-pass, scaled so that a
    unit impulse has unit energy in every band. The knee between decay and noise is found by iteration
    (Lundeby et al. 1995); the response is cut there, the noise's energy taken off (Chu 1978) and the cut-off
    decay added as the exponential fitted to the 20 dB above the knee. A response that ends before its noise
    is treated alike at its end, with nothing to take off.
    """
    pressure = np.asarray(response, dtype=np.float64)
    bands = np.asarray(bands, dtype=np.float64)
    if pressure.ndim != 1 or not np.all(np.isfinite(pressure)):
        raise InputError(f"response: found shape {pressure.shape}, allowed: one row of finite samples")
    if not sample_rate > 0:
        raise InputError(f"sample_rate: found {sample_rate}, allowed: above 0 Hz")
    midbands = octave_midbands(bands)
    if not pressure.any():
        raise InputError("response: found silence, allowed: an impulse response")
    if arrival_s is None:
        magnitude = np.abs(pressure)
        arrival = int(np.argmax(magnitude >= 0.1 * magnitude.max()))
    else:
        arrival = round(arrival_s * sample_rate)
    length_s = pressure.size / sample_rate
    if not 0 <= arrival < pressure.size:
        raise InputError(f"arrival_s: found {arrival_s}, allowed: 0 to {length_s:g} s, within the response")

    lead = min(arrival, round(LEAD_S * sample_rate))
    pressure = pressure[arrival - lead :]
    pad = round(RING_S * sample_rate)
    size = scipy.fft.next_fast_len(pressure.size + 2 * pad, real=True)
    spectrum = scipy.fft.rfft(np.pad(pressure, (pad, size - pressure.size - pad)))
    frequency = scipy.fft.rfftfreq(size, 1.0 / sample_rate)
    span = _Span(pad, pad + lead, pad + int(np.flatnonzero(pressure)[-1]) + 1, pad + pressure.size)
    results = []
    for midband in midbands.tolist():
        if reaches_nyquist(midband, sample_rate):
            text = f"not measurable: the octave reaches above half the sample rate of {sample_rate:g} Hz"
            results.append(_unmeasurable(text))
            continue
        gain = octave_gain(frequency, midband)
        square = scipy.fft.irfft(spectrum * gain, size) ** 2 / (2.0 * np.sum(gain**2) / size)
        results.append(_evaluate_noisy(square, sample_rate, span, midband))
    return _collect(bands, results)


def schroeder_db(energy: ArrayLike, bin_s: float) -> NDArray[np.float64]:
    """Return the decay curve of an echogram, as the measures see it.

    Parameters
    ----------
    energy : array_like, shape (bands, bins)
        Energy of each bin, at least 0.
    bin_s : float
        Width of a bin in seconds, above 0.

    Returns
    -------
    ndarray, shape (bands, bins)
        Level in dB, at the start of each bin, of all energy that is still to come; 0 dB is all the energy.
        −inf once none is left, NaN in a silent band.

    Raises
    ------
    InputError
        If the shape is wrong or an energy is negative or not finite.

    Notes
    -----
    The energy beyond the end is added: the last eighth of the echogram holds q times the energy of the eighth
    before it, so a decay that goes on as it does there still holds q/(1 − q) times the last eighth (geometric
    series). Where the energy doesn't fall (q ≥ 1) nothing is added, and no measure is given.
    """
    energy = _valid_energy(energy, bin_s)
    tail = np.array([[tail.energy if np.isfinite(tail.energy) else 0.0] for tail in _tails(energy, bin_s)])
    remaining = np.cumsum(energy[:, ::-1], axis=1)[:, ::-1] + tail
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(10.0 * np.log10(remaining / remaining[:, :1]))


def mean_T30(measures: Measures, bands: Iterable[float] = (500.0, 1000.0)) -> float:
    """Return the single-number reverberation time: the mean T30 of some bands.

    Parameters
    ----------
    measures : Measures
    bands : iterable of float, optional
        Nominal mid-bands in Hz; 500 Hz and 1 kHz unless told (ISO 3382-1, A.4).

    Returns
    -------
    float
        Seconds; NaN if T30 isn't measurable in one of them.

    Raises
    ------
    InputError
        If a band isn't among those measured.
    """
    wanted = np.array(list(bands), dtype=np.float64)
    missing = wanted[~np.isin(wanted, measures.bands_hz)]
    if missing.size or not wanted.size:
        raise InputError(f"bands: found {wanted.tolist()}, allowed: one or more of {measures.bands_hz.tolist()}")
    return float(np.mean(measures.T30_s[np.isin(measures.bands_hz, wanted)]))


def as_bands(values: ArrayLike, bands: ArrayLike = BANDS) -> dict[str, float | None]:
    """Return values keyed by band, as reports and tables have them.

    Parameters
    ----------
    values : array_like, shape (bands,)
    bands : array_like, shape (bands,), optional
        Nominal octave mid-bands in Hz.

    Returns
    -------
    dict
        ``{"63": 2.1, "125": None, …}``; None for what isn't finite.

    Raises
    ------
    InputError
        If there isn't one value per band.
    """
    numbers = np.asarray(values, dtype=np.float64)
    names = [_band_name(band) for band in np.asarray(bands, dtype=np.float64)]
    if numbers.shape != (len(names),):
        raise InputError(f"values: found shape {numbers.shape}, allowed: ({len(names)},), one per band")
    return {name: float(x) if np.isfinite(x) else None for name, x in zip(names, numbers, strict=True)}


class _Tail(NamedTuple):
    """The exponential beyond the end of the data: its energy and its time constant (energy falls to 1/e)."""

    energy: float
    time_s: float


class _Span(NamedTuple):
    """Where in a padded response its parts lie, in samples."""

    begin: int  # first sample given
    arrival: int  # direct sound
    sounding: int  # one past the last sample that isn't zero
    end: int  # one past the last sample given


class _Result(NamedTuple):
    """One band's values and, for those that are NaN, the reasons."""

    values: dict[str, float]
    reasons: dict[str, str]


def _valid_energy(energy: ArrayLike, bin_s: float) -> NDArray[np.float64]:
    """Return the echogram as an array, or say what is wrong with it."""
    array = np.asarray(energy, dtype=np.float64)
    if array.ndim != 2 or array.shape[1] < 2:
        raise InputError(f"energy: found shape {array.shape}, allowed: (bands, bins) with two bins or more")
    if not np.all(np.isfinite(array)) or array.min() < 0:
        raise InputError("energy: found a negative or infinite value or NaN, allowed: finite energies from 0")
    if not bin_s > 0:
        raise InputError(f"bin_s: found {bin_s}, allowed: above 0 s")
    return array


def _band_name(band: float) -> str:
    return f"{band:g}"


def _unmeasurable(text: str) -> _Result:
    """Return a band without any value, all for one reason."""
    values = dict.fromkeys([*HEADROOM, "decay_range_db", "nonlinearity_permille"], np.nan)
    return _Result(values, dict.fromkeys(HEADROOM, text))


def _collect(bands: NDArray[np.float64], results: list[_Result]) -> Measures:
    """Return the bands' results side by side."""
    values = {name: np.array([result.values[name] for result in results]) for name in results[0].values}
    values["nonlinearity_permille"][np.isnan(values["T30_s"])] = np.nan
    reasons = {
        f"{name}.{_band_name(band)}": text
        for band, result in zip(bands, results, strict=True)
        for name, text in result.reasons.items()
    }
    return Measures(bands_hz=bands, reasons=reasons, **values)


def _tails(energy: NDArray[np.float64], bin_s: float) -> list[_Tail]:
    """Return what follows each band's end (see `schroeder_db`); infinite where the energy doesn't fall."""
    block = max(1, energy.shape[1] // 8)
    before = energy[:, -2 * block : -block].sum(axis=1)
    last = energy[:, -block:].sum(axis=1)
    return [
        _Tail(0.0, 0.0)
        if b == 0
        else _Tail(b * b / (a - b), block * bin_s / np.log(a / b))
        if a > b
        else _Tail(np.inf, np.inf)
        for a, b in zip(before.tolist(), last.tolist(), strict=True)
    ]


def _evaluate(energy: NDArray[np.float64], bin_s: float, arrival_s: float, tail: _Tail) -> _Result:
    """Return all measures of one band.

    Parameters
    ----------
    energy : ndarray, shape (bins,)
        Single bins may be negative where noise was taken off.
    bin_s, arrival_s : float
        Seconds.
    tail : _Tail
        What follows the last bin.
    """
    if np.isinf(tail.energy):
        return _unmeasurable("not measurable: the energy doesn't fall towards the end")
    cumulative = np.cumsum(energy)
    given = float(cumulative[-1])
    total = given + tail.energy
    if not total > 0:
        return _unmeasurable("not measurable: no energy in this band")
    decay_range = 10.0 * np.log10(total / tail.energy) if tail.energy > 0 else np.inf
    first = int(arrival_s / bin_s + 1e-6)  # the direct sound's bin; 1e-6 of a bin forgives rounding

    def late_energy(limit_s: float) -> float:
        # The direct sound's bin is never split.
        whole, part = divmod(max((arrival_s + limit_s) / bin_s, first + 1.0), 1.0)
        if whole >= energy.size:
            beyond_s = (whole + part - energy.size) * bin_s
            return float(tail.energy * np.exp(-beyond_s / tail.time_s)) if tail.energy > 0 else 0.0
        return float(total - cumulative[int(whole) - 1] - part * energy[int(whole)])

    values = {"decay_range_db": float(decay_range)}
    reasons = {}
    late = late_energy(0.08)
    early = total - late
    if min(early, late) > 1e-12 * total:  # less is rounding
        values["C80_db"] = float(10.0 * np.log10(early / late))  # ISO 3382-1, eq. A.10
    else:
        values["C80_db"] = np.nan
        reasons["C80_db"] = f"not measurable: no energy {'after' if early > late else 'in'} the first 80 ms"
    values["D50"] = 1.0 - late_energy(0.05) / total  # ISO 3382-1, eq. A.11
    moment = bin_s * (np.arange(energy.size, dtype=np.float64) @ energy + 0.5 * given) - arrival_s * given
    moment -= ((first + 0.5) * bin_s - arrival_s) * energy[first]  # the direct sound arrives at 0
    moment += (energy.size * bin_s - arrival_s + tail.time_s) * tail.energy
    values["Ts_s"] = float(moment / total)  # ISO 3382-1, eq. A.13
    values["G_db"] = float(10.0 * np.log10(total) + 20.0)  # the direct sound at 10 m has an energy of 1/100

    # The decay curve at the edges of the bins, from the arrival down to where the last fit ends.
    deepest = 10.0 ** (-max(lower for _, lower in DECAY_LIMITS.values()) / 10.0)
    stop = np.searchsorted(cumulative, total * (1.0 - deepest), side="right")
    spent = np.concatenate(([cumulative[first] - energy[first]], cumulative[first:stop]))
    attenuation = -10.0 * np.log10(np.maximum(1.0 - spent / total, deepest))
    for name, (upper, lower) in DECAY_LIMITS.items():
        start, stop = np.searchsorted(attenuation, (upper - 1e-9, lower))
        values[name], nonlinearity = _line(attenuation[start:stop], bin_s)
        if name == "T30_s":
            values["nonlinearity_permille"] = nonlinearity
        if np.isnan(values[name]):
            limits = f"between {0 - upper:g} and {0 - lower:g} dB in bins of {1e3 * bin_s:g} ms"
            reasons[name] = f"not measurable: the decay curve has no slope {limits}"
    for name, needed in HEADROOM.items():
        if decay_range < needed:
            values[name] = np.nan
            range_db = min(round(decay_range), round(needed) - 1)  # never so many as are needed
            reasons[name] = f"not measurable: decay range only {range_db} dB, {needed:.0f} dB needed"
    return _Result(values, reasons)


def _line(attenuation: NDArray[np.float64], bin_s: float) -> tuple[float, float]:
    """Return 60 dB over the slope of the line through a piece of decay curve, and its non-linearity; else NaN."""
    count = attenuation.size
    if count < 3 or attenuation[-1] <= attenuation[0]:
        return np.nan, np.nan
    steps = np.arange(count) - (count - 1) / 2.0
    product, spread = float(steps @ attenuation), count * (count**2 - 1) / 12.0  # Σ steps·a, Σ steps²
    deviation = attenuation - attenuation.mean()
    return 60.0 * bin_s * spread / product, 1000.0 * (1.0 - product**2 / (spread * float(deviation @ deviation)))


def _evaluate_noisy(square: NDArray[np.float64], sample_rate: float, span: _Span, midband: float) -> _Result:
    """Return all measures of one band of a squared response."""
    decay = _late_decay(square[span.arrival : span.sounding], sample_rate, midband)
    if decay is not None:
        square[span.begin :] -= decay.noise
        end, tail = span.arrival + decay.knee, decay.tail
    elif span.sounding < span.end:  # ends in digital silence with no decay before it: nothing is missing
        end, tail = square.size, _Tail(0.0, 0.0)
    else:
        return _unmeasurable("not measurable: no decay stands out of the noise")
    # Short bins with an edge at the arrival instead of samples: the same values, ten times as fast.
    width = max(1, round(BIN_S * sample_rate))
    edges = np.arange(span.arrival % width, end, width)
    energy = np.add.reduceat(square[:end], edges)
    result = _evaluate(energy, width / sample_rate, (span.arrival - edges[0]) / sample_rate, tail)
    bandwidth = midband * (10.0**0.15 - 10.0**-0.15)
    for name in DECAY_LIMITS:
        product = bandwidth * result.values[name]
        if product < LEAST_BANDWIDTH_TIME:
            result.values[name] = np.nan
            text = f"B·T is {product:.1f}, {LEAST_BANDWIDTH_TIME:g} needed to stand out of the filter's ringing"
            result.reasons[name] = f"not measurable: {text}"
    return result


class _Decay(NamedTuple):
    """Where a decay sinks into its noise: the sample, the noise's energy per sample and the decay beyond."""

    knee: int
    noise: float
    tail: _Tail


def _late_decay(square: NDArray[np.float64], sample_rate: float, midband: float) -> _Decay | None:
    """Return the knee between decay and noise after Lundeby et al. 1995; None where there is no decay.

    The step numbers are those of the paper's algorithm (from memory). If the knee lies in the last tenth, or
    behind it, no noise floor was seen: the knee is then the end, and the noise 0.
    """
    samples = square.size
    tenth = max(1, samples // 10)
    noise = float(np.mean(square[-tenth:]))  # step 2
    interval = round(np.clip(3.0 / midband, 0.01, 0.05) * sample_rate)  # step 1: 10 to 50 ms
    above, depth = 10.0, np.inf  # the fit's foot and height over the noise, dB
    knee, slope, foot = 0.0, 0.0, 0.0
    for _ in range(6):  # "at most five" after the first estimate
        count = samples // interval
        means = square[: count * interval].reshape(count, interval).mean(axis=1)
        level = 10.0 * np.log10(np.maximum(means, 1e-300)) - 10.0 * np.log10(max(noise, 1e-300))
        peak = int(np.argmax(level)) if count else 0
        # It is as quiet before the first reflection, too: a decay is over where its level stays low.
        stays = max(1, round(STAYS_LOW_S * sample_rate / interval))
        low = np.append(level[peak:] < above, [True] * stays)
        stop = peak + int(np.argmax(sliding_window_view(low, stays).all(axis=1)))
        high = np.flatnonzero(level[peak:stop] > above + depth)
        start = peak + (int(high[-1]) + 1 if high.size else 0)
        if stop - start < 3:
            return None
        times = (np.arange(start, stop) + 0.5) * interval
        slope, foot = np.polyfit(times, level[start:stop], 1)  # steps 3 and 7: dB per sample
        if slope >= 0:
            return None
        previous, knee = knee, -foot / slope  # steps 4 and 8
        if knee >= samples - tenth:
            break
        if abs(knee - previous) < 0.1 * interval:
            break
        interval = max(1, round(min(2.0 / -slope, 0.05 * sample_rate)))  # step 5: five intervals per 10 dB
        noise = float(np.mean(square[min(round(knee - 10.0 / slope), samples - tenth) :]))  # step 6: 10 dB on
        above, depth = 8.0, 20.0
    time = -10.0 / (slope * np.log(10.0))  # samples
    if knee >= samples - tenth:
        last = noise * 10.0 ** ((foot + slope * samples) / 10.0)
        return _Decay(samples, 0.0, _Tail(last * time, time / sample_rate))
    return _Decay(round(knee), noise, _Tail(noise * time, time / sample_rate))
