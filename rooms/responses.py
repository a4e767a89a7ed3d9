"""From a scene to its responses: samples for every section and capsule, and the expected energy behind them."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from functools import partial
from itertools import product
from typing import Any

import numpy as np
from numpy.typing import NDArray

from rooms.cores import on_all_cores
from rooms.decay import expected_T30, mixing_time
from rooms.echogram import STEP, Radiators, air_loss, grid_size, into_bins, omni
from rooms.filters import high_pass
from rooms.images import early_part, path_levels
from rooms.late import late_part
from rooms.microphones import Capsule
from rooms.players import Section
from rooms.scattering import scattered_energy
from rooms.scene import Scene
from rooms.specular import specular_energy
from rooms.store import Store, key, remember
from rooms.surfaces import Hall
from rooms.units import BANDS, energy_db

__all__ = ["Responses", "compute_responses"]

CROSSFADE = 0.02
"""Length in s of the change from images to the late field; it begins at the mixing time."""

CLOSE = 0.05
"""Length in s of the fade with which responses end, some 90 dB down."""

SUBSONIC = 10.0
"""Hz; below, images all add in phase, and nothing is sound. The high-pass costs 0.02 dB at 40 Hz."""

RINGING = 0.1
"""Room in s after the mixing time in which the parts before it ring down below `SUBSONIC`."""

LENGTH = 1.5
"""Responses last this many times the longest band's reverberation time."""


@dataclass(frozen=True, eq=False)
class Responses:
    """Impulse responses of a scene and their expected energy.

    Attributes
    ----------
    scene : Scene
        What they belong to; its ``capsules`` give the order of the second axis.
    samples : ndarray of float32, shape (sections, capsules, samples)
        At the scene's sample rate; sample 0 is the moment of emission.
    direct, early : ndarray of float32, shape (sections, capsules, fewer samples)
        Parts of ``samples``: the players' direct sound; what is reflected or scattered up to the mixing time. The rest
        is the late part.
    arrivals : ndarray, shape (sections, capsules)
        First arrival (nearest player) in s.
    direct_db : ndarray, shape (sections, capsules)
        Level at 1 kHz of the section's direct sound, capsule pattern and gain included, re an omnidirectional source
        at 1 m.
    energy : ndarray, shape (sections, capsules, bands, bins)
        Expected energy as seated: players with their directivity, capsules with pattern and gain.
    omni_energy : ndarray, shape (sections, capsules, bands, bins)
        Expected energy from an omnidirectional source at the section's centre to an omni at the capsule (ISO 3382-1).
    omni_arrivals : ndarray, shape (sections, capsules)
        Direct sound from the section's centre in s.
    bin_s : float
        Width of a bin in s; bin k covers k·bin_s to (k+1)·bin_s after emission.
    mixing_time : float
        Time after emission in s at which images give way to the late field.
    T30 : ndarray, shape (bands,)
        The hall's expected reverberation time in s, NaN where it doesn't ring.
    """

    scene: Scene
    samples: NDArray[np.float32]
    direct: NDArray[np.float32]
    early: NDArray[np.float32]
    arrivals: NDArray[np.float64]
    direct_db: NDArray[np.float64]
    energy: NDArray[np.float64]
    omni_energy: NDArray[np.float64]
    omni_arrivals: NDArray[np.float64]
    bin_s: float
    mixing_time: float
    T30: NDArray[np.float64]

    def without_samples(self) -> Responses:
        """Return the same but for `samples`, `direct` and `early`, which are empty: measures need no more."""
        none = np.zeros((*self.samples.shape[:2], 0), np.float32)
        return replace(self, samples=none, direct=none, early=none)


def compute_responses(
    scene: Scene, progress: Callable[[float], None] | None = None, store: Store | None = None
) -> Responses:
    """Compute the responses of every section to every capsule.

    Parameters
    ----------
    scene : Scene
        The hall, who plays, who hears.
    progress : callable, optional
        Called with the part done, 0 … 1.
    store : Store, optional
        Keeps what is computed, hall by hall and section by array, and gives it back; the samples are the same.

    Returns
    -------
    Responses
    """
    tell = progress or (lambda _part: None)
    hall = scene.hall
    tell(0.0)
    T30, mixed = _hall_times(hall, store)
    duration = max(LENGTH * float(np.nan_to_num(T30).max()), 2.0 * mixed)
    tell(0.1)

    pairs = list(product(range(len(scene.sections)), range(len(scene.arrays))))
    names, found = {}, {}
    if store is not None:
        names = {
            (s, a): key("response", hall, scene.sections[s], scene.arrays[a], scene.sample_rate, scene.seed)
            for s, a in pairs
        }
        kept = zip(pairs, on_all_cores(store.get, names.values()), strict=True)
        found = {at: piece for at, piece in kept if piece is not None}
    blocks = _blocks([[(s, a) not in found for a in range(len(scene.arrays))] for s in range(len(scene.sections))])
    for number, (sections, arrays) in enumerate(blocks):
        part = replace(
            scene, sections=tuple(scene.sections[s] for s in sections), arrays=tuple(scene.arrays[a] for a in arrays)
        )
        computed = _compute(part, duration, mixed, store, _part_of(tell, number, len(blocks)))
        new = {
            (sections[n], arrays[a]): {kind: values[n, chosen] for kind, values in computed.items()}
            for n, (a, chosen) in product(range(len(sections)), enumerate(part.places))
        }
        if store is not None:
            on_all_cores(partial(_keep, store), ((names[at], piece) for at, piece in new.items()))
        if len(new) == len(pairs):  # all at once: nothing to gather
            return _responses(scene, computed, mixed, T30)
        found |= new
    gathered = {
        kind: np.empty((len(scene.sections), len(scene.capsules), *some.shape[1:]), dtype=some.dtype)
        for kind, some in next(iter(found.values())).items()
    }
    for (s, a), piece in found.items():
        for kind, values in piece.items():
            gathered[kind][s, scene.places[a]] = values
    tell(1.0)
    return _responses(scene, gathered, mixed, T30)


def _keep(store: Store, entry: tuple[str, Mapping[str, NDArray[Any]]]) -> None:
    """Keep arrays under a name."""
    store.put(*entry)


def _hall_times(hall: Hall, store: Store | None) -> tuple[NDArray[np.float64], float]:
    """Return the hall's expected T30 in s, shape (bands,), and its mixing time in s."""
    kept = remember(
        store, ("hall", hall), lambda: {"T30": expected_T30(hall), "mixing_time": np.array(mixing_time(hall))}
    )
    return np.asarray(kept["T30"], dtype=np.float64), float(kept["mixing_time"])


def _blocks(missing: list[list[bool]]) -> list[tuple[list[int], list[int]]]:
    """Return groups of (sections, arrays) that together hold every missing pair: whole sections, then the rest."""
    arrays = range(len(missing[0]))
    whole = [s for s, row in enumerate(missing) if all(row)]
    rest = [s for s, row in enumerate(missing) if any(row) and not all(row)]
    lacking = [a for a in arrays if any(missing[s][a] for s in rest)]
    return [(sections, chosen) for sections, chosen in ((whole, list(arrays)), (rest, lacking)) if sections]


def _part_of(tell: Callable[[float], None], number: int, count: int) -> Callable[[float], None]:
    """Return what tells the progress of one of several blocks as that of the whole."""
    return lambda part: tell(0.1 + 0.9 * (number + part) / count)


def _compute(
    scene: Scene, duration: float, mixed: float, store: Store | None, tell: Callable[[float], None]
) -> dict[str, NDArray[np.generic]]:
    """Compute samples and energies of a scene, each (sections, capsules, …).

    Parameters
    ----------
    scene : Scene
        The sections and arrays wanted.
    duration, mixed : float
        Length of the responses and mixing time in s.
    store : Store, optional
        Keeps what sections send and capsules see.
    tell : callable
        Called with the part done, 0 … 1.
    """
    hall, rate = scene.hall, scene.sample_rate
    sections = scene.sections
    grid = grid_size(duration)
    tell(0.0)
    seated = [_players(s) for s in sections]
    centres = [omni(s.centre) for s in sections]
    capsules = [_capsule(c) for _, c in scene.capsules]
    omnis = [omni(np.array(c.position)) for _, c in scene.capsules]
    parties = [(seated, capsules), (centres, omnis)]
    specular = specular_energy(hall, parties, 2.0 * mixed, grid)
    total = scattered_energy(hall, parties, grid, store=store)
    fade = np.clip((np.arange(grid) * STEP - mixed) / CROSSFADE, 0.0, 1.0)
    air = air_loss(hall, grid)
    late = (total[0] + specular[0] * np.sin(np.pi / 2.0 * fade) ** 2) * air
    for energy, images in zip(total, specular, strict=True):
        energy += images
        energy *= air
    del specular

    samples = int(np.ceil(duration * rate))
    arrivals = np.array([path_levels(scene, s)[0] for s in sections])
    across = float(np.linalg.norm(hall.box.size)) / hall.speed_of_sound
    tell(0.35)
    responses = late_part(scene, late, arrivals, samples, 2.0 * mixed + across)
    del late
    begun = min(int((mixed + CROSSFADE + RINGING) * rate), samples)
    past = np.clip((np.arange(begun) / rate - mixed) / CROSSFADE, 0.0, 1.0)
    direct, early = np.zeros((2, *responses.shape[:2], begun), dtype=np.float32)
    for n, section in enumerate(sections):
        tell(0.6 + 0.4 * n / len(sections))
        paths = early_part(scene, section, mixed + CROSSFADE)[..., :begun]
        length = paths.shape[2]
        paths *= np.cos(np.pi / 2.0 * past[:length])
        early[n] = responses[n, :, :begun] * (1.0 - past)
        early[n, :, :length] += paths[1]
        direct[n, :, :length] = paths[0]
        responses[n, :, :length] += paths.sum(axis=0)
        for part in (responses[n], early[n], direct[n]):
            part[:] = high_pass(part, SUBSONIC, rate)
            closing = _closing(part.shape[1], rate)
            part[:, -len(closing) :] *= closing
    tell(1.0)
    return {
        "samples": responses,
        "direct": direct,
        "early": early,
        "energy": into_bins(total[0]),
        "omni_energy": into_bins(total[1]),
    }


def _responses(scene: Scene, arrays: Mapping[str, NDArray[Any]], mixed: float, T30: NDArray[np.float64]) -> Responses:
    """Return the responses that are made of these arrays, with what geometry says of them."""
    levels = [path_levels(scene, s) for s in scene.sections]
    direct = np.array([energy for _, energy in levels])
    distances = np.linalg.norm(
        np.array([s.centre for s in scene.sections])[:, None] - np.array([c.position for _, c in scene.capsules]),
        axis=2,
    )
    return Responses(
        scene=scene,
        **arrays,
        arrivals=np.array([arrival for arrival, _ in levels]),
        direct_db=energy_db(direct[:, :, BANDS == 1000.0][..., 0]),
        omni_arrivals=distances / scene.hall.speed_of_sound,
        bin_s=STEP,
        mixing_time=mixed,
        T30=T30,
    )


def _closing(samples: int, rate: float) -> NDArray[np.float32]:
    """Return the fade with which responses of so many samples end, shape (fewer samples,), so that no end clicks."""
    left = np.arange(min(int(CLOSE * rate), samples), 0, -1) / (CLOSE * rate)
    return np.asarray(np.sin(np.pi / 2.0 * left) ** 2, dtype=np.float32)


def _players(section: Section) -> Radiators:
    """Return a section as the engine's energy model sees it."""
    return Radiators(
        section.positions,
        section.axes,
        section.instrument.kappa,
        section.on_aim,
        energy=section.share,
        all_round=section.all_round,
    )


def _capsule(capsule: Capsule) -> Radiators:
    """Return a capsule as the engine's energy model sees it."""
    return Radiators(
        np.array([capsule.position]),
        capsule.axis[None],
        np.zeros(len(BANDS)),
        pressure_part=capsule.pressure_parts,
        energy=capsule.sensitivities**2,
    )
