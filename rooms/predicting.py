"""What a mix of arrays would tell of a room, without a sample: the measures a recording is compared by.

Each array is taken as one omnidirectional receiver in its middle for all that is reflected, weighed with what its
capsules hear of a diffuse field, and as its capsules for the direct sound. Two models give what is reflected: the
engine's expected energy, and a closed form (Barron's revised theory) that ranks hundreds of candidates.

References
----------
M. Barron & L.-J. Lee, "Energy relations in concert auditoriums", J. Acoust. Soc. Am. 84, 1988: early and late energy
over distance (from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from rooms.early_measures import DIRECT_S, EARLY_S
from rooms.echogram import STEP, Radiators, air_loss, grid_size, into_bins, omni
from rooms.measures import from_echogram
from rooms.microphones import Array
from rooms.mixed_arrays import (
    BARE,
    NEAREST,
    Mixed,
    centres,
    diffuse_field,
    direct_channels,
    direct_sound,
    in_one_point,
    powers,
    sent,
)
from rooms.paths import materials_at
from rooms.scattering import scattered_energy
from rooms.specular import specular_energy
from rooms.surfaces import Hall
from rooms.units import BANDS, amplitude, energy_db

__all__ = ["Outlook", "Predicted", "by_engine", "closed_form", "initial_gap_s", "likeness_of", "one"]

SILENCE = 1e-12
"""Stands for an energy of nothing, re the direct sound at 1 m."""


ALIKE: NDArray[np.float64] = np.ones((2, len(BANDS)))
"""The closed form as it is."""


@dataclass(frozen=True, eq=False)
class Predicted:
    """Measures of a candidate, means over the sections as heard in the mix; or of many, on leading axes.

    Attributes
    ----------
    T_s, EDT_s, C80_db, drr_db : ndarray, shape (..., bands)
        As of `rooms.agreement.Target`; T_s is the hall's expected T30.
    initial_gap_s : ndarray, shape (...)
        As of `rooms.agreement.Target`, at the main array.
    correlation : ndarray, shape (..., bands)
        Of the two channels, all sections being equally loud; NaN for one microphone.
    """

    T_s: NDArray[np.float64]
    EDT_s: NDArray[np.float64]
    C80_db: NDArray[np.float64]
    drr_db: NDArray[np.float64]
    initial_gap_s: NDArray[np.float64] | float
    correlation: NDArray[np.float64] = field(default_factory=lambda: np.full(len(BANDS), np.nan))


@dataclass(frozen=True, eq=False)
class _Part:
    """What one array hears of every source at every place of the main array; 1 place where it is the same for all.

    Shapes are (sources, places, bands) but where said; energies re the direct sound at 1 m.
    """

    direct: NDArray[np.float64]
    prompt: NDArray[np.float64]  # reflections that can't be told from the direct sound
    early: NDArray[np.float64]  # what is reflected, up to 80 ms; the prompt ones are among it
    late: NDArray[np.float64]
    covariance: NDArray[np.float64]  # (3, places, bands): of left, of right and of both, all sources together
    arrival_s: NDArray[np.float64]  # (sources, places)
    delay_s: NDArray[np.float64]  # (places,)
    diffuse: NDArray[np.float64]  # (bands,): what it takes of a diffuse field, re one omnidirectional microphone
    rest: NDArray[np.float64] | None  # (sources, places, bands, bins): what is reflected, at one such in its middle

    def echogram(self, source: int, place: int) -> NDArray[np.float64]:
        """Return all it hears of a source, (bands, bins)."""
        assert self.rest is not None
        here = min(place, self.rest.shape[1] - 1)
        delay = round(float(self.delay_s[min(place, len(self.delay_s) - 1)]) / STEP)
        out = np.roll(self.rest[source, here] * self.diffuse[:, None], delay, axis=-1)
        out[:, : max(delay, 0)] = 0.0
        direct = min(place, self.direct.shape[1] - 1)
        at = float(self.arrival_s[source, place]) / STEP
        k, part = max(int(at), 1), at % 1.0
        for bin_, share in ((k - 1, 0.5 * (1.0 - part)), (k, 0.5), (k + 1, 0.5 * part)):  # as `into_bins` has it
            out[:, bin_] += share * self.direct[source, direct]
        return np.asarray(out)


@dataclass(frozen=True, eq=False)
class Outlook:
    """What a hall with an ensemble and its arrays gives at several places of the main array, before it is mixed.

    Attributes
    ----------
    times : ndarray, shape (bands,)
        The hall's T30 in s.
    gaps : ndarray, shape (places,)
        Initial gap at the main array in s.
    parts : tuple of _Part
        What each array hears; the first is the main one.
    stereo : bool
        Whether there is more than one microphone.
    """

    times: NDArray[np.float64]
    gaps: NDArray[np.float64]
    parts: tuple[_Part, ...]
    stereo: bool

    def measures(self, gains_db: NDArray[np.float64], widths: NDArray[np.float64]) -> Predicted:
        """Return the measures of several balances, all but the early decay time.

        Parameters
        ----------
        gains_db : ndarray, shape (balances, arrays)
            dB, on top of the arrays' own.
        widths : ndarray, shape (widths,)
            Factors of side against mid of the main array.

        Returns
        -------
        Predicted
            With the axes (widths, balances, places) before the bands.
        """
        weights = amplitude(gains_db) ** 2

        def summed(name: str) -> NDArray[np.float64]:
            every = (
                w[:, None, None, None] * getattr(part, name) for w, part in zip(weights.T, self.parts, strict=True)
            )
            return np.asarray(sum(every))

        direct, prompt, early, late = (summed(name) for name in ("direct", "prompt", "early", "late"))
        clarity = energy_db((direct + early) / np.maximum(late, SILENCE)).mean(axis=1)
        ratio = energy_db((direct + prompt) / np.maximum(early + late - prompt, SILENCE)).mean(axis=1)
        main = weights[:, 0, None, None, None] * self.parts[0].covariance
        others = summed("covariance") - main
        left, right, both = np.moveaxis(np.array([_widened(main, width) + others for width in widths.tolist()]), 2, 0)
        shape = (len(widths), *clarity.shape)
        return Predicted(
            np.broadcast_to(self.times, shape),
            np.full(shape, np.nan),
            np.broadcast_to(clarity, shape),
            np.broadcast_to(ratio, shape),
            np.broadcast_to(self.gaps, shape[:-1]),
            np.broadcast_to(both / np.sqrt(left * right) if self.stereo else np.nan, shape),
        )

    def early_decay_s(self, gains_db: NDArray[np.float64], place: int) -> NDArray[np.float64]:
        """Return the early decay time of a mix in s, mean over the sources, shape (bands,).

        Parameters
        ----------
        gains_db : ndarray, shape (arrays,)
            dB, on top of the arrays' own.
        place : int
            Which of the main array's places.
        """
        found = []
        for source in range(len(self.parts[0].arrival_s)):
            total, first = 0.0, np.inf
            for weight, part in zip((amplitude(gains_db) ** 2).tolist(), self.parts, strict=True):
                total = total + weight * part.echogram(source, place)
                first = min(first, float(part.arrival_s[source, place]))
            found.append(from_echogram(total, STEP, first).EDT_s)
        return np.asarray(np.mean(found, axis=0))


def _widened(covariance: NDArray[np.float64], width: float) -> NDArray[np.float64]:
    """Return left, right and both (balances, 3, …) with side and mid at width : 1, and the power they had."""
    left, right, both = np.moveaxis(covariance, 1, 0)
    own, other = (1.0 + width) / 2.0, (1.0 - width) / 2.0
    new = np.stack(
        [
            own**2 * left + other**2 * right + 2.0 * own * other * both,
            own**2 * right + other**2 * left + 2.0 * own * other * both,
            own * other * (left + right) + (own**2 + other**2) * both,
        ],
        axis=1,
    )
    kept = (left + right) / np.maximum(new[:, 0] + new[:, 1], SILENCE**2)
    return np.asarray(new * kept[:, None])


def initial_gap_s(hall: Hall, source: NDArray[np.float64], receivers: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the time from the direct sound to the first reflection of a bare box that can be told from it.

    Parameters
    ----------
    source : ndarray, shape (3,)
        m.
    receivers : ndarray, shape (receivers, 3)
        m.

    Returns
    -------
    ndarray, shape (receivers,)
        s, from the six images of first order, those left out that arrive within `rooms.early_measures.DIRECT_S`.
    """
    paths, r = _first_images(hall, source[None], receivers)
    late = (paths - r[..., None]) / hall.speed_of_sound
    return np.asarray(np.where(late > DIRECT_S, late, np.inf).min(axis=2)[0])


def _first_images(
    hall: Hall, sources: NDArray[np.float64], receivers: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the paths by way of each surface, (sources, receivers, surfaces), and the direct ones, in m."""
    images = np.repeat(sources[:, None], 6, axis=1)
    for axis in range(3):
        images[:, 2 * axis, axis] = 2.0 * hall.box.lower[axis] - sources[:, axis]
        images[:, 2 * axis + 1, axis] = 2.0 * hall.box.upper[axis] - sources[:, axis]
    paths = np.linalg.norm(images[:, None] - receivers[:, None], axis=3)
    return paths, np.linalg.norm(sources[:, None] - receivers, axis=2)


def _prompt(hall: Hall, players: Sequence[Radiators], receivers: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the energy of first reflections that come too soon to be told from the direct sound.

    Shape (sources, receivers, bands), re the direct sound of an omnidirectional source at 1 m.
    """
    sources = centres(players)
    paths, r = _first_images(hall, sources, receivers)
    out = np.zeros((*r.shape, len(BANDS)))
    for wall in range(6):
        axis = wall // 2
        at = (hall.box.upper if wall % 2 else hall.box.lower)[axis]
        sides = [a for a in range(3) if a != axis]
        # The way is split as the distances to the surface are.
        near, far = np.abs(sources[:, axis] - at)[:, None], np.abs(receivers[:, axis] - at)
        share = near / (near + far)
        hit = sources[:, None] + share[..., None] * (receivers - sources[:, None])
        hit[..., axis] = at
        rows = materials_at(hall, wall, (hit - hall.box.lower)[..., sides].reshape(-1, 2)).reshape(r.shape)
        way = hit - sources[:, None]
        leaves = sent(players, way / np.linalg.norm(way, axis=2)[..., None])
        path = paths[..., wall, None]
        soon = path - r[..., None] < DIRECT_S * hall.speed_of_sound
        out += np.where(soon, leaves * hall.mirrored.T[rows] * np.exp(-hall.air * path) / path**2, 0.0)
    return out


def _outlook(
    hall: Hall,
    times: NDArray[np.float64],
    sources: Sequence[Radiators],
    places: NDArray[np.float64],
    arrays: Sequence[Mixed],
    rests: Sequence[NDArray[np.float64]],
    likeness: NDArray[np.float64],
) -> Outlook:
    """Return an outlook; ``rests``, one an array, are energies over time, or none for the closed form.

    ``likeness``: what early and late reflected energy of the closed form are multiplied by, (2, bands).
    """
    alone, points = [in_one_point(source) for source in sources], centres(sources)
    speed = hall.speed_of_sound
    heard = []
    for mixed in arrays:
        capsules = mixed.array.positions + (places[:, None] if mixed.moves else np.zeros((1, 1, 3)))
        pressure, r = direct_sound(hall, sources, mixed.array, capsules)
        delay = np.full(len(places), mixed.delay_s)
        if mixed.aligned:
            delay += _wait(mixed.array, points, places) / speed
        arrival = np.broadcast_to(r.min(axis=2) / speed, (len(sources), len(places))) + delay
        heard.append((capsules.mean(axis=1), pressure, r, delay, arrival))
    first = np.min([arrival for *_, arrival in heard], axis=0)
    power = powers(alone)[:, None]
    parts = []
    for number, (mixed, (middle, pressure, r, delay, arrival)) in enumerate(zip(arrays, heard, strict=True)):
        louder = amplitude(mixed.gain_db) ** 2
        diffuse, covariance = (louder * of for of in diffuse_field(mixed, speed))
        rest = rests[number] if rests else None
        way = middle - points[:, None]
        away = np.maximum(np.linalg.norm(way, axis=2), NEAREST)[..., None]
        if rest is None:
            all_of_it = 312.0 * times / hall.box.volume * np.exp(-0.04 * away / times) * power
            late = all_of_it * np.exp(-1.11 / times)
            early, late = (all_of_it - late) * likeness[0], late * likeness[1]
        else:
            early, late = _split(rest, first + EARLY_S - delay)
        direct = louder * np.einsum("spmb,m->spb", pressure**2, (mixed.law**2).sum(axis=0))
        prompt = _prompt(hall, alone, middle)
        total = (early + late).sum(axis=0)
        channels = louder * direct_channels(mixed.law, pressure, r, speed) + covariance[:, None] * total
        parts.append(
            _Part(direct, prompt * diffuse, early * diffuse, late * diffuse, channels, arrival, delay, diffuse, rest)
        )
    gaps = initial_gap_s(hall, points.mean(axis=0), places)
    return Outlook(times, gaps, tuple(parts), sum(len(mixed.array.capsules) for mixed in arrays) > 1)


def _wait(array: Array, points: NDArray[np.float64], places: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return how much nearer an array is to the sources it stands before than the main one's places, (places,) in m."""
    near = np.linalg.norm(array.positions[:, None] - points, axis=2)
    own = near.argmin(axis=1)
    to_main = np.linalg.norm(points[own] - places[:, None], axis=2)
    return np.asarray((to_main - near.min(axis=1)).mean(axis=1))


def _split(rest: NDArray[np.float64], until: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the energy before and after a time in s (sources, places): within a bin, evenly."""
    total = np.concatenate([np.zeros((*rest.shape[:-1], 1)), np.cumsum(rest, axis=-1)], axis=-1)
    at = np.clip(until / STEP, 0.0, rest.shape[-1] - 1e-6)
    below = at.astype(int)
    shape = (*at.shape, *rest.shape[2:])
    total = np.broadcast_to(total, (*shape[:-1], rest.shape[-1] + 1))
    low, high = (np.take_along_axis(total, n[..., None, None], axis=-1)[..., 0] for n in (below, below + 1))
    early = low + (at - below)[..., None] * (high - low)
    return early, total[..., -1] - early


def closed_form(
    hall: Hall,
    times: NDArray[np.float64],
    sources: Sequence[Radiators],
    places: NDArray[np.float64],
    arrays: Sequence[Mixed] = (BARE,),
    likeness: NDArray[np.float64] = ALIKE,
) -> Outlook:
    """Return what Barron's revised theory says of every place, without early decay times.

    Parameters
    ----------
    hall : Hall
        The room.
    times : ndarray, shape (bands,)
        Its T30 in s.
    sources : sequence of Radiators
        Who plays; what is reflected is told for one source in their middle.
    places : ndarray, shape (places, 3)
        Of the main array in m.
    arrays : sequence of Mixed
        The main array first.
    likeness : ndarray, shape (2, bands)
        What the engine says of such a hall: see `likeness_of`.
    """
    return _outlook(hall, times, sources, places, arrays, (), likeness)


def likeness_of(
    hall: Hall, times: NDArray[np.float64], sources: Sequence[Radiators], places: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Return how much early and late energy the engine reflects to some places re the closed form, (2, bands).

    That is up to 3 dB off: absorption that is uneven, and scattering that is low, are in no theory of a diffuse field.
    """
    said, told = (of(hall, times, sources, places).parts[0] for of in (by_engine, closed_form))
    pairs = ((said.early, told.early), (said.late, told.late))
    return np.exp([np.log(np.maximum(a, SILENCE) / np.maximum(b, SILENCE)).mean(axis=(0, 1)) for a, b in pairs])


def by_engine(
    hall: Hall,
    times: NDArray[np.float64],
    sources: Sequence[Radiators],
    places: NDArray[np.float64],
    arrays: Sequence[Mixed] = (BARE,),
    cuts: int = 1,
) -> Outlook:
    """Return what the engine's expected energy says of every place; as `closed_form`.

    ``cuts``: parts each wall is cut into along each side, of which scattered energy comes.
    """
    still = [mixed.array.positions.mean(axis=0) for mixed in arrays if not mixed.moves]
    receivers = np.concatenate([places, np.array(still).reshape(-1, 3)])
    grid = grid_size(max(float(np.nanmax(times)), 0.5))
    alone = [in_one_point(source) for source in sources]
    party = [(alone, [omni(p) for p in receivers])]
    exact = 2e-3 * float(np.sqrt(hall.box.volume))
    energy = scattered_energy(hall, party, grid, cuts=cuts)[0] + specular_energy(hall, party, exact, grid)[0]
    way = receivers - centres(sources)[:, None]
    r = np.linalg.norm(way, axis=2)[..., None]
    direct = sent(alone, way / r) / r**2
    at = r / hall.speed_of_sound / STEP
    below = at.astype(int)
    rows = np.ogrid[: len(sources), : len(receivers), : len(BANDS)]
    for k, part in ((below, 1.0 - (at - below)), (below + 1, at - below)):
        energy[(*rows, k)] -= part * direct
    rest = into_bins(np.maximum(energy, 0.0) * air_loss(hall, grid))
    others = iter(range(len(places), len(receivers)))
    rests = [rest[:, : len(places)] if mixed.moves else rest[:, [next(others)]] for mixed in arrays]
    return _outlook(hall, times, sources, places, arrays, rests, ALIKE)


def one(every: Predicted, at: tuple[int, ...], early_decay_s: NDArray[np.float64]) -> Predicted:
    """Return one of many predictions, with its early decay time in s, (bands,)."""
    gap = np.asarray(every.initial_gap_s)[at]
    return Predicted(
        every.T_s[at], early_decay_s, every.C80_db[at], every.drr_db[at], float(gap), every.correlation[at]
    )
