"""Time twelve variants of the demo, from scene to page: python tests/benchmarks/bench_compare.py

The demo's cue is shorter than 30 s: in a copy every stem plays twice, one after the other, and 30 s of it are compared.
In a process and a cache of their own, once, and again with the responses in the cache.
"""

from __future__ import annotations

import os
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import soundfile

from rooms.catalogue import demo

SEATINGS = ("violins-together", "antiphonal-violins", "violas-outside")
ARRAYS = ("tree", "ortf", "xy", "spaced-pair-wide")
PASSAGE_S = 30


def twice(folder: Path) -> Path:
    """Write the demo with every stem played twice; return the scene's path."""
    scene = folder / "scene.toml"
    scene.write_text(demo().read_text(encoding="utf-8"), encoding="utf-8")
    (folder / "stems").mkdir()
    for stem in (demo().parent / "stems").iterdir():
        samples, rate = soundfile.read(stem, dtype="float32")
        soundfile.write(folder / "stems" / stem.name, np.concatenate([samples, samples]), rate)
    return scene


def main() -> None:
    """Print what it takes."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        scene = twice(folder)
        options = [*(f"--seating={plan}" for plan in SEATINGS), *(f"--array={array}" for array in ARRAYS)]
        # The scene as it is has the first plan and array, so that all combinations are eleven more.
        command = [sys.executable, "-m", "render", "compare", str(scene), *options, "--to", str(PASSAGE_S), "--quiet"]
        variants = len(SEATINGS) * len(ARRAYS)
        fresh = os.environ | {"SITZPROBE_CACHE": str(folder / "cache")}
        for what in ("nothing in the cache", "responses in the cache"):
            begin, worked = time.perf_counter(), _processor_s()
            subprocess.run([*command, "-o", str(folder / "out")], check=True, capture_output=True, env=fresh)
            took = f"{time.perf_counter() - begin:.1f} s, {_processor_s() - worked:.1f} s of processor time"
            print(f"{variants} variants, {PASSAGE_S} s, {what}: {took}, load {os.getloadavg()[0]:.1f}")
        print(f"peak memory {resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024:.0f} MiB")


def _processor_s() -> float:
    """Return the processor time of all processes that were waited for, in s: it doesn't depend on other work."""
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


if __name__ == "__main__":
    main()
