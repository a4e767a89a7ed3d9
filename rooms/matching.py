"""Fitting a scene to what a recording says about its room: which hall, how absorbing, how large, how far away.

The reverberation time of a hall is asked band by band, so what is left to search is which hall, the size of its plan,
and where the main array hangs. A closed form (Barron's revised theory and exact first reflections) ranks hundreds of
candidates; the best are evaluated by the engine's echograms, on a grid of places that is refined twice around the best
one. Nothing is random.

References
----------
M. Barron & L.-J. Lee, "Energy relations in concert auditoriums", J. Acoust. Soc. Am. 84, 1988: early and late energy
over distance (from memory). E. Larsen et al., "On the minimum audible difference in direct-to-reverberant energy
ratio", J. Acoust. Soc. Am. 124, 2008: 2 to 3 dB between 0 and 10 dB (from memory).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import product

import numpy as np
from numpy.typing import NDArray

from rooms.decay import expected_T30, scale_absorption
from rooms.echogram import STEP, air_loss, grid_size, into_bins, omni
from rooms.errors import InputError
from rooms.geometry import SURFACES
from rooms.jnd import in_jnds
from rooms.measures import from_echogram
from rooms.scattering import scattered_energy
from rooms.specular import specular_energy
from rooms.surfaces import Hall, Patch
from rooms.theory import sabine_s
from rooms.units import BAND_NAMES, BANDS, energy_db

__all__ = [
    "DRR_JND_DB",
    "Candidate",
    "Predicted",
    "Target",
    "fit_halls",
    "initial_gap_s",
    "predict",
    "residuals",
    "scale_plan",
    "unmatched",
]

PLAN_SCALES = (0.8, 0.9, 1.0, 1.12, 1.25)
"""Factors on a hall's width and depth; its height is kept. A quarter either way leaves a hall its character."""

LEAST_ABSORPTION, MOST_ABSORPTION = 0.02, 0.95
"""Mean absorption of a hall's surfaces in a band: from painted concrete to absorbers everywhere (common practice, no
source)."""

DRR_JND_DB = 2.5
"""Just-noticeable difference of a direct-to-reverberant ratio in dB (Larsen et al. 2008)."""

GAP_JND_S = 0.005
"""What is taken for a just-noticeable difference of the initial gap in s (common practice, no source)."""

LEAST_DISTANCE, DISTANCES, HEIGHTS = 0.5, 9, (2.5, 3.5, 5.0)
"""m, count, m: a main array's places behind the conductor and above the stage that are tried first."""

LOWEST = 2.2
"""m; no main array hangs lower than over the players' heads (common practice, no source)."""

MARGIN = 0.5
"""Least distance in m between an array and a surface."""

FINALISTS = 6
"""Halls, each at a size of its plan, that the engine evaluates."""

DEPARTURE = 0.3
"""JNDs that the largest change of a hall's plan must gain, so that like candidates leave the hall as it is."""


@dataclass(frozen=True, eq=False)
class Target:
    """What is known of a recording's room; NaN: not known.

    Attributes
    ----------
    T_s, T_low_s, T_high_s : ndarray, shape (bands,)
        Reverberation time per octave band and its 90 % interval in s.
    EDT_s : ndarray, shape (bands,)
        Early decay time in s.
    C80_db, C80_error_db : ndarray, shape (bands,)
        Clarity and its standard deviation in dB.
    drr_db, drr_error_db : ndarray, shape (bands,)
        Direct-to-reverberant ratio and its standard deviation in dB.
    initial_gap_s : float
        From the direct sound to the first reflection in s.
    """

    T_s: NDArray[np.float64]
    T_low_s: NDArray[np.float64]
    T_high_s: NDArray[np.float64]
    EDT_s: NDArray[np.float64]
    C80_db: NDArray[np.float64]
    C80_error_db: NDArray[np.float64]
    drr_db: NDArray[np.float64]
    drr_error_db: NDArray[np.float64]
    initial_gap_s: float = float("nan")

    def __post_init__(self) -> None:
        for name in ("T_s", "T_low_s", "T_high_s", "EDT_s", "C80_db", "C80_error_db", "drr_db", "drr_error_db"):
            if getattr(self, name).shape != BANDS.shape:
                raise InputError(f"target: {name} has shape {getattr(self, name).shape}; one value a band is needed")
        if not np.isfinite(self.T_s).any():
            raise InputError("target: no band has a reverberation time; record ten seconds with a stop, or a clap")


@dataclass(frozen=True, eq=False)
class Predicted:
    """Measures of a candidate, means over the sections as heard at the main array.

    Attributes
    ----------
    T_s, EDT_s, C80_db, drr_db : ndarray, shape (bands,)
        As of `Target`; T_s is the hall's expected T30.
    initial_gap_s : float
        As of `Target`.
    """

    T_s: NDArray[np.float64]
    EDT_s: NDArray[np.float64]
    C80_db: NDArray[np.float64]
    drr_db: NDArray[np.float64]
    initial_gap_s: float


@dataclass(frozen=True, eq=False)
class Candidate:
    """A hall with its absorption, its size and a place for the main array.

    Attributes
    ----------
    name : str
        Key of the hall.
    plan_scale : float
        Factor on the hall's width and depth.
    hall : Hall
        Scaled, and with absorption that gives the reverberation times.
    distance, height : float
        Of the main array: behind the conductor and above the stage in m.
    predicted : Predicted
        What the engine says of it.
    cost : float
        Root mean square of its residuals in JNDs, measure by measure, plus what the change of its plan costs.
    """

    name: str
    plan_scale: float
    hall: Hall
    distance: float
    height: float
    predicted: Predicted
    cost: float


def residuals(target: Target, predicted: Predicted) -> dict[str, NDArray[np.float64]]:
    """Return by how many just-noticeable differences a candidate lies above the target.

    Returns
    -------
    dict
        ``T_s``, ``EDT_s``, ``C80_db``, ``drr_db``, each shape (bands,), and ``initial_gap_s``, shape
        (1,); NaN where the target is not known.
    """
    return {
        "T_s": in_jnds("T_s", predicted.T_s, target.T_s),
        "EDT_s": in_jnds("EDT_s", predicted.EDT_s, target.EDT_s),
        "C80_db": in_jnds("C80_db", predicted.C80_db, target.C80_db),
        "drr_db": (predicted.drr_db - target.drr_db) / DRR_JND_DB,
        "initial_gap_s": np.array([(predicted.initial_gap_s - target.initial_gap_s) / GAP_JND_S]),
    }


def _cost(target: Target, predicted: Predicted, plan_scale: float) -> float:
    """Return the cost of a candidate; a measure less certain than one JND counts by its standard deviation."""
    ninety = 2.0 * 1.645  # standard deviations in a 90 % interval
    spread = {
        "T_s": np.abs(in_jnds("T_s", target.T_high_s, target.T_low_s)) / ninety,
        "C80_db": target.C80_error_db,
        "drr_db": target.drr_error_db / DRR_JND_DB,
    }
    squares = []
    for name, misses in residuals(target, predicted).items():
        weighed = misses / np.fmax(spread.get(name, 1.0), 1.0)
        if np.isfinite(weighed).any():
            squares.append(float(np.nanmean(weighed**2)))
    departure = DEPARTURE * abs(np.log(plan_scale)) / np.log(max(PLAN_SCALES))
    return float(np.sqrt(np.mean(squares)) + departure)


def scale_plan(hall: Hall, factor: float) -> Hall:
    """Return the hall with its plan scaled about the conductor, patches and all; its height stays."""
    box = hall.box
    x, y, z = box.size
    scaled = replace(
        box, size=(x * factor, y * factor, z), conductor=(box.conductor[0] * factor, box.conductor[1] * factor)
    )

    def moved(patch: Patch) -> Patch:
        by = [factor if axis < 2 else 1.0 for axis in patch.axes]
        low, high = ((p[0] * by[0], p[1] * by[1]) for p in (patch.low, patch.high))
        return replace(patch, low=low, high=high)

    return replace(hall, box=scaled, patches=tuple(moved(patch) for patch in hall.patches))


def _absorption_range(hall: Hall) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the least and the most factor on a hall's absorption that real materials allow, (bands,) each."""
    mean = hall.absorption_area / hall.areas.sum()
    most = np.minimum(MOST_ABSORPTION / mean, 0.98 / hall.absorption[:, : len(SURFACES)].max(axis=1))
    return np.minimum(LEAST_ABSORPTION / mean, 1.0), np.maximum(most, 1.0)


def _with_times(hall: Hall, wanted: NDArray[np.float64], steps: int = 3) -> tuple[Hall, NDArray[np.float64]]:
    """Return the hall with absorption that comes as near to the wanted T in s as real materials do, and its T.

    Bands in which nothing is wanted take the factor of their neighbours. What surfaces take grows with 1/T less what
    air takes anyway.
    """
    least, most = _absorption_range(hall)
    factor = np.ones(len(BANDS))
    times = expected_T30(hall)
    for _ in range(steps):
        step = _log_absorption(hall, times, wanted)
        factor = np.clip(factor * np.exp(np.clip(step, -1.5, 1.5)), least, most)
        fitted = scale_absorption(hall, factor)
        times = expected_T30(fitted)
        if np.nanmax(np.abs(np.log(times / wanted))) < 0.005:
            break
    return fitted, times


def _air_rate(hall: Hall) -> NDArray[np.float64]:
    """Return 1/T of a hall whose air alone takes energy, in 1/s, shape (bands,)."""
    nothing = np.zeros(len(BANDS))
    return np.asarray(1.0 / sabine_s(hall.box.volume, nothing, np.maximum(hall.air, 1e-9), hall.speed_of_sound))


def _log_absorption(hall: Hall, times: NDArray[np.float64], wanted: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the logarithm of how much more the surfaces must take, (bands,), for other times than they give."""
    air = _air_rate(hall)
    more = np.maximum(1.0 / wanted - air, 1e-3) / np.maximum(1.0 / times - air, 1e-3)
    usable = np.isfinite(more)
    if not usable.any():
        raise InputError("no octave in which the recording's decay is known rings in the hall")
    bands = np.arange(len(BANDS))
    return np.interp(bands, bands[usable], np.log(more[usable]))


def _rough_times(hall: Hall, times: NDArray[np.float64], wanted: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the times nearest to the wanted ones that real materials allow, without asking the engine again."""
    air = _air_rate(hall)
    factor = np.clip(np.exp(_log_absorption(hall, times, wanted)), *_absorption_range(hall))
    return np.asarray(1.0 / (air + factor * np.maximum(1.0 / times - air, 1e-3)))


def initial_gap_s(hall: Hall, source: NDArray[np.float64], receivers: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the time from the direct sound to the first reflection of a bare box.

    Parameters
    ----------
    source : ndarray, shape (3,)
        m.
    receivers : ndarray, shape (receivers, 3)
        m.

    Returns
    -------
    ndarray, shape (receivers,)
        s, from the six images of first order.
    """
    images = np.tile(source, (6, 1))
    for axis in range(3):
        images[2 * axis, axis] = 2.0 * hall.box.lower[axis] - source[axis]
        images[2 * axis + 1, axis] = 2.0 * hall.box.upper[axis] - source[axis]
    paths = np.linalg.norm(images[:, None] - receivers, axis=2)
    return np.asarray((paths.min(axis=0) - np.linalg.norm(receivers - source, axis=1)) / hall.speed_of_sound)


def _closed_form(
    hall: Hall, times: NDArray[np.float64], sources: NDArray[np.float64], receivers: NDArray[np.float64]
) -> list[Predicted]:
    """Return the measures at each receiver by Barron's revised theory, for T in s of shape (bands,)."""
    r = np.linalg.norm(sources[:, None] - receivers, axis=2)[..., None]
    direct = np.exp(-hall.air * r) / r**2
    reverberant = 312.0 * times / hall.box.volume * np.exp(-0.04 * r / times)
    late = np.exp(-1.11 / times)
    clarity = energy_db((direct + reverberant * (1.0 - late)) / (reverberant * late)).mean(axis=0)
    drr = energy_db(direct / reverberant).mean(axis=0)
    gaps = initial_gap_s(hall, sources.mean(axis=0), receivers)
    return [Predicted(times, times, c, d, float(gap)) for c, d, gap in zip(clarity, drr, gaps, strict=True)]


def predict(
    hall: Hall, times: NDArray[np.float64], sources: NDArray[np.float64], receivers: NDArray[np.float64]
) -> list[Predicted]:
    """Return the measures at each receiver from the engine's expected energy.

    Parameters
    ----------
    hall : Hall
        The room.
    times : ndarray, shape (bands,)
        Its expected T30 in s.
    sources, receivers : ndarray, shape (sources, 3) and (receivers, 3)
        Omnidirectional both, in m.
    """
    grid = grid_size(max(float(np.nanmax(times)), 0.5))
    party = [([omni(p) for p in sources], [omni(p) for p in receivers])]
    exact = 2e-3 * float(np.sqrt(hall.box.volume))
    energy = scattered_energy(hall, party, grid, cuts=1)[0] + specular_energy(hall, party, exact, grid)[0]
    energy = into_bins(energy * air_loss(hall, grid))
    r = np.linalg.norm(sources[:, None] - receivers, axis=2)
    arrivals = r / hall.speed_of_sound
    direct = np.exp(-hall.air * r[..., None]) / r[..., None] ** 2
    drr = energy_db(direct / np.maximum(energy.sum(axis=3) - direct, 1e-12)).mean(axis=0)
    gaps = initial_gap_s(hall, sources.mean(axis=0), receivers)
    found = []
    for n in range(len(receivers)):
        at = [from_echogram(energy[s, n], STEP, float(arrivals[s, n])) for s in range(len(sources))]
        early, clarity = (np.mean([getattr(m, name) for m in at], axis=0) for name in ("EDT_s", "C80_db"))
        found.append(Predicted(times, early, clarity, drr[n], float(gaps[n])))
    return found


def _places(hall: Hall, distances: Sequence[float], heights: Sequence[float]) -> NDArray[np.float64]:
    """Return the places of a main array that are clear of surfaces, shape (places, 3) in m."""
    points = np.array([(0.0, -d, h) for d, h in product(distances, heights)])
    return points[hall.box.inside(points, MARGIN)]


def fit_halls(
    target: Target,
    halls: Mapping[str, Hall],
    sources: NDArray[np.float64],
    progress: Callable[[float], None] | None = None,
    plan_scales: Sequence[float] = PLAN_SCALES,
) -> list[Candidate]:
    """Return the candidates that come nearest to a target, best first, one a hall.

    Parameters
    ----------
    target : Target
        What the recording says.
    halls : mapping of str to Hall
        Those to choose among; one, to adapt it.
    sources : ndarray, shape (sources, 3)
        The sections' centres in m; the seating plan stays as it is.
    progress : callable, optional
        Called with the part done, 0 … 1.
    plan_scales : sequence of float, optional
        Factors on width and depth that are tried.

    Raises
    ------
    InputError
        If no hall has room for the sections.
    """
    tell = progress or (lambda _part: None)
    ranked = []
    for number, (name, given) in enumerate(halls.items()):
        tell(0.3 * number / len(halls))
        own = expected_T30(given) / _sabine(given)
        for scale in plan_scales:
            hall = scale_plan(given, scale)
            places = _places(hall, _distances(hall), HEIGHTS)
            if not hall.box.inside(sources, MARGIN).all() or not len(places):
                continue
            times = _rough_times(hall, own * _sabine(hall), target.T_s)
            cost = min(_cost(target, p, scale) for p in _closed_form(hall, times, sources, places))
            ranked.append((cost, name, scale))
    if not ranked:
        raise InputError("no hall has room for the sections; take a smaller seating plan, or name a larger hall")
    ranked.sort()
    best: dict[str, Candidate] = {}
    finalists = ranked[:FINALISTS]
    for number, (_, name, scale) in enumerate(finalists):
        tell(0.3 + 0.7 * number / len(finalists))
        candidate = _refine(target, name, scale, halls[name], sources)
        if name not in best or candidate.cost < best[name].cost:
            best[name] = candidate
    tell(1.0)
    return sorted(best.values(), key=lambda candidate: candidate.cost)


def _sabine(hall: Hall) -> NDArray[np.float64]:
    """Return Sabine's reverberation time in s, shape (bands,)."""
    return sabine_s(hall.box.volume, hall.absorption_area, hall.air, hall.speed_of_sound)


def _distances(hall: Hall) -> list[float]:
    """Return the distances behind the conductor in m that are tried first, as far as the hall reaches."""
    farthest = max(-float(hall.box.lower[1]) - MARGIN, LEAST_DISTANCE)
    return [float(d) for d in np.geomspace(LEAST_DISTANCE, farthest, DISTANCES)]


def _refine(target: Target, name: str, scale: float, given: Hall, sources: NDArray[np.float64]) -> Candidate:
    """Return the best place for the array in one hall: a coarse grid, then twice a finer one around the best."""
    hall, times = _with_times(scale_plan(given, scale), target.T_s)
    places = _places(hall, _distances(hall), HEIGHTS)
    cost, place, predicted = _best(target, hall, times, scale, sources, places)
    for closeness in (1.3, 1.1):
        steps = (closeness**-1.0, closeness**-0.5, 1.0, closeness**0.5, closeness)
        _, y, z = place.tolist()
        distances = sorted({max(-y * s, LEAST_DISTANCE) for s in steps})
        near = _places(hall, distances, sorted({max(z * s, LOWEST) for s in steps}))
        cost, place, predicted = _best(target, hall, times, scale, sources, near)
    return Candidate(name, scale, hall, -float(place[1]), float(place[2]), predicted, cost)


def _best(
    target: Target,
    hall: Hall,
    times: NDArray[np.float64],
    scale: float,
    sources: NDArray[np.float64],
    places: NDArray[np.float64],
) -> tuple[float, NDArray[np.float64], Predicted]:
    """Return the cost, the place and the measures of the best of some places, the first among equals."""
    found = predict(hall, times, sources, places)
    costs = [_cost(target, predicted, scale) for predicted in found]
    best = int(np.argmin(costs))
    return costs[best], places[best], found[best]


def unmatched(target: Target, candidate: Candidate) -> list[str]:
    """Return a plain sentence for each band whose reverberation time the hall cannot take on, and why.

    Parameters
    ----------
    target : Target
        What was asked.
    candidate : Candidate
        What was found.
    """
    hall = candidate.hall
    nothing = np.zeros(len(BANDS))
    air = sabine_s(hall.box.volume, nothing, np.maximum(hall.air, 1e-9), hall.speed_of_sound)
    lines = []
    for band, wanted, found, alone in zip(BAND_NAMES, target.T_s, candidate.predicted.T_s, air, strict=True):
        if not abs(float(in_jnds("T_s", found, wanted))) > 1.0:
            continue
        text = f"At {band} Hz the recording rings {wanted:.2f} s and the hall {found:.2f} s: "
        if wanted >= alone:
            text += f"air alone takes more than that, and lets a hall ring {alone:.2f} s at most."
        elif found < wanted:
            text += "with the hardest materials it doesn't ring longer."
        else:
            text += "with the most absorbing materials it doesn't ring shorter."
        lines.append(text)
    return lines
