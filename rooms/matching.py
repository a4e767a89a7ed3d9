"""Fitting a scene to what a recording says about its room: which hall, how absorbing, how large, who hangs where.

The reverberation time of a hall is asked band by band, so what is left to search is which hall, the size of its plan,
where the main array hangs, how the arrays are balanced, and how far upstage the ensemble sits. A closed form chooses
each hall's size among thousands of candidates; the engine's echograms evaluate every hall on a grid of places, and the
best on grids that are refined around the best place. Nothing is random.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from itertools import product

import numpy as np
from numpy.typing import NDArray

from rooms.adapting import downstage, nearest_times, rough_fit, sabine, scale_plan
from rooms.agreement import Target, cost
from rooms.decay import expected_T30
from rooms.echogram import Radiators, omni
from rooms.errors import InputError
from rooms.mixed_arrays import BARE, Mixed, in_one_point
from rooms.predicting import Outlook, Predicted, by_engine, closed_form, likeness_of, one
from rooms.scattering import FACETS
from rooms.scene import CLEARANCE
from rooms.surfaces import Hall

__all__ = [
    "FARTHEST",
    "HIGHEST",
    "LEAST_DISTANCE",
    "LOWEST",
    "MOST_GAIN_DB",
    "PLAN_SCALES",
    "Candidate",
    "fit_halls",
]

PLAN_SCALES = (0.8, 0.9, 1.0, 1.12, 1.25)
"""Factors on a hall's width and depth; its height is kept. A quarter either way leaves a hall its character."""

LEAST_DISTANCE, FARTHEST = 0.5, 12.0
"""m behind the conductor; nearer hangs no main array, and farther it is one for ambience (common practice, no
source)."""

LOWEST, HIGHEST = 2.2, 6.0
"""m above the stage: over the players' heads, and as high as main arrays hang (common practice, no source)."""

DISTANCES, HEIGHTS = 9, (2.5, 3.5, 5.0)
"""Count, and m: a main array's places behind the conductor and above the stage that are tried first."""

FINER = (1.22, 1.08)
"""Steps of the places that are tried around the best one, one grid after the other."""

MARGIN = 0.5
"""Least distance in m between an array and a surface."""

MOST_GAIN_DB, GAIN_STEP_DB = 12.0, 3.0
"""dB by which spots and ambience are turned up or down at most, and in what steps (common practice, no source)."""

WIDTHS = (0.5, 0.7, 1.0, 1.4, 2.0)
"""Factors on the side signal of the main array that are tried."""

DOWNSTAGE = (-2.0, 2.0)
"""m by which the ensemble is moved towards the audience."""

SECOND_SIZES = 3
"""So many halls are evaluated by the engine at a second size: those of which the closed form says most good."""

FINALISTS, OF_ONE_HALL = 6, 2
"""Halls, each at a size of its plan, whose places are refined; and so many of one hall."""

DECAYS = 4
"""So many of a grid's candidates are compared by their early decay, too."""

DEPARTURE = 0.3
"""JNDs that the largest change of the balance must gain, so that like candidates leave the scene as it is; and twice or
half the absorption, for a hall made of other things is another hall."""

DEPARTURE_OF_PLAN = 0.1
"""JNDs that the largest change of a plan must gain, and the ensemble's farthest move. A hall a quarter larger or
smaller is 0.2 to 0.35 JND off at its own size when nothing is uncertain, and some 0.1 with what a response leaves
uncertain: so it is found, and noise rarely moves a wall (measured on two halls of the catalogue)."""


DEPARTURE_OF_PLACE = 0.1
"""JNDs that a main array must gain to hang twice as far away or as high as it did, so that a recording which tells
nothing of distance leaves it where it is."""


@dataclass(frozen=True, eq=False)
class Candidate:
    """A hall with its absorption and its size, an ensemble in it, and arrays with their balance.

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
        Root mean square of its residuals in JNDs, measure by measure, less what is far off, plus what changes of the
        scene cost.
    spot_db, far_db : float
        Gains in dB of the spots, and of arrays for ambience and surround, on top of their own.
    width : float
        Factor on the side signal of the main array.
    downstage : float
        By how many m the ensemble sits nearer to the audience than the hall has it.
    """

    name: str
    plan_scale: float
    hall: Hall
    distance: float
    height: float
    predicted: Predicted
    cost: float
    spot_db: float = 0.0
    far_db: float = 0.0
    width: float = 1.0
    downstage: float = 0.0


@dataclass(frozen=True, eq=False)
class _Balances:
    """Balances that are tried at every place: widths of the main array times gains of the others."""

    widths: NDArray[np.float64]
    spots_db: NDArray[np.float64]  # (balances,)
    far_db: NDArray[np.float64]

    def gains_db(self, arrays: Sequence[Mixed]) -> NDArray[np.float64]:
        """Return the gain of each array in dB, shape (balances, arrays)."""
        none = np.zeros(len(self.spots_db))
        by_purpose = {"spot": self.spots_db, "ambience": self.far_db, "surround": self.far_db}
        return np.stack([by_purpose.get(mixed.array.purpose, none) for mixed in arrays], axis=1)

    def departures(self) -> NDArray[np.float64]:
        """Return how far each departs from the scene's own, in parts of the most, (widths, balances, 1)."""
        width = np.abs(np.log(self.widths)) / np.log(max(WIDTHS))
        gain = (np.abs(self.spots_db) + np.abs(self.far_db)) / MOST_GAIN_DB
        return np.asarray((width[:, None] + gain)[..., None])


def _balances(target: Target, arrays: Sequence[Mixed]) -> _Balances:
    """Return the balances that these arrays allow and this target can tell apart."""
    purposes = {mixed.array.purpose for mixed in arrays}
    steps = np.arange(-MOST_GAIN_DB, MOST_GAIN_DB + 1e-9, GAIN_STEP_DB)
    spots = steps if "spot" in purposes else np.zeros(1)
    far = steps if purposes & {"ambience", "surround"} else np.zeros(1)
    pairs = np.array(list(product(spots, far)))
    wide = np.isfinite(target.correlation).any() and len(arrays[0].array.capsules) > 1
    return _Balances(np.array(WIDTHS if wide else (1.0,)), pairs[:, 0], pairs[:, 1])


@dataclass(frozen=True, eq=False)
class _Asked:
    """What is asked for, and by whom in a hall it is to be heard."""

    target: Target
    seats: NDArray[np.float64]
    players: Sequence[Radiators]
    arrays: Callable[[str, Hall], Sequence[Mixed]]
    place: tuple[float, float] | None
    own: Callable[[str], NDArray[np.float64]]  # T30 of a hall as it is re Sabine's time, by name

    def departures(self, places: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return what it costs to hang the main array at some places in m, (places,) in JNDs."""
        if self.place is None:
            return np.zeros(len(places))
        there = np.maximum(np.stack([-places[:, 1], places[:, 2]]), LEAST_DISTANCE)
        own = np.maximum(self.place, LEAST_DISTANCE)[:, None]
        return np.asarray(DEPARTURE_OF_PLACE * np.abs(np.log2(there / own)).sum(axis=0))


def _as_is(_name: str, _hall: Hall) -> Sequence[Mixed]:
    return (BARE,)


def fit_halls(
    target: Target,
    halls: Mapping[str, Hall],
    sources: NDArray[np.float64] | Sequence[Radiators],
    progress: Callable[[float], None] | None = None,
    plan_scales: Sequence[float] = PLAN_SCALES,
    arrays: Callable[[str, Hall], Sequence[Mixed]] = _as_is,
    refused: Callable[[str, str], None] | None = None,
    place: tuple[float, float] | None = None,
) -> list[Candidate]:
    """Return the candidates that come nearest to a target, best first, one a hall.

    Parameters
    ----------
    target : Target
        What the recording says.
    halls : mapping of str to Hall
        Those to choose among; one, to adapt it.
    sources : ndarray, shape (sources, 3), or sequence of Radiators
        The sections' centres in m, omnidirectional; or sections as they play, who are heard from their middles. The
        seating plan stays as it is.
    progress : callable, optional
        Called with the part done, 0 … 1.
    plan_scales : sequence of float, optional
        Factors on width and depth that are tried.
    arrays : callable, optional
        What hangs in a hall of this name and size, the main array first; left out: one omnidirectional microphone.
    refused : callable, optional
        Called with the name of a hall that can't be fitted, and why.
    place : tuple of float, optional
        How far behind the conductor and how high above the stage in m the main array hangs now.

    Raises
    ------
    InputError
        If no hall has room for the sections, or none can be fitted.
    """
    players = [omni(p) for p in sources] if isinstance(sources, np.ndarray) else list(sources)
    seats = np.concatenate([player.points for player in players])
    if not target.as_played:
        players = [in_one_point(player) for player in players]  # one source stood there
    tell = progress or (lambda _part: None)
    asked = _Asked(
        target, seats, players, arrays, place, cache(lambda name: expected_T30(halls[name]) / sabine(halls[name]))
    )
    faults: dict[str, str] = {}
    ranked = []
    for number, (name, given) in enumerate(halls.items()):
        tell(0.25 * number / len(halls))
        try:
            ranked += _ranked(asked, name, given, plan_scales)
        except InputError as error:
            faults[name] = str(error)
    chosen = _sizes(ranked)
    coarse = []
    for number, (_, name, scale) in enumerate(chosen):
        tell(0.25 + 0.4 * number / len(chosen))
        try:
            coarse.append(_coarse(asked, name, scale, halls[name]))
        except InputError as error:
            faults[name] = str(error)
    finalists = _finalists(coarse)
    best: dict[str, Candidate] = {}
    for number, (fitting, found) in enumerate(finalists):
        tell(0.65 + 0.35 * number / len(finalists))
        candidate = _refined(fitting, found)
        if candidate.name not in best or candidate.cost < best[candidate.name].cost:
            best[candidate.name] = candidate
    tell(1.0)
    for name, why in faults.items():
        if refused is not None and name not in best:
            refused(name, why)
    if not best:
        why = next(iter(faults.values()), "no hall has room for the sections")
        raise InputError(f"{why}; take a smaller seating plan, or name a larger hall" if not faults else why)
    return sorted(best.values(), key=lambda candidate: candidate.cost)


def _ranked(asked: _Asked, name: str, given: Hall, scales: Sequence[float]) -> list[tuple[float, str, float]]:
    """Return what the closed form says of a hall at each size that has room: cost, name and size."""
    target, players = asked.target, asked.players
    sizes = {}
    for scale in scales:
        hall = scale_plan(given, scale)
        mixed = asked.arrays(name, hall)
        places = _places(hall, _distances(hall), HEIGHTS, mixed)
        if hall.box.inside(asked.seats, CLEARANCE).all() and len(places):
            sizes[scale] = hall, places, mixed
    if not sizes:
        return []
    own = asked.own(name)
    usual, places, _ = sizes[min(sizes, key=_departure)]
    like = rough_fit(usual, own * sabine(usual), target.T_s)
    likeness = likeness_of(*like, players, places[1 :: 2 * len(HEIGHTS)])
    found = []
    for scale, (hall, places, mixed) in sizes.items():
        fitted, times = rough_fit(hall, own * sabine(hall), target.T_s)
        outlook = closed_form(hall, times, players, places, mixed, likeness)
        costs, _ = _costs(asked, outlook, mixed, _balances(target, mixed), places)
        found.append((float(costs.min()) + _departure(scale) + _rebuilt(target, hall, fitted), name, scale))
    return found


def _sizes(ranked: Sequence[tuple[float, str, float]]) -> list[tuple[float, str, float]]:
    """Return the sizes of halls that the engine evaluates: every hall's best, and some halls' second."""
    of: dict[str, list[tuple[float, str, float]]] = {}
    for entry in sorted(ranked):
        of.setdefault(entry[1], []).append(entry)
    seconds = sorted(entries[1] for entries in of.values() if len(entries) > 1)
    return [entries[0] for entries in of.values()] + seconds[:SECOND_SIZES]


def _finalists(coarse: Sequence[tuple[_Fitting, Candidate]]) -> list[tuple[_Fitting, Candidate]]:
    """Return those whose places are refined, best first."""
    chosen: list[tuple[_Fitting, Candidate]] = []
    for entry in sorted(coarse, key=lambda entry: entry[1].cost):
        if sum(entry[1].name == candidate.name for _, candidate in chosen) < OF_ONE_HALL:
            chosen.append(entry)
    return chosen[:FINALISTS]


def _departure(scale: float, moved: float = 0.0) -> float:
    """Return what another plan and another place of the ensemble cost, in JNDs."""
    plan, place = abs(np.log(scale)) / np.log(max(PLAN_SCALES)), abs(moved) / max(DOWNSTAGE)
    return float(DEPARTURE_OF_PLAN * (plan + place))


def _rebuilt(target: Target, given: Hall, fitted: Hall) -> float:
    """Return what other absorption costs, in JNDs: the octaves' root mean square, where a decay asks for it."""
    change = np.log2(fitted.absorption_area / np.maximum(given.absorption_area, 1e-9))[np.isfinite(target.T_s)]
    return float(DEPARTURE * np.sqrt(np.mean(change**2)))


def _costs(
    asked: _Asked, outlook: Outlook, mixed: Sequence[Mixed], balances: _Balances, places: NDArray[np.float64]
) -> tuple[NDArray[np.float64], Predicted]:
    """Return the costs and the measures of every balance at every place, (widths, balances, places)."""
    every = outlook.measures(balances.gains_db(mixed), balances.widths)
    return cost(asked.target, every) + _departures(asked, balances, places), every


def _departures(asked: _Asked, balances: _Balances, places: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return what other balances and other places than the scene's cost in JNDs, (widths, balances, places)."""
    return np.asarray(DEPARTURE * balances.departures() + asked.departures(places))


def _places(
    hall: Hall, distances: Sequence[float], heights: Sequence[float], mixed: Sequence[Mixed]
) -> NDArray[np.float64]:
    """Return the places of a main array where no capsule is in a surface, shape (places, 3) in m."""
    points = np.array([(0.0, -d, h) for d, h in product(distances, heights)])
    clear = hall.box.inside(points, MARGIN)
    for hung in mixed:
        capsules = hung.array.positions + (points[:, None] if hung.moves else np.zeros((1, 1, 3)))
        clear &= hall.box.inside(capsules, CLEARANCE).all(axis=1)
    return points[clear]


def _distances(hall: Hall) -> list[float]:
    """Return the distances behind the conductor in m that are tried first, as far as the hall reaches."""
    farthest = max(min(-float(hall.box.lower[1]) - MARGIN, FARTHEST), LEAST_DISTANCE)
    return [float(d) for d in np.geomspace(LEAST_DISTANCE, farthest, DISTANCES)]


@dataclass(frozen=True, eq=False)
class _Fitting:
    """A hall of one size with absorption that gives the times, and how candidates in it are evaluated."""

    asked: _Asked
    name: str
    scale: float
    scaled: Hall  # with its own absorption
    hall: Hall
    times: NDArray[np.float64]
    rebuilt: float  # what its absorption costs in JNDs

    def places(self, moved: float, distances: Sequence[float], heights: Sequence[float]) -> NDArray[np.float64]:
        """Return the places of a main array that are free, (places, 3) in m."""
        mixed = self.asked.arrays(self.name, downstage(self.scaled, moved))
        return _places(downstage(self.hall, moved), distances, heights, mixed)

    def best(
        self, moved: float, places: NDArray[np.float64], balances: _Balances | None = None, cuts: int = 1
    ) -> Candidate:
        """Return the best of some places and balances, the first among equals, the ensemble moved downstage by some m.

        Early decays take longest to tell: only those of the candidates that are best without them count.
        """
        there, mixed = downstage(self.hall, moved), self.asked.arrays(self.name, downstage(self.scaled, moved))
        outlook = by_engine(there, self.times, self.asked.players, places, mixed, cuts=cuts)
        tried = balances or _balances(self.asked.target, mixed)
        costs, every = _costs(self.asked, outlook, mixed, tried, places)
        gains_db, departures = tried.gains_db(mixed), _departures(self.asked, tried, places)
        found = []
        for flat in np.argsort(costs, axis=None, kind="stable")[:DECAYS]:
            width, balance, place = (int(n) for n in np.unravel_index(flat, costs.shape))
            predicted = one(every, (width, balance, place), outlook.early_decay_s(gains_db[balance], place))
            off = float(cost(self.asked.target, predicted)) + float(departures[width, balance, place])
            _, y, z = places[place].tolist()
            found.append(
                Candidate(
                    self.name,
                    self.scale,
                    there,
                    -y,
                    z,
                    predicted,
                    off + _departure(self.scale, moved) + self.rebuilt,
                    float(tried.spots_db[balance]),
                    float(tried.far_db[balance]),
                    float(tried.widths[width]),
                    moved,
                )
            )
        return min(found, key=lambda candidate: candidate.cost)


def _coarse(asked: _Asked, name: str, scale: float, given: Hall) -> tuple[_Fitting, Candidate]:
    """Return a hall of one size, fitted, and the best of it on a coarse grid of places."""
    scaled = scale_plan(given, scale)
    hall, times = nearest_times(scaled, asked.own(name) * sabine(scaled), asked.target.T_s)
    rebuilt = _rebuilt(asked.target, scaled, hall)
    fitting = _Fitting(asked, name, scale, scaled, hall, times, rebuilt)
    return fitting, fitting.best(0.0, fitting.places(0.0, _distances(hall), HEIGHTS))


def _refined(fitting: _Fitting, found: Candidate) -> Candidate:
    """Return the best of a hall on finer grids of places around the best, then moved downstage.

    What is said of that one in the end comes from walls in parts, as that of responses does.
    """
    for closeness in FINER:
        steps = (1.0 / closeness, 1.0, closeness)
        distances = sorted({min(max(found.distance * s, LEAST_DISTANCE), FARTHEST) for s in steps})
        heights = sorted({min(max(found.height * s, LOWEST), HIGHEST) for s in steps})
        there = fitting.best(0.0, fitting.places(0.0, distances, heights))
        found = min(found, there, key=lambda candidate: candidate.cost)
    for moved in DOWNSTAGE:
        try:
            box = downstage(fitting.hall, moved).box
        except InputError:
            continue
        place = fitting.places(moved, [found.distance], [found.height])
        if box.inside(fitting.asked.seats, CLEARANCE).all() and len(place):
            found = min(found, fitting.best(moved, place), key=lambda candidate: candidate.cost)
    chosen = _Balances(*(np.array([value]) for value in (found.width, found.spot_db, found.far_db)))
    return fitting.best(found.downstage, np.array([[0.0, -found.distance, found.height]]), chosen, FACETS)
