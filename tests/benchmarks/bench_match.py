"""How well rooms of no catalogue are matched, from a recording to a fitted hall: bench_match.py [CASES [MUSIC]]

Each case is a drawn hall (`drawn_rooms`), every fourth by pyroomacoustics (images to order 3, then rays, its defaults),
the others by this engine; a pair of omnis hangs at a drawn place, of which odd cases have one. The recording is a file:
the response with white noise 45 to 60 dB below its first 80 ms; or five phrases with stops (`string_music`) in stereo,
with noise 40 dB below. It goes the way of any recording: measured, made a target, fitted with all of the catalogue's
halls in all their sizes. What is found is held against the truth, known before there was a recording: T as the mean of
500 Hz and 1 kHz (ISO 3382-1, table A.1) in just-noticeable differences, clarity in dB. There are three misses a case:
of the measurement, of what the fit says of itself, and of what is heard there, the engine's expected energy in the
fitted hall at the fitted place.

Last, the tool's own output: halls of the catalogue, rendered by it, from a clap, from music with stops, and the demo.
"""

from __future__ import annotations

import multiprocessing
import sys
import tempfile
import time
import warnings
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import soundfile
from drawn_rooms import RATE, drawn_room, heard, measured, recorded, target_of_file, with_noise
from numpy.typing import NDArray
from string_music import phrases

from render.match import match_scene
from render.scene_file import read_scene
from render.session import render_scene
from rooms import catalogue
from rooms.errors import InputError
from rooms.jnd import in_jnds
from rooms.matching import fit_halls
from rooms.units import BANDS

INDEPENDENT = 4
"""Every so manieth case is pyroomacoustics'."""

MIDDLE = slice(3, 5)
"""500 Hz and 1 kHz among the octaves."""

SHOWN = slice(1, 7)
"""125 Hz to 4 kHz: octaves shown one by one."""

FIRST = 100
"""Number of the first case: what the fit weighs how much was chosen on rooms below it."""

OWN = (("recital-room", 6.0), ("scoring-stage", 4.0), ("shoebox-concert-hall", 9.0), ("stone-chapel", 2.5))
"""Halls of the catalogue and how far behind the conductor in m the main array hangs, for the tool's own output."""

ELSEWHERE = 5.0
"""m behind the conductor: where it hangs in the scene that is fitted to that output."""

OWN_RATE = 48000

PHRASES, PHRASE_S = 5, 2.5
SNR_DB = 40.0


@dataclass(frozen=True, eq=False)
class Outcome:
    """What came of a case; T in JNDs and C80 in dB above the truth, (stages, bands): measured, fitted, heard."""

    number: int
    simulator: str
    room: str
    found: str
    T: NDArray[np.float64]
    T_middle: NDArray[np.float64]
    C80: NDArray[np.float64]
    fit_s: float


def run_case(number: int, kind: str) -> Outcome:
    """Draw a room, record in it, measure, fit, and hold all against the truth."""
    warnings.simplefilter("ignore", UserWarning)  # pyroomacoustics': many rays
    room = drawn_room(number, independent=number % INDEPENDENT == INDEPENDENT - 1)
    truth_T = float(np.mean(room.T_s[MIDDLE]))
    distance = -float(room.place[1])
    text = f"T {truth_T:.2f} s {room.hall.box.volume:6.0f} m3 {distance:4.1f} m"
    nothing = np.full((3, len(BANDS)), np.nan)
    blank = Outcome(number, room.simulator, text, "", nothing, np.full(3, np.nan), nothing, np.nan)
    random = np.random.default_rng(5000 + number)
    if kind == "response":
        samples = with_noise(room, float(random.uniform(45.0, 60.0)), number)[: 1 + (number + 1) % 2]
    else:
        samples = recorded(room, phrases(RATE, number, PHRASES, PHRASE_S, 0.6 * truth_T + 0.4), SNR_DB, number)
    try:
        target = measured(samples, kind)
    except InputError as error:
        return replace(blank, found=f"cannot tell: {error}")
    halls = {name: catalogue.hall(name) for name in catalogue.names("halls")}
    begun = time.perf_counter()
    best = fit_halls(target, halls, room.source[None])[0]
    spent = time.perf_counter() - begun
    there = heard(best.hall, room.source, np.array([0.0, -best.distance, best.height]))
    T_s = np.array([target.T_s, best.predicted.T_s, there.T_s])
    C80_db = np.array([target.C80_db, best.predicted.C80_db, there.C80_db])
    return replace(
        blank,
        found=f"{best.name} x{best.plan_scale:g} {best.distance:.1f} m ({best.cost:.1f})",
        T=in_jnds("T_s", T_s, room.T_s),
        T_middle=in_jnds("T_s", T_s[:, MIDDLE].mean(axis=1), truth_T),
        C80=C80_db - room.C80_db,
        fit_s=spent,
    )


def line(outcome: Outcome) -> str:
    """Return a case as a line."""
    start = f"{outcome.number:3d} {outcome.simulator[:6]} {outcome.room}"
    if not np.isfinite(outcome.T_middle).any():
        return f"{start}  {outcome.found}"
    T = " ".join(f"{miss:+5.2f}" for miss in outcome.T_middle)
    C80 = " ".join(f"{miss:+5.1f}" for miss in outcome.C80[:, MIDDLE].mean(axis=1))
    octaves = " ".join(f"{miss:+4.1f}" for miss in outcome.T[1, SHOWN])
    return f"{start}  T {T}  C80 {C80}  [{octaves}]  {outcome.found}  {outcome.fit_s:.0f} s"


def told(outcomes: Sequence[Outcome], allowed_jnds: float) -> None:
    """Print shares, medians and the worst of cases, together and by simulator."""
    for simulator in ("all", *sorted({outcome.simulator for outcome in outcomes})):
        of = [outcome for outcome in outcomes if simulator in ("all", outcome.simulator)]
        known = [outcome for outcome in of if np.isfinite(outcome.T_middle[1])]
        print(f"{simulator}: {len(of)} cases, of {len(of) - len(known)} it cannot tell T at 500 Hz and 1 kHz")
        if not known:
            continue
        both = np.zeros((3, len(of)), dtype=bool)
        for name, allowed, misses in (
            ("T, JND", allowed_jnds, np.array([o.T_middle for o in known]).T),
            ("C80, dB", 1.5, np.array([o.C80[:, MIDDLE].mean(axis=1) for o in known]).T),
        ):
            for stage, (text, row) in enumerate(zip(("measured", "fitted", "heard"), misses, strict=True)):
                size = np.abs(row[np.isfinite(row)])
                within = np.abs(row) <= allowed
                both[stage, : len(known)] = within if name.startswith("T") else both[stage, : len(known)] & within
                median = f"median {np.median(row[np.isfinite(row)]):+.2f}, of sizes {np.median(size):.2f}"
                share = f"within {allowed:g}: {within.sum()} of {len(of)}, {within.sum() / len(of):.0%}"
                print(f"  {name:8s} {text:8s} {median}, worst {size.max():.2f}; {share}")
            if name.startswith("T"):
                octaves = np.abs(np.array([o.T[1, SHOWN] for o in known]))
                shares = [f"{np.mean(o[np.isfinite(o)] <= allowed):.0%} of {np.isfinite(o).sum()}" for o in octaves.T]
                print(f"  fitted, octaves 125 Hz to 4 kHz within {allowed:g} JND: {', '.join(shares)}")
            else:
                print(f"  both: measured, fitted, heard {', '.join(f'{share:.0%}' for share in both.mean(axis=1))}")
    seconds = [outcome.fit_s for outcome in outcomes if np.isfinite(outcome.fit_s)]
    if seconds:
        print(f"a fit takes {np.median(seconds):.0f} s (median), {max(seconds):.0f} s at most, two at once", flush=True)


def run_cases(kind: str, cases: int, allowed_jnds: float) -> None:
    """Run so many cases, two at once, and print them."""
    print(f"{kind}: T in JND and C80 in dB, measured, fitted, heard; then fitted T by octave, 125 Hz to 4 kHz")
    begun = time.perf_counter()
    outcomes = []
    with ProcessPoolExecutor(2, mp_context=multiprocessing.get_context("spawn")) as pool:
        for outcome in pool.map(run_case, range(FIRST, FIRST + cases), [kind] * cases):
            outcomes.append(outcome)
            print(line(outcome), flush=True)
            minutes = (time.perf_counter() - begun) / 60.0
            print(f"\r{len(outcomes)} of {cases} cases, {minutes:.1f} min", end="\r", file=sys.stderr, flush=True)
    told(outcomes, allowed_jnds)


def own_output(hall: str, distance: float, what: str) -> str:
    """Render a scene, match its own stereo mix, and return what was found as a line.

    What sounds is a clap of one section, the same section's phrases with stops, or the demo's cue by all sections.
    """
    demo = catalogue.demo().parent
    scene = f'title = "{what}"\n[hall]\npreset = "{hall}"\n[seating]\nplan = "violins-together"\n'
    scene += '[arrays.main]\npreset = "tree"\nposition = [0.0, DISTANCE, 3.2]\n'
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        if what == "demo":
            stems = sorted((demo / "stems").iterdir())
            scene += "".join(f'[sections.{stem.stem}]\nstem = "{stem}"\n' for stem in stems)
        else:
            stem = np.zeros(OWN_RATE) if what == "clap" else phrases(OWN_RATE, 1, PHRASES, PHRASE_S, 2.5)
            stem[0] += float(what == "clap")
            soundfile.write(folder / "stem.wav", 0.5 * stem, OWN_RATE, subtype="FLOAT")
            scene += '[sections.cellos]\ninstrument = "omni"\nplayers = 1\nstem = "stem.wav"\n'
        path = folder / "scene.toml"
        path.write_text(scene.replace("DISTANCE", str(-distance)), encoding="utf-8")
        rendering = render_scene(path, folder / "out")
        truth = rendering.responses.T30
        start = f"{what:6s} {hall:20s} {distance:4.1f} m, T {truth[MIDDLE].mean():.2f} s: "
        try:
            target = target_of_file(folder / "out" / rendering.mixes[0].path, "response" if what == "clap" else "music")
        except InputError as error:
            return f"{start}cannot tell: {str(error).removeprefix(name)}"
        path.write_text(scene.replace("DISTANCE", str(-ELSEWHERE)), encoding="utf-8")
        candidates = match_scene(target, read_scene(path)).candidates
    best = candidates[0]
    known = np.isfinite(target.T_s)
    misses = in_jnds("T_s", best.predicted.T_s, truth)[known]
    ranked = [candidate.name for candidate in candidates]
    place = f"its hall {ranked.index(hall) + 1} of {len(ranked)}" if hall in ranked else "its hall not among the best"
    found = f"{best.name} x{best.plan_scale:g} {best.distance:.1f} m, {best.height:.1f} m high ({best.cost:.2f} JND)"
    octaves = f"{np.abs(misses).mean():.1f} JND off, {np.abs(misses).max():.1f} at most"
    middle = float(in_jnds("T_s", best.predicted.T_s[MIDDLE].mean(), truth[MIDDLE].mean()))
    return f"{start}{found}, {place}; T {middle:+.1f} JND; known in {known.sum()} octaves, {octaves}"


def run_own() -> None:
    """Match the tool's own output."""
    asked = [(hall, distance, what) for what in ("clap", "stops") for hall, distance in OWN]
    asked.append(("scoring-stage", 4.0, "demo"))
    print("own output: what was rendered, and what was found")
    with ProcessPoolExecutor(2, mp_context=multiprocessing.get_context("spawn")) as pool:
        for found in pool.map(own_output, *zip(*asked, strict=True)):
            print(found, flush=True)


def main(cases: int, music: int) -> None:
    """Match responses, music with stops, and the tool's own output."""
    run_cases("response", cases, 1.0)
    run_cases("music", music, 2.0)
    run_own()


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 50, int(sys.argv[2]) if len(sys.argv) > 2 else 20)
