"""The demo against the plain route, in one run: python tests/benchmarks/bench_demo.py.

Prints times, real-time factor and peak memory of rendering the bundled demo, and the ratios to the same job done
plainly: pyroomacoustics' image sources for every player and capsule (one player measured, the rest multiplied) and
scipy.signal.oaconvolve for every pair (one stem through all capsules measured, the rest multiplied).
"""

from __future__ import annotations

import os
import resource
import subprocess
import sys
import tempfile
import time

import numpy as np

CHILD = """
import sys, time
begin = time.perf_counter()
from pathlib import Path
from render.session import render_scene
from rooms.catalogue import demo
rendering = render_scene(demo(), Path(sys.argv[1]))
timing = rendering.report.timing
print(time.perf_counter() - begin, timing.responses_s, timing.render_s, timing.realtime_factor, timing.peak_memory_mib)
"""


def whole_demo() -> tuple[float, ...]:
    """Render the demo in a process of its own; return total, responses and render time in s, real-time factor, MiB."""
    with tempfile.TemporaryDirectory() as folder:
        fresh = os.environ | {"SITZPROBE_CACHE": f"{folder}/cache"}
        command = [sys.executable, "-c", CHILD, f"{folder}/demo"]
        done = subprocess.run(command, check=True, capture_output=True, text=True, env=fresh)
    return tuple(float(value) for value in done.stdout.split()[-5:])


def plain_responses(order: int) -> float:
    """Return the time in s pyroomacoustics takes for one player and all capsules of the demo."""
    import pyroomacoustics as pra

    from render.scene_file import read_scene
    from rooms.catalogue import demo

    scene = read_scene(demo()).scene(48000)
    box = scene.hall.box
    walls = dict(zip(("west", "east", "south", "north", "floor", "ceiling"), scene.hall.materials, strict=True))
    materials = {
        wall: pra.Material({"coeffs": list(m.absorption[1:]), "center_freqs": [125 * 2**n for n in range(8)]})
        for wall, m in walls.items()
    }
    room = pra.ShoeBox(box.size, fs=48000, materials=materials, max_order=order, air_absorption=True)
    room.add_source(scene.sections[0].positions[0] - box.lower)
    room.add_microphone_array(np.concatenate([a.positions for a in scene.arrays]).T - box.lower[:, None])
    begin = time.perf_counter()
    room.compute_rir()
    return time.perf_counter() - begin


def plain_convolution(capsules: int, response_samples: int) -> float:
    """Return the time in s scipy.signal.oaconvolve takes for one section of the demo and all capsules."""
    import soundfile
    from scipy.signal import oaconvolve

    from rooms.catalogue import demo

    stem, _ = soundfile.read(demo().parent / "stems" / "violins-1.flac", dtype="float64")
    response = np.random.default_rng(1).standard_normal(response_samples)
    begin = time.perf_counter()
    for _ in range(capsules):
        oaconvolve(stem, response)
    return time.perf_counter() - begin


def main() -> None:
    """Print the table."""
    from render.scene_file import read_scene
    from rooms.catalogue import demo
    from rooms.decay import expected_T30

    scene = read_scene(demo()).scene(48000)
    players = sum(len(section.players) for section in scene.sections)
    longest = float(expected_T30(scene.hall).max())
    # Complete to time t needs order t·c·√Σ(1/L²): an octahedron of images around the sphere of radius c·t.
    order = int(
        np.ceil(longest * scene.hall.speed_of_sound * np.sqrt(np.sum(1.0 / np.array(scene.hall.box.size) ** 2)))
    )
    whole_demo()  # compiles what isn't yet
    runs = np.array([whole_demo() for _ in range(3)])
    total, responses, render, factor, memory = np.median(runs, axis=0)
    pra = plain_responses(order)
    convolution = plain_convolution(len(scene.capsules), int(1.5 * longest * 48000))
    print(f"demo: {players} players × {len(scene.capsules)} capsules, longest T30 {longest:.2f} s; median of 3 runs")
    print(f"  whole demo, start-up included   {total:8.2f} s")
    print(f"  responses                       {responses:8.2f} s")
    print(f"  rendering with files            {render:8.2f} s, {factor:.0f} × real time")
    print(f"  peak memory                     {memory:8.0f} MiB")
    print(f"plain route, pyroomacoustics image sources to order {order} (complete to {longest:.2f} s), no late field")
    print(f"  one player, measured            {pra:8.2f} s")
    print(f"  all players, multiplied         {pra * players:8.0f} s: {pra * players / responses:.0f} × ours")
    print("plain route, scipy.signal.oaconvolve in float64, one stem measured and multiplied, no files")
    for what, count in (
        ("every player to every capsule", players),
        ("every section to every capsule", len(scene.sections)),
    ):
        print(f"  {what:<31} {convolution * count:8.2f} s: {convolution * count / render:.1f} × ours with files")
    print(f"this process held {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MiB")


if __name__ == "__main__":
    main()
