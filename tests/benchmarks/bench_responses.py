"""The engine against the plain route, and how its time grows: python tests/benchmarks/bench_responses.py.

The scene: a hall of 22 × 40 × 16 m with an absorbing floor and T near 2 s, five string sections of 54 players, four
arrays of 12 capsules, 48 kHz. Printed: the time of all responses in a warm process and the process's peak memory; the
time from the store with one section or one array moved; the plain route in the same run, pyroomacoustics' image sources
complete to 2.5 s for one player, multiplied; then the time against T, capsules, players and sections.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path

import numpy as np

from rooms.decay import expected_T30, with_T30
from rooms.geometry import Box
from rooms.microphones import Array, Capsule
from rooms.players import Instrument, Player, Section
from rooms.responses import compute_responses
from rooms.scene import Scene
from rooms.store import Store
from rooms.surfaces import Hall, Material

VIOLIN = Instrument("violin", 1.2, (45.0, 50.0), (0.0, 0.0, 0.0, 0.5, 2.0, 3.5, 4.5, 5.0, 5.0))
COMPLETE_S = 2.5
"""s up to which the plain route holds every image."""


def hall() -> Hall:
    """Return the hall: hard walls and an absorbing floor."""
    wall = Material("wall", (0.20, 0.20, 0.19, 0.18, 0.18, 0.17, 0.16, 0.15, 0.15), (0.3,) * 9)
    floor = Material("floor", (0.40, 0.45, 0.55, 0.65, 0.65, 0.65, 0.65, 0.65, 0.65), (0.6,) * 9)
    return Hall("bench", Box((22.0, 40.0, 16.0), (11.0, 12.0)), (wall, wall, wall, wall, floor, wall))


def ringing(T30: float) -> Hall:
    """Return a hall of its size, all surfaces alike, that rings so long."""
    return with_T30(replace(hall(), materials=(Material("any", (0.2,) * 9, (0.5,) * 9),) * 6), T30)


def section(number: int, players: int, of: int = 5) -> Section:
    """Return one of several sections in a fan around the conductor."""
    azimuth = np.radians(-75.0 + 150.0 * number / max(of - 1, 1))
    seats = []
    for n in range(players):
        radius, turn = 3.0 + 1.3 * (n // 8), azimuth + np.radians(4.0) * (n % 8 - 3.5)
        seats.append(Player((radius * np.sin(turn), radius * np.cos(turn), 1.2), float(np.degrees(turn)) + 180.0))
    return Section(f"section {number}", VIOLIN, tuple(seats))


def arrays(tree: int = 3, pair: int = 2, spots: int = 5, ambience: int = 2) -> tuple[Array, ...]:
    """Return four arrays with so many capsules."""

    def row(name: str, purpose: str, count: int, y: float, z: float, spacing: float) -> Array:
        across = spacing * (np.arange(count) - (count - 1) / 2.0)
        capsules = tuple(Capsule(str(n), (float(x), y, z), (0.0, -20.0)) for n, x in enumerate(across))
        return Array(name, purpose, capsules)  # type: ignore[arg-type]

    return (
        row("tree", "main", tree, -0.5, 3.3, 2.0 / max(tree - 1, 1)),
        row("outriggers", "outriggers", pair, -0.8, 3.3, 6.0 / max(pair - 1, 1)),
        row("spots", "spot", spots, 3.5, 2.6, 9.6 / max(spots - 1, 1)),
        row("ambience", "ambience", ambience, -14.0, 6.0, 6.0 / max(ambience - 1, 1)),
    )


def scene() -> Scene:
    """Return the scene of the demo's scale."""
    return Scene(hall(), tuple(section(n, k) for n, k in enumerate((14, 12, 10, 10, 8))), arrays(), 48000)


def seconds(scene: Scene, store: Store | None = None, runs: int = 3) -> float:
    """Return the median time of computing a scene's responses, after one run that doesn't count."""
    times = []
    for _ in range(runs + 1):
        begin = time.perf_counter()
        compute_responses(scene, store=store)
        times.append(time.perf_counter() - begin)
    return float(np.median(times[1:]))


def moved(scene: Scene, number: int, by: float) -> Scene:
    """Return the scene with one section moved upstage by so many metres."""
    players = tuple(
        replace(p, position=(p.position[0], p.position[1] + by, p.position[2])) for p in scene.sections[number].players
    )
    sections = list(scene.sections)
    sections[number] = replace(sections[number], players=players)
    return replace(scene, sections=tuple(sections))


def raised(scene: Scene, number: int, by: float) -> Scene:
    """Return the scene with one array raised by so many metres."""
    capsules = tuple(replace(c, position=(*c.position[:2], c.position[2] + by)) for c in scene.arrays[number].capsules)
    arrays = list(scene.arrays)
    arrays[number] = replace(arrays[number], capsules=capsules)
    return replace(scene, arrays=tuple(arrays))


CHILD = """
import resource, sys, time
sys.path.insert(0, sys.argv[1])
from bench_responses import scene, seconds
print(seconds(scene()), resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024)
"""


def plain_responses() -> tuple[int, float]:
    """Return order and time in s of pyroomacoustics' image sources for one player and all capsules."""
    import pyroomacoustics as pra

    bench = scene()
    box, materials = bench.hall.box, bench.hall.materials
    walls = dict(zip(("west", "east", "south", "north", "floor", "ceiling"), materials, strict=True))
    centres = [125 * 2**n for n in range(8)]
    room = pra.ShoeBox(
        box.size,
        fs=bench.sample_rate,
        materials={
            wall: pra.Material({"coeffs": list(m.absorption[1:]), "center_freqs": centres}) for wall, m in walls.items()
        },
        # An octahedron of images around the sphere of radius c·t: complete to t.
        max_order=int(np.ceil(COMPLETE_S * bench.hall.speed_of_sound * np.sqrt(np.sum(1.0 / np.array(box.size) ** 2)))),
        air_absorption=True,
    )
    room.add_source(bench.sections[0].positions[0] - box.lower)
    room.add_microphone_array(np.concatenate([a.positions for a in bench.arrays]).T - box.lower[:, None])
    begin = time.perf_counter()
    room.compute_rir()
    return room.max_order, time.perf_counter() - begin


def main() -> None:
    """Print the tables."""
    bench = scene()
    players = sum(len(s.players) for s in bench.sections)
    T30 = expected_T30(bench.hall)
    print(
        f"{players} players, {len(bench.capsules)} capsules, T30 {T30[3:5].mean():.2f} s (500 Hz and 1 kHz), "
        f"{np.nanmax(T30):.2f} s in the longest band"
    )
    command = [sys.executable, "-c", CHILD, str(Path(__file__).parent)]
    subprocess.run(command, check=True, capture_output=True)  # compiles what isn't yet
    all_s, memory = (float(v) for v in subprocess.run(command, check=True, capture_output=True).stdout.split())
    print(f"  all responses, warm             {all_s:8.2f} s, peak memory {memory:.0f} MiB")
    with tempfile.TemporaryDirectory() as folder:
        store = Store(Path(folder))
        compute_responses(bench, store=store)
        print(f"  all kept in the store           {seconds(bench, store):8.2f} s")
        for what, change in (("section", moved), ("array", raised)):
            for number in range(5 if what == "section" else 4):
                times = []
                for turn in range(4):
                    other = change(bench, number, 0.01 * (1 + turn))
                    begin = time.perf_counter()
                    compute_responses(other, store=store)
                    times.append(time.perf_counter() - begin)
                print(f"  {what} {number} moved, rest kept      {np.median(times[1:]):8.2f} s")
    order, plain = plain_responses()
    print(f"plain route, pyroomacoustics image sources to order {order} (complete to {COMPLETE_S} s), no late field")
    print(f"  one player, measured            {plain:8.2f} s")
    print(f"  all players, multiplied         {plain * players:8.0f} s: {plain * players / all_s:.0f} × ours")

    print("growth, s (and against the first row, per unit of growth)")
    rows: dict[str, list[tuple[float, Scene]]] = {
        "T30, s": [(T, replace(bench, hall=ringing(T))) for T in (1.0, 2.0, 4.0, 8.0)],
        "capsules, four arrays": [(4 * n, replace(bench, arrays=arrays(n, n, n, n))) for n in (1, 2, 4, 8, 16)],
        "capsules, one array": [(n, replace(bench, arrays=arrays(n)[:1])) for n in (1, 4, 16, 64)],
        "players, five sections": [
            (5 * n, replace(bench, sections=tuple(section(s, n) for s in range(5)))) for n in (1, 4, 12, 40)
        ],
        "sections of four players": [
            (n, replace(bench, sections=tuple(section(s, 4, n) for s in range(n)))) for n in (1, 5, 10, 20)
        ],
    }
    for what, row in rows.items():
        print(f"  {what}")
        first_size, first_s = 0.0, 0.0
        for size, grown in row:
            taken = seconds(grown, runs=1)
            first_size, first_s = first_size or size, first_s or taken
            print(f"    {size:6g} {taken:8.2f}  {taken / first_s / (size / first_size):5.2f}")


if __name__ == "__main__":
    main()
