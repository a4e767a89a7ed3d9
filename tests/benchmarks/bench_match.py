"""How well rooms of no catalogue are matched: boxes drawn at random, at a random place, with noise on their measures.

Prints, for each case, the hall found and its misses, and the share of cases within 1 JND of T and 1.5 dB of C80 (means
of 500 Hz and 1 kHz, as ISO 3382-1, table A.1, states just-noticeable differences). Run: ``bench_match.py [CASES]``.
"""

from __future__ import annotations

import sys
import time

import numpy as np

from rooms import catalogue
from rooms.decay import expected_T30
from rooms.geometry import Box
from rooms.matching import Target, fit_halls, predict, residuals
from rooms.surfaces import Hall, Material

SOURCES = np.array([(-4.0, 2.0, 1.2), (-1.5, 3.5, 1.2), (1.5, 3.5, 1.2), (4.0, 2.5, 0.8), (5.5, 3.5, 1.0)])


def main(cases: int) -> None:
    """Match so many rooms."""
    halls = {name: catalogue.hall(name) for name in catalogue.names("halls")}
    random = np.random.default_rng(7)
    within_T, within_C80, spent = [], [], []
    for case in range(cases):
        width, depth, height = random.uniform((15.0, 20.0, 6.0), (28.0, 45.0, 15.0))
        walls, floor, scattering = random.uniform((0.06, 0.2, 0.2), (0.25, 0.6, 0.6))
        tilt = random.uniform(-0.15, 0.15) * np.linspace(-1.0, 1.0, 9)

        def surface(absorption: float, tilt: np.ndarray = tilt, scattering: float = scattering) -> Material:
            return Material("drawn", tuple(np.clip(absorption * (1.0 + tilt), 0.0, 1.0).tolist()), (scattering,) * 9)

        box = Box((width, depth, height), (width / 2.0, 0.4 * depth))
        materials = (*[surface(walls)] * 4, surface(floor), surface(walls))
        room = Hall("drawn", box, materials)
        place = np.array([[0.0, -random.uniform(1.0, 0.45 * depth), random.uniform(2.5, 5.0)]])
        truth = predict(room, expected_T30(room), SOURCES, place)[0]
        noise = random.normal(0.0, 1.0, (4, 9))
        T_s = truth.T_s * 1.02 ** noise[0]
        target = Target(
            T_s=T_s,
            T_low_s=T_s / 1.033,
            T_high_s=T_s * 1.033,
            EDT_s=truth.EDT_s * 1.04 ** noise[1],
            C80_db=truth.C80_db + 0.5 * noise[2],
            C80_error_db=np.full(9, 0.5),
            drr_db=truth.drr_db + noise[3],
            drr_error_db=np.full(9, 1.0),
            initial_gap_s=truth.initial_gap_s,
        )
        begun = time.perf_counter()
        best = fit_halls(target, halls, SOURCES)[0]
        spent.append(time.perf_counter() - begun)
        perfect = Target(**{**vars(target), "T_s": truth.T_s, "C80_db": truth.C80_db})
        misses = residuals(perfect, best.predicted)
        T, clarity = float(misses["T_s"][3:5].mean()), float(misses["C80_db"][3:5].mean())
        within_T.append(abs(T) <= 1.0)
        within_C80.append(abs(clarity) <= 1.5)
        print(
            f"{case + 1:3d} T {truth.T_s[3:5].mean():.2f} s, {box.volume:6.0f} m3, array {-place[0, 1]:4.1f} m: "
            f"{best.name:22s} x{best.plan_scale:<4g} {best.distance:4.1f} m  T {T:+.2f} JND  C80 {clarity:+.2f} dB  "
            f"{spent[-1]:.0f} s",
            flush=True,
        )
    print(f"within 1 JND of T: {np.mean(within_T):.0%}; within 1.5 dB of C80: {np.mean(within_C80):.0%}")
    print(f"a fit takes {np.median(spent):.0f} s (median), {max(spent):.0f} s at most")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 50)
